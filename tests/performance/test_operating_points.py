"""Operating points from frames: worked examples of the trade go through the real thing."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from pipeline.performance.operating_points import STATUSES, operating_points
from pipeline.plant import Accuracy, Column, Driver, Pump, Tag, Tap

ATMOSPHERE = 101325.0
HG_KPA = 133.322387415 / 1e3  # one millimetre of mercury, conventional


def pump_with(suction, discharge, **more):
    return Pump(
        id="P1",
        suction_line="line",
        suction_tap=suction,
        discharge_tap=discharge,
        flow_tag="F",
        suction_pressure_tag="PS",
        discharge_pressure_tag="PD",
        power_tag="W",
        **more,
    )


def frame(n=1, **values):
    columns = {
        "time": pd.date_range("2026-01-01", periods=n, freq="5min", tz="UTC").as_unit("us"),
        "state": "running",
        "is_steady": True,
        "flow": 0.1,
        "flow_source": "measured",
        "suction_flow": values.get("flow", 0.1),
        "density": 1000.0,
        "vapour_pressure": 2339.0,
        "static_pressure": 0.0,
        "static_pressure_u_systematic": 0.0,
        "velocity_pressure": 0.0,
        "suction_reading": 0.0,
        "discharge_reading": 3e5,
        "electrical_power": 5e4,
        "speed": np.nan,
        "suction_pressure": 0.0,
        "suction_pressure_u_systematic": 500.0,
        "suction_pressure_u_random": 50.0,
        "suction_pressure_source": "measured",
        "suction_reason": "",
    }
    return pd.DataFrame({**columns, **values}, index=range(n))


def points_of(pump, **values):
    tags = {
        name: Tag(name=name, quantity=q, unit="", accuracy=Accuracy(systematic_relative=0.01))
        for name, q in (("F", "flow"), ("PD", "discharge_pressure"), ("W", "electrical_power"))
    }
    n = values.pop("n", 1)
    return operating_points(frame(n, **values), pump, tags, ATMOSPHERE, "F")


def test_vacuum_gauge_below_the_centreline():
    """Textbook exercise (studen.com 15222175, printed answer 10.15 m): 400/350 mm, 20 m3/min,
    127 mmHg of vacuum 75 mm below the centreline, 75 kPa 450 mm above it."""
    pump = pump_with(Tap(elevation=-0.075, diameter=0.400), Tap(elevation=0.450, diameter=0.350))
    vacuum = -127 * HG_KPA * 1e3
    found = points_of(
        pump, flow=20.0 / 60.0, density=999.0, suction_pressure=vacuum, discharge_reading=75e3
    )
    assert found["total_head"].iloc[0] == pytest.approx(10.15, abs=0.015)


def test_hydraulic_power_with_both_gauges_below_the_centreline():
    """Exercise (scribd 410197992 no. 7, printed answer 17.09 kW): 60.6 kg/s, intake gauge
    1.22 m below reads 68.95 kPa, discharge gauge 0.61 m below 344.75 kPa, areas 0.093 and
    0.069 m2; g 9.81 there, 9.80665 here."""
    pump = pump_with(
        Tap(elevation=-1.22, diameter=(4 * 0.093 / np.pi) ** 0.5),
        Tap(elevation=-0.61, diameter=(4 * 0.069 / np.pi) ** 0.5),
    )
    found = points_of(pump, flow=0.0606, suction_pressure=68.95e3, discharge_reading=344.75e3)
    assert found["hydraulic_power"].iloc[0] == pytest.approx(17.09e3, rel=2e-3)


def test_low_pressure_pump_and_an_assumed_suction():
    """A discharge gauge of 2.5 psi with the suction at 3 inHg of vacuum has 3.97 psi of
    difference; zero suction sees 62.9 % of it (arithmetic of exact units)."""
    psi = 6894.757293168
    pump = pump_with(Tap(elevation=0.0, diameter=0.3), Tap(elevation=0.0, diameter=0.3))
    vacuum = -3 * 25.4 * HG_KPA * 1e3
    true = points_of(pump, suction_pressure=vacuum, discharge_reading=2.5 * psi)
    assumed = points_of(pump, suction_pressure=0.0, discharge_reading=2.5 * psi)
    rise = true["total_head"].iloc[0] * 1000.0 * 9.80665 / psi
    assert rise == pytest.approx(3.973, abs=0.002)
    share = assumed["total_head"].iloc[0] / true["total_head"].iloc[0]
    assert share == pytest.approx(0.629, abs=0.001)


def test_pump_efficiency_needs_a_motor_and_says_which():
    """Overall 57 % behind a 90 % motor is a 63 % pump (NC State AG-452-6): at full load, where
    the part-load curve says one."""
    taps = (Tap(elevation=0.0, diameter=0.3), Tap(elevation=0.0, diameter=0.3))
    plain = points_of(pump_with(*taps))
    assert plain["pump_efficiency"].isna().all()
    assert "not known" in plain["driver_assumption"].iloc[0]
    head = 0.57 * 5e4 / (1000.0 * 9.80665 * 0.1)
    motor = Driver(rated_power=0.9 * 5e4, rated_efficiency=0.9)
    found = points_of(pump_with(*taps, driver=motor), discharge_reading=head * 1000.0 * 9.80665)
    assert found["overall_efficiency"].iloc[0] == pytest.approx(0.57, rel=1e-9)
    assert found["pump_efficiency"].iloc[0] == pytest.approx(0.633, abs=0.001)


@pytest.mark.parametrize(("side", "counts"), [("motor_input", False), ("drive_input", True)])
def test_a_drive_is_named_where_its_loss_lies_behind_the_meter(side, counts):
    """Power measured between drive and motor holds no loss of the drive."""
    taps = (Tap(elevation=0.0, diameter=0.3), Tap(elevation=0.0, diameter=0.3))
    motor = Driver(
        rated_power=45e3, rated_efficiency=0.9, drive_efficiency=0.97, power_measured_at=side
    )
    found = points_of(pump_with(*taps, driver=motor))
    assert ("drive" in found["driver_assumption"].iloc[0]) is counts


def test_npsh_available_of_a_worked_line():
    """Composite line, 0.05 m3/s: gauge 44308.52 Pa gives 14.76059 m (computed once with the
    fluids and CoolProp libraries, in `test_npsh` as well)."""
    pump = pump_with(Tap(elevation=0.0, diameter=0.2027), Tap(elevation=0.0, diameter=0.2))
    found = points_of(
        pump, flow=0.05, density=998.2072, vapour_pressure=2339.318, suction_pressure=44308.52
    )
    assert found["npsh_available"].iloc[0] == pytest.approx(14.76059, abs=1e-4)


@pytest.mark.parametrize(
    ("values", "status"),
    [
        ({}, "steady"),
        ({"state": "unknown"}, "unknown_state"),
        ({"state": "switching", "is_steady": False}, "switching"),
        ({"flow_source": "shared", "flow": np.nan}, "shared_flow"),
        ({"flow": np.nan}, "no_flow"),
        ({"electrical_power": np.nan}, "no_power"),
        ({"discharge_reading": np.nan}, "no_discharge_pressure"),
        ({"density": np.nan}, "no_density"),
        ({"flow_source": "allocated"}, "allocated"),
        ({"is_steady": False}, "unsteady"),
        ({"suction_pressure": np.nan}, "no_suction_pressure"),
        ({"discharge_reading": -1e4}, "implausible"),
        ({"electrical_power": 1e3}, "implausible"),
    ],
)
def test_every_status_is_reached(values, status):
    """Each reason why an interval is no operating point; its row stays."""
    pump = pump_with(Tap(elevation=0.0, diameter=0.3), Tap(elevation=0.0, diameter=0.3))
    assert points_of(pump, **values)["status"].tolist() == [status]
    assert status in STATUSES


def test_an_allocated_flow_brings_its_own_uncertainty():
    """The meter's 1 % is that of the sum, not of a share."""
    pump = pump_with(Tap(elevation=0.0, diameter=0.2), Tap(elevation=0.0, diameter=0.2))
    told = {"allocated_flow_u_systematic": 0.004, "allocated_flow_u_random": 0.002}
    shared = points_of(pump, flow_source="allocated", **told)
    alone = points_of(pump, **dict.fromkeys(told, np.nan))
    assert shared["flow_u_systematic"].tolist() == [0.004]
    assert shared["flow_u_random"].tolist() == [0.002]
    assert (alone["flow_u_systematic"] < 0.004).all()


