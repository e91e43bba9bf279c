"""Pressure readings: atmosphere, vacuum, gauge elevation, head of other liquids."""

import numpy as np
import pytest
from fluids.atmosphere import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import RangeError
from pipeline.hydraulics.head import (
    absolute_pressure,
    atmospheric_pressure,
    gauge_pressure,
    head_to_pressure,
    mercury_column_pressure,
    pressure_to_head,
    static_suction_pressure,
    tap_pressure,
    vacuum_to_gauge,
)

G = 9.80665
FOOT = 0.3048
PSI = 8896443230521 / 1290320000  # exact, from in, lb and standard gravity
pressures = st.floats(-1e5, 3e7)
densities = st.floats(500.0, 2000.0)
elevations = st.floats(-20.0, 20.0)


def test_columns_of_mercury_and_water():
    # UN/ECE Recommendation 20, conventional inch of mercury 3386.389 Pa; mmHg 133.322387415
    # and foot of water 2989.06692 Pa by definition.
    assert mercury_column_pressure(0.0254) == pytest.approx(3386.388640341)
    assert mercury_column_pressure(0.001) == pytest.approx(133.322387415)
    assert head_to_pressure(FOOT, 1000.0) == pytest.approx(2989.06692)


@pytest.mark.parametrize("gravity", [1.84, 1.0, 0.75])
def test_feet_per_psi_divides_by_specific_gravity(gravity):
    # Common practice, no source: head [ft] = psi * 2.31 / SG, psi = head * SG / 2.31. With the
    # gravity on the wrong side, 1.84 would give 4.25 ft for 1.26. "2.31" is water at 20 C.
    rho = gravity * 998.2072
    assert pressure_to_head(10 * PSI, rho) / FOOT == pytest.approx(23.1 / gravity, rel=1e-3)
    assert head_to_pressure(100 * FOOT, rho) / PSI == pytest.approx(100 * gravity / 2.31, rel=1e-3)


@pytest.mark.parametrize(
    ("density", "feet_per_psi"), [(1000.0, 2.306659), (999.0171, 2.308928), (998.2072, 2.310802)]
)
def test_feet_of_water_per_psi(density, feet_per_psi):
    # By hand from exact unit definitions.
    assert pressure_to_head(PSI, density) / FOOT == pytest.approx(feet_per_psi, abs=1e-6)


@pytest.mark.parametrize(
    ("altitude", "expected"),
    [(0.0, 101325.0), (1000.0, 89876.3), (2000.0, 79501.4), (5000.0, 54048.3)],
)
def test_atmosphere_by_altitude(altitude, expected):
    # U.S. Standard Atmosphere 1976, Table I, geometric altitude (from memory).
    assert atmospheric_pressure(altitude) == pytest.approx(expected, rel=2e-5)


def test_atmosphere_matches_the_reference_library():
    altitude = np.linspace(-400.0, 10900.0, 20)
    expected = [ATMOSPHERE_1976(float(z)).P for z in altitude]
    np.testing.assert_allclose(atmospheric_pressure(altitude), expected, rtol=1e-6)


def test_atmosphere_at_7000_feet_in_feet_of_water():
    # NPSH tables of a civil-engineering handbook: 26.2 ft at 7000 ft.
    head = pressure_to_head(atmospheric_pressure(7000 * FOOT), 1000.0)
    assert head / FOOT == pytest.approx(26.2, abs=0.06)


def test_atmosphere_out_of_range():
    with pytest.raises(RangeError, match="altitude: found 29000 m; expected -500 to 11000 m"):
        atmospheric_pressure(29000.0)
    assert np.isnan(atmospheric_pressure(29000.0, out_of_range="nan"))
    assert np.isnan(atmospheric_pressure(np.nan))


def test_unmeasured_suction_under_vacuum():
    # Common practice, no source. Discharge gauge 2.5 psi, suction at 3 inHg vacuum (rule of
    # thumb 1.5 psi): the differential is 4.0 psi, of which assuming zero suction sees 62.5 %.
    # So the assumption is 37.5 % low, and not 62 % high.
    suction = vacuum_to_gauge(mercury_column_pressure(3 * 0.0254))
    assert -suction / PSI == pytest.approx(1.473, abs=5e-4)
    differential = 2.5 * PSI - suction
    assert differential / PSI == pytest.approx(3.97, abs=0.005)
    seen = 2.5 * PSI / differential
    assert seen == pytest.approx(0.629, abs=5e-4)
    assert 1 - seen == pytest.approx(0.371, abs=5e-4)
    assert seen == pytest.approx(2.5 / 4.0, abs=0.005)


