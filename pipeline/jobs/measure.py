"""From kept samples to the regular grid: ``measurements`` and ``data_quality``, by month."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.assembly import GridView
from pipeline.assembly.grid_view import WORD_OF_QUALITY
from pipeline.exports.checks_daily import Days
from pipeline.exports.conversion import check_convertible, tag_to_si
from pipeline.exports.grid_kernel import TagSettings, Workspace, grid_tag, scaled_value
from pipeline.exports.ledger import Entry
from pipeline.exports.quality import BAD
from pipeline.exports.tag_samples import Merged, TagPieces, TagSamples
from pipeline.exports.threads import in_turn
from pipeline.hydraulics.pressure import atmospheric_pressure
from pipeline.jobs.context import Run
from pipeline.jobs.daily_quality import daily_quality
from pipeline.jobs.evidence import sources_by_month
from pipeline.jobs.kept import halo_us, kept_digests, read_disorder, read_kept
from pipeline.jobs.workers import MonthJob, MonthMade, Workers, build_months
from pipeline.months import Month, microseconds, month_bounds
from pipeline.plant import Tag
from pipeline.quantities import DisplayUnit, display_unit

OUTSIDE_RANGE_TOLERANCE = 0.02
"""A reading this far beyond the instrument's range, part of the span, still counts: zero and
full scale of real instruments are not exact [-]. Common practice, no source."""


def measure(run: Run, held: Workers, ledger: Sequence[Entry]) -> None:
    """Build every month of ``measurements`` and ``data_quality`` that is not up to date."""
    by_month = sources_by_month(ledger)
    wanted = [m for m in by_month if run.bounds(m)[0] < run.bounds(m)[1]]
    halo = pd.Timedelta(halo_us(run.plant), unit="us")
    jobs = []
    for month in wanted:
        sources = [e.sha256 for e in by_month[month]]
        # Samples of the halo after the month bear on it too, once they count as evidence.
        last = min(run.as_of, month_bounds(month, run.zone)[1] + halo)
        kept = kept_digests(run.stage, month, sources)
        parts = [run.fingerprints.measure, kept, last.isoformat()]
        inputs = {name: run.inputs(name, [name, *parts]) for name in _TABLES}
        jobs.append(MonthJob(month, inputs, sources))
    run.outcome.rebuilt += build_months(run, held, "measurements", jobs, make_month)
    for table in _TABLES:
        for month in set(run.stage.months(table)) - set(wanted):
            run.writable.remove(table, month)


_TABLES = ("measurements", "data_quality")


def make_month(run: Run, month: Month, sources: Sequence[str]) -> MonthMade:
    """Make both tables of a month from the kept samples of its sources, in ledger order."""
    start, end = run.bounds(month)
    samples = _MonthSamples.of(run, month, sources)
    grid = _MonthGrid(run, start, end)
    quality = daily_quality(run, samples.of_tag, start, end)

    def one_tag(tag: str) -> tuple[_TagRows, Days | None]:
        own, contradicted = samples.merged(tag)
        return grid.rows(tag, own), quality.days(tag, own, contradicted)

    # Tag by tag, the arrays of one stay in a processor's cache; the sums let go of Python.
    with closing(in_turn(one_tag, samples.tags, 2)) as made:
        found = list(made)
    disorder = read_disorder(run.stage, sources)
    days = quality.table([days for _, days in found if days is not None], disorder)
    return MonthMade(
        {
            "measurements": run.publish("measurements", grid.columns([rows for rows, _ in found])),
            "data_quality": run.publish("data_quality", days.to_pandas()),
        }
    )


@dataclass(frozen=True, slots=True)
class _MonthSamples:
    """Samples of a month and its halo, later files first in rank, in SI, judged by range."""

    pieces: TagPieces
    versions: Mapping[str, Sequence[Tag]]
    pressure: float
    low: int
    high: int

    @classmethod
    def of(cls, run: Run, month: Month, sources: Sequence[str]) -> _MonthSamples:
        """Look up the kept samples of a month."""
        halo = halo_us(run.plant)
        pieces = TagPieces(read_kept(run.stage, month, sources, halo, run.zone))
        pressure = float(atmospheric_pressure(run.plant.station.altitude))
        check_convertible(pieces.tags, run.plant.tags, pressure)
        start, end = (microseconds(t) for t in month_bounds(month, run.zone))
        high = min(end + halo, microseconds(run.as_of))
        return cls(pieces, run.plant.tags, pressure, start - halo, high)

    @property
    def tags(self) -> list[str]:
        """Tags that may have samples, ascending."""
        return self.pieces.tags

    def of_tag(self, tag: str) -> TagSamples:
        """Samples of one tag."""
        return self.merged(tag).samples

    def merged(self, tag: str) -> Merged:
        """Samples of one tag, and where files contradict each other."""
        versions = self.versions[tag]
        raw, contradicted = self.pieces.merged(tag, self.low, self.high)
        judged = _judge_range(tag_to_si(raw, versions, self.pressure), versions)
        return Merged(judged, contradicted)


def _judge_range(samples: TagSamples, versions: Sequence[Tag]) -> TagSamples:
    """Count readings well outside the instrument's range as bad: it cannot have read them."""
    span = max(v.high - v.low for v in versions)
    slack = OUTSIDE_RANGE_TOLERANCE * span if np.isfinite(span) else 0.0
    low = min(v.low for v in versions) - slack
    high = max(v.high for v in versions) + slack
    if low == -np.inf and high == np.inf:
        return samples
    outside = (samples.value < low) | (samples.value > high)
    if not outside.any():
        return samples
    return samples._replace(quality=np.where(outside, np.int8(BAD), samples.quality))


