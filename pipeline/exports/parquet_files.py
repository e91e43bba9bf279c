"""Parquet exports: what a file holds, and reading it whole."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from urllib.parse import unquote

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import ExportError, Fault
from pipeline.exports.collector import Collector
from pipeline.exports.streams import Unfinished
from pipeline.exports.tag_runs import tag_edges
from pipeline.exports.timestamps import (
    EPOCH_UNITS,
    DayOrder,
    DayOrderProof,
    could_swap_day_and_month,
    parse_times,
    times_from_arrow,
)
from pipeline.plant.types import ExportFormat

__all__ = ["ParquetLayout", "describe_parquet", "read_parquet_into"]

LARGE = 1 << 22
"""Rows of a row group above which it is read in pieces."""

_MAGIC = b"PAR1"
TagEncoding = Literal["dictionary", "plain", "path", "columns"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ParquetLayout:
    """What a Parquet export holds and whether it can be streamed as it is.

    Parameters
    ----------
    rows, row_groups : int
        Size of the file.
    time_column : str
        Its name in the file.
    time_unit : {"s", "ms", "us", "ns"} or None
        Unit of typed timestamps; None where they are numbers or text.
    time_zone : str or None
        Zone stored with typed timestamps.
    tag_encoding : {"dictionary", "plain", "path", "columns"}
        How rows name their tag: a dictionary or plain text column, the partition folder
        (``tag=NAME``), or one column per tag.
    tag_column, value_column, status_column : str or None
        Names in the file; of the long layout.
    path_tag : str or None
        Tag given by the partition folder.
    tag_columns : tuple of str
        Known tags of the wide layout.
    value_is_number : bool
        Whether every value column is numeric.
    status_type : str or None
        Arrow type of the status column.
    is_streamable : bool
        True for the long layout with typed timestamps in UTC (or declared UTC), numeric values
        and a status of text or integers: row groups can be gridded as they come.
    why_not : str
        What stands in the way of streaming; empty if nothing does.
    """

    rows: int
    row_groups: int
    time_column: str
    time_unit: str | None
    time_zone: str | None
    tag_encoding: TagEncoding
    tag_column: str | None = None
    value_column: str | None = None
    status_column: str | None = None
    path_tag: str | None = None
    tag_columns: tuple[str, ...] = ()
    value_is_number: bool = True
    status_type: str | None = None
    is_streamable: bool = False
    why_not: str = ""


def _open(path: Path) -> pq.ParquetFile:
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(4)
        file.seek(max(size - 4, 0))
        tail = file.read(4)
    if head == b"PARE" or tail == b"PARE":
        raise ExportError("The Parquet file is encrypted; export it unencrypted.")
    if size == 0 or (head == _MAGIC and (size < 12 or tail != _MAGIC)):
        raise Unfinished("the Parquet file has no footer")
    if head != _MAGIC:
        raise ExportError(f"This is no Parquet file: it starts with {head!r}.")
    try:
        return pq.ParquetFile(path, memory_map=False)
    except (pa.ArrowInvalid, OSError) as error:
        text = str(error).splitlines()[0]
        raise ExportError(f"The Parquet footer cannot be read: {text}") from None


def _partition_values(path: Path) -> dict[str, str]:
    pairs = (part.partition("=") for part in path.parts[:-1])
    return {unquote(key): unquote(value) for key, mark, value in pairs if mark and key}


def _kind(kind: pa.DataType) -> pa.DataType:
    return kind.value_type if pa.types.is_dictionary(kind) else kind


def _is_text(kind: pa.DataType) -> bool:
    kind = _kind(kind)
    return bool(
        pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)
    )


def _is_number(kind: pa.DataType) -> bool:
    kind = _kind(kind)
    return bool(
        pa.types.is_integer(kind)
        or pa.types.is_floating(kind)
        or pa.types.is_decimal(kind)
        or pa.types.is_boolean(kind)
    )


def describe_parquet(
    path: Path, export: ExportFormat, tag_names: Collection[str] = ()
) -> ParquetLayout:
    """Say which columns, time unit and tag encoding a Parquet export has.

    Parameters
    ----------
    path : Path
        The file.
    export : ExportFormat
        How it is declared.
    tag_names : collection of str
        Tags of the plant file; they count for the wide layout only.

    Returns
    -------
    ParquetLayout

    Raises
    ------
    ExportError
        If the file cannot be read or lacks a declared column.
    Unfinished
        If the file has no footer yet.
    """
    with _open(path) as file:
        return _describe(file, path, export, tag_names)


def _describe(
    file: pq.ParquetFile, path: Path, export: ExportFormat, tag_names: Collection[str]
) -> ParquetLayout:
    schema = file.schema_arrow
    names = schema.names
    in_path = _partition_values(path)
    path_tag = None
    missing = []
    time = _column(names, export.time_column)
    if time is None:
        missing.append(("time_column", export.time_column))
    tag = value = status = None
    if export.layout == "long":
        tag = _column(names, export.tag_column)
        if tag is None and export.tag_column in in_path:
            path_tag = in_path[export.tag_column]
        elif tag is None:
            missing.append(("tag_column", str(export.tag_column)))
        value = _column(names, export.value_column)
        if value is None:
            missing.append(("value_column", str(export.value_column)))
        if export.status_column is not None:
            status = _column(names, export.status_column)
            if status is None:
                missing.append(("status_column", export.status_column))
    if missing or time is None:
        found = ", ".join(f"'{n}'" for n in names[:12]) or "no column"
        faults = [Fault(key, found, f"a column '{name}'") for key, name in missing]
        raise ExportError("The Parquet file lacks a declared column.", faults)
    known = set(tag_names)
    wide = tuple(n for n in names if n in known and n != time) if export.layout == "wide" else ()
    values = [value] if value is not None else list(wide)
    for name in values:
        kind = schema.field(name).type
        if not (_is_number(kind) or _is_text(kind) or pa.types.is_null(kind)):
            fault = Fault(f"column '{name}'", f"type {kind}", "numbers or text")
            raise ExportError("A value column is of a type that holds no numbers.", [fault])
    time_type = schema.field(time).type
    typed = pa.types.is_timestamp(time_type)
    encoding: TagEncoding = "columns"
    if export.layout == "long":
        encoding = "path"
        if tag is not None:
            kind = schema.field(tag).type
            if not _is_text(kind):
                fault = Fault(f"column '{tag}'", f"type {kind}", "text")
                raise ExportError("The tag column holds no text.", [fault])
            # What is stored counts here, not the type it is read as.
            encoding = "dictionary" if _is_stored_as_dictionary(file, tag) else "plain"
    numeric = all(_is_number(schema.field(name).type) for name in values)
    status_type = None if status is None else schema.field(status).type
    why = []
    if export.layout == "wide":
        why.append("one column per tag")
    if not typed:
        why.append(f"timestamps are stored as {time_type}")
    elif time_type.tz is None and export.time_zone not in ("UTC", "Etc/UTC"):
        why.append("timestamps are clock times of a zone")
    if not numeric:
        why.append("values are stored as text")
    elif any(pa.types.is_decimal(schema.field(name).type) for name in values):
        why.append("values are stored as decimals")
    return ParquetLayout(
        rows=file.metadata.num_rows,
        row_groups=file.metadata.num_row_groups,
        time_column=time,
        time_unit=time_type.unit if typed else None,
        time_zone=time_type.tz if typed else None,
        tag_encoding=encoding,
        tag_column=tag,
        value_column=value,
        status_column=status,
        path_tag=path_tag,
        tag_columns=wide,
        value_is_number=numeric,
        status_type=None if status_type is None else str(status_type),
        is_streamable=not why,
        why_not="; ".join(why),
    )


def _column(names: list[str], wanted: str | None) -> str | None:
    if wanted is None or wanted in names:
        return wanted
    alike = [n for n in names if n.strip().casefold() == wanted.casefold()]
    return alike[0] if len(alike) == 1 else None


def _is_stored_as_dictionary(file: pq.ParquetFile, name: str) -> bool:
    meta = file.metadata
    if not meta.num_row_groups:
        return False
    group = meta.row_group(0)
    for position in range(group.num_columns):
        column = group.column(position)
        if column.path_in_schema == name:
            return any("DICTIONARY" in encoding for encoding in column.encodings)
    return False


def read_parquet_into(
    path: Path, export: ExportFormat, tag_names: Collection[str], collector: Collector
) -> Iterator[None]:
    """Read a Parquet export into a collector, one row group after the other.

    Parameters
    ----------
    path : Path
        The file.
    export : ExportFormat
        How it is declared.
    tag_names : collection of str
        Tags of the plant file.
    collector : Collector
        Takes the samples.

    Yields
    ------
    None
        After every row group.

    Raises
    ------
    ExportError
        If the file as a whole cannot be read.
    Unfinished
        If the file has no footer yet.
    """
    with _open(path) as plain:
        layout = _describe(plain, path, export, tag_names)
        schema = plain.schema_arrow
    words = [
        name
        for name in (layout.tag_column, layout.status_column)
        if name is not None and _is_text(schema.field(name).type)
    ]
    columns = [
        name
        for name in (
            layout.time_column,
            layout.tag_column,
            layout.value_column,
            layout.status_column,
            *layout.tag_columns,
        )
        if name is not None
    ]
    strangers = [
        name
        for name in schema.names
        if export.layout == "wide"
        and name not in columns
        and not re.match(r"__index_level_\d+__$", name)
    ]
    with pq.ParquetFile(path, read_dictionary=words) as file:
        order = _day_order(file, layout, export, collector)
        line = 1
        for batch in _batches(file, layout, columns):
            if line == 1 and layout.status_column is not None:
                collector.look_at_status(_words(batch.column(layout.status_column)).dictionary)
            collector.count_rows(batch.num_rows)
            for name in strangers:
                collector.unknown(name, batch.num_rows)
            lines = np.arange(line, line + batch.num_rows, dtype=np.int64)
            line += batch.num_rows
            _add(batch, layout, export, order, collector, lines)
            yield


def _batches(
    file: pq.ParquetFile, layout: ParquetLayout, columns: list[str]
) -> Iterator[pa.RecordBatch]:
    """Give a file's rows in order; a row group too large for memory comes in pieces."""
    whole = [file.metadata.row_group(g).num_rows <= LARGE for g in range(layout.row_groups)]
    # The next row group is decoded while this one is looked through.
    with ThreadPoolExecutor(1, thread_name_prefix="parquet") as pool:
        ahead: dict[int, Future[pa.Table]] = {}
        for group in range(layout.row_groups):
            for near in (group, group + 1):
                if near < layout.row_groups and whole[near] and near not in ahead:
                    ahead[near] = pool.submit(file.read_row_group, near, columns=columns)
            try:
                if whole[group]:
                    yield from ahead.pop(group).result().to_batches()
                else:
                    # The file serves one reader at a time.
                    wait(ahead.values())
                    yield from file.iter_batches(LARGE // 4, row_groups=[group], columns=columns)
            except (pa.ArrowException, OSError) as error:
                text = str(error).splitlines()[0]
                raise ExportError(f"Row group {group + 1} cannot be read: {text}") from None


def _add(
    batch: pa.RecordBatch,
    layout: ParquetLayout,
    export: ExportFormat,
    order: DayOrder | None,
    collector: Collector,
    lines: np.ndarray,
) -> None:
    time = _plain(batch.column(layout.time_column))
    if _is_text(time.type):
        instants = parse_times(_text(time), export.time_format, export.time_zone, order)
    else:
        instants = times_from_arrow(time, export.time_format, export.time_zone)
    collector.refuse_times(instants, lines, time)
    for name in layout.tag_columns:
        collector.add_column(instants, name, _numbers(batch.column(name)), lines)
    if layout.value_column is None:
        return
    if layout.path_tag is not None:
        zeros = pa.array(np.zeros(batch.num_rows, dtype=np.int32))
        tags = pa.DictionaryArray.from_arrays(zeros, pa.array([layout.path_tag]))
    else:
        tags = _words(batch.column(layout.tag_column))
    status = None if layout.status_column is None else _words(batch.column(layout.status_column))
    values = _numbers(batch.column(layout.value_column))
    collector.add_long(instants, tags, values, status, lines)


def _plain(column: pa.Array) -> pa.Array:
    return column.dictionary_decode() if pa.types.is_dictionary(column.type) else column


def _text(column: pa.Array) -> pa.Array:
    """Give a column as text; bytes that are no UTF-8 are shown as replacement characters."""
    column = column.cast(pa.string())
    try:
        column.validate(full=True)
    except pa.ArrowInvalid:
        raw = column.view(pa.binary()).to_pylist()
        decoded = [None if b is None else b.decode("utf-8", errors="replace") for b in raw]
        column = pa.array(decoded, pa.string())
    return column


def _numbers(column: pa.Array) -> pa.Array:
    column = _plain(column)
    if _is_text(column.type):
        return _text(column)
    if pa.types.is_boolean(column.type):
        column = column.cast(pa.int8())
    return column.cast(pa.float64(), safe=False)


def _words(column: pa.Array) -> pa.DictionaryArray:
    if not pa.types.is_dictionary(column.type):
        if pa.types.is_floating(column.type):
            # An integer status with gaps arrives as floating point from some writers.
            column = column.cast(pa.int64(), safe=False)
        column = _encoded(column)
    words = _text(column.dictionary)
    return pa.DictionaryArray.from_arrays(column.indices.cast(pa.int32()), words)


def _encoded(column: pa.Array) -> pa.DictionaryArray:
    """Encode a column; one that seldom changes, as a status, by its runs."""
    if not column.null_count and pa.types.is_integer(column.type):
        number = column.to_numpy(zero_copy_only=False)
        edges = tag_edges(number)
        if len(edges) < len(number) // 8:
            heads = pa.array(number[edges[:-1]], column.type).dictionary_encode()
            index = np.repeat(heads.indices.to_numpy(), np.diff(edges))
            return pa.DictionaryArray.from_arrays(pa.array(index), heads.dictionary)
    return column.dictionary_encode()


def _day_order(
    file: pq.ParquetFile, layout: ParquetLayout, export: ExportFormat, collector: Collector
) -> DayOrder | None:
    if layout.time_unit is not None or export.time_format != "iso":
        return None
    if export.time_format in EPOCH_UNITS or not _is_text(
        file.schema_arrow.field(layout.time_column).type
    ):
        return None
    proof = DayOrderProof()
    swappable = False
    for group in range(layout.row_groups):
        table = file.read_row_group(group, columns=[layout.time_column])
        texts = _plain(table.column(0).combine_chunks()).cast(pa.string())
        swappable |= could_swap_day_and_month(texts)
        proof.add(texts)
    if not swappable:
        return None
    if proof.order is None:
        fault = Fault(
            "time_format",
            "dates that do not show whether the day or the month comes first",
            "one order",
            "Declare time_format as day_first or month_first.",
        )
        raise ExportError("Day and month of the dates cannot be told apart.", [fault])
    collector.notes.append(f"Dates are {proof.order.replace('_', ' ')}, as the file proves.")
    return proof.order
