"""Pressure to head, total head, powers and efficiencies.

Heights rise from the pump reference plane. Pressures are gauge unless a name or a
docstring says absolute. A wall tap reads static pressure: the velocity head at the tap is
counted in the total head, and nowhere else.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import (
    STANDARD_GRAVITY,
    FloatArray,
    OutOfRange,
    as_float,
    finish,
    keep_in_range,
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

STANDARD_ATMOSPHERE = 101325.0
"""Standard atmosphere [Pa], exact by definition (10th CGPM, 1954)."""

CONVENTIONAL_MERCURY_DENSITY = 13595.1
"""Density of the conventional mercury of inHg and mmHg [kg/m3] (0 °C)."""

SensingLine = Literal["filled", "empty"]


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


def pressure_to_head(pressure: npt.ArrayLike, density: npt.ArrayLike) -> FloatArray:
    """Height of liquid that gives a pressure, h = p / (rho g).

    Parameters
    ----------
    pressure : array_like
        Pressure, or pressure difference. [Pa]
    density : array_like
        Density of the liquid pumped. [kg/m3]

    Returns
    -------
    ndarray
        Head of that liquid. [m]

    Examples
    --------
    >>> round(float(pressure_to_head(98066.5, 1000.0)), 6)
    10.0
    """
    return finish(as_float(pressure) / (as_float(density) * STANDARD_GRAVITY))


def head_to_pressure(head: npt.ArrayLike, density: npt.ArrayLike) -> FloatArray:
    """Pressure under a height of liquid, p = rho g h.

    Parameters
    ----------
    head : array_like
        Height of liquid. [m]
    density : array_like
        Density of the liquid. [kg/m3]

    Returns
    -------
    ndarray
        Pressure. [Pa]

    Examples
    --------
    >>> round(float(head_to_pressure(10.0, 1000.0)), 1)
    98066.5
    """
    return finish(as_float(head) * as_float(density) * STANDARD_GRAVITY)


def atmospheric_pressure(
    altitude: npt.ArrayLike, *, out_of_range: OutOfRange = "raise"
) -> FloatArray:
    """Mean atmospheric pressure at an altitude, by the standard atmosphere.

    Parameters
    ----------
    altitude : array_like
        Height above mean sea level. [m]
    out_of_range : {'raise', 'nan'}
        Raise an error outside the validity range, or return NaN there. [-]

    Returns
    -------
    ndarray
        Absolute pressure. [Pa]

    Raises
    ------
    RangeError
        Outside -500 to 11 000 m.

    Notes
    -----
    p = 101325 (1 - 0.0065 h / 288.15)^5.25588, with h the geopotential altitude,
    H = r h / (r + h), r = 6 356 766 m [1]_. Weather moves the true pressure by up to
    about 3 % (common practice), and so NPSH by 0.3 m.

    References
    ----------
    .. [1] U.S. Standard Atmosphere, 1976, NOAA-S/T 76-1562, layer 0 to 11 km.

    Examples
    --------
    >>> round(float(atmospheric_pressure(1000.0)))
    89876
    """
    z = keep_in_range(
        "altitude",
        as_float(altitude),
        -500.0,
        11000.0,
        "m",
        "Give metres above sea level, or give the atmospheric pressure itself.",
        out_of_range,
    )
    earth_radius, gas_constant, molar_mass, lapse = 6356766.0, 8.31432, 0.0289644, 0.0065
    geopotential = earth_radius * z / (earth_radius + z)
    exponent = STANDARD_GRAVITY * molar_mass / (gas_constant * lapse)
    return finish(STANDARD_ATMOSPHERE * (1.0 - lapse * geopotential / 288.15) ** exponent)


def absolute_pressure(
    gauge: npt.ArrayLike, atmospheric: npt.ArrayLike = STANDARD_ATMOSPHERE
) -> FloatArray:
    """Absolute pressure of a gauge reading.

    Parameters
    ----------
    gauge : array_like
        Pressure above atmospheric. [Pa]
    atmospheric : array_like
        Atmospheric pressure on site, absolute. [Pa]

    Returns
    -------
    ndarray
        Absolute pressure. [Pa]

    Examples
    --------
    >>> float(absolute_pressure(-1325.0))
    100000.0
    """
    return finish(as_float(gauge) + as_float(atmospheric))


def gauge_pressure(
    absolute: npt.ArrayLike, atmospheric: npt.ArrayLike = STANDARD_ATMOSPHERE
) -> FloatArray:
    """Gauge pressure of an absolute reading.

    Parameters
    ----------
    absolute : array_like
        Absolute pressure. [Pa]
    atmospheric : array_like
        Atmospheric pressure on site, absolute. [Pa]

    Returns
    -------
    ndarray
        Pressure above atmospheric. [Pa]

    Examples
    --------
    >>> float(gauge_pressure(100000.0))
    -1325.0
    """
    return finish(as_float(absolute) - as_float(atmospheric))


def vacuum_to_gauge(vacuum: npt.ArrayLike) -> FloatArray:
    """Gauge pressure of a vacuum reading, which counts downwards from atmospheric.

    Parameters
    ----------
    vacuum : array_like
        Vacuum, positive below atmospheric pressure. [Pa]

    Returns
    -------
    ndarray
        Gauge pressure, negative under vacuum. [Pa]

    Examples
    --------
    >>> float(vacuum_to_gauge(10000.0))
    -10000.0
    """
    return finish(-as_float(vacuum))


def mercury_column_pressure(
    height: npt.ArrayLike, mercury_density: npt.ArrayLike = CONVENTIONAL_MERCURY_DENSITY
) -> FloatArray:
    """Pressure of a column of mercury, for vacuum in inches or millimetres of mercury.

    Parameters
    ----------
    height : array_like
        Height of the column. [m]
    mercury_density : array_like
        Density of the mercury. [kg/m3]

    Returns
    -------
    ndarray
        Pressure. [Pa]

    Notes
    -----
    The default is the conventional unit: 1 inHg = 3386.389 Pa. A real column at 20 °C
    gives 0.36 % less.

    Examples
    --------
    >>> round(float(mercury_column_pressure(0.0254)), 3)
    3386.389
    """
    return head_to_pressure(height, mercury_density)


def tap_pressure(
    reading: npt.ArrayLike,
    gauge_elevation: npt.ArrayLike,
    tap_elevation: npt.ArrayLike,
    sensing_line_density: npt.ArrayLike,
    sensing_line: SensingLine = "filled",
) -> FloatArray:
    """Pressure at the tap of a gauge mounted above or below it.

    Parameters
    ----------
    reading : array_like
        Pressure the gauge reads. [Pa]
    gauge_elevation : array_like
        Elevation of the gauge. [m]
    tap_elevation : array_like
        Elevation of the tap. [m]
    sensing_line_density : array_like
        Density of the liquid in the sensing line, which is cold even where the pumped
        liquid is hot. [kg/m3]
    sensing_line : {'filled', 'empty'}
        Whether the line holds liquid or air. [-]

    Returns
    -------
    ndarray
        Pressure at the tap. [Pa]

    Raises
    ------
    RangeError
        If ``sensing_line`` is neither 'filled' nor 'empty'.

    Notes
    -----
    Filled: p + rho g (z_gauge - z_tap). Empty: the air weighs nothing, and the gauge reads
    the pressure at the tap.

    Examples
    --------
    >>> round(float(tap_pressure(50000.0, 1.0, 0.0, 1000.0)), 2)
    59806.65
    >>> float(tap_pressure(50000.0, 1.0, 0.0, 1000.0, "empty"))
    50000.0
    """
    rise = as_float(gauge_elevation) - as_float(tap_elevation)
    if sensing_line == "filled":
        return finish(as_float(reading) + head_to_pressure(rise, sensing_line_density))
    if sensing_line == "empty":
        return finish(as_float(reading) + 0.0 * rise)
    raise RangeError(
        f"sensing line: found {sensing_line!r}; expected 'filled' or 'empty'. "
        "Say whether the line to the gauge holds liquid or air."
    )


def static_suction_pressure(
    surface_pressure: npt.ArrayLike,
    density: npt.ArrayLike,
    level_zero_elevation: npt.ArrayLike,
    level: npt.ArrayLike,
    suction_elevation: npt.ArrayLike,
) -> FloatArray:
    """Suction pressure that the tank level would give with no flow.

    Parameters
    ----------
    surface_pressure : array_like
        Gauge pressure on the liquid surface; zero for an open tank. [Pa]
    density : array_like
        Density of the liquid. [kg/m3]
    level_zero_elevation : array_like
        Elevation at which the level transmitter reads zero. [m]
    level : array_like
        Level reading. [m]
    suction_elevation : array_like
        Elevation to which the pressure refers: the tap, or the gauge on a filled line. [m]

    Returns
    -------
    ndarray
        Static gauge pressure at that elevation. [Pa]

    Notes
    -----
    p = p_surface + rho g (z_zero + L - z_s). With flow a wall tap reads less by the friction
    loss and by the velocity head at the tap.

    Examples
    --------
    >>> round(float(static_suction_pressure(0.0, 1000.0, 1.0, 4.0, 0.5)), 1)
    44129.9
    """
    depth = as_float(level_zero_elevation) + as_float(level) - as_float(suction_elevation)
    return finish(as_float(surface_pressure) + head_to_pressure(depth, density))


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
    return finish(
        as_float(density) * STANDARD_GRAVITY * as_float(flow) * as_float(total_head)
    )


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
