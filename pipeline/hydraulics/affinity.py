"""Operating points brought to a reference speed by the affinity laws."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import (
    FloatArray,
    OutOfRange,
    as_float,
    finish,
    keep_in_range,
)

__all__ = ["ReferencePoint", "efficiency_at_speed", "to_reference_speed"]

LOWEST_SPEED_RATIO = 0.5
HIGHEST_SPEED_RATIO = 1.2


class ReferencePoint(NamedTuple):
    """An operating point at the reference speed.

    Parameters
    ----------
    flow : ndarray
        Volume flow. [m3/s]
    head : ndarray
        Total head. [m]
    power : ndarray
        Power. [W]
    """

    flow: FloatArray
    head: FloatArray
    power: FloatArray


def _speed_ratio(
    speed: npt.ArrayLike,
    reference_speed: npt.ArrayLike,
    lowest: float,
    highest: float,
    out_of_range: OutOfRange,
) -> FloatArray:
    """Return measured over reference speed, checked against the allowed range."""
    reference = as_float(reference_speed)
    if not np.all(reference > 0.0):
        raise RangeError(
            f"reference speed: found {reference.min():.6g}; expected a speed above zero. "
            "Give the rated speed of the pump."
        )
    return keep_in_range(
        "measured speed over reference speed",
        as_float(speed) / reference,
        lowest,
        highest,
        "(ratio)",
        "The affinity laws are not trusted so far away: compare at a nearer reference speed.",
        out_of_range,
    )


def efficiency_at_speed(
    efficiency: npt.ArrayLike,
    speed: npt.ArrayLike,
    reference_speed: npt.ArrayLike,
    exponent: float = 0.0,
    *,
    lowest_ratio: float = LOWEST_SPEED_RATIO,
    highest_ratio: float = HIGHEST_SPEED_RATIO,
    out_of_range: OutOfRange = "raise",
) -> FloatArray:
    """Pump efficiency brought to the reference speed.

    Parameters
    ----------
    efficiency : array_like
        Pump efficiency at the measured speed. [-]
    speed : array_like
        Measured speed. [rev/s]
    reference_speed : array_like
        Speed to refer to, in the same unit. [rev/s]
    exponent : float
        Exponent of the speed ratio in the scaling of losses; 0 leaves the efficiency
        unchanged, 0.1 is usual where a correction is wanted. [-]
    lowest_ratio, highest_ratio : float
        Allowed range of measured over reference speed. [-]
    out_of_range : {'raise', 'nan'}
        Raise an error outside that range, or return NaN there. [-]

    Returns
    -------
    ndarray
        Efficiency at the reference speed. [-]

    Raises
    ------
    RangeError
        If the speed ratio is outside the allowed range.

    Notes
    -----
    1 - eta_ref = (1 - eta) (n / n_ref)^exponent: losses fall a little as speed, and so the
    Reynolds number, rises. The form and the exponent 0.1 are common practice (from
    memory); at 80 % speed and 80 % efficiency it moves the efficiency by 0.4 points.

    Examples
    --------
    >>> round(float(efficiency_at_speed(0.80, 40.0, 50.0, 0.1)), 4)
    0.8044
    """
    ratio = _speed_ratio(speed, reference_speed, lowest_ratio, highest_ratio, out_of_range)
    return finish(1.0 - (1.0 - as_float(efficiency)) * ratio**exponent)


def to_reference_speed(
    flow: npt.ArrayLike,
    head: npt.ArrayLike,
    power: npt.ArrayLike,
    speed: npt.ArrayLike,
    reference_speed: npt.ArrayLike,
    *,
    lowest_ratio: float = LOWEST_SPEED_RATIO,
    highest_ratio: float = HIGHEST_SPEED_RATIO,
    efficiency: npt.ArrayLike | None = None,
    efficiency_exponent: float = 0.0,
    out_of_range: OutOfRange = "raise",
) -> ReferencePoint:
    """Scale flow, head and power to the reference speed.

    Parameters
    ----------
    flow : array_like
        Volume flow at the measured speed. [m3/s]
    head : array_like
        Total head at the measured speed. [m]
    power : array_like
        Shaft power at the measured speed. [W]
    speed : array_like
        Measured speed. [rev/s]
    reference_speed : array_like
        Speed to refer to, in the same unit. [rev/s]
    lowest_ratio, highest_ratio : float
        Allowed range of measured over reference speed. [-]
    efficiency : array_like, optional
        Pump efficiency at the measured speed, needed for a correction. [-]
    efficiency_exponent : float
        Exponent of ``efficiency_at_speed``; 0 means no correction. [-]
    out_of_range : {'raise', 'nan'}
        Raise an error outside that range, or return NaN there. [-]

    Returns
    -------
    ReferencePoint
        Flow, head and power at the reference speed. [-]

    Raises
    ------
    RangeError
        If the speed ratio is outside the allowed range, or a correction is asked for
        without an efficiency.

    Notes
    -----
    Q ~ n, H ~ n^2, P ~ n^3. By default efficiency is taken as unchanged, and the laws are
    refused outside 50 to 120 % of the reference speed. They hold for pump and shaft power;
    electrical power follows them only as far as motor and drive efficiency stay the same.
    A system with static head does not follow them: they move a point along its own
    similarity parabola, not along the system curve.

    Examples
    --------
    >>> point = to_reference_speed(200.0, 60.0, 5.0, 1700.0, 2000.0)
    >>> [round(float(x), 3) for x in point]
    [235.294, 83.045, 8.141]
    """
    ratio = _speed_ratio(speed, reference_speed, lowest_ratio, highest_ratio, out_of_range)
    scaled = as_float(power) / ratio**3
    if efficiency_exponent != 0.0:
        if efficiency is None:
            raise RangeError(
                "efficiency at the measured speed: found none; expected one with an "
                f"efficiency exponent of {efficiency_exponent:g}. Pass it, or use 0."
            )
        eta = as_float(efficiency)
        scaled = scaled * eta / (1.0 - (1.0 - eta) * ratio**efficiency_exponent)
    return ReferencePoint(
        finish(as_float(flow) / ratio), finish(as_float(head) / ratio**2), finish(scaled)
    )
