"""Speed and memory of reading a long CSV export, against Arrow's own streaming reader.

Fresh processes in turn, medians, warm cache; both must read the same rows and values.

Run with ``python -m pytest -m benchmark -s tests/benchmarks/test_csv_speed.py``.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import fresh_process
import pytest

pytestmark = pytest.mark.benchmark

RUNS = Path(__file__).with_name("csv_runs.py")
ROUNDS = int(os.environ.get("BENCHMARK_ROUNDS", "5"))
ROWS = int(os.environ.get("BENCHMARK_CSV_ROWS", "12000000"))


def timed(case, file):
    """Seconds, what was read, peak memory in MB and processor seconds of a fresh process."""
    (seconds, *said), peak, cpu = fresh_process.timed(RUNS, case, file)
    return float(seconds), said, peak, cpu


@pytest.fixture(scope="module")
def figures(tmp_path_factory):
    """Median seconds and largest peak of each case."""
    file = tmp_path_factory.mktemp("exports") / "long.csv"
    make = f"from csv_runs import make; from pathlib import Path; make(Path({str(file)!r}), {ROWS})"
    subprocess.run([sys.executable, "-c", make], check=True, cwd=RUNS.parent)
    runs = defaultdict(list)
    timed("bare", file)
    for _ in range(ROUNDS):
        for case in ("bare", "stream", "spool"):
            runs[case].append(timed(case, file))
    assert len({tuple(run[1]) for results in runs.values() for run in results}) == 1
    print(f"\n{file.stat().st_size / 1e6:.0f} MB, {runs['bare'][0][1][0]} rows")
    out = {}
    for case, results in runs.items():
        out[case] = (statistics.median(r[0] for r in results), max(r[2] for r in results))
        cpu = statistics.median(r[3] for r in results)
        ratio = out[case][0] / out["bare"][0]
        print(
            f"{case:8} {out[case][0]:6.2f} s  x{ratio:.2f}  cpu {cpu:.2f} s  {out[case][1]:.0f} MB"
        )
    return out


def test_a_long_csv_takes_little_longer_than_the_bare_reader(figures):
    assert figures["stream"][0] <= 1.6 * figures["bare"][0]


def test_a_long_csv_stays_within_a_gigabyte(figures):
    assert figures["stream"][1] <= 1024
    assert figures["spool"][1] <= 1024
