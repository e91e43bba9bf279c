"""The checks of a tag's samples, and their reduction to days."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.exports.checks import (
    Neighbour,
    is_flatlined,
    is_out_of_range,
    is_repeated,
    is_spike,
)
from pipeline.exports.quality import BAD
from pipeline.exports.reading import DISORDER_SCHEMA
from pipeline.exports.tag_samples import TagPieces, TagSamples
from pipeline.plant.types import Snapshot, Tag

__all__ = ["DAILY_SCHEMA", "DailyChecks", "daily_checks", "neighbour_tags", "sample_faults"]

Int64 = NDArray[np.int64]
Days = dict[str, NDArray[Any]]
"""Columns of ``DAILY_SCHEMA``."""

_NOWHERE: Int64 = np.zeros(0, dtype=np.int64)
_EARLIEST, _LATEST = np.iinfo(np.int64).min, np.iinfo(np.int64).max

FAULT_NAMES = ("repeated", "flatlined", "spikes", "out_of_range")

DAILY_SCHEMA = pa.schema(
    [
        pa.field("tag", pa.string(), nullable=False),
        pa.field("day", pa.timestamp("us", tz="UTC"), nullable=False),
        pa.field("samples", pa.int64(), nullable=False),
        pa.field("coverage", pa.float64(), nullable=False),
        pa.field("longest_gap", pa.float64(), nullable=False),
        pa.field("bad", pa.int64(), nullable=False),
        pa.field("uncertain", pa.int64(), nullable=False),
        *(pa.field(name, pa.int64(), nullable=False) for name in FAULT_NAMES),
        *(pa.field(name, pa.int64(), nullable=False) for name in DISORDER_SCHEMA.names[2:]),
        pa.field("contradictions", pa.int64(), nullable=False),
    ]
)
"""One row per tag and local day: day is the start of the local day in UTC.

``coverage`` is the part of the day between samples no further apart than the tag's longest
gap, the earlier of them not bad [-]; ``longest_gap`` the longest time of the day without a
usable sample [s]. Days run from a tag's first to its last sample of the span; days in between
without any sample are rows too, with coverage 0. ``contradictions`` are instants of which two
files say different things.
"""


_FOLLOWING_LEVELS = ("open_tank", "wet_well", "pressurised_main")
"""Kinds of sources whose level or pressure moves with what is drawn; a vessel's is held by a
controller, and a well's static level hardly moves."""


def neighbour_tags(plant: Snapshot) -> dict[str, tuple[str, ...]]:
    """Say for each tag which others must move when it should.

    Parameters
    ----------
    plant : Snapshot
        The plant during one era.

    Returns
    -------
    dict of str to tuple of str
        Suction pressure follows the source's level or pressure and the pump's flow and power;
        discharge pressure, flow and power follow each other; a level follows the flows drawn
        from its tank, unless something else holds it.
    """
    found: dict[str, set[str]] = {}

    def follow(tag: str | None, *others: str | None) -> None:
        if tag is not None:
            found.setdefault(tag, set()).update(o for o in others if o is not None and o != tag)

    for pump in plant.pumps.values():
        line = plant.lines.get(pump.suction_line)
        source = None if line is None else plant.sources.get(line.source)
        level = None if source is None else source.level_tag or source.pressure_tag
        meter = plant.meter_of(pump.id)
        flow = pump.flow_tag or (meter.tag if meter else None)
        follow(pump.suction_pressure_tag, level, flow, pump.power_tag)
        follow(pump.discharge_pressure_tag, flow, pump.power_tag)
        follow(flow, pump.power_tag)
        follow(pump.power_tag, flow)
        if source is not None and source.kind in _FOLLOWING_LEVELS:
            follow(level, flow)
    return {tag: tuple(sorted(others)) for tag, others in found.items()}


