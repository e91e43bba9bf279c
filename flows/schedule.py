"""Every night of one plant, for a site without a server: ``gaugeless schedule PLANT``.

One process waits for the hour in the plant's time zone and then runs the nightly flow with an
embedded Prefect server, which ends with the night. The scheduled instant decides what a night
sees, however late it runs. Which night was done last is kept in the data folder: after a
restart, nights missed meanwhile are caught up by one run as of the latest of them, which makes
the same tables as all of them one after the other.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Protocol
from zoneinfo import ZoneInfo

from pipeline.errors import Fault, GaugelessError, PlantFileError, StoreError, StoreLockedError
from pipeline.jobs.exit_codes import DONE, LOCKED, exit_code
from pipeline.plant import Plant, read_plant
from pipeline.tables.files import disk_errors
from pipeline.tables.lock import FolderLock
from pipeline.tables.store import Store

DEFAULT_TIME = "02:30"
RECORD, LOCK, HISTORY = "schedule.json", "schedule.lock", "prefect"
LONGEST_SLEEP = 60.0
"""The clock is looked at this often, as it may be set or the machine be put to sleep [s]."""
LOCKED_WAIT = 300.0
"""Wait while another run works on the data folder [s]."""

Night = Callable[[Path, dt.datetime], int]
"""Does the night of an instant; gives the exit code."""


class Clock(Protocol):
    """What time it is, and waiting."""

    def now(self) -> dt.datetime:
        """Give the instant, UTC."""

    def sleep(self, seconds: float) -> None:
        """Wait."""


class _Clock:
    def now(self) -> dt.datetime:
        return dt.datetime.now(dt.UTC)

    def sleep(self, seconds: float) -> None:
        time.sleep(seconds)


@dataclass(frozen=True, slots=True)
class Hour:
    """One instant per local day.

    Parameters
    ----------
    at : time
        Local time.
    zone : ZoneInfo
        Time zone of the plant.

    Notes
    -----
    Where clocks go forward over the hour it is taken as if they had not; where they go back,
    the first of the two counts. Every day has exactly one night either way.
    """

    at: dt.time
    zone: ZoneInfo

    def of(self, day: dt.date) -> dt.datetime:
        """Give the instant of a local day, UTC."""
        return dt.datetime.combine(day, self.at, self.zone).astimezone(dt.UTC)

    def latest(self, now: dt.datetime) -> dt.datetime:
        """Give the latest instant that is not after now."""
        day = now.astimezone(self.zone).date()
        # The local date of an instant moved by a change of clocks may be the next one.
        days = (day + dt.timedelta(days=step) for step in (1, 0, -1, -2))
        return next(instant for instant in map(self.of, days) if instant <= now)

    def after(self, instant: dt.datetime) -> dt.datetime:
        """Give the first instant after another."""
        day = instant.astimezone(self.zone).date()
        days = (day + dt.timedelta(days=step) for step in (-1, 0, 1, 2))
        return next(found for found in map(self.of, days) if found > instant)


def keep_schedule(
    plant: Plant, at: dt.time, night: Night, clock: Clock, say: Callable[[str], None]
) -> None:
    """Do every night, for ever; leave by an exception.

    Parameters
    ----------
    plant : Plant
        As read; each night reads the plant file anew.
    at : time
        Local time of the nights.
    night : callable
        Does one.
    clock : Clock
        The clock.
    say : callable
        Told what happens, in a line.
    """
    hour = Hour(at, ZoneInfo(plant.station.time_zone))
    record = plant.data_folder / RECORD
    done = _read_record(record)
    if done is None:
        # The first start waits for the first hour; there is nothing it could have missed.
        done = hour.latest(clock.now())
        _write_record(record, done)
    while True:
        due = hour.after(done)
        _wait_until(due, hour.zone, clock, say)
        # However many were missed: the latest sees all that the others would have seen.
        latest = hour.latest(clock.now())
        if latest > due:
            say(f"Nights from {_local(due, hour.zone)} on were missed; caught up now.")
        say(f"Night of {_local(latest, hour.zone)}.")
        while night(plant.path, latest) == LOCKED:
            clock.sleep(LOCKED_WAIT)
        _write_record(record, latest)
        done = latest


def _wait_until(due: dt.datetime, zone: ZoneInfo, clock: Clock, say: Callable[[str], None]) -> None:
    left = (due - clock.now()).total_seconds()
    if left > 0:
        say(f"Next night at {_local(due, zone)} ({zone.key}).")
    while left > 0:
        clock.sleep(min(left, LONGEST_SLEEP))
        left = (due - clock.now()).total_seconds()


def _local(instant: dt.datetime, zone: ZoneInfo) -> str:
    return f"{instant.astimezone(zone):%Y-%m-%d %H:%M}"


def _read_record(path: Path) -> dt.datetime | None:
    if not path.exists():
        return None
    try:
        text = json.loads(path.read_text("utf-8"))["last_night"]
        instant = dt.datetime.fromisoformat(text)
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise StoreError(
            f"{path} does not say which night was done last ({error}). Remove it: the schedule "
            "then begins anew with the next night, which also does what was missed."
        ) from error
    return instant if instant.tzinfo else instant.replace(tzinfo=dt.UTC)


def _write_record(path: Path, instant: dt.datetime) -> None:
    with disk_errors(f"write {path}"):
        part = path.with_name(f".{path.name}.tmp")
        part.write_text(json.dumps({"last_night": instant.isoformat()}) + "\n", "utf-8")
        part.replace(path)


def run_night(plant: Path, instant: dt.datetime) -> int:
    """Run the nightly flow in a process of its own; whatever happens, the next night comes."""
    command = [sys.executable, "-P", "-m", "flows.nightly", str(plant)]
    done = subprocess.run([*command, "--as-of", instant.isoformat()], check=False)  # noqa: S603
    return done.returncode


def _stop(number: int, frame: FrameType | None) -> None:
    raise KeyboardInterrupt


def _time(text: str) -> dt.time:
    try:
        found = dt.time.fromisoformat(text)
    except ValueError:
        found = None
    if found is None or found.tzinfo is not None:
        fault = Fault("--at", f"'{text}'", "a local time such as 02:30")
        raise PlantFileError("The command cannot be understood.", [fault])
    return found


def schedule(path: Path, at: str) -> None:
    """Do every night of a plant until stopped.

    Parameters
    ----------
    path : Path
        The plant file.
    at : str
        Local time, such as ``02:30``.

    Raises
    ------
    StoreLockedError
        If the plant has a schedule already.
    PlantFileError
        If plant file or time cannot be used.
    StoreError
        If the data folder cannot be used.
    """
    hour = _time(at)
    plant = read_plant(path)
    Store.create(plant.data_folder)
    lock = FolderLock(plant.data_folder / LOCK)
    try:
        lock.acquire()
    except StoreLockedError as error:
        raise StoreLockedError(
            f"{plant.path} has a schedule already, and one is enough. "
            + error.message.partition(" Wait")[0]
        ) from error
    try:
        # Prefect's own history stays with the plant.
        os.environ.setdefault("PREFECT_HOME", str(plant.data_folder / HISTORY))
        keep_schedule(plant, hour, run_night, _Clock(), lambda line: print(line, flush=True))
    finally:
        lock.release()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the schedule until it is interrupted or terminated.

    Parameters
    ----------
    arguments : sequence of str, optional
        Default: those of the process.

    Returns
    -------
    int
        Exit code.
    """
    parser = argparse.ArgumentParser(prog="gaugeless schedule", description=__doc__)
    parser.add_argument("plant", type=Path, help="plant file (TOML)")
    parser.add_argument("--at", default=DEFAULT_TIME, help="local time of the nights")
    options = parser.parse_args(arguments)
    signal.signal(signal.SIGTERM, _stop)
    try:
        schedule(options.plant, options.at)
    except KeyboardInterrupt:
        print("Stopped. Nights missed from now on are caught up at the next start.")
        return DONE
    except GaugelessError as error:
        print(error, file=sys.stderr)
        return exit_code(error)
    return DONE


if __name__ == "__main__":
    sys.exit(main())
