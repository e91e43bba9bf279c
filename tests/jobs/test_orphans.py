"""Nothing is left of a run that was killed while its worker processes were at work.

Processes are really killed; no outside source applies.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from processes import kill_when, processes_of

PATIENCE = 60.0
"""Wait for processes to start on a busy machine [s]."""

RUN = """
import time
from pipeline.jobs.processes import workers
from pipeline.jobs.workers import Call

if __name__ == "__main__":
    with workers(2) as held:
        held.run_all([Call("sleep", time.sleep, 600.0)] * {tasks}, print)
"""


def test_a_killed_run_takes_its_processes_with_it(tmp_path: Path):
    script = tmp_path / "run.py"
    script.write_text(RUN.format(tasks=8), "utf-8")
    run = subprocess.Popen([sys.executable, str(script)], start_new_session=True)

    def both_work() -> bool:
        # The fork server and both workers.
        return sum("forkserver" in text for text in processes_of(run.pid).values()) >= 3

    kill_when(run, both_work, PATIENCE)
