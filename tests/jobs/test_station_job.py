"""The whole job on the two-pump EPANET station: a year of exports with one thing wrong.

Truth is the EPANET engine's; calibration errors, noise and faults are drawn by the tests, and
drawings are wrong by lognormal factors. What is checked is what a user reads: the published
tables. A year at five minutes takes some fifteen seconds, so most cases are slow ones.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from epanet_station import Fouling, Wear, station_truth
from station_job import StationRun, plant_text, run_station
from station_scenarios import (
    days_since_start,
    draw_readings,
    drawn_lines,
    drift_gauge,
    lose_gauge,
    misread_unit,
    offset_gauge,
    read_absolute_as_gauge,
    read_level_of_another_tank,
    shake_gauge,
    stick_gauge,
    survey_readings,
    swap_suction_and_discharge,
)

SEED = 1
FROM, TO = 200.0, 310.0
SPOILT_FROM = pd.Timestamp("2024-01-01T00:00Z") + pd.Timedelta(days=FROM)
SPOILT_TO = pd.Timestamp("2024-01-01T00:00Z") + pd.Timedelta(days=TO)
NON_RETURN = {
    'discharge_tap = { elevation = "1.100 m", diameter': (
        'check_valve_leak_free = true\ndischarge_tap = { elevation = "1.100 m", '
        'position = "before_check_valve", diameter'
    )
}
WRONG_SIGN = {'suction_tap = { elevation = "0.450 m"': 'suction_tap = { elevation = "-0.450 m"'}

Spoil = Callable[[pd.DataFrame], pd.DataFrame]


def run_with(
    folder: Path,
    spoil: Spoil = lambda readings: readings,
    *,
    days: float = 365.0,
    fouling: Fouling | None = None,
    wear: Wear | None = None,
    drawn: bool = True,
    seed: int = SEED,
    **plant: object,
) -> StationRun:
    """Draw a year of readings, spoil it, and run the job on it once."""
    rng = np.random.default_rng(seed)
    lines = drawn_lines(rng)
    readings = spoil(draw_readings(station_truth(days, fouling=fouling, wear=wear), rng))
    text = plant_text(lines if drawn else None, **plant)
    run = run_station(folder, readings, text)
    assert run.result.outcome.failures == []
    return run


def stuck_level(readings: pd.DataFrame, start: float, end: float) -> pd.DataFrame:
    """Let the level transmitter keep its value between two days."""
    day = days_since_start(readings)
    inside = (day >= start) & (day < end)
    level = readings["level"].to_numpy().copy()
    level[inside] = level[inside][0]
    return readings.assign(level=level)


def without_gauge(run: StationRun, k: int) -> pd.DataFrame:
    """Steady points whose suction pressure is not measured, with their errors."""
    points = run.points(k)
    points = points[points["suction_pressure_source"] != "measured"]
    off = points["suction_pressure_kpa"] - points["true_suction_pressure"] / 1e3
    u = np.hypot(
        points["suction_pressure_u_systematic_kpa"], points["suction_pressure_u_random_kpa"]
    )
    head_u = np.hypot(points["total_head_u_systematic_m"], points["total_head_u_random_m"])
    head_off = points["total_head_m"] - points["true_total_head"]
    return points.assign(
        off=off, covered=off.abs() <= 1.96 * u, head_covered=head_off.abs() <= 1.96 * head_u
    )


def rms(values: pd.Series) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def found(run: StationRun) -> set[tuple[str, str, str]]:
    checks = run.table("gauge_checks")
    return set(zip(checks["pump"], checks["gauge"], checks["check"], strict=True))


def test_a_stuck_gauge_is_replaced_by_the_model(tmp_path: Path):
    """Ten weeks; the gauge sticks at a plausible value, status good, from the seventh on."""
    run = run_with(tmp_path, lambda r: stick_gauge(r, 1, 45.0), days=70.0)
    checks = run.table("gauge_checks")
    assert found(run) == {("A", "suction", "stuck")}
    began = pd.Timestamp("2024-01-01T00:00Z") + pd.Timedelta(days=45)
    assert abs(checks["start"][0] - began) <= pd.Timedelta(hours=3)
    points = run.points(1)
    late = points["time"] > began + pd.Timedelta(hours=3)
    assert set(points.loc[late, "suction_pressure_source"]) == {"modelled"}
    assert set(points.loc[~late & (points["time"] < began), "suction_pressure_source"]) == {
        "measured"
    }
    modelled = without_gauge(run, 1)
    # Level only would be 20 kPa off; the engine's own losses are known to the gauge's error.
    assert rms(modelled["off"]) < 0.35
    assert modelled["covered"].mean() > 0.92
    assert run.table("flags").empty


CASES: dict[str, tuple[Spoil, dict[str, object], set[tuple[str, str, str]], float]] = {
    "healthy": (lambda r: r, {}, set(), 0.0),
    "lost": (lambda r: lose_gauge(r, 1, FROM, TO), {}, set(), 0.35),
    "lost, nothing drawn": (
        lambda r: lose_gauge(r, 1, FROM, TO), {"drawn": False}, set(), 0.35,
    ),
    "never, sister gauged": (lambda r: r, {"gauges": (2,)}, set(), 4.5),
    "never, none gauged": (lambda r: r, {"gauges": ()}, set(), 7.0),
    "never, nothing drawn": (lambda r: r, {"gauges": (), "drawn": False}, set(), 35.0),
    "drift": (lambda r: drift_gauge(r, 1, FROM, TO), {}, {("A", "suction", "drift")}, 0.35),
    "offset": (lambda r: offset_gauge(r, 1, 4e3, FROM), {}, {("A", "suction", "offset")}, 0.35),
    "offset always": (lambda r: offset_gauge(r, 1, 4e3), {}, {("A", "suction", "offset")}, 4.5),
    "absolute": (
        lambda r: read_absolute_as_gauge(r, 1), {}, {("A", "suction", "absolute_as_gauge")}, 4.5,
    ),
    "psi": (
        lambda r: misread_unit(r, 1, 1 / 6.894757), {}, {("A", "suction", "wrong_unit")}, 4.5,
    ),
    "noisy": (
        lambda r: shake_gauge(r, 1, np.random.default_rng(2), 4e3, FROM, TO),
        {}, {("A", "suction", "noisy")}, 0.35,
    ),
    "stuck at zero": (
        lambda r: stick_gauge(r, 1, FROM, TO, value=0.0), {}, {("A", "suction", "stuck")}, 0.35,
    ),
    "swapped": (
        lambda r: swap_suction_and_discharge(r, 1),
        {}, {("A", "suction", "swapped"), ("A", "discharge", "swapped")}, 0.0,
    ),
    "elevation": (
        lambda r: r, {"instead": WRONG_SIGN}, {("A", "suction", "elevation_sign")}, 20.0,
    ),
    "elevation, no sister": (
        lambda r: r, {"instead": WRONG_SIGN, "gauges": (1,)},
        {("A", "suction", "elevation_sign")}, 20.0,
    ),
    "other tank": (
        lambda r: read_level_of_another_tank(r, 1), {},
        {("A", "suction", "level_of_other_tank"), ("B", "suction", "level_of_other_tank")}, 45.0,
    ),
    "level stuck": (
        lambda r: stuck_level(r, FROM, FROM + 30.0),
        {}, {("A", "level", "stuck"), ("B", "level", "stuck")}, 0.0,
    ),
    "level half a metre high": (
        lambda r: r.assign(level=r["level"] + 0.5), {},
        {("A", "suction", "offset"), ("B", "suction", "offset")}, 7.0,
    ),
    "discharge stuck": (
        lambda r: stick_gauge(r, 1, FROM, TO, side="discharge"),
        {}, {("A", "discharge", "stuck")}, 0.0,
    ),
    "discharge drift": (
        lambda r: drift_gauge(r, 1, FROM, TO, side="discharge"),
        {"instead": NON_RETURN}, {("A", "discharge", "drift")}, 0.0,
    ),
    "discharge offset": (
        lambda r: offset_gauge(r, 1, 6e3, FROM, side="discharge"),
        {"instead": NON_RETURN}, {("A", "discharge", "offset")}, 0.0,
    ),
}  # fmt: skip
"""What is spoilt, how the plant file differs, what is to be found, largest rms error [kPa]."""


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_a_year_with_one_thing_wrong(tmp_path: Path, name: str):
    """The right thing is found and nothing else, and what replaces the gauge holds the truth."""
    spoil, plant, expected, largest = CASES[name]
    run = run_with(tmp_path, spoil, **plant)
    assert found(run) == expected
    checks = run.table("gauge_checks")
    if len(checks) and name not in {"other tank", "swapped", "level half a metre high"}:
        assert len(checks) == len(expected)
    for k in (1, 2):
        points = without_gauge(run, k)
        if points.empty:
            continue
        print(
            f"{name}, pump {k}: rms {rms(points['off']):.2f} kPa, {len(points)} points, "
            f"covered {points['covered'].mean():.3f}, head {points['head_covered'].mean():.3f}"
        )
        assert points["covered"].mean() >= 0.92
        assert points["head_covered"].mean() >= 0.92
        assert rms(points["off"]) < largest
    if name == "swapped":
        assert run.points(1).empty
    # Whatever is wrong with instruments, both pumps are as good as new.
    assert run.table("flags").empty


@pytest.mark.slow
def test_a_year_with_a_fouling_strainer_and_no_gauge(tmp_path: Path):
    """From day 150 the strainer fouls by up to 13 kPa; the gauge is lost from 120 to 260."""
    run = run_with(tmp_path, lambda r: lose_gauge(r, 1, 120.0, 260.0), fouling=Fouling(pump=1))
    points = without_gauge(run, 1)
    told = run.table("gauge_checks")
    assert set(told["check"]) == {"unexplained_head_loss"}
    assert points["covered"].mean() >= 0.92
    flags = run.table("flags")
    assert set(flags["pump"]) == {"A"}
    assert not flags["causes"].eq("internal wear").any()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("plant", "gauge_until"),
    [({}, None), ({}, 80.0), ({"gauges": (2,)}, None), ({"gauges": ()}, None)],
    ids=["gauged", "gauge lost", "sister gauged", "drawings"],
)
def test_a_year_with_a_worn_pump(
    tmp_path: Path, plant: dict[str, object], gauge_until: float | None
):
    """From day 90 leakage grows to 6 % of the duty flow; head at the same flow falls with it.

    A gauge lost before that leaves the loss to be seen all the same: that it makes the modelled
    suction pressure uncertain must not hide it.
    """

    def readings(r: pd.DataFrame) -> pd.DataFrame:
        return r if gauge_until is None else lose_gauge(r, 1, gauge_until, 1000.0)

    run = run_with(tmp_path, readings, wear=Wear(start_day=90.0, fraction=0.06), **plant)
    flags = run.table("flags")
    assert flags["pump"].tolist() == ["A"]
    assert flags["causes"].str.contains("internal wear").all()
    # Where nobody reads the suction, the suction gauge of the model is among the causes.
    unread = bool(plant) or gauge_until is not None
    assert flags["causes"].str.contains("suction gauge").all() == unread
    opened = (flags["opened"][0] - pd.Timestamp("2024-03-31T00:00Z")) / pd.Timedelta(days=1)
    assert opened < 120
    # The engine's own head at the same flow, last thirty days against the first sixty.
    truth = run.readings[run.readings["running_1"]]
    day = (truth["time"] - truth["time"].iloc[0]) / pd.Timedelta(days=1)
    flow, head = truth["flow_1_true"], truth["total_head_1_true"]
    good = np.polynomial.Polynomial.fit(flow[day < 60], head[day < 60], 3)
    last = day > day.max() - 30
    lost = 100.0 * float(np.mean(head[last] / good(flow[last]) - 1.0))
    daily = run.table("daily_deviations")
    mine = daily[
        (daily["pump"] == "A") & (daily["day"] >= daily["day"].max() - pd.Timedelta("29D"))
    ]
    assert mine["head_deviation_pct"].mean() == pytest.approx(lost, abs=0.4)


@pytest.mark.slow
def test_weeks_nobody_can_tell_of_bend_no_trend(tmp_path: Path):
    """For forty days the level is of another tank, by a valve of which nobody knows.

    The gauges go unused meanwhile and the modelled head is off by a tenth and more; the pumps
    are as good as new, and their trends must say so.
    """

    def spoil(readings: pd.DataFrame) -> pd.DataFrame:
        day = days_since_start(readings)
        other = read_level_of_another_tank(readings, 1)["level"]
        inside = (day >= FROM) & (day < FROM + 40.0)
        return readings.assign(level=readings["level"].where(~inside, other))

    run = run_with(tmp_path, spoil)
    assert {c for _, _, c in found(run)} >= {"level_of_other_tank"}
    meanwhile = without_gauge(run, 1)
    assert meanwhile["off"].abs().max() > 8.0
    assert meanwhile["covered"].mean() >= 0.92
    trends = run.table("trends")
    mine = trends[(trends["assumption"] == "as_used") & trends["quantity"].ne("power")]
    assert (mine["rate_low_pct_per_yr"] < 0.3).all()
    assert (mine["rate_high_pct_per_yr"] > -0.3).all()
    assert (mine["rate_pct_per_yr"].abs() < 0.3).all()
    assert run.table("flags").empty


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(
    ("gauges", "drawn"), [((2,), True), ((), True), ((), False)],
    ids=["sister gauged", "drawn", "nothing drawn"],
)  # fmt: skip
def test_three_readings_of_a_portable_gauge(
    tmp_path: Path, gauges: tuple[int, ...], drawn: bool, seed: int
):
    """Read at odd moments, while the tank may be rising by 3 kPa within one interval."""
    truth = station_truth(365.0)
    survey = survey_readings(truth, np.random.default_rng(seed), 1, 3)
    pd.DataFrame(
        {
            "time": survey["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
            "pump": "A",
            "reading": (survey["reading"] / 1e3).round(3),
            "unit": "kPa",
            # The limits of a rectangular distribution with the instrument's 0.25 kPa.
            "accuracy": round(0.25 * 3.0**0.5, 3),
            "instrument": "portable",
        }
    ).to_csv(tmp_path / "survey.csv", index=False)
    told = {'data_folder = "data"': 'data_folder = "data"\nsurvey = "survey.csv"'}
    run = run_with(tmp_path, drawn=drawn, gauges=gauges, instead=told, seed=seed)
    points = without_gauge(run, 1)
    read = points[points["suction_pressure_source"] == "survey"]
    print(
        f"{gauges}, drawn {drawn}: rms {rms(read['off']):.2f} kPa, "
        f"covered {read['covered'].mean():.3f} of {len(read)}"
    )
    assert len(read) > 5000
    assert read["covered"].mean() >= 0.92
    assert read["head_covered"].mean() >= 0.92
    # Level only is off by 20 kPa.
    assert rms(read["off"]) < 3.0
    assert run.table("flags").empty
