"""A schedule without a server: one night per local day, each exactly once, late ones too.

Changes of clocks are those of the IANA time zone database: Lisbon went to summer time on
2026-03-29 at 01:00 and goes back on 2026-10-25 at 02:00.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from small_station import DAYS, START, SmallStation

from flows import schedule as subject
from flows.schedule import Hour, keep_schedule
from pipeline.errors import StoreError
from pipeline.jobs.exit_codes import DONE, LOCKED, USAGE
from pipeline.plant import Plant, read_plant

LISBON = ZoneInfo("Europe/Lisbon")


def utc(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC)


@pytest.mark.parametrize(
    ("at", "day", "instant"),
    [
        ("02:30", "2026-01-15", "2026-01-15T02:30"),
        ("02:30", "2026-07-15", "2026-07-15T01:30"),
        # 01:30 does not exist on that day: as if clocks had not gone forward.
        ("01:30", "2026-03-29", "2026-03-29T01:30"),
        # 01:30 comes twice on that day: the first counts.
        ("01:30", "2026-10-25", "2026-10-25T00:30"),
    ],
)
def test_a_night_is_a_local_hour(at: str, day: str, instant: str):
    hour = Hour(dt.time.fromisoformat(at), LISBON)
    assert hour.of(dt.date.fromisoformat(day)) == utc(instant)


@pytest.mark.parametrize("at", ["00:00", "00:30", "01:00", "01:30", "02:30", "23:59"])
@pytest.mark.parametrize("zone", ["Europe/Lisbon", "America/Sao_Paulo", "Asia/Kolkata"])
def test_a_year_has_one_night_per_local_day(at: str, zone: str):
    hour = Hour(dt.time.fromisoformat(at), ZoneInfo(zone))
    instant = hour.of(dt.date(2025, 12, 31))
    nights = []
    while len(nights) < 365:
        instant = hour.after(instant)
        nights.append(instant)
        assert hour.latest(instant) == instant
        assert hour.latest(instant - dt.timedelta(seconds=1)) < instant
    days = [dt.date(2026, 1, 1) + dt.timedelta(days=n) for n in range(365)]
    assert nights == [hour.of(day) for day in days]


class EnoughError(Exception):
    """The test has seen enough."""


class FakeClock:
    """Time passes only by waiting, or where a test says so."""

    def __init__(self, now: str, until: str) -> None:
        self.time, self.until = utc(now), utc(until)

    def now(self) -> dt.datetime:
        return self.time

    def sleep(self, seconds: float) -> None:
        assert 0.0 < seconds <= subject.LOCKED_WAIT
        self.time += dt.timedelta(seconds=seconds)
        if self.time >= self.until:
            raise EnoughError


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    station = SmallStation(tmp_path / "station")
    station.data.mkdir()
    return read_plant(station.plant)


def nights_done(
    plant: Plant, clock: FakeClock, takes: dict[str, float] | None = None
) -> tuple[list[str], list[str]]:
    """Nights done until the clock stops, and what was said; 02:30 is 05:30 UTC there."""
    done: list[str] = []
    said: list[str] = []

    def night(path: Path, instant: dt.datetime) -> int:
        assert path == plant.path
        text = f"{instant:%Y-%m-%dT%H:%M}"
        done.append(text)
        clock.time += dt.timedelta(hours=(takes or {}).get(text, 0.1))
        return DONE

    with pytest.raises(EnoughError):
        keep_schedule(plant, dt.time(2, 30), night, clock, said.append)
    return done, said


def test_the_first_start_waits_for_the_first_hour(plant: Plant):
    clock = FakeClock("2026-02-01T12:00", "2026-02-04T00:00")
    done, said = nights_done(plant, clock)
    assert done == ["2026-02-02T05:30", "2026-02-03T05:30"]
    assert said[0] == "Next night at 2026-02-02 02:30 (America/Sao_Paulo)."


def test_a_missed_night_is_caught_up_once_after_a_restart(plant: Plant):
    nights_done(plant, FakeClock("2026-02-01T12:00", "2026-02-02T12:00"))
    done, said = nights_done(plant, FakeClock("2026-02-03T09:00", "2026-02-03T20:00"))
    assert done == ["2026-02-03T05:30"]
    assert not any("missed" in line for line in said)
    done, said = nights_done(plant, FakeClock("2026-02-07T09:00", "2026-02-08T09:00"))
    assert done == ["2026-02-07T05:30", "2026-02-08T05:30"]
    assert said[0] == "Nights from 2026-02-04 02:30 on were missed; caught up now."
    # A restart in the same day finds nothing to do.
    assert nights_done(plant, FakeClock("2026-02-08T10:00", "2026-02-08T20:00"))[0] == []


def test_a_night_that_lasts_longer_than_a_day_delays_the_next_and_loses_none(plant: Plant):
    clock = FakeClock("2026-02-01T12:00", "2026-02-05T00:00")
    done, _ = nights_done(plant, clock, takes={"2026-02-02T05:30": 30.0})
    assert done == ["2026-02-02T05:30", "2026-02-03T05:30", "2026-02-04T05:30"]


def test_a_night_killed_in_mid_run_is_done_at_the_next_start(plant: Plant):
    nights_done(plant, FakeClock("2026-02-01T12:00", "2026-02-01T13:00"))

    def killed(path: Path, instant: dt.datetime) -> int:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        keep_schedule(
            plant,
            dt.time(2, 30),
            killed,
            FakeClock("2026-02-02T06:00", "2026-02-02T07:00"),
            lambda line: None,
        )
    done, _ = nights_done(plant, FakeClock("2026-02-02T08:00", "2026-02-02T12:00"))
    assert done == ["2026-02-02T05:30"]


def test_a_night_waits_while_another_run_works(plant: Plant):
    codes = iter([LOCKED, LOCKED, DONE])
    clock = FakeClock("2026-02-01T12:00", "2026-02-03T00:00")
    nights: list[dt.datetime] = []

    def night(path: Path, instant: dt.datetime) -> int:
        nights.append(instant)
        return next(codes)

    with pytest.raises(EnoughError):
        keep_schedule(plant, dt.time(2, 30), night, clock, lambda line: None)
    assert nights == [utc("2026-02-02T05:30")] * 3


def test_a_damaged_record_is_no_licence_to_guess(plant: Plant):
    record = plant.data_folder / subject.RECORD
    record.write_text('{"last_night": "yesterday"}', "utf-8")
    clock = FakeClock("2026-02-01T12:00", "2026-02-03T00:00")
    with pytest.raises(StoreError, match="Remove it"):
        keep_schedule(plant, dt.time(2, 30), lambda path, instant: DONE, clock, print)


@pytest.fixture
def running(tmp_path: Path) -> Iterator[tuple[SmallStation, subprocess.Popen[str]]]:
    """A schedule as a user starts it, waiting for its hour."""
    station = SmallStation(tmp_path / "running")
    process = command(station, "--at", "03:07")
    assert process.stdout is not None
    assert process.stdout.readline().startswith("Next night at ")
    yield station, process
    process.kill()
    process.communicate()


def command(station: SmallStation, *arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "schedule", str(station.plant), *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def test_a_second_schedule_says_so_and_stops_and_the_first_ends_when_told(
    running: tuple[SmallStation, subprocess.Popen[str]],
):
    station, process = running
    second = command(station)
    out, err = second.communicate(timeout=120)
    assert second.returncode == LOCKED
    assert "has a schedule already" in err
    assert f"process {process.pid}" in err
    assert out == ""
    process.send_signal(signal.SIGTERM)
    out, err = process.communicate(timeout=120)
    assert process.returncode == DONE
    assert "Stopped." in out
    assert err == ""


def test_a_time_that_is_none_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    station = SmallStation(tmp_path / "station")
    assert subject.main([str(station.plant), "--at", "half past two"]) == USAGE
    assert "expected a local time such as 02:30" in capsys.readouterr().err


@pytest.mark.slow
def test_a_missed_night_is_really_done_at_start(tmp_path: Path):
    """The whole chain: command, schedule, flow on an embedded server, tables."""
    station = SmallStation(tmp_path / "station").bring(*range(DAYS))
    station.data.mkdir()
    before = (START - dt.timedelta(days=1)).isoformat()
    (station.data / subject.RECORD).write_text(json.dumps({"last_night": before}), "utf-8")
    switches = ("PREFECT", "DO_NOT_TRACK")
    environment = {k: v for k, v in os.environ.items() if not k.startswith(switches)}
    process = subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "schedule", str(station.plant)],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    lines = [process.stdout.readline() for _ in range(4)]
    process.terminate()
    process.communicate(timeout=120)
    assert lines[0].startswith("Nights from 2026-01-29 02:30 on were missed")
    assert lines[1].startswith("Night of ")
    assert lines[2] == "4 new file(s), 0 row(s) rejected; tables updated.\n"
    assert lines[3].startswith("Next night at ")
    assert len(station.table("pumps")) == 2
    assert (station.data / subject.HISTORY).is_dir()
