"""Pump-off readings, sisters and cleanings, by frames whose answer is plain."""

import numpy as np
import pandas as pd
import pytest

from pipeline.performance.circumstances import (
    gauge_offset,
    moved_alike,
    moved_by_one_part,
    only_when_low,
    recovered_at,
    rest_offsets,
    stood,
)

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
    ("other", "alike", "still"),
    [
        (-0.04, True, False),
        (-0.025, True, False),
        (0.0, False, True),
        (0.04, False, True),
        (-0.15, False, False),
    ],
)
def test_sisters_move_alike_or_not(other, alike, still):
    def pump(change):
        frame = days(np.r_[np.zeros(60), np.full(40, change)])
        return frame.assign(head_deviation=frame["head_deviation"] + 0.001 * frame["noise"])

    end = START + pd.Timedelta("100D")
    pumps = [pump(-0.04), pump(other)]
    assert moved_alike(pumps, "head_deviation", LEARNED, LEARNED, end) is alike
    assert stood(pumps, "head_deviation", LEARNED, LEARNED, end) is still
    for asked in (moved_alike, stood):
        assert asked(pumps[:1], "head_deviation", LEARNED, LEARNED, end) is False
        # A sister of which nothing is known now proves nothing.
        silent = [pumps[0], pumps[1].iloc[:60]]
        assert asked(silent, "head_deviation", LEARNED, LEARNED, end) is False


@pytest.mark.parametrize(
    ("other", "lean", "noise", "one"),
    [
        (-0.04, -0.8, 0.001, True),
        (-0.02, -0.4, 0.001, True),
        (-0.02, -0.8, 0.001, False),
        (-0.06, -0.8, 0.001, False),
        (-0.03, -0.8, 0.02, True),
        (-0.02, 0.0, 0.001, True),
    ],
)
def test_an_error_that_pumps_share_is_one_part_of_flow(other, lean, noise, one):
    """By hand: four per cent of head at a lean of -0.8 is a meter five per cent low.

    A sister on a curve half as steep then loses half; one on a curve as steep that loses half,
    or half as much again, wears of itself. What is noisy or flat contradicts nothing.
    """

    def pump(change):
        frame = days(np.r_[np.zeros(60), np.full(40, change)])
        return frame.assign(head_deviation=frame["head_deviation"] + noise * frame["noise"])

    end = START + pd.Timedelta("100D")
    asked = ("head_deviation", [-0.8, lean], LEARNED, LEARNED, end)
    assert moved_by_one_part([pump(-0.04), pump(other)], *asked) is one


@pytest.mark.parametrize(("after", "went"), [(0.0, True), (-0.015, True), (-0.035, False)])
def test_a_cleaning_that_helps_and_one_that_does_not(after, went):
    frame = days(np.r_[np.full(60, -0.04), np.full(30, after)])
    frame = frame.assign(head_deviation=frame["head_deviation"] + 0.002 * frame["noise"])
    assert recovered_at(frame, "head_deviation", LEARNED) is went


def test_what_others_take_from_a_resting_gauge_is_learned_before_and_a_drift_stays():
    """By hand: 2e5 Pa/(m3/s)2 of header loss, and 900 Pa of drift after the learning days."""
    rng = np.random.default_rng(2)
    time = pd.date_range(START, periods=24 * 90, freq="h").as_unit("us")
    flow, static = rng.uniform(0.0, 0.2, len(time)), rng.uniform(2e4, 4e4, len(time))
    drift = np.where(time >= LEARNED, 900.0, 0.0)
    rest = pd.DataFrame(
        {
            "time": time,
            "static_pressure": static,
            "reading": static + 250.0 - 2e5 * flow**2 + drift,
            "flow_header": flow,
        }
    )
    found = rest_offsets(rest, "reading", ["flow_header"], LEARNED)
    assert found["offset"].to_numpy() == pytest.approx(250.0 + drift, abs=1e-6)
    change, _ = gauge_offset(found, "offset", LEARNED, LEARNED)
    assert change == pytest.approx(900.0)
    nothing = rest_offsets(rest[rest["time"] >= LEARNED], "reading", ["flow_header"], LEARNED)
    assert nothing.empty
    assert np.isnan(gauge_offset(nothing, "offset", LEARNED, LEARNED)).all()


@pytest.mark.parametrize(
    ("at_low", "else_", "told"),
    [(-0.05, 0.0, True), (-0.05, -0.05, False), (-0.05, -0.03, False), (0.0, 0.0, False)],
)
def test_a_loss_that_shows_at_low_level_only(at_low, else_, told):
    """Air or a vortex come with the lowest levels; wear does not know the level."""
    rng = np.random.default_rng(4)
    time = pd.date_range(START, periods=12 * 30, freq="2h").as_unit("us")
    level = rng.uniform(1.0, 4.0, len(time))
    lost = np.where(level < 1.75, at_low, else_)
    frame = pd.DataFrame(
        {"time": time, "level": level, "deviation": lost + rng.normal(0.0, 0.005, len(time))}
    )
    assert only_when_low(frame, "level", "deviation") is told
    assert only_when_low(frame.iloc[:30], "level", "deviation") is False
    assert only_when_low(frame.assign(level=np.nan), "level", "deviation") is False
