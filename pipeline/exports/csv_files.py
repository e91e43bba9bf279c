"""CSV exports, long and wide: bulk reading, and a slower tolerant way for the blocks that need it.

A file is read in blocks of whole lines. Each block goes to Arrow's CSV parser with declared
types; where it cannot convert a field or the number of rows is not the number of lines, the
block is cut into smaller ones, and those that still fail are taken apart line by line with
vectorised string functions. So one bad row costs its neighbours nothing but a little time.
A quoted field may run over several lines, but an unbalanced quote cannot swallow what follows.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from itertools import chain, pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
from numpy.typing import NDArray

from pipeline.errors import ExportError
from pipeline.exports.collector import Collector
from pipeline.exports.csv_lines import (
    MOST_JOINED,
    end_of_record,
    last_record,
    split_lines,
    whole_records,
)
from pipeline.exports.csv_sections import (
    begins_otherwise,
    count_lines,
    decode,
    drop_lines,
    filled_lines,
    headers_in,
    without_marks,
)
from pipeline.exports.date_texts import DayOrder, DayOrderProof, could_swap_day_and_month
from pipeline.exports.dialect import Dialect, find_dialect, split_line
from pipeline.exports.instants import Instants
from pipeline.exports.path_tags import repeated
from pipeline.exports.streams import NOT_UTF_8, Text, Unfinished, open_text
from pipeline.exports.tag_runs import encode_by_runs
from pipeline.exports.timestamps import EPOCH_UNITS, parse_times, times_from_arrow
from pipeline.plant.types import ExportFormat

__all__ = ["CsvFile"]

SMALL = 1 << 19
_TEXT = pa.string()
_WORDS = pa.dictionary(pa.int32(), pa.string())


class CsvFile:
    """One text file on its way into a collector; `tag` is that of rows that name none."""

    def __init__(
        self,
        path: Path,
        member: str | None,
        export: ExportFormat,
        tag_names: Collection[str],
        collector: Collector,
        tag: str | None = None,
    ) -> None:
        self._path = path
        self._tag = tag
        self._member = member
        self._export = export
        self._tag_names = tag_names
        self._out = collector
        self._order: DayOrder | None = None
        self._status_type = _WORDS
        self._is_joined = False
        self._named = export  # as the header names its columns

    def _open(self) -> Iterator[tuple[Text, Iterator[bytes]]]:
        with open_text(self._path, self._member, self._export.encoding) as text:
            yield text, whole_records(without_marks(text.blocks()))

    def read(self) -> Iterator[None]:
        """Read it, stopping after every block; raises as ``read_csv_into`` does."""
        for text, blocks in self._open():
            first = next(blocks, b"")
            if not first.strip(b"\n\0 "):
                raise Unfinished("the file is empty")
            if text.note:
                self._out.notes.append(text.note)
            lines = decode(first[: 1 << 20]).split("\n")
            self._dialect = self._find_dialect(lines)
            self._prepare(lines[self._dialect.body_line - 1 :], is_first=True)
            first, line = drop_lines(first, self._dialect.body_line - 1)
            last = b""
            # While one block is taken apart into samples, the next is being parsed.
            with ThreadPoolExecutor(1) as ahead:
                waiting: tuple[bytes, Future[pa.Table | None]] | None = None
                for block, is_header in self._cut_at_headers(chain([first], blocks)):
                    parsed = (last, ahead.submit(self._fast, last)) if last else None
                    for ready in (waiting, parsed) if is_header else (waiting,) if parsed else ():
                        if ready is not None:
                            line = self._block(ready[0], line, ready[1].result())
                            yield
                    waiting = None if is_header else parsed or waiting
                    last = block
                    if is_header:
                        last, line = self._follow(block, line)
                if waiting is not None:
                    line = self._block(waiting[0], line, waiting[1].result())
                    yield
            self._last(last, line)
            if text.note:
                self._out.notes.append(text.note)
            yield

    def _find_dialect(self, lines: list[str]) -> Dialect:
        """Find the header; without a column of tags where the path names the tag."""
        if self._tag is not None and self._export.tag_column is not None:
            try:
                return find_dialect(lines, self._export, self._tag_names)
            except ExportError:
                self._named = replace(self._export, tag_column=None)
        return find_dialect(lines, self._named, self._tag_names)

    def _cut_at_headers(self, blocks: Iterable[bytes]) -> Iterator[tuple[bytes, bool]]:
        """Cut blocks at headers, where any has other columns, as in files put together.

        Tells of each piece whether it begins with a header.
        """
        for block in blocks:
            places = headers_in(block, self._dialect, self._named)
            cuts = sorted({0, *places, len(block)})
            for low, high in pairwise(cuts):
                yield block[low:high], low in places

    def _follow(self, block: bytes, line: int) -> tuple[bytes, int]:
        """Go by the header a piece begins with; gives the rest and the number of its first line."""
        if not begins_otherwise(block, self._dialect, self._named):
            return block, line
        lines = decode(block[: 1 << 20]).split("\n")
        export = replace(self._named, delimiter=self._dialect.delimiter, skip_rows=0)
        self._dialect = find_dialect(lines, export, self._tag_names, line - 1)
        used = self._dialect.body_line - line
        self._prepare(lines[used:], is_first=False)
        if not self._is_joined:
            note = f"Line {line} is a header with other columns; such headers were followed."
            self._out.notes.append(note)
        self._is_joined = True
        return drop_lines(block, used)[0], line + used

    def _last(self, block: bytes, line: int) -> None:
        """Read the final block, unless its last line shows that the file is unfinished.

        An archive with a directory is finished, whatever its files end with.
        """
        if block and not block.endswith(b"\n") and self._member is None:
            ends = [decode(line) for line in block.rsplit(b"\n", MOST_JOINED)[-MOST_JOINED:]]
            last = last_record(ends, self._dialect)
            if last.strip("\0\x1a ") and not self._is_comment(last):
                fields = split_line(last, self._dialect.delimiter)
                if last.count('"') % 2 or len(fields) < self._dialect.least_fields:
                    raise Unfinished("the last line breaks off")
        if block:
            self._block(block, line, self._fast(block))

    def _is_comment(self, line: str) -> bool:
        return bool(self._export.comment) and line.startswith(self._export.comment or "")

    def _prepare(self, body: list[str], *, is_first: bool) -> None:
        """Decide from the first lines below a header how its columns are read."""
        d = self._dialect
        self._out.notes.extend(d.notes)
        for tag in d.repeated:
            self._out.refusals.add_one(
                d.body_line - 1, tag, None, "the tag heads several columns; none of them was read"
            )
        if self._export.layout == "wide" and not d.wide:
            self._out.notes.append("No column is a tag of the plant file.")
        rows = [
            split_line(line, d.delimiter)
            for line in body[:202]
            if line.strip() and not self._is_comment(line)
        ]
        times = [row[d.time].strip() for row in rows if len(row) > d.time]
        self._time_type = _bulk_time_type(self._export.time_format, times)
        if (
            is_first
            and self._export.time_format == "iso"
            and could_swap_day_and_month(pa.array(times, _TEXT))
        ):
            self._order = self._prove_day_order()
        self._status_type = _WORDS
        if d.status is not None:
            words = sorted({row[d.status].strip() for row in rows if len(row) > d.status})
            self._out.look_at_status(pa.array(words, _TEXT))
            if words and all(re.match(r"^(0|[1-9]\d{0,9})$", word) for word in words):
                self._status_type = pa.int64()  # several times as fast as words
        for place in {place for _, place in d.status_of}:
            words = sorted({row[place].strip() for row in rows if len(row) > place})
            self._out.look_at_status(pa.array(words, _TEXT))
        self._types = self._column_types()
        if is_first and self._out.is_status_open:
            self._look_through_statuses()

    def _column_types(self) -> dict[str, pa.DataType]:
        d = self._dialect
        number = _TEXT if self._export.thousands else pa.float64()
        types = {f"c{d.time}": self._time_type}
        for position, kind in ((d.tag, _WORDS), (d.value, number), (d.status, self._status_type)):
            if position is not None:
                types[f"c{position}"] = kind
        types |= {f"c{place}": _WORDS for _, place in d.status_of}
        return types | {f"c{position}": number for position, _ in d.wide}

    def _look_through_statuses(self) -> None:
        """Look through the whole file for a number that tells what its statuses mean."""
        d = self._dialect
        places = {place for _, place in d.status_of}
        if d.status is not None:
            places.add(d.status)
        for _, blocks in self._open():
            start = True
            for block in blocks:
                body = drop_lines(block, d.body_line - 1)[0] if start else block
                start = False
                for place in places if body else ():
                    self._out.look_at_status(self._distinct(body, place))
                if not self._out.is_status_open:
                    return

    def _distinct(self, body: bytes, place: int) -> pa.Array:
        """Give the distinct texts of a column, as they are written."""
        with suppress(pa.ArrowInvalid):
            return self._parse(body, {f"c{place}": _TEXT}).column(f"c{place}").unique()
        # A line has too many or too few fields: one by one.
        lines = [line for line in decode(body).split("\n") if line.strip()]
        parts = [split_line(line, self._dialect.delimiter) for line in lines]
        return pa.array([row[place].strip() if len(row) > place else "" for row in parts], _TEXT)

    def _prove_day_order(self) -> DayOrder:
        """Look through the whole file for a date that only one order allows."""
        proof = DayOrderProof()
        for _, blocks in self._open():
            start = True
            for block in blocks:
                body = drop_lines(block, self._dialect.body_line - 1)[0] if start else block
                start = False
                proof.add(self._distinct(body, self._dialect.time))
                if proof.day_first and proof.month_first:
                    break
        order, note = proof.decide()
        self._out.notes.append(note)
        return order

    def _block(self, block: bytes, line: int, table: pa.Table | None) -> int:
        """Take over a block that was read the fast way, or read its pieces, or its lines.

        Gives the number of the line after it.
        """
        if table is not None:
            after = line + table.num_rows
            lines = np.arange(line, after, dtype=np.int64)
            time = table.column(f"c{self._dialect.time}")
            # A blank line has no time; looking for one in the text takes as long as parsing it.
            may_be_blank = time.null_count or pa.types.is_string(time.type)
            is_filled = filled_lines(block) if may_be_blank else None
            if is_filled is not None:
                table, lines = table.filter(pa.array(is_filled)), lines[is_filled]
            self._out.count_rows(table.num_rows)
            self._table(table, lines)
            return after
        if len(block) > SMALL:
            size = max(len(block) // 16, SMALL // 2)
            start = 0
            while start < len(block):
                cut = block.find(b"\n", min(start + size, len(block) - 1)) + 1
                cut = end_of_record(block, start, cut or len(block))
                piece = block[start:cut]
                if len(piece) == len(block):
                    break
                line = self._block(piece, line, self._fast(piece))
                start = cut
            else:
                return line
        self._tolerant(block, line)
        return line + count_lines(block)

    def _fast(self, block: bytes) -> pa.Table | None:
        comment = self._export.comment
        if comment and (block.startswith(comment.encode()) or b"\n" + comment.encode() in block):
            return None
        d = self._dialect
        if b"\0" in block:
            return None
        types = self._types
        for _ in range(2 * len(types)):
            try:
                table = self._parse(block, types)
                endless = [n for n, t in types.items() if t == pa.float64() and _any_inf(table[n])]
                if not endless:
                    break
                # What was written, be it "inf" or a number too large, is kept as text.
                types = types | dict.fromkeys(endless, _TEXT)
            except pa.ArrowInvalid as error:
                # Text in a column of numbers is no reason to give up the parser.
                found = re.match(
                    r"In CSV column #(\d+): CSV conversion error to (?!string)", str(error)
                )
                name = f"c{found.group(1)}" if found else ""
                if types.get(name) not in (pa.float64(), self._time_type, pa.int64()):
                    return None
                is_status = name == f"c{d.status}"
                types = types | {name: _WORDS if is_status else _TEXT}
        else:
            return None
        # A row is a line, unless a quoted line break joins two (or the only column is blank).
        if b'"' not in block and len(d.fields) > 1:
            return table
        lines = count_lines(block) + (not block.endswith(b"\n"))
        return table if table.num_rows == lines else None

    def _parse(self, block: bytes, types: dict[str, pa.DataType]) -> pa.Table:
        return pacsv.read_csv(
            pa.py_buffer(block),
            read_options=pacsv.ReadOptions(
                column_names=[f"c{i}" for i in range(len(self._dialect.fields))],
                block_size=1 << 20,
            ),
            parse_options=pacsv.ParseOptions(
                delimiter=self._dialect.delimiter,
                newlines_in_values=False,
                ignore_empty_lines=False,
            ),
            convert_options=pacsv.ConvertOptions(
                include_columns=list(types),
                column_types=types,
                null_values=["", "NaN", "nan", "NULL", "null"],
                strings_can_be_null=False,
                decimal_point=self._export.decimal,
            ),
        )

    def _table(self, table: pa.Table, lines: NDArray[np.int64]) -> None:
        """Pass typed columns on, one Arrow batch after another."""
        start = 0
        for batch in table.to_batches():
            part = lines[start : start + batch.num_rows]
            start += batch.num_rows
            columns = {name: batch.column(name) for name in batch.schema.names}
            self._columns(columns, part)

    def _columns(self, columns: dict[str, pa.Array], lines: NDArray[np.int64]) -> None:
        d = self._dialect
        time = columns[f"c{d.time}"]
        instants = self._instants(time)
        self._out.refuse_times(instants, lines, time)
        if d.value is not None:
            status = None if d.status is None else _as_words(columns[f"c{d.status}"])
            tags = repeated(self._tag or "", len(lines)) if d.tag is None else columns[f"c{d.tag}"]
            self._out.add_long(instants, tags, columns[f"c{d.value}"], status, lines)
        for name in d.unknown:
            self._out.unknown(name, len(lines))
        status_of = dict(d.status_of)
        for position, tag in d.wide:
            place = status_of.get(position)
            status = None if place is None else _as_words(columns[f"c{place}"])
            values = columns[f"c{position}"]
            self._out.add_column(instants, tag, values, lines, status, is_own=d.is_own_status)

    def _instants(self, time: pa.Array) -> Instants:
        export = self._export
        if pa.types.is_string(time.type):
            return parse_times(time, export.time_format, export.time_zone, self._order)
        return times_from_arrow(time, export.time_format, export.time_zone)

    def _tolerant(self, block: bytes, line: int) -> None:
        """Take a block apart line by line."""
        text = decode(block)
        if "\ufffd" in text and "\ufffd".encode() not in block:
            self._out.notes.append(NOT_UTF_8)
        split = split_lines(text, line, self._dialect, self._export.comment)
        self._out.count_rows(split.rows)
        for lines, texts, reason in split.refused:
            self._out.refuse_rows(lines, texts, reason)
        if not len(split.lines):
            return
        statuses = (place for _, place in self._dialect.status_of)
        words = {self._dialect.tag, self._dialect.status, *statuses}
        columns = {}
        for name in self._types:
            column = split.columns[int(name[1:])]
            columns[name] = column.dictionary_encode() if int(name[1:]) in words else column
        self._columns(columns, split.lines)


def _any_inf(column: pa.ChunkedArray) -> bool:
    return bool(pc.any(pc.is_inf(column)).as_py())


def _as_words(status: pa.Array) -> pa.DictionaryArray:
    if pa.types.is_dictionary(status.type):
        return status
    encoded = encode_by_runs(status)
    return pa.DictionaryArray.from_arrays(encoded.indices, encoded.dictionary.cast(_TEXT))


def _bulk_time_type(time_format: str, times: list[str]) -> pa.DataType:
    """Choose the type in which Arrow's parser reads the timestamps fastest."""
    shown = next((text for text in times if text), "")
    if time_format in EPOCH_UNITS:
        return pa.int64()
    if time_format != "iso":
        return _TEXT
    for kind in (pa.timestamp("us", tz="UTC"), pa.timestamp("us")):
        try:
            pacsv.read_csv(
                pa.py_buffer(shown.encode() + b"\n"),
                read_options=pacsv.ReadOptions(column_names=["t"]),
                convert_options=pacsv.ConvertOptions(column_types={"t": kind}, null_values=[]),
            )
        except (pa.ArrowInvalid, StopIteration):
            continue
        return kind
    return _TEXT
