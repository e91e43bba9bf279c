"""The grid straight from Parquet exports of any length, a row group at a time.

Rows may be sorted by tag, interleaved in time, or in any order. As long as each tag's rows
come in time order from one row group to the next, they stream through. The first row that
goes back in time sends the whole read through sorting on disk: rows are dealt into files by
window, each file is sorted in memory, and the sorted files stream through in turn. Both ways
give the same bits, because the grid does not depend on how the samples were cut.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline.exports.grid import Instant, TagSettings
from pipeline.exports.grid_rows import (
    GridCounts,
    LongColumns,
    LongReader,
    QualityOf,
    Read,
    Rows,
    quality_as_is,
)
from pipeline.exports.grid_stream import (
    GridFiles,
    GridStream,
    OutOfOrderError,
    whole_windows,
)
from pipeline.exports.threads import in_turn

__all__ = ["GridCounts", "LongColumns", "grid_parquet"]

ROWS_SORTED_AT_ONCE = 4_000_000
"""Rows one sorting file should hold at most."""


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
    reader = LongReader(sources, columns, tags, settings, spans, interval_us, quality_of)
    final = GridCounts() if counts is None else counts
    with tempfile.TemporaryDirectory(prefix="grid-", dir=scratch) as folder:
        files = GridFiles(Path(folder), len(tags), interval_us)
        stream = GridStream(settings, spans, interval_us, files)
        if not _stream_through(reader, stream, final, threads):
            files.clear(spans)
            final.restart()
            stream = GridStream(settings, spans, interval_us, files)
            _sort_on_disk(reader, stream, Path(folder), final, threads)
        stream.close()
        final.rows_superseded = stream.rows_superseded
        with closing(in_turn(partial(files.take, tags=tags), spans, 1)) as tables:
            yield from zip((window.name for window in spans), tables, strict=True)


def _stream_through(
    reader: LongReader, stream: GridStream, counts: GridCounts, threads: int
) -> bool:
    """Feed all rows; False as soon as a tag goes back in time."""
    with closing(in_turn(_read_by_tag, reader.reads(), threads)) as pieces:
        for rows, bounds, seen in pieces:
            counts.add(seen)
            try:
                _feed(stream, rows, bounds)
            except OutOfOrderError:
                return False
    return True


def _sort_on_disk(
    reader: LongReader, stream: GridStream, folder: Path, counts: GridCounts, threads: int
) -> None:
    """Deal the rows into files by group of tags and window, then sort file by file."""
    counts.sorted_on_disk = True
    n_spans = reader.starts.size + 1
    n_groups = max(-(-reader.n_rows // (ROWS_SORTED_AT_ONCE * n_spans)), 1)
    boxes = _Boxes(folder, n_groups * n_spans)
    # 16 bits sort several times faster than 64.
    kind = np.uint16 if boxes.n < 1 << 16 else np.int64

    def deal(read: Read) -> tuple[Rows, np.ndarray, GridCounts]:
        rows, seen = read()
        box = np.searchsorted(reader.starts, rows.time, side="right").astype(kind)
        if n_groups > 1:
            box = box + (rows.tag % n_groups).astype(kind) * kind(n_spans)
        # Stable, so that rows of one instant keep the order of the file.
        order = np.argsort(box, kind="stable")
        return rows.take(order), np.bincount(box, minlength=boxes.n), seen

    with closing(in_turn(deal, reader.reads(), threads)) as dealt:
        for rows, sizes, seen in dealt:
            counts.add(seen)
            boxes.put(rows, sizes)

    with closing(in_turn(partial(_take_sorted, boxes), range(boxes.n), threads)) as taken:
        for rows, bounds in taken:
            _feed(stream, rows, bounds)


def _read_by_tag(read: Read) -> tuple[Rows, np.ndarray, GridCounts]:
    rows, seen = read()
    return *_by_tag(rows), seen


def _take_sorted(boxes: _Boxes, box: int) -> tuple[Rows, np.ndarray]:
    return _sorted(boxes.take(box))


def _feed(stream: GridStream, rows: Rows, bounds: np.ndarray) -> None:
    for low, high in pairwise(bounds.tolist()):
        part = slice(low, high)
        stream.feed(int(rows.tag[low]), rows.time[part], rows.value[part], rows.quality[part])


def _runs(tag: np.ndarray) -> np.ndarray:
    """Where each run of equal tags starts, and the end."""
    if tag.size == 0:
        return np.zeros(1, np.int64)
    return np.concatenate(([0], np.flatnonzero(tag[1:] != tag[:-1]) + 1, [tag.size]))


def _by_tag(rows: Rows) -> tuple[Rows, np.ndarray]:
    """Rows grouped by tag, in time order; sorted only where they are not."""
    bounds = _runs(rows.tag)
    n_runs = bounds.size - 1
    if n_runs != np.unique(rows.tag[bounds[:-1]]).size:
        rows = rows.take(np.argsort(rows.tag, kind="stable"))
        bounds = _runs(rows.tag)
    back = rows.time[1:] < rows.time[:-1]
    back[bounds[1:-1] - 1] = False
    if back.any():
        rows, bounds = _sorted(rows)
    return rows, bounds


def _sorted(rows: Rows) -> tuple[Rows, np.ndarray]:
    """Rows sorted by tag and time; equal times keep their order."""
    order = np.argsort(rows.tag, kind="stable")
    bounds = _runs(rows.tag[order])
    for low, high in pairwise(bounds.tolist()):
        part = order[low:high]
        time = rows.time[part]
        by_time = np.argsort(time)
        time = time[by_time]
        if (time[1:] == time[:-1]).any():
            # The fast sort may swap equal times; the stable one costs thrice as much.
            by_time = np.argsort(rows.time[part], kind="stable")
        order[low:high] = part[by_time]
    return rows.take(order), bounds


class _Boxes:
    """Rows dealt into files, appended a block at a time."""

    def __init__(self, folder: Path, n: int) -> None:
        self.n, self._folder = n, folder
        self._blocks: list[list[int]] = [[] for _ in range(n)]
        self._kinds: tuple[np.dtype, ...] = ()

    def put(self, rows: Rows, sizes: np.ndarray) -> None:
        """Append rows that stand box by box, `sizes` of them in each."""
        self._kinds = tuple(column.dtype for column in rows)
        ends = np.cumsum(sizes).tolist()
        for box in np.flatnonzero(sizes).tolist():
            n = int(sizes[box])
            part = rows.take(slice(ends[box] - n, ends[box]))
            with self._path(box).open("ab") as file:
                for column in part:
                    file.write(column.data)
            self._blocks[box].append(n)

    def take(self, box: int) -> Rows:
        """All rows of a box in the order they came; its file is removed."""
        if not self._blocks[box]:
            return Rows.none()
        raw = np.fromfile(self._path(box), np.uint8)
        self._path(box).unlink()
        parts: list[list[np.ndarray]] = [[] for _ in self._kinds]
        at = 0
        for n in self._blocks[box]:
            for part, kind in zip(parts, self._kinds, strict=True):
                part.append(raw[at : at + n * kind.itemsize].view(kind))
                at += n * kind.itemsize
        return Rows(*(np.concatenate(part) for part in parts))

    def _path(self, box: int) -> Path:
        return self._folder / f"rows-{box}.bin"
