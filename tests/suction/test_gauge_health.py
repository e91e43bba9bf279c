"""Gauge health: what is found, how soon, and how rarely in vain."""

import numpy as np
import pandas as pd
import pytest

from pipeline.suction import (
    GaugeFacts,
    LossPrior,
    SuctionLineModel,
    SuctionModel,
    calibration_rows,
    check_gauge,
    check_swapped,
    expected_reading,
    hourly_rows,
    is_in_fault,
)
from pipeline.suction.findings import Finding, findings_frame

FACTS = GaugeFacts(range_low=-1e5, range_high=2e5, gauge_u=500.0, static_u=316.0)
FLOWS = ["flow_header", "flow_branch"]


def grid_rows(line, days, seed, *, step=12, errors=None, noise=60.0, resolution=0.0):
    """5-minute rows of pump P1 with its gauge; the pump stops now and then."""
    rng = np.random.default_rng(seed)
    truth = line.make_truth(days, rng)
    errors = errors if errors is not None else line.draw_errors(rng)
    X, _, true = line.observe(truth, "P1", errors, rng)
    index = pd.date_range("2023-03-01", periods=len(X) * step, freq="5min", tz="UTC", unit="us")
    grid = X.loc[X.index.repeat(step)].set_axis(index)
    reading = np.repeat(true, step) + errors.gauge.get("P1", 0.0)
    reading = reading + rng.normal(0, noise, reading.size)
    if resolution:
        reading = np.round(reading / resolution) * resolution
    on = grid["flow_branch"] > 0
    return grid.assign(reading=reading, running=on, stopped=~on)


def checks(grid, facts=FACTS):
    hours = hourly_rows(grid, flow_columns=FLOWS, step_seconds=300.0)
    due = expected_reading(hours, FLOWS)
    return check_gauge(hours, due["expected"], facts, due["known"])


def modelled_checks(grid, facts=FACTS, trained=None):
    hours = hourly_rows(grid, flow_columns=FLOWS, step_seconds=300.0)
    rows = calibration_rows(hours if trained is None else hours.loc[:trained], own_column=FLOWS[1])
    inputs = ["static_pressure", "velocity_pressure", *FLOWS]
    model = SuctionModel(static_u=316.0).fit(rows[inputs], rows["reading"])
    due = expected_reading(hours, FLOWS, model)
    return check_gauge(hours, due["expected"], facts, due["known"])


def between(grid, start_day, end_day=None):
    day = (grid.index - grid.index[0]) / pd.Timedelta(days=1)
    return (day >= start_day) & (day < (end_day if end_day is not None else 1e9))


def test_good_gauge_with_all_its_errors_is_left_alone(line):
    for seed in range(4):
        grid = grid_rows(line, 60, seed)
        assert checks(grid).empty
        assert modelled_checks(grid).empty


@pytest.mark.parametrize("value", [0.0, "last"])
def test_stuck_value_is_found_within_three_days(line, value):
    for seed in range(5):
        grid = grid_rows(line, 30, seed)
        bad = between(grid, 20)
        last = grid["reading"][~bad].iloc[-1] if value == "last" else value
        grid["reading"] = grid["reading"].where(~bad, last)
        seen = grid.loc[: grid.index[0] + pd.Timedelta(days=23)]
        found = checks(seen)
        stuck = found[found["check"] == "stuck"]
        assert len(stuck) == 1
        begun = grid.index[0] + pd.Timedelta(days=20)
        assert abs(stuck["start"].iloc[0] - begun) <= pd.Timedelta(hours=2)
        assert stuck["verdict"].iloc[0] == "fault"
        assert "should have moved it" in stuck["evidence"].iloc[0]


def test_slow_transmitter_that_repeats_most_values_is_not_stuck(line):
    """A dead band of 0.8 kPa and a report every 2 h: about 95 % of values are repeats."""
    grid = grid_rows(line, 60, 7, noise=10.0)
    slow = grid["reading"].to_numpy().copy()
    kept, report = slow[0], np.arange(slow.size) % 24 == 0
    for i in range(slow.size):
        if report[i] and abs(slow[i] - kept) > 800.0:
            kept = slow[i]
        slow[i] = kept
    assert np.mean(np.diff(slow) == 0) > 0.95
    found = checks(grid.assign(reading=slow))
    assert "stuck" not in set(found["check"])


def test_still_water_and_a_stopped_pump_leave_a_repeated_value_undecided(line):
    grid = grid_rows(line, 10, 8)
    quiet = grid.assign(
        reading=4.0e4, static_pressure=4.0e4, velocity_pressure=0.0, flow_header=0.0,
        flow_branch=0.0, running=False, stopped=True,
    )  # fmt: skip
    assert checks(quiet).empty


