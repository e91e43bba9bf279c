"""What was refused of the exports: the table ``rejected_input``."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.exports.ledger import Entry
from pipeline.exports.reading import Reading
from pipeline.jobs.context import Run


def whole_file(path: str, reason: str) -> pa.Table:
    """Give the entry of a file that was refused whole."""
    return pa.table(
        {
            "file": [path],
            "line": pa.array([0], pa.int64()),
            "tag": [""],
            "reason": [reason],
            "text": [""],
            "rows": pa.array([0], pa.int64()),
        }
    )


def refused_rows(reading: Reading) -> pa.Table | None:
    """Give the entries of what was refused of a file; None where nothing was."""
    table = reading.rejected
    if table.num_rows == 0:
        return None
    return pa.table(
        {
            "file": table.column("file"),
            "line": pc.fill_null(table.column("line"), 0),
            "tag": pc.fill_null(table.column("tag"), ""),
            "reason": table.column("reason"),
            "text": pc.fill_null(table.column("text"), ""),
            "rows": table.column("count"),
        }
    )


def keep_refused(
    run: Run, ledger: Iterable[Entry], read_now: set[str], refused: list[pa.Table]
) -> None:
    """Bring ``rejected_input`` up to date: drop what was read anew or replaced, add the new."""
    before = run.read("rejected_input")
    current = {e.path for e in ledger if e.status not in ("superseded", "duplicate")}
    stays = before["file"].isin(current) & ~before["file"].isin(read_now)
    pieces = [before[stays], *(t.to_pandas() for t in refused)]
    filled = [p for p in pieces if len(p)]
    frame = pd.concat(filled, ignore_index=True) if filled else before.iloc[:0]
    keys = ["file", "line", "tag", "reason", "text"]
    frame = frame.groupby(keys, sort=True)["rows"].sum().reset_index()
    contract = run.contract("rejected_input")
    table = contract.publish(frame, run.plant.station.display)
    run.writable.write("rejected_input", None, table)
