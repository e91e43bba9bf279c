"""One timed run in a fresh process: ``python csv_runs.py CASE FILE``.

Prints the seconds from the first read to the last sample, imports left out, then how many
rows were read and the sum of their values.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

TAGS = [f"NORTH.P{pump:02d}.{kind}" for pump in range(1, 11) for kind in ("FLOW", "POWER")]


def make(file: Path, rows: int) -> None:
    """Write a long CSV export: all tags of one minute, then the next minute."""
    import numpy as np
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.csv as pacsv

    rng = np.random.default_rng(7)
    minutes = 50_000
    schema = None
    writer = None
    for start in range(0, rows // len(TAGS), minutes):
        instants = np.datetime64("2024-01-01T00:00", "s") + 60 * np.arange(start, start + minutes)
        text = pc.strftime(pa.array(np.repeat(instants, len(TAGS))), "%Y-%m-%dT%H:%M:%SZ")
        n = minutes * len(TAGS)
        table = pa.table(
            {
                "time": text,
                "tag": pa.array(TAGS * minutes),
                "value": np.round(rng.normal(250, 40, n), 3),
                "status": np.where(rng.random(n) < 0.001, 0, 192),
            }
        )
        if writer is None:
            schema = table.schema
            writer = pacsv.CSVWriter(
                file, schema, write_options=pacsv.WriteOptions(quoting_style="none")
            )
        writer.write_table(table)
    if writer is not None:
        writer.close()


def bare(file: Path) -> Callable[[], tuple[int, float]]:
    """Arrow's streaming CSV reader with declared types: the yardstick."""
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.csv as pacsv

    types = {
        "time": pa.timestamp("us", tz="UTC"),
        "tag": pa.dictionary(pa.int32(), pa.string()),
        "value": pa.float64(),
        "status": pa.int64(),
    }

    def run() -> tuple[int, float]:
        count, total = 0, 0.0
        options = pacsv.ConvertOptions(column_types=types)
        with pacsv.open_csv(file, convert_options=options) as reader:
            for batch in reader:
                count += batch.num_rows
                total += pc.sum(batch.column("value")).as_py()
        return count, total

    return run


def stream(file: Path) -> Callable[[], tuple[int, float]]:
    """The export read into samples, piece by piece."""
    import pyarrow as pa
    import pyarrow.compute as pc

    from pipeline.exports.read import stream_export
    from pipeline.plant.types import ExportFormat

    export = ExportFormat(pattern="*", status_column="status")

    def run() -> tuple[int, float]:
        count, total = 0, 0.0
        for piece in stream_export(file, export, TAGS):
            if isinstance(piece, pa.Table):
                count += piece.num_rows
                total += pc.sum(piece.column("value")).as_py()
        return count, total

    return run


def spool(file: Path) -> Callable[[], tuple[int, float]]:
    """The export laid down by month, and every month taken up in order."""
    import tempfile

    import pyarrow.compute as pc

    from pipeline.exports.spool import spool_export
    from pipeline.plant.types import ExportFormat

    export = ExportFormat(pattern="*", status_column="status")

    def run() -> tuple[int, float]:
        count, total = 0, 0.0
        with tempfile.TemporaryDirectory(dir=file.parent) as folder:
            laid = spool_export(file, export, TAGS, Path(folder))
            for part in laid.parts:
                samples = laid.take(part).samples
                count += samples.num_rows
                total += pc.sum(samples.column("value")).as_py()
        return count, total

    return run


if __name__ == "__main__":
    run = {"bare": bare, "stream": stream, "spool": spool}[sys.argv[1]](Path(sys.argv[2]))
    begun = time.perf_counter()
    count, total = run()
    print(time.perf_counter() - begun, count, round(total))
