"""Parquet exports, read a row group at a time."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import suppress
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.errors import ExportError
from pipeline.exports.collector import Collector
from pipeline.exports.date_texts import DayOrder, DayOrderProof, could_swap_day_and_month
from pipeline.exports.parquet_layout import ParquetLayout, is_text, layout_of, open_parquet
from pipeline.exports.path_tags import repeated
from pipeline.exports.tag_runs import encode_by_runs
from pipeline.exports.timestamps import EPOCH_UNITS, iso_instants, parse_times, times_from_arrow
from pipeline.plant.types import ExportFormat

__all__ = ["read_parquet_into"]

LARGE = 1 << 22
"""Rows of a row group above which it is read in pieces."""


def read_parquet_into(
    path: Path, export: ExportFormat, tag_names: Collection[str], collector: Collector, place: str
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
    place : str
        Path that may name its tag.

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
    with open_parquet(path) as plain:
        layout = layout_of(plain, place, export, tag_names)
        schema = plain.schema_arrow
    statuses = sorted(set(layout.status_columns.values()))
    words = [
        name
        for name in (layout.tag_column, layout.status_column, *statuses)
        if name is not None and is_text(schema.field(name).type)
    ]
    columns = [
        name
        for name in (
            layout.time_column,
            layout.tag_column,
            layout.value_column,
            layout.status_column,
            *layout.tag_columns,
            *statuses,
        )
        if name is not None
    ]
    strangers = [
        name
        for name in schema.names
        if export.layout == "wide"
        and name not in (*columns, *layout.repeated)
        and not re.match(r"__index_level_\d+__$", name)
    ]
    with pq.ParquetFile(path, read_dictionary=words) as file:
        for tag in layout.repeated:
            reason = "the tag heads several columns; none of them was read"
            collector.refusals.add_one(None, tag, None, reason)
        order = _day_order(file, layout, export, collector)
        _look_through_statuses(file, layout, collector)
        line = 1
        for batch in _batches(file, layout, columns):
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
    if is_text(time.type):
        instants = parse_times(_text(time), export.time_format, export.time_zone, order)
    else:
        instants = times_from_arrow(time, export.time_format, export.time_zone)
    collector.refuse_times(instants, lines, time)
    for name in layout.tag_columns:
        own = layout.status_columns.get(name)
        words = None if own is None else _words(batch.column(own))
        values = _numbers(batch.column(name))
        is_own = export.names_status_by_tag
        collector.add_column(instants, name, values, lines, words, is_own=is_own)
    if layout.value_column is None:
        return
    if layout.path_tag is not None:
        tags = repeated(layout.path_tag, batch.num_rows)
    else:
        tags = _words(batch.column(layout.tag_column))
    status = None if layout.status_column is None else _words(batch.column(layout.status_column))
    values = _numbers(batch.column(layout.value_column))
    collector.add_long(instants, tags, values, status, lines)


def _plain(column: pa.Array) -> pa.Array:
    return column.dictionary_decode() if pa.types.is_dictionary(column.type) else column


def _text(column: pa.Array) -> pa.Array:
    """Give a column as text; bytes that are no UTF-8 are shown as replacement characters."""
    if pa.types.is_binary(column.type) or pa.types.is_large_binary(column.type):
        column = column.cast(pa.binary()).view(pa.string())
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
    if is_text(column.type):
        return _text(column)
    if pa.types.is_boolean(column.type):
        column = column.cast(pa.int8())
    if pa.types.is_decimal(column.type):
        # Arrow's own way to floating point scales by powers of ten and misses the last digit.
        column = column.cast(pa.string())
    return column.cast(pa.float64(), safe=False)


def _words(column: pa.Array) -> pa.DictionaryArray:
    if not pa.types.is_dictionary(column.type):
        if pa.types.is_floating(column.type):
            # An integer status with gaps arrives as floating point from some writers.
            column = pc.if_else(pc.is_nan(column), None, column)
            with suppress(pa.ArrowInvalid):  # 64.5 is no status, and shown as it is
                column = column.cast(pa.int64())
        column = encode_by_runs(column)
    words = _text(column.dictionary)
    return pa.DictionaryArray.from_arrays(column.indices.cast(pa.int32()), words)


def _look_through_statuses(
    file: pq.ParquetFile, layout: ParquetLayout, collector: Collector
) -> None:
    """Look at statuses until a number tells what they mean, through the whole file if need be."""
    names = sorted({n for n in (layout.status_column, *layout.status_columns.values()) if n})
    if not names:
        return
    try:
        for batch in file.iter_batches(1 << 16, columns=names):
            for column in batch.columns:
                collector.look_at_status(_words(column).dictionary)
            if not collector.is_status_open:
                return
    except (pa.ArrowException, OSError):
        return  # what is broken is told where the row group is read


def _day_order(
    file: pq.ParquetFile, layout: ParquetLayout, export: ExportFormat, collector: Collector
) -> DayOrder | None:
    if layout.time_unit is not None or export.time_format != "iso":
        return None
    if export.time_format in EPOCH_UNITS or not is_text(
        file.schema_arrow.field(layout.time_column).type
    ):
        return None
    proof = DayOrderProof()
    swappable = False
    for group in range(layout.row_groups):
        table = file.read_row_group(group, columns=[layout.time_column])
        texts = _plain(table.column(0).combine_chunks()).cast(pa.string())
        if iso_instants(texts) is None:
            texts = texts.unique()
            swappable |= could_swap_day_and_month(texts)
            proof.add(texts)
    if not swappable:
        return None
    order, note = proof.decide()
    collector.notes.append(note)
    return order
