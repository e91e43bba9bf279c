"""The whole job on pump 7F of the Richmond network, computed by the EPANET engine.

Network: ``Richmond_skeleton.inp`` (J. E. van Zyl, University of Exeter benchmark networks), as
carried by the PyPI package ``epyt``; heads, flows and power come from the EPANET 2.2 engine.
Nothing of it was made by this project, and the pump's overall efficiency curve is published in
the network file. The exports are read through the normal path: plant file, long CSV, grid.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from richmond import DENSITY, START, load_richmond, write_exports
from richmond_plant import plant_text

from pipeline.jobs.nightly import RunResult, run_plant

G = 9.80665
HALF = START + pd.Timedelta(days=15)
TRUTH = load_richmond().truth


@dataclass(frozen=True)
class Job:
    """What a run left: its outcome, and operating points joined to the engine's states."""

    result: RunResult
    points: pd.DataFrame
    folder: Path

    @property
    def steady(self) -> pd.DataFrame:
        return self.points[self.points["status"] == "steady"]


def run_job(folder: Path, hide_suction_from: pd.Timestamp | None) -> Job:
    write_exports(folder / "exports", "long-csv", hide_suction_from=hide_suction_from)
    (folder / "plant.toml").write_text(plant_text(), "utf-8")
    result = run_plant(folder / "plant.toml")
    points = pd.read_parquet(folder / "data" / "tables" / "operating_points")
    true = TRUTH.samples[["time", "flow", "suction_pressure", "running"]]
    points = points.merge(true, on="time", validate="one_to_one", suffixes=("", "_true"))
    published = np.interp(points["flow"], TRUTH.efficiency_curve_flow, TRUTH.efficiency_curve_value)
    points = points.assign(
        efficiency_error=points["overall_efficiency_pct"] - 100.0 * published,
        level_only_efficiency_error=points["level_only_overall_efficiency_pct"] - 100.0 * published,
        head_error=head_of(points["suction_pressure_kpa"] * 1e3 - points["suction_pressure"]),
        level_only_head_error=head_of(
            points["level_only_suction_pressure_kpa"] * 1e3 - points["suction_pressure"]
        ),
    )
    return Job(result, points, folder)


def head_of(pressure: pd.Series) -> pd.Series:
    return pressure / (DENSITY * G)


def rms(values: pd.Series) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


@pytest.fixture(scope="module")
def gauged(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return run_job(tmp_path_factory.mktemp("gauged"), None)


@pytest.fixture(scope="module")
def hidden(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return run_job(tmp_path_factory.mktemp("hidden"), HALF)


def test_all_of_the_export_is_taken_in(gauged: Job):
    assert gauged.result.outcome.failures == []
    assert gauged.result.outcome.rejected_rows == 0
    # Every sample at which the engine says the pump runs is a row, and nothing else is but
    # the interval after the last sample, which nothing covers.
    running = TRUTH.samples.loc[TRUTH.samples["running"], "time"]
    assert len(running) == 360
    found = gauged.points[gauged.points["status"] != "unknown_state"]
    assert set(found["time"]) == set(running)
    # Starts are no steady running; most of the rest is.
    assert len(gauged.steady) > 0.9 * len(running)


def test_with_the_gauge_efficiency_is_the_published_curve(gauged: Job):
    steady = gauged.steady
    assert set(steady["suction_pressure_source"]) == {"measured"}
    assert steady["efficiency_error"].abs().max() <= 0.1


def test_without_the_gauge_the_model_stands_in_and_level_only_does_not(
    hidden: Job, record_property: Callable[[str, object], None]
):
    late = hidden.points[(hidden.points["time"] >= HALF) & hidden.points["running"]]
    assert set(late["suction_pressure_source"]) == {"modelled"}
    assert rms(late["head_error"]) <= 0.10
    # What the friction of 444 m of old pipe is worth: about 1.9 m.
    assert 1.8 < rms(late["level_only_head_error"]) < 2.1
    steady = late[late["status"] == "steady"]
    modelled, level_only = (
        steady["efficiency_error"].abs().max(),
        steady["level_only_efficiency_error"].abs().max(),
    )
    record_property("modelled efficiency error, points", float(modelled))
    record_property("level-only efficiency error, points", float(level_only))
    assert modelled <= 0.1
    assert level_only > 0.8
    # The stated uncertainty covers what was not told: datum, gauge and taps.
    within = (late["suction_pressure_kpa"] * 1e3 - late["suction_pressure"]).abs()
    assert (within <= late["suction_pressure_u95_kpa"] * 1e3).all()


def test_what_is_not_known_has_no_uncertainty(gauged: Job):
    """Nothing is declared of the motor, so nothing can be said of the pump alone."""
    for name in ("pumps", "rolling_performance", "operating_points"):
        table = pd.read_parquet(gauged.folder / "data" / "tables" / name)
        own = [column for column in table if column.startswith("pump_efficiency")]
        assert len(own) == 4
        assert table[own].isna().all(axis=None)


def test_friction_is_that_of_the_published_pipe(hidden: Job):
    """Hazen-Williams: h = 10.67 L Q^1.852 / (C^1.852 d^4.8704), EPANET 2.2 user manual."""
    fits = pd.read_parquet(hidden.folder / "data" / "tables" / "suction_fits")
    rows = fits.set_index("parameter")
    assert rows.loc["exponent", "estimate"] == pytest.approx(1.852, abs=0.002)
    pipe = TRUTH.suction_pipe
    flow = rows.loc["loss:flow_pipe 1793", "reference_flow_m3_h"] / 3600.0
    head = 10.67 * pipe.length * (flow / pipe.hazen_williams) ** 1.852 / pipe.diameter**4.8704
    loss = rows.loc["loss:flow_pipe 1793", "estimate"]
    assert loss == pytest.approx(head * TRUTH.specific_weight, rel=0.005)


def test_the_line_per_pump_shows_the_error_of_level_only(hidden: Job):
    """Energy-weighted over the month, from the engine's power and the published curve."""
    row = pd.read_parquet(hidden.folder / "data" / "tables" / "pumps").iloc[0]
    running = TRUTH.samples[TRUTH.samples["running"]]
    published = np.interp(
        running["flow"], TRUTH.efficiency_curve_flow, TRUTH.efficiency_curve_value
    )
    true = 100.0 * np.average(published, weights=running["electrical_power"])
    assert row["overall_efficiency_pct"] == pytest.approx(true, abs=0.1)
    error = row["level_only_overall_efficiency_pct"] - true
    assert row["level_only_efficiency_error_pct"] == pytest.approx(error, abs=0.1)
    assert error < -0.8
