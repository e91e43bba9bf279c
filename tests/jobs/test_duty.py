"""The duty profile against sums made by hand: nothing that ran may be missing from it."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from pipeline.jobs.duty import duty_profile, duty_sums, flow_widths
from pipeline.tables.catalogue import BY_NAME

GRID = 600.0
START = pd.Timestamp("2026-03-01T00:00Z").as_unit("us")
KW, M3_H = 1e3, 1.0 / 3600.0


def a_row(pump, step, status, flow, power, head=30.0):
    """Flow in m3/h and power in kW; efficiency is 70 % where there is a point."""
    return {
        "pump": pump,
        "time": START + step * pd.Timedelta(seconds=GRID),
        "status": status,
        "flow": flow * M3_H,
        "electrical_power": power * KW,
        "hydraulic_power": 0.7 * power * KW,
        "total_head": head,
    }


def rows():
    nothing = np.nan
    return pd.DataFrame(
        [
            a_row("A", 0, "switching", 60.0, 10.0),
            a_row("A", 1, "steady", 210.0, 30.0),
            a_row("A", 2, "no_discharge_pressure", 215.0, 31.0, nothing),
            a_row("A", 3, "no_flow", nothing, 32.0, nothing),
            a_row("A", 4, "allocated", 150.0, 24.0),
            a_row("B", 4, "allocated", 110.0, 18.0),
            a_row("B", 5, "no_power", 120.0, nothing),
            a_row("A", 6, "unknown_state", -0.5, nothing),
            a_row("B", 6, "steady", 121.0, 19.0),
        ]
    )


class Runs:
    """What the profile asks of a run."""

    plant = SimpleNamespace(pumps={"A": (), "B": ()})

    def __init__(self, points):
        self.points = points
        self.stage = self

    def months(self, _):
        return ["2026-03"]

    def read(self, _, months, columns):
        return self.points[list(columns)]

    def read_arrow(self, *_):
        widths = flow_widths(self, ["2026-03"])
        return SimpleNamespace(to_pandas=lambda: duty_sums(self.points, GRID, widths))

    def contract(self, name):
        return BY_NAME[name]


def profile(points):
    run = Runs(points)
    return duty_profile(run, flow_widths(run, ["2026-03"]))


def test_hours_volume_and_energy_add_up_to_all_that_was_metered():
    found = profile(rows()).groupby("pump").sum(numeric_only=True)
    # By hand: A ran in five intervals and nothing tells of the sixth; B in three.
    assert found["running_time"].tolist() == [5 * GRID, 3 * GRID]
    assert found["point_time"].tolist() == [2 * GRID, 2 * GRID]
    assert found["allocated_time"].tolist() == [GRID, GRID]
    assert found["electrical_energy"].to_numpy() == pytest.approx(
        GRID * KW * np.array([10 + 30 + 31 + 32 + 24, 18 + 19])
    )
    assert found["volume"].to_numpy() == pytest.approx(
        GRID * M3_H * np.array([60 + 210 + 215 + 150, 110 + 120 + 121])
    )


def test_efficiency_rests_on_operating_points_alone():
    found = profile(rows())
    bin_of_210 = found[(found["pump"] == "A") & (found["flow_low"] >= 199 * M3_H)].iloc[0]
    assert bin_of_210["running_time"] == 2 * GRID
    assert bin_of_210["point_time"] == GRID
    assert bin_of_210["overall_efficiency"] == pytest.approx(0.7)
    assert bin_of_210["specific_energy"] == pytest.approx(30.0 * KW / (210.0 * M3_H))
    assert bin_of_210["total_head"] == pytest.approx(30.0)
    unknown = found[(found["pump"] == "A") & (found["flow_high"] == 0.0)].iloc[0]
    assert unknown["electrical_energy"] == pytest.approx(32.0 * KW * GRID)
    assert np.isnan(unknown["overall_efficiency"])


def test_a_pump_nothing_is_known_of_runs_with_nobody():
    found = profile(rows())
    assert set(found.loc[found["pump"] == "A", "combination"]) == {"A", "A + B"}
    last = found[(found["pump"] == "B") & (found["combination"] == "B")]
    assert last["running_time"].sum() == 2 * GRID


def test_pumps_that_never_run_alone_have_a_profile():
    together = rows()[lambda r: r["status"] == "allocated"]
    found = profile(together)
    assert found[["flow_low", "flow_high"]].notna().all(axis=None)
    assert (found["flow_high"] > found["flow_low"]).all()
    assert found["running_time"].sum() == 2 * GRID


def test_energy_of_a_pump_without_a_meter_is_unknown_not_nothing():
    unmetered = rows()[lambda r: r["pump"] == "B"].assign(electrical_power=np.nan)
    found = profile(unmetered)
    assert found["electrical_energy"].isna().all()
    assert found["volume"].notna().all()


def test_a_small_flow_and_one_that_is_not_known_are_two_rows():
    """Both are of one pump and combination: the key of a row may not be that of another."""
    slow = rows().assign(flow=lambda r: r["flow"].where(r["status"] != "switching", 0.5 * M3_H))
    found = profile(slow)
    assert not found.duplicated(list(BY_NAME["duty_profile"].key)).any()
    assert found["electrical_energy"].sum() == pytest.approx(GRID * KW * (127 + 37))
