"""Net positive suction head: available, required, and the margin between."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.interpolate import PchipInterpolator

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import STANDARD_GRAVITY, FloatArray, as_float, finish
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.head import velocity, velocity_head
from pipeline.hydraulics.propagation import propagate

__all__ = [
    "TimeBelowMargin",
    "is_below_npsh_margin",
    "npsh_available",
    "npsh_available_uncertainty",
    "npsh_margin",
    "npsh_margin_ratio",
    "npsh_required",
    "time_below_npsh_margin",
]


class TimeBelowMargin(NamedTuple):
    """How long the NPSH margin was too small.

    Parameters
    ----------
    below : float
        Time below the margin. [s]
    assessed : float
        Time for which the margin could be told at all. [s]
    """

    below: float
    assessed: float


def npsh_available(
    suction_pressure: npt.ArrayLike,
    atmospheric_pressure: npt.ArrayLike,
    vapour_pressure: npt.ArrayLike,
    density: npt.ArrayLike,
    flow: npt.ArrayLike,
    suction_diameter: npt.ArrayLike,
    suction_elevation: npt.ArrayLike = 0.0,
) -> FloatArray:
    """NPSH available at the pump reference plane.

    Parameters
    ----------
    suction_pressure : array_like
        Static suction pressure, gauge. [Pa]
    atmospheric_pressure : array_like
        Atmospheric pressure on site, absolute. [Pa]
    vapour_pressure : array_like
        Vapour pressure at the pumping temperature, absolute. [Pa]
    density : array_like
        Density. [kg/m3]
    flow : array_like
        Volume flow through the suction pipe. [m3/s]
    suction_diameter : array_like
        Inside diameter at the suction tap. [m]
    suction_elevation : array_like
        Elevation to which the pressure refers, above the reference plane. [m]

    Returns
    -------
    ndarray
        NPSH available. [m]

    Notes
    -----
    (p_atm + p_s - p_v)/(rho g) + v_s^2/2g + z_s. A static tap lacks the velocity head, so
    it is added; losses between tap and flange are not subtracted.

    Examples
    --------
    >>> value = npsh_available(44308.52, 101325.0, 2339.318, 998.2072, 0.05, 0.2027)
    >>> round(float(value), 3)
    14.761
    """
    pressure = (
        as_float(suction_pressure) + as_float(atmospheric_pressure) - as_float(vapour_pressure)
    )
    return finish(
        pressure / (as_float(density) * STANDARD_GRAVITY)
        + velocity_head(flow, suction_diameter)
        + as_float(suction_elevation)
    )


def npsh_available_uncertainty(
    density: npt.ArrayLike,
    flow: npt.ArrayLike,
    suction_diameter: npt.ArrayLike,
    suction_pressure_u: Uncertainty,
    atmospheric_pressure_u: Uncertainty,
    vapour_pressure_u: Uncertainty,
    flow_u: Uncertainty,
    elevation_u: Uncertainty,
    suction_pressure_slope: npt.ArrayLike = 0.0,
) -> Uncertainty:
    """Uncertainty of the NPSH available.

    Parameters
    ----------
    density : array_like
        Density. [kg/m3]
    flow : array_like
        Volume flow. [m3/s]
    suction_diameter : array_like
        Inside diameter at the suction tap. [m]
    suction_pressure_u : Uncertainty
        Of the suction pressure. [Pa]
    atmospheric_pressure_u : Uncertainty
        Of the atmospheric pressure; weather alone is about 1000 Pa. [Pa]
    vapour_pressure_u : Uncertainty
        Of the vapour pressure, mostly by way of temperature. [Pa]
    flow_u : Uncertainty
        Of the flow. [m3/s]
    elevation_u : Uncertainty
        Of the elevation. [m]
    suction_pressure_slope : array_like
        Change of a modelled suction pressure with flow; zero for a measured one. [Pa s/m3]

    Returns
    -------
    Uncertainty
        Of the NPSH available. [m]

    Notes
    -----
    Density is taken as known: 1 % of it moves NPSH by 0.1 m.
    """
    weight = as_float(density) * STANDARD_GRAVITY
    kinetic = as_float(velocity(flow, suction_diameter)) * velocity(1.0, suction_diameter)
    return propagate(
        {
            "suction_pressure": 1.0 / weight,
            "atmospheric_pressure": 1.0 / weight,
            "vapour_pressure": -1.0 / weight,
            "flow": kinetic / STANDARD_GRAVITY + as_float(suction_pressure_slope) / weight,
            "elevation": 1.0,
        },
        {
            "suction_pressure": suction_pressure_u,
            "atmospheric_pressure": atmospheric_pressure_u,
            "vapour_pressure": vapour_pressure_u,
            "flow": flow_u,
            "elevation": elevation_u,
        },
    )


def npsh_required(
    flow: npt.ArrayLike,
    curve_flow: npt.ArrayLike,
    curve_npsh_required: npt.ArrayLike,
    speed_ratio: npt.ArrayLike = 1.0,
) -> FloatArray:
    """NPSH required from points of the maker's curve.

    Parameters
    ----------
    flow : array_like
        Volume flow. [m3/s]
    curve_flow : array_like
        Flow of each point at the curve's speed, rising. [m3/s]
    curve_npsh_required : array_like
        NPSH required at each point. [m]
    speed_ratio : array_like
        Speed over the curve's speed. [-]

    Returns
    -------
    ndarray
        NPSH required; NaN outside the curve. [m]

    Raises
    ------
    RangeError
        If the curve has fewer than two points, or its flows do not rise.

    Notes
    -----
    A curve through the points that keeps their monotonicity. Speed scales it as the
    affinity laws scale head, n^2, which is common practice and least certain far from the
    curve's speed. The curve is usually the 3 % head-drop NPSH: the pump already cavitates.

    Examples
    --------
    >>> round(float(npsh_required(0.05, [0.02, 0.05, 0.08], [2.0, 3.0, 5.5])), 3)
    3.0
    """
    nodes, values = as_float(curve_flow), as_float(curve_npsh_required)
    if nodes.ndim != 1 or nodes.size < 2 or nodes.shape != values.shape:
        raise RangeError(
            f"NPSH curve: found {nodes.size} flows and {values.size} values; expected two or "
            "more of each. Give both for every point."
        )
    if not (np.diff(nodes) > 0.0).all():
        raise RangeError(
            f"NPSH curve: found flows {nodes.tolist()}; expected them to rise. Sort the "
            "points and remove repeats."
        )
    ratio = as_float(speed_ratio)
    ratio = np.where(ratio > 0.0, ratio, np.nan)
    at_curve_speed = PchipInterpolator(nodes, values, extrapolate=False)(as_float(flow) / ratio)
    return finish(at_curve_speed * ratio**2)


def npsh_margin(npsh_available: npt.ArrayLike, npsh_required: npt.ArrayLike) -> FloatArray:
    """NPSH available less NPSH required.

    Parameters
    ----------
    npsh_available : array_like
        NPSH available. [m]
    npsh_required : array_like
        NPSH required. [m]

    Returns
    -------
    ndarray
        Margin. [m]

    Examples
    --------
    >>> float(npsh_margin(5.0, 3.0))
    2.0
    """
    return finish(as_float(npsh_available) - as_float(npsh_required))


def npsh_margin_ratio(npsh_available: npt.ArrayLike, npsh_required: npt.ArrayLike) -> FloatArray:
    """NPSH available over NPSH required.

    Parameters
    ----------
    npsh_available : array_like
        NPSH available. [m]
    npsh_required : array_like
        NPSH required. [m]

    Returns
    -------
    ndarray
        Ratio; NaN where nothing is required. [-]

    Examples
    --------
    >>> float(npsh_margin_ratio(4.5, 3.0))
    1.5
    """
    required = as_float(npsh_required)
    return finish(as_float(npsh_available) / np.where(required > 0.0, required, np.nan))


def is_below_npsh_margin(
    npsh_available: npt.ArrayLike,
    npsh_required: npt.ArrayLike,
    minimum_ratio: float = 1.1,
    minimum_margin: float = 1.5,
) -> npt.NDArray[np.bool_]:
    """Mark where the NPSH margin is too small; unknown is not marked.

    Parameters
    ----------
    npsh_available : array_like
        NPSH available. [m]
    npsh_required : array_like
        NPSH required. [m]
    minimum_ratio : float
        Least ratio of available to required. [-]
    minimum_margin : float
        Least difference. [m]

    Returns
    -------
    ndarray of bool
        True where either is not reached. [-]

    Notes
    -----
    Defaults: ratio 1.1 or 1.5 m (4.9 ft), whichever is larger, for water (a trade
    dictionary, secondary source). ANSI/HI 9.6.1 makes the ratio depend on flow and suction
    energy, so set your own.

    Examples
    --------
    >>> is_below_npsh_margin([4.0, 5.0], [3.0, 3.0])
    array([ True, False])
    """
    available, required = as_float(npsh_available), as_float(npsh_required)
    least = np.maximum(required * minimum_ratio, required + minimum_margin)
    return np.asarray(available < least)


def time_below_npsh_margin(
    npsh_available: npt.ArrayLike,
    npsh_required: npt.ArrayLike,
    duration: npt.ArrayLike,
    minimum_ratio: float = 1.1,
    minimum_margin: float = 1.5,
) -> TimeBelowMargin:
    """Running time with too small an NPSH margin.

    Parameters
    ----------
    npsh_available : array_like
        NPSH available in each interval. [m]
    npsh_required : array_like
        NPSH required in each interval. [m]
    duration : array_like
        Running time in each interval. [s]
    minimum_ratio : float
        Least ratio of available to required. [-]
    minimum_margin : float
        Least difference. [m]

    Returns
    -------
    TimeBelowMargin
        Time below, and time that could be assessed. [s]

    Examples
    --------
    >>> time_below_npsh_margin([4.0, 5.0, float("nan")], 3.0, 3600.0)
    TimeBelowMargin(below=3600.0, assessed=7200.0)
    """
    available, required, time = np.broadcast_arrays(
        as_float(npsh_available), as_float(npsh_required), as_float(duration)
    )
    below = is_below_npsh_margin(available, required, minimum_ratio, minimum_margin)
    known = np.isfinite(available) & np.isfinite(required)
    return TimeBelowMargin(
        float(np.nansum(np.where(below, time, 0.0))),
        float(np.nansum(np.where(known, time, 0.0))),
    )
