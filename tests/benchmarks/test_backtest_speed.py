"""Time and memory of a back-test against one pass of the nightly job over the same data.

A fleet of ten pumps at one minute; each in a fresh process, one worker. Years are few by default;
``BENCHMARK_BACKTEST_YEARS=5`` makes the case DEVELOPERS.md speaks of.

Run with ``python -m pytest -m benchmark -s tests/benchmarks/test_backtest_speed.py``.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.benchmark

ROOT = Path(__file__).parents[2]
YEARS = os.environ.get("BENCHMARK_BACKTEST_YEARS", "1")
PUMPS = os.environ.get("BENCHMARK_BACKTEST_PUMPS", "10")


def timed(*arguments):
    """Seconds and peak memory in MB of a command in a fresh process."""
    start = time.perf_counter()
    process = subprocess.Popen([sys.executable, *map(str, arguments)], stdout=subprocess.DEVNULL)
    # wait4 tells this child's own peak, getrusage only the largest child's so far.
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    return time.perf_counter() - start, usage.ru_maxrss / 1024


def test_a_back_test_takes_about_as_long_as_one_pass(tmp_path):
    """Same order of time; memory that months need, not years."""
    make = ROOT / "sample_exports" / "generate.py"
    timed(make, "--output", tmp_path, "--fleet", PUMPS, "--years", YEARS, "--minutes", "1")
    plant = tmp_path / "plant.toml"
    command = ("-m", "pipeline.cli")
    one_pass = timed(*command, "run", plant, "--no-page", "--workers", "1")
    back_test = timed(*command, "backtest", plant, "--workers", "1")
    again = timed(*command, "backtest", plant, "--workers", "1")
    print(f"\n{PUMPS} pumps, {YEARS} year(s) at one minute, one process")
    for name, (seconds, memory) in (
        ("one pass of the job", one_pass),
        ("back-test", back_test),
        ("back-test again", again),
    ):
        print(f"{name:20} {seconds:7.0f} s  x{seconds / one_pass[0]:.2f}  {memory:.0f} MB")
    assert back_test[0] <= 3.0 * one_pass[0]
    assert back_test[1] <= 1.5 * one_pass[1]
    assert again[0] <= 0.3 * back_test[0]
