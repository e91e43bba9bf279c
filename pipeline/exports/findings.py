"""Tags whose name contradicts their values: pointed out, with the figures that say so.

Each finding is a suspicion from figures alone. What settles it is a look at the plant.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.exports.tag_facts import EFFICIENCY, TagFacts
from pipeline.quantities import conversion

__all__ = ["Finding", "common_raster", "find_contradictions"]

Arrays = Mapping[str, tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int8]]]
Raster = dict[str, NDArray[np.float64]]

RASTER_POINTS = 4000
LEAST_POINTS = 100


@dataclass(frozen=True, slots=True)
class Finding:
    """One contradiction.

    Parameters
    ----------
    tags : tuple of str
        The tags it is about, the suspect first.
    what : str
        What it looks like, in a sentence.
    why : str
        The figures.
    check : str
        What would settle it.
    """

    tags: tuple[str, ...]
    what: str
    why: str
    check: str


def common_raster(arrays: Arrays, points: int = RASTER_POINTS) -> Raster:
    """Read all tags at the same instants: the last usable value before each.

    Parameters
    ----------
    arrays : mapping of str to (time, value, quality)
        As given by ``arrays_of``.
    points : int
        Instants, spread evenly over the span that most tags share.

    Returns
    -------
    dict of str to ndarray of float64
        NaN where a tag has no value yet or none for a hundred of its usual intervals.
    """
    if not arrays:
        return {}
    start = np.quantile([time[0] for time, _, _ in arrays.values()], 0.75)
    end = np.quantile([time[-1] for time, _, _ in arrays.values()], 0.25)
    if end <= start:
        start = min(time[0] for time, _, _ in arrays.values())
        end = max(time[-1] for time, _, _ in arrays.values())
    instants = np.linspace(start, end, points).astype(np.int64)
    raster = {}
    for tag, (time, value, quality) in arrays.items():
        usable = (quality < 2) & ~np.isnan(value)
        known_time, known = time[usable], value[usable]
        if not len(known):
            raster[tag] = np.full(points, np.nan)
            continue
        position = np.searchsorted(known_time, instants, side="right") - 1
        age = instants - known_time[np.maximum(position, 0)]
        usual = np.median(np.diff(known_time)) if len(known_time) > 1 else 0
        fresh = (position >= 0) & (age <= max(100 * usual, 3_600_000_000))
        raster[tag] = np.where(fresh, known[np.maximum(position, 0)], np.nan)
    return raster


def find_contradictions(
    facts: Mapping[str, TagFacts],
    arrays: Arrays,
    quantities: Mapping[str, str],
    units: Mapping[str, str],
) -> list[Finding]:
    """Look for tags that are not what their names say.

    Parameters
    ----------
    facts : mapping of str to TagFacts
        Figures of each tag.
    arrays : mapping of str to (time, value, quality)
        Their samples.
    quantities, units : mapping of str to str
        Guessed quantity and unit of each tag; empty where there is no guess.

    Returns
    -------
    list of Finding
        The most telling first.
    """
    raster = common_raster(arrays)
    found: list[Finding] = []
    found += _efficiencies(facts, quantities, raster)
    found += _copies(raster, facts)
    found += _totals(facts, quantities, arrays)
    unsaid = {t: q for t, q in quantities.items() if not _says_absolute(q, units.get(t, ""))}
    found += _absolute_pressures(facts, unsaid, raster)
    found += _tank_balances(quantities, arrays)
    found += _proportional_meters(quantities, raster)
    found += _odd_ranges(facts, quantities, units)
    return found


def _both(one: NDArray[np.float64], two: NDArray[np.float64]) -> NDArray[np.bool_]:
    return ~(np.isnan(one) | np.isnan(two))


def _correlation(one: NDArray[np.float64], two: NDArray[np.float64]) -> float:
    known = _both(one, two)
    if known.sum() < LEAST_POINTS or np.ptp(one[known]) == 0 or np.ptp(two[known]) == 0:
        return 0.0
    return float(np.corrcoef(one[known], two[known])[0, 1])


def _efficiencies(
    facts: Mapping[str, TagFacts], quantities: Mapping[str, str], raster: Raster
) -> list[Finding]:
    found = []
    for tag in (t for t, q in quantities.items() if q == EFFICIENCY):
        own = facts[tag]
        if own.high <= 105 and own.low >= -5:
            why = f"its values lie between {own.low:.4g} and {own.high:.4g}"
            what = "is named an efficiency: a computed value, which is no measurement"
            found.append(Finding((tag,), what, why, "Leave it out; efficiency is computed here."))
            continue
        why = f"its values reach {own.high:.4g}"
        others = [
            (abs(_correlation(raster[tag], raster[other])), other)
            for other in raster
            if other != tag
        ]
        best = max(others, default=(0.0, ""))
        like: tuple[str, ...] = ()
        if best[0] > 0.9:
            why += f"; it follows '{best[1]}' (correlation {best[0]:.2f})"
            like = (best[1],)
        what = "is named an efficiency but cannot be one; a motor power in kW looks like this"
        found.append(Finding((tag, *like), what, why, "Ask what the tag measures."))
    return found


def _copies(raster: Raster, facts: Mapping[str, TagFacts]) -> list[Finding]:
    found = []
    moving = [t for t in raster if facts[t].distinct > 20]
    for one, two in itertools.combinations(moving, 2):
        known = _both(raster[one], raster[two])
        if known.sum() < LEAST_POINTS:
            continue
        a, b = raster[one][known], raster[two][known]
        if np.ptp(a) == 0 or np.ptp(b) == 0:
            continue
        equal = float((a == b).mean())
        if equal > 0.95:
            found.append(
                Finding(
                    (two, one),
                    f"shows the values of '{one}': one of them is mapped to the other's signal",
                    f"{100 * equal:.1f} % of {known.sum()} values are equal",
                    "Compare both with the local displays.",
                )
            )
    return found


def _totals(
    facts: Mapping[str, TagFacts], quantities: Mapping[str, str], arrays: Arrays
) -> list[Finding]:
    found = []
    flows = [t for t, q in quantities.items() if q == "flow"]
    for tag in flows:
        if facts[tag].is_counter:
            why = f"it rises from {facts[tag].low:.6g} to {facts[tag].high:.6g} and never falls"
            what = "is a running total among flow rates"
            found.append(Finding((tag,), what, why, "Declare quantity = 'flow_total'."))
    rates = [t for t in flows if not facts[t].is_counter]
    suspects = [*rates, *(t for t, q in quantities.items() if q == "flow_total")]
    for tag in suspects:
        if facts[tag].is_counter:
            continue
        best = _as_interval_total(tag, [t for t in rates if t != tag], facts, arrays)
        if best is None and quantities[tag] == "flow_total":
            what = "is named a total but does not rise: a total per interval, or a rate"
            why = f"its values lie between {facts[tag].low:.4g} and {facts[tag].high:.4g}"
            found.append(Finding((tag,), what, why, "Ask which; declare 'measures'."))
        elif best is not None:
            other, ratio, minutes, fit = best
            found.append(
                Finding(
                    (tag, other),
                    f"looks like a flow total per {minutes:.3g} min beside the rate '{other}'",
                    f"it is {ratio:.4g} times the mean of that rate (correlation {fit:.3f})",
                    "Declare measures = 'interval_total'.",
                )
            )
    return found


def _as_interval_total(
    tag: str, rates: Sequence[str], facts: Mapping[str, TagFacts], arrays: Arrays
) -> tuple[str, float, float, float] | None:
    """Compare a tag with the means of a faster rate over its own intervals."""
    time, value, _ = arrays[tag]
    interval = facts[tag].interval
    if len(time) < LEAST_POINTS or not interval >= 120:
        return None
    for other in rates:
        if facts[other].interval > interval / 3:
            continue
        fast_time, fast, _ = arrays[other]
        known = ~np.isnan(fast)
        total = np.concatenate([[0.0], np.cumsum(fast[known])])
        edges = np.searchsorted(fast_time[known], time, side="right")
        count = np.diff(edges)
        mean = np.diff(total[edges]) / np.maximum(count, 1)
        usable = (count > 0) & ~np.isnan(value[1:])
        if usable.sum() < LEAST_POINTS or np.ptp(mean[usable]) == 0:
            continue
        if np.ptp(value[1:][usable]) == 0:
            continue
        fit = float(np.corrcoef(mean[usable], value[1:][usable])[0, 1])
        ratio = float(np.sum(value[1:][usable]) / np.sum(mean[usable]))
        # The rate per hour, minute or second: the total per interval is the rate times that
        # part of an hour, minute or second.
        parts = (interval / 3600, interval / 60, interval)
        if fit > 0.98 and any(abs(ratio / part - 1) < 0.03 for part in parts):
            return other, ratio, interval / 60, fit
    return None


def _says_absolute(quantity: str, unit: str) -> bool:
    """Tell whether a unit such as psia says itself that the pressure is absolute."""
    is_pressure = bool(unit) and quantity.endswith("pressure")
    return is_pressure and conversion(unit, quantity).reference == "absolute"


_ATMOSPHERES = {"bar": (1.01325, 0.12), "kPa": (101.325, 12.0), "psi": (14.696, 1.7)}


def _absolute_pressures(
    facts: Mapping[str, TagFacts], quantities: Mapping[str, str], raster: Raster
) -> list[Finding]:
    """Find pressures that stand about one atmosphere above a pressure of the same place."""
    found = []
    names = [t for t, q in quantities.items() if q.endswith("pressure")]
    for one, two in itertools.permutations(names, 2):
        known = _both(raster[one], raster[two])
        if known.sum() < LEAST_POINTS or quantities[one] != quantities[two]:
            continue
        difference = raster[one][known] - raster[two][known]
        middle = float(np.median(difference))
        spread = float(np.quantile(np.abs(difference - middle), 0.8))
        for unit, (atmosphere, width) in _ATMOSPHERES.items():
            close = abs(middle - atmosphere) < width and spread < 0.3 * atmosphere
            # A gauge of the same kind goes near or below zero; an absolute one never does.
            if close and facts[one].low > 0.2 * atmosphere and facts[two].low < 0.6 * atmosphere:
                found.append(
                    Finding(
                        (one, two),
                        f"looks like an absolute pressure beside the gauge pressure '{two}'",
                        f"it stands {middle:.4g} above it, about one atmosphere in {unit}",
                        "Look at the plate of the transmitter; declare reference = 'absolute'.",
                    )
                )
                break
    return found


def _tank_balances(quantities: Mapping[str, str], arrays: Arrays) -> list[Finding]:
    """Find flows that are the change of a level: computed, hence no check of it."""
    found = []
    levels = [t for t, q in quantities.items() if q == "level"]
    flows = [t for t, q in quantities.items() if q == "flow"]
    for level, flow in itertools.product(levels, flows):
        time, height, quality = arrays[level]
        usable = (quality < 2) & ~np.isnan(height)
        time, height = time[usable], height[usable]
        flow_time, rate, _ = arrays[flow]
        if len(time) < LEAST_POINTS or len(flow_time) < LEAST_POINTS:
            continue
        for shift in (0, 1):
            change = np.diff(height) / np.maximum(np.diff(time), 1)
            stamp = time[shift : shift + len(change)]
            shared, mine, theirs = np.intersect1d(stamp, flow_time, return_indices=True)
            if len(shared) < LEAST_POINTS:
                continue
            a, b = change[mine], rate[theirs]
            known = _both(a, b)
            if known.sum() < LEAST_POINTS or np.ptp(a[known]) == 0 or np.ptp(b[known]) == 0:
                continue
            fit = float(np.corrcoef(a[known], b[known])[0, 1])
            if abs(fit) > 0.995:
                found.append(
                    Finding(
                        (flow, level),
                        f"is computed from the change of '{level}', not measured",
                        f"correlation {fit:.4f} at {known.sum()} common instants",
                        "Do not check one against the other; find the meter's own tag.",
                    )
                )
                break
    return found


def _proportional_meters(quantities: Mapping[str, str], raster: Raster) -> list[Finding]:
    found = []
    flows = [t for t, q in quantities.items() if q == "flow"]
    for one, two in itertools.combinations(flows, 2):
        known = _both(raster[one], raster[two])
        a, b = raster[one][known], raster[two][known]
        moving = (np.abs(a) > 0.02 * np.max(np.abs(a), initial=0)) if len(a) else known
        if len(a) < LEAST_POINTS or moving.sum() < LEAST_POINTS:
            continue
        if abs(_correlation(a, b)) < 0.995:
            continue
        ratio = float(np.median(b[moving] / a[moving]))
        if 0.7 < ratio < 1.4 and abs(ratio - 1) > 0.02:
            found.append(
                Finding(
                    (two, one),
                    f"reads {ratio:.3f} of '{one}' in proportion to flow",
                    f"correlation {_correlation(a, b):.4f}",
                    "If both measure the same water, one of the meters is wrong.",
                )
            )
    return found


_LIMITS = {
    "power_factor": (-1.01, 1.01),
    "temperature": (-60.0, 500.0),
    "level": (-2.0, 1e5),
    "electrical_power": (-5.0, 1e7),
    "speed": (-10.0, 20_000.0),
}


def _odd_ranges(
    facts: Mapping[str, TagFacts], quantities: Mapping[str, str], units: Mapping[str, str]
) -> list[Finding]:
    found = []
    for tag, quantity in quantities.items():
        own = facts[tag]
        low, high = _LIMITS.get(quantity, (-np.inf, np.inf))
        if own.p05 < low or own.p95 > high:
            found.append(
                Finding(
                    (tag,),
                    f"is named like {quantity.replace('_', ' ')} but its values are not",
                    f"they lie between {own.p05:.4g} and {own.p95:.4g}",
                    "Ask what the tag measures.",
                )
            )
        elif quantity == "running" and own.distinct > 2:
            found.append(
                Finding(
                    (tag,),
                    "is named like a state but takes many values",
                    f"{own.distinct} different values up to {own.high:.4g}",
                    "Ask what the tag measures; a speed or a load looks like this.",
                )
            )
        elif "pressure" in quantity and "vac" in units.get(tag, "").casefold() and own.median > 0:
            found.append(
                Finding(
                    (tag,),
                    "counts vacuum downwards: its positive values are below the atmosphere",
                    f"median {own.median:.4g}",
                    "Keep 'vac' in its unit, so that the sign is turned.",
                )
            )
    return found
