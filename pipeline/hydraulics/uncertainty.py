"""Uncertainty of head, power and efficiency, by JCGM 100:2008.

Standard uncertainties (k = 1) throughout, with the systematic and the random part kept
apart from instrument to result. Correlation belongs to the systematic parts: two readings
may share a calibration or an atmosphere, never their noise.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.hydraulics._numeric import STANDARD_GRAVITY, FloatArray, as_float, finish
from pipeline.hydraulics.accuracy import AccuracyTerm, InstrumentAccuracy, Uncertainty
from pipeline.hydraulics.drivers import Motor, PowerPoint, shaft_power
from pipeline.hydraulics.head import velocity
from pipeline.hydraulics.propagation import (
    combine,
    coverage_factor,
    effective_degrees_of_freedom,
    effective_sample_size,
    propagate,
    shared_instrument_correlation,
    sum_uncertainty,
    weighted_mean_uncertainty,
)

__all__ = [
    "AccuracyTerm",
    "InstrumentAccuracy",
    "PointUncertainty",
    "Uncertainty",
    "combine",
    "coverage_factor",
    "deviation_uncertainty",
    "effective_degrees_of_freedom",
    "effective_sample_size",
    "efficiency_uncertainty",
    "excess_cost_uncertainty",
    "propagate",
    "shaft_power_uncertainty",
    "shared_instrument_correlation",
    "sum_uncertainty",
    "weighted_mean_uncertainty",
]

NONE = Uncertainty(np.float64(0.0), np.float64(0.0))  # type: ignore[arg-type]
"""The uncertainty of something that is exact."""


class PointUncertainty(NamedTuple):
    """Uncertainty of an operating point.

    Parameters
    ----------
    total_head : Uncertainty
        Of the total head. [m]
    hydraulic_power : Uncertainty
        Of the hydraulic power. [W]
    efficiency : Uncertainty
        Of hydraulic power over the power given. [-]
    """

    total_head: Uncertainty
    hydraulic_power: Uncertainty
    efficiency: Uncertainty


def efficiency_uncertainty(
    flow: npt.ArrayLike,
    total_head: npt.ArrayLike,
    density: npt.ArrayLike,
    power: npt.ArrayLike,
    differential_pressure: npt.ArrayLike,
    suction_diameter: npt.ArrayLike,
    discharge_diameter: npt.ArrayLike,
    flow_u: Uncertainty,
    suction_pressure_u: Uncertainty,
    discharge_pressure_u: Uncertainty,
    power_u: Uncertainty,
    density_u: Uncertainty = NONE,
    elevation_u: Uncertainty = NONE,
    pressure_correlation: npt.ArrayLike = 0.0,
    suction_pressure_slope: npt.ArrayLike = 0.0,
) -> PointUncertainty:
    """Uncertainty of total head, hydraulic power and efficiency of operating points.

    Parameters
    ----------
    flow : array_like
        Volume flow. [m3/s]
    total_head : array_like
        Total head. [m]
    density : array_like
        Density. [kg/m3]
    power : array_like
        Electrical power for the overall efficiency, shaft power for the pump's. [W]
    differential_pressure : array_like
        Discharge less suction pressure, as read. [Pa]
    suction_diameter : array_like
        Inside diameter at the suction tap. [m]
    discharge_diameter : array_like
        Inside diameter at the discharge tap. [m]
    flow_u : Uncertainty
        Of the flow. [m3/s]
    suction_pressure_u : Uncertainty
        Of the suction pressure, measured or modelled. [Pa]
    discharge_pressure_u : Uncertainty
        Of the discharge pressure. [Pa]
    power_u : Uncertainty
        Of the power given. [W]
    density_u : Uncertainty
        Of the density. [kg/m3]
    elevation_u : Uncertainty
        Of the difference of the two elevations. [m]
    pressure_correlation : array_like
        Correlation of the systematic parts of the two pressures. [-]
    suction_pressure_slope : array_like
        Change of a modelled suction pressure with flow, negative where friction lowers it;
        zero for a measured one. The meter's error then enters twice. [Pa s/m3]

    Returns
    -------
    PointUncertainty
        Of head, hydraulic power and efficiency. [-]

    Notes
    -----
    Analytic sensitivities of H = dp/(rho g) + dz + (v_d^2 - v_s^2)/2g, P_u = rho g Q H and
    eta = P_u/P. In P_u the density almost cancels: only dz and the velocity heads carry it.
    Not for efficiencies of a stopped pump: zero power gives NaN.
    """
    q, rho, p = as_float(flow), as_float(density), as_float(power)
    weight = rho * STANDARD_GRAVITY
    dp = as_float(differential_pressure)
    slope = as_float(suction_pressure_slope)
    # d(v^2/2)/dQ = v * dv/dQ, which stays finite at zero flow.
    kinetic_slope = as_float(velocity(q, discharge_diameter)) * velocity(
        1.0, discharge_diameter
    ) - as_float(velocity(q, suction_diameter)) * velocity(1.0, suction_diameter)
    rise = as_float(total_head) - dp / weight

    inputs = {
        "flow": flow_u,
        "suction_pressure": suction_pressure_u,
        "discharge_pressure": discharge_pressure_u,
        "density": density_u,
        "elevation": elevation_u,
    }
    shared = {("suction_pressure", "discharge_pressure"): pressure_correlation}
    head_slopes = {
        "flow": kinetic_slope / STANDARD_GRAVITY - slope / weight,
        "suction_pressure": -1.0 / weight,
        "discharge_pressure": 1.0 / weight,
        "density": -dp / (rho * weight),
        "elevation": np.ones_like(q),
    }
    power_slopes = {
        "flow": weight * as_float(total_head) + q * (rho * kinetic_slope - slope),
        "suction_pressure": -q,
        "discharge_pressure": q,
        "density": STANDARD_GRAVITY * q * rise,
        "elevation": weight * q,
    }
    running = np.where(p > 0.0, p, np.nan)
    efficiency = weight * q * as_float(total_head) / running
    efficiency_slopes = {name: c / running for name, c in power_slopes.items()}
    return PointUncertainty(
        propagate(head_slopes, inputs, shared),
        propagate(power_slopes, inputs, shared),
        propagate(
            {**efficiency_slopes, "power": -efficiency / running},
            {**inputs, "power": power_u},
            shared,
        ),
    )


def shaft_power_uncertainty(
    electrical_power: npt.ArrayLike,
    electrical_power_u: Uncertainty,
    motor: Motor,
    driver_efficiency_u: npt.ArrayLike,
    drive_efficiency: npt.ArrayLike = 1.0,
    transmission_efficiency: npt.ArrayLike = 1.0,
    measured_at: PowerPoint = "drive_input",
) -> Uncertainty:
    """Uncertainty of the shaft power from a power reading and a motor model.

    Parameters
    ----------
    electrical_power : array_like
        Measured power. [W]
    electrical_power_u : Uncertainty
        Of the measured power. [W]
    motor : Motor
        The motor. [-]
    driver_efficiency_u : array_like
        Relative standard uncertainty of motor, drive and transmission together; it is
        systematic. [-]
    drive_efficiency : array_like
        Efficiency of a variable-speed drive. [-]
    transmission_efficiency : array_like
        Efficiency of belt or gear. [-]
    measured_at : {'drive_input', 'motor_input', 'motor_shaft', 'pump_shaft'}
        Where the power is measured. [-]

    Returns
    -------
    Uncertainty
        Of the shaft power. [W]

    Notes
    -----
    The slope of shaft against electrical power is taken as a difference over 2 %: it is
    steeper than their ratio at part load, where fixed losses weigh.
    """
    power = as_float(electrical_power)

    def at(value: FloatArray) -> FloatArray:
        return shaft_power(value, motor, drive_efficiency, transmission_efficiency, measured_at)

    step = 0.01 * np.abs(power)
    running = step > 0.0
    rise = as_float(at(power + step)) - as_float(at(power - step))
    slope = np.where(running, rise / np.where(running, 2.0 * step, 1.0), np.nan)
    return propagate(
        {"power": slope, "driver": at(power)},
        {
            "power": electrical_power_u,
            "driver": Uncertainty(as_float(driver_efficiency_u), as_float(0.0)),
        },
    )


def deviation_uncertainty(
    value: npt.ArrayLike,
    baseline: npt.ArrayLike,
    value_u: Uncertainty,
    baseline_u: Uncertainty,
    shared: npt.ArrayLike = 0.0,
) -> Uncertainty:
    """Uncertainty of a relative deviation from a baseline, value/baseline - 1.

    Parameters
    ----------
    value : array_like
        Head, power or efficiency now. [-]
    baseline : array_like
        The same from the baseline, at the same duty. [-]
    value_u : Uncertainty
        Of the value, in its unit. [-]
    baseline_u : Uncertainty
        Of the baseline, in the same unit. [-]
    shared : array_like
        Correlation of the two systematic parts: near 1 for one pump against its own past
        with untouched instruments, 0 against a maker's curve or another pump's meter. [-]

    Returns
    -------
    Uncertainty
        Of the deviation. [-]

    Notes
    -----
    With ``shared`` = 1 an error in proportion to the reading cancels altogether.

    Examples
    --------
    >>> u = Uncertainty(0.02, 0.001)
    >>> same_pump = deviation_uncertainty(0.70, 0.70, u, u, shared=1.0)
    >>> round(float(same_pump.systematic), 6), round(float(same_pump.random), 5)
    (0.0, 0.00202)
    """
    x, x0 = as_float(value), as_float(baseline)
    return propagate(
        {"value": 1.0 / x0, "baseline": -x / x0**2},
        {"value": value_u, "baseline": baseline_u},
        {("value", "baseline"): shared},
    )


def excess_cost_uncertainty(
    electrical_power: npt.ArrayLike,
    efficiency_deviation: npt.ArrayLike,
    electrical_power_u: Uncertainty,
    efficiency_deviation_u: Uncertainty,
    duration: npt.ArrayLike,
    price: npt.ArrayLike,
    *,
    baseline_shares_power_meter: bool = True,
) -> Uncertainty:
    """Uncertainty of the cost of running below the baseline efficiency.

    Parameters
    ----------
    electrical_power : array_like
        Mean electrical power. [W]
    efficiency_deviation : array_like
        Efficiency over baseline efficiency, less 1; negative when worse. [-]
    electrical_power_u : Uncertainty
        Of the electrical power. [W]
    efficiency_deviation_u : Uncertainty
        Of the deviation. [-]
    duration : array_like
        Time it ran. [s]
    price : array_like
        Price of energy, in money per joule. [1/J]
    baseline_shares_power_meter : bool
        Whether the baseline was taken with the same power meter, so that its error
        cancels in the deviation. [-]

    Returns
    -------
    Uncertainty
        Of the cost P (1 - eta/eta_baseline) t c, in money. [-]

    Notes
    -----
    Against a foreign baseline a power meter that reads high makes the efficiency low too:
    the two effects add, with covariance -(1 + d) u_P^2 / P.
    """
    p, d = as_float(electrical_power), as_float(efficiency_deviation)
    scale = as_float(duration) * as_float(price)
    u_p, u_d = electrical_power_u, efficiency_deviation_u
    systematic = (d * u_p.systematic) ** 2 + (p * u_d.systematic) ** 2
    random = (d * u_p.random) ** 2 + (p * u_d.random) ** 2
    # The noise of the very power reading is in the deviation whoever made the baseline.
    random = random - 2.0 * d * (1.0 + d) * as_float(u_p.random) ** 2
    if not baseline_shares_power_meter:
        systematic = systematic - 2.0 * d * (1.0 + d) * as_float(u_p.systematic) ** 2
    return Uncertainty(
        finish(scale * np.sqrt(np.maximum(systematic, 0.0))),
        finish(scale * np.sqrt(np.maximum(random, 0.0))),
    )
