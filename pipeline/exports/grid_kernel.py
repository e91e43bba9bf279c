"""One tag's samples integrated over equal intervals, whole arrays at a time.

`pipeline.exports.grid` says what the numbers mean; here is how they are summed. A segment is
what lies between a sample and the next. Each one is booked in the interval it starts in, cut
at that interval's end; the rest of it is booked in the intervals it runs on into.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from pipeline.errors import ContractError, Fault

__all__ = ["TagGrid", "TagSettings", "Workspace", "grid_tag", "scaled_value"]

GOOD, UNCERTAIN, BAD = 0, 1, 2

LARGEST_VALUE = 1e150
"""Beyond this no value is a reading: historians write the largest double for "no value", and
its sums would overflow and spoil the samples beside it."""


@dataclass(frozen=True, slots=True)
class TagSettings:
    """How the samples of one tag become grid values.

    Parameters
    ----------
    max_gap_us : int
        Longest gap between two samples that is still bridged. [µs]
    interpolation : {'linear', 'step'}
        Shape of the signal between two samples. [-]
    aggregate : {'time_average', 'total', 'delta'}
        ``time_average``: TimeAverage2. ``total``: integral over the covered time, in the
        value's unit times seconds (Total2). ``delta``: rise of a counter, shared out evenly
        over the time between two readings; a fall (reset or roll-over) covers nothing. [-]
    uncertain_is_usable : bool
        Whether Uncertain samples carry value and coverage. [-]
    scale : float
        SI value = exported value x scale + offset. [-]
    offset : float
        See `scale`; not applied to ``delta``. [-]
    """

    max_gap_us: int
    interpolation: Literal["linear", "step"] = "linear"
    aggregate: Literal["time_average", "total", "delta"] = "time_average"
    uncertain_is_usable: bool = True
    scale: float = 1.0
    offset: float = 0.0

    def __post_init__(self) -> None:
        faults = []
        if self.max_gap_us <= 0:
            faults.append(Fault("max_gap_us", str(self.max_gap_us), "more than 0"))
        if self.interpolation not in ("linear", "step"):
            faults.append(Fault("interpolation", repr(self.interpolation), "'linear' or 'step'"))
        if self.aggregate not in ("time_average", "total", "delta"):
            faults.append(
                Fault("aggregate", repr(self.aggregate), "'time_average', 'total' or 'delta'")
            )
        if faults:
            raise ContractError("The settings of a tag cannot be used.", faults)


class TagGrid(NamedTuple):
    """One tag on the grid, before scaling: one entry per interval.

    ``integral`` is value times microseconds over the covered time (for ``delta``: the rise);
    ``covered`` microseconds; ``sample_count`` raw samples; ``worst`` the worst quality among the
    samples and the one in force at the start, 2 when there is neither.
    """

    integral: np.ndarray
    covered: np.ndarray
    sample_count: np.ndarray
    worst: np.ndarray


class Workspace:
    """Arrays used again from call to call: fresh ones of this size cost more than the sums.

    One workspace must not serve two threads at the same time.
    """

    def __init__(self) -> None:
        self._arrays: dict[str, np.ndarray] = {}

    def array(self, name: str, size: int, kind: type) -> np.ndarray:
        """Array of that size with any content; the next call of that name overwrites it."""
        array = self._arrays.get(name)
        if array is None or array.size < size:
            array = self._arrays[name] = np.empty(size, kind)
        return array[:size]


def grid_tag(
    time: np.ndarray,
    value: np.ndarray,
    quality: np.ndarray,
    settings: TagSettings,
    interval_us: int,
    start_us: int,
    n_intervals: int,
    workspace: Workspace | None = None,
) -> TagGrid:
    """Integrate the samples of one tag over `n_intervals` equal intervals.

    Parameters
    ----------
    time : ndarray of int64, shape (n_samples,)
        Non-decreasing UTC times. Samples outside the window only bound it. [µs]
    value : ndarray of float64, shape (n_samples,)
        Values in the exported unit; NaN, or one beyond ±1e150, is a Bad sample.
    quality : ndarray of int8, shape (n_samples,)
        0 Good, 1 Uncertain, 2 Bad. [-]
    settings : TagSettings
        Interpolation, longest gap and aggregate.
    interval_us : int
        Length of an interval. [µs]
    start_us : int
        Start of the first interval. [µs]
    n_intervals : int
        Number of intervals, left-closed and labelled by their start. [-]
    workspace : Workspace, optional
        Arrays to use again; the result never lies in them. [-]

    Returns
    -------
    TagGrid
        Arrays of shape (n_intervals,): float64, float64, int64, int8.
    """
    end_us = start_us + n_intervals * interval_us
    first, stop = np.searchsorted(time, (start_us, end_us), side="left")
    # One sample on either side is all the halo an interval can feel.
    low, high = max(int(first) - 1, 0), min(int(stop) + 1, time.size)
    time, value, quality = time[low:high], value[low:high], quality[low:high]
    inside = slice(int(first) - low, int(stop) - low)

    work = Workspace() if workspace is None else workspace
    # False for NaN too.
    readable = np.less(value, LARGEST_VALUE, out=work.array("mask", value.size, np.bool_))
    readable &= value > -LARGEST_VALUE
    if not readable.all():
        quality = np.where(readable, quality, np.int8(BAD))
        value = np.where(readable, value, 0.0)
    signal = _Signal(time, value, quality, settings, work)

    # Segments that run on past the interval they start in: keep the part inside here, and
    # hand the rest to the intervals it reaches.
    k = np.subtract(time, start_us, out=work.array("k", time.size, np.int64))
    k //= interval_us
    changed = work.array("mask", signal.length.size, np.bool_)
    changes = np.flatnonzero(np.not_equal(k[1:], k[:-1], out=changed))
    cut = start_us + (k[changes] + 1) * interval_us
    runs_on = (time[changes + 1] > cut) & (signal.length[changes] <= settings.max_gap_us)
    if not runs_on.all():
        cut = cut[runs_on]
    leaving = changes[runs_on]
    line = signal.line(leaving)
    amount, lasted = signal.amount, signal.lasted
    amount[leaving], lasted[leaving] = line.part(line.start, cut)

    # bincount adds in row order; of no rows at all it makes integers, hence the astype.
    at = k[inside]
    integral = np.bincount(at, amount[inside], n_intervals).astype(float, copy=False)
    covered = np.bincount(at, lasted[inside], n_intervals).astype(float, copy=False)
    count, worst = np.zeros(n_intervals, np.int64), np.full(n_intervals, BAD, np.int8)
    if at.size:
        # The rows of an interval stand together: from each head to the next.
        heads = changes + 1 - inside.start
        heads = np.concatenate(([0], heads[(heads > 0) & (heads < at.size)]))
        count[at[heads]] = np.diff(heads, append=at.size)
        worst[at[heads]] = GOOD
    if signal.doubtful.size:
        rows = signal.doubtful
        rows = rows[(rows >= inside.start) & (rows < inside.stop)]
        np.maximum.at(worst, k[rows], quality[rows])

    ends = time[leaving + 1]
    k_from, k_to = k[leaving] + 1, k[leaving + 1]
    # A segment that ends just where an interval starts does not reach into it.
    k_to = k_to - (start_us + k_to * interval_us == ends)
    if (k_from != k_to).any() or (k_from < 0).any() or (k_to >= n_intervals).any():
        k_from, k_to = np.maximum(k_from, 0), np.minimum(k_to, n_intervals - 1)
        pieces = np.maximum(k_to - k_from + 1, 0)
        # Position of every piece: counts up from k_from within each segment.
        ahead = np.cumsum(pieces) - pieces
        reached = np.arange(pieces.sum()) + np.repeat(k_from - ahead, pieces)
        line = _Line(*(np.repeat(column, pieces) for column in line))
        leaving, ends = np.repeat(leaving, pieces), np.repeat(ends, pieces)
        begins = start_us + reached * interval_us
        ends = np.minimum(ends, begins + interval_us)
    else:
        reached, begins = k_to, cut
    # An interval has one instant at its start, hence one piece at most: plain indexing adds.
    piece_amount, piece_lasted = line.part(begins, ends)
    integral[reached] += piece_amount
    covered[reached] += piece_lasted
    in_force = quality[leaving]
    worst[reached] = np.where(count[reached] > 0, np.maximum(worst[reached], in_force), in_force)
    # Adding zero turns the -0.0 of an uncovered negative value into 0.0.
    return TagGrid(integral + 0.0, covered, count, worst)


class _Line(NamedTuple):
    """Straight pieces of signal: value at their start, slope, and 1 or 0 for covered."""

    start: np.ndarray
    value: np.ndarray
    slope: np.ndarray
    covers: np.ndarray

    def part(self, begins: np.ndarray, ends: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Integral and covered time from `begins` to `ends`."""
        lasted = (ends - begins) * self.covers
        middle = 0.5 * ((begins - self.start) + (ends - self.start))
        return (self.value + self.slope * middle) * lasted, lasted