def test_standing_intervals_have_no_row():
    """A standing pump has no operating point and no reason either."""
    pump = pump_with(Tap(elevation=0.0, diameter=0.3), Tap(elevation=0.0, diameter=0.3))
    found = points_of(pump, n=3, state=["standing", "running", "standing"])
    assert len(found) == 1


def test_height_of_the_suction_tap_counts_only_for_a_gauge():
    """A modelled pressure refers to the height it was worked out for: it cancels in the head."""
    tap = Tap(elevation=0.0, diameter=0.3, elevation_u=0.2)
    pump = pump_with(tap, Tap(elevation=0.0, diameter=0.3))
    measured = points_of(pump)["total_head_u_systematic"].iloc[0]
    modelled = points_of(pump, suction_pressure_source="modelled")
    sure = dataclasses.replace(pump, suction_tap=Tap(elevation=0.0, diameter=0.3))
    exact = points_of(sure)["total_head_u_systematic"].iloc[0]
    assert measured == pytest.approx(np.hypot(exact, 0.2), rel=1e-6)
    assert modelled["total_head_u_systematic"].iloc[0] == pytest.approx(exact, rel=1e-9)


def test_level_only_stands_beside_every_point():
    """Static 10 kPa against a true 4 kPa: level only takes 6 kPa off the head."""
    pump = pump_with(Tap(elevation=0.0, diameter=0.3), Tap(elevation=0.0, diameter=0.3))
    found = points_of(pump, static_pressure=10e3, suction_pressure=4e3).iloc[0]
    lost = found["total_head"] - found["level_only_total_head"]
    assert lost == pytest.approx(6e3 / (1000.0 * 9.80665), rel=1e-9)
    assert found["level_only_overall_efficiency"] < found["overall_efficiency"]


