"""Motors, drives and the point where the power is measured."""

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pipeline.errors import RangeError
from pipeline.hydraulics.drivers import (
    POWER_POINTS,
    Drive,
    LoadCurve,
    Motor,
    electrical_power,
    minimum_motor_efficiency,
    motor_efficiency,
    motor_efficiency_u,
    motor_input_power,
    motor_output_power,
    published_part_load_curve,
    shaft_power,
    three_phase_power,
)

HP = 745.6998715822702
motors = st.builds(
    Motor, rated_power=st.floats(500.0, 5e6), full_load_efficiency=st.floats(0.6, 0.985)
)
loads = st.floats(0.0, 1.5)


@pytest.mark.parametrize(
    ("horsepower", "poles", "enclosure", "percent"),
    [
        (1, 4, "enclosed", 85.5), (10, 4, "enclosed", 91.7), (50, 4, "enclosed", 94.5),
        (100, 4, "enclosed", 95.4), (200, 4, "enclosed", 96.2), (1, 2, "open", 77.0),
        (200, 6, "open", 95.4), (75, 2, "enclosed", 93.6),
    ],
)  # fmt: skip
def test_premium_efficiency_table(horsepower, poles, enclosure, percent):
    # 10 CFR 431.25, Table 1.
    value = minimum_motor_efficiency(horsepower * HP, poles, enclosure)
    assert value == pytest.approx(percent / 100)


@pytest.mark.parametrize(
    ("horsepower", "poles", "enclosure", "percent"),
    [(50, 4, "enclosed", 93.0), (100, 4, "enclosed", 94.5), (1, 6, "open", 80.0)],
)
def test_1992_efficiency_table(horsepower, poles, enclosure, percent):
    # 42 U.S.C. 6313(b)(1).
    value = minimum_motor_efficiency(horsepower * HP, poles, enclosure, "energy_efficient")
    assert value == pytest.approx(percent / 100)


def test_rating_between_two_rows_is_rounded_as_the_law_says():
    # 10 CFR 431.25(b): at or above the midpoint the higher, else the lower. 4-pole enclosed:
    # 100 hp 95.4, 150 hp 95.8; the midpoint of 125 and 150 is 137.5.
    assert minimum_motor_efficiency(137.5 * HP, 4) == pytest.approx(0.958)
    assert minimum_motor_efficiency(137.4 * HP, 4) == pytest.approx(0.954)


def test_metric_ratings_find_their_row():
    # 0.75 kW stands for 1 hp and 150 kW for 200 hp in the same table.
    assert minimum_motor_efficiency(750.0, 4) == pytest.approx(0.855)
    assert minimum_motor_efficiency(150e3, 4) == pytest.approx(0.962)


def test_what_the_table_does_not_hold_is_said():
    with pytest.raises(RangeError, match="found 300 hp; expected 1 to 200 hp"):
        minimum_motor_efficiency(300 * HP, 4)
    with pytest.raises(RangeError, match="8 poles"):
        minimum_motor_efficiency(10 * HP, 8)
    with pytest.raises(RangeError, match="no minimum for 1 hp, 2 poles, open"):
        minimum_motor_efficiency(1 * HP, 2, "open", "energy_efficient")
    with pytest.raises(RangeError, match="'IE3'"):
        minimum_motor_efficiency(10 * HP, 4, "open", "IE3")


@pytest.mark.parametrize(
    ("rated_input", "load", "relative"),
    [(7500.0, 0.2, 0.7527), (7500.0, 0.4, 0.9502), (35000.0, 0.1, 0.6440), (35000.0, 0.2, 0.9035),
     (2500.0, 0.6, 1.0), (700.0, 0.8, 0.9569)],
)  # fmt: skip
def test_published_part_load_points(rated_input, load, relative):
    # US DOE, Determining Electric Motor Load and Efficiency, digitised.
    motor = Motor(0.9 * rated_input, 0.9)
    efficiency = motor_efficiency(load * motor.rated_power, motor)
    assert efficiency / 0.9 == pytest.approx(relative, abs=1e-9)


