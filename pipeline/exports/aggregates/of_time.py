"""Aggregates weighted by time, and interpolation (OPC 10000-13, clauses 3.1 and 5.4.3).

The intervals' edges and the samples together cut time into regions. Each region lies in one
interval, starts at a sample or at a bound, and is straight or level; sums run over them.

* Interpolated bounds (Interpolative, TimeAverage, Total) use the nearest usable samples and
  are Uncertain when something not usable lies between.
* Simple bounds (TimeAverage2, Total2, Duration*, Percent*) use the neighbouring samples
  whatever their quality: after a Bad one there is no value; before one the last value holds.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from pipeline.exports.aggregates.model import BAD, GOOD, UNCERTAIN, AggregateResult, Request


class _Bounds(NamedTuple):
    value: np.ndarray
    status: np.ndarray


def _interpolated(request: Request, points: np.ndarray) -> _Bounds:
    """Interpolated bounding values at any times; NaN and Bad before the first usable sample."""
    settings = request.settings
    usable = np.flatnonzero(request.quality <= settings.worst_usable)
    if usable.size == 0:
        return _Bounds(np.full(points.size, np.nan), np.full(points.size, BAD, np.int8))
    time, value, quality = (a[usable] for a in (request.time, request.value, request.quality))
    before = np.searchsorted(time, points, side="right") - 1
    after = np.minimum(before + 1, time.size - 1)
    known, last = before >= 0, before == time.size - 1
    before = np.maximum(before, 0)
    exact = known & (time[before] == points)

    left, right = before, after
    if settings.sloped_extrapolation and not settings.stepped:
        left = np.where(last, np.maximum(before - 1, 0), left)
        right = np.where(last, before, right)
    length = np.maximum(time[right] - time[left], 1)
    sloped = value[left] + (value[right] - value[left]) * ((points - time[left]) / length)
    held = settings.stepped | exact | (last & (not settings.sloped_extrapolation))
    out = np.where(known, np.where(held, value[before], sloped), np.nan)

    # Samples of any kind passed over: between the neighbours, or since the held one.
    reach = np.where(settings.stepped | last, points, time[after])
    seen = np.searchsorted(request.time, reach, side="left") - 1
    passed_over = seen > usable[before]
    doubtful = passed_over | (quality[before] != GOOD) | last
    if not settings.stepped:
        doubtful |= quality[after] != GOOD
    status = np.where(exact, quality[before], np.where(doubtful, UNCERTAIN, GOOD))
    return _Bounds(out, np.where(known, status, BAD).astype(np.int8))


def interpolative(request: Request) -> AggregateResult:
    """Value at the start of every interval, also after the last sample."""
    bounds = _interpolated(request, request.start)
    partial = np.zeros(request.n, bool)
    return AggregateResult(bounds.value, bounds.status, request.start, partial)


def _cut(request: Request, *more: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Starts and ends of the regions between all edges and samples, and their interval."""
    points = np.unique(np.concatenate((request.edges, *more)))
    low, high = np.searchsorted(points, (request.edges[0], request.edges[-1]))
    points = points[low : high + 1]
    start, end = points[:-1], points[1:]
    return start, end, np.searchsorted(request.edges, start, side="right") - 1


def time_average(total: bool) -> Callable[[Request], AggregateResult]:
    """TimeAverage or Total (seconds times unit): interpolated bounds, bridging Bad samples."""

    def compute(request: Request) -> AggregateResult:
        usable = request.quality <= request.settings.worst_usable
        start, end, at = _cut(request, request.time[usable])
        left = _interpolated(request, start)
        length = (end - start).astype(float)
        if request.settings.stepped:
            middle = left.value
        else:
            middle = 0.5 * (left.value + _interpolated(request, end).value)
        known = np.isfinite(middle)
        covered = request.per_interval(at, length * known)
        integral = request.per_interval(at, np.where(known, middle * length, 0.0))
        value = integral / 1e6 if total else integral / np.maximum(covered, 1.0)

        at_edges = _interpolated(request, request.edges).status != GOOD
        others = np.concatenate(([0], np.cumsum(request.quality != GOOD)))
        spoiled = others[request.stop] > others[request.first]
        doubtful = at_edges[:-1] | at_edges[1:] | spoiled | request.partial
        some = covered > 0
        status = np.where(some, np.where(doubtful, UNCERTAIN, GOOD), BAD)
        return request.result(np.where(some, value, np.nan), status)

    return compute


