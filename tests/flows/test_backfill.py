"""A backfill makes the tables of the plain job, wherever its months are made.

What it is held against is one run of the plain job in one process; no outside source applies.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import distributed
import pytest
from prefect.settings import PREFECT_API_URL, temporary_settings
from small_station import DAYS, START, SmallStation

from flows import task_runners
from flows.backfill import backfill
from flows.outcome import INCOMPLETE, code_of
from flows.task_runners import hold_tasks
from pipeline.errors import PlantFileError, StoreError
from pipeline.jobs.exit_codes import PARTIAL, USAGE
from pipeline.jobs.nightly import run_plant
from pipeline.jobs.workers import Call, Site


@pytest.fixture
def station(tmp_path: Path) -> SmallStation:
    return SmallStation(tmp_path / "station").bring(*range(DAYS))


@pytest.fixture(scope="module")
def serial(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """Tables of one run in one process."""
    plain = SmallStation(tmp_path_factory.mktemp("serial") / "plain").bring(*range(DAYS))
    run_plant(plain.plant)
    return plain.bytes_of_tables()


def test_months_are_tasks_and_make_the_bytes_of_one_process(
    station: SmallStation,
    serial: dict[str, bytes],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
):
    names = []
    plain = task_runners.do.fn

    def noted(name: str, call: Call) -> object:
        names.append(name)
        return plain(name, call)

    monkeypatch.setattr(task_runners.do, "fn", noted)
    monkeypatch.setenv(task_runners.RUNNER, "threads")
    missing = tmp_path / "nowhere.toml"
    # A station that cannot be done is named and stops no other.
    done = backfill([missing, station.plant], commit_every=1, page=False, return_state=True)
    assert (done.name, code_of(done)) == (INCOMPLETE, PARTIAL)
    assert str(missing) in done.message
    assert station.bytes_of_tables() == serial
    assert {"measurements 2026-01", "operating points 2026-02", "deviations 2026-01"} <= set(names)
    # Read first, then a month, then the other.
    as_of = station.table("runs")["as_of"]
    assert list(as_of.dt.floor("D")) == [
        START,
        START.replace(month=2, day=1),
        as_of.max().floor("D"),
    ]
    again = backfill([station.plant], page=False, return_state=True)
    assert again.message.endswith("nothing changed.")


def test_without_any_station_done_the_code_is_that_of_the_error(tmp_path: Path):
    done = backfill([tmp_path / "nowhere.toml"], runner="threads", return_state=True)
    assert done.is_failed()
    assert code_of(done) == USAGE


@pytest.mark.parametrize(
    ("name", "value", "message"),
    [
        (task_runners.RUNNER, "cloud", "threads, processes, dask, or the address"),
        (task_runners.WORKERS, "many", "a number of at least 1"),
    ],
)
def test_a_setting_that_is_none_is_refused(
    name: str, value: str, message: str, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv(name, value)
    with pytest.raises(PlantFileError, match=message), hold_tasks():
        pass


def test_a_worker_with_other_versions_refuses(tmp_path: Path):
    site = Site(None, tmp_path, None, None, {"numpy": "0.1"})  # type: ignore[arg-type]
    with pytest.raises(StoreError, match=r"numpy .*, not 0\.1"):
        site.run()


def test_a_worker_that_cannot_see_the_folder_says_so(tmp_path: Path):
    site = Site(None, tmp_path / "elsewhere", None, None, {})  # type: ignore[arg-type]
    with pytest.raises(StoreError, match="under the same path"):
        site.run()


def test_workers_are_told_of_the_embedded_server(monkeypatch: pytest.MonkeyPatch):
    """Their tasks take the settings of the run along, and start no server of their own."""
    address = "http://127.0.0.1:8123/api"
    run = SimpleNamespace(client=SimpleNamespace(api_url=address))
    monkeypatch.setattr(task_runners.FlowRunContext, "get", lambda: run)
    with temporary_settings(restore_defaults={PREFECT_API_URL}):
        with hold_tasks("threads", 1):
            assert PREFECT_API_URL.value() == address
        assert not PREFECT_API_URL.value()
    with temporary_settings({PREFECT_API_URL: "http://10.0.0.9/api"}), hold_tasks("threads", 1):
        assert PREFECT_API_URL.value() == "http://10.0.0.9/api"


@pytest.fixture
def cluster() -> Iterator[distributed.LocalCluster]:
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        dashboard_address=None,
        silence_logs=logging.CRITICAL,
    ) as cluster:
        yield cluster


@pytest.mark.slow
def test_a_worker_killed_in_mid_run_changes_nothing(
    station: SmallStation, serial: dict[str, bytes], cluster: distributed.LocalCluster
):
    before = {worker.pid for worker in cluster.workers.values()}
    killed: list[int] = []
    over = threading.Event()

    def kill_a_busy_worker() -> None:
        """Once some months are made, kill the first worker seen to be making another."""
        with distributed.Client(cluster.scheduler_address) as client:
            while not killed and not over.wait(0.02):
                made = any(station.data.glob("store/*/measurements/*.parquet"))
                busy = [w for w, keys in client.processing().items() if keys] if made else []
                if busy:
                    process = cluster.scheduler.workers[busy[0]].pid
                    os.kill(process, signal.SIGKILL)
                    killed.append(process)

    thread = threading.Thread(target=kill_a_busy_worker)
    thread.start()
    address = cluster.scheduler_address
    done = backfill([station.plant], runner=address, page=False, return_state=True)
    over.set()
    thread.join()
    assert done.is_completed(), done.message
    assert len(killed) == 1
    assert set(killed) <= before
    assert station.bytes_of_tables() == serial


@pytest.mark.slow
@pytest.mark.parametrize("runner", ["processes", "dask"])
def test_every_runner_makes_the_same_bytes(
    runner: str, station: SmallStation, serial: dict[str, bytes]
):
    began = time.monotonic()
    done = backfill([station.plant], runner=runner, workers=2, page=False, return_state=True)
    assert done.is_completed(), done.message
    assert station.bytes_of_tables() == serial
    print(f"{runner}: {time.monotonic() - began:.1f} s")