def test_large_and_small_motors_use_the_end_curves():
    assert published_part_load_curve(5e6).relative_efficiency == (
        published_part_load_curve(70e3).relative_efficiency
    )
    with pytest.raises(RangeError, match=r"rated input power: found 0\.0 W"):
        published_part_load_curve(0.0)


def test_three_phase_example():
    # Same fact sheet (inputs from memory): 467/473/469 V, 36/38/37 A, power factor
    # 0.75/0.78/0.77: 23.08 kW; on a 40 hp motor of 93 % a load of 71.9 %.
    power = three_phase_power(
        np.mean([467, 473, 469]), np.mean([36, 38, 37]), np.mean([0.75, 0.78, 0.77])
    )
    assert power / 1e3 == pytest.approx(23.08, abs=0.005)
    motor = Motor(40 * HP, 0.93)
    assert motor_output_power(power, motor) / motor.rated_power == pytest.approx(0.719, abs=0.001)


def test_efficiency_is_flat_near_full_load_and_falls_below_half():
    # Same fact sheet: best near 75 % load, sharply down below about 50 %.
    motor = Motor(5000.0, 0.90)
    eta = {x: float(motor_efficiency(x * 5000.0, motor)) for x in (0.1, 0.25, 0.5, 0.75, 1.0)}
    assert abs(eta[0.75] - eta[1.0]) < 0.005
    assert eta[0.1] < eta[0.25] - 0.1 < eta[0.5] - 0.1
    assert motor_efficiency(0.0, motor) == 0.0


@given(motors, loads)
@example(Motor(rated_power=13593.0, full_load_efficiency=0.66796875), 0.0)
def test_input_and_output_are_inverse(motor, load):
    drawn = motor_input_power(load * motor.rated_power, motor)
    assert motor_output_power(drawn, motor) == pytest.approx(
        load * motor.rated_power, rel=1e-9, abs=1e-6 * motor.rated_power
    )


@given(motors, loads, st.floats(0.001, 0.2))
def test_more_load_draws_more_power_and_losses_stay_positive(motor, load, step):
    low, high = (motor_input_power(x * motor.rated_power, motor) for x in (load, load + step))
    assert high > low > load * motor.rated_power
    assert motor_input_power(motor.rated_power, motor) == pytest.approx(motor.rated_input_power)


def test_below_no_load_input_nothing_is_known():
    motor = Motor(30e3, 0.93)
    out = motor_output_power([0.0, 100.0, np.nan, 30e3], motor)
    np.testing.assert_array_equal(np.isnan(out), [True, True, True, False])
    assert np.isnan(motor_input_power(-5.0, motor))


def test_a_declared_curve_takes_the_place_of_the_published_one():
    curve = LoadCurve((0.25, 0.5, 0.75, 1.0), (0.93, 0.99, 1.005, 1.0), "maker's sheet")
    motor = Motor(90e3, 0.95, curve)
    assert motor_efficiency(0.5 * 90e3, motor) == pytest.approx(0.95 * 0.99)
    assert "maker's sheet" in motor.assumption
    assert "95.0% (nameplate)" in motor.assumption
    assert "US DOE" in Motor(90e3, 0.95).assumption


@pytest.mark.parametrize(
    ("load", "relative"),
    [
        ((1.0,), (1.0,)),
        ((0.5, 0.25), (0.9, 1.0)),
        ((0.1, 1.0), (0.05, 1.0)),
        ((0.0, 1.0), (0.5, 1.0)),
    ],
)
def test_impossible_load_curves_are_refused(load, relative):
    with pytest.raises(RangeError, match="load curve"):
        LoadCurve(load, relative)


def test_impossible_motors_are_refused():
    with pytest.raises(RangeError, match=r"rated power: found 0\.0 W"):
        Motor(0.0, 0.9)
    with pytest.raises(RangeError, match="Give a fraction, not percent"):
        Motor(1e4, 93.0)


