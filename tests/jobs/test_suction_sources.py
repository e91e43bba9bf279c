"""Every kind of suction source through the whole job, against what is true of the station.

The truth is worked out in `source_station` from levels, flows and loss coefficients by the plain
equations, with densities from steam tables; nothing of it comes from the code under test.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import source_station as site
from iapws import IAPWS95

from pipeline.jobs.check import check_plant
from pipeline.jobs.nightly import run_plant

# Density tables and the drawn pipes (of no length) agree with the truth to some 0.1 %.
HEAD = 0.01
PRESSURE = 0.08
"""Tolerances [m], [kPa]: a tenth of a per cent of some 60 kPa of static pressure."""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory):
    """The station after one run; not to be changed."""
    place = tmp_path_factory.mktemp("sources")
    result = run_plant(site.write_station(place))
    assert result.outcome.failures == []
    return place


@pytest.fixture(scope="module")
def points(folder) -> pd.DataFrame:
    """All operating points, as published."""
    return pd.read_parquet(folder / "data" / "tables" / "operating_points")


def of(points: pd.DataFrame, name: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of a pump, with the hour, and what is true of them."""
    rows = points[points["pump"] == name].sort_values("time", ignore_index=True)
    rows = rows.assign(hour=site.hour_of(pd.DatetimeIndex(rows["time"])))
    return rows, site.truth_of(name, rows["time"])


@pytest.mark.parametrize("name", ["SWITCHED", "VESSEL", "DEAERATOR", "WELL", "TAP AFTER"])
def test_drawn_line_from_any_source_gives_the_true_head(points, name):
    """No gauge: level (or what stands for it), drawing and strainer make the suction pressure."""
    rows, truth = of(points, name)
    good = (rows["status"] == "steady") & (rows["suction_pressure_source"] == "drawing")
    assert good.sum() > 90
    off = (rows["suction_pressure_kpa"] - truth["tap"] / 1e3)[good]
    assert off.abs().max() < PRESSURE
    assert (rows["total_head_m"] - truth["total_head"])[good].abs().max() < HEAD
    efficiency = rows["overall_efficiency_pct"][good]
    assert efficiency.to_numpy() == pytest.approx(100 * site.EFFICIENCY, abs=0.05)


def test_level_follows_the_tank_whose_valve_is_open(points):
    """North until 8:00, south from 9:00; both open between, and no status from 15 to 16."""
    rows, truth = of(points, "SWITCHED")
    hour = rows["hour"]
    both, unknown = hour.between(8.0, 8.99), hour.between(15.0, 15.99)
    known = ~both & ~unknown
    static = rows["static_pressure_kpa"]
    assert static[known].to_numpy() == pytest.approx(truth["static"][known] / 1e3, abs=PRESSURE)
    assert static[~known].isna().all()
    assert set(rows["status"][~known]) == {"no_suction_pressure"}
    assert rows["suction_reason"][both].str.endswith("; source: several_tanks_open").all()
    assert rows["suction_reason"][unknown].str.endswith("; source: valve_unknown").all()
    # The tanks differ by 1.5 m: taking the other one would be 15 kPa off.
    assert static[hour.between(7.0, 7.9)].mean() < static[hour.between(9.0, 9.9)].mean() - 10.0


def test_hot_water_has_the_density_of_its_vessel(points):
    """983.2 kg/m3 at 60 °C; saturated water at 0.2 MPa by IAPWS-95, which the tool does not use."""
    assert of(points, "VESSEL")[0]["density_kg_m3"].median() == pytest.approx(983.2, abs=0.1)
    boiling = IAPWS95(P=0.2, x=0.0)
    found = of(points, "DEAERATOR")[0]["density_kg_m3"]
    assert found.to_numpy() == pytest.approx(boiling.rho, rel=1e-4)


def test_npsh_of_boiling_water_is_the_height_of_its_surface(points):
    """Surface pressure and vapour pressure cancel: what is left is level less losses."""
    rows, truth = of(points, "DEAERATOR")
    surface = (site.DEAERATOR_PRESSURE - site.ATMOSPHERE) / (site.DEAERATOR_DENSITY * site.G)
    height = truth["suction_head"] - surface
    assert rows["npsh_available_m"].to_numpy() == pytest.approx(height.to_numpy(), abs=0.02)
    assert height.max() < 7.0


