"""What a Parquet export holds, and how its rows name their tags."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import ExportError, Fault
from pipeline.exports.dialect import status_names
from pipeline.exports.path_tags import given_tag
from pipeline.exports.streams import Unfinished
from pipeline.plant.types import ExportFormat

__all__ = [
    "ParquetLayout",
    "describe_parquet",
    "is_text",
    "layout_of",
    "open_parquet",
]

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
        How rows name their tag: a dictionary or plain text column, the plant file or the
        path (a folder ``tag=NAME``), or one column per tag.
    tag_column, value_column, status_column : str or None
        Names in the file; of the long layout.
    path_tag : str or None
        Tag given by the plant file or the path.
    tag_columns : tuple of str
        Known tags of the wide layout.
    repeated : tuple of str
        Known tags that head several columns; none of these is read.
    status_columns : dict of str to str
        Column that holds the status of each of them that has one.
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
    repeated: tuple[str, ...] = ()
    status_columns: dict[str, str] = field(default_factory=dict)
    value_is_number: bool = True
    status_type: str | None = None
    is_streamable: bool = False
    why_not: str = ""


def open_parquet(path: Path) -> pq.ParquetFile:
    """Open a Parquet file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    ParquetFile

    Raises
    ------
    ExportError
        If it is no Parquet file, or is encrypted or damaged.
    Unfinished
        If it has no footer yet.
    """
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


def _kind(kind: pa.DataType) -> pa.DataType:
    return kind.value_type if pa.types.is_dictionary(kind) else kind


def is_text(kind: pa.DataType) -> bool:
    """Tell whether a column holds text, plain or as a dictionary; some writers leave bytes."""
    kind = _kind(kind)
    return bool(
        pa.types.is_string(kind)
        or pa.types.is_large_string(kind)
        or pa.types.is_string_view(kind)
        or pa.types.is_binary(kind)
        or pa.types.is_large_binary(kind)
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
    with open_parquet(path) as file:
        return layout_of(file, path.as_posix(), export, tag_names)


def layout_of(
    file: pq.ParquetFile, place: str, export: ExportFormat, tag_names: Collection[str]
) -> ParquetLayout:
    """Say the same of an open file, whose path may name its tag."""
    schema = file.schema_arrow
    names = schema.names
    path_tag = None
    missing = []
    time = _column(names, export.time_column)
    if time is None:
        missing.append(("time_column", export.time_column))
    tag = value = status = None
    if export.layout == "long":
        tag = _column(names, export.tag_column)
        if tag is None:
            path_tag = given_tag(export, place)
            if path_tag is None:
                missing.append(("tag_column", str(export.tag_column)))
        value = _column(names, export.value_column)
        if value is None:
            missing.append(("value_column", str(export.value_column)))
        if export.status_column is not None:
            status = _column(names, export.status_column)
            if status is None:
                missing.append(("status_column", export.status_column))
    elif not export.names_status_by_tag and export.status_column not in (None, *names):
        missing.append(("status_column", str(export.status_column)))
    if missing or time is None:
        found = ", ".join(f"'{n}'" for n in names[:12]) or "no column"
        faults = [Fault(key, found, f"a column '{name}'") for key, name in missing]
        raise ExportError("The Parquet file lacks a declared column.", faults)
    declared = (time, tag, value, status, export.status_column)
    named = {name for name in declared if name is not None and name in names}
    faults = [
        Fault(f"column '{name}'", f"{names.count(name)} columns of this name", "one")
        for name in sorted(named)
        if names.count(name) > 1
    ]
    if faults:
        raise ExportError("The Parquet file has a declared column more than once.", faults)
    known = set(tag_names) - {time} if export.layout == "wide" else set()
    wide = tuple(n for n in names if n in known and names.count(n) == 1)
    values = [value] if value is not None else list(wide)
    for name in values:
        kind = schema.field(name).type
        if not (_is_number(kind) or is_text(kind) or pa.types.is_null(kind)):
            fault = Fault(f"column '{name}'", f"type {kind}", "numbers or text")
            raise ExportError("A value column is of a type that holds no numbers.", [fault])
    of_tags = status_names(names, wide, export) if export.layout == "wide" else {}
    for name in sorted({name for name in (time, status, *of_tags.values()) if name is not None}):
        kind = schema.field(name).type
        if pa.types.is_nested(kind):
            expected = "times, numbers or text" if name == time else "numbers or text"
            fault = Fault(f"column '{name}'", f"type {kind}", expected)
            raise ExportError("A column holds nested values.", [fault])
    time_type = schema.field(time).type
    typed = pa.types.is_timestamp(time_type)
    encoding: TagEncoding = "columns"
    if export.layout == "long":
        encoding = "path"
        if tag is not None:
            kind = schema.field(tag).type
            if not is_text(kind):
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
        repeated=tuple(sorted({n for n in names if n in known and names.count(n) > 1})),
        status_columns=of_tags,
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
