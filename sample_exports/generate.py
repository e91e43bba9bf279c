"""Make the sample exports, or a large fleet to measure speed with.

Run from a checkout::

    python sample_exports/generate.py --output DIR --seed 20250401
    python sample_exports/generate.py --output DIR --start 2026-10-01 --end 2026-10-31
    python sample_exports/generate.py --output DIR --fleet 10 --years 5 --minutes 1

The same seed gives the same content. A month does not depend on the months before it.
"""

from __future__ import annotations

import argparse
import datetime as dt
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from waterworks import exports, fleet, truth
from waterworks import station as sample
from waterworks.clock import DAY, WARM_UP_DAYS, Clock
from waterworks.instruments import Samples, keep_by_exception, lose_some, readings
from waterworks.planted import write_curve, write_planted
from waterworks.simulate import simulate, streams_needed
from waterworks.water import Array

HERE = Path(__file__).resolve().parent
SEED = 20250401
STEP = 60
HISTORY_MONTHS = 5
"""Months in one history file."""
TRUTH_TABLES = ("daily", "hourly", "five_minutes")
LOST_SHARE = 0.0006
"""Part of the samples with bad status; half as many are uncertain."""


def main(arguments: list[str] | None = None) -> int:
    """Read the command line and write the files."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--output", type=Path, default=HERE, help="folder to write to")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--start", type=dt.date.fromisoformat, default=sample.FIRST_DAY)
    parser.add_argument("--end", type=dt.date.fromisoformat, default=sample.LAST_DAY)
    parser.add_argument("--fleet", type=int, metavar="PUMPS", help="write a fleet instead")
    parser.add_argument("--years", type=float, default=1.0, help="length of the fleet's history")
    parser.add_argument("--minutes", type=int, default=1, help="time step of the fleet")
    options = parser.parse_args(arguments)
    if options.fleet:
        rows = fleet.write_fleet(
            options.output, options.seed, options.fleet, options.years, options.minutes
        )
    else:
        rows = write_sample(options.output, options.seed, options.start, options.end)
    sys.stdout.write(f"{rows} rows in {options.output}\n")
    return 0


def months(start: dt.date, end: dt.date) -> Iterator[tuple[dt.date, dt.date]]:
    """Cut ``[start, end]`` into calendar months, as (first day, first day after)."""
    day = start
    while day <= end:
        after = (day.replace(day=1) + dt.timedelta(days=32)).replace(day=1)
        after = min(after, end + dt.timedelta(days=1))
        yield day, after
        day = after


@dataclass(frozen=True)
class Month:
    """One month of the sample station.

    ``kept`` are the samples by tag; ``time``, ``value`` and ``status`` the readings at every
    step, by tag in the order of the instruments; ``tables`` the truth by day, hour and five
    minutes.
    """

    kept: dict[str, Samples]
    time: Array
    value: Array
    status: Array
    tables: tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]


def make_month(seed: int, first: dt.date, after: dt.date) -> Month:
    """Simulate ``[first, after)`` of the sample station, UTC days."""
    station, instruments = sample.sample_station(), sample.sample_instruments()
    streams = streams_needed(station)
    days = (after - first).days + WARM_UP_DAYS
    clock = Clock(seed, first - dt.timedelta(days=WARM_UP_DAYS), days, STEP, sample.ZONE)
    noise = clock.innovations(streams + 2 * len(instruments))
    state = simulate(station, clock, noise[:streams])
    value, status = readings(instruments, state, clock, noise[streams:])
    begin = _seconds(first, dt.UTC)
    draw = np.random.default_rng([seed, first.toordinal(), 5])
    lost = tuple(t.timestamp() for t in sample.COMMUNICATION_LOST)
    reported = keep_by_exception(instruments, clock, value, status)
    kept = {
        tag.tag: lose_some(s.between(begin, begin + days * DAY), draw, LOST_SHARE, lost)
        for tag, s in zip(instruments, reported, strict=True)
    }
    warm = WARM_UP_DAYS * clock.per_day
    return Month(
        kept=kept,
        time=clock.time[warm:],
        value=value[:, warm:],
        status=status[:, warm:],
        tables=truth.tables(station, state, clock, begin),
    )


def write_sample(output: Path, seed: int, start: dt.date, end: dt.date) -> int:
    """Write the exports, the truth and the small files of the sample station.

    Parameters
    ----------
    output : Path
        Folder; ``exports``, ``truth`` and ``curves`` are made in it.
    seed : int
        Of all that is random.
    start, end : date
        First and last UTC day.

    Returns
    -------
    int
        Rows in the history files.
    """
    rows = 0
    pending: list[Month] = []
    nights: list[Month] = []
    tables = []
    history_from = start
    for number, (first, after) in enumerate(months(start, end), start=1):
        month = make_month(seed, first, after)
        tables.append(month.tables)
        pending.append(month)
        if after > sample.FIRST_NIGHTLY:
            nights.append(month)
        if number % HISTORY_MONTHS == 0 or after > end:
            path = output / "exports" / "history" / f"history_{history_from:%Y-%m}.parquet"
            rows += _write_history(path, pending)
            pending, history_from = [], after
    for name, parts in zip(TRUTH_TABLES, zip(*tables, strict=True), strict=True):
        truth.write(output / "truth" / f"{name}.parquet", pd.concat(parts, ignore_index=True))
    if nights:
        _write_nights(output / "exports", seed, nights, max(sample.FIRST_NIGHTLY, start), end)
    station, instruments = sample.sample_station(), sample.sample_instruments()
    write_curve(output / "curves" / "P3.csv", station)
    write_planted(output / "truth" / "planted.json", station, instruments, seed)
    if output.resolve() != HERE:
        for name in ("plant.toml", "events.csv"):
            shutil.copyfile(HERE / name, output / name)
    return rows


def _digits() -> dict[str, int]:
    return {i.tag: exports.decimals(i.resolution) for i in sample.sample_instruments()}


def _history_ends(tag: str) -> int:
    """Give the instant from which a tag is in the nightly files, local midnight or UTC's [s]."""
    zone = dt.UTC if tag in exports.LONG_TAGS else ZoneInfo(sample.ZONE)
    return _seconds(sample.FIRST_NIGHTLY, zone)


