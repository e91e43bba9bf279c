"""The stage: where a run prepares the next generation, unseen by readers."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa

from pipeline.errors import StoreError
from pipeline.tables.blob_writer import BlobWriter
from pipeline.tables.files import (
    discard_folder,
    disk_errors,
    swap_link,
    sync_path,
    table_name,
    temporary_name,
)
from pipeline.tables.generation import Entry, Generation, Key, load_state, relative_path
from pipeline.tables.parquet_io import Content, digest_file, write_parquet
from pipeline.tables.stage_folder import file_size, link_generation, seal
from pipeline.tables.worker import INCOMING, StagedFile

__all__ = ["Stage"]

_log = logging.getLogger(__name__)


class Stage(Generation):
    """The next generation in the making; got from `Store.writer`.

    Reading from it gives what the next generation will hold. Nothing is copied, linked or
    written until the first change, so a run that finds nothing new leaves no trace. Methods
    may be called from several threads, each on partitions of its own.
    """

    def __init__(self, data_folder: Path, number: int, after_commit: Callable[[], None]) -> None:
        self._data_folder = data_folder
        self._store_folder = data_folder / "store"
        self._number = number
        self._after_commit = after_commit
        self._guard = threading.RLock()
        self._staged = False
        self._open = True
        self._repaired = False
        self._process = os.getpid()
        base = self._store_folder / str(number)
        self._published = load_state(base)
        super().__init__(base, dict(self._published))

    @property
    def generation(self) -> int:
        """Number of the generation readers see now."""
        return self._number

    @property
    def has_changes(self) -> bool:
        """Whether a commit now would make a new generation."""
        with self._guard:
            return self._repaired or self._entries != self._published

    @property
    def folder(self) -> Path:
        """Folder of the stage, for `worker_write`; asking for it sets it up."""
        with self._guard:
            if not self._open:
                raise StoreError("This run has ended: take a new writer from the store.")
            if not self._staged:
                self._root = link_generation(self._root, self._store_folder)
                self._staged = True
            return self._root

    def write(
        self, table: str, month: str | None, rows: pa.Table, *, schema: pa.Schema | None = None
    ) -> str:
        """Write one partition whole, in place of what it held.

        Parameters
        ----------
        table : str
            Name of the table.
        month : str or None
            Month ``YYYY-MM``; None for a table kept in one file.
        rows : pyarrow.Table
            Every row of the partition, in the order to be published.
        schema : pyarrow.Schema, optional
            Columns, types and metadata to publish. Default: those of `rows`.

        Returns
        -------
        str
            SHA-256 of the file. A file with equal content is kept, not written again.

        Raises
        ------
        ContractError
            When the rows do not fit `schema`.
        StoreError
            When the disk refuses, or the table is kept the other way (by month, or in one
            file).
        """
        return self._write(Key.of_table(table, month), rows, schema, inputs="")

    def build(
        self,
        table: str,
        month: str | None,
        inputs: str,
        make: Callable[[], pa.Table | None],
        *,
        schema: pa.Schema | None = None,
    ) -> str:
        """Make one partition unless it was already made from the same inputs.

        Parameters
        ----------
        table, month, schema
            As for `write`.
        inputs : str
            Digest of everything `make` depends on: digests of the partitions it reads,
            settings and a fingerprint of the code. See `inputs_digest`.
        make : callable
            Returns the rows, or None when there is nothing to hold (an existing file goes).
            Called only when needed.

        Returns
        -------
        str
            SHA-256 of the file, empty when there is nothing to hold. Equal to the one before
            when other inputs gave the same rows, so that what depends on it rests.

        Raises
        ------
        ContractError, StoreError
            As for `write`.
        """
        if self.is_current(table, month, inputs):
            return self.digest(table, month)
        rows = make()
        key = Key.of_table(table, month)
        if rows is None:
            self._drop(key, Entry(inputs, "", 0))
            return ""
        return self._write(key, rows, schema, inputs)

    def is_current(self, table: str, month: str | None, inputs: str) -> bool:
        """Return whether the partition was made from these inputs and is still there."""
        key = Key.of_table(table, month)
        entry = self._entries.get(key)
        if entry is None or not inputs or entry.inputs != inputs:
            return False
        return not entry.digest or file_size(self._file(key)) == entry.size

    def register(self, staged: StagedFile, inputs: str = "") -> str:
        """Take in what a worker wrote.

        Parameters
        ----------
        staged : StagedFile
            What `worker_write` returned.
        inputs : str, optional
            As for `build`.

        Returns
        -------
        str
            SHA-256 of the file.

        Raises
        ------
        StoreError
            When the worker's file is not there or not the size it said.
        """
        key = Key.of_table(staged.table, staged.month)
        waiting = staged.path_in(self.folder)
        with self._guard:
            known = self._entries.get(key)
            if not (known and known.digest == staged.digest and not waiting.exists()):
                found = file_size(waiting)
                if found != staged.size:
                    raise StoreError(
                        f"Could not take in {key} from a worker: expected {staged.size} bytes "
                        f"at {waiting.name}, found {'no file' if found < 0 else found}. "
                        "Build it again."
                    )
                self._adopt(waiting, key, Content(staged.digest, staged.size), inputs)
            self._entries[key] = Entry(inputs, staged.digest, staged.size)
        return staged.digest

    def remove(self, table: str, month: str | None = None) -> None:
        """Remove one partition; harmless when it does not exist."""
        self._drop(Key.of_table(table, month), None)

    def drop(self, table: str) -> None:
        """Remove a table with all its partitions; harmless when it does not exist."""
        name = table_name(table)
        for key in [k for k in list(self._entries) if k.area == "table" and k.name == name]:
            self._drop(key, None)

    def put_blob(
        self, folder: str, name: str, rows: pa.Table, *, schema: pa.Schema | None = None
    ) -> str:
        """Keep rows as a file carried unchanged from generation to generation.

        Parameters
        ----------
        folder : str
            Kind of file, such as ``segments``.
        name : str
            Name without suffix, such as the SHA-256 of what the rows were read from.
        rows, schema
            As for `write`.

        Returns
        -------
        str
            SHA-256 of the file.
        """
        return self._write(Key.of_blob(folder, name), rows, schema, inputs="")

    def open_blob(self, folder: str, name: str, schema: pa.Schema) -> BlobWriter:
        """Begin a file that is kept once its rows have come.

        Parameters
        ----------
        folder, name
            As for `put_blob`.
        schema : pyarrow.Schema
            Columns, types and metadata.

        Returns
        -------
        BlobWriter
            Adding all rows and finishing it does what `put_blob` does with all at once.
        """
        key = Key.of_blob(folder, name)

        def adopt(path: Path, content: Content) -> None:
            self._adopt(path, key, content, inputs="")

        return BlobWriter(self.scratch, str(key), schema, adopt)

    @property
    def scratch(self) -> Path:
        """Folder for files in the making; it goes with the stage, killed or not."""
        return self.folder / INCOMING

    def remove_blob(self, folder: str, name: str) -> None:
        """Remove a kept file; harmless when it does not exist."""
        self._drop(Key.of_blob(folder, name), None)

    def commit(self) -> int:
        """Publish everything at once, or nothing.

        Returns
        -------
        int
            Number of the generation readers see now: a new one, or the one before when
            nothing changed. The stage can be used further, towards the next generation.

        Raises
        ------
        StoreError
            When the disk refuses. Readers then still see the generation before.
        """
        with self._guard:
            if not self.has_changes:
                self._discard()
                return self._number
            folder = self.folder
            number = self._number + 1
            published = self._store_folder / str(number)
            with disk_errors(f"publish generation {number} in {self._data_folder}"):
                seal(folder, self._entries)
                folder.rename(published)
                sync_path(self._store_folder)
                # The one step that readers can see.
                swap_link(self._data_folder / "tables", Path("store", str(number)))
            self._number = number
            self._published = dict(self._entries)
            self._staged = False
            self._repaired = False
            self._root = published
            try:
                self._after_commit()
            except StoreError as error:
                _log.warning("generation %d is published; tidying up failed: %s", number, error)
            return number

    def close(self) -> None:
        """Drop whatever was not committed."""
        # A forked child that unwinds the stack must not take its parent's work away.
        if os.getpid() != self._process:
            return
        with self._guard:
            self._discard()
            self._open = False

    # -- inside ------------------------------------------------------------------------

    def _discard(self) -> None:
        if self._staged:
            discard_folder(self._root)
            self._staged = False
        self._repaired = False
        self._root = self._store_folder / str(self._number)
        self._entries = dict(self._published)

    def _write(self, key: Key, rows: pa.Table, schema: pa.Schema | None, inputs: str) -> str:
        path = self.folder / relative_path(key)
        self._refuse_mixed(key, path)
        with disk_errors(f"write {key}"):
            path.parent.mkdir(parents=True, exist_ok=True)
        temporary = path.with_name(temporary_name(path.name))
        content = write_parquet(temporary, rows, schema, what=str(key), kept=key.area == "evidence")
        self._adopt(temporary, key, content, inputs)
        return content.digest

    def _adopt(self, temporary: Path, key: Key, content: Content, inputs: str) -> None:
        path = self.folder / relative_path(key)
        before = self._published.get(key)
        old = self._store_folder / str(self._number) / relative_path(key)
        repairs = False
        with disk_errors(f"write {key}"):
            path.parent.mkdir(parents=True, exist_ok=True)
            if before and before.digest == content.digest:
                # Same content as published: its file stays, shared with the generations
                # before, unless somebody damaged it.
                if file_size(old) == content.size and digest_file(old) == content.digest:
                    temporary.unlink()
                    temporary.hardlink_to(old)
                else:
                    repairs = True
            sync_path(temporary)
            with self._guard:
                # Both names may be one file already; then the rename does nothing.
                temporary.replace(path)
                temporary.unlink(missing_ok=True)
                self._repaired = self._repaired or repairs
                self._entries[key] = Entry(inputs, content.digest, content.size)

    def _drop(self, key: Key, instead: Entry | None) -> None:
        known = self._entries.get(key)
        with self._guard:
            if known is not None and known.digest:
                path = self.folder / relative_path(key)
                with disk_errors(f"remove {key}"):
                    path.unlink(missing_ok=True)
            if instead is None:
                self._entries.pop(key, None)
            else:
                self._entries[key] = instead

    def _refuse_mixed(self, key: Key, path: Path) -> None:
        if key.area != "table":
            return
        single = path.with_name(f"{key.name}.parquet")
        if (key.part and single.exists()) or (not key.part and self.months(key.name)):
            raise StoreError(
                f"Table {key.name} is kept {'in one file' if key.part else 'by month'}; "
                "drop it before it is kept the other way."
            )
