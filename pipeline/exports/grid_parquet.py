"""The grid straight from Parquet exports of any length, a row group at a time.

Rows may be sorted by tag, interleaved in time, or in any order. As long as each tag's rows
come in time order from one row group to the next, they stream through. The first row that
goes back in time sends the whole read through sorting on disk: rows are dealt into files by
window, each file is sorted in memory, and the sorted files stream through in turn. Both ways
give the same bits, because the grid does not depend on how the samples were cut.
"""

from __future__ import annotations

import shutil
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import ExportError, Fault
from pipeline.exports.grid import BAD, GOOD, Instant, TagSettings
from pipeline.exports.grid_stream import (
    GridFiles,
    GridStream,
    OutOfOrderError,
    Window,
    whole_windows,
)

__all__ = ["GridCounts", "LongColumns", "grid_parquet", "parquet_time_span"]

LARGEST_READ = 2 << 20
"""Rows read in one go; a larger row group is read in batches of this size."""
ROWS_SORTED_AT_ONCE = 4_000_000
"""Rows one sorting file should hold at most."""


@dataclass(frozen=True, slots=True)
class LongColumns:
    """Names of the columns of a long export.

    Parameters
    ----------
    tag : str
        Tag name; string, plain or dictionary. [-]
    time : str
        Timestamp of any unit; UTC unless it has a zone. [-]
    value : str
        Number; null means no value. [-]
    status : str or None
        Status; None when the export has none and every sample counts as Good. [-]
    """

    tag: str = "tag"
    time: str = "time"
    value: str = "value"
    status: str | None = "status"


@dataclass(slots=True)
class GridCounts:
    """What became of the rows; filled while the tables are made."""

    rows: int = 0
    rows_without_time: int = 0
    rows_of_other_tags: int = 0
    rows_outside: int = 0
    rows_superseded: int = 0
    sorted_on_disk: bool = False
    other_tags: set[str] = field(default_factory=set)


class _Rows(NamedTuple):
    """Samples of wanted tags: equally long arrays."""

    tag: np.ndarray
    time: np.ndarray
    value: np.ndarray
    quality: np.ndarray

    def take(self, rows: np.ndarray | slice) -> _Rows:
        return _Rows(*(column[rows] for column in self))


QualityOf = Callable[[pa.Array], np.ndarray]


def quality_as_is(status: pa.Array) -> np.ndarray:
    """Status that already is 0 Good, 1 Uncertain, 2 Bad; anything else counts as Bad."""
    code = status.cast(pa.int64()).fill_null(BAD).to_numpy(zero_copy_only=False)
    return np.where((code >= GOOD) & (code <= BAD), code, BAD).astype(np.int8)


