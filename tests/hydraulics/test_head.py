"""Total head, powers and efficiencies against printed exercises and trade arithmetic."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.hydraulics.head import (
    hydraulic_power,
    mercury_column_pressure,
    overall_efficiency,
    pressure_to_head,
    pump_efficiency,
    specific_energy,
    tap_pressure,
    total_head,
    vacuum_to_gauge,
    velocity,
    velocity_head,
)

G = 9.80665
FOOT, INCH = 0.3048, 0.0254
PSI = 8896443230521 / 1290320000
GPM = 231 * INCH**3 / 60
HP = 550 * FOOT * 0.45359237 * G
flows = st.floats(1e-3, 2.0)
diameters = st.floats(0.05, 1.0)
densities = st.floats(500.0, 2000.0)
heads = st.floats(0.5, 2000.0)


def test_total_head_with_suction_vacuum():
    # Textbook exercise (public copies: studen.com 15222175; scribd 410197992 prints 10.14 m):
    # 400/350 mm, 20000 L/min, suction 127 mm of mercury (S.G. 13.6) below atmosphere, gauge
    # 0.075 m, discharge 75 kPa at 0.45 m, elevation difference 0.525 m. Printed: 10.15 m.
    flow = 20.0 / 60.0
    assert velocity(flow, 0.40) == pytest.approx(2.653, abs=5e-4)
    assert velocity(flow, 0.35) == pytest.approx(3.465, abs=5e-4)
    suction = vacuum_to_gauge(mercury_column_pressure(0.127, 13600.0))
    head = total_head(suction, 75e3, flow, 1000.0, -0.075, 0.45, 0.40, 0.35)
    assert head == pytest.approx(10.15, abs=0.005)


def test_total_head_from_a_differential_manometer():
    # Textbook exercise of Streeter's type: mercury differential 740 mm, 100/80 mm,
    # 3.42 m3/min, printed 13.19 m. Over water the column counts 13.6 - 1.
    differential = 0.740 * (13600.0 - 1000.0) * G
    head = total_head(0.0, differential, 3.42 / 60.0, 1000.0, 0.0, 0.0, 0.10, 0.08)
    assert head == pytest.approx(13.19, abs=0.005)


def test_hydraulic_power_of_an_exercise_with_gauges_below_the_centre():
    # Exercise (scribd 410197992, no. 7): 60.6 kg/s; intake gauge 1.22 m below the centre
    # 68.95 kPa; discharge gauge 0.61 m below 344.75 kPa; 0.093 and 0.069 m2. Printed 17.09 kW.
    flow = 60.6 / 1000.0
    d_s, d_d = (math.sqrt(4 * a / math.pi) for a in (0.093, 0.069))
    head = total_head(68.95e3, 344.75e3, flow, 1000.0, -1.22, -0.61, d_s, d_d)
    assert hydraulic_power(flow, head, 1000.0) / 1e3 == pytest.approx(17.09, abs=0.01)


def test_velocity_head_is_not_small_on_a_small_pump():
    # Trade article on velocity head: 70 gpm, 1.5 in / 1 in, 5 and 80 psig, gauges 1 and 6 ft
    # above the centre. By hand with 2.31 ft/psi: 173.25 + 10.21 + 5 = 188.46 ft.
    head = total_head(
        5 * PSI, 80 * PSI, 70 * GPM, 998.2072, 1 * FOOT, 6 * FOOT, 1.5 * INCH, 1.0 * INCH
    )
    assert head / FOOT == pytest.approx(188.46, abs=0.1)


def test_total_head_is_the_same_from_tap_or_gauge_elevation():
    # A filled sensing line: reading at the gauge's elevation, or moved to the tap.
    at_gauge = total_head(2e4, 3e5, 0.05, 998.0, 1.5, 0.8, 0.2, 0.15)
    moved = tap_pressure(2e4, 1.5, 0.1, 998.0)
    at_tap = total_head(moved, 3e5, 0.05, 998.0, 0.1, 0.8, 0.2, 0.15)
    assert at_tap == pytest.approx(float(at_gauge))


def test_a_flush_drawn_off_between_the_taps_counts_in_the_velocity_heads():
    # By hand: 0.05 m3/s in at 0.2 m, 0.04 m3/s out at 0.15 m.
    head = total_head(0.0, 1e5, 0.04, 1000.0, 0.0, 0.0, 0.2, 0.15, suction_flow=0.05)
    expected = 1e5 / (1000 * G) + (2.2635**2 - 1.5915**2) / (2 * G)
    assert head == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(
    ("gpm_ft_per_hp", "density"), [(3954.272, 1000.0), (3958.163, 999.0171), (3961.374, 998.2072)]
)
def test_the_3960_of_the_trade(gpm_ft_per_hp, density):
    # By hand from exact unit definitions; "3960" lies among them.
    power = hydraulic_power(gpm_ft_per_hp * GPM, 1 * FOOT, density)
    assert power / HP == pytest.approx(1.0, abs=1e-6)


@pytest.mark.parametrize("gravity", [1.84, 0.75])
def test_power_of_another_liquid(gravity):
    # Common practice, no source: hp = gpm * ft * SG / 3960, and hp = gpm * psi / 1714 for any
    # liquid.
    rho = gravity * 998.2072
    power = hydraulic_power(1000 * GPM, 120 * FOOT, rho)
    assert power / HP == pytest.approx(1000 * 120 * gravity / 3960, rel=1e-3)
    head = pressure_to_head(50 * PSI, rho)
    assert hydraulic_power(1000 * GPM, head, rho) / HP == pytest.approx(50e3 * 7 / 12000)


def test_an_error_of_2_psi_matters_by_the_head():
    # Common practice, no source: 2 psi on 1000 psi is 0.2 %; on 4 psi it is half.
    for differential, part in ((1000.0, 0.002), (4.0, 0.5)):
        true = total_head(0.0, differential * PSI, 0.1, 998.0, 0.0, 0.0, 0.2, 0.2)
        wrong = total_head(2 * PSI, differential * PSI, 0.1, 998.0, 0.0, 0.0, 0.2, 0.2)
        assert 1 - wrong / true == pytest.approx(part)


def test_one_percent_of_a_large_pump():
    # Common practice, no source: one percent of 2000 hp is 20 hp. 1584 water hp at 2000 hp
    # is 79.2 %, one percent below 80 %, at which it would take 1980 hp.
    useful = hydraulic_power(1000 * GPM, 1584 * 3961.374 / 1000 * FOOT, 998.2072)
    efficiency = pump_efficiency(useful, 2000 * HP)
    assert efficiency == pytest.approx(0.99 * 0.80, abs=1e-6)
    assert 2000 - useful / 0.80 / HP == pytest.approx(20.0, abs=0.01)


def test_pumping_plant_criteria():
    # University of Nebraska extension: 0.885 water hp h per kWh for a 75 % pump on an 88 %
    # motor, 1.18 brake hp h per kWh.
    overall = 0.75 * 0.88
    assert overall * 1000 / HP == pytest.approx(0.885, abs=5e-4)
    assert pytest.approx(1.18, abs=5e-4) == 0.88 * 1000 / HP
    assert overall_efficiency(0.885 * HP, 1000.0) == pytest.approx(overall, abs=5e-4)


def test_field_example_of_a_well_pump():
    # University of Georgia extension (Harrison and Tyson): 600 gpm, lift 70 ft, 60 psi,
    # 4.0 gal/h of diesel, criterion 12.5 water hp h/gal. Worked by hand: 208.6 ft, 31.6 hp,
    # 7.9, 63 %.
    head = total_head(0.0, 60 * PSI, 600 * GPM, 998.2072, -70 * FOOT, 0.0, 1e3, 1e3)
    assert head / FOOT == pytest.approx(208.6, abs=0.1)
    power = hydraulic_power(600 * GPM, head, 998.2072) / HP
    assert power == pytest.approx(31.6, abs=0.05)
    assert power / 4.0 == pytest.approx(7.9, abs=0.05)
    assert power / 4.0 / 12.5 == pytest.approx(0.63, abs=0.005)


def test_pump_efficiency_behind_a_motor():
    # North Carolina State University AG-452-6: overall 57 %, motor 90 %: pump 63 %.
    electrical = 100e3
    hydraulic = 0.57 * electrical
    assert overall_efficiency(hydraulic, electrical) == pytest.approx(0.57)
    assert pump_efficiency(hydraulic, 0.90 * electrical) == pytest.approx(0.63, abs=0.005)


def test_specific_energy_of_a_known_case():
    # By hand: 1 m3 of water lifted 100 m at 100 % is 1000 * g * 100 J = 0.2724 kWh.
    power = hydraulic_power(0.1, 100.0, 1000.0)
    assert specific_energy(power, 0.1) / 3.6e6 == pytest.approx(0.27241, abs=1e-5)


def test_a_stopped_pump_has_no_efficiency():
    np.testing.assert_array_equal(
        np.isnan(overall_efficiency([0.0, 5.0, 5.0], [0.0, -1.0, 10.0])), [True, True, False]
    )
    assert np.isnan(pump_efficiency(1.0, 0.0))
    assert np.isnan(specific_energy(10.0, 0.0))
    assert np.isnan(overall_efficiency(np.nan, 1.0))


def test_arrays_broadcast_and_are_not_changed():
    flow = np.array([0.0, 0.05, np.nan])
    kept = flow.copy()
    head = total_head(1e4, 3e5, flow, 998.0, 0.0, 0.5, 0.2, 0.15)
    assert head.shape == (3,)
    np.testing.assert_array_equal(np.isnan(head), [False, False, True])
    np.testing.assert_array_equal(flow, kept)


@given(flows, diameters, st.floats(1.1, 3.0))
def test_velocity_has_its_dimensions(flow, diameter, factor):
    assert velocity(factor * flow, diameter) == pytest.approx(factor * velocity(flow, diameter))
    assert velocity(flow, factor * diameter) == pytest.approx(velocity(flow, diameter) / factor**2)
    assert velocity(flow, diameter) * math.pi * diameter**2 / 4 == pytest.approx(flow)
    assert velocity_head(factor * flow, diameter) == pytest.approx(
        factor**2 * velocity_head(flow, diameter)
    )
    assert velocity_head(-flow, diameter) == velocity_head(flow, diameter)


@given(flows, st.floats(0, 1e6), st.floats(0, 1e6), densities, diameters, diameters)
def test_swapping_the_sides_turns_the_head(flow, p_s, p_d, density, d_s, d_d):
    forward = total_head(p_s, p_d, flow, density, -0.3, 0.7, d_s, d_d)
    backward = total_head(p_d, p_s, flow, density, 0.7, -0.3, d_d, d_s)
    assert forward == pytest.approx(-backward, abs=1e-9)


@given(flows, st.floats(0, 1e6), st.floats(1e3, 1e6), densities)
def test_one_datum_is_as_good_as_another(flow, p_s, rise, density):
    base = total_head(p_s, p_s + rise, flow, density, 0.0, 1.0, 0.3, 0.3)
    lifted = total_head(p_s, p_s + rise, flow, density, 100.0, 101.0, 0.3, 0.3)
    absolute = total_head(p_s + 1e5, p_s + rise + 1e5, flow, density, 0.0, 1.0, 0.3, 0.3)
    assert lifted == pytest.approx(base, abs=1e-6)
    assert absolute == pytest.approx(base, abs=1e-6)


@given(flows, st.floats(0, 1e6), st.floats(1e3, 1e6), densities, st.floats(1.0, 1e4))
def test_more_discharge_pressure_or_less_suction_is_more_head(flow, p_s, rise, density, step):
    base = total_head(p_s, p_s + rise, flow, density, 0.0, 0.0, 0.3, 0.25)
    assert total_head(p_s, p_s + rise + step, flow, density, 0.0, 0.0, 0.3, 0.25) > base
    assert total_head(p_s - step, p_s + rise, flow, density, 0.0, 0.0, 0.3, 0.25) > base
    lossy = total_head(p_s, p_s + rise, flow, density, 0.0, 0.0, 0.3, 0.25, tap_losses=0.2)
    assert lossy - base == pytest.approx(0.2)


@given(flows, heads, densities, st.floats(1.1, 3.0))
def test_hydraulic_power_is_a_plain_product(flow, head, density, factor):
    base = hydraulic_power(flow, head, density)
    assert hydraulic_power(factor * flow, head, density) == pytest.approx(factor * base)
    assert hydraulic_power(flow, factor * head, density) == pytest.approx(factor * base)
    assert hydraulic_power(flow, head, factor * density) == pytest.approx(factor * base)


@given(flows, heads, densities)
def test_pressure_rise_times_flow_is_the_power(flow, head, density):
    # p Q, whatever the density: dimensionally another road to the same number.
    rise = head * density * G
    assert hydraulic_power(flow, pressure_to_head(rise, density), density) == pytest.approx(
        rise * flow
    )


@given(st.floats(1.0, 1e6), st.floats(1.0, 1e7), st.floats(1.1, 3.0))
def test_ratios_have_no_unit(useful, drawn, factor):
    for ratio in (overall_efficiency, pump_efficiency, specific_energy):
        base = ratio(useful, drawn)
        assert ratio(factor * useful, factor * drawn) == pytest.approx(base)
        assert ratio(factor * useful, drawn) == pytest.approx(factor * base)
        assert base * drawn == pytest.approx(useful)
