"""Write the samples the way this waterworks exports them: several forms, several oddities."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from .clock import DAY
from .instruments import BAD, GOOD, Samples
from .water import Array

HISTORY_STATUS = ("Good", "Uncertain", "Bad")
LONG_STATUS = ("OK", "SUBSTITUTED", "COMM FAIL")

LONG_TAGS = (
    "CW.LEVEL", "CW.TEMP", "P1.FLOW", "P1.SUCTION", "P1.DISCHARGE", "P1.POWER", "P2.FLOW",
    "P2.SUCTION", "P2.DISCHARGE", "P2.POWER", "P2.SPEED", "P2.RUN",
)  # fmt: skip
WIDE_TAGS = (
    "P3.FLOW", "P3.DISCHARGE", "P3.POWER", "P3.RUN", "BASIN.LEVEL", "P6.FLOW", "P6.SUCTION",
    "P6.DISCHARGE", "P6.POWER",
)  # fmt: skip
WIDE_UNITS = ("m3/h", "bar", "kW", "-", "cm", "l/s", "kPa", "kPa", "kW")
WIDE_MINUTES = 5
EMPTY_CELLS, WORD_CELLS = 0.001, 0.0005
"""Part of the cells of the wide reports that are empty, or hold a word."""

LATE_DAY = dt.date(2026, 10, 20)
LATE_TAGS = ("P1.FLOW", "P1.SUCTION", "P1.DISCHARGE", "P1.POWER")
LATE_HOURS = (6, 14)
LATE_ARRIVES = dt.date(2026, 10, 24)
REPEATED_DAY = dt.date(2026, 10, 18)
SHUFFLED_DAY = dt.date(2026, 10, 22)
TEXT_FAULTS = ("I/O Timeout", "Bad")


def decimals(resolution: float) -> int:
    """Digits after the point that show a resolution."""
    return max(0, -int(np.floor(np.log10(resolution) + 1e-9)))


def write_history(path: Path, samples: dict[str, Samples], digits: dict[str, int]) -> int:
    """Write a long Parquet file sorted by tag and time; give the number of rows."""
    tags = sorted(samples)
    sizes = [samples[tag].time.size for tag in tags]
    codes = np.repeat(np.arange(len(tags), dtype=np.int32), sizes)
    time = np.concatenate([samples[tag].time for tag in tags])
    value = np.concatenate([np.round(samples[tag].value, digits[tag]) for tag in tags])
    status = np.concatenate([samples[tag].status for tag in tags])
    table = pa.table(
        {
            "timestamp": pa.array(time * 1000, pa.timestamp("ms", tz="UTC")),
            "tag": pa.DictionaryArray.from_arrays(codes, pa.array(tags)),
            "value": pa.array(value, mask=(status == BAD) & (time % 3 == 0)),
            "status": pa.DictionaryArray.from_arrays(
                status.astype(np.int32), pa.array(HISTORY_STATUS)
            ),
        }
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(
        table,
        path,
        compression="zstd",
        compression_level=19,
        row_group_size=400_000,
        use_dictionary=["tag", "status", "value"],
        column_encoding={"timestamp": "DELTA_BINARY_PACKED"},
        write_statistics=True,
    )
    return table.num_rows


def _iso(time: Array) -> pd.Series:
    return pd.Series(pd.to_datetime(time, unit="s")).dt.strftime("%Y-%m-%dT%H:%M:%SZ")


def _long_rows(samples: dict[str, Samples], digits: dict[str, int]) -> pd.DataFrame:
    frames = []
    for tag, kept in samples.items():
        text = pd.Series([f"{v:.{digits[tag]}f}" for v in kept.value], dtype=object)
        failed = np.flatnonzero(kept.status == BAD)
        # Every other failed reading is exported as words in the value column.
        for row in failed[::2]:
            text[row] = TEXT_FAULTS[int(kept.time[row] // 60) % len(TEXT_FAULTS)]
        frames.append(
            pd.DataFrame(
                {
                    "second": kept.time,
                    "Timestamp": _iso(kept.time),
                    "Tag": tag,
                    "Value": text,
                    "Quality": np.array(LONG_STATUS, dtype=object)[kept.status],
                }
            )
        )
    return pd.concat(frames).sort_values(["second", "Tag"], kind="stable")


def write_long_nights(
    folder: Path, samples: dict[str, Samples], digits: dict[str, int], first: dt.date, last: dt.date
) -> None:
    """Write one long CSV per UTC day, with a late file, repeated rows and disorder."""
    folder.mkdir(parents=True, exist_ok=True)
    day = first
    while day <= last:
        start = _midnight(day, dt.UTC)
        today = {tag: s.between(start, start + DAY) for tag, s in samples.items()}
        rows = _long_rows(today, digits)
        if day == LATE_DAY:
            hour = (rows["second"] - start) / 3600.0
            late = rows["Tag"].isin(LATE_TAGS) & hour.between(*LATE_HOURS, inclusive="left")
            name = f"late_{LATE_ARRIVES:%Y-%m-%d}.csv"
            _write_long(folder / name, rows[late])
            rows = rows[~late]
        if day == REPEATED_DAY:
            before = {tag: s.between(start - 1800, start) for tag, s in samples.items()}
            rows = pd.concat([_long_rows(before, digits), rows, rows.iloc[400:440]])
        if day == SHUFFLED_DAY:
            rows = pd.concat([rows.iloc[300:], rows.iloc[:300]])
        _write_long(folder / f"night_{day:%Y-%m-%d}.csv", rows)
        day += dt.timedelta(days=1)


def _write_long(path: Path, rows: pd.DataFrame) -> None:
    rows.drop(columns="second").to_csv(path, index=False, lineterminator="\n")


def write_wide_nights(
    folder: Path,
    time: Array,
    value: dict[str, Array],
    status: dict[str, Array],
    digits: dict[str, int],
    zone_name: str,
    seed: int,
    first: dt.date,
    last: dt.date,
) -> None:
    """Write one wide CSV per local day: semicolons, decimal commas, local time, units row."""
    folder.mkdir(parents=True, exist_ok=True)
    zone = ZoneInfo(zone_name)
    day = first
    while day <= last:
        start, stop = (_midnight(d, zone) for d in (day, day + dt.timedelta(days=1)))
        rows = np.flatnonzero((time >= start) & (time < stop) & (time % (60 * WIDE_MINUTES) == 0))
        local = pd.to_datetime(time[rows], unit="s", utc=True).tz_convert(zone)
        draw = np.random.default_rng([seed, day.toordinal(), 6])
        columns = {"Date": local.strftime("%d/%m/%Y %H:%M")}
        for tag in WIDE_TAGS:
            texts = [f"{v:.{digits[tag]}f}".replace(".", ",") for v in value[tag][rows]]
            lost = draw.random(rows.size)
            shown = np.array(texts, dtype=object)
            shown[(status[tag][rows] == BAD) | (lost < EMPTY_CELLS)] = ""
            shown[lost > 1.0 - WORD_CELLS] = "Bad"
            columns[tag] = shown
        lines = [
            f"Pump hall B;day report;{day:%d/%m/%Y}",
            ";".join(["Date", *WIDE_TAGS]),
            ";".join(["", *WIDE_UNITS]),
            *(";".join(row) for row in zip(*columns.values(), strict=True)),
        ]
        path = folder / f"day_{day:%Y%m%d}.csv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8-sig", newline="\n")
        day += dt.timedelta(days=1)


def write_offset_nights(
    folder: Path,
    samples: dict[str, Samples],
    digits: dict[str, int],
    zone_name: str,
    first: dt.date,
    last: dt.date,
) -> None:
    """Write one long CSV per local day with a UTC offset in each time and numeric status."""
    folder.mkdir(parents=True, exist_ok=True)
    zone = ZoneInfo(zone_name)
    day = first
    while day <= last:
        start, stop = (_midnight(d, zone) for d in (day, day + dt.timedelta(days=1)))
        today = {tag: s.between(start, stop) for tag, s in samples.items()}
        rows = _long_rows(today, digits)
        local = pd.to_datetime(rows["second"], unit="s", utc=True).dt.tz_convert(zone)
        shown = local.dt.strftime("%Y-%m-%dT%H:%M:%S%z")
        code = rows["Quality"].map(dict(zip(LONG_STATUS, (192, 64, 0), strict=True)))
        table = pd.DataFrame({"tag": rows["Tag"], "time": shown, "value": rows["Value"], "q": code})
        table.to_csv(folder / f"booster_{day:%Y%m%d}.csv", index=False, lineterminator="\n")
        day += dt.timedelta(days=1)


def _midnight(day: dt.date, zone: dt.tzinfo) -> int:
    return int(dt.datetime(day.year, day.month, day.day, tzinfo=zone).timestamp())


__all__ = [
    "GOOD",
    "LONG_TAGS",
    "WIDE_TAGS",
    "decimals",
    "write_history",
    "write_long_nights",
    "write_offset_nights",
    "write_wide_nights",
]
