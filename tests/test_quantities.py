"""Units at the edges: what historians write, and nothing that only looks like it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import UnitError
from pipeline.quantities import (
    QUANTITIES,
    accepted_spellings,
    conversion,
    display_unit,
    parse_measure,
)

# Exact by definition: inch 0.0254 m, pound 0.45359237 kg, gallon 231 in3, standard gravity
# 9.80665 m/s2. Conventional columns: water 1000 kg/m3, mercury 13595.1 kg/m3.
EXACT = [
    ("psi", "pressure", 8896443230521 / 1290320000),
    ("gpm", "flow", 231 * 0.0254**3 / 60),
    ("hp", "electrical_power", 550 * 0.3048 * 0.45359237 * 9.80665),
    ("PS", "electrical_power", 75 * 9.80665),
    ("ftH2O", "pressure", 1000 * 9.80665 * 0.3048),
    ("inH2O", "pressure", 1000 * 9.80665 * 0.0254),
    ("inHg", "pressure", 13595.1 * 9.80665 * 0.0254),
    ("mmHg", "pressure", 13595.1 * 9.80665 * 0.001),
    ("atm", "pressure", 101325.0),
    ("MGD", "flow", 1e6 * 231 * 0.0254**3 / 86400),
    ("l/s", "flow", 1e-3),
    ("ft", "level", 0.3048),
    ("rpm", "speed", 1 / 60),
]


@pytest.mark.parametrize(("unit", "name", "factor"), EXACT)
def test_units_have_their_defined_size(unit, name, factor):
    """NIST SP 811 appendix B definitions, worked out by hand above."""
    assert conversion(unit, name).scale == pytest.approx(factor, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "name"),
    [
        ("GPM", "flow"),
        ("m3/h", "flow"),
        ("m³/h", "flow"),
        ("M3/HR", "flow"),
        ("KW", "electrical_power"),
        ("barg", "pressure"),
        ("bar(g)", "pressure"),
        ("psig", "pressure"),
        ("psia", "pressure"),
        ("kPa abs", "pressure"),
        ("C", "temperature"),
        ("F", "temperature"),
        ("°C", "temperature"),
        ("in Hg", "pressure"),
        ("mH2O", "pressure"),
        ("Pct", "power_factor"),
    ],
)
def test_historian_spellings_are_read(unit, name):
    """Spellings that a unit library refuses, or reads as something else altogether."""
    assert conversion(unit, name).scale > 0


@pytest.mark.parametrize(
    ("unit", "reference"),
    [
        ("barg", "gauge"),
        ("bar(g)", "gauge"),
        ("psia", "absolute"),
        ("kPa abs", "absolute"),
        ("bar", None),
    ],
)
def test_reference_is_read_off_the_spelling(unit, reference):
    """Gauge or absolute comes from the spelling, or stays open."""
    assert conversion(unit, "pressure").reference == reference


def test_vacuum_counts_downwards():
    """Three inches of mercury of vacuum lie 10.16 kPa below atmosphere (13595.1 kg/m3)."""
    found = conversion("inHg vac", "suction_pressure")
    assert found.reference == "gauge"
    assert 3 * found.scale == pytest.approx(-3 * 13595.1 * 9.80665 * 0.0254, rel=1e-12)


@pytest.mark.parametrize(
    ("unit", "name"),
    [
        ("T/H", "flow"),
        ("bar·g·m", "pressure"),
        ("mPa", "pressure"),
        ("kW", "flow"),
        ("", "pressure"),
        ("g", "pressure"),
    ],
)
def test_unknown_units_are_refused_with_the_accepted_ones(unit, name):
    """The message lists what would have been understood."""
    with pytest.raises(UnitError, match=accepted_spellings(name)[0]):
        conversion(unit, name)


def test_temperatures_have_an_offset():
    """Water freezes at 32 °F, 0 °C, 273.15 K; boils at 212 °F (common practice, no source)."""
    for text, kelvin in (("32 °F", 273.15), ("0 °C", 273.15), ("212 °F", 373.15), ("5 K", 5.0)):
        assert parse_measure(text, "temperature")[0] == pytest.approx(kelvin, rel=1e-12)


@given(st.sampled_from(sorted(QUANTITIES)), st.sampled_from(["SI", "US"]), st.floats(-1e6, 1e6))
def test_display_units_turn_back(name, system, value):
    """Publishing and reading back gives the same value."""
    unit = display_unit(name, system)
    shown = value * unit.scale + unit.offset
    assert (shown - unit.offset) / unit.scale == pytest.approx(value, rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("text", ["", "abc", "12", "1,5 m", "1.5 furlong"])
def test_a_measure_needs_number_and_known_unit(text):
    """Anything else is refused."""
    with pytest.raises(UnitError):
        parse_measure(text, "elevation")
