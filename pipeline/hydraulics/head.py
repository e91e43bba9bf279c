"""Total head, powers and efficiencies.

Heights rise from the pump reference plane. Pressures are gauge unless a name or a
docstring says absolute. A wall tap reads static pressure: the velocity head at the tap is
counted in the total head, and nowhere else.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.hydraulics._numeric import STANDARD_GRAVITY, FloatArray, as_float, finish
from pipeline.hydraulics.pressure import (
    CONVENTIONAL_MERCURY_DENSITY,
    STANDARD_ATMOSPHERE,
    SensingLine,
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

__all__ = [
    "CONVENTIONAL_MERCURY_DENSITY",
    "STANDARD_ATMOSPHERE",
    "STANDARD_GRAVITY",
    "SensingLine",
    "absolute_pressure",
    "atmospheric_pressure",
    "gauge_pressure",
    "head_to_pressure",
    "hydraulic_power",
    "mercury_column_pressure",
    "overall_efficiency",
    "pressure_to_head",
    "pump_efficiency",
    "specific_energy",
    "static_suction_pressure",
    "tap_pressure",
    "total_head",
    "vacuum_to_gauge",
    "velocity",
    "velocity_head",
]


def velocity(flow: npt.ArrayLike, diameter: npt.ArrayLike) -> FloatArray:
    """Mean velocity in a full round pipe, v = 4 Q / (pi D^2).

    Parameters
    ----------
    flow : array_like
        Volume flow. [m3/s]
    diameter : array_like
        Inside diameter. [m]

    Returns
    -------
    ndarray
        Velocity, with the sign of the flow. [m/s]

    Examples
    --------
    >>> round(float(velocity(0.05, 0.2027)), 4)
    1.5494
    """
    return finish(4.0 * as_float(flow) / (np.pi * as_float(diameter) ** 2))


def velocity_head(flow: npt.ArrayLike, diameter: npt.ArrayLike) -> FloatArray:
    """Velocity head v^2 / 2g of the mean velocity.

    Parameters
    ----------
    flow : array_like
        Volume flow. [m3/s]
    diameter : array_like
        Inside diameter. [m]

    Returns
    -------
    ndarray
        Velocity head, never negative. [m]

    Notes
    -----
    The kinetic-energy coefficient is taken as 1, as ISO 9906 does; it is 1.05 to 1.1 in a
    developed turbulent profile (common practice).

    Examples
    --------
    >>> round(float(velocity_head(0.05, 0.2027)), 4)
    0.1224
    """
    return finish(velocity(flow, diameter) ** 2 / (2.0 * STANDARD_GRAVITY))


def total_head(
    suction_pressure: npt.ArrayLike,
    discharge_pressure: npt.ArrayLike,
    flow: npt.ArrayLike,
    density: npt.ArrayLike,
    suction_elevation: npt.ArrayLike,
    discharge_elevation: npt.ArrayLike,
    suction_diameter: npt.ArrayLike,
    discharge_diameter: npt.ArrayLike,
    suction_flow: npt.ArrayLike | None = None,
    tap_losses: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Total head of a pump from its suction and discharge pressures.

    Parameters
    ----------
    suction_pressure : array_like
        Static pressure on the suction side, gauge or absolute as the discharge. [Pa]
    discharge_pressure : array_like
        Static pressure on the discharge side. [Pa]
    flow : array_like
        Volume flow through the discharge section. [m3/s]
    density : array_like
        Density of the liquid pumped. [kg/m3]
    suction_elevation : array_like
        Elevation to which the suction pressure refers. [m]
    discharge_elevation : array_like
        Elevation to which the discharge pressure refers. [m]
    suction_diameter : array_like
        Inside diameter of the pipe at the suction tap. [m]
    discharge_diameter : array_like
        Inside diameter of the pipe at the discharge tap. [m]
    suction_flow : array_like, optional
        Volume flow through the suction section where it differs from ``flow``, as when
        a flush is drawn off between. [m3/s]
    tap_losses : array_like
        Friction losses between the taps and the pump flanges, to be added. [m]

    Returns
    -------
    ndarray
        Total head. [m]

    Notes
    -----
    H = (p_d - p_s)/(rho g) + (z_d - z_s) + (v_d^2 - v_s^2)/2g + losses to the flanges.
    Definition of ISO 9906:2012 (clause from memory). One density stands for both sides:
    for a feed pump of 200 bar use the mean.

    Examples
    --------
    >>> round(float(total_head(0.0, 98066.5, 0.0, 1000.0, 0.0, 0.5, 0.2, 0.15)), 3)
    10.5
    """
    through_suction = flow if suction_flow is None else suction_flow
    pressure_head = pressure_to_head(
        as_float(discharge_pressure) - as_float(suction_pressure), density
    )
    rise = as_float(discharge_elevation) - as_float(suction_elevation)
    kinetic = velocity_head(flow, discharge_diameter) - velocity_head(
        through_suction, suction_diameter
    )
    return finish(pressure_head + rise + kinetic + as_float(tap_losses))


