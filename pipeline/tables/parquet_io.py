"""Parquet files whose bytes depend on their rows and schema alone.

Equal tables give equal bytes on one machine with one set of library versions, however the
rows were chunked in memory: one row-group size, one compression, fixed encodings, no
metadata written by pandas, no clock. So the SHA-256 of a file stands for its content.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from io import RawIOBase
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.errors import ContractError, StoreError
from pipeline.tables.files import disk_errors

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer as Buffer

__all__ = [
    "Content",
    "TableWriter",
    "canonical_schema",
    "digest_file",
    "read_files",
    "write_parquet",
]

Filters: TypeAlias = pc.Expression | list[tuple[str, str, object]] | None
"""Rows to keep: an Arrow expression, or ``[(column, operator, value), ...]``."""

ROWS_PER_GROUP = 131_072
_COMPRESSION_LEVEL = 3
_BUFFER_BYTES = 1 << 17

# Published files are shared between generations by hard links: an editor that changed one in
# place would change history, so they are read-only from the start.
_FILE_MODE = 0o444


@dataclass(frozen=True, slots=True)
class Content:
    """What a file holds.

    Parameters
    ----------
    digest : str
        SHA-256 of the bytes, in hexadecimal.
    size : int
        Bytes.
    """

    digest: str
    size: int


def canonical_schema(schema: pa.Schema) -> pa.Schema:
    """Return the schema without what pandas adds and with metadata in sorted order.

    Parameters
    ----------
    schema : pyarrow.Schema
        Any schema.

    Returns
    -------
    pyarrow.Schema
        The same columns and types; metadata keys sorted, the ``pandas`` key dropped.
    """
    fields = [field.with_metadata(_tidy(field.metadata)) for field in schema]
    return pa.schema(fields, metadata=_tidy(schema.metadata))


def _tidy(metadata: dict[bytes, bytes] | None) -> dict[bytes, bytes] | None:
    kept = {key: value for key, value in sorted((metadata or {}).items()) if key != b"pandas"}
    return kept or None


def write_parquet(
    path: Path,
    table: pa.Table,
    schema: pa.Schema | None = None,
    *,
    what: str = "the table",
    kept: bool = False,
) -> Content:
    """Write a new Parquet file; the caller forces it to the disk and renames it.

    Parameters
    ----------
    path : Path
        File that must not exist yet.
    table : pyarrow.Table
        The rows, in the order they are to be written.
    schema : pyarrow.Schema, optional
        Columns, types and metadata of the file. The table must have these columns and no
        others; types are cast when that loses nothing. Default: the table's own.
    what : str, optional
        Name of the table in messages.
    kept : bool
        True for evidence that only later runs read: written and read faster, and statistics,
        which nobody asks for, left out.

    Returns
    -------
    Content
        Digest and size of the file.

    Raises
    ------
    ContractError
        When the table does not fit `schema`.
    StoreError
        When the disk refuses.
    """
    writer = TableWriter(path, table.schema if schema is None else schema, what=what, kept=kept)
    try:
        writer.add(table)
        return writer.close()
    except BaseException:
        writer.discard()
        raise


class TableWriter:
    """A new Parquet file that is written as its rows come: the bytes are those of `write_parquet`.

    Parameters
    ----------
    path, schema, what, kept
        As for `write_parquet`.
    """

    def __init__(
        self, path: Path, schema: pa.Schema, *, what: str = "the table", kept: bool = False
    ) -> None:
        self._path, self._what, self._kept = path, what, kept
        self._target = canonical_schema(schema)
        self._waiting: list[pa.Table] = []
        self._rows = 0
        self._sink: _HashingSink | None = None
        self._writer: pq.ParquetWriter | None = None

    def add(self, rows: pa.Table) -> None:
        """Write the next rows, a row group at a time; the rest waits for more.

        Raises
        ------
        ContractError
            When the rows do not fit the schema.
        StoreError
            When the disk refuses.
        """
        missing = [name for name in self._target.names if name not in rows.column_names]
        extra = [name for name in rows.column_names if name not in self._target.names]
        if missing or extra or len(set(self._target.names)) != len(rows.column_names):
            raise ContractError(
                f"{self._what} does not have the columns it should: missing {missing or 'none'}, "
                f"unexpected {extra or 'none'}; expected {self._target.names}."
            )
        self._waiting.append(rows.select(self._target.names))
        self._rows += rows.num_rows
        if self._rows >= ROWS_PER_GROUP:
            table = pa.concat_tables(self._waiting)
            whole = self._rows // ROWS_PER_GROUP * ROWS_PER_GROUP
            self._write(table.slice(0, whole))
            self._waiting, self._rows = [table.slice(whole)], self._rows - whole

    def close(self) -> Content:
        """Write what waits, at least a row group of no rows, and close the file.

        Returns
        -------
        Content
            Digest and size of the file.
        """
        if self._rows or self._writer is None:
            self._write(pa.concat_tables(self._waiting) if self._waiting else None)
        self._waiting, self._rows = [], 0
        with self._disk():
            writer, sink = self._open()
            writer.close()
            sink.close()
        return sink.content()

    def discard(self) -> None:
        """Remove the file, if it was begun; harmless when it was closed and has gone."""
        if self._sink is None:
            return
        for part in (self._writer, self._sink):
            with contextlib.suppress(OSError, pa.ArrowException):
                if part is not None:
                    part.close()
        with contextlib.suppress(OSError):
            self._path.unlink(missing_ok=True)

    def _write(self, table: pa.Table | None) -> None:
        if table is None:
            table = self._target.empty_table()
        with self._disk():
            writer, _ = self._open()
            for start in range(0, max(table.num_rows, 1), ROWS_PER_GROUP):
                part = table.slice(start, ROWS_PER_GROUP)
                rows = _canonical_rows(part, self._target, self._what)
                writer.write_table(rows, row_group_size=ROWS_PER_GROUP)

    def _open(self) -> tuple[pq.ParquetWriter, _HashingSink]:
        if self._sink is None:
            handle = os.open(self._path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, _FILE_MODE)
            self._sink = _HashingSink(os.fdopen(handle, "wb", buffering=_BUFFER_BYTES))
        if self._writer is None:
            self._writer = _parquet_writer(self._sink, self._target, self._kept)
        return self._writer, self._sink

    def _disk(self) -> AbstractContextManager[None]:
        return disk_errors(f"write {self._what} to {self._path.parent}")


def _parquet_writer(sink: _HashingSink, schema: pa.Schema, kept: bool) -> pq.ParquetWriter:
    # Dictionaries pay for text, and for raw readings, which an instrument rounds; for averages
    # they cost time and save nothing. Sorted times shrink to almost nothing as differences.
    delta = [f.name for f in schema if pa.types.is_timestamp(f.type)]
    words = [f.name for f in schema if _is_text(f.type) or (kept and f.name not in delta)]
    return pq.ParquetWriter(
        sink,
        schema,
        version="2.6",
        data_page_version="1.0",
        # Dictionary and differences leave little to squeeze: in kept samples lz4 comes within
        # a tenth of zstd and is read in two thirds of the time.
        compression="lz4" if kept else "zstd",
        compression_level=None if kept else _COMPRESSION_LEVEL,
        use_dictionary=words or False,
        column_encoding=dict.fromkeys(delta, "DELTA_BINARY_PACKED") or None,
        write_statistics=not kept,
        store_schema=True,
        coerce_timestamps=None,
    )


def _is_text(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        return True
    return pa.types.is_string(kind) or pa.types.is_large_string(kind)


def _canonical_rows(rows: pa.Table, schema: pa.Schema, what: str) -> pa.Table:
    columns = []
    for field in schema:
        column = rows.column(field.name)
        try:
            if pa.types.is_dictionary(field.type):
                column = _encoded_anew(column, field.type)
            elif pa.types.is_dictionary(column.type):
                column = column.cast(column.type.value_type).cast(field.type)
            else:
                column = column.cast(field.type)
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as error:
            raise ContractError(
                f"{what}: column {field.name!r} holds {column.type}, expected {field.type}, "
                f"and it cannot be converted without loss ({error})."
            ) from error
        if not field.nullable and column.null_count:
            raise ContractError(
                f"{what}: column {field.name!r} must not be empty, "
                f"but {column.null_count} rows have no value."
            )
        if pa.types.is_float32(field.type) or pa.types.is_float64(field.type):
            # Not-a-number has many bit patterns, and which one a sum of vectors leaves
            # behind depends on where the vector began.
            no_number = pc.is_nan(column)
            if pc.any(no_number).as_py():
                column = pc.if_else(no_number, pa.scalar(float("nan"), field.type), column)
        columns.append(column)
    return pa.Table.from_arrays(columns, schema=schema).combine_chunks()


def _encoded_anew(column: pa.ChunkedArray, kind: pa.DictionaryType) -> pa.Array:
    """Encode words in the order they appear: two dictionaries can say the same in another."""
    if pa.types.is_dictionary(column.type):
        words = column.unify_dictionaries().combine_chunks()
        chunks = words.chunks if isinstance(words, pa.ChunkedArray) else [words]
        if len(chunks) == 1 and len(chunks[0].dictionary.unique()) == len(chunks[0].dictionary):
            # Codes are numbered anew, which is several times faster than words.
            codes = _encoded_by_runs(chunks[0].indices)
            plain = chunks[0].dictionary.cast(kind.value_type)
            if not plain.null_count:
                order = plain.take(codes.dictionary)
                return pa.DictionaryArray.from_arrays(codes.indices, order).cast(kind)
    return column.cast(kind.value_type).combine_chunks().dictionary_encode().cast(kind)


def _encoded_by_runs(codes: pa.Array) -> pa.DictionaryArray:
    """Encode numbers in the order they appear; sorted ones cost a look at each run."""
    if not codes.null_count:
        number = codes.to_numpy()
        heads = np.flatnonzero(number[1:] != number[:-1]) + 1
        if len(heads) < len(number) // 8:
            heads = np.insert(heads, 0, 0)
            first = pa.array(number[heads]).dictionary_encode()
            length = np.diff(heads, append=len(number))
            index = np.repeat(first.indices.to_numpy(), length)
            return pa.DictionaryArray.from_arrays(pa.array(index), first.dictionary)
    return codes.dictionary_encode()


class _HashingSink(RawIOBase):
    """Passes bytes on to a file and keeps their SHA-256."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self._hash = hashlib.sha256()
        self._size = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Buffer) -> int:
        view = memoryview(data)
        self._file.write(view)
        self._hash.update(view)
        self._size += view.nbytes
        return view.nbytes

    def close(self) -> None:
        if not self.closed:
            self._file.close()
        super().close()

    def content(self) -> Content:
        return Content(self._hash.hexdigest(), self._size)


