"""Affinity laws."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.errors import RangeError
from pipeline.hydraulics.affinity import efficiency_at_speed, to_reference_speed
from pipeline.hydraulics.head import hydraulic_power

ratios = st.floats(0.51, 1.19)


def test_printed_example():
    # A pump maker's technical bulletin no. 33: 1700 to 2000 rpm, 200 gpm, 60 ft, 5 bhp gives
    # 235 gpm, 83 ft, 8.1 bhp.
    flow, head, power = to_reference_speed(200.0, 60.0, 5.0, 1700.0, 2000.0)
    assert (round(float(flow)), round(float(head)), round(float(power), 1)) == (235, 83, 8.1)


@given(st.floats(0.01, 2.0), st.floats(1.0, 500.0), st.floats(1e3, 1e6), ratios)
def test_there_and_back(flow, head, power, ratio):
    there = to_reference_speed(
        flow, head, power, 25.0, 25.0 / ratio, lowest_ratio=0.1, highest_ratio=10
    )
    back = to_reference_speed(*there, 25.0 / ratio, 25.0, lowest_ratio=0.1, highest_ratio=10)
    np.testing.assert_allclose(back, (flow, head, power))


@given(st.floats(0.01, 2.0), st.floats(1.0, 500.0), ratios)
def test_hydraulic_power_scales_as_shaft_power_so_efficiency_stays(flow, head, ratio):
    shaft = hydraulic_power(flow, head, 998.0) / 0.8
    point = to_reference_speed(flow, head, shaft, ratio, 1.0)
    assert hydraulic_power(point.flow, point.head, 998.0) / point.power == pytest.approx(0.8)


@given(st.floats(0.3, 0.9), ratios, st.floats(0.05, 0.2))
def test_correction_moves_efficiency_towards_higher_speed(efficiency, ratio, exponent):
    at_reference = efficiency_at_speed(efficiency, ratio, 1.0, exponent)
    assert (at_reference - efficiency) * (1.0 - ratio) >= 0.0
    assert (1 - at_reference) / (1 - efficiency) == pytest.approx(ratio**exponent)


def test_no_correction_by_default():
    assert efficiency_at_speed(0.8, 20.0, 25.0) == pytest.approx(0.8)


def test_corrected_power_gives_the_corrected_efficiency():
    eta = 0.80
    useful = hydraulic_power(0.1, 30.0, 998.0)
    point = to_reference_speed(
        0.1, 30.0, useful / eta, 20.0, 25.0, efficiency=eta, efficiency_exponent=0.1
    )
    corrected = hydraulic_power(point.flow, point.head, 998.0) / point.power
    assert corrected == pytest.approx(float(efficiency_at_speed(eta, 20.0, 25.0, 0.1)))
    assert corrected > eta
    with pytest.raises(RangeError, match="efficiency at the measured speed: found none"):
        to_reference_speed(0.1, 30.0, 1e4, 20.0, 25.0, efficiency_exponent=0.1)


def test_far_away_is_refused():
    with pytest.raises(RangeError, match=r"found 0.4 \(ratio\); expected 0.5 to 1.2 \(ratio\)"):
        to_reference_speed(0.1, 30.0, 1e4, 10.0, 25.0)
    with pytest.raises(RangeError, match="compare at a nearer reference speed"):
        efficiency_at_speed(0.8, 40.0, 25.0, 0.1)
    point = to_reference_speed(0.1, 30.0, 1e4, [10.0, 20.0], 25.0, out_of_range="nan")
    np.testing.assert_array_equal(np.isnan(point.flow), [True, False])
    np.testing.assert_array_equal(np.isnan(point.power), [True, False])
    with pytest.raises(RangeError, match="reference speed: found 0"):
        to_reference_speed(0.1, 30.0, 1e4, 20.0, 0.0)


def test_nan_in_nan_out():
    point = to_reference_speed(np.array([0.1, np.nan]), 30.0, 1e4, [np.nan, 25.0], 25.0)
    np.testing.assert_array_equal(np.isnan(point.flow), [True, True])
    np.testing.assert_array_equal(np.isnan(point.head), [True, False])
