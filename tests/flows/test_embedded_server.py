"""Nothing is left of a flow that was killed: its embedded server ends too.

Processes are really killed; no outside source applies.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from processes import processes_of, wait_for
from small_station import SmallStation

import flows

ROOT = Path(flows.__file__).parent.parent
PATIENCE = 120.0
"""Wait for processes to start on a busy machine [s]."""
SOON = 10.0
"""After a kill all processes are gone within this [s]; common practice, no source."""

HELD = """
import subprocess, sys, time
from flows.embedded_server import guard, tell

with guard() as told:
    sleep = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600.0)"])
    tell(told, sleep)
    print("told", flush=True)
    time.sleep(600.0)
"""


def kill_when(run: subprocess.Popen[str], wanted: Callable[[], bool]) -> None:
    """Kill a program when something is so; all that it started must then end by itself."""
    try:
        assert wait_for(wanted, PATIENCE), processes_of(run.pid)
        run.kill()
        run.wait()
        assert wait_for(lambda: not processes_of(run.pid), SOON), processes_of(run.pid)
    finally:
        for process in processes_of(run.pid):
            os.kill(process, signal.SIGKILL)
        run.communicate()


def test_what_a_guard_was_told_of_ends_with_a_killed_program():
    run = subprocess.Popen(
        [sys.executable, "-c", HELD],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    assert run.stdout is not None
    assert run.stdout.readline() == "told\n"
    kill_when(run, lambda: len(processes_of(run.pid)) == 3)


@pytest.mark.slow
def test_a_killed_flow_takes_its_server_with_it(station: SmallStation, tmp_path: Path):
    """Killed while the server starts, which is before it answers anybody."""
    environment = {k: v for k, v in os.environ.items() if not k.startswith("PREFECT")}
    run = subprocess.Popen(
        [sys.executable, "-m", "flows.nightly", str(station.plant)],
        env=environment | {"PREFECT_HOME": str(tmp_path / "prefect")},
        cwd=ROOT,
        text=True,
        start_new_session=True,
    )
    kill_when(run, lambda: any("uvicorn" in text for text in processes_of(run.pid).values()))


@pytest.fixture
def station(tmp_path: Path) -> SmallStation:
    """A station with one day to read."""
    return SmallStation(tmp_path / "station").bring(0)