def sample_faults(
    samples: pa.Table,
    tags: Mapping[str, Tag],
    neighbours: Mapping[str, Sequence[str]],
    holds: Mapping[str, float] | None = None,
) -> dict[str, NDArray[np.bool_]]:
    """Check samples, tag by tag.

    Parameters
    ----------
    samples : Table
        ``SAMPLES_SCHEMA`` in SI, sorted by tag and time.
    tags : mapping of str to Tag
        Their ranges.
    neighbours : mapping of str to sequence of str
        As given by ``neighbour_tags``.
    holds : mapping of str to float, optional
        How long each tag usually holds a value [s], from a longer history than these samples.

    Returns
    -------
    dict of str to ndarray of bool
        ``repeated``, ``flatlined``, ``spikes`` and ``out_of_range``, one entry per row of the
        samples; True is a fault (a repeated value is a remark rather than a fault).
    """
    pieces = TagPieces([samples])
    checks = _TagChecks(partial(_all_of, pieces), tags, neighbours, holds)
    found = [checks.faults(tag, _all_of(pieces, tag)) for tag in pieces.tags]
    empty = np.zeros(0, dtype=bool)
    return {name: np.concatenate([empty, *(f[name] for f in found)]) for name in FAULT_NAMES}


def _all_of(pieces: TagPieces, tag: str) -> TagSamples:
    return pieces.of(tag, _EARLIEST, _LATEST)


class _TagChecks:
    """The checks of one tag's samples; the neighbours' are asked for where they are needed."""

    def __init__(
        self,
        samples_of: Callable[[str], TagSamples],
        tags: Mapping[str, Tag],
        neighbours: Mapping[str, Sequence[str]],
        holds: Mapping[str, float] | None,
    ) -> None:
        self._samples_of, self._tags = samples_of, tags
        self._neighbours, self._holds = neighbours, holds

    def faults(self, tag: str, samples: TagSamples) -> dict[str, NDArray[np.bool_]]:
        """Give a mask of each of ``FAULT_NAMES``."""
        time, value = samples.time, samples.usable
        limits = self._tags.get(tag)
        hold = None if self._holds is None else self._holds.get(tag)
        return {
            "repeated": is_repeated(value),
            "flatlined": is_flatlined(time, value, partial(self._beside, tag), hold),
            "spikes": is_spike(time, value),
            "out_of_range": (
                np.zeros(len(value), dtype=bool)
                if limits is None
                else is_out_of_range(value, limits.low, limits.high)
            ),
        }

    def _beside(self, tag: str) -> list[Neighbour]:
        found = (self._samples_of(other) for other in self._neighbours.get(tag, ()))
        return [Neighbour(one.time, one.usable) for one in found if len(one.time)]


class DailyChecks:
    """The checks of samples, reduced to local days, one tag after the other.

    Parameters
    ----------
    samples_of : callable
        Gives the samples of a tag, in SI; called for neighbours, in any thread.
    tags : mapping of str to Tag
        Their ranges and longest gaps.
    zone : str
        Station's IANA zone; days are counted in it.
    start, end : Timestamp
        The span ``[start, end)``, UTC, at starts of local days.
    neighbours, holds
        As for ``sample_faults``.
    """

    def __init__(
        self,
        samples_of: Callable[[str], TagSamples],
        tags: Mapping[str, Tag],
        zone: str,
        start: pd.Timestamp,
        end: pd.Timestamp,
        neighbours: Mapping[str, Sequence[str]],
        holds: Mapping[str, float] | None = None,
    ) -> None:
        self._checks = _TagChecks(samples_of, tags, neighbours, holds)
        self._tags = tags
        self._edges = _day_edges(zone, start, end)
        self._first = start.tz_convert(zone).tz_localize(None).normalize()

    def days(self, tag: str, samples: TagSamples, contradicted: Int64 = _NOWHERE) -> Days | None:
        """Give the columns of ``DAILY_SCHEMA`` for one tag; None without a sample in the span.

        May be called from several threads.

        Parameters
        ----------
        tag : str
            The tag.
        samples : TagSamples
            Its samples in SI.
        contradicted : ndarray of int64
            Instants [µs], ascending, of which files say different things.

        Returns
        -------
        Days or None
            One entry per day in each column.
        """
        gap = self._tags[tag].max_gap if tag in self._tags else float("inf")
        faults = self._checks.faults(tag, samples)
        return _days_of(tag, samples, faults, contradicted, self._edges, gap)

    def table(self, parts: Sequence[Days], disorder: pa.Table | None = None) -> pa.Table:
        """Put the days of all tags together.

        Parameters
        ----------
        parts : sequence of Days
            Of the tags in ascending order.
        disorder : Table, optional
            As for ``daily_checks``.

        Returns
        -------
        Table
            ``DAILY_SCHEMA``, by tag and day.
        """
        names = [f.name for f in DAILY_SCHEMA]
        # One frame of all tags: a frame per tag would cost more than the checks.
        columns = {n: np.concatenate([p[n] for p in parts]) for n in names} if parts else {}
        frame = pd.DataFrame(columns) if parts else _no_days()
        frame = _with_events(frame, disorder, self._edges, self._first)
        frame["day"] = pd.DatetimeIndex(frame["day"].to_numpy().view("datetime64[us]"), tz="UTC")
        return pa.Table.from_pandas(frame, schema=DAILY_SCHEMA, preserve_index=False)


