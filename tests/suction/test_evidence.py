"""Hourly rows: states, means, steadiness, and what may teach a model."""

import numpy as np
import pandas as pd
import pytest

from pipeline.suction import calibration_rows, check_rise, hourly_rows, rise_deficit

FLOWS = ["flow_header", "flow_branch"]


def grid(hours=4):
    n = 12 * hours
    index = pd.date_range("2023-05-01", periods=n, freq="5min", tz="UTC", unit="us")
    return pd.DataFrame(
        {
            "reading": 3.0e4, "static_pressure": 5.0e4, "velocity_pressure": 1.0e3,
            "flow_header": 0.1, "flow_branch": 0.06, "running": True, "stopped": False,
        },
        index=index,
    )  # fmt: skip


def reduced(frame):
    return hourly_rows(frame, flow_columns=FLOWS, step_seconds=300.0)


def test_means_and_labels():
    frame = grid()
    frame.loc[frame.index[:12], "reading"] = np.arange(12) * 100.0
    hours = reduced(frame)
    assert list(hours.index) == list(pd.date_range("2023-05-01", periods=4, freq="h", tz="UTC"))
    assert hours["reading"].iloc[0] == pytest.approx(550.0)
    assert hours["reading_max"].iloc[0] == 1100.0
    assert hours["steady"].all()
    assert set(hours["state"]) == {"running"}


def test_hours_with_a_start_or_a_gap_teach_nothing():
    frame = grid()
    started = frame.index[12:18]
    frame.loc[started, ["running", "stopped"]] = [False, True]
    frame.loc[started, ["flow_branch", "velocity_pressure"]] = 0.0
    frame.loc[frame.index[24:30], "flow_header"] = np.nan
    frame.loc[frame.index[36:42], "reading"] = np.nan
    hours = reduced(frame)
    assert list(hours["state"]) == ["running", "mixed", "running", "running"]
    assert list(hours["steady"]) == [True, False, False, True]
    assert list(calibration_rows(hours).index) == [hours.index[0]]


def test_restless_flow_is_not_steady_and_bad_hours_are_left_out():
    frame = grid()
    frame.loc[frame.index[:12:2], "flow_branch"] *= 1.2
    hours = reduced(frame)
    assert list(hours["steady"]) == [False, True, True, True]
    bad = pd.Series([False, True, False, False], index=hours.index)
    assert list(calibration_rows(hours, bad).index) == list(hours.index[2:])


def test_zero_offset_of_a_flow_meter_is_no_flow_of_a_stopped_pump():
    frame = grid().assign(running=False, stopped=True, flow_branch=1e-4)
    rows = calibration_rows(reduced(frame), own_column="flow_branch")
    assert set(rows["flow_branch"]) == {0.0}
    assert rows["flow_header"].to_numpy() == pytest.approx(0.1)


def test_noise_is_that_of_one_interval():
    rng = np.random.default_rng(1)
    frame = grid(200)
    frame["reading"] += rng.normal(0, 80.0, len(frame))
    # A level on the move changes the reading by far less than noise within 5 minutes.
    frame["reading"] += np.linspace(0, 2.0e4, len(frame))
    assert reduced(frame)["reading_noise"].median() == pytest.approx(80.0, rel=0.1)


def test_a_tank_that_fills_fast_is_no_noise():
    """The level moves by 1 kPa in each interval, up and down; the gauge has 80 Pa of noise."""
    frame = grid(200)
    tank = 4.0e4 + 1.0e3 * np.abs(np.arange(len(frame)) % 24 - 12)
    noise = np.random.default_rng(1).normal(0.0, 80.0, len(frame))
    moved = frame.assign(static_pressure=tank, reading=tank - 2.0e4 + noise)
    assert reduced(moved)["reading_noise"].median() == pytest.approx(80.0, rel=0.15)


def planted_rise(deficit_from=None, speed=None):
    rng = np.random.default_rng(2)
    times = pd.date_range("2023-01-01", periods=24 * 90, freq="h", tz="UTC")
    flow = rng.uniform(0.05, 0.07, times.size)
    rise = 4.0e5 - 2.0e7 * flow**2 + rng.normal(0, 300.0, times.size)
    if deficit_from is not None:
        rise = rise - np.where(times >= times[0] + pd.Timedelta(days=deficit_from), 6.0e3, 0.0)
    trained = times < times[0] + pd.Timedelta(days=40)
    if speed is not None:
        flow, rise = flow * speed, rise * speed**2
    return rise_deficit(times, flow, rise, trained, speed)


def test_planted_shortfall_is_measured_and_dated():
    daily = planted_rise(60)
    late = daily.index >= daily.index[0] + pd.Timedelta(days=60)
    assert daily["deficit"][late].mean() == pytest.approx(6000.0, rel=0.02)
    assert abs(daily["deficit"][~late].mean()) < 50.0
    found = check_rise(daily)
    assert len(found) == 1
    assert abs(found["start"].iloc[0] - daily.index[60]) <= pd.Timedelta(days=1)
    assert set(found["verdict"]) == {"suspect"}
    for cause in ("suction side", "leakage", "discharge gauge", "flow meter"):
        assert cause in found["evidence"].iloc[0]
    assert check_rise(planted_rise()).empty


def test_speed_is_taken_out_by_the_affinity_laws():
    rng = np.random.default_rng(3)
    speed = rng.uniform(0.85, 1.0, 24 * 90)
    assert check_rise(planted_rise(speed=speed)).empty
    assert abs(planted_rise(speed=speed)["deficit"]).max() < 500.0


def test_too_short_a_good_period_says_nothing():
    times = pd.date_range("2023-01-01", periods=40, freq="h", tz="UTC")
    daily = rise_deficit(times, np.full(40, 0.06), np.full(40, 3e5), np.ones(40, bool))
    assert daily.empty
    assert check_rise(daily).empty
