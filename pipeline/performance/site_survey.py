"""What the plant file leaves open, and what each open fact costs in certainty.

Efficiencies rest on a few facts nobody measures twice: where a gauge hangs, what reads zero
where, what a meter is worth. Each fact that the plant file does not state, or states without
saying how well it is known, is listed with the standard uncertainty it leaves in overall and
pump efficiency at a typical operating point. The list is ranked: the first lines say where a
site visit should go.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Mapping

import pandas as pd

from pipeline.performance._survey_rules import open_facts
from pipeline.performance._survey_types import (
    NOMINAL_MOTOR_EFFICIENCY,
    NOMINAL_PUMP_EFFICIENCY,
    Fact,
    TypicalPoint,
)
from pipeline.performance.survey_sheet import survey_sheet
from pipeline.plant import Pump, Snapshot

__all__ = [
    "Fact",
    "TypicalPoint",
    "facts_frame",
    "nominal_point",
    "open_uncertainty",
    "survey_facts",
    "survey_sheet",
]

# A pump nobody has data of. Common practice, no source: 1.5 m/s in the suction pipe, a motor
# at four fifths of its rating, 30 m of head.
_NOMINAL_VELOCITY = 1.5
_NOMINAL_LOAD = 0.8
_NOMINAL_HEAD = 30.0
_WATER_DENSITY = 998.2
_G = 9.80665


def survey_facts(
    snapshot: Snapshot,
    points: Mapping[str, TypicalPoint] | None = None,
    surveyed: Collection[str] = (),
    without_gauge: Collection[str] = (),
) -> tuple[Fact, ...]:
    """List the facts a plant file leaves open, those that cost most first.

    Parameters
    ----------
    snapshot : Snapshot
        The plant as it is.
    points : mapping of str to TypicalPoint, optional
        Typical operating point by pump; nominal figures stand in for pumps, and values, that
        are missing.
    surveyed : collection of str
        Pumps whose suction pressure has been read with a portable gauge.
    without_gauge : collection of str
        Pumps whose suction pressure is modelled although a gauge is declared: a dead one.

    Returns
    -------
    tuple of Fact
        Facts without which there is no efficiency at all come first (their contribution is
        NaN), then by the larger of the two contributions, falling.

    Notes
    -----
    Each contribution is the fact's standard uncertainty times the sensitivity of the
    efficiency (JCGM 100:2008, equation 11), one fact at a time, at one operating point. Where
    the suction pressure is modelled, the height and the pipe of the suction tap drop out of
    the total head and the level datum and the friction of the line come in; where it is
    measured it is the other way round.
    """
    given = points or {}
    found: list[Fact] = []
    for name, pump in sorted(snapshot.pumps.items()):
        point = _completed(given.get(name), nominal_point(pump, snapshot))
        found += open_facts(snapshot, pump, point, name in surveyed, name in without_gauge)
    return tuple(sorted(found, key=_order))


def _order(fact: Fact) -> tuple[bool, float, str, str]:
    worth = fact.worth
    return (not math.isnan(worth), -worth if worth == worth else 0.0, fact.pump, fact.key)


def nominal_point(pump: Pump, snapshot: Snapshot) -> TypicalPoint:
    """Give an operating point of a pump from its plate and curve alone.

    Parameters
    ----------
    pump : Pump
        The pump.
    snapshot : Snapshot
        For the liquid.

    Returns
    -------
    TypicalPoint
        All of it marked nominal: the best point of the declared curve, otherwise 1.5 m/s in
        the suction pipe and the head that loads the motor to four fifths.
    """
    density = snapshot.liquid.density or _WATER_DENSITY
    efficiency = NOMINAL_PUMP_EFFICIENCY
    rated = pump.driver.rated_power
    if pump.baseline_curve:
        middle = pump.baseline_curve[len(pump.baseline_curve) // 2]
        best = max(pump.baseline_curve, key=lambda p: p.efficiency or 0.0)
        usual = best if best.efficiency else middle
        flow, head = usual.flow, usual.head
        efficiency = usual.efficiency or efficiency
    else:
        flow = _NOMINAL_VELOCITY * math.pi / 4.0 * pump.suction_tap.diameter**2
        head = _NOMINAL_HEAD
        if rated is not None:
            head = efficiency * _NOMINAL_LOAD * rated / (density * _G * flow)
    power = density * _G * flow * head / (efficiency * NOMINAL_MOTOR_EFFICIENCY)
    return TypicalPoint(
        flow=flow,
        total_head=head,
        electrical_power=power,
        density=density,
        suction_pressure=0.0,
        discharge_pressure=density * _G * head,
        nominal=("flow", "total_head", "electrical_power", "suction_pressure")
        + (("density",) if snapshot.liquid.density is None else ()),
    )


def _completed(point: TypicalPoint | None, nominal: TypicalPoint) -> TypicalPoint:
    """Fill what a point leaves open from the nominal one, and say so."""
    if point is None:
        return nominal
    stood_in: list[str] = list(point.nominal)

    def known(name: str, stand_in: float, low: float = 0.0) -> float:
        value = float(getattr(point, name))
        if math.isfinite(value) and value > low:
            return value
        stood_in.append(name)
        return stand_in

    flow = known("flow", nominal.flow)
    head = known("total_head", nominal.total_head)
    density = known("density", nominal.density)
    usual = NOMINAL_PUMP_EFFICIENCY * NOMINAL_MOTOR_EFFICIENCY
    power = known("electrical_power", density * _G * flow * head / usual)
    suction = known("suction_pressure", nominal.suction_pressure, low=-math.inf)
    discharge = known("discharge_pressure", suction + density * _G * head, low=-math.inf)
    return TypicalPoint(
        flow=flow,
        total_head=head,
        electrical_power=power,
        density=density,
        suction_pressure=suction,
        discharge_pressure=discharge,
        nominal=tuple(dict.fromkeys(stood_in)),
    )


def open_uncertainty(facts: Iterable[Fact], pump: str) -> tuple[float, float]:
    """Standard uncertainty that all open facts of a pump leave together.

    Parameters
    ----------
    facts : iterable of Fact
        As from ``survey_facts``.
    pump : str
        The pump.

    Returns
    -------
    overall_efficiency_u, pump_efficiency_u : float
        In quadrature, as fractions [-]; NaN where an instrument is missing. A fact that only
        sums up others is not counted again.
    """
    mine = [f for f in facts if f.pump == pump and not f.covers]
    overall = math.sqrt(sum(f.overall_efficiency_u**2 for f in mine))
    return overall, math.sqrt(sum(f.pump_efficiency_u**2 for f in mine))


def facts_frame(facts: Iterable[Fact]) -> pd.DataFrame:
    """Put facts into a frame.

    Parameters
    ----------
    facts : iterable of Fact
        As from ``survey_facts``.

    Returns
    -------
    DataFrame
        One row per fact in their order, default index: ``rank`` (from 1), ``pump``,
        ``place``, ``fact``, ``state`` (``missing``, ``assumed``, ``unchecked``),
        ``stands_in``, ``overall_efficiency_u_points`` and ``pump_efficiency_u_points``
        (standard uncertainty, percentage points; missing where there is no efficiency without
        the fact), ``is_nominal``, ``action``, ``record_in``.
    """
    rows = [
        {
            "rank": rank,
            "pump": fact.pump,
            "place": fact.place,
            "fact": fact.subject,
            "state": fact.state,
            "stands_in": fact.stands_in,
            "overall_efficiency_u_points": 100.0 * fact.overall_efficiency_u,
            "pump_efficiency_u_points": 100.0 * fact.pump_efficiency_u,
            "is_nominal": fact.is_nominal,
            "action": fact.action,
            "record_in": fact.record_in,
        }
        for rank, fact in enumerate(facts, start=1)
    ]
    return pd.DataFrame(rows, columns=list(_COLUMNS)).astype(_COLUMNS)


_COLUMNS = {
    "rank": "int64",
    "pump": "object",
    "place": "object",
    "fact": "object",
    "state": "object",
    "stands_in": "object",
    "overall_efficiency_u_points": "float64",
    "pump_efficiency_u_points": "float64",
    "is_nominal": "bool",
    "action": "object",
    "record_in": "object",
}
