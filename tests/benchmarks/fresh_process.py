"""One measurement in a process of its own: what it printed and what it took."""

from __future__ import annotations

import os
import subprocess
import sys


def timed(*command: object) -> tuple[list[str], float, float]:
    """What a fresh process printed, its peak memory in MB and its processor seconds."""
    process = subprocess.Popen(
        [sys.executable, *map(str, command)], stdout=subprocess.PIPE, text=True
    )
    with process.stdout as output:
        said = output.read().split()
    # wait4 tells this child's own peak, getrusage only the largest child's so far.
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return said, usage.ru_maxrss / 1024, usage.ru_utime + usage.ru_stime
