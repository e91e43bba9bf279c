"""One generation: a folder of tables, what is recorded about it, and how it is read.

::

    <generation>/
        <table>/2025-03.parquet         a monthly table, one file per month
        <table>/<table>.parquet         a table in one file
        _evidence/<folder>/<name>.parquet   kept files, carried along unchanged
        _build/state.parquet            what every file was made from, and its content
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.errors import Fault, StoreError
from pipeline.tables.files import blob_name, disk_errors, month_name, table_name
from pipeline.tables.parquet_io import Filters, digest_file, read_files, write_parquet

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Entry", "Generation", "Key", "load_state", "relative_path", "save_state"]

EVIDENCE = "_evidence"
BUILD = "_build"
STATE_FILE = "state.parquet"
_STATE_FORMAT = b"1"
_STATE_SCHEMA = pa.schema(
    [
        pa.field("area", pa.string(), nullable=False),
        pa.field("name", pa.string(), nullable=False),
        pa.field("part", pa.string(), nullable=False),
        pa.field("inputs_digest", pa.string(), nullable=False),
        pa.field("content_digest", pa.string(), nullable=False),
        pa.field("size_bytes", pa.int64(), nullable=False),
    ],
    metadata={b"store_format": _STATE_FORMAT},
)
_SUFFIX = ".parquet"
_MONTH_FILE = re.compile(r"[0-9]{4}-(0[1-9]|1[0-2])\.parquet")


@dataclass(frozen=True, slots=True, order=True)
class Key:
    """Which file of a generation.

    Parameters
    ----------
    area : str
        ``"table"``, or ``"evidence"`` for kept files.
    name : str
        Table, or folder of the kept file.
    part : str
        Month ``YYYY-MM``, empty for a table in one file; or name of the kept file.
    """

    area: str
    name: str
    part: str

    @classmethod
    def of_table(cls, table: str, month: str | None) -> Key:
        """Return the key of a partition, names checked."""
        return cls("table", table_name(table), "" if month is None else month_name(month))

    @classmethod
    def of_blob(cls, folder: str, name: str) -> Key:
        """Return the key of a kept file, names checked."""
        return cls("evidence", table_name(folder), blob_name(name))

    def __str__(self) -> str:
        if self.area == "evidence":
            return f"kept file {self.name}/{self.part}"
        return f"table {self.name}, month {self.part}" if self.part else f"table {self.name}"


@dataclass(frozen=True, slots=True)
class Entry:
    """What is recorded about one file.

    Parameters
    ----------
    inputs : str
        Digest of everything the file was made from; empty when it was simply written.
    digest : str
        SHA-256 of the file; empty when there is nothing to hold and hence no file.
    size : int
        Bytes.
    """

    inputs: str
    digest: str
    size: int


def relative_path(key: Key) -> Path:
    """Return where the file lies inside its generation."""
    if key.area == "evidence":
        return Path(EVIDENCE, key.name, key.part + _SUFFIX)
    return Path(key.name, (key.part or key.name) + _SUFFIX)


def load_state(folder: Path) -> dict[Key, Entry]:
    """Return what is recorded about the files of a generation (nothing when it is empty).

    Raises
    ------
    StoreError
        When the record is damaged or was written by a newer version.
    """
    path = folder / BUILD / STATE_FILE
    with disk_errors(f"read {path}"):
        if not path.exists():
            return {}
        try:
            table = pq.ParquetFile(path).read()
            found = (table.schema.metadata or {}).get(b"store_format", b"none")
            if found != _STATE_FORMAT:
                raise StoreError(
                    f"{path} has store format {found.decode(errors='replace')}, this version "
                    f"reads format {_STATE_FORMAT.decode()}. Use the version that wrote the "
                    "data folder, or rebuild into a new one."
                )
            columns = [table.column(name).to_pylist() for name in _STATE_SCHEMA.names]
            rows = zip(*columns, strict=True)
            return {Key(*row[:3]): Entry(*row[3:]) for row in rows}
        except (pa.ArrowInvalid, KeyError) as error:
            raise StoreError(
                f"{path} is damaged ({error}). Point the link `tables` at an older generation "
                "in the folder `store`, or rebuild."
            ) from error


def save_state(path: Path, entries: Mapping[Key, Entry]) -> None:
    """Write the record of a generation to a new file at `path`."""
    ordered = sorted(entries.items())
    rows = [(k.area, k.name, k.part, e.inputs, e.digest, e.size) for k, e in ordered]
    columns = list(zip(*rows, strict=True)) or [()] * len(_STATE_SCHEMA)
    arrays = [
        pa.array(values, field.type) for values, field in zip(columns, _STATE_SCHEMA, strict=True)
    ]
    table = pa.Table.from_arrays(arrays, schema=_STATE_SCHEMA)
    write_parquet(path, table, what="the record of the build")


class Generation:
    """Read side of one generation folder.

    Parameters
    ----------
    root : Path
        The generation folder.
    entries : mapping of Key to Entry
        What is recorded about its files.
    """

    def __init__(self, root: Path, entries: dict[Key, Entry]) -> None:
        self._root = root
        self._entries = entries

    def names(self) -> list[str]:
        """Return the names of the tables, sorted."""
        held = list(self._entries.items())
        return sorted({k.name for k, e in held if k.area == "table" and e.digest})

    def months(self, table: str) -> list[str]:
        """Return the months of a monthly table, sorted; empty when there are none."""
        name = table_name(table)
        held = list(self._entries.items())
        return sorted(
            k.part for k, e in held if k.area == "table" and k.name == name and k.part and e.digest
        )

    def has(self, table: str, month: str | None = None) -> bool:
        """Return whether the partition exists."""
        entry = self._entries.get(Key.of_table(table, month))
        return entry is not None and bool(entry.digest)

    def path(self, table: str, month: str | None = None) -> Path:
        """Return the file of a partition.

        Raises
        ------
        StoreError
            When there is no such partition.
        """
        return self._held_path(Key.of_table(table, month))

    def digest(self, table: str, month: str | None = None) -> str:
        """Return the SHA-256 of a partition, as recorded; empty when it holds nothing.

        Raises
        ------
        StoreError
            When nothing is recorded about the partition.
        """
        key = Key.of_table(table, month)
        try:
            return self._entries[key].digest
        except KeyError:
            raise self._unknown(key) from None

    def digests(self, table: str) -> dict[str, str]:
        """Return the SHA-256 of every month of a table (key ``""``: a table in one file)."""
        name = table_name(table)
        held = sorted(self._entries.items())
        return {
            k.part: e.digest for k, e in held if k.area == "table" and k.name == name and e.digest
        }

    def read_arrow(
        self,
        table: str,
        months: Sequence[str] | None = None,
        columns: Sequence[str] | None = None,
        filters: Filters = None,
    ) -> pa.Table:
        """Read a table.

        Parameters
        ----------
        table : str
            Name of the table.
        months : sequence of str, optional
            Months of a monthly table, ``YYYY-MM``. Months without a file hold no rows.
            Default: all.
        columns : sequence of str, optional
            Columns to read, in that order. Default: all.
        filters : pyarrow.compute.Expression or list, optional
            Rows to keep: an Arrow expression, or ``[(column, operator, value), ...]``.

        Returns
        -------
        pyarrow.Table
            Rows in the order they were written, months ascending.

        Raises
        ------
        StoreError
            When the table, a column or every one of the months does not exist.
        """
        known = self.digests(table)
        if not known:
            raise self._unknown(Key.of_table(table, None))
        if months is None:
            parts = list(known)
        elif "" in known:
            raise StoreError(
                f"Table {table} is kept in one file, not by month: leave the months out."
            )
        else:
            wanted = {month_name(month) for month in months}
            parts = [part for part in known if part in wanted]
        # With no month in reach the columns are still those of the table.
        paths = [self._file(Key("table", table, part)) for part in parts or list(known)[:1]]
        rows = read_files(paths, what=f"table {table}", columns=columns, filters=filters)
        return rows if parts else rows.slice(0, 0)

    def read(
        self,
        table: str,
        months: Sequence[str] | None = None,
        columns: Sequence[str] | None = None,
        filters: Filters = None,
    ) -> pd.DataFrame:
        """Read a table as a pandas frame; parameters and errors as `read_arrow`.

        Returns
        -------
        pandas.DataFrame
            Default integer index; times are ``datetime64[us, UTC]``.
        """
        return self.read_arrow(table, months, columns, filters).to_pandas()

    def blobs(self, folder: str) -> list[str]:
        """Return the names of the kept files in a folder, sorted."""
        name = table_name(folder)
        held = list(self._entries)
        return sorted(k.part for k in held if k.area == "evidence" and k.name == name)

    def has_blob(self, folder: str, name: str) -> bool:
        """Return whether the kept file exists."""
        return Key.of_blob(folder, name) in self._entries

    def blob_digest(self, folder: str, name: str) -> str:
        """Return the SHA-256 of a kept file, as recorded; empty when there is none."""
        entry = self._entries.get(Key.of_blob(folder, name))
        return "" if entry is None else entry.digest

    def blob_path(self, folder: str, name: str) -> Path:
        """Return where a kept file is.

        Raises
        ------
        StoreError
            When there is no such file.
        """
        return self._held_path(Key.of_blob(folder, name))

    def read_blob(
        self, folder: str, name: str, columns: Sequence[str] | None = None, filters: Filters = None
    ) -> pa.Table:
        """Read a kept file; parameters and errors as `read_arrow`."""
        path = self.blob_path(folder, name)
        return read_files(
            [path], what=f"kept file {folder}/{name}", columns=columns, filters=filters
        )

    def verify(self) -> tuple[Fault, ...]:
        """Read every file again and compare it with its recorded SHA-256.

        Returns
        -------
        tuple of Fault
            One fault per file that is missing or changed; empty when all is well.
        """
        faults = []
        for key, entry in sorted(self._entries.items()):
            path = self._file(key)
            found = digest_file(path) if path.is_file() else ""
            if found != entry.digest:
                faults.append(
                    Fault(
                        where=str(path),
                        found=f"SHA-256 {found[:12]}" if found else "no file",
                        expected=f"SHA-256 {entry.digest[:12]}" if entry.digest else "no file",
                        remedy="Rebuild, or point the link `tables` at an older generation.",
                    )
                )
        return tuple(faults)

    def _file(self, key: Key) -> Path:
        return self._root / relative_path(key)

    def _held_path(self, key: Key) -> Path:
        entry = self._entries.get(key)
        if entry is None or not entry.digest:
            raise self._unknown(key)
        return self._file(key)

    def _unknown(self, key: Key) -> StoreError:
        if key.area == "evidence":
            return StoreError(f"There is no {key} in {self._root.name}.")
        months = self.months(key.name)
        if months:
            return StoreError(
                f"There is no {key}: the table holds {len(months)} months, "
                f"{months[0]} to {months[-1]}."
            )
        names = ", ".join(self.names()) or "none"
        return StoreError(f"There is no {key}; the tables held are: {names}.")
