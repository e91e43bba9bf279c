"""A backfill makes the tables of the plain job, wherever its months are made.

What it is held against is one run of the plain job in one process; no outside source applies.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from pathlib import Path

import distributed
import pytest
from small_station import DAYS, SmallStation

from flows import task_runners
from flows.backfill import backfill
from pipeline.jobs.nightly import run_plant


@pytest.fixture
def station(tmp_path: Path) -> SmallStation:
    return SmallStation(tmp_path / "station").bring(*range(DAYS))


@pytest.fixture(scope="session")
def serial(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Tables of one run in one process."""
    plain = SmallStation(tmp_path_factory.mktemp("serial") / "plain").bring(*range(DAYS))
    run_plant(plain.plant)
    return plain.bytes_of_tables()


@pytest.fixture(scope="module")
def cluster():
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=None,
        silence_logs=logging.CRITICAL,
    ) as cluster:
        yield cluster


def test_months_are_tasks_and_make_the_bytes_of_one_process(
    station: SmallStation, serial: dict[str, bytes], monkeypatch: pytest.MonkeyPatch
):
    names = []
    plain = task_runners.do.fn
    monkeypatch.setattr(
        task_runners.do, "fn", lambda name, call: (names.append(name), plain(name, call))[1]
    )
    done = backfill([station.plant], runner="threads", page=False, return_state=True)
    assert done.is_completed(), done.message
    assert station.bytes_of_tables() == serial
    assert {"measurements 2026-01", "operating points 2026-02", "deviations 2026-01"} <= set(names)


def test_a_worker_killed_in_mid_run_changes_nothing(
    station: SmallStation, serial: dict[str, bytes], cluster: distributed.LocalCluster
):
    killed = []

    def kill_a_busy_worker() -> None:
        """Kill the process of the first worker seen to be making a month."""
        with distributed.Client(cluster.scheduler_address) as client:
            until = time.monotonic() + 60.0
            while not killed and time.monotonic() < until:
                busy = [address for address, keys in client.processing().items() if keys]
                processes = client.run(os.getpid, workers=busy) if busy else {}
                for process in list(processes.values())[:1]:
                    os.kill(process, signal.SIGKILL)
                    killed.append(process)
                time.sleep(0.02)

    before = {worker.pid for worker in cluster.workers.values()}
    thread = threading.Thread(target=kill_a_busy_worker)
    thread.start()
    done = backfill(
        [station.plant], runner=cluster.scheduler_address, page=False, return_state=True
    )
    thread.join()
    assert done.is_completed(), done.message
    assert killed
    assert set(killed) <= before
    assert station.bytes_of_tables() == serial
