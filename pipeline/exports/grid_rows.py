"""Rows of long Parquet exports, read a row group at a time into plain arrays."""

from __future__ import annotations

import functools
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.errors import ExportError, Fault
from pipeline.exports.grid_kernel import BAD, GOOD, TagSettings
from pipeline.exports.grid_stream import Window

__all__ = [
    "GridCounts",
    "LongColumns",
    "LongReader",
    "QualityOf",
    "Read",
    "Rows",
    "parquet_time_span",
    "quality_as_is",
]

LARGEST_READ = 2 << 20
"""Rows read in one go; a larger row group is read in batches of this size."""


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

    @property
    def names(self) -> list[str]:
        """The columns to read."""
        return [self.tag, self.time, self.value, *([self.status] if self.status else [])]


@dataclass(slots=True)
class GridCounts:
    """What became of the rows; filled while the tables are made.

    Attributes
    ----------
    rows : int
        Rows in the files.
    rows_without_time : int
        Rows left out because their time is null.
    rows_of_other_tags : int
        Rows of tags nobody asked for, `other_tags`.
    rows_outside : int
        Rows too far from every window to be felt in one.
    rows_superseded : int
        Rows followed by another row of the same tag and instant.
    sorted_on_disk : bool
        Whether rows went back in time, so that all had to be sorted.
    """

    rows: int = 0
    rows_without_time: int = 0
    rows_of_other_tags: int = 0
    rows_outside: int = 0
    rows_superseded: int = 0
    sorted_on_disk: bool = False
    other_tags: set[str] = field(default_factory=set)

    def add(self, more: GridCounts) -> None:
        """Add the counts of one read."""
        self.rows += more.rows
        self.rows_without_time += more.rows_without_time
        self.rows_of_other_tags += more.rows_of_other_tags
        self.rows_outside += more.rows_outside
        self.other_tags |= more.other_tags

    def restart(self) -> None:
        """Forget everything counted."""
        self.rows = self.rows_without_time = self.rows_of_other_tags = self.rows_outside = 0
        self.other_tags.clear()


class Rows(NamedTuple):
    """Samples of wanted tags: code, time in µs, value and quality, equally long arrays."""

    tag: np.ndarray
    time: np.ndarray
    value: np.ndarray
    quality: np.ndarray

    def take(self, rows: np.ndarray | slice) -> Rows:
        """Some of the rows."""
        return Rows(*(column[rows] for column in self))

    @classmethod
    def none(cls) -> Rows:
        """No rows."""
        return cls(np.zeros(0, np.int16), np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int8))


QualityOf = Callable[[pa.Array], np.ndarray]
"""Turns a status column into int8: 0 Good, 1 Uncertain, 2 Bad."""

Read = Callable[[], tuple[Rows, GridCounts]]


def quality_as_is(status: pa.Array) -> np.ndarray:
    """Status that already is 0 Good, 1 Uncertain, 2 Bad; anything else counts as Bad."""
    code = status.cast(pa.int64()).fill_null(BAD).to_numpy(zero_copy_only=False)
    return np.where((code >= GOOD) & (code <= BAD), code, BAD).astype(np.int8)


