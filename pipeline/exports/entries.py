"""The rows of the ledger and its table."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

import pandas as pd
import pyarrow as pa

from pipeline.exports.read import FoundFile

__all__ = [
    "EVIDENCE",
    "LEDGER_SCHEMA",
    "REPLACED",
    "UNREADABLE_NOW",
    "Entry",
    "EntryStatus",
    "changed",
    "empty_ledger",
    "entries",
    "entry_of",
    "frozen_months",
    "ledger_table",
    "settle_replaced",
]

EntryStatus = Literal["accepted", "duplicate", "superseded", "vanished", "waiting", "failed"]

LEDGER_SCHEMA = pa.schema(
    [
        pa.field("sequence", pa.int64(), nullable=False),
        pa.field("path", pa.string(), nullable=False),
        pa.field("size", pa.int64(), nullable=False),
        pa.field("mtime_ns", pa.int64(), nullable=False),
        pa.field("sha256", pa.string(), nullable=False),
        pa.field("status", pa.string(), nullable=False),
        pa.field("rows", pa.int64(), nullable=False),
        pa.field("accepted", pa.int64(), nullable=False),
        pa.field("rejected", pa.int64(), nullable=False),
        pa.field("first_time", pa.timestamp("us", tz="UTC")),
        pa.field("last_time", pa.timestamp("us", tz="UTC")),
        pa.field("months", pa.list_(pa.string()), nullable=False),
        pa.field("note", pa.string(), nullable=False),
    ]
)
"""One row per content of a path. ``months`` are those it touches, the halo included.

``status``: ``accepted`` counts as evidence; ``duplicate`` has the content of an accepted file
and is not read; ``superseded`` was replaced by newer content of the same path; ``vanished``
was accepted and its file is gone, or holds what cannot be read yet; ``waiting`` seemed
unfinished; ``failed`` could not be read.
"""

EVIDENCE = ("accepted", "vanished")
"""Statuses whose samples count."""

UNREADABLE_NOW = "Its file now holds what cannot be read yet; its samples are kept until then."
REPLACED = "Replaced by newer content of the same path."


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One row of the ledger; fields as in ``LEDGER_SCHEMA``."""

    sequence: int
    path: str
    size: int
    mtime_ns: int
    sha256: str
    status: EntryStatus
    rows: int = 0
    accepted: int = 0
    rejected: int = 0
    first_time: pd.Timestamp | None = None
    last_time: pd.Timestamp | None = None
    months: tuple[str, ...] = ()
    note: str = ""


def empty_ledger() -> pa.Table:
    """Make a ledger without rows."""
    return LEDGER_SCHEMA.empty_table()


def entries(ledger: pa.Table) -> list[Entry]:
    """Take a ledger table apart into entries, by number."""
    rows = ledger.sort_by("sequence").to_pylist()
    for row in rows:
        row["months"] = tuple(row["months"])
        for key in ("first_time", "last_time"):
            row[key] = None if row[key] is None else pd.Timestamp(row[key])
    return [Entry(**row) for row in rows]


def ledger_table(rows: Iterable[Entry]) -> pa.Table:
    """Make a table of ``LEDGER_SCHEMA`` from entries, by number."""
    ordered = sorted(rows, key=lambda entry: entry.sequence)
    columns = {f.name: [getattr(entry, f.name) for entry in ordered] for f in LEDGER_SCHEMA}
    columns["months"] = [list(months) for months in columns["months"]]
    return pa.Table.from_pydict(columns, schema=LEDGER_SCHEMA)


def changed(row: Entry, **change: object) -> Entry:
    """Copy an entry with other values in some fields."""
    values = {name: getattr(row, name) for name in LEDGER_SCHEMA.names}
    return Entry(**(values | change))


def entry_of(file: FoundFile, sha256: str, sequence: int, status: EntryStatus, note: str) -> Entry:
    """Make the entry of a file that gave no samples."""
    return Entry(
        sequence=sequence,
        path=file.path,
        size=file.size,
        mtime_ns=file.mtime_ns,
        sha256=sha256,
        status=status,
        note=note,
    )


def frozen_months(rows: Iterable[Entry], has_copy: Callable[[Entry], bool]) -> tuple[str, ...]:
    """List the months that must not be rebuilt because their source is gone.

    Parameters
    ----------
    rows : iterable of Entry
        The ledger.
    has_copy : callable
        Whether the samples of an entry are kept in the data folder, so that its months can
        still be rebuilt.

    Returns
    -------
    tuple of str
        Months of vanished sources, ascending.
    """
    gone = [row for row in rows if row.status == "vanished" and not has_copy(row)]
    return tuple(sorted({month for row in gone for month in row.months}))


def settle_replaced(
    before: Iterable[Entry], kept: Iterable[Entry], new: Iterable[Entry]
) -> list[Entry]:
    """Let what a path held count until what replaces it has been read.

    Parameters
    ----------
    before : iterable of Entry
        The ledger before this run.
    kept : iterable of Entry
        Entries as the plan of this run marks them.
    new : iterable of Entry
        Entries of the files read in this run.

    Returns
    -------
    list of Entry
        ``kept``, where evidence whose replacement is unfinished or unreadable is ``vanished``,
        and such evidence is ``superseded`` once the path has been read.
    """
    counted = {row.sequence for row in before if row.status in EVIDENCE}
    read = {row.path: row for row in new}
    settled = []
    for row in kept:
        now = read.get(row.path)
        if now is not None and now.sequence > row.sequence and row.sequence in counted:
            is_read = now.status == "accepted"
            status: EntryStatus = "superseded" if is_read else "vanished"
            row = changed(row, status=status, note=REPLACED if is_read else UNREADABLE_NOW)
        settled.append(row)
    return settled