def test_the_meter_s_place_decides_what_is_taken_off():
    # By hand: 97 % drive, 93 % motor at full load, 95 % belt.
    motor = Motor(30e3, 0.93)
    behind = 30e3 * 0.95
    args = {"drive_efficiency": 0.97, "transmission_efficiency": 0.95}
    readings = {
        "drive_input": 30e3 / 0.93 / 0.97, "motor_input": 30e3 / 0.93,
        "motor_shaft": 30e3, "pump_shaft": behind,
    }  # fmt: skip
    assert set(readings) == set(POWER_POINTS)
    for place, reading in readings.items():
        assert shaft_power(reading, motor, measured_at=place, **args) == pytest.approx(behind)
        assert electrical_power(behind, motor, measured_at=place, **args) == pytest.approx(reading)
    with pytest.raises(RangeError, match="found 'line'; expected one of drive_input"):
        shaft_power(1.0, motor, measured_at="line")
    with pytest.raises(RangeError, match="drive efficiency: found 97"):
        shaft_power(1.0, motor, drive_efficiency=97.0)
    with pytest.raises(RangeError, match="transmission efficiency"):
        shaft_power(1.0, motor, transmission_efficiency=0.0)
    with pytest.raises(RangeError, match="found 'line'; expected one of drive_input"):
        electrical_power(1.0, motor, measured_at="line")
    with pytest.raises(RangeError, match="drive efficiency: found 97"):
        electrical_power(1.0, motor, drive_efficiency=97.0)


@given(motors, st.floats(0.2, 1.2), st.floats(0.9, 1.0), st.floats(0.9, 1.0))
def test_shaft_power_is_less_than_what_is_drawn(motor, load, drive, belt):
    drawn = motor_input_power(load * motor.rated_power, motor) / drive
    out = shaft_power(drawn, motor, drive, belt)
    assert out == pytest.approx(load * motor.rated_power * belt)
    assert out < drawn


@given(st.floats(0.25, 1.0), st.floats(0.5, 0.9), st.floats(0.9, 0.99))
def test_a_drive_s_output_and_input_are_inverse(load, low, high):
    drive = Drive("variable_speed", (0.25, 1.0), (low, high))
    drawn = load * 1000.0 / drive.efficiency_at(load)
    assert drive.output_power(drawn, 1000.0) == pytest.approx(load * 1000.0, rel=1e-6)


def test_a_drive_with_one_point_is_constant():
    gear = Drive("gear", (1.0,), (0.98,), "data sheet")
    np.testing.assert_allclose(gear.efficiency_at([0.1, 1.0, 2.0]), 0.98)
    assert gear.output_power(100.0, 50.0) == pytest.approx(98.0)
    assert np.isnan(gear.output_power(np.nan, 50.0))
    with pytest.raises(RangeError, match="found 'chain'"):
        Drive("chain", (1.0,), (0.98,))
    with pytest.raises(RangeError, match="rising loads"):
        Drive("belt", (1.0, 0.5), (0.95, 0.9))
    with pytest.raises(RangeError, match="expected above 0 and at most 1"):
        Drive("belt", (1.0,), (95.0,))


@given(st.floats(100.0, 11e3), st.floats(1.0, 500.0), st.floats(0.3, 1.0), st.floats(1.1, 2.0))
def test_three_phase_power_is_a_plain_product(volts, amps, factor, scale):
    base = three_phase_power(volts, amps, factor)
    assert three_phase_power(scale * volts, amps, factor) == pytest.approx(scale * base)
    assert three_phase_power(volts, scale * amps, factor) == pytest.approx(scale * base)
    # A star connection: three phases of U/sqrt(3).
    assert 3 * (volts / np.sqrt(3)) * amps * factor == pytest.approx(base)


@given(st.floats(0.5, 0.98))
def test_better_motors_are_better_known(efficiency):
    # 20 % of the losses, rectangular (NEMA MG 1 practice, from memory).
    assert motor_efficiency_u(efficiency) == pytest.approx(0.2 * (1 - efficiency) / np.sqrt(3))
    assert motor_efficiency_u(efficiency, 0.0) == 0.0