def test_filled_and_empty_sensing_lines():
    # Common practice, no source: a gauge 2 m below the tap on a filled line reads 2 m of
    # liquid too high; on an empty line it reads the tap.
    assert tap_pressure(50000.0, -2.0, 0.0, 1000.0) == pytest.approx(50000.0 - 2000.0 * G)
    assert tap_pressure(50000.0, -2.0, 0.0, 1000.0, "empty") == 50000.0
    # A cold line on a hot pipe holds its own density.
    hot, cold = (tap_pressure(50000.0, 3.0, 0.0, rho) for rho in (917.0, 998.2))
    assert cold - hot == pytest.approx(81.2 * G * 3.0)
    with pytest.raises(RangeError, match="found 'air'; expected 'filled' or 'empty'"):
        tap_pressure(1.0, 0.0, 0.0, 1000.0, "air")


@given(pressures, st.floats(5e4, 1.1e5))
def test_gauge_and_absolute_are_inverse(gauge, atmosphere):
    there = absolute_pressure(gauge, atmosphere)
    assert gauge_pressure(there, atmosphere) == pytest.approx(gauge, abs=1e-6)
    assert vacuum_to_gauge(vacuum_to_gauge(gauge)) == gauge
    assert gauge_pressure(gauge) == pytest.approx(gauge - 101325.0)


@given(pressures, densities)
def test_head_and_pressure_are_inverse(pressure, density):
    assert head_to_pressure(pressure_to_head(pressure, density), density) == pytest.approx(
        pressure, abs=1e-6
    )


@given(pressures, densities, st.floats(1.1, 3.0))
def test_head_has_its_dimensions(pressure, density, factor):
    base = pressure_to_head(pressure, density)
    assert pressure_to_head(factor * pressure, density) == pytest.approx(factor * base)
    assert pressure_to_head(pressure, factor * density) == pytest.approx(base / factor)


@given(st.floats(0.0, 2.0), st.floats(1.1, 3.0))
def test_a_taller_or_denser_column_weighs_more_in_proportion(height, factor):
    base = mercury_column_pressure(height)
    assert mercury_column_pressure(factor * height) == pytest.approx(factor * base)
    assert mercury_column_pressure(height, factor * 13595.1) == pytest.approx(factor * base)


@given(st.floats(-400.0, 10000.0), st.floats(1.0, 900.0))
def test_air_is_thinner_higher_up(altitude, rise):
    assert atmospheric_pressure(altitude + rise) < atmospheric_pressure(altitude)


@given(pressures, elevations, elevations, densities)
def test_moving_the_gauge_and_back_changes_nothing(reading, gauge, tap, density):
    there = tap_pressure(reading, gauge, tap, density)
    assert tap_pressure(there, tap, gauge, density) == pytest.approx(reading, abs=1e-5)


@given(st.floats(-5e4, 1e6), densities, elevations, st.floats(0.0, 20.0), elevations)
def test_level_and_elevations_count_alike(surface, density, zero, level, suction):
    base = static_suction_pressure(surface, density, zero, level, suction)
    for moved in (
        static_suction_pressure(surface, density, zero + 1.0, level, suction),
        static_suction_pressure(surface, density, zero, level + 1.0, suction),
        static_suction_pressure(surface, density, zero, level, suction - 1.0),
    ):
        assert moved - base == pytest.approx(density * G, rel=1e-6)
    pressed = static_suction_pressure(surface + 5e4, density, zero, level, suction)
    assert pressed - base == pytest.approx(5e4)


def test_static_pressure_by_hand():
    # Tank zero 1 m above the datum, 4 m of level, gauge at 0.5 m: 4.5 m of water.
    assert static_suction_pressure(0.0, 1000.0, 1.0, 4.0, 0.5) == pytest.approx(4500.0 * G)


@pytest.mark.parametrize(
    "value",
    [
        pressure_to_head(np.nan, 1000.0),
        head_to_pressure(1.0, np.nan),
        absolute_pressure(np.nan),
        gauge_pressure(np.nan),
        vacuum_to_gauge(np.nan),
        mercury_column_pressure(np.nan),
        tap_pressure(np.nan, 0.0, 0.0, 1000.0),
        tap_pressure(1.0, np.nan, 0.0, 1000.0, "empty"),
        static_suction_pressure(0.0, 1000.0, 0.0, np.nan, 0.0),
    ],
)
def test_nan_in_nan_out(value):
    assert np.isnan(value)
