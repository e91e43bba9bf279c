"""Nothing is left of a flow that was killed: its embedded server ends too.

Processes are really killed; no outside source applies.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from processes import kill_when, processes_of
from small_station import SmallStation

import flows

ROOT = Path(flows.__file__).parent.parent
PATIENCE = 120.0
"""Wait for processes to start on a busy machine [s]."""

HELD = """
import subprocess, sys, time
from flows.embedded_server import guard, tell

with guard() as told:
    sleep = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600.0)"])
    tell(told, sleep)
    print("told", flush=True)
    time.sleep(600.0)
"""


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
    kill_when(run, lambda: len(processes_of(run.pid)) == 3, PATIENCE)


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

    def starts() -> bool:
        return any("uvicorn" in text for text in processes_of(run.pid).values())

    kill_when(run, starts, PATIENCE)


@pytest.fixture
def station(tmp_path: Path) -> SmallStation:
    """A station with one day to read."""
    return SmallStation(tmp_path / "station").bring(0)
