"""Static pressure of every kind of source, with uncertainty and reason, by hand calculation.

Density 1000 kg/m3 and g = 9.80665 m/s2: a metre of it is 9806.65 Pa.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_plant import a_tag, view_of

from pipeline.assembly.liquids import liquid_properties
from pipeline.assembly.statics import (
    STATIC_REASONS,
    Draw,
    is_settling,
    static_pressure,
    surface_state,
)
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.plant import Drawdown, Liquid, SuctionSource, Tank

METRE = 9806.65
ATMOSPHERE = 101325.0
NAN = float("nan")


def static_of(source, columns, tags=(), elevation=1.0, draw=None, density=1000.0):
    view = view_of(columns)
    known = {t.name: t for t in tags}
    surface = surface_state(source, known, view, draw, ATMOSPHERE)
    return static_pressure(surface, np.full(len(view), density), elevation)


def draw_of(flow, states, flow_u=0.0):
    flow = np.asarray(flow, dtype=float)
    u = Uncertainty(np.full(flow.size, flow_u), np.full(flow.size, flow_u / 2.0))
    return Draw(flow=flow, flow_u=u, states=[np.array(s, dtype=object) for s in states])


@pytest.mark.parametrize("kind", ["open_tank", "wet_well"])
def test_level_under_the_atmosphere(kind):
    """3 m + 2.5 m - 1 m = 4.5 m; u: level 2 cm and datum 5 cm systematic, 1 cm random."""
    source = SuctionSource(
        id="S", kind=kind, level_tag="LT", level_zero_elevation=3.0, level_zero_u=0.05
    )
    level = a_tag("LT", "level", systematic_absolute=0.02, random_absolute=0.01)
    found = static_of(source, {"LT": [2.5, NAN]}, [level])
    assert found.value[0] == pytest.approx(4.5 * METRE)
    assert found.u.systematic[0] == pytest.approx(np.hypot(0.02, 0.05) * METRE)
    assert found.u.random[0] == pytest.approx(0.01 * METRE)
    assert np.isnan(found.value[1])
    assert found.reason.tolist() == ["", "no_level"]


def test_density_decides_the_weight_of_a_column():
    """The same 4.5 m of a liquid of 1840 kg/m3; and no pressure where density is unknown."""
    source = SuctionSource(id="S", kind="open_tank", level_tag="LT", level_zero_elevation=3.0)
    found = static_of(source, {"LT": [2.5]}, density=1840.0)
    assert found.value[0] == pytest.approx(4.5 * 1840.0 * 9.80665)
    unknown = static_of(source, {"LT": [2.5]}, density=NAN)
    assert unknown.reason.tolist() == ["no_density"]


def test_pressurised_main():
    """200 kPa at 0.5 m, read at 1 m: half a metre less. Gauge 0.3 %, its height 4 cm."""
    source = SuctionSource(
        id="S",
        kind="pressurised_main",
        pressure_tag="PM",
        pressure_elevation=0.5,
        pressure_elevation_u=0.04,
    )
    gauge = a_tag("PM", "pressure", systematic_relative=0.003, random_absolute=150.0)
    found = static_of(source, {"PM": [200e3, NAN]}, [gauge])
    assert found.value[0] == pytest.approx(200e3 - 0.5 * METRE)
    assert found.u.systematic[0] == pytest.approx(np.hypot(600.0, 0.04 * METRE))
    assert found.u.random[0] == pytest.approx(150.0)
    assert found.reason.tolist() == ["", "no_pressure"]


def test_pressurised_vessel():
    """50 kPa on 4.5 m of liquid; either of the two missing, and it is not known."""
    source = SuctionSource(
        id="S",
        kind="pressurised_vessel",
        level_tag="LT",
        level_zero_elevation=3.0,
        pressure_tag="PV",
    )
    tags = [
        a_tag("LT", "level", systematic_absolute=0.02),
        a_tag("PV", "pressure", systematic_absolute=300.0, random_absolute=40.0),
    ]
    columns = {"LT": [2.5, 2.5, NAN], "PV": [50e3, NAN, 50e3]}
    found = static_of(source, columns, tags)
    assert found.value[0] == pytest.approx(50e3 + 4.5 * METRE)
    assert found.u.systematic[0] == pytest.approx(np.hypot(300.0, 0.02 * METRE))
    assert found.reason.tolist() == ["", "no_pressure", "no_level"]


DEAERATOR = SuctionSource(
    id="S", kind="deaerator", level_tag="LT", level_zero_elevation=8.0, temperature_tag="TT"
)


def test_deaerator_by_its_temperature():
    """Water boils at 120.21 °C under 0.2 MPa (steam tables, from memory)."""
    thermometer = a_tag("TT", "temperature", systematic_absolute=0.5)
    found = static_of(DEAERATOR, {"LT": [2.0], "TT": [273.15 + 120.21]}, [thermometer])
    surface = 0.2e6 - ATMOSPHERE
    assert found.value[0] == pytest.approx(surface + 9.0 * METRE, rel=1e-3)
    # Between 120 and 121 °C, 198.67 and 205.05 kPa (steam tables, from memory): 6.4 kPa/K.
    assert found.u.systematic[0] == pytest.approx(0.5 * 6.35e3, rel=0.02)


@pytest.mark.parametrize(
    ("source", "temperature", "expected"),
    [
        # Saturation at the surface pressure, 0.2 MPa: 942.94 kg/m3.
        (DEAERATOR, NAN, 942.94),
        # The thermometer goes first: 100 °C, 958.35 kg/m3.
        (DEAERATOR, 373.15, 958.35),
    ],
)
def test_density_of_boiling_water(source, temperature, expected):
    """Saturated liquid by steam tables (from memory): 1.06052 and 1.04346 dm3/kg."""
    view = view_of({"TT": [temperature], "LT": [2.0]})
    surface = np.array([0.2e6 - ATMOSPHERE])
    density, vapour = liquid_properties(Liquid(), source, view, surface, ATMOSPHERE)
    assert density[0] == pytest.approx(expected, rel=1e-4)
    boiling = 0.2e6 if np.isnan(temperature) else 101418.0
    assert vapour[0] == pytest.approx(boiling, rel=1e-4)


def test_liquid_of_the_plant_and_of_a_vessel():
    """60 °C in the vessel, 12 °C elsewhere: 983.2 and 999.5 kg/m3 (steam tables, from memory)."""
    vessel = SuctionSource(id="S", kind="pressurised_vessel", temperature_tag="TT")
    cold = Liquid(temperature=285.15, temperature_tag="TP")
    view = view_of({"TT": [333.15, NAN, 5000.0], "TP": [283.15, NAN, NAN]})
    nothing = np.zeros(3)
    hot, _ = liquid_properties(cold, vessel, view, nothing, ATMOSPHERE)
    assert hot == pytest.approx([983.2, 999.5, 999.5], abs=0.1)
    tank = SuctionSource(id="S", kind="open_tank")
    plain, vapour = liquid_properties(cold, tank, view, nothing, ATMOSPHERE)
    # 10 °C: 999.7 kg/m3 and 1.228 kPa; 12 °C: 1.403 kPa (steam tables, from memory).
    assert plain == pytest.approx([999.7, 999.5, 999.5], abs=0.1)
    assert vapour == pytest.approx([1228.0, 1403.0, 1403.0], abs=2.0)


def test_hot_water_under_pressure_does_not_stop_a_run():
    """120 °C at 101 kPa would be steam: taken on the saturation line, 943.1 kg/m3."""
    hot = Liquid(temperature=393.15)
    main = SuctionSource(id="S", kind="pressurised_main")
    density, _ = liquid_properties(hot, main, view_of({"A": [1.0]}), np.array([NAN]), ATMOSPHERE)
    assert density[0] == pytest.approx(943.1, abs=0.2)


def test_declared_liquid_is_as_declared():
    brine = Liquid(name="brine", density=1100.0, vapour_pressure=1500.0)
    vessel = SuctionSource(id="S", kind="pressurised_vessel")
    view = view_of({"A": [1.0, 2.0]})
    density, vapour = liquid_properties(brine, vessel, view, np.zeros(2), ATMOSPHERE)
    assert (density == 1100.0).all()
    assert (vapour == 1500.0).all()


TANKS = SuctionSource(
    id="S",
    kind="switched_tanks",
    tanks=(
        Tank(id="a", level_tag="LA", valve_tag="VA", level_zero_elevation=3.0, level_zero_u=0.05),
        Tank(id="b", level_tag="LB", valve_tag="VB", level_zero_elevation=2.0),
        Tank(id="c", level_tag="LC", valve_tag="VC", level_zero_elevation=1.0),
    ),
)


def test_switched_tanks_interval_by_interval():
    columns = {
        "LA": [2.0] * 8,
        "LB": [4.0, 4.0, NAN, 4.0, 4.0, 4.0, NAN, 4.0],
        "LC": [7.0] * 8,
        "VA": [1.0, 0.0, 0.0, 0.0, 1.0, 0.4, 1.0, 1.0],
        "VB": [0.0, 1.0, 1.0, 0.0, 1.0, 0.6, 0.0, NAN],
        "VC": [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
    }
    tags = [
        a_tag("LA", "level", systematic_absolute=0.02, random_absolute=0.004),
        a_tag("LB", "level", systematic_absolute=0.03, random_absolute=0.006),
    ]
    found = static_of(TANKS, columns, tags)
    # The tank that feeds needs its level; another one's does not matter.
    assert found.reason.tolist() == [
        "",
        "",
        "no_level",
        "no_tank_open",
        "several_tanks_open",
        "tanks_switched",
        "",
        "valve_unknown",
    ]
    known = found.reason == ""
    assert found.value[known] == pytest.approx(np.array([4.0, 5.0, 4.0]) * METRE)
    assert np.isnan(found.value[~known]).all()
    by_hand = np.array([np.hypot(0.02, 0.05), 0.03, np.hypot(0.02, 0.05)]) * METRE
    assert found.u.systematic[known] == pytest.approx(by_hand)
    assert found.u.random[known] == pytest.approx(np.array([0.004, 0.006, 0.004]) * METRE)


def test_three_open_valves_are_several():
    columns = {t: [1.0] for t in ("LA", "LB", "LC", "VA", "VB", "VC")}
    assert static_of(TANKS, columns).reason.tolist() == ["several_tanks_open"]


WELL = SuctionSource(
    id="S",
    kind="well",
    static_level=20.0,
    static_level_u=0.1,
    drawdown=Drawdown(
        aquifer_loss=100.0,
        aquifer_loss_u=10.0,
        well_loss=2000.0,
        well_loss_u=400.0,
        settling_time=1200.0,
    ),
)
RUNNING = ["running"] * 4


def test_drawdown_of_a_well():
    """At 50 l/s: 5 m + 5 m; u by hand 0.1, 0.5, 1.0 and (100 + 200) x 1 l/s in squares."""
    draw = draw_of([0.05] * 4, [RUNNING], flow_u=1e-3)
    found = static_of(WELL, {"X": [0.0] * 4}, draw=draw)
    assert found.reason.tolist() == ["well_settling", "well_settling", "", ""]
    assert found.value[2:] == pytest.approx(9.0 * METRE)
    systematic = np.sqrt(0.1**2 + 0.5**2 + 1.0**2 + 0.3**2) * METRE
    assert found.u.systematic[2] == pytest.approx(systematic)
    assert found.u.random[2] == pytest.approx(0.15 * METRE)


def test_well_whose_flow_is_not_known():
    draw = draw_of([0.05, 0.05, NAN, 0.0], [RUNNING])
    found = static_of(WELL, {"X": [0.0] * 4}, draw=draw)
    assert found.reason.tolist()[2:] == ["well_flow_unknown", ""]
    assert found.value[3] == pytest.approx(19.0 * METRE)


def test_static_level_of_a_well_by_a_tag():
    """An observation well nearby: it follows the season, not the pump."""
    source = SuctionSource(
        id="S",
        kind="well",
        level_tag="LO",
        level_zero_elevation=15.0,
        level_zero_u=0.05,
        drawdown=Drawdown(aquifer_loss=100.0, settling_time=0.0),
    )
    level = a_tag("LO", "level", systematic_absolute=0.02, random_absolute=0.01)
    draw = draw_of([0.02, 0.02], [["running", "running"]])
    found = static_of(source, {"LO": [6.0, NAN]}, [level], draw=draw)
    assert found.value[0] == pytest.approx(18.0 * METRE)
    assert found.u.systematic[0] == pytest.approx(np.hypot(0.02, 0.05) * METRE)
    assert found.reason.tolist() == ["", "no_level"]


def marks(states, intervals):
    return is_settling([np.array(s, dtype=object) for s in states], intervals).tolist()


R, S, X, U = "running", "standing", "switching", "unknown"


@pytest.mark.parametrize(
    ("states", "intervals", "expected"),
    [
        # What ran before is not known: a span begins as if after a change.
        ([[R, R, R, R]], 2, [1, 1, 0, 0]),
        # A change on the edge of two intervals; one within an interval.
        ([[R, R, R, S, S, S, S]], 2, [1, 1, 0, 1, 1, 0, 0]),
        ([[S, S, S, X, R, R, R]], 2, [1, 1, 0, 1, 1, 1, 0]),
        # Any pump of the well counts, and what is not known may have been a change.
        ([[R, R, R, R, R], [S, S, X, R, R]], 1, [1, 0, 1, 1, 0]),
        ([[R, U, R, R]], 1, [1, 1, 1, 0]),
        # Without a settling time only the change itself.
        ([[S, X, R, R]], 0, [0, 1, 0, 0]),
        ([[]], 3, []),
        ([], 3, []),
    ],
)
def test_settling_by_hand(states, intervals, expected):
    assert marks(states, intervals) == [bool(e) for e in expected]


@given(st.lists(st.sampled_from([R, S, X, U]), max_size=40), st.integers(0, 6))
def test_settling_against_a_plain_search(states, intervals):
    """An interval has settled if none of those before it, as many as settle, saw a change."""
    expected = []
    for here, state in enumerate(states):
        settling = state in (X, U)
        for back in range(here + 1):
            at = here - back
            starts = at == 0 or states[at] != states[at - 1]
            settling |= starts and back < intervals
            settling |= states[at] in (X, U) and back <= intervals
        expected.append(settling)
    assert marks([states], intervals) == expected


def test_every_reason_is_explained():
    reasons = {"no_level", "no_pressure", "valve_unknown", "tanks_switched", "no_tank_open"}
    reasons |= {"several_tanks_open", "well_flow_unknown", "well_settling", "no_density"}
    reasons |= {"level_stuck"}
    assert set(STATIC_REASONS) == reasons
    assert all(text[0].islower() and len(text) > 20 for text in STATIC_REASONS.values())
