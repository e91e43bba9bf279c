"""A run killed at any point leaves the old tables or the new, and the next run heals it.

Processes are really killed; no outside source applies.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import random
import time
from collections.abc import Callable
from multiprocessing.context import ForkServerContext
from pathlib import Path

import pytest
from small_station import SmallStation

from pipeline.cli import main
from pipeline.jobs.nightly import run_plant

Copy = Callable[[SmallStation], SmallStation]


def command(plant: str) -> None:
    """What the killed process does: the command, from its first line to its last."""
    with Path(os.devnull).open("w") as nowhere, contextlib.redirect_stdout(nowhere):
        raise SystemExit(main(["run", plant, "--json"]))


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
    times: int,
    seed: int,
    folder: Path,
    backfilled: SmallStation,
    copy_of: Copy,
    processes: ForkServerContext,
) -> list[str]:
    """Kill that many runs that bring in two late days; give what each left."""
    start = SmallStation(folder / "start").bring(0, 2)
    run_plant(start.plant)
    old = start.bytes_of_tables(but=())
    start.bring(1, 3)
    span = _undisturbed(copy_of(start), backfilled, processes)
    random_point = random.Random(seed)
    left = []
    for _ in range(times):
        station = copy_of(start)
        run = processes.Process(target=command, args=(str(station.plant),))
        run.start()
        time.sleep(random_point.uniform(0.0, 1.1 * span))
        run.kill()
        run.join()
        now = station.bytes_of_tables(but=())
        left.append("old" if now == old else "new")
        if left[-1] == "new":
            assert _but_runs(now) == backfilled.bytes_of_tables()
        assert run_plant(station.plant).outcome.failures == []
        assert station.bytes_of_tables() == backfilled.bytes_of_tables()
        names = {p.name for p in (station.data / "store").iterdir()}
        assert all(name.isdigit() for name in names)
    return left


def _undisturbed(
    station: SmallStation, wanted: SmallStation, processes: ForkServerContext
) -> float:
    """Time from the start of a run to its commit [s]; what it prints after is no matter."""
    link = station.data / "tables"
    before = link.readlink()
    began = time.monotonic()
    run = processes.Process(target=command, args=(str(station.plant),))
    run.start()
    while link.readlink() == before and run.is_alive():
        time.sleep(0.002)
    span = time.monotonic() - began
    run.join()
    assert run.exitcode == 0
    assert station.bytes_of_tables() == wanted.bytes_of_tables()
    return span


def _but_runs(files: dict[str, bytes]) -> dict[str, bytes]:
    return {path: content for path, content in files.items() if not path.startswith("runs/")}


def test_ten_kills_leave_the_old_tables_or_the_new(
    tmp_path: Path, backfilled: SmallStation, copy_of: Copy, processes: ForkServerContext
):
    left = kill_runs(10, 20260130, tmp_path, backfilled, copy_of, processes)
    # A run spends its time before the commit; kills that all came later would show nothing.
    assert left.count("old") >= 5


@pytest.mark.slow
def test_a_hundred_kills_leave_the_old_tables_or_the_new(
    tmp_path: Path, backfilled: SmallStation, copy_of: Copy, processes: ForkServerContext
):
    left = kill_runs(100, 7, tmp_path, backfilled, copy_of, processes)
    assert {"old", "new"} == set(left)