def test_strainer_behind_the_suction_tap_counts_as_head():
    """8 kPa lost between tap and pump: 0.8158 m more head and as much less NPSH, by hand."""
    pump = pump_with(Tap(elevation=0.0, diameter=0.3), Tap(elevation=0.0, diameter=0.3))
    plain = points_of(pump, suction_pressure=20e3).iloc[0]
    found = points_of(
        pump,
        suction_pressure=20e3,
        tap_loss=8e3,
        tap_loss_u_systematic=400.0,
        tap_loss_u_random=30.0,
    ).iloc[0]
    metres = 8e3 / (1000.0 * 9.80665)
    assert found["total_head"] - plain["total_head"] == pytest.approx(metres)
    assert plain["npsh_available"] - found["npsh_available"] == pytest.approx(metres)
    assert found["level_only_total_head"] == plain["level_only_total_head"]
    assert found["suction_pressure"] == plain["suction_pressure"]
    # Uncertainties add in squares (JCGM 100, equation 10), each part by itself.
    for part, size in (("systematic", 400.0), ("random", 30.0)):
        more = found[f"total_head_u_{part}"] ** 2 - plain[f"total_head_u_{part}"] ** 2
        assert np.sqrt(more) == pytest.approx(size / (1000.0 * 9.80665), rel=1e-6)


def test_strainer_of_which_nothing_is_known():
    pump = pump_with(Tap(elevation=0.0, diameter=0.3), Tap(elevation=0.0, diameter=0.3))
    found = points_of(pump, n=2, tap_loss=[0.0, np.nan])
    assert found["status"].tolist() == ["steady", "no_strainer_loss"]
    assert np.isnan(found["total_head"].iloc[1])
    assert found["suction_pressure"].notna().all()


def test_column_counts_as_head_of_the_pump():
    """0.9 m between bowl and discharge tap; with it goes the flow meter's error, twice."""
    pump = pump_with(
        Tap(elevation=0.0, diameter=0.3),
        Tap(elevation=0.0, diameter=0.3),
        column=Column(loss=0.9, at_flow=0.1, loss_u=0.2),
    )
    plain = points_of(pump).iloc[0]
    found = points_of(pump, column_loss=0.9, column_loss_u=0.2).iloc[0]
    assert found["total_head"] - plain["total_head"] == pytest.approx(0.9)
    assert found["level_only_total_head"] - plain["level_only_total_head"] == pytest.approx(0.9)
    assert found["npsh_available"] == plain["npsh_available"]
    # The flow tag is good to 1 % of reading: dH/dQ = 2 x 0.9 m / 0.1 m3/s.
    more = found["total_head_u_systematic"] ** 2 - plain["total_head_u_systematic"] ** 2
    assert more == pytest.approx(0.2**2 + (2.0 * 0.9 * 0.01) ** 2, rel=1e-6)


def test_well_that_settles_gives_no_point():
    pump = pump_with(Tap(elevation=0.0, diameter=0.3), Tap(elevation=0.0, diameter=0.3))
    found = points_of(pump, n=2, static_reason=["well_settling", ""], is_steady=[False, True])
    assert found["status"].tolist() == ["settling", "steady"]
