"""Which pumps deserve a gauge, from the tables of a small station, checked by hand."""

import numpy as np
import pandas as pd
import pytest

from pipeline.jobs.context import Fingerprints, Run
from pipeline.jobs.gauge_decisions import GaugeTerms, decide_gauges
from pipeline.plant import read_plant
from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.store import Store

AS_OF = pd.Timestamp("2024-03-01", tz="UTC")
TIMES = pd.date_range("2024-02-10", "2024-02-29", freq="6h", tz="UTC")


def points(pump: str, source: str, u: float) -> pd.DataFrame:
    """Points of a pump at 100 kPa of rise (10.19716 m of 1000 kg/m3), 20 kW."""
    frame = BY_NAME["operating_points"].empty().reindex(range(len(TIMES)))
    return frame.assign(
        pump=pump,
        time=TIMES,
        status="steady",
        density=1000.0,
        total_head=1e5 / 9806.65,
        flow=0.14,
        electrical_power=20e3,
        suction_pressure_source=source,
        suction_pressure_u_systematic=u,
    )


@pytest.fixture
def run(station):
    plant = read_plant(station.plant)
    with Store.create(station.data).writer() as stage:
        run = Run(plant=plant, stage=stage, as_of=AS_OF, fingerprints=Fingerprints.of(plant))
        pump = next(iter(plant.pumps))
        rows = pd.concat(
            [points(pump, "measured", 100.0), points("X", "drawing", 1000.0)], ignore_index=True
        )
        stage.write("operating_points", "2024-02", run.publish("operating_points", rows))
        pumps = BY_NAME["pumps"].empty().reindex(range(2))
        pumps = pumps.assign(
            pump=[pump, "X"],
            overall_efficiency=0.7,
            suction_pressure_source=["measured", "drawing"],
            efficiency_deviation=[-0.01, -0.05],
            excess_cost_per_year_u95=[10.0, 100.0],
            open_flags=0,
            note="",
        )
        stage.write("pumps", None, run.publish("pumps", pumps))
        yield run


def read(run: Run, table: str) -> pd.DataFrame:
    return run.read(table).set_index("pump")


def test_worth_by_hand(run):
    """By hand: 77 rows of one grid interval at 20 kW, carried on for a year at 0.2 per kWh.

    1 kPa of a rise of 100 kPa is 1 %; a gauge of 0.5 kPa leaves 0.447 %.
    """
    decide_gauges(run, GaugeTerms(price=10.0, interest=0.0, accuracy=500.0), {"X": 40.0})
    worth = read(run, "gauge_worth")
    assert worth.index.tolist() == ["X"]
    x = worth.loc["X"]
    hours = len(TIMES) * run.plant.station.grid / 3600.0 * 365.25 / 30.0
    cost = hours * 20.0 * 0.2
    assert x["cost_u95"] == pytest.approx(2 * 0.01 * cost)
    assert x["efficiency_u95"] == pytest.approx(2 * 0.01 * 0.7)
    assert x["gain"] == pytest.approx(3.0 * 0.05 * cost - 40.0)
    assert x["suction_pressure_u"] == pytest.approx(1000.0)
    assert x["wrong_decision_with_gauge"] < x["wrong_decision"]
    assert x["net_worth"] == pytest.approx(x["worth"] - 10.0)


def test_without_an_overhaul_cost_the_decision_stays_open(run):
    decide_gauges(run, GaugeTerms(), {})
    x = read(run, "gauge_worth").loc["X"]
    assert x["verdict"] == "no_overhaul_cost"
    assert np.isnan(x["worth"])
    assert x["cost_u95"] > 0.0


def test_own_pumps_lie_among_hypothetical_ones(run):
    decide_gauges(run, GaugeTerms(pressure_error=1e3), {})
    rows = read(run, "suction_sensitivity")
    own = rows[rows["kind"] == "pump"]
    assert own["relative_error"].tolist() == pytest.approx([-0.01, -0.01])
    assert own["efficiency_error"].tolist() == pytest.approx([-0.007, -0.007])
    hypothetical = rows[rows["kind"] == "hypothetical"]
    assert hypothetical.index.is_unique
    assert "75 kW at 69 kPa" in hypothetical.index  # 100 hp, 10 psi


def test_nothing_is_made_again_from_the_same_tables(run):
    decide_gauges(run, GaugeTerms(), {})
    before = run.stage.digests("gauge_worth"), run.stage.digests("suction_sensitivity")
    decide_gauges(run, GaugeTerms(), {})
    assert (run.stage.digests("gauge_worth"), run.stage.digests("suction_sensitivity")) == before