def hydraulic_power(
    flow: npt.ArrayLike, total_head: npt.ArrayLike, density: npt.ArrayLike
) -> FloatArray:
    """Power given to the liquid, P_u = rho g Q H.

    Parameters
    ----------
    flow : array_like
        Volume flow through the pump. [m3/s]
    total_head : array_like
        Total head. [m]
    density : array_like
        Density of the liquid pumped. [kg/m3]

    Returns
    -------
    ndarray
        Hydraulic power. [W]

    Examples
    --------
    >>> round(float(hydraulic_power(0.1, 10.0, 1000.0)), 2)
    9806.65
    """
    return finish(as_float(density) * STANDARD_GRAVITY * as_float(flow) * as_float(total_head))


def _ratio(numerator: npt.ArrayLike, denominator: npt.ArrayLike) -> FloatArray:
    top, bottom = np.broadcast_arrays(as_float(numerator), as_float(denominator))
    out = np.full(top.shape, np.nan)
    # A stopped pump has no efficiency: zero or negative power gives NaN, not infinity.
    np.divide(top, bottom, out=out, where=bottom > 0.0)
    return finish(out)


def overall_efficiency(
    hydraulic_power: npt.ArrayLike, electrical_power: npt.ArrayLike
) -> FloatArray:
    """Overall (wire-to-water) efficiency, hydraulic over electrical power.

    Parameters
    ----------
    hydraulic_power : array_like
        Power given to the liquid. [W]
    electrical_power : array_like
        Electrical power drawn. [W]

    Returns
    -------
    ndarray
        Overall efficiency; NaN where no power is drawn. [-]

    Notes
    -----
    It needs no assumption about the motor, and so is not the pump's efficiency. Averages
    are ratios of summed energies, never means of this ratio.

    Examples
    --------
    >>> float(overall_efficiency(60.0, 100.0))
    0.6
    """
    return _ratio(hydraulic_power, electrical_power)


def pump_efficiency(hydraulic_power: npt.ArrayLike, shaft_power: npt.ArrayLike) -> FloatArray:
    """Pump efficiency, hydraulic over shaft power.

    Parameters
    ----------
    hydraulic_power : array_like
        Power given to the liquid. [W]
    shaft_power : array_like
        Mechanical power at the pump coupling. [W]

    Returns
    -------
    ndarray
        Pump efficiency; NaN where the shaft power is not above zero. [-]

    Notes
    -----
    Shaft power is rarely measured. Where it comes from a motor model, that assumption goes
    wherever this number goes.

    Examples
    --------
    >>> float(pump_efficiency(63.0, 90.0))
    0.7
    """
    return _ratio(hydraulic_power, shaft_power)


def specific_energy(electrical_power: npt.ArrayLike, flow: npt.ArrayLike) -> FloatArray:
    """Electrical energy per volume pumped.

    Parameters
    ----------
    electrical_power : array_like
        Electrical power drawn. [W]
    flow : array_like
        Volume flow delivered. [m3/s]

    Returns
    -------
    ndarray
        Energy per volume; NaN where nothing flows. [J/m3]

    Notes
    -----
    1 kWh/m3 is 3.6e6 J/m3.

    Examples
    --------
    >>> float(specific_energy(36000.0, 0.1)) / 3.6e6
    0.1
    """
    return _ratio(electrical_power, flow)
