"""Sources of suction, strainers and columns as the plant file declares them, in SI."""

import tomllib
from pathlib import Path

import pandas as pd
import pytest

README = Path(__file__).parents[2] / "README.md"
ROLES = {
    "level_tag": {"quantity": "level", "unit": "m"},
    "pressure_tag": {"quantity": "pressure", "unit": "bara"},
    "temperature_tag": {"quantity": "temperature", "unit": "°C"},
    "valve_tag": {"quantity": "valve_open"},
}

LEVEL = {"level_tag": "LT1", "level_zero_elevation": "2.5 m", "level_zero_u": "2 cm"}


def source_of(desk, **keys):
    """Read a plant whose only source has these keys."""
    (source,) = desk.put("suction_sources", 0, {"id": "T1", **keys}).read().sources["T1"]
    return source


def test_switched_tanks(desk):
    tanks = [
        {"id": "a", **LEVEL, "valve_tag": "VS1"},
        {"id": "b", "level_tag": "LT1", "level_zero_elevation": "3 m", "valve_tag": "VS2"},
    ]
    source = source_of(desk, kind="switched_tanks", tanks=tanks)
    assert [(t.id, t.level_zero_elevation, t.level_zero_u) for t in source.tanks] == [
        ("a", 2.5, 0.02),
        ("b", 3.0, 0.0),
    ]
    assert source.tags() == {"LT1": "level", "VS1": "valve open", "VS2": "valve open"}


def test_vessels(desk):
    vessel = source_of(desk, kind="pressurised_vessel", **LEVEL, pressure_tag="PS1")
    assert (vessel.level_zero_elevation, vessel.pressure_tag) == (2.5, "PS1")
    assert vessel.tags() == {"LT1": "level", "PS1": "surface pressure"}
    desk.put("tags", "+", {"name": "TT1", "quantity": "temperature", "unit": "°C"})
    boiler = source_of(desk, kind="deaerator", **LEVEL, temperature_tag="TT1")
    assert (boiler.pressure_tag, boiler.temperature_tag) == (None, "TT1")


def test_deaerator_holds_water(desk):
    desk.put("liquid", {"name": "brine", "density": "1.1 g/cm3"})
    source = {"id": "T1", "kind": "deaerator", **LEVEL, "pressure_tag": "PS1"}
    (fault,) = desk.put("suction_sources", 0, source).faults()
    assert "'T1', kind: found a deaerator, with the liquid 'brine'; expected water" in fault


def test_main_says_how_well_its_height_is_known(desk):
    main = source_of(
        desk,
        kind="pressurised_main",
        pressure_tag="PS1",
        pressure_elevation="1 m",
        pressure_elevation_u="3 cm",
    )
    assert (main.pressure_elevation, main.pressure_elevation_u) == (1.0, 0.03)


def test_well_by_a_constant_level(desk):
    """1 m at 100 m3/h is 36 s/m2; a fifth is the usual uncertainty."""
    drawdown = {"aquifer_loss": "0.01 m/(m3/h)", "well_loss": "2e-4 m/(m3/h)2"}
    drawdown |= {"well_loss_u": "1e-5 h2/m5", "settling_time": "30 min"}
    source = source_of(
        desk, kind="well", static_level="-14.2 m", static_level_u="0.1 m", drawdown=drawdown
    )
    assert (source.static_level, source.static_level_u) == (-14.2, 0.1)
    found = source.drawdown
    assert found.aquifer_loss == pytest.approx(36.0)
    assert found.aquifer_loss_u == pytest.approx(7.2)
    assert found.well_loss == pytest.approx(2e-4 * 3600**2)
    assert found.well_loss_u == pytest.approx(1e-5 * 3600**2)
    assert found.settling_time == 1800.0
    assert found.unstated == ("aquifer_loss_u",)


def test_well_by_a_tag(desk):
    source = source_of(desk, kind="well", **LEVEL, drawdown={"aquifer_loss": "0.5 d/m2"})
    assert source.static_level is None
    assert source.level_tag == "LT1"
    # Half a day per square metre, by hand.
    assert source.drawdown.aquifer_loss == pytest.approx(43200.0)
    assert source.drawdown.settling_time == 3600.0
    assert "settling_time" in source.drawdown.unstated