def test_npsh_of_cold_water(points):
    """12 °C: 1.403 kPa of vapour pressure (steam tables, from memory)."""
    rows, truth = of(points, "SWITCHED")
    good = rows["status"] == "steady"
    expected = truth["suction_head"] + (site.ATMOSPHERE - 1403.0) / (site.COLD * site.G)
    assert rows["npsh_available_m"][good].to_numpy() == pytest.approx(
        expected[good].to_numpy(), abs=0.01
    )


def test_well_is_not_used_before_it_settled(points):
    """On from 1:00, six hours on and two off: the first half hour of each run is left out."""
    rows, _ = of(points, "WELL")
    since = (rows["hour"] - 1.0) % 8.0
    steady = rows["status"] == "steady"
    assert since[steady].min() == pytest.approx(0.5, abs=0.18)
    assert since[steady].max() < 6.0
    settling = rows["status"] == "settling"
    assert settling.sum() == 9
    assert rows["suction_pressure_kpa"][settling].isna().all()
    assert rows["suction_reason"][settling].str.endswith("; source: well_settling").all()


def test_uncertainty_of_a_drawdown(points):
    """Level 5 cm, B 3 s/m2, C unstated: a fifth; flow 2 % limit. By hand, as in JCGM 100."""
    rows, truth = of(points, "WELL")
    steady = rows["status"] == "steady"
    flow = truth["flow"][steady]
    # The line model knows one static uncertainty, that of a usual hour.
    usual = (flow - flow.median()).abs().idxmin()
    row, q = rows.loc[usual], float(flow[usual])
    flow_u = 0.02 / np.sqrt(3.0) * q
    by_hand = [
        0.05,
        3.0 * q,
        0.2 * site.C * q**2,
        (site.B + 2.0 * site.C * q) * flow_u,
        # The drawing: a quarter of K velocity heads; the tap: 1 cm.
        0.25 * site.LOSS_K * site.velocity_pressure(q, site.COLD) / (site.COLD * site.G),
        0.01,
    ]
    expected = float(np.sqrt(np.sum(np.square(by_hand)))) * site.COLD * site.G / 1e3
    assert row["suction_pressure_u_systematic_kpa"] == pytest.approx(expected, rel=0.02)


def test_vertical_pump_in_a_wet_well(points):
    """No gauge, no line: water level to discharge tap, with the column's loss added."""
    rows, truth = of(points, "WET WELL")
    assert (rows["status"] == "steady").all()
    assert set(rows["suction_pressure_source"]) == {"level_only"}
    assert rows["total_head_m"].to_numpy() == pytest.approx(truth["total_head"], abs=HEAD)
    # By the textbook: discharge pressure, height above the water, velocity head, column.
    q = truth["flow"].to_numpy()
    weight = site.COLD * site.G
    water = site.water_of_wet_well(rows["hour"].to_numpy() + 1 / 12)
    textbook = (
        truth["discharge"] / weight
        + site.PUMP_Z
        + site.GAUGE_Z
        - water
        + site.velocity_pressure(q, site.COLD) / weight
        + site.COLUMN_LOSS * (q / site.COLUMN_FLOW) ** 2
    )
    assert rows["total_head_m"].to_numpy() == pytest.approx(textbook.to_numpy(), abs=HEAD)


def test_a_bell_too_near_the_water_is_told(points):
    """S = D (1 + 2.3 F) of ANSI/HI 9.8 (from memory): 0.62 m at 60 l/s and a bell of 0.4 m."""
    rows, truth = of(points, "WET WELL")
    speed = truth["flow"] / (0.25 * np.pi * site.BELL_DIAMETER**2)
    least = site.BELL_DIAMETER * (1.0 + 2.3 * speed / np.sqrt(site.G * site.BELL_DIAMETER))
    depth = site.water_of_wet_well(rows["hour"].to_numpy() + 1 / 12) - site.PUMP_Z
    told = rows["suction_reason"].astype(str).str.contains("shallow_inlet").to_numpy()
    clear = np.abs(depth - least) > 0.02
    assert told[clear].tolist() == (depth < least)[clear].tolist()
    assert 3 < told.sum() < 12


