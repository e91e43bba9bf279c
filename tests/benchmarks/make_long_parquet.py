"""Write the long Parquet file the grid is timed on.

Ten pumps of eight tags, one sample a minute, in columns ``tag`` (dictionary), ``time``
(timestamp[us]), ``value`` (double) and ``status`` (int32, classic OPC quality: 192 Good,
64 Uncertain, 0 Bad), zstd. Values walk slowly under noise and are rounded to the
instrument's resolution, as a historian stores them; a few in ten thousand are not Good.

Run as ``python make_long_parquet.py FILE --years 1 --order sorted``. The orders are
``sorted`` (tag, then time), ``interleaved`` (time, then tag) and ``shuffled``.
"""

from __future__ import annotations

import argparse

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

PUMPS = 10
QUANTITIES = (
    ("FLOW", 0.12, 0.0001),
    ("SUCTION", 40e3, 10.0),
    ("DISCHARGE", 620e3, 100.0),
    ("LEVEL", 4.2, 0.001),
    ("POWER", 85e3, 50.0),
    ("SPEED", 1480.0, 0.5),
    ("CURRENT", 148.0, 0.1),
    ("BEARING", 61.0, 0.05),
)
TAGS = [f"STN1.P{pump:02d}.{name}" for pump in range(1, PUMPS + 1) for name, *_ in QUANTITIES]
MINUTE_US = 60_000_000
START_US = 1_672_531_200_000_000  # 2023-01-01 UTC
MINUTES_A_YEAR = 525_600
ROW_GROUP = 1 << 20
SCHEMA = pa.schema(
    {
        "tag": pa.dictionary(pa.int32(), pa.string()),
        "time": pa.timestamp("us"),
        "value": pa.float64(),
        "status": pa.int32(),
    }
)


def values_of(tag: int, minutes: int) -> tuple[np.ndarray, np.ndarray]:
    """Values and statuses of one tag."""
    rng = np.random.default_rng([20230101, tag])
    _, level, resolution = QUANTITIES[tag % len(QUANTITIES)]
    walk = np.cumsum(rng.normal(0.0, 1e-4, minutes)) + 0.02 * np.sin(np.arange(minutes) / 229.0)
    value = level * (1.0 + walk + rng.normal(0.0, 2e-3, minutes))
    status = np.full(minutes, 192, np.int32)
    status[rng.random(minutes) < 3e-4] = 64
    status[rng.random(minutes) < 2e-4] = 0
    return np.round(value / resolution) * resolution, status


def write(path: str, years: int, order: str) -> None:
    """Write the file, a block of time at a time so that memory stays small."""
    minutes = MINUTES_A_YEAR * years
    with pq.ParquetWriter(path, SCHEMA, compression="zstd") as writer:
        if order == "sorted":
            waiting: list[pa.Table] = []
            for tag in range(len(TAGS)):
                value, status = values_of(tag, minutes)
                waiting.append(_rows(np.full(minutes, tag), np.arange(minutes), value, status))
                # Full row groups only, running on from tag to tag as a bulk export does.
                rows = pa.concat_tables(waiting)
                full = rows.num_rows // ROW_GROUP * ROW_GROUP
                if tag == len(TAGS) - 1:
                    full = rows.num_rows
                if full:
                    writer.write_table(rows.slice(0, full), row_group_size=ROW_GROUP)
                waiting = [rows.slice(full)]
        else:
            columns = [values_of(tag, minutes) for tag in range(len(TAGS))]
            value = np.stack([column[0] for column in columns])
            status = np.stack([column[1] for column in columns])
            del columns
            rows = np.arange(minutes * len(TAGS), dtype=np.int64)
            if order == "shuffled":
                np.random.default_rng(7).shuffle(rows)
            for block in np.array_split(rows, -(-rows.size // ROW_GROUP)):
                minute, tag = np.divmod(block, len(TAGS))
                table = _rows(tag, minute, value[tag, minute], status[tag, minute])
                writer.write_table(table, row_group_size=ROW_GROUP)


def _rows(tag: np.ndarray, minute: np.ndarray, value: np.ndarray, status: np.ndarray) -> pa.Table:
    names = pa.array(TAGS)
    columns = [
        pa.DictionaryArray.from_arrays(tag.astype(np.int32), names),
        pa.array(START_US + minute * MINUTE_US).cast(pa.timestamp("us")),
        pa.array(value),
        pa.array(status),
    ]
    return pa.table(columns, schema=SCHEMA)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("file")
    parser.add_argument("--years", type=int, default=1)
    parser.add_argument("--order", choices=["sorted", "interleaved", "shuffled"], default="sorted")
    given = parser.parse_args()
    write(given.file, given.years, given.order)
