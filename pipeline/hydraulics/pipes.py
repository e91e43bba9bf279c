"""Friction and minor losses in pipes, and what a drawing can say about them.

Friction factors and pipe sizes come from the ``fluids`` library. Losses are
Darcy-Weisbach with the Colebrook equation, plus fittings by loss coefficient K.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import fluids
import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import FloatArray, as_float, finish
from pipeline.hydraulics.head import velocity
from pipeline.hydraulics.loss_tables import LOSS_COEFFICIENT_SOURCE, LOSS_COEFFICIENTS

__all__ = [
    "Fitting",
    "PipeSize",
    "fitting_loss",
    "friction_factor",
    "pipe_loss",
    "pipe_size",
    "published_fitting",
    "reynolds_number",
    "total_loss_coefficient",
]


class PipeSize(NamedTuple):
    """Dimensions of a standard pipe.

    Parameters
    ----------
    nominal_size : float
        Nominal pipe size. [in]
    inside_diameter : float
        Inside diameter. [m]
    outside_diameter : float
        Outside diameter. [m]
    wall_thickness : float
        Wall thickness. [m]
    """

    nominal_size: float
    inside_diameter: float
    outside_diameter: float
    wall_thickness: float


def pipe_size(nominal_size: float, schedule: str = "40") -> PipeSize:
    """Look up a pipe by nominal size and schedule.

    Parameters
    ----------
    nominal_size : float
        Nominal pipe size. [in]
    schedule : str
        Schedule, such as '40', '80', '10S', 'STD'. [-]

    Returns
    -------
    PipeSize
        The dimensions. [-]

    Raises
    ------
    RangeError
        If the schedule is unknown or does not have that size.

    Notes
    -----
    Table of the ``fluids`` library, after ASME B36.10M and B36.19M.

    Examples
    --------
    >>> pipe_size(8, "40").inside_diameter
    0.20274
    """
    try:
        size, inside, outside, wall = fluids.nearest_pipe(
            NPS=nominal_size,  # type: ignore[arg-type]  # fractions such as 2.5 are allowed
            schedule=schedule,
        )
    except ValueError as error:
        raise RangeError(
            f"pipe: found nominal size {nominal_size!r} in schedule {schedule!r}; expected a "
            "size that schedule has, such as 8 in '40'. Check both, or give the inside diameter."
        ) from error
    return PipeSize(float(size), float(inside), float(outside), float(wall))


def reynolds_number(
    flow: npt.ArrayLike,
    diameter: npt.ArrayLike,
    density: npt.ArrayLike,
    viscosity: npt.ArrayLike,
) -> FloatArray:
    """Reynolds number of the flow in a pipe, rho v D / mu, never negative.

    Parameters
    ----------
    flow : array_like
        Volume flow. [m3/s]
    diameter : array_like
        Inside diameter. [m]
    density : array_like
        Density. [kg/m3]
    viscosity : array_like
        Dynamic viscosity. [Pa s]

    Returns
    -------
    ndarray
        Reynolds number. [-]

    Examples
    --------
    >>> round(float(reynolds_number(0.05, 0.2027, 998.2072, 1.001596e-3)))
    313007
    """
    inertia = as_float(density) * np.abs(velocity(flow, diameter)) * as_float(diameter)
    return finish(inertia / as_float(viscosity))


def _scalar_friction_factor(reynolds: float, relative_roughness: float) -> float:
    factor: float = fluids.friction_factor(Re=reynolds, eD=relative_roughness)
    return factor


_vector_friction_factor = np.vectorize(_scalar_friction_factor, otypes=[np.float64])


def friction_factor(reynolds: npt.ArrayLike, relative_roughness: npt.ArrayLike) -> FloatArray:
    """Darcy friction factor.

    Parameters
    ----------
    reynolds : array_like
        Reynolds number. [-]
    relative_roughness : array_like
        Roughness over inside diameter. [-]

    Returns
    -------
    ndarray
        Darcy friction factor; NaN at zero flow. [-]

    Raises
    ------
    RangeError
        If the relative roughness is below 0 or above 0.05, or the Reynolds number is
        negative.

    Notes
    -----
    Laminar 64/Re below Re = 2040, and the Colebrook equation [1]_ above, solved exactly by
    the ``fluids`` library. Between 2040 and 4000 no one formula is right; a suction line at
    duty is far above. Colebrook agrees with measurements to 5 to 10 % (common practice).

    References
    ----------
    .. [1] C. F. Colebrook, "Turbulent flow in pipes", J. Inst. Civ. Eng. 11 (1939) 133-156,
       doi:10.1680/ijoti.1939.13150.

    Examples
    --------
    >>> round(float(friction_factor(1e5, 1e-4)), 9)
    0.018513866
    """
    re, rough = np.broadcast_arrays(as_float(reynolds), as_float(relative_roughness))
    if np.any(rough < 0.0) or np.any(rough > 0.05):
        raise RangeError(
            f"relative roughness: found {np.nanmin(rough):.6g} to {np.nanmax(rough):.6g}; "
            "expected 0 to 0.05. Give roughness and diameter in the same unit."
        )
    if np.any(re < 0.0):
        raise RangeError(
            f"Reynolds number: found {np.nanmin(re):.6g}; expected zero or above. "
            "Use the size of the flow; its direction is handled elsewhere."
        )
    known = (re > 0.0) & np.isfinite(re) & np.isfinite(rough)
    out = np.full(re.shape, np.nan)
    if known.any():
        out[known] = _vector_friction_factor(re[known], rough[known])
    return finish(out)


def pipe_loss(
    flow: npt.ArrayLike,
    diameter: npt.ArrayLike,
    length: npt.ArrayLike,
    roughness: npt.ArrayLike,
    density: npt.ArrayLike,
    viscosity: npt.ArrayLike,
) -> FloatArray:
    """Friction loss of a straight pipe by Darcy-Weisbach.

    Parameters
    ----------
    flow : array_like
        Volume flow; a reversed flow gives a negative loss. [m3/s]
    diameter : array_like
        Inside diameter. [m]
    length : array_like
        Length. [m]
    roughness : array_like
        Absolute roughness of the wall. [m]
    density : array_like
        Density. [kg/m3]
    viscosity : array_like
        Dynamic viscosity. [Pa s]

    Returns
    -------
    ndarray
        Pressure loss, zero without flow. [Pa]

    Raises
    ------
    RangeError
        As for ``friction_factor``.

    Notes
    -----
    dp = f (L/D) rho v |v| / 2.

    Examples
    --------
    >>> round(float(pipe_loss(0.05, 0.2027, 12.0, 4.6e-5, 998.2072, 1.001596e-3)), 1)
    1162.0
    """
    re = reynolds_number(flow, diameter, density, viscosity)
    d = as_float(diameter)
    factor = as_float(friction_factor(re, as_float(roughness) / d))
    factor = np.where(as_float(re) == 0.0, 0.0, factor)
    v = velocity(flow, diameter)
    return finish(factor * as_float(length) / d * as_float(density) * v * np.abs(v) / 2.0)


def fitting_loss(
    flow: npt.ArrayLike,
    diameter: npt.ArrayLike,
    loss_coefficient: npt.ArrayLike,
    density: npt.ArrayLike,
) -> FloatArray:
    """Loss of a fitting by its loss coefficient, dp = K rho v |v| / 2.

    Parameters
    ----------
    flow : array_like
        Volume flow; a reversed flow gives a negative loss. [m3/s]
    diameter : array_like
        Inside diameter of the pipe the coefficient refers to. [m]
    loss_coefficient : array_like
        Loss coefficient K. [-]
    density : array_like
        Density. [kg/m3]

    Returns
    -------
    ndarray
        Pressure loss. [Pa]

    Notes
    -----
    K differs between authors, up to a factor of two for the same fitting: keep the value
    used together with its source, and do not mix tables.

    Examples
    --------
    >>> import math
    >>> round(float(fitting_loss(3.0 * math.pi / 4.0, 1.0, 10.0, 1000.0)), 6)
    45000.0
    """
    v = velocity(flow, diameter)
    return finish(as_float(loss_coefficient) * as_float(density) * v * np.abs(v) / 2.0)


@dataclass(frozen=True, slots=True)
class Fitting:
    """A fitting and the origin of its loss coefficient.

    Parameters
    ----------
    name : str
        What it is. [-]
    loss_coefficient : float
        Loss coefficient K of one. [-]
    count : int
        How many there are. [-]
    source : str
        Table or author the coefficient comes from. [-]
    """

    name: str
    loss_coefficient: float
    count: int = 1
    source: str = "declared"


def total_loss_coefficient(fittings: Sequence[Fitting]) -> float:
    """Sum of the loss coefficients of fittings in one pipe.

    Parameters
    ----------
    fittings : sequence of Fitting
        The fittings. [-]

    Returns
    -------
    float
        Sum of K. [-]
    """
    return float(sum(f.loss_coefficient * f.count for f in fittings))


def published_fitting(name: str, count: int = 1) -> Fitting:
    """Take a fitting from the published table.

    Parameters
    ----------
    name : str
        Name in ``loss_tables.LOSS_COEFFICIENTS``. [-]
    count : int
        How many there are. [-]

    Returns
    -------
    Fitting
        With its coefficient and source. [-]

    Raises
    ------
    RangeError
        If the table has no such fitting.

    Examples
    --------
    >>> published_fitting("gate valve, fully open").loss_coefficient
    0.2
    """
    if name not in LOSS_COEFFICIENTS:
        raise RangeError(
            f"fitting: found {name!r}; expected one of {'; '.join(LOSS_COEFFICIENTS)}. "
            "Or declare its loss coefficient with a source."
        )
    return Fitting(name, LOSS_COEFFICIENTS[name], count, LOSS_COEFFICIENT_SOURCE)