class LongReader:
    """Reads row groups into `Rows` of the wanted tags, near the wanted windows."""

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
        self._columns, self._quality_of = columns, quality_of
        self._code = {tag: code for code, tag in enumerate(tags)}
        # 16 bits sort several times faster than 32.
        self._code_kind = np.int16 if len(tags) < 1 << 15 else np.int32
        # A sample further from every window than the longest gap can be felt in none.
        halo = max(one.max_gap_us for one in settings)
        self._reach: list[tuple[int, int]] = []
        for window in windows:
            low = window.start_us - halo
            high = window.start_us + window.n_intervals * interval_us + halo
            if self._reach and low <= self._reach[-1][1]:
                low = self._reach.pop()[0]
            self._reach.append((low, high))
        self._local = threading.local()
        self.starts = np.array([window.start_us for window in windows])
        self._files = [(path, _open(path, columns).metadata) for path in sources]
        self.n_rows = sum(metadata.num_rows for _, metadata in self._files)

    def reads(self) -> Iterator[Read]:
        """One call per row group (or batch of a large one), in file order."""
        for path, metadata in self._files:
            for group in range(metadata.num_row_groups):
                n = metadata.row_group(group).num_rows
                span = _group_span(metadata, group, self._columns.time)
                if span is not None and not self._is_near(*span):
                    yield _outside(n)
                elif n <= LARGEST_READ:
                    yield self._read_group(path, metadata, group)
                else:
                    yield from self._read_batches(path, metadata, group)

    def _is_near(self, first: int, last: int) -> bool:
        return any(low <= last and first <= high for low, high in self._reach)

    def _read_group(self, path: Path, metadata: pq.FileMetaData, group: int) -> Read:
        def read() -> tuple[Rows, GridCounts]:
            with _faults_of(path):
                file = self._handle(path, metadata)
                table = file.read_row_group(group, self._columns.names, use_threads=False)
            return self._rows(table)

        return read

    def _handle(self, path: Path, metadata: pq.FileMetaData) -> pq.ParquetFile:
        """Handle of the calling thread: one handle must not serve two threads."""
        if getattr(self._local, "path", None) != path:
            self._local.file = _open(path, self._columns, metadata)
            self._local.path = path
        return self._local.file

    def _read_batches(self, path: Path, metadata: pq.FileMetaData, group: int) -> Iterator[Read]:
        with _faults_of(path):
            file = _open(path, self._columns, metadata, pre_buffer=False)
            for batch in file.iter_batches(LARGEST_READ, [group], self._columns.names):
                yield functools.partial(self._rows, pa.Table.from_batches([batch]))

    def _rows(self, table: pa.Table) -> tuple[Rows, GridCounts]:
        seen = GridCounts(rows=table.num_rows)
        if table.num_rows == 0:
            return Rows.none(), seen
        names = self._columns
        tag: np.ndarray = self._codes(table[names.tag], seen)
        time = _time_us(table[names.time])
        value = _array(table[names.value].cast(pa.float64()))
        if names.status:
            quality = _by_runs(_one_piece(table[names.status]), self._quality_of)
        else:
            quality = np.zeros(table.num_rows, np.int8)
        rows = Rows(tag, time, value, quality)

        keep = tag >= 0
        if table[names.time].null_count:
            timed = table[names.time].is_valid().to_numpy()
            seen.rows_without_time = int(timed.size - timed.sum())
            keep &= timed
        spread = time[keep] if seen.rows_without_time else time
        first, last = (int(spread.min()), int(spread.max())) if spread.size else (0, 0)
        if not any(low <= first and last <= high for low, high in self._reach):
            near = np.zeros(time.size, bool)
            for low, high in self._reach:
                near |= (time >= low) & (time <= high)
            seen.rows_outside = int(np.count_nonzero(keep & ~near))
            keep &= near
        return (rows if keep.all() else rows.take(np.flatnonzero(keep))), seen

    def _codes(self, tag: pa.ChunkedArray, seen: GridCounts) -> np.ndarray:
        """Tag code of every row; -1 for a tag nobody asked for."""
        if not pa.types.is_dictionary(tag.type):
            tag = tag.dictionary_encode()
        tag = _one_piece(tag.unify_dictionaries())
        names = tag.dictionary.cast(pa.string()).to_pylist()
        # One more entry than names: the place of a null.
        codes = np.array([*(self._code.get(name, -1) for name in names), -1], self._code_kind)
        indices = tag.indices
        if tag.null_count:
            indices = indices.cast(pa.int32()).fill_null(len(names))
        index: np.ndarray = indices.to_numpy(zero_copy_only=False)
        out: np.ndarray = codes[index]
        other = index[np.less(out, 0)]
        if other.size:
            number = np.bincount(other, minlength=len(names) + 1)
            seen.rows_of_other_tags = int(number.sum())
            seen.other_tags = {names[i] for i in np.flatnonzero(number[:-1])}
        return out


