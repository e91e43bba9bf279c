"""Nothing is left of a run that was killed while its worker processes were at work.

Processes are really killed; no outside source applies.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

PATIENCE = 60.0
"""Wait for processes to start on a busy machine [s]."""
SOON = 10.0
"""After a kill all processes are gone within this [s]; common practice, no source."""

RUN = """
import time
from pipeline.jobs.workers import Call, workers

if __name__ == "__main__":
    with workers(2) as held:
        held.run_all([Call("sleep", time.sleep, 600.0)] * {tasks}, print)
"""


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


def wait_for(wanted, patience: float) -> bool:
    """Wait until something is so; tell whether it became so in time."""
    end = time.monotonic() + patience
    while not wanted():
        if time.monotonic() > end:
            return False
        time.sleep(0.05)
    return True


def test_a_killed_run_takes_its_processes_with_it(tmp_path: Path):
    script = tmp_path / "run.py"
    script.write_text(RUN.format(tasks=8), "utf-8")
    run = subprocess.Popen([sys.executable, str(script)], start_new_session=True)

    def forked() -> int:
        return sum("forkserver" in text for text in processes_of(run.pid).values())

    try:
        # The fork server and both workers.
        assert wait_for(lambda: forked() >= 3, PATIENCE), processes_of(run.pid)
        run.kill()
        run.wait()
        assert wait_for(lambda: not processes_of(run.pid), SOON), processes_of(run.pid)
    finally:
        for process in processes_of(run.pid):
            os.kill(process, signal.SIGKILL)
        run.wait()
