"""Kept files that are written as their rows come."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pyarrow as pa

from pipeline.tables.files import disk_errors, temporary_name
from pipeline.tables.parquet_io import Content, TableWriter, read_files

__all__ = ["BlobWriter"]


class BlobWriter:
    """A kept file in the making; got from `Stage.open_blob`.

    Parameters
    ----------
    folder : Path
        Where it lies until it is finished.
    what : str
        Its name in messages.
    schema : pyarrow.Schema
        Columns, types and metadata.
    adopt : callable
        Takes the finished file into the stage.
    """

    def __init__(
        self, folder: Path, what: str, schema: pa.Schema, adopt: Callable[[Path, Content], None]
    ) -> None:
        self._path = folder / temporary_name("kept")
        self._what, self._adopt = what, adopt
        self._writer = TableWriter(self._path, schema, what=what, kept=True)

    def add(self, rows: pa.Table) -> None:
        """Write the next rows; errors as for `Stage.write`."""
        self._writer.add(rows)

    def finish(self) -> None:
        """Keep the file."""
        self._adopt(self._path, self._writer.close())

    def take_back(self) -> pa.Table:
        """Give all rows back; nothing is kept."""
        self._writer.close()
        rows = read_files([self._path], what=self._what)
        with disk_errors(f"remove {self._what}"):
            self._path.unlink()
        return rows

    def discard(self) -> None:
        """Keep nothing; harmless after `finish` and `take_back`."""
        self._writer.discard()