def test_well_in_us_units(desk):
    """1 ft at 100 gpm: 0.3048 m over 6.30901964 l/s (NIST SP 811)."""
    source = source_of(
        desk,
        kind="well",
        static_level="-40 ft",
        drawdown={"aquifer_loss": "0.01 ft/gpm", "well_loss": "1e-5 ft/gpm2"},
    )
    assert source.static_level == pytest.approx(-12.192)
    assert source.drawdown.aquifer_loss == pytest.approx(0.01 * 0.3048 / 6.30901964e-5)
    assert source.drawdown.well_loss == pytest.approx(1e-5 * 0.3048 / 6.30901964e-5**2)


def test_pump_in_a_wet_well_has_a_column(desk):
    desk.put("pumps", 0, "suction_pressure_tag", ...)
    desk.put("pumps", 0, "column", {"loss": "0.8 m", "at_flow": "360 m3/h", "loss_u": "0.2 m"})
    pipe = {"diameter": "300 mm", "length": "8 m"}
    fittings = [{"name": "discharge head", "k": 0.6}]
    desk.put("pumps", 1, "column", {"pipe": pipe, "fittings": fittings})
    plant = desk.put("suction_sources", 0, {"id": "T1", "kind": "wet_well", **LEVEL}).read()
    declared, drawn = (plant.pumps[name][0].column for name in ("P1", "P2"))
    assert (declared.loss, declared.at_flow, declared.relative_u) == (0.8, 0.1, 0.25)
    assert (drawn.pipe.length, drawn.fittings[0].k, drawn.relative_u) == (8.0, 0.6, 0.25)
    assert (declared.unstated, drawn.unstated) == ((), ("drawing_u",))
    assert plant.pumps["P1"][0].column is not None


def test_strainer_in_header_and_branch(desk):
    """One in the header needs no word on the tap; one in the branch does."""
    desk.put("suction_lines", 0, "header", 0, "strainer_tag", "DP1")
    desk.put("suction_lines", 0, "branches", 0, "strainer_tag", "DP1")
    desk.put("pumps", 0, "suction_tap", "position", "before_strainer")
    (line,) = desk.read().lines["S"]
    assert [s.strainer_tag for s in line.segments("P1")] == ["DP1", "DP1"]
    assert [s.strainer_tag for s in line.segments("P2")] == ["DP1", None]


def test_tap_somewhere_near_a_strainer_is_refused(desk):
    desk.put("suction_lines", 0, "branches", 0, "strainer_tag", "DP1")
    (fault,) = desk.put("pumps", 0, "suction_tap", "position", "other").faults()
    assert "suction_tap, position: found 'other'; expected before_strainer" in fault


def test_source_changes_its_kind(desk):
    """A tank is closed and put under pressure; history keeps what was true then."""
    later = {"id": "T1", "kind": "pressurised_vessel", **LEVEL, "pressure_tag": "PS1"}
    desk.put("suction_sources", "+", {**later, "valid_from": "2025-06-01"})
    plant = desk.read()
    start, end = (pd.Timestamp(day, tz="UTC") for day in ("2025-01-01", "2026-01-01"))
    kinds = [era.sources["T1"].kind for era in plant.eras(start, end)]
    assert kinds == ["open_tank", "pressurised_vessel"]


def test_examples_of_the_readme_are_accepted(desk):
    """Every kind that is explained there is read as it stands."""
    block = (
        README.read_text("utf-8").partition("<!-- sources -->\n```toml\n")[2].partition("```")[0]
    )
    sources = tomllib.loads(block)["suction_sources"]
    kinds = {"switched_tanks", "pressurised_vessel", "deaerator", "well", "wet_well"}
    assert {s["kind"] for s in sources} == kinds
    for source in sources:
        desk.put("suction_sources", "+", source)
        for part in (source, *source.get("tanks", ())):
            for role in ROLES.keys() & part.keys():
                desk.put("tags", "+", {"name": part[role], **ROLES[role]})
    assert set(desk.read().sources) == {"T1", *(s["id"] for s in sources)}
