"""Exports larger than memory: read once, laid down by month, taken up month by month."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.errors import ExportError, GaugelessError
from pipeline.exports.collector import Collector
from pipeline.exports.disorder import DisorderCells
from pipeline.exports.ordering import Tidy, tidy
from pipeline.exports.read import pieces, placed, unforeseen, waiting_note
from pipeline.exports.reading import Reading, empty_samples, samples_table
from pipeline.exports.streams import Unfinished
from pipeline.exports.tag_runs import edges_if_few, most_runs
from pipeline.plant.types import ExportFormat

__all__ = ["Spool", "Straight", "spool_export", "utc_month_numbers"]

Int64 = NDArray[np.int64]

BUFFERED_ROWS = 1 << 20
_ROW = pa.schema(
    [
        pa.field("code", pa.int32()),
        pa.field("time", pa.int64()),
        pa.field("value", pa.float64()),
        pa.field("quality", pa.int8()),
    ]
)


def utc_month_numbers(time: Int64) -> Int64:
    """Number the UTC months of instants [µs], from January 1970 on."""
    return time.astype("datetime64[us]").astype("datetime64[M]").astype(np.int64)


MOST_STRAIGHT = 60
"""Parts that are written straight at one time: each holds rows of a row group in memory."""


class Straight(Protocol):
    """Takes the rows of a part that come tag by tag, instead of the folder of parts."""

    def add(self, samples: pa.Table) -> None:
        """Take the next rows: ``SAMPLES_SCHEMA``, tag by tag in time order, none twice."""

    def take_back(self) -> pa.Table:
        """Give all rows back, since one came that does not follow; nothing of them is kept."""


S = TypeVar("S", bound=Straight)


@dataclass(frozen=True, slots=True)
class Spool(Generic[S]):
    """An export laid down in parts.

    Parameters
    ----------
    reading : Reading
        Counts, refusals, notes and what is out of order, without samples; duplicates are
        counted when the parts are taken up.
    parts : tuple of int
        Numbers of the parts to be taken up, ascending.
    straight : dict of int to S
        The parts of which every row was written straight; they are not among ``parts``.
    folder : Path
        Where they lie.
    tags : tuple of str
        Names the stored codes point to.
    day_zone : str
        Zone of the days by which duplicates are counted.
    """

    reading: Reading
    parts: tuple[int, ...]
    straight: dict[int, S]
    folder: Path
    tags: tuple[str, ...]
    day_zone: str = "UTC"

    def take(self, part: int) -> Tidy:
        """Take up one part.

        Parameters
        ----------
        part : int
            One of ``parts``.

        Returns
        -------
        Tidy
            Its samples in order, with what was in the way.
        """
        runs: list[tuple[int, list[NDArray[Any]]]] = []
        is_by_tag = True
        with pa.memory_map(str(_place(self.folder, part))) as file:
            for batch in pa.ipc.open_stream(file):
                columns = [column.to_numpy() for column in batch.columns]
                rows = len(columns[0])
                edges = edges_if_few(columns[0], most_runs(rows))
                if edges is None:
                    edges, is_by_tag = np.array([0, rows]), False
                for low, high in itertools.pairwise(edges.tolist()):
                    runs.append((int(columns[0][low]), [c[low:high] for c in columns]))
            if is_by_tag:
                # Whole runs moved while they are copied anyway: mostly nothing is left to sort.
                runs.sort(key=lambda run: run[0])
            code, time, value, quality = (
                np.concatenate(column) for column in zip(*(run for _, run in runs), strict=True)
            )
        return tidy(self.tags, code, time, value, quality, self.day_zone)


def _place(folder: Path, part: int) -> Path:
    return folder / f"part_{part}.arrows"


def spool_export(
    path: Path,
    export: ExportFormat,
    tag_names: Collection[str],
    folder: Path,
    label: str | None = None,
    part_of: Callable[[Int64], Int64] = utc_month_numbers,
    switch_tags: Collection[str] = (),
    straight: Callable[[int], S] | None = None,
    day_zone: str = "UTC",
) -> Spool[S]:
    """Read an export of any size and lay its samples down in parts.

    Parameters
    ----------
    path, export, tag_names, label, switch_tags, day_zone
        As for ``read_export``.
    folder : Path
        Empty folder for the parts; the caller removes it.
    part_of : callable
        Gives the number of the part for each instant [µs]; UTC months by default.
    straight : callable, optional
        Gives what takes the rows of a part for as long as they come tag by tag, each in time
        order, as in a bulk export: nothing is left to sort, and they are written once.

    Returns
    -------
    Spool
        With the parts together, the same samples as ``read_export`` gives. Memory is that of
        one block while reading, and of one part when it is taken up.

    Raises
    ------
    ExportError
        If the whole file cannot be read.
    """
    name = path.name if label is None else label
    collector = Collector(name, export, tag_names, switch_tags, day_zone)
    writer = _PartWriter(folder, part_of, collector.tags, straight)
    try:
        for _ in pieces(path, export, tag_names, collector, label):
            for table in collector.drain():
                writer.add(table)
        for table in collector.settle_and_drain():
            writer.add(table)
        reading = collector.report(empty_samples(collector.tags), DisorderCells(day_zone))
    except Unfinished as reason:
        reading = Reading.waiting(name, waiting_note(reason))
    except (ExportError, OSError, pa.ArrowException) as error:
        raise placed(error, name) from None
    except GaugelessError:
        raise  # of the store that takes the rows
    except Exception as error:
        raise unforeseen(error, name) from error
    finally:
        writer.close()
    # Rows of an unfinished file may have been laid down beside the reading until now.
    is_whole = reading.status == "accepted"
    return Spool(
        reading,
        tuple(sorted(writer.parts)) if is_whole else (),
        dict(sorted(writer.straight.items())) if is_whole else {},
        folder,
        tuple(collector.tags),
        day_zone,
    )


class _Came:
    """Which rows of a part have come, tag by tag in any order of tags."""

    def __init__(self, tags: int) -> None:
        self._most = tags
        self._tags: set[int] = set()
        self._last: tuple[int, int] = (-1, 0)

    def is_followed_by(self, code: NDArray[np.int32], time: Int64) -> bool:
        """Tell whether rows go on so: each tag's together, in time order, no instant twice."""
        edges = edges_if_few(code, self._most)
        if edges is None:
            return False
        stops = np.flatnonzero(time[1:] <= time[:-1])
        if (code[stops + 1] == code[stops]).any():
            return False
        heads = code[edges[:-1]].tolist()
        tag, reached = self._last
        if heads[0] == tag and time[0] <= reached:
            return False
        begun = heads[1:] if heads[0] == tag else heads
        if len(set(begun)) < len(begun) or not self._tags.isdisjoint(begun):
            return False
        self._tags.update(begun)
        self._last = int(code[-1]), int(time[-1])
        return True


