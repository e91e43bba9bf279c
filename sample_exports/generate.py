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

HERE = Path(__file__).resolve().parent
SEED = 20250401
STEP = 60
HISTORY_MONTHS = 5
"""Months in one history file."""
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


def write_sample(output: Path, seed: int, start: dt.date, end: dt.date) -> int:
    """Write the exports, the truth and the small files of the sample station.

    Parameters
    ----------
    output : Path
        Folder; ``exports``, ``truth`` and ``curves`` are made in it.
    seed : int
        Of all that is random.
    start, end : date
        First and last day.

    Returns
    -------
    int
        Rows in the history files.
    """
    station, instruments = sample.sample_station(), sample.sample_instruments()
    digits = {tag.tag: exports.decimals(tag.resolution) for tag in instruments}
    zone = ZoneInfo(sample.ZONE)
    first_night = sample.FIRST_NIGHTLY
    cut_utc = _seconds(first_night, dt.UTC)
    cut_local = _seconds(first_night, zone)
    streams = streams_needed(station)
    kept: list[dict[str, Samples]] = []
    history_from = start
    rows = 0
    truths = []
    nightly: dict[str, list[Samples]] = {tag.tag: [] for tag in instruments}
    fine_time, fine_value, fine_status = [], [], []
    for number, (first, after) in enumerate(months(start, end), start=1):
        days = (after - first).days + WARM_UP_DAYS
        clock = Clock(seed, first - dt.timedelta(days=WARM_UP_DAYS), days, STEP, sample.ZONE)
        noise = clock.innovations(streams + 2 * len(instruments))
        state = simulate(station, clock, noise[:streams])
        value, status = readings(instruments, state, clock, noise[streams:])
        begin = _seconds(first, dt.UTC)
        truths.append(truth.tables(station, state, clock, begin))
        draw = np.random.default_rng([seed, first.toordinal(), 5])
        month: dict[str, Samples] = {}
        for tag, samples in zip(
            instruments, keep_by_exception(instruments, clock, value, status), strict=True
        ):
            samples = samples.between(begin, begin + days * DAY)
            lost = tuple(t.timestamp() for t in sample.COMMUNICATION_LOST)
            samples = lose_some(samples, draw, LOST_SHARE, (lost[0], lost[1]))
            cut = cut_local if tag.tag not in exports.LONG_TAGS else cut_utc
            month[tag.tag] = samples.between(0, cut)
            nightly[tag.tag].append(samples.between(cut, begin + days * DAY))
        if begin + days * DAY > cut_local:
            late = clock.time >= min(begin, cut_local)
            fine_time.append(clock.time[late])
            fine_value.append(value[:, late])
            fine_status.append(status[:, late])
        kept.append(month)
        if number % HISTORY_MONTHS == 0 or after > end:
            name = f"history_{history_from:%Y-%m}.parquet"
            merged = {tag: _join([m[tag] for m in kept]) for tag in digits}
            if any(s.time.size for s in merged.values()):
                rows += exports.write_history(output / "exports" / "history" / name, merged, digits)
            kept, history_from = [], after
    for name, parts in zip(
        ("daily", "hourly", "five_minutes"), zip(*truths, strict=True), strict=True
    ):
        truth.write(output / "truth" / f"{name}.parquet", pd.concat(parts, ignore_index=True))
    if end >= first_night:
        night_from = max(first_night, start)
        joined = {tag: _join(parts) for tag, parts in nightly.items()}
        long = {tag: joined[tag] for tag in exports.LONG_TAGS}
        exports.write_long_nights(output / "exports" / "nightly", long, digits, night_from, end)
        order = [tag.tag for tag in instruments]
        time = np.concatenate(fine_time)
        wide_value = dict(zip(order, np.concatenate(fine_value, axis=1), strict=True))
        wide_status = dict(zip(order, np.concatenate(fine_status, axis=1), strict=True))
        exports.write_wide_nights(
            output / "exports" / "hall_b", time, wide_value, wide_status, digits, sample.ZONE,
            night_from, end,
        )  # fmt: skip
        rest = [t for t in order if t not in exports.LONG_TAGS and t not in exports.WIDE_TAGS]
        exports.write_offset_nights(
            output / "exports" / "field", {t: joined[t] for t in rest}, digits, sample.ZONE,
            night_from, end,
        )  # fmt: skip
    write_curve(output / "curves" / "P3.csv", station)
    write_planted(output / "truth" / "planted.json", station, instruments, seed)
    for name in ("plant.toml", "events.csv"):
        if output.resolve() != HERE:
            shutil.copyfile(HERE / name, output / name)
    return rows


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