def parquet_time_span(path: Path, columns: LongColumns) -> tuple[int, int] | None:
    """First and last time in a Parquet file, from its statistics where it has them.

    Parameters
    ----------
    path : Path
        The file. [-]
    columns : LongColumns
        Names of the columns. [-]

    Returns
    -------
    (int, int) or None
        Microseconds since 1970 UTC; None when no row has a time. [µs]
    """
    file = _open(path, columns)
    found: list[int] = []
    for group in range(file.metadata.num_row_groups):
        span = _group_span(file.metadata, group, columns.time)
        if span is None:
            with _faults_of(path):
                column = file.read_row_group(group, [columns.time])[columns.time]
            time = _time_us(pc.drop_null(column))
            span = (int(time.min()), int(time.max())) if time.size else None
        found += span or ()
    return (min(found), max(found)) if found else None


def _outside(n_rows: int) -> Read:
    return lambda: (Rows.none(), GridCounts(rows=n_rows, rows_outside=n_rows))


@contextmanager
def _faults_of(path: Path) -> Iterator[None]:
    try:
        yield
    except (pa.ArrowException, OSError) as error:
        fault = Fault(str(path), str(error).splitlines()[0], "a whole Parquet file")
        raise ExportError("An export cannot be read.", [fault]) from error


def _open(
    path: Path,
    columns: LongColumns,
    metadata: pq.FileMetaData | None = None,
    pre_buffer: bool = True,
) -> pq.ParquetFile:
    """Open a file; the first time (without metadata) only to check its columns."""
    with _faults_of(path):
        wanted = [columns.tag] if metadata is not None else []
        file = pq.ParquetFile(
            path, metadata=metadata, read_dictionary=wanted, pre_buffer=pre_buffer
        )
    if metadata is None:
        schema = file.schema_arrow
        faults = [
            Fault(str(path), f"no column '{name}'", f"one of {', '.join(schema.names)}")
            for name in columns.names
            if schema.names.count(name) != 1
        ]
        if not faults:
            faults = list(_type_faults(path, columns, schema))
        if faults:
            raise ExportError("An export lacks what its description promises.", faults)
    return file


def _type_faults(path: Path, columns: LongColumns, schema: pa.Schema) -> Iterator[Fault]:
    tag, time, value = (schema.field(c).type for c in (columns.tag, columns.time, columns.value))
    words = tag.value_type if pa.types.is_dictionary(tag) else tag
    number = (pa.types.is_integer, pa.types.is_floating, pa.types.is_decimal)
    if not (pa.types.is_string(words) or pa.types.is_large_string(words)):
        yield Fault(f"{path}, column '{columns.tag}'", str(tag), "text")
    if not pa.types.is_timestamp(time):
        yield Fault(f"{path}, column '{columns.time}'", str(time), "a timestamp")
    if not any(fits(value) for fits in number):
        yield Fault(f"{path}, column '{columns.value}'", str(value), "a number")


def _group_span(metadata: pq.FileMetaData, group: int, name: str) -> tuple[int, int] | None:
    """First and last time of a row group by its statistics."""
    row_group = metadata.row_group(group)
    for at in range(row_group.num_columns):
        column = row_group.column(at)
        if column.path_in_schema == name:
            statistics = column.statistics
            if statistics is None or not statistics.has_min_max:
                return None
            low, high = (
                pa.scalar(bound).cast(pa.timestamp("us"), safe=False).value
                for bound in (statistics.min, statistics.max)
            )
            # Rounded outwards, since finer units are cut off.
            return low - 1, high + 1
    return None


def _time_us(column: pa.ChunkedArray) -> np.ndarray:
    """Microseconds since 1970 UTC; 0 for a null."""
    time = column.cast(pa.timestamp("us", column.type.tz), safe=False).cast(pa.int64())
    return _array(time.fill_null(0) if time.null_count else time)


def _array(column: pa.ChunkedArray) -> np.ndarray:
    return _one_piece(column).to_numpy(zero_copy_only=False)


def _one_piece(column: pa.ChunkedArray) -> pa.Array:
    # combine_chunks copies, even a single chunk.
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()


def _by_runs(status: pa.Array, quality_of: QualityOf) -> np.ndarray:
    """Quality of every row, asked for once per run of equal statuses where runs are long."""
    if not pa.types.is_integer(status.type) or status.null_count:
        return quality_of(status)
    code = status.to_numpy()
    heads = np.concatenate(([0], np.flatnonzero(code[1:] != code[:-1]) + 1))
    if heads.size > code.size // 8:
        return quality_of(status)
    return np.repeat(quality_of(pa.array(code[heads])), np.diff(heads, append=code.size))
