"""Pump-off readings, sisters and cleanings, by frames whose answer is plain."""

import numpy as np
import pandas as pd
import pytest

from pipeline.performance.circumstances import gauge_offset, moved_alike, recovered_at

START = pd.Timestamp("2025-01-01", tz="UTC")
LEARNED = START + pd.Timedelta("60D")


def days(values, column="head_deviation"):
    time = pd.date_range(START, periods=len(values), freq="D").as_unit("us")
    noise = np.random.default_rng(1).normal(0.0, 1.0, len(values))
    return pd.DataFrame({"time": time, column: np.asarray(values, dtype=float), "noise": noise})


def test_offset_is_the_change_of_daily_means():
    """Learning days read 100 and 300 Pa in turn, later ones 900 and 1100 Pa: 800 Pa more.

    By hand: the variance of daily means is 60/59 and 30/29 of 100**2, over 60 and 30 days.
    """
    value = np.r_[np.tile([100.0, 300.0], 30), np.tile([900.0, 1100.0], 15)]
    rest = days(value, "offset")
    offset, u = gauge_offset(rest, "offset", LEARNED, LEARNED)
    assert offset == pytest.approx(800.0)
    assert u == pytest.approx(100.0 * np.sqrt(1 / 59 + 1 / 29))
    # Two readings a day are two readings, not two days.
    twice = pd.concat([rest, rest.assign(time=rest["time"] + pd.Timedelta("1h"))])
    assert gauge_offset(twice, "offset", LEARNED, LEARNED) == pytest.approx((offset, u))


def test_too_few_days_give_no_offset():
    rest = days(np.zeros(63), "offset")
    assert np.isnan(gauge_offset(rest, "offset", LEARNED, LEARNED)).all()


@pytest.mark.parametrize(
    ("other", "alike"), [(-0.04, True), (-0.025, True), (0.0, False), (0.04, False), (-0.15, False)]
)
def test_sisters_move_alike_or_not(other, alike):
    def pump(change):
        frame = days(np.r_[np.zeros(60), np.full(40, change)])
        return frame.assign(head_deviation=frame["head_deviation"] + 0.001 * frame["noise"])

    end = START + pd.Timedelta("100D")
    pumps = [pump(-0.04), pump(other)]
    assert moved_alike(pumps, "head_deviation", LEARNED, LEARNED, end) is alike
    assert moved_alike(pumps[:1], "head_deviation", LEARNED, LEARNED, end) is False


@pytest.mark.parametrize(("after", "went"), [(0.0, True), (-0.015, True), (-0.035, False)])
def test_a_cleaning_that_helps_and_one_that_does_not(after, went):
    frame = days(np.r_[np.full(60, -0.04), np.full(30, after)])
    frame = frame.assign(head_deviation=frame["head_deviation"] + 0.002 * frame["noise"])
    assert recovered_at(frame, "head_deviation", LEARNED) is went
