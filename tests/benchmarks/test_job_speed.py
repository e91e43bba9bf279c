"""Speed and memory of the job's reading stages on one long Parquet export.

42 million rows: ten pumps of eight tags, a sample a minute for a year, read, kept by month, put
on the five-minute grid and checked day by day, in one process. B is a bare read of the same
file's row groups with default threads. Fresh processes, in turn, medians.

Unlike ``grid_parquet``, which streams one file onto the grid, the job keeps a sorted copy of every
sample, so that a month can be made again whatever becomes of the export, and judges the quality
of every tag and day. The limits are what it reached with room for a busy machine; four bare
reads, which the grid alone takes, stay the aim.

Run with ``python -m pytest -m benchmark -s tests/benchmarks/test_job_speed.py``.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
from pathlib import Path

import pytest
from fresh_process import timed

pytestmark = pytest.mark.benchmark

HERE = Path(__file__).parent
ROUNDS = int(os.environ.get("BENCHMARK_ROUNDS", "3"))
EXPORTS = {"sorted": ("sorted", 1), "interleaved": ("interleaved", 1), "three years": ("sorted", 3)}


@pytest.fixture(scope="module")
def figures(tmp_path_factory):
    """Median seconds of the bare read and of each stage, peaks and digests, by order."""
    folder = tmp_path_factory.mktemp("exports")
    bare, stages, peaks, digests = [], {}, {}, set()
    files = {}
    for name, (order, years) in EXPORTS.items():
        files[name] = folder / f"{order}-{years}.parquet"
        make = [sys.executable, HERE / "make_long_parquet.py", files[name]]
        subprocess.run([*make, "--order", order, "--years", str(years)], check=True)
    for turn in range(ROUNDS + 1):
        said, _, cpu = timed(HERE / "grid_runs.py", "bare", files["sorted"], folder)
        if turn == 0:
            continue  # warms the cache
        bare.append((float(said[0]), cpu))
        for order, file in files.items():
            if order == "three years" and turn > 1:
                continue  # no limit on its time, only on its memory
            said, peak, _ = timed(HERE / "job_runs.py", file, folder / "plant")
            stages.setdefault(order, []).append([float(s) for s in said[:4]])
            peaks.setdefault(order, []).append(peak)
            digests.add((EXPORTS[order][1], said[4]))
    base, base_cpu = (statistics.median(column) for column in zip(*bare, strict=True))
    print(f"\nB: {base:.2f} s, {base_cpu:.2f} s of processor time with Python's own start")
    print(f"{'stages as multiples of B':26}{'keep':>7}{'make':>7}{'both':>7}{'cpu s':>8}{'MB':>6}")
    ratios = {}
    for order, runs in stages.items():
        keep, make, *cpu = (statistics.median(column) for column in zip(*runs, strict=True))
        ratios[order] = statistics.median(run[0] + run[1] for run in runs) / base
        print(
            f"{order:26}{keep / base:7.2f}{make / base:7.2f}{ratios[order]:7.2f}"
            f"{sum(cpu):8.2f}{max(peaks[order]):6.0f}"
        )
    return ratios, {order: max(values) for order, values in peaks.items()}, digests


def test_the_job_takes_at_most_fourteen_bare_reads(figures):
    assert figures[0]["sorted"] <= 14


def test_rows_interleaved_in_time_take_at_most_twice_as_long(figures):
    assert figures[0]["interleaved"] <= 2 * figures[0]["sorted"]


def test_memory_stays_under_a_gigabyte_and_does_not_grow_with_the_history(figures):
    assert max(figures[1].values()) <= 1024
    assert figures[1]["three years"] <= 1.2 * figures[1]["sorted"]


def test_the_order_of_the_rows_does_not_change_a_bit(figures):
    assert len({digest for years, digest in figures[2] if years == 1}) == 1
