"""Loss of a whole line from its drawing, and how far a drawing can be trusted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import FloatArray, as_float, finish
from pipeline.hydraulics.pipes import (
    Fitting,
    fitting_loss,
    friction_factor,
    pipe_loss,
    reynolds_number,
    total_loss_coefficient,
)

__all__ = [
    "DrawingAccuracy",
    "DrawingUncertainty",
    "EquivalentLoss",
    "PipeRun",
    "drawing_uncertainty",
    "equivalent_loss",
    "line_loss",
]


@dataclass(frozen=True, slots=True)
class PipeRun:
    """A straight run of one diameter, with its fittings.

    Parameters
    ----------
    diameter : float
        Inside diameter. [m]
    length : float
        Length. [m]
    roughness : float
        Absolute roughness of the wall. [m]
    fittings : tuple of Fitting
        Its fittings; their coefficients refer to this diameter. [-]
    """

    diameter: float
    length: float
    roughness: float
    fittings: tuple[Fitting, ...] = ()

    def __post_init__(self) -> None:
        if not (self.diameter > 0.0 and self.length >= 0.0 and self.roughness >= 0.0):
            raise RangeError(
                f"pipe run: found diameter {self.diameter!r} m, length {self.length!r} m, "
                f"roughness {self.roughness!r} m; expected a diameter above zero and the "
                "others zero or more. Check the drawing and the units."
            )

    @property
    def loss_coefficient(self) -> float:
        """Sum of the loss coefficients of the fittings [-]."""
        return total_loss_coefficient(self.fittings)


class EquivalentLoss(NamedTuple):
    """Power law k |Q|^(n-1) Q that stands for a line near one flow.

    Parameters
    ----------
    coefficient : float
        k. [Pa/(m3/s)^n]
    exponent : float
        n. [-]
    """

    coefficient: float
    exponent: float


@dataclass(frozen=True, slots=True)
class DrawingAccuracy:
    """How far each thing a drawing says may be off.

    Each is a limit, taken as rectangular. The defaults are common practice without one
    source; they are wide because drawings are.

    Parameters
    ----------
    friction_formula : float
        Colebrook equation against measurement, part of friction. [-]
    roughness_factor : float
        Factor by which the true roughness may lie above or below: new steel at 0.046 mm
        turns to 0.15 mm and more with light rust. [-]
    diameter : float
        Part of the inside diameter: unknown schedule, mill tolerance, deposits; the loss goes
        with its fifth power. [-]
    length : float
        Part of the length: what was built against what was drawn. [-]
    loss_coefficient : float
        Part of the coefficients. Published tables differ so far for one fitting: angle
        valve 5 or 2, flanged elbow 0.9 or 0.3. [-]
    """

    friction_formula: float = 0.10
    roughness_factor: float = 3.0
    diameter: float = 0.03
    length: float = 0.05
    loss_coefficient: float = 0.50

    def __post_init__(self) -> None:
        limits = (self.friction_formula, self.diameter, self.length, self.loss_coefficient)
        if min(limits) < 0.0 or self.roughness_factor < 1.0:
            raise RangeError(
                f"drawing accuracy: found {self}; expected limits of zero or more and a "
                "roughness factor of one or more."
            )


class DrawingUncertainty(NamedTuple):
    """Standard uncertainty of a drawing-based loss, by cause; all of it is systematic.

    Parameters
    ----------
    friction_formula, roughness, diameter, length, loss_coefficient : ndarray
        Contribution of each cause. [Pa]
    combined : ndarray
        All in quadrature. [Pa]
    relative : ndarray
        Combined, as a part of the loss. [-]
    """

    friction_formula: FloatArray
    roughness: FloatArray
    diameter: FloatArray
    length: FloatArray
    loss_coefficient: FloatArray
    combined: FloatArray
    relative: FloatArray


def line_loss(
    flow: npt.ArrayLike,
    runs: Sequence[PipeRun],
    density: npt.ArrayLike,
    viscosity: npt.ArrayLike,
) -> FloatArray:
    """Loss of runs in series that carry one flow.

    Parameters
    ----------
    flow : array_like
        Volume flow; a reversed flow gives a negative loss. [m3/s]
    runs : sequence of PipeRun
        The runs. [-]
    density : array_like
        Density. [kg/m3]
    viscosity : array_like
        Dynamic viscosity. [Pa s]

    Returns
    -------
    ndarray
        Pressure loss by friction and fittings; velocity heads are not in it. [Pa]

    Notes
    -----
    sum of (f L/D + sum K) rho v |v| / 2.

    Examples
    --------
    >>> run = PipeRun(0.2027, 12.0, 4.6e-5, (Fitting("all fittings", 1.9),))
    >>> round(float(line_loss(0.05, [run], 998.2072, 1.001596e-3)), 1)
    3438.6
    """
    total = 0.0 * as_float(flow)
    for run in runs:
        total = total + pipe_loss(flow, run.diameter, run.length, run.roughness, density, viscosity)
        total = total + fitting_loss(flow, run.diameter, run.loss_coefficient, density)
    return finish(total)


def equivalent_loss(
    runs: Sequence[PipeRun],
    flow: float,
    density: float,
    viscosity: float,
    exponent: float | None = None,
) -> EquivalentLoss:
    """Power law that has a line's loss, and by default its slope, at one flow.

    Parameters
    ----------
    runs : sequence of PipeRun
        The runs. [-]
    flow : float
        Flow at which to match, near the usual duty. [m3/s]
    density : float
        Density. [kg/m3]
    viscosity : float
        Dynamic viscosity. [Pa s]
    exponent : float, optional
        Exponent to use; the line's own, d ln(dp)/d ln(Q), when not given. [-]

    Returns
    -------
    EquivalentLoss
        Coefficient and exponent. [-]

    Raises
    ------
    RangeError
        If the flow is not above zero, or the line has no loss.

    Notes
    -----
    The slope is taken over 2 % of flow. Fittings alone give 2; smooth pipe pulls it
    towards 1.75.

    Examples
    --------
    >>> run = PipeRun(0.2027, 12.0, 4.6e-5, (Fitting("all fittings", 1.9),))
    >>> loss = equivalent_loss([run], 0.05, 998.2072, 1.001596e-3)
    >>> round(loss.exponent, 2), round(loss.coefficient * 0.05**loss.exponent, 1)
    (1.96, 3438.6)
    """
    low, at, high = (
        float(line_loss(flow * part, runs, density, viscosity)) for part in (0.99, 1.0, 1.01)
    )
    if not (flow > 0.0 and low > 0.0):
        raise RangeError(
            f"equivalent loss: found {at:.6g} Pa at a flow of {flow!r} m3/s; expected both "
            "above zero. Give the usual flow, and a line with length or fittings."
        )
    n = float(np.log(high / low) / np.log(1.01 / 0.99)) if exponent is None else exponent
    return EquivalentLoss(at / flow**n, n)


def drawing_uncertainty(
    flow: npt.ArrayLike,
    runs: Sequence[PipeRun],
    density: npt.ArrayLike,
    viscosity: npt.ArrayLike,
    accuracy: DrawingAccuracy | None = None,
) -> DrawingUncertainty:
    """Standard uncertainty of a loss computed from drawings.

    Parameters
    ----------
    flow : array_like
        Volume flow. [m3/s]
    runs : sequence of PipeRun
        The runs. [-]
    density : array_like
        Density. [kg/m3]
    viscosity : array_like
        Dynamic viscosity. [Pa s]
    accuracy : DrawingAccuracy, optional
        Limits; the defaults when not given. [-]

    Returns
    -------
    DrawingUncertainty
        By cause, and combined. [-]

    Notes
    -----
    Each cause is the same all along the line (one pipe maker, one table of coefficients),
    so its effects add over runs; causes are independent. A typical suction line comes out
    at 20 to 30 % (k = 1), most of it from the fittings: the line is short, and the
    coefficients of fittings close together are the least known. A clogged strainer is not a
    drawing error and is not in it.
    """
    limits = accuracy or DrawingAccuracy()
    root3 = np.sqrt(3.0)
    q = as_float(flow)
    zero = 0.0 * q
    friction = fittings = rough = diameter = zero
    for run in runs:
        straight = as_float(
            pipe_loss(q, run.diameter, run.length, run.roughness, density, viscosity)
        )
        local = as_float(fitting_loss(q, run.diameter, run.loss_coefficient, density))
        friction, fittings = friction + straight, fittings + local
        re = reynolds_number(q, run.diameter, density, viscosity)
        base = run.roughness / run.diameter
        # Rectangular in the logarithm: the half-width in loss, to first order.
        upper = as_float(friction_factor(re, min(base * limits.roughness_factor, 0.05)))
        lower = as_float(friction_factor(re, base / limits.roughness_factor))
        middle = as_float(friction_factor(re, base))
        spread = np.where(q == 0.0, 0.0, (upper - lower) / (2.0 * middle))
        rough = rough + straight * spread
        # Friction goes with D^-5 (f hardly changes), fittings with D^-4.
        diameter = diameter + (5.0 * straight + 4.0 * local) * limits.diameter
    parts = (
        np.abs(friction) * limits.friction_formula / root3,
        np.abs(rough) / root3,
        np.abs(diameter) / root3,
        np.abs(friction) * limits.length / root3,
        np.abs(fittings) * limits.loss_coefficient / root3,
    )
    combined = np.sqrt(sum((p**2 for p in parts), start=zero))
    loss = np.abs(friction + fittings)
    relative = combined / np.where(loss > 0.0, loss, np.nan)
    formula, rough_u, diameter_u, length_u, fittings_u = (finish(p) for p in parts)
    return DrawingUncertainty(
        formula, rough_u, diameter_u, length_u, fittings_u, finish(combined), finish(relative)
    )