def daily_checks(
    samples: pa.Table,
    tags: Mapping[str, Tag],
    zone: str,
    start: pd.Timestamp,
    end: pd.Timestamp,
    neighbours: Mapping[str, Sequence[str]],
    holds: Mapping[str, float] | None = None,
    disorder: pa.Table | None = None,
) -> pa.Table:
    """Reduce the checks of samples to local days.

    Parameters
    ----------
    samples : Table
        ``SAMPLES_SCHEMA`` in SI, sorted by tag and time; those outside the span are halo.
    tags, zone, start, end, neighbours, holds
        As for ``DailyChecks``.
    disorder : Table, optional
        ``DISORDER_SCHEMA`` of the files behind these samples, by days of `zone`.

    Returns
    -------
    Table
        ``DAILY_SCHEMA``, by tag and day.
    """
    pieces = TagPieces([samples])
    checks = DailyChecks(partial(_all_of, pieces), tags, zone, start, end, neighbours, holds)
    parts = [checks.days(tag, _all_of(pieces, tag)) for tag in pieces.tags]
    return checks.table([days for days in parts if days is not None], disorder)


def _no_days() -> pd.DataFrame:
    return pd.DataFrame({f.name: [] for f in DAILY_SCHEMA}).astype(
        {f.name: "int64" for f in DAILY_SCHEMA if f.name not in ("tag", "coverage", "longest_gap")}
    )


def _day_edges(zone: str, start: pd.Timestamp, end: pd.Timestamp) -> Int64:
    first = start.tz_convert(zone).normalize().tz_localize(None)
    last = end.tz_convert(zone).tz_localize(None)
    days = pd.date_range(first, last + pd.Timedelta(days=1), freq="D")
    # A zone that changes its clocks at midnight has days that start at one o'clock.
    aware = days.tz_localize(zone, ambiguous=np.ones(len(days), bool), nonexistent="shift_forward")
    edges = aware.tz_convert("UTC").as_unit("us").asi8
    limit = end.value // 1000
    return edges[: int(np.searchsorted(edges, limit)) + 1]