class _SimpleRegions:
    """Regions between edges and all raw samples, with simple bounds, up to the last sample."""

    def __init__(self, request: Request) -> None:
        settings, time, quality = request.settings, request.time, request.quality
        if time.size == 0:
            time, quality = request.edges[:1], np.full(1, BAD, np.int8)
            values = np.full(1, np.nan)
        else:
            values = request.value
        start, end, at = _cut(request, time, np.array([request.data_end]))
        within = start < request.data_end
        start, end, self.at = start[within], end[within], at[within]
        self.length = (end - start).astype(float)

        before = np.searchsorted(time, start, side="right") - 1
        known = before >= 0
        before = np.maximum(before, 0)
        exact = time[before] == start
        after = np.where(known, before + 1, 0)
        has_next = after < time.size
        after = np.minimum(after, time.size - 1)
        next_quality = np.where(has_next, quality[after], GOOD)
        own = np.where(known, quality[before], BAD)

        # A bound that leans on a doubtful next sample is itself Uncertain.
        leaning = own
        if not settings.stepped:
            leaning = np.where((own != BAD) & (next_quality != GOOD), UNCERTAIN, own)
        self.quality = np.where(exact & known, own, leaning)
        ends_at_sample = (has_next & (time[after] == end)) | (end == request.data_end)
        self.end_quality = np.where(ends_at_sample, self.quality, leaning)

        rises = has_next & (next_quality <= settings.worst_usable) & (not settings.stepped)
        gap = np.maximum(time[after] - time[before], 1)
        position = ((start - time[before]) + (end - time[before])) / (2 * gap)
        rise = np.where(rises, values[after] - values[before], 0.0)
        self.middle = values[before] + rise * position


def time_average_2(total: bool) -> Callable[[Request], AggregateResult]:
    """TimeAverage2 or Total2 (seconds times unit): simple bounds, nothing across Bad samples."""

    def compute(request: Request) -> AggregateResult:
        regions = _SimpleRegions(request)
        worst = request.settings.worst_usable
        usable = regions.quality <= worst
        covered = request.per_interval(regions.at, regions.length * usable)
        amount = np.where(usable, regions.middle * regions.length, 0.0)
        integral = request.per_interval(regions.at, amount)
        value = integral / 1e6 if total else integral / np.maximum(covered, 1.0)
        good = request.per_interval(
            regions.at, regions.length * (usable & (regions.end_quality <= worst))
        )
        bad = request.per_interval(regions.at, regions.length * ~usable)
        status = request.by_percent(good, bad, _length_judged(request))
        some = covered > 0
        return request.result(np.where(some, value, np.nan), np.where(some, status, BAD))

    return compute


def duration(of: str, percent: bool) -> Callable[[Request], AggregateResult]:
    """DurationGood, DurationBad (milliseconds) or PercentGood, PercentBad."""

    def compute(request: Request) -> AggregateResult:
        regions = _SimpleRegions(request)
        if of == "Good":
            chosen = regions.quality == GOOD
        else:
            chosen = regions.quality > request.settings.worst_usable
        lasted = request.per_interval(regions.at, regions.length * chosen)
        value = lasted * 100.0 / _length_judged(request) if percent else lasted / 1e3
        return request.result(value, np.zeros(request.n))

    return compute


def _length_judged(request: Request) -> np.ndarray:
    """Length shares are taken of: time before the first sample counts, after the last not."""
    ends = np.minimum(request.end, np.maximum(request.data_end, request.start + 1))
    return (ends - request.start).astype(float)
