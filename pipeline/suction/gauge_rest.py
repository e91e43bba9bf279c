"""What a gauge reads while the pump stands still: offset, drift and mapping mistakes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from .evidence import RUNNING
from .findings import FAULT, HOUR, SUSPECT, Finding, GaugeFacts, day_of, in_kpa, overlaps, runs_of
from .gauge_moves import resting
from .mapping import MappingFacts, mapping_mistakes
from .solve import Array

# Statics of the first three weeks are what a gauge is held against later.
REFERENCE_SPAN = pd.Timedelta(days=21)


def at_rest(
    hours: pd.DataFrame,
    expected: pd.Series,
    facts: GaugeFacts,
    bad: pd.Series,
    frozen: pd.Series,
    loss_free: pd.Series | None = None,
) -> list[Finding]:
    """Offsets and mistakes seen at rest, then drift.

    Parameters
    ----------
    hours, expected, facts
        As in `check_gauge`.
    bad : bool Series
        True where a resting gauge may not be held against the expectation.
    frozen : bool Series
        True where the reading is stuck.
    loss_free : Series, optional
        Of a suction gauge: what it would read without any loss [Pa]. No model is asked for it,
        since a model may have been taught by this very gauge.

    Notes
    -----
    One odd static of ordinary size is not yet a fault; two days, or ten uncertainties, are.
    """
    use = resting(hours, facts) & ~bad
    days = _rest_days(hours, expected, use)
    if days.empty:
        return [] if loss_free is None else _never_at_rest(hours, loss_free, facts, frozen)
    limit = 3.0 * facts.rest_u + facts.resolution
    offset = days["offset"].to_numpy()
    off = np.abs(offset) > limit
    found = []
    for first, last in runs_of(off):
        part = days.iloc[first : last + 1]
        start, end = part.index[0], part.index[-1] + pd.Timedelta(days=1)
        # From the last good static to the first bad one nobody knows: call it bad.
        if first > 0:
            start = days.index[first - 1] + pd.Timedelta(days=1)
        end = _until(days, last, hours)
        size = float(part["offset"].median())
        if len(part) < 2 and abs(size) < 10.0 * facts.rest_u:
            continue
        inside = use & (hours.index >= start) & (hours.index < end)
        mistake = mapping_mistakes(
            hours.loc[inside, "reading"].to_numpy(),
            expected.loc[inside].to_numpy(dtype=float),
            _mapping(facts),
        )
        evidence = (
            f"At rest it reads {in_kpa(part['reading'].median())} where "
            f"{in_kpa(part['expected'].median())} is due ({len(part)} days)."
        )
        check = mistake[0].check if mistake else "offset"
        names = " Not excluded either: ".join(m.sentence for m in mistake)
        found.append(
            Finding(
                start, end, check, FAULT, size, facts.rest_u,
                f"{evidence} {names}".strip(),
            )
        )  # fmt: skip
    return _merge(found, _drift(days, hours, facts))


def _mapping(facts: GaugeFacts) -> MappingFacts:
    return MappingFacts(
        facts.rest_u,
        facts.atmospheric_pressure,
        facts.elevation_pressure,
        facts.tap_pressure,
        facts.unit_pressure,
    )


def _rest_days(hours: pd.DataFrame, expected: pd.Series, use: pd.Series) -> pd.DataFrame:
    """Daily statics: reading and expectation while the pump stood still."""
    rows = pd.DataFrame({"reading": hours["reading"], "expected": expected}).loc[use].dropna()
    rows["offset"] = rows["reading"] - rows["expected"]
    grouped = rows.groupby(day_of(rows))
    days = grouped.median()
    days["rows"] = grouped.size()
    return days


def _until(days: pd.DataFrame, last: int, hours: pd.DataFrame) -> pd.Timestamp:
    if last + 1 < len(days):
        return days.index[last + 1]
    return hours.index[-1] + HOUR


def _drift(days: pd.DataFrame, hours: pd.DataFrame, facts: GaugeFacts) -> list[Finding]:
    """Departure of the static offset from what it was in its first days."""
    # A header loss that is not quite known moves the offset with what the sisters draw.
    limit = max(float(np.hypot(2.0 * facts.gauge_u, 3.0 * facts.losses_u)), 2.0 * facts.resolution)
    # Days already beyond any doubt (mapping mistakes) are no part of a slow drift.
    days = days.loc[days["offset"].abs() < 3.0 * facts.rest_u + 10.0 * limit]
    if len(days) < 8:
        return []
    early = days.index < days.index[0] + REFERENCE_SPAN
    reference = float(days["offset"].iloc[: max(int(early.sum()), 2)].median())
    away = days["offset"].rolling(3, min_periods=2).median() - reference
    scatter = 1.4826 * float((days["offset"].diff().abs()).median()) / np.sqrt(2.0)
    bound = max(limit, 6.0 * min(scatter, limit))
    found = []
    for first, last in runs_of((away.abs() > bound).to_numpy(), bridge=3):
        history = days.iloc[: last + 1]
        t = np.asarray((history.index - history.index[0]) / pd.Timedelta(days=1), dtype=float)
        begin, is_ramp, slope, slope_u = _shape(
            t, history["offset"].to_numpy() - reference, float(t[first])
        )
        size = float(away.iloc[last])
        how = (
            f"moves by {slope / 1000.0:+.3f} kPa/day (standard uncertainty {slope_u / 1000.0:.3f})"
            if is_ramp
            else "changed at once"
        )
        found.append(
            Finding(
                history.index[0] + pd.Timedelta(days=begin),
                _until(days, last, hours),
                "drift" if is_ramp else "offset_step",
                FAULT,
                slope if is_ramp else size,
                slope_u if is_ramp else scatter,
                f"At rest the reading {how}; it is now {in_kpa(size)} from where it began.",
            )
        )
    return found


def _shape(t: Array, away: Array, seen: float) -> tuple[float, bool, float, float]:
    """Ramp or step, whichever fits better: day it began, kind, slope and its uncertainty.

    Parameters
    ----------
    t, away : array of shape (n,)
        Day [d] and offset from the reference [Pa].
    seen : float
        Day on which the departure was seen; it began no later.
    """
    bends = np.arange(0.0, max(min(seen, t[-1] - 1.0), 0.0) + 1.0)
    ramp = np.maximum(t[None, :] - bends[:, None], 0.0)
    power = np.einsum("ij,ij->i", ramp, ramp)
    power = np.where(power > 0.0, power, np.inf)
    gain = (ramp @ away) ** 2 / power
    best = int(np.argmax(gain))
    good = t[t < seen] if bool((t < seen).any()) else t[:1]
    step = (t[None, :] > good[:, None]).astype(float)
    step_gain = (step @ away) ** 2 / np.maximum(step.sum(axis=1), 1.0)
    best_step = int(np.argmax(step_gain))
    slope = float(ramp[best] @ away / power[best])
    rest = away - slope * ramp[best]
    slope_u = float(np.sqrt(rest @ rest / max(t.size - 2, 1) / power[best]))
    if gain[best] > step_gain[best_step]:
        return float(bends[best]), True, slope, slope_u
    # A step lies somewhere between two statics: the day after the last good one is taken.
    return float(np.floor(good[best_step])) + 1.0, False, slope, slope_u


def _merge(statics: list[Finding], departures: list[Finding]) -> list[Finding]:
    """Let the more telling of two findings about the same days stand, over all their days."""
    result = []
    for item in departures:
        same = [other for other in statics if overlaps(item, [other])]
        statics = [other for other in statics if other not in same]
        start = min(other.start for other in [item, *same])
        end = max(other.end for other in [item, *same])
        if item.check == "drift" or not same:
            result.append(replace(item, start=start, end=end))
        else:
            result.append(replace(same[0], start=start, end=end))
            result += same[1:]
    return statics + result


def _never_at_rest(
    hours: pd.DataFrame, loss_free: pd.Series, facts: GaugeFacts, bad: pd.Series
) -> list[Finding]:
    """Without a static only gross mistakes can be seen, and hardly told from friction."""
    use = (hours["state"] == RUNNING) & hours["steady"] & ~bad
    rows = pd.DataFrame({"r": hours["reading"], "e": loss_free}).loc[use].dropna()
    if rows.empty:
        return []
    difference = float((rows["r"] - rows["e"]).median())
    # Friction can only lower the reading; a reading well above a loss-free one is wrong.
    if difference <= 5.0 * facts.rest_u:
        return []
    wide = replace(facts, static_u=max(facts.static_u, 0.1 * abs(difference)))
    mistake = mapping_mistakes(
        rows["r"].to_numpy(),
        rows["e"].to_numpy(),
        _mapping(wide),
    )
    names = " Not excluded either: ".join(m.sentence for m in mistake)
    return [
        Finding(
            # So far as can be seen it was always so: its hours at rest are no better.
            hours.index[0], hours.index[-1] + HOUR,
            mistake[0].check if mistake else "offset",
            SUSPECT, difference, wide.rest_u,
            f"While running it reads {in_kpa(difference)} above static head, which no friction "
            f"can do; the pump never stood still to settle it. {names}".strip(),
        )
    ]  # fmt: skip