def _write_history(path: Path, parts: list[Month]) -> int:
    merged = {
        tag: _join([m.kept[tag].between(0, _history_ends(tag)) for m in parts]) for tag in _digits()
    }
    if not any(s.time.size for s in merged.values()):
        return 0
    return exports.write_history(path, merged, _digits())


def _write_nights(
    folder: Path, seed: int, parts: list[Month], first: dt.date, last: dt.date
) -> None:
    digits = _digits()
    joined = {tag: _join([m.kept[tag] for m in parts]) for tag in digits}
    long = {tag: joined[tag] for tag in exports.LONG_TAGS}
    exports.write_long_nights(folder / "nightly", long, digits, first, last)
    time = np.concatenate([m.time for m in parts])
    value = dict(zip(digits, np.concatenate([m.value for m in parts], axis=1), strict=True))
    status = dict(zip(digits, np.concatenate([m.status for m in parts], axis=1), strict=True))
    exports.write_wide_nights(
        folder / "hall_b", time, value, status, digits, sample.ZONE, seed, first, last
    )
    rest = [t for t in digits if t not in exports.LONG_TAGS and t not in exports.WIDE_TAGS]
    field = {tag: joined[tag].between(_history_ends(tag), int(time[-1]) + STEP) for tag in rest}
    exports.write_offset_nights(folder / "field", field, digits, sample.ZONE, first, last)


def _join(parts: list[Samples]) -> Samples:
    return Samples(
        np.concatenate([p.time for p in parts]),
        np.concatenate([p.value for p in parts]),
        np.concatenate([p.status for p in parts]),
    )


def _seconds(day: dt.date, zone: dt.tzinfo) -> int:
    return int(dt.datetime(day.year, day.month, day.day, tzinfo=zone).timestamp())


if __name__ == "__main__":
    raise SystemExit(main())
