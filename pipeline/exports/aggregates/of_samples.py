"""Aggregates of the raw samples in each interval (OPC 10000-13, clause 5.4.3).

All but Start, End and WorstQuality look at Good samples only, and call a result Uncertain
when other samples stood beside them. The example tables decide two finer points: for
Minimum, Maximum and Range an Uncertain sample does not spoil the result unless uncertain is
treated as bad; Count is judged by the shares of good and bad samples.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.exports.aggregates.model import (
    BAD,
    GOOD,
    UNCERTAIN,
    AggregateResult,
    Request,
)


class _GoodSamples:
    """The Good samples among the intervals, and how many others stood beside them."""

    def __init__(self, request: Request) -> None:
        good = np.flatnonzero(request.quality == GOOD)
        edges = np.searchsorted(good, np.append(request.first, request.stop[-1:]), side="left")
        self.first, self.stop = edges[:-1], edges[1:]
        self.value = request.value[good]
        self.n = self.stop - self.first
        self.any = self.n > 0
        rows = request.stop - request.first
        counts = np.concatenate(([0], np.cumsum(request.quality == BAD)))
        self.n_bad = counts[request.stop] - counts[request.first]
        self.n_uncertain = rows - self.n - self.n_bad

    def reduce(self, ufunc: np.ufunc, values: np.ndarray | None = None) -> np.ndarray:
        """`ufunc` over the good values of every interval; NaN where there are none."""
        out = np.full(self.n.size, np.nan)
        if self.value.size and self.any.any():
            values = self.value if values is None else values
            # Good samples after the last interval would join its sum: cut them off.
            values = values[: self.stop[self.any][-1]]
            out[self.any] = ufunc.reduceat(values, self.first[self.any])
        return out

    def status(self, spoiled: np.ndarray) -> np.ndarray:
        return np.where(self.any, np.where(spoiled, UNCERTAIN, GOOD), BAD)

    @property
    def beside_others(self) -> np.ndarray:
        return (self.n_bad + self.n_uncertain) > 0


def average(request: Request) -> AggregateResult:
    """Mean of the good samples, not weighted by time."""
    good = _GoodSamples(request)
    mean = good.reduce(np.add) / np.maximum(good.n, 1)
    result = request.result(mean, good.status(good.beside_others))
    # In the example tables Average alone never carries the Partial bit.
    return result._replace(partial=np.zeros(request.n, bool))


def extreme(of: str) -> Callable[[Request], AggregateResult]:
    """Minimum, Maximum or Range of the good samples."""

    def compute(request: Request) -> AggregateResult:
        good = _GoodSamples(request)
        low, high = good.reduce(np.minimum), good.reduce(np.maximum)
        spoiled = good.n_bad > 0
        if request.settings.treat_uncertain_as_bad:
            spoiled |= good.n_uncertain > 0
        value = {"Minimum": low, "Maximum": high, "Range": high - low}[of]
        return request.result(value, good.status(spoiled))

    return compute


def delta(request: Request) -> AggregateResult:
    """Last good sample minus the first good sample."""
    good = _GoodSamples(request)
    value = np.full(request.n, np.nan)
    some = good.any
    value[some] = good.value[good.stop[some] - 1] - good.value[good.first[some]]
    return request.result(value, good.status(good.beside_others))


def count(request: Request) -> AggregateResult:
    """Number of good samples; none at all when every sample is Bad."""
    good = _GoodSamples(request)
    rows = good.n + good.n_bad + good.n_uncertain
    bad = good.n_bad + (good.n_uncertain if request.settings.treat_uncertain_as_bad else 0)
    status = request.by_percent(good.n, bad, rows)
    only_bad = (rows > 0) & (good.n_bad == rows)
    only_uncertain = (good.n == 0) & (good.n_uncertain > 0)
    status = np.select([rows == 0, only_bad, only_uncertain], [GOOD, BAD, UNCERTAIN], status)
    return request.result(np.where(only_bad, np.nan, good.n), status)


def spread(of_sample: bool, squared: bool) -> Callable[[Request], AggregateResult]:
    """Standard deviation or variance of the good samples; 0 for a single one."""

    def compute(request: Request) -> AggregateResult:
        good = _GoodSamples(request)
        mean = good.reduce(np.add) / np.maximum(good.n, 1)
        # Two passes: deviations from each interval's own mean.
        inside = slice(int(good.first[0]), int(good.stop[-1]))
        deviation = np.zeros_like(good.value)
        deviation[inside] = good.value[inside] - np.repeat(mean, good.n)
        total = good.reduce(np.add, deviation * deviation)
        variance = total / np.maximum(good.n - (1 if of_sample else 0), 1)
        value = variance if squared else np.sqrt(variance)
        return request.result(value, good.status(good.beside_others))

    return compute


def end_sample(last: bool) -> Callable[[Request], AggregateResult]:
    """Start or End: the first or last raw sample, whatever its quality, with its time."""

    def compute(request: Request) -> AggregateResult:
        some = request.stop > request.first
        row = np.where(last, request.stop - 1, request.first)[some]
        value = np.full(request.n, np.nan)
        status = np.full(request.n, BAD, np.int8)
        time = request.start.copy()
        value[some], status[some] = request.value[row], request.quality[row]
        time[some] = request.time[row]
        return request.result(value, status, time)

    return compute


def worst_quality(request: Request) -> AggregateResult:
    """Worst quality of the raw samples; no result when there are none."""
    some = request.stop > request.first
    value = np.full(request.n, np.nan)
    if some.any():
        quality = request.quality[: request.stop[some][-1]]
        value[some] = np.maximum.reduceat(quality, request.first[some])
    return request.result(value, np.where(some, GOOD, BAD))
