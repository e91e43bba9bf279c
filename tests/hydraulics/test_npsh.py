"""NPSH available, required and the margin."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from pipeline.errors import RangeError
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.npsh import (
    is_below_npsh_margin,
    npsh_available,
    npsh_available_uncertainty,
    npsh_margin,
    npsh_margin_ratio,
    npsh_required,
    time_below_npsh_margin,
)

G, FOOT, RHO = 9.80665, 0.3048, 1000.0
FT = RHO * G * FOOT
curve = ([0.02, 0.05, 0.08, 0.10], [2.0, 2.6, 4.1, 6.0])


def test_handbook_example_with_flooded_suction():
    # Civil-engineering handbook text: 33.9 ft atmosphere + 6.0 level - 0.839 vapour - 2.0
    # friction - 2.0 inlet = 35.061 ft.
    value = npsh_available((6.0 - 2.0 - 2.0) * FT, 33.9 * FT, 0.839 * FT, RHO, 0.0, 0.2)
    assert value / FOOT == pytest.approx(35.061, abs=1e-6)


def test_handbook_example_with_lift_at_altitude():
    # Same text, inputs: 26.2 ft at 7000 ft - 8.0 lift - 0.411 vapour (50 F) - 1.0 - 2.0; sum
    # by hand 14.789 ft.
    value = npsh_available((-8.0 - 3.0) * FT, 26.2 * FT, 0.411 * FT, RHO, 0.0, 0.2)
    assert value / FOOT == pytest.approx(14.789, abs=1e-6)


def test_boiling_liquid_in_the_tank_leaves_only_its_depth():
    # Common practice, no source: a deaerator at saturation gives level less losses.
    vapour = 1.2e5
    surface_gauge = vapour - 101325.0
    value = npsh_available(surface_gauge + 917.0 * G * 6.0, 101325.0, vapour, 917.0, 0.0, 0.2)
    assert value == pytest.approx(6.0)


def test_curve_is_met_at_its_points_and_not_extended():
    np.testing.assert_allclose(npsh_required(curve[0], *curve), curve[1])
    assert np.isnan(npsh_required([0.01, 0.11, np.nan], *curve)).all()
    assert 2.0 < npsh_required(0.03, *curve) < 2.6


def test_curve_at_another_speed():
    # Affinity: at 90 % speed the point 0.05 m3/s, 2.6 m lies at 0.045 m3/s, 2.106 m.
    assert npsh_required(0.045, *curve, speed_ratio=0.9) == pytest.approx(2.6 * 0.81)
    assert np.isnan(npsh_required(0.045, *curve, speed_ratio=0.0))


def test_curve_faults_are_named():
    with pytest.raises(RangeError, match="found 1 flows and 1 values"):
        npsh_required(0.05, [0.05], [3.0])
    with pytest.raises(RangeError, match="expected them to rise"):
        npsh_required(0.05, [0.05, 0.05], [3.0, 3.1])


def test_margin_rule_takes_the_larger():
    # Trade dictionary: ratio 1.1 to 1.5, or 1.5 m (4.9 ft), whichever is larger.
    assert is_below_npsh_margin(4.4, 3.0) == np.True_
    assert is_below_npsh_margin(4.6, 3.0) == np.False_
    # At 20 m the ratio of 1.1 asks for 2 m.
    assert is_below_npsh_margin(21.9, 20.0) == np.True_
    assert is_below_npsh_margin(22.1, 20.0) == np.False_
    mask = is_below_npsh_margin([np.nan, 1.0], 3.0)
    assert mask.dtype == bool
    np.testing.assert_array_equal(mask, [False, True])


def test_hours_below_margin():
    available = np.array([3.0, 9.0, np.nan, 3.0])
    time = time_below_npsh_margin(available, 3.0, [3600.0, 3600.0, 3600.0, 1800.0])
    assert time.below == 5400.0
    assert time.assessed == 9000.0


@given(st.floats(0.1, 30.0), st.floats(0.1, 30.0))
def test_margin_and_ratio_agree(available, required):
    assert npsh_margin(available, required) + required == pytest.approx(available)
    assert npsh_margin_ratio(available, required) * required == pytest.approx(available)
    assert (npsh_margin(available, required) > 0) == (
        npsh_margin_ratio(available, required) > 1
    ) or available == pytest.approx(required)


@given(st.floats(-5e4, 1e6), st.floats(0.0, 0.3), st.floats(700.0, 1500.0), st.floats(1.0, 1e4))
def test_more_pressure_is_more_npsh_and_more_vapour_pressure_less(p_s, flow, rho, step):
    base = npsh_available(p_s, 101325.0, 2339.0, rho, flow, 0.25)
    head = step / (rho * G)
    for moved, change in (
        (npsh_available(p_s + step, 101325.0, 2339.0, rho, flow, 0.25), head),
        (npsh_available(p_s, 101325.0 + step, 2339.0, rho, flow, 0.25), head),
        (npsh_available(p_s, 101325.0, 2339.0 + step, rho, flow, 0.25), -head),
        (npsh_available(p_s, 101325.0, 2339.0, rho, flow, 0.25, 0.7), 0.7),
    ):
        assert moved - base == pytest.approx(change, abs=1e-8)


@given(st.floats(0.02, 0.1), st.floats(0.02, 0.1))
def test_a_rising_curve_stays_rising(a, b):
    low, high = sorted((a, b))
    assert npsh_required(low, *curve) <= npsh_required(high, *curve) + 1e-12


def test_uncertainty_against_the_uncertainties_package():
    slope = -2.0e4
    parts = {"p_s": 300.0, "p_a": 1000.0, "p_v": 50.0, "q": 0.001, "z": 0.02}
    u = npsh_available_uncertainty(
        998.2, 0.08, 0.2,
        *(Uncertainty(np.float64(v), np.float64(0.5 * v)) for v in parts.values()),
        suction_pressure_slope=slope,
    )  # fmt: skip
    q = ufloat(0.08, parts["q"])
    p_s = ufloat(4e4, parts["p_s"]) + slope * (q - 0.08)
    p_a, p_v = ufloat(101325.0, parts["p_a"]), ufloat(2339.0, parts["p_v"])
    v = 4 * q / (np.pi * 0.2**2)
    expected = (p_s + p_a - p_v) / (998.2 * G) + v**2 / (2 * G) + ufloat(0.0, parts["z"])
    assert u.systematic == pytest.approx(expected.std_dev, rel=1e-9)
    assert u.random == pytest.approx(0.5 * expected.std_dev, rel=1e-9)
