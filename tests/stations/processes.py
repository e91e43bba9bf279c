"""Processes that tests start and kill: what is left of them."""

from __future__ import annotations

import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

SOON = 10.0
"""After a kill all processes are gone within this [s]; common practice, no source."""


def processes_of(session: int) -> dict[int, str]:
    """Processes of a session that have not ended, with what they are; see proc(5)."""
    found = {}
    for folder in Path("/proc").glob("[0-9]*"):
        try:
            fields = (folder / "stat").read_text("utf-8").rpartition(")")[2].split()
            command = (folder / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except OSError:
            continue
        if int(fields[3]) == session and fields[0] != "Z":
            found[int(folder.name)] = command
    return found


def wait_for(wanted: Callable[[], bool], patience: float) -> bool:
    """Wait until something is so; tell whether it became so in time."""
    end = time.monotonic() + patience
    while not wanted():
        if time.monotonic() > end:
            return False
        time.sleep(0.05)
    return True


def kill_when(run: subprocess.Popen[str], wanted: Callable[[], bool], patience: float) -> None:
    """Kill a program when something is so; all that it started must then end by itself."""
    try:
        assert wait_for(wanted, patience), processes_of(run.pid)
        run.kill()
        run.wait()
        assert wait_for(lambda: not processes_of(run.pid), SOON), processes_of(run.pid)
    finally:
        for process in processes_of(run.pid):
            os.kill(process, signal.SIGKILL)
        run.communicate()
