"""The regular grid: time-weighted averages of irregular samples, tag by tag.

The default aggregate is TimeAverage2 of OPC 10000-13, for three reasons. Historians report
by exception, so a plain mean of the samples weighs a restless minute more than a calm hour;
an average must be weighted by time. TimeAverage (without the 2) draws its bounds across Bad
samples, which invents data exactly where the transmitter said there was none; TimeAverage2
uses simple bounds and never looks past a Bad sample. And it carries the share of the interval
it stands on, which is what an uncertainty needs.

What the grid states beyond the standard, so that one interval never depends on how the grid,
the window or the files were cut:

* Every tag has a longest gap. Between two samples further apart than that there is no value,
  neither interpolated nor held.
* A sample that is not usable ends the segment before it: until then the last usable value is
  held (the standard's simple bound). With Uncertain declared unusable the standard drops
  that held value when an interval boundary cuts the segment; here it stays, so that the
  integral is the same on every grid.
* Nothing is extrapolated after the last sample.

Sums run over each interval's own segments in time order, never as differences of a running
sum, so the result is bit for bit the same for a month on its own (with the neighbouring
samples as halo) and for a year in one go.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.errors import ContractError, Fault

__all__ = ["GRID_COLUMNS", "Instant", "TagGrid", "TagSettings", "grid_samples", "grid_tag"]

GRID_COLUMNS = ("tag", "time", "value", "coverage", "sample_count", "worst_quality")

GOOD, UNCERTAIN, BAD = 0, 1, 2

Instant = int | datetime | np.datetime64
"""A UTC instant: microseconds since 1970, an aware datetime, or a naive ``datetime64`` in UTC."""


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
        Values in the exported unit; a value that is not finite is a Bad sample.
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
    finite = np.isfinite(value, out=work.array("mask", value.size, np.bool_))
    if not finite.all():
        quality = np.where(finite, quality, np.int8(BAD))
        value = np.where(finite, value, 0.0)
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


def grid_samples(
    samples: pa.Table,
    tag_settings: Mapping[Any, TagSettings],
    interval_us: int,
    window_start: Instant,
    window_end: Instant,
) -> pa.Table:
    """Put the samples of many tags on a regular UTC grid.

    Parameters
    ----------
    samples : pyarrow.Table
        Columns ``tag`` (integer code, or string, plain or dictionary), ``time`` (timestamp of
        any unit, UTC), ``value`` (double, exported unit, null = no value) and ``quality``
        (int8: 0 Good, 1 Uncertain, 2 Bad). The rows of a tag stand together, in time order.
        Samples outside the window bound the first and last interval and count nowhere.
    tag_settings : mapping of int or str to TagSettings
        Every tag wanted, by code or by name as in `samples`.
    interval_us : int
        Length of an interval. [µs]
    window_start : Instant
        Start of the first interval. [µs]
    window_end : Instant
        End of the last interval, excluded; a whole number of intervals later. [µs]

    Returns
    -------
    pyarrow.Table
        One row per tag and interval, sorted by tag and time: ``tag`` (int32 code, or
        dictionary<int32, string>), ``time`` (timestamp[us, UTC], start of the left-closed
        interval), ``value`` (double, SI; null-free, NaN where nothing is covered),
        ``coverage`` (float, share of the interval that carries a value), ``sample_count``
        (int32) and ``worst_quality`` (int8; the sample in force at the start counts too).

    Raises
    ------
    ContractError
        When the samples hold an undeclared tag, a null time, rows out of order, or when
        the window is not a whole number of intervals.

    Examples
    --------
    >>> samples = pa.table({
    ...     "tag": pa.array([7, 7, 7], pa.int32()),
    ...     "time": pa.array([0, 60_000_000, 180_000_000], pa.timestamp("us", "UTC")),
    ...     "value": [10.0, 20.0, 20.0],
    ...     "quality": pa.array([0, 0, 0], pa.int8()),
    ... })
    >>> settings = {7: TagSettings(max_gap_us=300_000_000)}
    >>> grid = grid_samples(samples, settings, 120_000_000, 0, 240_000_000)
    >>> grid["value"].to_pylist(), grid["coverage"].to_pylist()
    ([17.5, 20.0], [1.0, 0.5])
    """
    start_us, end_us = to_microseconds(window_start), to_microseconds(window_end)
    n_intervals, rest = divmod(end_us - start_us, interval_us)
    if n_intervals < 0 or rest:
        fault = Fault("window", f"{end_us - start_us} µs", f"a multiple of {interval_us} µs")
        raise ContractError("The window is not a whole number of intervals.", [fault])
    columns, runs = _split_by_tag(samples)
    unknown = [tag for tag in runs if tag not in tag_settings]
    if unknown:
        faults = [Fault(f"tag {tag}", "samples", "settings for the tag") for tag in unknown]
        raise ContractError("Samples of undeclared tags.", faults)

    tags = sorted(tag_settings)
    shape = (len(tags), n_intervals)
    workspace = Workspace()
    value, coverage = np.empty(shape), np.empty(shape, np.float32)
    count, worst = np.empty(shape, np.int32), np.empty(shape, np.int8)
    for row, tag in enumerate(tags):
        settings = tag_settings[tag]
        time, reading, quality = (column[runs.get(tag, slice(0, 0))] for column in columns)
        one = grid_tag(
            time, reading, quality, settings, interval_us, start_us, n_intervals, workspace
        )
        value[row] = scaled_value(one, settings)
        coverage[row] = one.covered / interval_us
        count[row], worst[row] = one.sample_count, one.worst
    return grid_table(tags, start_us, interval_us, value, coverage, count, worst)


def scaled_value(grid: TagGrid, settings: TagSettings) -> np.ndarray:
    """SI value of every interval; NaN where nothing is covered."""
    covered = np.where(grid.covered > 0, grid.covered, np.nan)
    if settings.aggregate == "time_average":
        return grid.integral / covered * settings.scale + settings.offset
    if settings.aggregate == "total":
        return (grid.integral * settings.scale + covered * settings.offset) / 1e6
    return np.where(grid.covered > 0, grid.integral, np.nan) * settings.scale


def grid_table(
    tags: Sequence[int] | Sequence[str],
    start_us: int,
    interval_us: int,
    value: np.ndarray,
    coverage: np.ndarray,
    count: np.ndarray,
    worst: np.ndarray,
) -> pa.Table:
    """Table of GRID_COLUMNS from arrays of shape (n_tags, n_intervals)."""
    n_tags, n_intervals = value.shape
    if tags and isinstance(tags[0], str):
        index = np.repeat(np.arange(n_tags, dtype=np.int32), n_intervals)
        tag = pa.DictionaryArray.from_arrays(index, pa.array(tags, pa.string()))
    else:
        tag = pa.array(np.repeat(np.asarray(tags, np.int32), n_intervals))
    time = np.tile(start_us + interval_us * np.arange(n_intervals), n_tags)
    return pa.table(
        {
            "tag": tag,
            "time": pa.array(time).cast(pa.timestamp("us", "UTC")),
            "value": value.ravel(),
            "coverage": coverage.ravel(),
            "sample_count": count.ravel(),
            "worst_quality": worst.ravel(),
        }
    )


def to_microseconds(instant: Instant) -> int:
    """Microseconds since 1970-01-01 UTC."""
    if isinstance(instant, datetime):
        if instant.tzinfo is None:
            fault = Fault("window", f"{instant.isoformat()} without a zone", "an aware datetime")
            raise ContractError("The window has no time zone.", [fault])
        # Through integers: a float of seconds would lose the last microseconds.
        since = instant - datetime(1970, 1, 1, tzinfo=UTC)
        return (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds
    if isinstance(instant, np.datetime64):
        return int(instant.astype("datetime64[us]").astype(np.int64))
    return int(instant)


def _split_by_tag(
    samples: pa.Table,
) -> tuple[tuple[np.ndarray, np.ndarray, np.ndarray], dict[Any, slice]]:
    """Time, value and quality arrays, and where each tag's rows stand."""
    if samples["time"].null_count:
        fault = Fault("time", f"{samples['time'].null_count} nulls", "a time in every row")
        raise ContractError("Samples without a time.", [fault])
    time = pc.cast(samples["time"], pa.timestamp("us", "UTC"), safe=False)
    time = pc.cast(time, pa.int64()).combine_chunks().to_numpy(zero_copy_only=False)
    value = samples["value"].cast(pa.float64()).combine_chunks().to_numpy(zero_copy_only=False)
    quality = samples["quality"].cast(pa.int8()).fill_null(BAD).combine_chunks()
    quality = quality.to_numpy(zero_copy_only=False)

    tag = samples["tag"]
    if not pa.types.is_dictionary(tag.type):
        tag = tag.dictionary_encode()
    tag = tag.unify_dictionaries().combine_chunks()
    if tag.null_count:
        fault = Fault("tag", f"{tag.null_count} nulls", "a tag in every row")
        raise ContractError("Samples without a tag.", [fault])
    index = tag.indices.to_numpy(zero_copy_only=False)
    names = tag.dictionary.to_pylist()
    change = np.flatnonzero(index[1:] != index[:-1]) + 1
    bounds = np.concatenate(([0], change, [index.size])) if index.size else np.zeros(1, int)
    runs: dict[Any, slice] = {}
    for low, high in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        name = names[index[low]]
        run = time[low:high]
        if name in runs or (run[1:] < run[:-1]).any():
            fault = Fault(f"tag {name}", "rows out of order", "rows sorted by tag and time")
            raise ContractError("Samples are not sorted.", [fault])
        runs[name] = slice(low, high)
    return (time, value, quality), runs
