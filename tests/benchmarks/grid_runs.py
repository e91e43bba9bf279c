"""One timed run in a fresh process: ``python grid_runs.py CASE FILE FOLDER``.

Prints the seconds from the first read to the last byte written, imports left out, and a
digest of the grid where one is made.
"""

from __future__ import annotations

import hashlib
import sys
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path


def bare(file: Path, folder: Path) -> Callable[[], str]:
    """Read all row groups, default threads: the yardstick."""
    import pyarrow.parquet as pq

    def run() -> str:
        source = pq.ParquetFile(file)
        for group in range(source.metadata.num_row_groups):
            source.read_row_group(group)
        return ""

    return run


def grid(file: Path, folder: Path) -> Callable[[], str]:
    """Read, put on the five-minute grid, write one zstd Parquet file per month."""
    import numpy as np
    import pyarrow.parquet as pq
    from make_long_parquet import TAGS

    from pipeline.exports.grid import TagSettings
    from pipeline.exports.grid_parquet import LongColumns, grid_parquet
    from pipeline.exports.quality import classic_quality

    years = round(pq.read_metadata(file).num_rows / len(TAGS) / 525_600)
    end = str(2023 + years)
    months = np.arange("2023-01", f"{end}-01", dtype="datetime64[M]")
    windows = {
        str(month): (month.astype("datetime64[us]"), (month + 1).astype("datetime64[us]"))
        for month in months
    }
    hour = 3_600_000_000
    settings = {
        tag: TagSettings(hour, "step" if tag.endswith("SPEED") else "linear") for tag in TAGS
    }

    def write(name: str, table: object) -> bytes:
        pq.write_table(
            table,
            folder / f"{name}.parquet",
            compression="zstd",
            use_dictionary=["tag", "coverage", "sample_count", "worst_quality"],
            column_encoding={"value": "BYTE_STREAM_SPLIT", "time": "DELTA_BINARY_PACKED"},
        )
        return table["value"].to_numpy()[::997].tobytes()

    def run() -> str:
        tables = grid_parquet(
            file,
            LongColumns(),
            settings,
            300_000_000,
            windows,
            folder,
            quality_of=lambda status: classic_quality(status.to_numpy()),
        )
        digest = hashlib.sha256()
        with ThreadPoolExecutor(2) as pool:
            waiting = deque()
            for name, table in tables:
                waiting.append(pool.submit(write, name, table))
                if len(waiting) == 2:
                    digest.update(waiting.popleft().result())
            while waiting:
                digest.update(waiting.popleft().result())
        return digest.hexdigest()

    return run


def duckdb(file: Path, folder: Path) -> Callable[[], str]:
    """Five-minute mean per tag in one statement."""
    import duckdb

    def run() -> str:
        duckdb.sql(
            "COPY (SELECT tag, time_bucket(INTERVAL 5 minutes, time) AS start, avg(value) AS value"
            f" FROM read_parquet('{file}') GROUP BY ALL)"
            f" TO '{folder}/mean.parquet' (FORMAT parquet, COMPRESSION zstd)"
        )
        return ""

    return run


def polars(file: Path, folder: Path) -> Callable[[], str]:
    """Five-minute mean per tag in one expression."""
    import polars as pl

    def run() -> str:
        start = pl.col("time").dt.truncate("5m")
        mean = pl.scan_parquet(file).group_by("tag", start).agg(pl.col("value").mean())
        mean.sink_parquet(folder / "mean.parquet", compression="zstd")
        return ""

    return run


if __name__ == "__main__":
    case, file, folder = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    run = {"bare": bare, "grid": grid, "duckdb": duckdb, "polars": polars}[case](file, folder)
    began = time.perf_counter()
    digest = run()
    print(time.perf_counter() - began, digest)
