"""Pressure readings: gauge and absolute, vacuum, atmosphere, gauge elevation, tank level.

Heights rise from the pump reference plane. Pressures are gauge unless a name or a
docstring says absolute.
"""

from __future__ import annotations

from typing import Literal

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
    "SensingLine",
    "absolute_pressure",
    "atmospheric_pressure",
    "gauge_pressure",
    "head_to_pressure",
    "mercury_column_pressure",
    "pressure_to_head",
    "static_suction_pressure",
    "tap_pressure",
    "vacuum_to_gauge",
]


STANDARD_ATMOSPHERE = 101325.0
"""Standard atmosphere [Pa], exact by definition (10th CGPM, 1954)."""

CONVENTIONAL_MERCURY_DENSITY = 13595.1
"""Density of the conventional mercury of inHg and mmHg [kg/m3] (0 °C)."""

SensingLine = Literal["filled", "empty"]


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