def test_drift_of_80_pa_a_day_is_found_within_60_days(line):
    delays = []
    for seed in range(6):
        grid = grid_rows(line, 120, seed)
        day = (grid.index - grid.index[0]) / pd.Timedelta(days=1)
        drift = np.maximum(np.asarray(day) - 40.0, 0.0) * 80.0 * (-1) ** seed
        drifted = grid.assign(reading=grid["reading"] + drift)
        for days in range(45, 101, 5):
            found = checks(drifted.loc[: grid.index[0] + pd.Timedelta(days=days)])
            if "drift" in set(found["check"]):
                break
        delays.append(days - 40)
        item = found[found["check"] == "drift"].iloc[0]
        assert item["magnitude"] == pytest.approx(80.0 * (-1) ** seed, rel=0.25)
        # The bad interval reaches back to where the drift began, give or take a week.
        begun = grid.index[0] + pd.Timedelta(days=40)
        assert abs(item["start"] - begun) <= pd.Timedelta(days=7)
    assert max(delays) <= 60


def first_night(line, seed):
    """One day with a stop in it: what the first nightly run sees."""
    grid = grid_rows(line, 40, seed)
    stops = np.flatnonzero((grid["flow_header"] == 0).to_numpy())
    day = grid.index[stops[len(stops) // 2]].floor("D")
    return grid.loc[day : day + pd.Timedelta(days=1) - pd.Timedelta(minutes=5)]


@pytest.mark.parametrize(
    ("change", "check"),
    [
        (lambda p: p + 101325.0, "absolute_as_gauge"),
        (lambda p: p - 101325.0, "gauge_as_absolute"),
        (lambda p: p / 6894.757293168361 * 1000.0, "wrong_unit"),  # psi taken as kPa
        (lambda p: p / 1000.0 * 6894.757293168361, "wrong_unit"),  # kPa taken as psi
        (lambda p: p / 1e5 * 1000.0, "wrong_unit"),  # bar taken as kPa
    ],
)
def test_datum_and_unit_mistakes_are_found_on_the_first_night(line, change, check):
    for seed in range(5):
        day = first_night(line, seed)
        found = checks(day.assign(reading=change(day["reading"])), GaugeFacts(static_u=316.0))
        rest = found[found["verdict"] == "fault"]
        assert check in set(rest["check"]) or any(
            "absolute" in text for text in rest["evidence"]
        ), found
        assert checks(day).empty


def test_elevation_with_the_wrong_sign_is_named(line):
    day = first_night(line, 3)
    lift = line.RHO * line.G * 1.5
    found = checks(
        day.assign(static_pressure=day["static_pressure"] - 2 * lift),
        GaugeFacts(static_u=316.0, elevation_pressure=lift),
    )
    assert set(found["check"]) == {"elevation_sign"}


def test_plugged_sensing_line_that_still_flickers_is_unresponsive(line):
    grid = grid_rows(line, 40, 9)
    bad = between(grid, 20, 30)
    rng = np.random.default_rng(1)
    flat = grid["reading"].mean() + np.cumsum(rng.normal(0, 2, len(grid)))
    found = checks(grid.assign(reading=grid["reading"].where(~bad, flat)))
    item = found[found["check"] == "unresponsive"]
    assert len(item) == 1
    assert abs((item["start"].iloc[0] - grid.index[0]) / pd.Timedelta(days=1) - 20) <= 1.0


@pytest.mark.parametrize("seed", [10, 11, 12, 13])
def test_level_of_another_tank_is_suspected_and_the_gauge_not_blamed(line, seed):
    grid = grid_rows(line, 40, seed)
    other = line.make_truth(40, np.random.default_rng(77 + seed))
    wrong = grid.assign(static_pressure=np.repeat(other.static, 12)[: len(grid)])
    found = checks(wrong)
    assert "level_of_other_tank" in set(found["check"])
    assert set(found["verdict"]) == {"suspect"}


def test_noise_and_range(line):
    grid = grid_rows(line, 40, 11)
    rng = np.random.default_rng(2)
    loud = between(grid, 10, 15)
    over = between(grid, 30, 30.5)
    reading = grid["reading"] + np.where(loud, rng.normal(0, 3000, len(grid)), 0.0)
    reading = reading.where(~over, 2.3e5)
    found = checks(grid.assign(reading=reading)).set_index("check")
    assert (found.loc["noisy", "end"] - found.loc["noisy", "start"]) == pd.Timedelta(days=5)
    assert found.loc["out_of_range", "magnitude"] == pytest.approx(3.0e4)


def test_swapped_tags_are_found_and_right_ones_are_not(line):
    grid = grid_rows(line, 20, 12)
    head = np.where(grid["running"], 4.0e5, 0.0)
    suction = hourly_rows(grid, flow_columns=FLOWS, step_seconds=300.0)
    discharge = hourly_rows(
        grid.assign(reading=grid["reading"] + head), flow_columns=FLOWS, step_seconds=300.0
    )
    assert set(check_swapped(discharge, suction, FACTS)["check"]) == {"swapped"}
    assert check_swapped(suction, discharge, FACTS).empty


def test_fault_mask_is_left_closed(line):
    table = pd.DataFrame(
        {
            "start": pd.to_datetime(["2023-01-01T02:00Z", "2023-01-01T03:00Z"]),
            "end": pd.to_datetime(["2023-01-01T04:00Z", "2023-01-01T05:00Z"]),
        }
    )
    index = pd.date_range("2023-01-01", periods=7, freq="h", tz="UTC")
    assert list(is_in_fault(table, index)) == [False, False, True, True, True, False, False]


@pytest.mark.slow
def test_at_most_one_false_alarm_in_twenty_gauge_years(line):
    """40 gauges for half a year each, every error drawn as declared."""
    alarms = 0
    for seed in range(40):
        alarms += len(modelled_checks(grid_rows(line, 182, 1000 + seed, step=12)))
    assert alarms <= 1


def test_statics_beside_a_running_sister_count_only_when_the_header_is_known(line):
    """A drawing that leaves 1.5 kPa open must not accuse the gauge; a fitted header may."""
    grid = grid_rows(line, 60, 14)
    hours = hourly_rows(grid, flow_columns=FLOWS, step_seconds=300.0).assign(pump="P1")
    beside = ((hours["state"] == "stopped") & (hours["flow_header"] > 0)).to_numpy()
    idle = (hours["flow_header"] == 0).to_numpy()
    wrong = {
        "flow_header": LossPrior(0.1, 3.0 * float(line.HEADER.loss(0.1)), 4.0e3),
        "branch:P1": LossPrior(0.08, 5000.0, 2000.0),
    }
    drawing = SuctionLineModel(loss_prior=wrong).fit(hours.iloc[:0], [])
    due = expected_reading(hours, FLOWS, drawing)
    assert not due["known"][beside].any()
    assert due["known"][idle].all()
    assert check_gauge(hours, due["expected"], FACTS, due["known"]).empty
    rows = calibration_rows(hours, own_column="flow_branch")
    fitted = SuctionLineModel(loss_prior=wrong).fit(rows, rows["reading"])
    again = expected_reading(hours, FLOWS, fitted)
    steady = hours["steady"].to_numpy()
    assert again["known"][beside & steady].mean() > 0.95


def test_pump_that_never_stops_shows_absolute_pressure_all_the_same(line):
    """Friction can only lower a reading; without a static the cause stays a suspicion."""
    for seed in range(3):
        grid = grid_rows(line, 20, seed)
        running = grid[grid["running"]]
        steady = running.set_axis(
            pd.date_range("2023-03-01", periods=len(running), freq="5min", tz="UTC", unit="us")
        )
        assert checks(steady).empty
        found = checks(steady.assign(reading=steady["reading"] + 101325.0))
        assert set(found["verdict"]) == {"suspect"}
        assert "absolute pressure taken as gauge" in found["evidence"].iloc[0]
        assert "never stood still" in found["evidence"].iloc[0]


def test_a_gap_in_the_data_does_not_wake_a_stuck_gauge(line):
    """The same value before and after six hours without any is one pause."""
    grid = grid_rows(line, 40, 16)
    reading = grid["reading"].where(~between(grid, 20), 4.0e4)
    found = checks(grid.assign(reading=reading.where(~between(grid, 25, 25.25))))
    stuck = found[found["check"] == "stuck"]
    assert len(stuck) == 1
    assert stuck["end"].iloc[0] >= grid.index[-1]


def test_what_one_check_finds_in_overlapping_intervals_is_one_finding():
    """An erratic gauge may seem to step more than once from the same day on."""
    day = [pd.Timestamp("2024-05-01T00:00Z") + pd.Timedelta(days=d) for d in range(9)]

    def step(start, end, size, check="offset_step"):
        return Finding(day[start], day[end], check, "fault", size, 0.1, f"{size}")

    table = findings_frame(
        [step(1, 3, 5.0), step(1, 4, -7.0), step(4, 5, 2.0), step(2, 3, 1.0, "noisy")]
    )
    assert not table.duplicated(["check", "start"]).any()
    joined = table[table["check"] == "offset_step"]
    assert joined["start"].tolist() == [day[1], day[4]]
    assert joined["end"].tolist() == [day[4], day[5]]
    assert joined["magnitude"].tolist() == [-7.0, 2.0]
    assert (table["check"] == "noisy").sum() == 1