class _PartWriter(Generic[S]):
    """Gathers rows and lays them down in one file per part, or hands them on straight."""

    def __init__(
        self,
        folder: Path,
        part_of: Callable[[Int64], Int64],
        tags: Sequence[str],
        straight: Callable[[int], S] | None,
    ) -> None:
        self._folder = folder
        self._part_of = part_of
        self._tags = tags
        self._open_straight = straight
        self.straight: dict[int, S] = {}
        self._came: dict[int, _Came] = {}
        self._open: dict[int, pa.ipc.RecordBatchStreamWriter] = {}
        self._waiting: list[pa.RecordBatch] = []
        self._rows = 0
        self.parts: set[int] = set()
        # Rows are laid down while the next ones are read.
        self._beside = ThreadPoolExecutor(1, thread_name_prefix="spool")
        self._laying: Future[None] | None = None

    def add(self, table: pa.Table) -> None:
        for batch in table.to_batches():
            columns = [
                batch.column("tag").indices,
                batch.column("time").cast(pa.int64()),
                batch.column("value"),
                batch.column("quality"),
            ]
            self._waiting.append(pa.RecordBatch.from_arrays(columns, schema=_ROW))
            self._rows += batch.num_rows
        if self._rows >= BUFFERED_ROWS:
            self._flush()

    def _flush(self) -> None:
        if not self._waiting:
            return
        batches, self._waiting, self._rows = self._waiting, [], 0
        self._settle()
        self._laying = self._beside.submit(self._lay_down, batches)

    def _settle(self) -> None:
        """Wait until what was handed over before lies down."""
        laying, self._laying = self._laying, None
        if laying is not None:
            laying.result()

    def _lay_down(self, batches: list[pa.RecordBatch]) -> None:
        table = pa.Table.from_batches(batches).combine_chunks()
        for number, rows in _by_part(table, table.column("time").to_numpy(), self._part_of):
            if not self._goes_straight(number, rows):
                self._lay(number, rows)

    def _lay(self, number: int, rows: pa.Table) -> None:
        if number not in self._open:
            place = str(_place(self._folder, number))
            self._open[number] = pa.ipc.new_stream(place, _ROW)
            self.parts.add(number)
        self._open[number].write_table(rows)

    def _goes_straight(self, number: int, rows: pa.Table) -> bool:
        """Hand rows on that follow those before; from the first that do not, none of a part."""
        if self._open_straight is None or number in self.parts:
            return False
        code, time = rows.column("code").to_numpy(), rows.column("time").to_numpy()
        came = self._came.setdefault(number, _Came(len(self._tags)))
        known = self.straight.get(number)
        if not came.is_followed_by(code, time):
            if known is not None:
                del self.straight[number]
                self._lay(number, self._as_laid(known.take_back()))
            return False
        if known is None:
            if len(self.straight) >= MOST_STRAIGHT:
                return False
            known = self.straight[number] = self._open_straight(number)
        # Copies: rows that wait must not keep all that were read with them.
        columns = [np.array(column.to_numpy()) for column in rows.columns]
        known.add(samples_table(self._tags, *columns))
        return True

    def _as_laid(self, samples: pa.Table) -> pa.Table:
        words = samples.column("tag").unify_dictionaries().combine_chunks()
        words = pa.concat_arrays(words.chunks) if isinstance(words, pa.ChunkedArray) else words
        own = {name: code for code, name in enumerate(self._tags)}
        lookup = np.array([own[name] for name in words.dictionary.to_pylist()], dtype=np.int32)
        columns = [
            pa.array(lookup[words.indices.to_numpy()]),
            samples.column("time").cast(pa.int64()),
            samples.column("value"),
            samples.column("quality"),
        ]
        return pa.Table.from_arrays(columns, schema=_ROW)

    def close(self) -> None:
        try:
            self._flush()
            self._settle()
        finally:
            self._beside.shutdown()
            for writer in self._open.values():
                writer.close()
            self._open = {}