def _days_of(
    tag: str,
    samples: TagSamples,
    faults: Mapping[str, NDArray[np.bool_]],
    contradicted: Int64,
    edges: Int64,
    max_gap: float,
) -> Days | None:
    time, quality = samples.time, samples.quality
    inside = np.searchsorted(time, edges[[0, -1]]) if len(edges) > 1 else np.zeros(2, int)
    if inside[0] == inside[1]:
        return None
    ends = time[inside - [0, 1]]
    first, last = (np.searchsorted(edges, ends, side="right") - 1).tolist()
    bounds = edges[first : last + 2]
    starts = np.searchsorted(time, bounds)

    def number(found: NDArray[np.intp]) -> Int64:
        return np.diff(np.searchsorted(found, starts))

    # Few rows are not good, so they are listed, not masked.
    doubtful = np.flatnonzero(quality)
    bad = doubtful[quality[doubtful] == BAD]
    covered = _covered(time, bad, max_gap, bounds)
    usable_time = np.delete(time, bad) if len(bad) else time
    count = len(bounds) - 1
    days = list(itertools.pairwise(starts.tolist()))
    columns = {
        "tag": np.full(count, tag, dtype=object),
        "day": bounds[:-1],
        "samples": np.diff(starts),
        "coverage": covered / np.diff(bounds),
        "longest_gap": _longest_gaps(usable_time, bounds) / 1e6,
        "bad": number(bad),
        "uncertain": number(doubtful[quality[doubtful] == 1]),
        **{
            name: np.array([np.count_nonzero(faults[name][low:high]) for low, high in days])
            for name in FAULT_NAMES
        },
        "contradictions": np.diff(np.searchsorted(contradicted, bounds)),
    }
    none = np.zeros(count, dtype=np.int64)
    return columns | dict.fromkeys(DISORDER_SCHEMA.names[2:], none)


def _covered(
    time: Int64, bad: NDArray[np.intp], max_gap: float, bounds: Int64
) -> NDArray[np.float64]:
    """Give the covered time of each day [µs]: a running sum, read off at the days' bounds."""
    step = np.diff(time)
    # Steps that are not bridged are few as a rule: what has gone by, less theirs.
    loose = bad[bad < len(step)]
    if len(step) and step.max() > max_gap * 1e6:
        loose = np.union1d(np.flatnonzero(step > max_gap * 1e6), loose)
    missing = np.concatenate([[0], np.cumsum(step[loose])])
    position = np.clip(np.searchsorted(time, bounds, side="right") - 1, 0, len(step))
    before = np.searchsorted(loose, position)
    total = time[position] - time[0] - missing[before]
    beyond = np.maximum(bounds - time[position], 0)
    is_loose = np.append(loose, -1)[before] == position
    follows = (position < len(step)) & ~is_loose
    at = total + np.where(follows & (bounds > time[0]), beyond, 0)
    return np.diff(at).astype(np.float64)


def _longest_gaps(time: Int64, bounds: Int64) -> NDArray[np.float64]:
    """Give the longest time of each day without a usable sample [µs]."""
    gaps = np.diff(bounds)
    starts = np.searchsorted(time, bounds)
    some = np.flatnonzero(starts[1:] > starts[:-1])
    if len(some):
        first, last = starts[some], starts[some + 1] - 1
        at_ends = np.maximum(time[first] - bounds[some], bounds[some + 1] - time[last])
        # Between first and last; of a single sample nothing lies between.
        step = np.append(np.diff(time), 0)
        between = np.maximum.reduceat(step, np.stack([first, last], axis=1).ravel())[::2]
        gaps[some] = np.maximum(at_ends, np.where(last > first, between, 0))
    return gaps.astype(np.float64)


def _with_events(
    frame: pd.DataFrame, events: pa.Table | None, edges: Int64, first: pd.Timestamp
) -> pd.DataFrame:
    if events is None or not events.num_rows or frame.empty:
        return frame
    found = events.to_pandas()
    # Starts of the zone's days stand one after the other, from the first one on.
    position = np.asarray((pd.to_datetime(found["day"]) - first) // pd.Timedelta(days=1))
    inside = (position >= 0) & (position < len(edges) - 1)
    found = found.loc[inside].assign(day=edges[position[inside]])
    names = events.column_names[2:]
    summed = found.groupby(["tag", "day"])[names].sum().reset_index()
    merged = frame.drop(columns=names).merge(summed, on=["tag", "day"], how="left")
    merged[names] = merged[names].fillna(0).astype("int64")
    return merged
