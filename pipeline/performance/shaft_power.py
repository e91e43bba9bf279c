"""Shaft power of a pump, by what the plant file says of its motor, drive and transmission."""

from __future__ import annotations

import numpy as np

from pipeline.errors import RangeError
from pipeline.hydraulics import drivers
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.uncertainty import shaft_power_uncertainty
from pipeline.plant import Pump

__all__ = ["motor_of", "shaft_power_of", "shaft_power_u"]


def motor_of(pump: Pump) -> tuple[drivers.Motor | None, str]:
    """Give the motor model of a pump and, in words, what it rests on."""
    driver = pump.driver
    if driver.rated_power is None:
        return None, "no motor data: pump efficiency not known"
    if driver.rated_efficiency is not None:
        motor = drivers.Motor(driver.rated_power, driver.rated_efficiency)
        return motor, motor.assumption
    if driver.poles is None:
        return None, "no motor efficiency or number of poles: pump efficiency not known"
    try:
        efficiency = drivers.minimum_motor_efficiency(driver.rated_power, driver.poles)
    except RangeError:
        return None, "motor outside the published efficiency table: pump efficiency not known"
    motor = drivers.Motor(
        driver.rated_power, efficiency, efficiency_source="published minimum, 10 CFR 431.25"
    )
    return motor, motor.assumption


def shaft_power_of(pump: Pump, p_el: np.ndarray) -> tuple[np.ndarray, str]:
    """Give the shaft power [W] for an electrical power [W], and in words what it rests on."""
    motor, note = motor_of(pump)
    if motor is None:
        return np.full(len(p_el), np.nan), note
    driver = pump.driver
    if driver.drive_efficiency < 1.0 and driver.power_measured_at == "drive_input":
        note += f"; drive {driver.drive_efficiency:.1%}"
    if driver.transmission_efficiency < 1.0:
        note += f"; transmission {driver.transmission_efficiency:.1%}"
    shaft = drivers.shaft_power(
        p_el,
        motor,
        driver.drive_efficiency,
        driver.transmission_efficiency,
        driver.power_measured_at,
    )
    return np.asarray(shaft), note


def shaft_power_u(pump: Pump, p_el: np.ndarray, p_el_u: Uncertainty) -> Uncertainty:
    """Give the standard uncertainty of the shaft power [W]; NaN where no motor is known."""
    motor, _ = motor_of(pump)
    if motor is None:
        nothing = np.full(len(p_el), np.nan)
        return Uncertainty(nothing, nothing)
    driver = pump.driver
    return shaft_power_uncertainty(
        p_el,
        p_el_u,
        motor,
        driver.efficiency_u,
        driver.drive_efficiency,
        driver.transmission_efficiency,
        driver.power_measured_at,
    )