def test_uncertainty_of_a_column(points):
    """0.2 m on 0.9 m at 60 l/s is the largest part of the head's uncertainty. By hand."""
    rows, truth = of(points, "WET WELL")
    q = truth["flow"].to_numpy()
    column_u = 0.2 * (q / site.COLUMN_FLOW) ** 2
    # Level limit 2 cm; discharge gauge 3 kPa, both rectangular; discharge tap 1 cm.
    weight = site.COLD * site.G
    others = np.array([0.02 / np.sqrt(3.0), 3000.0 / np.sqrt(3.0) / weight, 0.01])
    bell = 0.2 * site.velocity_pressure(q, site.COLD, site.BELL_DIAMETER) / weight
    flow_u = 0.02 / np.sqrt(3.0)
    kinetic = site.velocity_pressure(q, site.COLD) / weight
    # Column and velocity heads both go with the square of the flow that one meter reads.
    by_flow = 2.0 * flow_u * (site.COLUMN_LOSS * (q / site.COLUMN_FLOW) ** 2 + kinetic)
    expected = np.sqrt(column_u**2 + np.sum(others**2) + bell**2 + by_flow**2)
    found = rows["total_head_u_systematic_m"].to_numpy()
    assert found == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize("name", ["TAP BEFORE", "TAP AFTER"])
def test_loss_of_a_strainer_counts_once(points, name):
    """12 velocity heads, some 9 kPa: left out or counted twice it would be 0.9 m of head."""
    rows, truth = of(points, name)
    assert truth["strainer"].min() > 5e3
    known = ~rows["hour"].between(*site.NO_STRAINER)
    good = known & (rows["status"] == "steady")
    assert good.sum() > 125
    assert (rows["total_head_m"] - truth["total_head"])[good].abs().max() < HEAD


def test_bad_strainer_transmitter(points):
    """Behind the tap the head is unknown; before it a wide level-only value stands in."""
    rows, _ = of(points, "TAP BEFORE")
    lost = rows["hour"].between(10.01, 11.8)
    assert set(rows["status"][lost]) == {"no_strainer_loss"}
    assert rows["total_head_m"][lost].isna().all()
    assert (rows["suction_pressure_source"] == "measured").all()

    rows, truth = of(points, "TAP AFTER")
    lost = rows["hour"].between(10.01, 11.8)
    assert set(rows["suction_pressure_source"][lost]) == {"level_only"}
    assert rows["suction_reason"][lost].str.endswith("; strainer: no_value").all()
    off = rows["suction_pressure_kpa"][lost] - truth["tap"][lost] / 1e3
    assert (off.abs() < rows["suction_pressure_u95_kpa"][lost]).all()
    # Losses of friction and strainer are missing there, and level only is always too high.
    assert off.min() > 5.0


def test_loss_of_a_strainer_is_not_in_the_fit_of_the_line(folder):
    """The hourly rows a fit rests on have the measured loss taken off the static pressure."""
    hours = pd.read_parquet(folder / "data" / "tables" / "suction_hours")
    after = hours[(hours["pump"] == "TAP AFTER") & hours["static_pressure"].notna()]
    truth = site.BY_NAME["TAP AFTER"].truth(site.hour_of(pd.DatetimeIndex(after["time"])) + 0.5)
    less = (truth["static"] - truth["strainer"]).to_numpy()
    assert after["static_pressure"].to_numpy() == pytest.approx(less, abs=200.0)
    before = hours[(hours["pump"] == "TAP BEFORE") & hours["static_pressure"].notna()]
    assert (before["strainer_loss"] == 0.0).all()
    well = hours[(hours["pump"] == "WELL") & hours["steady"]]
    assert len(well) > 10
    # An hour with any settling in it teaches nothing: 1:00 starts a run, 7:00 ends it.
    assert not set(pd.DatetimeIndex(well["time"]).hour) & {0, 1, 7, 9, 15, 17, 23}


def test_check_asks_for_what_a_source_leaves_open(folder):
    """Unstated heights, C of the well, and accuracy of each source's own instruments."""
    facts = pd.DataFrame(check_plant(folder / "plant.toml").as_dict()["facts"])

    def open_of(pump):
        return " | ".join(facts.loc[facts["pump"] == pump, "fact"])

    assert "level zero of tank north of SWITCHED" in open_of("SWITCHED")
    assert "level zero of tank south of SWITCHED" in open_of("SWITCHED")
    assert "gauge of the surface pressure (D.PRESSURE)" in open_of("DEAERATOR")
    assert "with the square of flow (C) of WELL" in open_of("WELL")
    assert "in proportion to flow (B)" not in open_of("WELL")
    assert "static water level" not in open_of("WELL")
    assert "strainer of TAP AFTER branch" in open_of("TAP AFTER")
    assert "column" not in open_of("WET WELL")
    assert "suction line" not in open_of("WET WELL")
