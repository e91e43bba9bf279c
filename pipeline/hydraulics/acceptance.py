"""A measured point or curve against a guarantee.

Two answers, kept apart: the verdict by the grade's tolerances, which takes the measured
values as they stand, and the probability that the true pump meets the guarantee within those
tolerances, given the measurement uncertainty. A field result is indicative: an acceptance
test needs the standard's own conditions of piping, flow and instruments.

Tolerances are the caller's to set. The few shipped come from secondary sources and say so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import FloatArray, as_float

__all__ = [
    "GRADES",
    "AcceptanceResult",
    "Criterion",
    "Guarantee",
    "MeasuredCurve",
    "ToleranceGrade",
    "Verdict",
    "judge",
    "judge_under_assumptions",
]

Verdict = Literal["met", "not_met", "not_covered"]


@dataclass(frozen=True, slots=True)
class ToleranceGrade:
    """Tolerances of an acceptance grade, as parts of the guaranteed values.

    Parameters
    ----------
    name : str
        Name of the grade. [-]
    flow_low, flow_high : float
        Tolerance on flow; low is zero or negative. [-]
    head_low, head_high : float
        Tolerance on total head. [-]
    efficiency_low : float, optional
        Tolerance on efficiency, zero or negative; None leaves it out. [-]
    power_high : float, optional
        Tolerance on shaft power; None leaves it out. [-]
    source : str
        Where the numbers come from. [-]
    """

    name: str
    flow_low: float
    flow_high: float
    head_low: float
    head_high: float
    efficiency_low: float | None = None
    power_high: float | None = None
    source: str = "declared"

    def __post_init__(self) -> None:
        lows = (self.flow_low, self.head_low, self.efficiency_low or 0.0)
        highs = (self.flow_high, self.head_high, self.power_high or 0.0)
        if not (min(lows) > -1.0 and max(lows) <= 0.0 <= min(highs) and max(highs) < 1.0):
            raise RangeError(
                f"tolerances of {self.name}: found {lows} and {highs}; expected lower ones "
                "of zero or below and upper ones of zero or above. Give fractions, not percent."
            )


_LEXICON: Final = "as quoted in a pump maker's public encyclopedia (secondary source)"
_WEB: Final = "flow and head as quoted on public web pages (secondary source)"

GRADES: Final = {
    g.name: g
    for g in (
        ToleranceGrade(
            "ISO 9906:1999 class 1", -0.045, 0.045, -0.03, 0.03, -0.03, None,
            f"ISO 9906:1999, {_LEXICON}",
        ),
        ToleranceGrade(
            "ISO 9906:1999 class 2", -0.08, 0.08, -0.05, 0.05, -0.05, None,
            f"ISO 9906:1999, {_LEXICON}",
        ),
        ToleranceGrade(
            "ISO 9906:2012 grade 2B", -0.08, 0.08, -0.05, 0.05, None, None,
            f"ISO 9906:2012, {_WEB}",
        ),
        ToleranceGrade(
            "ISO 9906:2012 grade 3B", -0.09, 0.09, -0.07, 0.07, None, None,
            f"ISO 9906:2012, {_WEB}",
        ),
    )
}  # fmt: skip
"""Grades that could be sourced. Confirm them on your own copy of the standard before use."""


@dataclass(frozen=True, slots=True)
class Guarantee:
    """What was guaranteed, at one speed.

    Parameters
    ----------
    flow : float
        Guaranteed flow. [m3/s]
    head : float
        Guaranteed total head. [m]
    efficiency : float, optional
        Guaranteed efficiency. [-]
    shaft_power : float, optional
        Greatest guaranteed shaft power. [W]
    """

    flow: float
    head: float
    efficiency: float | None = None
    shaft_power: float | None = None

    def __post_init__(self) -> None:
        given = (self.flow, self.head, self.efficiency, self.shaft_power)
        if any(v is not None and not v > 0.0 for v in given):
            raise RangeError(
                f"guarantee: found {given}; expected values above zero. "
                "Leave out what was not guaranteed."
            )


@dataclass(frozen=True, slots=True)
class MeasuredCurve:
    """Measured points at the guarantee's speed, in order of rising flow.

    Parameters
    ----------
    flow : array_like
        Volume flow. [m3/s]
    head : array_like
        Total head. [m]
    flow_u : array_like
        Standard uncertainty of flow. [m3/s]
    head_u : array_like
        Standard uncertainty of head. [m]
    efficiency : array_like, optional
        Efficiency, of the kind guaranteed. [-]
    efficiency_u : array_like, optional
        Its standard uncertainty. [-]
    shaft_power : array_like, optional
        Shaft power. [W]
    shaft_power_u : array_like, optional
        Its standard uncertainty. [W]
    head_slope : float, optional
        Slope of the curve dH/dQ, needed with a single point. [s/m2]
    """

    flow: npt.ArrayLike
    head: npt.ArrayLike
    flow_u: npt.ArrayLike
    head_u: npt.ArrayLike
    efficiency: npt.ArrayLike | None = None
    efficiency_u: npt.ArrayLike | None = None
    shaft_power: npt.ArrayLike | None = None
    shaft_power_u: npt.ArrayLike | None = None
    head_slope: float | None = None

    def __post_init__(self) -> None:
        q = np.atleast_1d(as_float(self.flow))
        if not (q.size and (np.diff(q) > 0.0).all()):
            raise RangeError(
                f"measured curve: found flows {q.tolist()}; expected one or more, rising. "
                "Sort the points and merge repeats."
            )
        if q.size == 1 and not (self.head_slope is not None and self.head_slope < 0.0):
            raise RangeError(
                f"measured point: found a head slope of {self.head_slope!r}; expected one "
                "below zero. A single point needs the slope of the pump's curve."
            )


class Criterion(NamedTuple):
    """One guaranteed quantity judged.

    Parameters
    ----------
    name : str
        'flow_and_head', 'efficiency' or 'shaft_power'. [-]
    deviation : float
        Measured over guaranteed, less 1; of head at guaranteed flow for the first. [-]
    deviation_u : float
        Its standard uncertainty. [-]
    low, high : float
        Tolerance on that deviation. [-]
    verdict : {'met', 'not_met', 'not_covered'}
        By the tolerances alone; 'not_covered' where the points do not reach. [-]
    probability : float
        That the true deviation is within the tolerance. [-]
    """

    name: str
    deviation: float
    deviation_u: float
    low: float
    high: float
    verdict: Verdict
    probability: float


class AcceptanceResult(NamedTuple):
    """A guarantee judged.

    Parameters
    ----------
    criteria : tuple of Criterion
        Each guaranteed quantity. [-]
    verdict : {'met', 'not_met', 'not_covered'}
        Of all together. [-]
    grade : ToleranceGrade
        The tolerances used, with their source. [-]
    suction_assumption : str
        Where the suction pressure came from. [-]
    indicative : bool
        True for field results, which replace no acceptance test. [-]
    """

    criteria: tuple[Criterion, ...]
    verdict: Verdict
    grade: ToleranceGrade
    suction_assumption: str
    indicative: bool


def _criterion(name: str, deviation: float, u: float, low: float, high: float) -> Criterion:
    if not np.isfinite(deviation):
        return Criterion(name, np.nan, np.nan, low, high, "not_covered", np.nan)
    verdict: Verdict = "met" if low <= deviation <= high else "not_met"
    if u > 0.0:
        # norm.sf on the upper side keeps its digits far from the limit.
        probability = float(
            stats.norm.cdf((high - deviation) / u) - stats.norm.cdf((low - deviation) / u)
        )
    else:
        probability = np.nan if np.isnan(u) else float(verdict == "met")
    return Criterion(name, deviation, u, low, high, verdict, probability)


def _read(at: float, nodes: FloatArray, values: npt.ArrayLike) -> float:
    """Read a measured curve at a flow; NaN outside the measured range."""
    ordinates = np.broadcast_to(as_float(values), nodes.shape)
    return float(np.interp(at, nodes, ordinates, left=np.nan, right=np.nan))


def _head_at(flow: float, curve: MeasuredCurve) -> tuple[float, float, float]:
    """Head at a flow, its standard uncertainty and the slope of the curve there."""
    q, h = np.atleast_1d(as_float(curve.flow)), np.atleast_1d(as_float(curve.head))
    if q.size == 1:
        slope = float(curve.head_slope or 0.0)
        head = float(h[0]) + slope * (flow - float(q[0]))
        flow_u, head_u = (float(np.ravel(as_float(u))[0]) for u in (curve.flow_u, curve.head_u))
    else:
        head = _read(flow, q, h)
        right = int(np.clip(np.searchsorted(q, flow), 1, q.size - 1))
        slope = float((h[right] - h[right - 1]) / (q[right] - q[right - 1]))
        flow_u, head_u = _read(flow, q, curve.flow_u), _read(flow, q, curve.head_u)
    return head, float(np.hypot(head_u, slope * flow_u)), slope


def _flow_on_ray(guarantee: Guarantee, curve: MeasuredCurve) -> float:
    """Flow at which the curve meets the straight line from the origin to the guarantee."""
    q, h = np.atleast_1d(as_float(curve.flow)), np.atleast_1d(as_float(curve.head))
    if q.size == 1:
        return float(q[0])
    above = h - q * guarantee.head / guarantee.flow
    # Above falls with flow on any falling curve; np.interp wants it rising.
    return float(np.interp(0.0, -above, q, left=np.nan, right=np.nan))


def judge(
    guarantee: Guarantee,
    grade: ToleranceGrade,
    curve: MeasuredCurve,
    suction_assumption: str = "measured",
    *,
    indicative: bool = True,
) -> AcceptanceResult:
    """Judge a measured curve, or a point with the curve's slope, against a guarantee.

    Parameters
    ----------
    guarantee : Guarantee
        What was guaranteed. [-]
    grade : ToleranceGrade
        Tolerances. [-]
    curve : MeasuredCurve
        What was measured, at the guarantee's speed. [-]
    suction_assumption : str
        Where the suction pressure came from; goes into the result. [-]
    indicative : bool
        False only for a test under the standard's own conditions. [-]

    Returns
    -------
    AcceptanceResult
        Verdict and probability of each criterion. [-]

    Notes
    -----
    Flow and head (ISO 9906, from memory): the curve must cut or touch the vertical or the
    horizontal arm of the tolerance cross about the guarantee point. Near that point the
    curve is taken as straight, so both arms become one tolerance on the head at guaranteed
    flow. Efficiency is read where the curve meets the straight line from the origin to the
    guarantee point, shaft power at the guaranteed flow. Between points the curve is straight,
    and nothing is read beyond them.

    Measurement uncertainty does not widen the tolerances; it is in the probability alone.

    Examples
    --------
    >>> curve = MeasuredCurve([0.09, 0.11], [41.5, 37.5], 0.001, 0.4)
    >>> result = judge(Guarantee(0.1, 40.0), GRADES["ISO 9906:2012 grade 2B"], curve)
    >>> result.verdict, round(result.criteria[0].deviation, 4)
    ('met', -0.0125)
    """
    head, head_u, slope = _head_at(guarantee.flow, curve)
    steepness = max(-slope, 0.0) * guarantee.flow / guarantee.head
    criteria = [
        _criterion(
            "flow_and_head",
            head / guarantee.head - 1.0,
            head_u / guarantee.head,
            min(grade.head_low, grade.flow_low * steepness),
            max(grade.head_high, grade.flow_high * steepness),
        )
    ]
    nodes = np.atleast_1d(as_float(curve.flow))
    single = nodes.size == 1
    if guarantee.efficiency is not None and grade.efficiency_low is not None:
        criteria.append(
            _one_sided(
                "efficiency", guarantee.efficiency, curve.efficiency, curve.efficiency_u,
                _flow_on_ray(guarantee, curve), nodes, grade.efficiency_low, np.inf,
            )
        )  # fmt: skip
    if guarantee.shaft_power is not None and grade.power_high is not None:
        criteria.append(
            _one_sided(
                "shaft_power", guarantee.shaft_power, curve.shaft_power, curve.shaft_power_u,
                float(nodes[0]) if single else guarantee.flow, nodes, -np.inf, grade.power_high,
            )
        )  # fmt: skip
    order: tuple[Verdict, ...] = ("not_met", "not_covered", "met")
    verdict = next(v for v in order if any(c.verdict == v for c in criteria))
    return AcceptanceResult(tuple(criteria), verdict, grade, suction_assumption, indicative)


def _one_sided(
    name: str,
    guaranteed: float,
    values: npt.ArrayLike | None,
    values_u: npt.ArrayLike | None,
    at: float,
    nodes: FloatArray,
    low: float,
    high: float,
) -> Criterion:
    if values is None:
        return _criterion(name, np.nan, np.nan, low, high)
    u = np.nan if values_u is None else _read(at, nodes, values_u)
    deviation = _read(at, nodes, values) / guaranteed - 1.0
    return _criterion(name, deviation, u / guaranteed, low, high)


def judge_under_assumptions(
    guarantee: Guarantee,
    grade: ToleranceGrade,
    curves: Mapping[str, MeasuredCurve],
) -> dict[str, AcceptanceResult]:
    """Judge one field test once for each way of getting the suction pressure.

    Parameters
    ----------
    guarantee : Guarantee
        What was guaranteed. [-]
    grade : ToleranceGrade
        Tolerances. [-]
    curves : mapping of str to MeasuredCurve
        The curve under each assumption, such as 'measured', 'modelled', 'level_only'. [-]

    Returns
    -------
    dict of str to AcceptanceResult
        The judgement under each, all indicative. [-]
    """
    return {name: judge(guarantee, grade, curve, name) for name, curve in curves.items()}