def tag_settings(versions: Sequence[Tag]) -> TagSettings:
    """How a tag's samples become grid values, by its latest description."""
    tag = versions[-1]
    step = tag.interpolation == "step" or tag.measures != "rate"
    return TagSettings(
        max_gap_us=round(tag.max_gap * 1e6), interpolation="step" if step else "linear"
    )


class _TagRows(NamedTuple):
    """Intervals of one tag that hold something, published value and all."""

    tag: str
    time: np.ndarray
    value: np.ndarray
    coverage: np.ndarray
    samples: np.ndarray
    worst: np.ndarray


class _MonthGrid:
    """The regular grid of a month, one tag after the other."""

    def __init__(self, run: Run, start: pd.Timestamp, end: pd.Timestamp) -> None:
        self._run = run
        self._step = round(run.plant.station.grid * 1e6)
        self._first = microseconds(start)
        # The open month ends on a whole interval; the rest of it is covered in part.
        self._intervals = -(-(microseconds(end) - self._first) // self._step)
        self._time = self._first + self._step * np.arange(self._intervals)
        self._own = threading.local()

    def rows(self, tag: str, samples: TagSamples) -> _TagRows:
        """Put the samples of one tag on the grid; may be called from several threads."""
        if not hasattr(self._own, "workspace"):
            self._own.workspace = Workspace()
        settings = tag_settings(self._run.plant.tags[tag])
        grid = grid_tag(
            *samples, settings, self._step, self._first, self._intervals, self._own.workspace
        )
        unit = shown_unit(self._run, tag)
        columns: tuple[np.ndarray, ...] = (
            self._time,
            scaled_value(grid, settings) * unit.scale + unit.offset,
            (grid.covered / self._step).astype(np.float32),
            grid.sample_count,
            grid.worst,
        )
        used = (grid.covered > 0) | (grid.sample_count > 0)
        if not used.all():
            columns = tuple(column[used] for column in columns)
        return _TagRows(tag, *columns)

    def columns(self, parts: Sequence[_TagRows]) -> dict[str, pa.Array] | None:
        """Columns of the ``measurements`` contract, from the rows of the tags in their order.

        None where there are no rows.
        """
        parts = [part for part in parts if len(part.time)]
        if not parts:
            return None
        names, *arrays = zip(*parts, strict=True)
        time, value, coverage, count, worst = (np.concatenate(column) for column in arrays)
        length = [len(part.time) for part in parts]
        units = [shown_unit(self._run, name).text or "1" for name in names]
        shown = sorted(set(units))
        code = np.array([shown.index(unit) for unit in units], dtype=np.int32)
        return {
            "tag": _labels(np.repeat(np.arange(len(parts), dtype=np.int32), length), names),
            "time": pa.array(time).cast(pa.timestamp("us", "UTC")),
            "value": pa.array(value, from_pandas=True),
            "unit": _labels(np.repeat(code, length), shown),
            "coverage": pa.array(coverage.astype(np.float64)),
            "sample_count": pa.array(count),
            "worst_quality": _quality_words(worst),
        }


def _quality_words(worst: np.ndarray) -> pa.DictionaryArray:
    """Words of those qualities that occur, in ascending order."""
    words = sorted(w for code, w in enumerate(WORD_OF_QUALITY) if (worst == code).any())
    rank = [words.index(w) if w in words else 0 for w in WORD_OF_QUALITY]
    return _labels(np.array(rank, dtype=np.int32)[worst], words)


def _labels(code: np.ndarray, words: Sequence[str]) -> pa.DictionaryArray:
    return pa.DictionaryArray.from_arrays(pa.array(code), pa.array(list(words), pa.string()))


def shown_unit(run: Run, tag: str) -> DisplayUnit:
    """Give the unit in which a tag's measurements are published."""
    version = run.plant.tags[tag][-1]
    name = version.quantity
    # Totals are published as the rates they were turned into.
    if version.measures != "rate" and name == "flow_total":
        name = "flow"
    elif version.measures != "rate" and name == "energy_total":
        name = "electrical_power"
    return display_unit(name, run.plant.station.display)


def grid_view(
    run: Run,
    month: Month,
    start: pd.Timestamp,
    end: pd.Timestamp,
    tags: Sequence[str] | None = None,
) -> GridView:
    """Read the measurements of (part of) a month back, in SI; of some tags where they are named."""
    table = run.stage.read_arrow(
        "measurements",
        [month],
        ["tag", "time", "value", "coverage", "worst_quality"],
        filters=None if tags is None else [("tag", "in", list(tags))],
    )
    labels = table.column("tag").combine_chunks()
    if isinstance(labels, pa.ChunkedArray):
        labels = labels.unify_dictionaries().combine_chunks()
    units = [shown_unit(run, name) for name in labels.dictionary.to_pylist()]
    code = labels.indices.to_numpy()
    scale = np.array([u.scale for u in units])[code]
    offset = np.array([u.offset for u in units])[code]
    value = table.column("value").to_numpy(zero_copy_only=False)
    si = pa.array((value - offset) / scale)
    table = table.set_column(table.schema.get_field_index("value"), "value", si)
    return GridView(table, start, end, run.plant.station.grid)
