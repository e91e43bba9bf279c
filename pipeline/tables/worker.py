"""What worker processes write: files that wait in the stage until the run takes them in."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from pipeline.errors import StoreError
from pipeline.tables.files import disk_errors, month_name, sync_path, table_name, temporary_name
from pipeline.tables.generation import Key
from pipeline.tables.parquet_io import write_parquet

__all__ = ["StagedFile", "worker_write"]

INCOMING = "_incoming"
_DIGEST = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class StagedFile:
    """What a worker wrote, to be handed to the run that commits.

    Parameters
    ----------
    table : str
        Name of the table.
    month : str or None
        Month ``YYYY-MM``; None for a table in one file.
    digest : str
        SHA-256 of the file.
    size : int
        Bytes.
    """

    table: str
    month: str | None
    digest: str
    size: int

    def path_in(self, stage_folder: Path) -> Path:
        """Return where the file waits, names checked."""
        if not _DIGEST.fullmatch(self.digest):
            raise StoreError(f"{self.digest!r} is not a SHA-256.")
        part = "all" if self.month is None else month_name(self.month)
        name = f"{table_name(self.table)}.{part}.{self.digest}.parquet"
        return stage_folder / INCOMING / name


def worker_write(
    stage_folder: Path | str,
    table: str,
    month: str | None,
    rows: pa.Table,
    *,
    schema: pa.Schema | None = None,
) -> StagedFile:
    """Write a partition from another process, on this machine or one sharing the folder.

    The file waits beside the tables until the run that owns the stage takes it in with
    `Stage.register`. A worker that dies, or does the same work twice, leaves nothing that
    counts.

    Parameters
    ----------
    stage_folder : Path or str
        `Stage.folder` of the run.
    table, month, rows, schema
        As for `Stage.write`.

    Returns
    -------
    StagedFile
        Small; can be sent between processes.

    Raises
    ------
    ContractError
        When the rows do not fit `schema`.
    StoreError
        When the run is over or the disk refuses.
    """
    key = Key.of_table(table, month)
    incoming = Path(stage_folder) / INCOMING
    # The folder is never created here: it exists for as long as the run does, and a worker
    # that outlives its run must not bring it back.
    if not incoming.is_dir():
        raise StoreError(f"Could not write {key}: the run that owns {stage_folder} is over.")
    temporary = incoming / temporary_name(table)
    content = write_parquet(temporary, rows, schema, what=str(key))
    staged = StagedFile(table, month, content.digest, content.size)
    with disk_errors(f"write {key}"):
        sync_path(temporary)
        temporary.replace(staged.path_in(Path(stage_folder)))
    return staged
