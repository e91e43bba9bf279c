"""A run killed at any point leaves the old tables or the new, and the next run heals it.

Processes are really killed; no outside source applies.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import random
import time
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from multiprocessing.context import ForkServerContext
from multiprocessing.process import BaseProcess
from pathlib import Path

import pytest
from small_station import DAYS, SmallStation

from pipeline.cli import main
from pipeline.jobs.nightly import run_plant
from pipeline.jobs.processes import Processes

Copy = Callable[[SmallStation], SmallStation]
Work = Callable[[str], None]


def night(plant: str) -> None:
    """What the killed process does: the command, from its first line to its last."""
    with Path(os.devnull).open("w") as nowhere, contextlib.redirect_stdout(nowhere):
        raise SystemExit(main(["run", plant, "--json"]))


def years(plant: str) -> None:
    """A backfill that publishes month after month."""
    run_plant(plant, commit_every=1)


def years_in_processes(plant: str) -> None:
    """The same with its months made in worker processes."""
    with closing(Processes(2, least=1)) as held:
        run_plant(plant, commit_every=1, workers=held)


def nothing() -> None:
    """Do nothing."""


@pytest.fixture(scope="module")
def processes() -> ForkServerContext:
    """Processes that have the libraries loaded: kills fall into the run, not into imports."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(
        [f"pipeline.{name}" for name in ("cli", "jobs.nightly", "jobs.summary", "report")]
        + ["sklearn.linear_model", "pyarrow.parquet", "scipy.stats", "scipy.optimize"]
    )
    # The first process waits for all that loading; it would count as part of a run.
    first = context.Process(target=nothing)
    first.start()
    first.join()
    return context


def kill_runs(
    work: Work,
    times: int,
    seed: int,
    start: SmallStation,
    backfilled: SmallStation,
    copy_of: Copy,
    processes: ForkServerContext,
) -> list[int]:
    """Kill that many runs; give which of the published generations each left."""
    generations, span = undisturbed(work, copy_of(start), backfilled, processes)
    random_point = random.Random(seed)
    left = []
    for _ in range(times):
        station = copy_of(start)
        run = processes.Process(target=work, args=(str(station.plant),))
        run.start()
        wait_for_work(run, random_point.uniform(0.0, 1.2 * span))
        run.kill()
        run.join()
        # Nothing between two generations is ever seen.
        left.append(generations.index(station.bytes_of_tables()))
        assert run_plant(station.plant).outcome.failures == []
        assert station.bytes_of_tables() == backfilled.bytes_of_tables()
        names = {p.name for p in (station.data / "store").iterdir()}
        assert all(name.isdigit() for name in names)
    print(f"{times} kills of {work.__name__}, by commits before: {sorted(Counter(left).items())}")
    return left


def undisturbed(
    work: Work, station: SmallStation, wanted: SmallStation, processes: ForkServerContext
) -> tuple[list[dict[str, bytes]], float]:
    """Tables before a run and after each of its commits, and its processor time to the last [s]."""
    link = station.data / "tables"
    generations = [station.bytes_of_tables()]
    latest = link.readlink() if link.is_symlink() else None
    span = 0.0
    run = processes.Process(target=work, args=(str(station.plant),))
    run.start()
    alive = True
    while alive:
        # Looked at once more after its end: the last commit may have come meanwhile.
        alive = run.is_alive()
        now = link.readlink() if link.is_symlink() else None
        if now != latest:
            latest, span = now, max(span, processor_time(run.pid))
            generations.append(station.bytes_of_tables())
        time.sleep(0.002)
    run.join()
    assert run.exitcode == 0
    assert generations[-1] == wanted.bytes_of_tables()
    return generations, span


def wait_for_work(run: BaseProcess, span: float) -> None:
    """Wait until a process has worked for so long [s], however busy the machine is."""
    while run.is_alive() and processor_time(run.pid) < span:
        time.sleep(0.005)


def processor_time(process: int | None) -> float:
    """Processor time a process and what it started have used [s]; see proc(5) for the fields."""
    spent: dict[int, int] = {}
    children: dict[int, list[int]] = {}
    for folder in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            fields = (folder / "stat").read_text("utf-8").rpartition(")")[2].split()
            spent[int(folder.name)] = int(fields[11]) + int(fields[12])
            children.setdefault(int(fields[1]), []).append(int(folder.name))
    total, waiting = 0, [process]
    while waiting:
        one = waiting.pop()
        total += spent.get(one, 0)
        waiting += children.get(one, [])
    return total / os.sysconf("SC_CLK_TCK")


@pytest.fixture
def two_late_days(tmp_path: Path) -> SmallStation:
    """A station with tables, and two late days not read yet."""
    start = SmallStation(tmp_path / "start").bring(0, 2)
    run_plant(start.plant)
    return start.bring(1, 3)


@pytest.fixture
def all_days(tmp_path: Path) -> SmallStation:
    """A station with exports and nothing done yet."""
    return SmallStation(tmp_path / "start").bring(*range(DAYS))


def test_two_killed_nights_leave_the_old_tables_or_the_new(
    two_late_days: SmallStation,
    backfilled: SmallStation,
    copy_of: Copy,
    processes: ForkServerContext,
):
    left = kill_runs(night, 2, 20260130, two_late_days, backfilled, copy_of, processes)
    # A run spends its time before the commit; kills that all came later would show nothing.
    assert left.count(0) >= 1


@pytest.mark.slow
def test_three_killed_backfills_go_on_from_what_was_published(
    all_days: SmallStation, backfilled: SmallStation, copy_of: Copy, processes: ForkServerContext
):
    left = kill_runs(years, 3, 20260131, all_days, backfilled, copy_of, processes)
    assert min(left) < 3


@pytest.mark.slow
def test_a_hundred_killed_nights_leave_the_old_tables_or_the_new(
    two_late_days: SmallStation,
    backfilled: SmallStation,
    copy_of: Copy,
    processes: ForkServerContext,
):
    left = kill_runs(night, 100, 7, two_late_days, backfilled, copy_of, processes)
    assert set(left) == {0, 1}


@pytest.mark.slow
def test_a_hundred_killed_backfills_go_on_from_what_was_published(
    all_days: SmallStation, backfilled: SmallStation, copy_of: Copy, processes: ForkServerContext
):
    left = kill_runs(years, 100, 8, all_days, backfilled, copy_of, processes)
    assert len(set(left)) >= 3


@pytest.mark.slow
def test_fifty_killed_backfills_leave_nothing_of_their_processes_in_the_tables(
    all_days: SmallStation, backfilled: SmallStation, copy_of: Copy, processes: ForkServerContext
):
    left = kill_runs(years_in_processes, 50, 9, all_days, backfilled, copy_of, processes)
    assert len(set(left)) >= 3
