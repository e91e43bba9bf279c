"""Baselines of a run, learned or declared, and operating points held against them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.errors import InsufficientEvidenceError
from pipeline.hydraulics.head import STANDARD_GRAVITY
from pipeline.jobs.context import Run
from pipeline.jobs.pump_epochs import Epoch
from pipeline.months import months_between
from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.deviation import deviation
from pipeline.performance.good_period import FEWEST_LEARNING_DAYS, LEARNING_DAYS, first_change
from pipeline.performance.operating_points import STEADY
from pipeline.plant import Pump
from pipeline.plant.types import BEGINNING

LEAST_POINTS = 200
MOST_STARTS = 4
"""How often a good period is looked for again after a change in its first days."""

DECLARED, DETECTED = "declared", "detected"

_COLUMNS = (
    "pump",
    "time",
    "status",
    "flow",
    "flow_u_systematic",
    "flow_u_random",
    "total_head",
    "total_head_u_systematic",
    "total_head_u_random",
    "electrical_power",
    "electrical_power_u_systematic",
    "electrical_power_u_random",
    "shaft_power",
    "speed_ratio",
    "density",
    "suction_pressure_source",
    "suction_pressure_u_systematic",
    "suction_pressure_u_unexplained",
    "static_pressure",
    "npsh_available",
    "level_only_total_head",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Baseline:
    """A baseline and the one that level without losses would have given.

    Parameters
    ----------
    epoch : Epoch
        Where it holds.
    curve, level_only : BaselineCurve or None
        None where there are no points to learn from.
    source : str
        ``learned`` or ``maker``.
    learned_from, learned_to : Timestamp or None
        Span of the points.
    suction_source : str
        The suction source most of the points rest on.
    period, reason : str
        ``declared`` or ``detected``, and in words why these days were taken; empty for a
        maker's curve.
    """

    epoch: Epoch
    curve: BaselineCurve | None
    level_only: BaselineCurve | None
    source: str
    learned_from: pd.Timestamp | None = None
    learned_to: pd.Timestamp | None = None
    suction_source: str = ""
    period: str = ""
    reason: str = ""


def starts_of(baselines: Iterable[Baseline]) -> list[tuple[str, str]]:
    """Give pump and start of each baseline, an input of all that they cut."""
    return [(b.epoch.pump.id, b.epoch.start.isoformat()) for b in baselines]


def steady_points(run: Run, pump: str, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
    """Read the operating points of a pump within a span, month by month as needed."""
    stored = run.stage.months(run.learning_points)
    if not stored:
        return pd.DataFrame(columns=list(_COLUMNS))
    wanted = set(stored)
    if start > BEGINNING:
        wanted &= set(months_between(start, end, run.zone))
    frame = run.read(run.learning_points, sorted(wanted) or stored[:1], _COLUMNS)
    time = frame["time"]
    mine = (frame["pump"] == pump) & (frame["status"] == STEADY) & (time >= start) & (time < end)
    return frame[mine].reset_index(drop=True)


def learn(run: Run, epoch: Epoch) -> Baseline:
    """Find the baseline of an epoch.

    Returns
    -------
    Baseline
        From the maker's curve where one is declared, else learned from the declared good
        period, else from the first ``LEARNING_DAYS`` days with operating points and without a
        sudden change.
    """
    return baseline_of(epoch, *_learning_points(run, epoch))


def baseline_of(
    epoch: Epoch, points: pd.DataFrame, period: str = DETECTED, reason: str = ""
) -> Baseline:
    """Make the baseline of an epoch from the points it may learn from.

    Parameters
    ----------
    epoch : Epoch
        Where it is to hold.
    points : DataFrame
        Steady operating points in time order, SI.
    period, reason : str
        How these points were chosen.

    Returns
    -------
    Baseline
        Without a curve where there are too few points and no maker's curve.
    """
    pump = epoch.pump
    enough = len(points) >= LEAST_POINTS
    level_only = None
    if enough:
        level_only = BaselineCurve().fit(points.assign(total_head=points["level_only_total_head"]))
    span = (points["time"].iloc[0], points["time"].iloc[-1]) if enough else (None, None)
    source = str(points["suction_pressure_source"].mode().iloc[0]) if enough else ""
    if pump.baseline_curve and all(p.efficiency is not None for p in pump.baseline_curve):
        return Baseline(epoch=epoch, curve=_from_maker(pump), level_only=level_only, source="maker")
    return Baseline(
        epoch=epoch,
        curve=BaselineCurve().fit(points) if enough else None,
        level_only=level_only,
        source="learned",
        learned_from=span[0],
        learned_to=span[1],
        suction_source=source,
        period=period,
        reason=reason,
    )


def suction_part(points: pd.DataFrame, part: str = "systematic") -> np.ndarray:
    """What the systematic uncertainty (k = 1) of the suction pressure is of the head [-].

    The part called ``unexplained`` is what is missing from the pump's own pressure rise.
    """
    weight = points["density"].to_numpy() * STANDARD_GRAVITY * points["total_head"].to_numpy()
    return np.asarray(points[f"suction_pressure_u_{part}"].to_numpy() / weight)


def less_unexplained(systematic: pd.Series, unexplained: pd.Series) -> pd.Series:
    """Take out of an uncertainty of suction pressure what may be the pump's own loss.

    A loss of head makes modelled suction pressure uncertain, since it may have been lost before
    the pump. Whether anything was lost at all is another question: asked with that uncertainty,
    no loss of a pump without a gauge would ever be seen.
    """
    rest = np.square(systematic) - np.square(unexplained.fillna(0.0))
    return np.sqrt(rest.clip(lower=0.0))


def deviation_from(points: pd.DataFrame, b: Baseline) -> pd.DataFrame:
    """Compare operating points with a baseline, keeping the errors that do not cancel.

    The same instruments measured a learned baseline, so their calibration errors cancel; a
    maker's curve was measured by others, and none does. Where the suction pressure now comes
    from another source than most of the baseline's points, its own error stays.

    Parameters
    ----------
    points : DataFrame
        Steady operating points of the baseline's pump.
    b : Baseline
        With a curve.

    Returns
    -------
    DataFrame
        As from ``performance.deviation.deviation``.
    """
    if b.curve is None:
        raise InsufficientEvidenceError(f"Pump {b.epoch.pump.id} has no baseline to compare with.")
    learned = b.source == "learned"
    found = deviation(points, b.curve, systematic_cancels=learned)
    if not learned:
        return found
    other = (points["suction_pressure_source"] != b.suction_source).to_numpy()
    part = np.where(other, suction_part(points), 0.0)
    kept = {
        f"{name}_deviation_u_systematic": np.hypot(
            found[f"{name}_deviation_u_systematic"].to_numpy(), part
        )
        for name in ("head", "efficiency")
    }
    return found.assign(**kept)


def _from_maker(pump: Pump) -> BaselineCurve:
    curve = pd.DataFrame(
        {
            "flow": [p.flow for p in pump.baseline_curve],
            "total_head": [p.head for p in pump.baseline_curve],
            "efficiency": [p.efficiency for p in pump.baseline_curve],
        }
    )
    return BaselineCurve.from_curve_points(curve, power="shaft_power")


def _learning_points(run: Run, epoch: Epoch) -> tuple[pd.DataFrame, str, str]:
    """Points a baseline is learned from, how they were chosen, and why."""
    pump = epoch.pump
    start = max(epoch.start, pump.baseline_from or epoch.start)
    end = min(epoch.end, pump.baseline_to or epoch.end)
    if start >= end:
        # The declared span lies in another epoch: this one learns from its own first days.
        start, end = epoch.start, epoch.end
    elif pump.baseline_to is not None:
        points = steady_points(run, pump.id, start, end)
        return points, DECLARED, "the plant file declares this period"
    since = (
        "the pump's first days" if start == BEGINNING else f"the first days since {start:%Y-%m-%d}"
    )
    for _ in range(MOST_STARTS):
        points = _first_days(run, pump.id, start, end)
        change = first_change(points) if len(points) else None
        if change is None:
            return points, DETECTED, f"{since} with operating points, without a sudden change"
        what = f"{change.quantity} changed by {100 * change.size:+.1f} % on {change.day:%Y-%m-%d}"
        if change.days_before >= FEWEST_LEARNING_DAYS:
            kept = points[points["time"] < change.day].reset_index(drop=True)
            return kept, DETECTED, f"{since} with operating points, until {what}"
        since = f"the first days after {what}"
        start = change.day
    return points, DETECTED, f"{since}; no weeks without a sudden change were found"


def _first_days(run: Run, pump: str, start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
    """Give the points of the first learning days; months are read only as far as needed."""
    stored = run.stage.months(run.learning_points)
    found: list[pd.DataFrame] = []
    for month in stored:
        first, last = run.bounds(month)
        if last <= start or first >= end:
            continue
        part = steady_points(run, pump, max(first, start), min(last, end))
        found.append(part)
        days = pd.concat(found)["time"].dt.floor("D")
        if days.nunique() >= LEARNING_DAYS:
            together = pd.concat(found, ignore_index=True)
            allowed = sorted(days.unique())[:LEARNING_DAYS]
            return together[together["time"].dt.floor("D").isin(allowed)].reset_index(drop=True)
    if not found:
        return pd.DataFrame(columns=list(_COLUMNS))
    return pd.concat(found, ignore_index=True)
