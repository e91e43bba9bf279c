"""The line of a pump that gives no operating points must say why."""

from __future__ import annotations

import pandas as pd
import pytest

from pipeline.jobs.context import Fingerprints, Run
from pipeline.jobs.perform import with_u95
from pipeline.jobs.pump_lines import build_pumps
from pipeline.performance.rolling import rolling_performance
from pipeline.plant import read_plant
from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.store import Store

AS_OF = pd.Timestamp("2026-03-01T03:00Z")
TIMES = pd.date_range("2026-02-20T03:00Z", periods=60, freq="10min").as_unit("us")


def rows(pump: str, statuses: list[str]) -> pd.DataFrame:
    points = BY_NAME["operating_points"].empty().reindex(range(len(statuses)))
    return points.assign(
        pump=pump, time=TIMES[: len(statuses)], status=statuses, flow=0.05, total_head=30.0,
        hydraulic_power=14.7e3, electrical_power=20e3, suction_pressure_source="measured",
    )  # fmt: skip


def notes(station, *pieces: pd.DataFrame) -> dict[str, str]:
    plant = read_plant(station.plant)
    with Store.create(station.data).writer() as stage:
        run = Run(plant=plant, stage=stage, as_of=AS_OF, fingerprints=Fingerprints.of(plant))
        points = pd.concat(pieces, ignore_index=True)
        stage.write("operating_points", "2026-02", run.publish("operating_points", points))
        rolled = rolling_performance(points, plant.station.grid, run.zone)
        rolled = with_u95(rolled, "overall_efficiency", "pump_efficiency")
        stage.write("rolling_performance", "2026-02", run.publish("rolling_performance", rolled))
        build_pumps(run, [])
        return dict(run.read("pumps")[["pump", "note"]].astype(str).itertuples(index=False))


def test_a_pump_without_points_says_why_and_how_often(station):
    """Counted by hand: 50 intervals without power and ten at starts, or the other way about."""
    found = notes(station, rows("A", ["no_power"] * 50 + ["switching"] * 10),
                  rows("B", ["steady"] * 31 + ["unsteady"] * 29))  # fmt: skip
    assert found["A"] == (
        "none of 60 intervals in the last 30 days of data are operating points; 50 are none "
        "because: the electrical power is missing or covered too little"
    )
    assert found["B"] == ""


@pytest.mark.parametrize("steady", [1, 29])
def test_a_pump_with_few_points_says_how_few(station, steady):
    found = notes(station, rows("A", ["steady"] * steady + ["unsteady"] * (60 - steady)))
    assert found["A"].startswith(f"only {steady} of 60 intervals")
    assert "the flow moved" in found["A"]
    assert found["B"] == "never seen running"
