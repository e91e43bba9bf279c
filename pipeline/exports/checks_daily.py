"""The checks of a tag's samples, and their reduction to days."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
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
from pipeline.exports.reading import DISORDER_SCHEMA, SAMPLES_SCHEMA
from pipeline.exports.tag_runs import tag_edges
from pipeline.plant.types import Snapshot, Tag

__all__ = ["DAILY_SCHEMA", "daily_checks", "neighbour_tags", "sample_faults"]

Int64 = NDArray[np.int64]

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
    ]
)
"""One row per tag and local day: day is the start of the local day in UTC.

``coverage`` is the part of the day between samples no further apart than the tag's longest
gap, the earlier of them not bad [-]; ``longest_gap`` the longest time of the day without a
usable sample [s]. Days run from a tag's first to its last sample of the span; days in between
without any sample are rows too, with coverage 0.
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


class _ByTag:
    """Arrays of a samples table and where each tag's rows are."""

    def __init__(self, samples: pa.Table) -> None:
        table = samples.unify_dictionaries().combine_chunks()
        tag = table.column("tag").combine_chunks()
        if isinstance(tag, pa.ChunkedArray):  # what Arrow makes of no chunk at all
            tag = pa.array([], SAMPLES_SCHEMA.field("tag").type)
        code = tag.indices.to_numpy(zero_copy_only=False)
        names = tag.dictionary.to_pylist()
        self.time = table.column("time").cast(pa.int64()).to_numpy()
        self.value = table.column("value").to_numpy()
        self.quality = table.column("quality").to_numpy()
        edges = tag_edges(code)
        self.rows = {names[code[a]]: slice(int(a), int(b)) for a, b in itertools.pairwise(edges)}

    def usable(self, tag: str) -> NDArray[np.float64]:
        rows = self.rows[tag]
        bad = self.quality[rows] == 2
        return np.where(bad, np.nan, self.value[rows]) if bad.any() else self.value[rows]


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
    data = _ByTag(samples)
    faults = {name: np.zeros(samples.num_rows, dtype=bool) for name in FAULT_NAMES}
    for tag, rows in data.rows.items():
        time, value = data.time[rows], data.usable(tag)
        faults["repeated"][rows] = is_repeated(value)
        faults["spikes"][rows] = is_spike(time, value)
        if tag in tags:
            faults["out_of_range"][rows] = is_out_of_range(value, tags[tag].low, tags[tag].high)
        beside = [
            Neighbour(data.time[data.rows[other]], data.usable(other))
            for other in neighbours.get(tag, ())
            if other in data.rows
        ]
        hold = None if holds is None else holds.get(tag)
        faults["flatlined"][rows] = is_flatlined(time, value, beside, hold)
    return faults


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
    tags : mapping of str to Tag
        Their ranges and longest gaps.
    zone : str
        Station's IANA zone; days are counted in it.
    start, end : Timestamp
        The span ``[start, end)``, UTC, at starts of local days.
    neighbours, holds
        As for ``sample_faults``.
    disorder : Table, optional
        ``DISORDER_SCHEMA`` of the files behind these samples; its UTC days are taken for the
        local days that hold their noon.

    Returns
    -------
    Table
        ``DAILY_SCHEMA``, by tag and day.
    """
    data = _ByTag(samples)
    faults = sample_faults(samples, tags, neighbours, holds)
    edges = _day_edges(zone, start, end)
    parts: list[dict[str, NDArray[Any]]] = []
    for tag, rows in data.rows.items():
        gap = tags[tag].max_gap if tag in tags else float("inf")
        days = _days_of(data, faults, tag, rows, edges, gap)
        parts += [] if days is None else [days]
    names = [f.name for f in DAILY_SCHEMA]
    # One frame of all tags: a frame per tag would cost more than the checks.
    columns = {n: np.concatenate([p[n] for p in parts]) for n in names} if parts else {}
    frame = pd.DataFrame(columns) if parts else _no_days()
    frame = _with_events(frame, disorder, edges)
    frame["day"] = pd.DatetimeIndex(frame["day"].to_numpy().view("datetime64[us]"), tz="UTC")
    return pa.Table.from_pandas(frame, schema=DAILY_SCHEMA, preserve_index=False)


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
    data: _ByTag,
    faults: Mapping[str, NDArray[np.bool_]],
    tag: str,
    rows: slice,
    edges: Int64,
    max_gap: float,
) -> dict[str, NDArray[Any]] | None:
    """Give the columns of ``DAILY_SCHEMA`` for one tag; None without a sample in the span."""
    time, quality = data.time[rows], data.quality[rows]
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
    bad = doubtful[quality[doubtful] == 2]
    covered = _covered(time, bad, max_gap, bounds)
    usable_time = np.delete(time, bad) if len(bad) else time
    count = len(bounds) - 1
    columns = {
        "tag": np.full(count, tag, dtype=object),
        "day": bounds[:-1],
        "samples": np.diff(starts),
        "coverage": covered / np.diff(bounds),
        "longest_gap": _longest_gaps(usable_time, bounds) / 1e6,
        "bad": number(bad),
        "uncertain": number(doubtful[quality[doubtful] == 1]),
        **{name: number(np.flatnonzero(faults[name][rows])) for name in FAULT_NAMES},
    }
    none = np.zeros(count, dtype=np.int64)
    return columns | dict.fromkeys(DISORDER_SCHEMA.names[2:], none)


def _covered(
    time: Int64, bad: NDArray[np.intp], max_gap: float, bounds: Int64
) -> NDArray[np.float64]:
    """Give the covered time of each day [µs]: a running sum, read off at the days' bounds."""
    step = np.diff(time)
    # Steps that are not bridged are few as a rule: what has gone by, less theirs.
    loose = np.union1d(np.flatnonzero(step > max_gap * 1e6), bad[bad < len(step)])
    missing = np.concatenate([[0], np.cumsum(step[loose])])
    position = np.clip(np.searchsorted(time, bounds, side="right") - 1, 0, len(step))
    total = time[position] - time[0] - missing[np.searchsorted(loose, position)]
    beyond = np.maximum(bounds - time[position], 0)
    follows = (position < len(step)) & ~np.isin(position, loose)
    at = total + np.where(follows & (bounds > time[0]), beyond, 0)
    return np.diff(at).astype(np.float64)


def _longest_gaps(time: Int64, bounds: Int64) -> NDArray[np.float64]:
    """Give the longest time of each day without a usable sample [µs]."""
    inner = time[np.searchsorted(time, bounds[0], "right") : np.searchsorted(time, bounds[-1])]
    marks = np.insert(inner, np.searchsorted(inner, bounds), bounds)
    gaps = np.diff(marks)
    starts = np.searchsorted(marks, bounds[:-1])
    return np.maximum.reduceat(gaps, np.minimum(starts, len(gaps) - 1)).astype(np.float64)


def _with_events(frame: pd.DataFrame, events: pa.Table | None, edges: Int64) -> pd.DataFrame:
    if events is None or not events.num_rows or frame.empty:
        return frame
    found = events.to_pandas()
    noon = pd.to_datetime(found["day"]).to_numpy().astype("datetime64[us]").astype(np.int64)
    position = np.searchsorted(edges, noon + 43_200_000_000, side="right") - 1
    inside = (position >= 0) & (position < len(edges) - 1)
    found = found.loc[inside].assign(day=edges[position[inside]])
    names = events.column_names[2:]
    summed = found.groupby(["tag", "day"])[names].sum().reset_index()
    merged = frame.drop(columns=names).merge(summed, on=["tag", "day"], how="left")
    merged[names] = merged[names].fillna(0).astype("int64")
    return merged
