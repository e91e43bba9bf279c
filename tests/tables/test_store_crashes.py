"""Whatever stops a run, readers see one whole generation and the next run works.

Claims checked by really killing processes; no outside source applies.
"""

import errno
import json
import os
import subprocess
import sys
import tempfile
from itertools import groupby
from pathlib import Path

import pytest

from pipeline.errors import StoreError
from pipeline.tables.store import open_tables

# Stopping a run at every operation makes thousands of small files; in memory, where the system
# offers it, that does not wear or wait for a disk. The random kills run on the disk.
IN_MEMORY = Path("/dev/shm")
HARNESS = Path(__file__).with_name("store_crashes.py")


@pytest.fixture
def scratch(tmp_path):
    if not os.access(IN_MEMORY, os.W_OK):
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=IN_MEMORY) as folder:
        yield Path(folder)


def run(*arguments: object, timeout: float = 300) -> dict:
    done = subprocess.run(
        [sys.executable, "-W", "error", str(HARNESS), *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=timeout,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_a_run_killed_before_any_disk_operation_leaves_the_old_or_the_new(scratch):
    answer = run("points", scratch, "kill-before", 1)
    assert answer["faults"] == []
    assert len(answer["outcomes"]) >= 80
    # One operation publishes: everything before it leaves the old, everything after the new.
    assert [outcome for outcome, _ in groupby(answer["outcomes"])] == ["old", "new"]


def test_a_full_disk_at_any_operation_is_refused_or_survived(scratch):
    answer = run("points", scratch, errno.ENOSPC, 3)
    assert answer["faults"] == []
    assert set(answer["outcomes"]) == {"old", "new"}


@pytest.mark.parametrize("fault", ["kill-before", errno.EACCES])
def test_making_a_data_folder_can_be_stopped_anywhere(scratch, fault):
    answer = run("first", scratch, fault)
    assert answer["faults"] == []
    assert answer["operations"] >= 15


@pytest.mark.slow
def test_the_check_notices_a_link_swapped_in_two_steps(scratch):
    answer = run("points", scratch, "kill-before", 1, "two-step")
    assert len(answer["faults"]) == 1


@pytest.mark.slow
def test_twelve_random_kills(tmp_path):
    answer = run("random", tmp_path / "data", 12, 7)
    assert answer["faults"] == []
    assert len(answer["markers"]) == 13
    assert answer["mid_run"] >= 1


@pytest.mark.slow
def test_many_random_kills(tmp_path):
    answer = run("random", tmp_path / "data", 200, 11)
    assert answer["faults"] == []
    assert answer["mid_run"] >= 40


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["kill-after", errno.ENOSPC, errno.EIO, errno.EACCES])
def test_every_operation_with_every_fault(scratch, fault):
    answer = run("points", scratch, fault, 1)
    assert answer["faults"] == []
    assert set(answer["outcomes"]) == {"old", "new"}


def test_readers_beside_a_writer_never_see_a_mixture(tmp_path):
    folder = tmp_path / "data"
    writer = subprocess.Popen([sys.executable, str(HARNESS), "loop", str(folder), "30", "100"])
    seen = []
    try:
        while writer.poll() is None:
            try:
                tables = open_tables(folder)
            except StoreError:
                assert not seen, "tables that were there are gone"
                continue
            markers = {
                tables.read_arrow(name)["marker"][0].as_py()
                for name in ("points", "trends", "runs")
            }
            assert len(markers) == 1
            seen.append(markers.pop())
    finally:
        writer.kill()
        writer.wait()
    assert writer.returncode == 0
    assert seen == sorted(seen)
    assert len(set(seen)) > 3
