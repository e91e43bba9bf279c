"""Mistakes of unit and datum: what explains a set of statics, and what does not."""

import numpy as np
import pytest

from pipeline.suction.mapping import PRESSURE_UNITS, MappingFacts, mapping_mistakes

FACTS = MappingFacts(rest_u=500.0)
DUE = np.linspace(4.0e4, 6.0e4, 30)


def names(reading, facts=FACTS):
    return [m.check for m in mapping_mistakes(reading, DUE, facts)]


def test_units_are_the_defined_ones():
    """NIST SP 811, appendix B.8 (conventional columns of water and mercury)."""
    assert PRESSURE_UNITS["psi"] == pytest.approx(6894.757, rel=1e-7)
    assert PRESSURE_UNITS["ftH2O"] == pytest.approx(2989.067, rel=1e-6)
    assert PRESSURE_UNITS["inHg"] == pytest.approx(3386.389, rel=1e-6)
    assert PRESSURE_UNITS["mH2O"] == pytest.approx(9806.65, rel=1e-9)


@pytest.mark.parametrize("error", [0.0, 700.0, -1400.0])
def test_right_readings_need_no_explanation(error):
    assert names(DUE + error) == []


@pytest.mark.parametrize("error", [2500.0, -4000.0, 4900.0])
def test_plain_offsets_are_not_explained_away_by_exotic_units(error):
    assert names(DUE + error) == []


@pytest.mark.parametrize("taken", ["kPa", "psi", "bar"])
@pytest.mark.parametrize("true", ["kPa", "psi", "bar"])
def test_common_unit_mistakes_come_first(taken, true):
    if taken == true:
        assert names(DUE) == []
        return
    # A value in `true` read as if it were in `taken`.
    reading = DUE / PRESSURE_UNITS[true] * PRESSURE_UNITS[taken]
    found = mapping_mistakes(reading, DUE, FACTS)
    assert found[0].check == "wrong_unit"
    assert found[0].sentence == f"It fits values in {true} taken as {taken}."


def test_an_offset_does_not_pass_for_a_unit_when_the_level_moved():
    """Scaling would change the swing of the level too: at 20 kPa of swing the two part."""
    reading = DUE + 4.5e4
    assert "wrong_unit" not in names(reading)


def test_undecidable_mistakes_are_all_named():
    """Atmosphere of 50 kPa and twice an elevation of 25 kPa are the same error."""
    facts = MappingFacts(rest_u=500.0, atmospheric_pressure=5.0e4, elevation_pressure=2.5e4)
    assert set(names(DUE + 5.0e4, facts)) == {"absolute_as_gauge", "elevation_sign"}


def test_vacuum_taken_as_positive():
    due = -DUE
    found = mapping_mistakes(-due, due, FACTS)
    assert "vacuum_sign" in [m.check for m in found]


def test_missing_values_are_passed_over():
    reading = (DUE + 101325.0).copy()
    reading[::3] = np.nan
    assert names(reading)[0] == "absolute_as_gauge"
    assert mapping_mistakes(np.full(3, np.nan), DUE[:3], FACTS) == []


def test_only_the_declared_unit_can_have_been_taken_wrongly():
    """12.9 % high fits ftH2O taken as inHg; of a tag declared in kPa that is no explanation."""
    expected = np.linspace(40e3, 60e3, 50)
    reading = expected * 3386.389 / 2989.067
    free = MappingFacts(rest_u=300.0)
    assert [m.check for m in mapping_mistakes(reading, expected, free)] == ["wrong_unit"]
    declared = MappingFacts(rest_u=300.0, unit_pressure=1000.0)
    assert mapping_mistakes(reading, expected, declared) == []
    psi = mapping_mistakes(expected / 6.894757, expected, declared)
    assert psi[0].sentence == "It fits values in psi taken as kPa."
    # A unit without a name here, say centimetres of water.
    other = MappingFacts(rest_u=300.0, unit_pressure=98.0665)
    found = mapping_mistakes(expected * 98.0665 / 1000.0, expected, other)
    assert found[0].sentence == "It fits values in kPa taken as the declared unit."