def _by_part(
    table: pa.Table, time: Int64, part_of: Callable[[Int64], Int64]
) -> Iterator[tuple[int, pa.Table]]:
    """Rows of each part in their order; those of one part may come in several pieces."""
    heads, part = _cuts(time, part_of)
    if len(heads) > len(time) // 1024 + 16:
        part = part_of(time)
        first = int(part.min())
        span = int(part.max()) - first
        # 16 bits sort several times faster than 64.
        key = (part - first).astype(np.uint16) if span < 1 << 16 else part
        order = np.argsort(key, kind="stable")
        table, part = table.take(pa.array(order)), part[order]
        heads = np.append(0, np.flatnonzero(part[1:] != part[:-1]) + 1)
        part = part[heads]
    bounds = itertools.pairwise([*heads.tolist(), len(time)])
    for number, (low, high) in zip(part.tolist(), bounds, strict=True):
        yield number, table.slice(low, high - low)


_BLOCK = 1024


def _cuts(time: Int64, part_of: Callable[[Int64], Int64]) -> tuple[Int64, Int64]:
    """Where the rows of another part begin, and the part of each piece.

    Parts follow each other in time, so a block of rows whose earliest and latest lie in one
    part needs no closer look.
    """
    starts = np.arange(0, len(time), _BLOCK)
    first = part_of(np.minimum.reduceat(time, starts))
    mixed = np.flatnonzero(first != part_of(np.maximum.reduceat(time, starts)))
    heads = starts
    if len(mixed):
        inner = (starts[mixed, None] + np.arange(1, _BLOCK)).ravel()
        inner = inner[inner < len(time)]
        heads = np.sort(np.concatenate([starts, inner]))
        is_inner = np.ones(len(heads), dtype=bool)
        is_inner[np.searchsorted(heads, np.delete(starts, mixed))] = False
        part = np.empty(len(heads), dtype=np.int64)
        part[~is_inner] = np.delete(first, mixed)
        part[is_inner] = part_of(time[heads[is_inner]])
    else:
        part = first
    changes = np.append(True, part[1:] != part[:-1])
    return heads[changes], part[changes]
