"""Speed and memory of reading a long Parquet export, gridding it and writing the grid.

42 million rows: ten pumps of eight tags, a sample a minute for a year. B is a bare read of
the same file's row groups with default threads. Fresh processes, in turn, medians.

Run with ``python -m pytest -m benchmark -s tests/benchmarks/test_grid_speed.py``.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

import fresh_process
import pyarrow.parquet as pq
import pytest

pytestmark = pytest.mark.benchmark

HERE = Path(__file__).parent
ROUNDS = int(os.environ.get("BENCHMARK_ROUNDS", "5"))


@pytest.fixture(scope="module")
def exports(tmp_path_factory):
    """The files, by order; years in the name where there are several."""
    folder = tmp_path_factory.mktemp("exports")
    made = {}
    for name, years, order in (
        ("sorted", 1, "sorted"),
        ("interleaved", 1, "interleaved"),
        ("shuffled", 1, "shuffled"),
        ("three years", 3, "sorted"),
    ):
        made[name] = folder / f"{order}-{years}.parquet"
        command = [sys.executable, HERE / "make_long_parquet.py", made[name]]
        subprocess.run([*command, "--years", str(years), "--order", order], check=True)
    return made


def timed(case, file, folder):
    """Seconds, digest, peak memory in MB and processor seconds of one fresh process."""
    folder.mkdir(exist_ok=True)
    said, peak, cpu = fresh_process.timed(HERE / "grid_runs.py", case, file, folder)
    return float(said[0]), said[1:], peak, cpu


CASES = {
    "bare": ("bare", "sorted"),
    "sorted": ("grid", "sorted"),
    "duckdb": ("duckdb", "sorted"),
    "polars": ("polars", "sorted"),
    "interleaved": ("grid", "interleaved"),
    "bare interleaved": ("bare", "interleaved"),
    "shuffled": ("grid", "shuffled"),
    "three years": ("grid", "three years"),
}


@pytest.fixture(scope="module")
def figures(exports, tmp_path_factory):
    """Median seconds, digests, largest peak and median processor seconds of every case."""
    folder = tmp_path_factory.mktemp("out")
    runs = defaultdict(list)
    timed("bare", exports["sorted"], folder / "warm")
    for turn in range(ROUNDS):
        for case, (program, file) in CASES.items():
            if case in ("three years", "shuffled") and turn > 2:
                continue  # no limit on their time, only on their memory
            runs[case].append(timed(program, exports[file], folder / case))
    out = {}
    print(f"\n{'case':18} {'seconds':>8} {'/ B':>6} {'cpu s':>7} {'peak MB':>8}")
    for case, results in runs.items():
        seconds, digests, peaks, cpu = zip(*results, strict=True)
        assert len({tuple(digest) for digest in digests}) == 1
        out[case] = (statistics.median(seconds), digests[0], max(peaks))
        ratio = out[case][0] / statistics.median(run[0] for run in runs["bare"])
        print(
            f"{case:18} {out[case][0]:8.2f} {ratio:6.2f} {statistics.median(cpu):7.2f} "
            f"{out[case][2]:8.0f}"
        )
    sizes = {case: sum(f.stat().st_size for f in (folder / case).glob("*")) for case in out}
    print("written MB:", {case: round(size / 1e6, 1) for case, size in sizes.items() if size})
    n_rows = sum(pq.read_metadata(f).num_rows for f in (folder / "sorted").glob("*.parquet"))
    assert n_rows == 80 * 365 * 288
    return out


def test_grid_takes_at_most_four_bare_reads(figures):
    assert figures["sorted"][0] <= 4 * figures["bare"][0]


def test_grid_is_not_slower_than_a_plain_mean_elsewhere(figures):
    assert figures["sorted"][0] <= figures["duckdb"][0]
    assert figures["sorted"][0] <= figures["polars"][0]


def test_interleaved_rows_take_at_most_twice_as_long(figures):
    assert figures["interleaved"][0] <= 2 * figures["sorted"][0]


def test_memory_stays_under_a_gigabyte_and_does_not_grow_with_the_history(figures):
    for case in ("sorted", "interleaved", "shuffled", "three years"):
        assert figures[case][2] <= 1024
    assert figures["three years"][2] <= 1.2 * figures["sorted"][2]


def test_the_order_of_the_rows_does_not_change_a_bit(figures):
    assert figures["interleaved"][1] == figures["sorted"][1]
    assert figures["shuffled"][1] == figures["sorted"][1]