def digest_file(path: Path) -> str:
    """Return the SHA-256 of a file, in hexadecimal."""
    with disk_errors(f"read {path}"), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def read_files(
    paths: Sequence[Path],
    *,
    what: str,
    columns: Sequence[str] | None = None,
    filters: Filters = None,
) -> pa.Table:
    """Read Parquet files of one table, in the order given.

    Parameters
    ----------
    paths : sequence of Path
        At least one file.
    what : str
        Name of the table in messages.
    columns : sequence of str, optional
        Columns to read, in that order. Default: all.
    filters : pyarrow.compute.Expression or list, optional
        Rows to keep: an Arrow expression, or ``[(column, operator, value), ...]``.

    Returns
    -------
    pyarrow.Table
        Rows of the first file first.

    Raises
    ------
    StoreError
        When a column does not exist, or a file is missing or damaged.
    """
    # Slow to import and not needed to write.
    import pyarrow.dataset as ds

    with disk_errors(f"read {what}"):
        try:
            data = ds.dataset([os.fspath(path) for path in paths], format="parquet")
            unknown = [name for name in columns or () if name not in data.schema.names]
            if unknown:
                raise StoreError(
                    f"{what} has no column {', '.join(unknown)}; "
                    f"its columns are {', '.join(data.schema.names)}."
                )
            rows = pq.filters_to_expression(filters) if isinstance(filters, list) else filters
            return data.to_table(columns=None if columns is None else list(columns), filter=rows)
        except FileNotFoundError as error:
            raise StoreError(
                f"A file of {what} has gone ({error}). If the data folder was written many "
                "times while it was being read, open the tables again; if not, rebuild it."
            ) from error
        except pa.ArrowInvalid as error:
            raise StoreError(
                f"{what} cannot be read ({error}). The file is damaged or the filter does not "
                "fit the columns; a damaged file is replaced by a rebuild."
            ) from error