def grid_parquet(
    paths: Path | Sequence[Path],
    columns: LongColumns,
    tag_settings: Mapping[str, TagSettings],
    interval_us: int,
    windows: Mapping[str, tuple[Instant, Instant]],
    scratch: Path,
    *,
    quality_of: QualityOf = quality_as_is,
    counts: GridCounts | None = None,
    threads: int = 2,
) -> Iterator[tuple[str, pa.Table]]:
    """Put long Parquet exports on the regular grid, one table per window.

    Parameters
    ----------
    paths : Path or sequence of Path
        Files, read as if they were one, in the given order. Of rows of one tag at the same
        instant the last one stands.
    columns : LongColumns
        Names of the columns.
    tag_settings : mapping of str to TagSettings
        Every tag wanted, by its name in the export.
    interval_us : int
        Length of an interval. [µs]
    windows : mapping of str to (Instant, Instant)
        Name, start and end of every table wanted, such as months; in time order, on one grid.
    scratch : Path
        Existing folder for temporary files; what is written there is removed.
    quality_of : callable
        Turns a status column into int8: 0 Good, 1 Uncertain, 2 Bad. Called from several
        threads. [-]
    counts : GridCounts, optional
        Filled with what became of the rows.
    threads : int
        Row groups read and decoded at the same time. [-]

    Yields
    ------
    (str, pyarrow.Table)
        Window name and a table as `pipeline.exports.grid.grid_samples` gives: one row per
        tag and interval, sorted by tag and time.

    Raises
    ------
    ExportError
        When a file cannot be read or lacks a column.
    ContractError
        When the windows do not fit one grid.
    """
    sources = [paths] if isinstance(paths, Path) else list(paths)
    spans = whole_windows(windows, interval_us)
    tags = sorted(tag_settings)
    settings = [tag_settings[tag] for tag in tags]
    if not spans or not tags:
        return
    reader = _Reader(sources, columns, tags, settings, spans, interval_us, quality_of)
    final = GridCounts() if counts is None else counts
    with tempfile.TemporaryDirectory(prefix="grid-", dir=scratch) as folder:
        files = GridFiles(Path(folder), len(tags), interval_us)
        stream = GridStream(settings, spans, interval_us, files)
        try:
            with _in_turn(reader.reads(), threads) as pieces:
                for rows, seen in pieces:
                    _add(final, seen)
                    _feed_by_tag(stream, rows)
        except OutOfOrderError:
            files.clear(spans)
            _reset(final)
            stream = GridStream(settings, spans, interval_us, files)
            _sort_on_disk(reader, stream, Path(folder), final, threads)
        stream.close()
        final.rows_superseded = stream.rows_superseded
        for window in spans:
            yield window.name, files.take(window, tags)


def parquet_time_span(path: Path, time_column: str) -> tuple[int, int] | None:
    """First and last time in a Parquet file, from its statistics where it has them.

    Parameters
    ----------
    path : Path
        The file.
    time_column : str
        Name of the time column. [-]

    Returns
    -------
    (int, int) or None
        Microseconds since 1970 UTC; None when no row has a time. [µs]
    """
    file = _open(path, [time_column], None)
    found: list[int] = []
    for group in range(file.metadata.num_row_groups):
        span = _group_span(file, group, time_column)
        if span is None:
            time = _microseconds(file.read_row_group(group, columns=[time_column])[time_column])
            span = _span(time.drop_null().to_numpy(zero_copy_only=False))
        found += span or []
    return (min(found), max(found)) if found else None


class _Reader:
    """Reads row groups into `_Rows` of the wanted tags, near the wanted windows."""

    def __init__(
        self,
        sources: Sequence[Path],
        columns: LongColumns,
        tags: Sequence[str],
        settings: Sequence[TagSettings],
        windows: Sequence[Window],
        interval_us: int,
        quality_of: QualityOf,
    ) -> None:
        self._sources, self._columns, self._quality_of = sources, columns, quality_of
        self._code = {tag: code for code, tag in enumerate(tags)}
        self.n_tags = len(tags)
        # A sample further from every window than the longest gap can be felt in none.
        halo = max(one.max_gap_us for one in settings)
        spans = [(w.start_us, w.start_us + w.n_intervals * interval_us) for w in windows]
        self.starts = np.array([start for start, _ in spans])
        self._reach = [(start - halo, end + halo) for start, end in spans]

    def reads(self) -> Iterator[Callable[[], tuple[_Rows, GridCounts]]]:
        """One call per row group (or batch of a large one), in file order."""
        names = [name for name in vars_of(self._columns) if name]
        for path in self._sources:
            file = _open(path, names, self._columns.tag)
            for group in range(file.metadata.num_row_groups):
                span = _group_span(file, group, self._columns.time)
                n_rows = file.metadata.row_group(group).num_rows
                if span and not any(self._meets(span)):
                    yield lambda n_rows=n_rows: (
                        self._nothing(),
                        GridCounts(rows=n_rows, rows_outside=n_rows),
                    )
                elif n_rows <= LARGEST_READ:
                    yield lambda path=path, group=group: self._prepare(
                        path, self._read_group(path, group, names)
                    )
                else:
                    for batch in file.iter_batches(LARGEST_READ, [group], names):
                        table = pa.Table.from_batches([batch])
                        yield lambda path=path, table=table: self._prepare(path, table)
