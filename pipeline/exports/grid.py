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
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.errors import ContractError, Fault
from pipeline.exports.grid_kernel import (
    BAD,
    TagGrid,
    TagSettings,
    Workspace,
    grid_tag,
    scaled_value,
)

__all__ = ["GRID_COLUMNS", "Instant", "TagGrid", "TagSettings", "grid_samples"]

GRID_COLUMNS = ("tag", "time", "value", "coverage", "sample_count", "worst_quality")

Instant = int | datetime | np.datetime64
"""A UTC instant: microseconds since 1970, an aware datetime, or a naive ``datetime64`` in UTC."""


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
