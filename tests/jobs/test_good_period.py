"""Which days a baseline is learned from, and why, as the table tells it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from small_station import SmallStation

from pipeline.jobs.context import Fingerprints, Run
from pipeline.jobs.perform import find_baselines
from pipeline.jobs.processes import workers
from pipeline.performance.good_period import first_change
from pipeline.plant import read_plant
from pipeline.plant.side_files import Event
from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.store import Store

START = pd.Timestamp("2025-01-01T00:00Z")
DAYS = 140


def points(changes: dict[int, float], noise: float = 0.004) -> pd.DataFrame:
    """Twelve points a day of a law of our own; head is multiplied by a factor from given days."""
    rng = np.random.default_rng(5)
    time = pd.date_range(START, periods=12 * DAYS, freq="2h").as_unit("us")
    flow = rng.uniform(0.04, 0.07, len(time))
    head = (38.0 - 2200.0 * flow**2) * (1.0 + noise * rng.standard_normal(len(time)))
    day = np.arange(len(time)) // 12
    for first, change in changes.items():
        head = np.where(day >= first, head * (1.0 + change), head)
    frame = BY_NAME["operating_points"].empty().reindex(range(len(time)))
    stated = {
        f"{name}_u_{part}": size
        for name, size in (("flow", 1e-4), ("total_head", 0.05), ("electrical_power", 50.0))
        for part in ("systematic", "random")
    }
    return frame.assign(
        pump="A",
        time=time,
        status="steady",
        density=998.2,
        flow=flow,
        total_head=head,
        level_only_total_head=head,
        electrical_power=20e3 + 150e3 * flow,
        speed_ratio=1.0,
        suction_pressure_source="measured",
        **stated,
    )


def row_of(station: SmallStation, frame: pd.DataFrame, events=()) -> pd.Series:
    """Give the last row of the baselines table of pump A."""
    plant = read_plant(station.plant)
    as_of = START + pd.Timedelta(days=DAYS)
    with Store.create(station.data).writer() as stage:
        run = Run(plant=plant, stage=stage, as_of=as_of, fingerprints=Fingerprints.of(plant))
        for month, rows in frame.groupby(frame["time"].dt.strftime("%Y-%m")):
            stage.write("operating_points", month, run.publish("operating_points", rows))
        with workers(1) as held:
            find_baselines(run, held, events)
        rows = run.read("baselines")
    return rows[rows["pump"] == "A"].iloc[-1]


def day(time: pd.Timestamp) -> int:
    return (time - START) // pd.Timedelta("1D")


def test_the_first_days_are_taken_where_nothing_changed(station: SmallStation):
    row = row_of(station, points({}))
    assert (row["period"], day(row["learned_from"]), day(row["learned_to"])) == ("detected", 0, 59)
    assert row["reason"] == ("the pump's first days with operating points, without a sudden change")


def test_days_before_an_early_change_are_left_out(station: SmallStation):
    """Ten days with an open by-pass, say: too few to learn from."""
    row = row_of(station, points({10: 0.05}))
    assert (day(row["learned_from"]), day(row["learned_to"])) == (10, 69)
    assert row["reason"].startswith("the first days after ")
    assert "on 2025-01-11" in row["reason"]


def test_a_loss_after_enough_good_days_stays_outside(station: SmallStation):
    """Forty good days are enough, so that what was lost after them counts as lost."""
    row = row_of(station, points({40: -0.05}))
    assert (day(row["learned_from"]), day(row["learned_to"])) == (0, 39)
    assert "until head changed by -5." in row["reason"] or "until efficiency" in row["reason"]
    assert row["reason"].endswith("on 2025-02-10")


def test_after_an_overhaul_the_search_begins_again(station: SmallStation):
    overhaul = Event(time=START + pd.Timedelta(days=70), pump="A", kind="overhaul")
    row = row_of(station, points({70: 0.06}), (overhaul,))
    assert (day(row["learned_from"]), day(row["learned_to"])) == (70, 129)
    assert row["reason"].startswith("the first days since 2025-03-12")


def test_a_declared_period_is_taken_as_declared(station: SmallStation):
    text = station.plant.read_text("utf-8").replace(
        'running_power = "2 kW"',
        'running_power = "2 kW"\nbaseline = { from = 2025-02-01, to = 2025-03-01 }',
    )
    station.plant.write_text(text, "utf-8")
    row = row_of(station, points({10: 0.05}))
    assert row["period"] == "declared"
    assert row["reason"] == "the plant file declares this period"


@pytest.mark.parametrize("rate", [-0.06, 0.0])
def test_a_slow_loss_is_no_sudden_change(rate: float):
    frame = points({}).iloc[: 12 * 60]
    years = np.arange(len(frame)) / 12 / 365.25
    worn = frame.assign(total_head=frame["total_head"] * (1.0 + rate * years))
    assert first_change(worn) is None


def test_too_few_points_say_nothing():
    assert first_change(points({3: 0.1}).iloc[:60]) is None
    assert first_change(points({}).assign(total_head=np.nan)) is None


def test_noise_that_is_alike_from_day_to_day_is_no_change():
    """Daily noise of 0.5 % with lag-one correlation 0.7: none of forty pumps shows a change."""
    rng = np.random.default_rng(6)
    frame = points({}).iloc[: 12 * 60]
    for _ in range(40):
        noise = np.zeros(60)
        for i in range(60):
            noise[i] = 0.7 * noise[i - 1] + 0.005 * np.sqrt(1 - 0.49) * rng.standard_normal()
        noisy = frame.assign(total_head=frame["total_head"] * (1.0 + np.repeat(noise, 12)))
        assert first_change(noisy) is None