class _Signal:
    """Integral (for a counter: rise) and covered time from each sample to the next.

    Rows that carry nothing are few as a rule, so they are listed, not masked.
    """

    def __init__(
        self,
        time: np.ndarray,
        value: np.ndarray,
        quality: np.ndarray,
        settings: TagSettings,
        work: Workspace,
    ) -> None:
        n = max(time.size - 1, 0)
        self._time, self._value, self._settings = time, value, settings
        length = work.array("length", n, np.int64)
        self.length = np.subtract(time[1:], time[:-1], out=length)
        self.doubtful = np.flatnonzero(quality)
        self._quality = quality
        self._worst = UNCERTAIN if settings.uncertain_is_usable else GOOD
        unusable = self.doubtful[quality[self.doubtful] > self._worst]
        # Segments whose end is not usable: the value of their start is held.
        self._held = unusable[unusable > 0] - 1
        none = unusable[unusable < n]

        self.amount = work.array("amount", time.size, np.float64)
        self.lasted = work.array("lasted", time.size, np.float64)
        self.amount[n:], self.lasted[n:] = 0.0, 0.0
        body, left, right = self.amount[:n], value[:-1], value[1:]
        self.lasted[:n] = self.length
        if self.length.max(initial=0) > settings.max_gap_us:
            none = np.append(none, np.flatnonzero(self.length > settings.max_gap_us))
        if settings.aggregate == "delta":
            none = np.append(none, np.flatnonzero((right < left) | (self.length <= 0)))
            none = np.append(none, self._held)
            np.subtract(right, left, out=body)
            body[none] = 0.0
            self.lasted[none] = 0.0
            return
        self.lasted[none] = 0.0
        if settings.interpolation == "linear":
            np.add(left, right, out=body)
            body *= 0.5
            body[self._held] = left[self._held]
        else:
            body[:] = left
        body *= self.lasted[:n]

    def line(self, segments: np.ndarray) -> _Line:
        """The given segments (ascending) as lines that can be cut anywhere."""
        start, value = self._time[segments], self._value[segments]
        covers = (self.lasted[segments] > 0).astype(float)
        rise = self._value[segments + 1] - value
        if self._settings.aggregate == "delta":
            return _Line(start, rise / self.length[segments], np.zeros(value.size), covers)
        if self._settings.interpolation == "step":
            return _Line(start, value, np.zeros(value.size), covers)
        if self._held.size:
            rise[self._quality[segments + 1] > self._worst] = 0.0
        return _Line(start, value, rise / self.length[segments], covers)


def scaled_value(grid: TagGrid, settings: TagSettings) -> np.ndarray:
    """SI value of every interval; NaN where nothing is covered."""
    covered = np.where(grid.covered > 0, grid.covered, np.nan)
    if settings.aggregate == "time_average":
        return grid.integral / covered * settings.scale + settings.offset
    if settings.aggregate == "total":
        return (grid.integral * settings.scale + covered * settings.offset) / 1e6
    return np.where(grid.covered > 0, grid.integral, np.nan) * settings.scale
