"""The nightly flow makes the tables of the plain job, and says how it went."""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from prefect import get_client
from prefect.client.schemas.actions import WorkPoolCreate
from prefect.flow_engine import run_flow
from prefect.settings import PREFECT_API_URL, temporary_settings
from prefect.states import Scheduled
from small_station import DAYS, FILES, START, SmallStation, day_text

import flows
from flows.backfill import backfill
from flows.backtest import backtest
from flows.nightly import nightly, work
from flows.outcome import INCOMPLETE, code_of, is_trouble_with_files
from pipeline.errors import PlantFileError, RebuildNeededError, StoreError
from pipeline.jobs import nightly as job
from pipeline.jobs.exit_codes import LOCKED, REBUILD, USAGE
from pipeline.jobs.nightly import run_plant
from pipeline.tables.store import Store


@pytest.fixture
def station(tmp_path: Path) -> SmallStation:
    return SmallStation(tmp_path / "station")


@pytest.fixture
def plain(tmp_path: Path) -> SmallStation:
    """A twin for the plain job."""
    return SmallStation(tmp_path / "plain")


def artifacts() -> list[str]:
    async def read() -> list[str]:
        async with get_client() as client:
            return [str(a.data) for a in await client.read_latest_artifacts()]

    return asyncio.run(read())


def test_the_flow_makes_the_bytes_of_the_plain_job(station: SmallStation, plain: SmallStation):
    for days in ((0, 1), (2, 3)):
        state = nightly(station.bring(*days).plant, return_state=True)
        assert state.is_completed()
        assert state.message == "2 new file(s), 0 row(s) rejected; tables updated."
        run_plant(plain.bring(*days).plant)
    assert station.bytes_of_tables() == plain.bytes_of_tables()
    again = nightly(station.plant, return_state=True)
    assert again.is_completed()
    assert again.message.endswith("nothing changed.")
    shown = [text for text in artifacts() if "Small station" in text]
    assert len(shown) == 1
    assert shown[0].startswith("```")
    assert "nothing changed." in shown[0]


def test_an_explicit_instant_wins(station: SmallStation, plain: SmallStation):
    as_of = START + pd.Timedelta(days=2)
    # Without a zone it is UTC.
    local = as_of.tz_localize(None).to_pydatetime()
    assert nightly(station.bring(*range(DAYS)).plant, as_of=local, return_state=True).is_completed()
    run_plant(plain.bring(*range(DAYS)).plant, as_of=as_of)
    assert station.table("measurements")["time"].max() < as_of
    assert station.bytes_of_tables() == plain.bytes_of_tables()


def test_the_scheduled_instant_decides_however_late_the_run(station: SmallStation):
    """Nights missed in January, run now one after the other, as a worker would."""
    station.bring(*range(DAYS))
    for day in (2, 3):
        night = START + pd.Timedelta(days=day)
        parameters = {"plant": station.plant}
        with get_client(sync_client=True) as client:
            state = Scheduled(scheduled_time=night.to_pydatetime())
            run = client.create_flow_run(nightly, parameters=parameters, state=state)
        done = run_flow(nightly, flow_run=run, parameters=parameters, return_type="state")
        assert done.is_completed()
        latest = station.table("measurements")["time"].max()
        assert night - pd.Timedelta("10min") <= latest < night


def test_a_failed_file_is_named_and_the_rest_is_done(station: SmallStation, plain: SmallStation):
    station.bring(0, 1).put(FILES[2], "no table ``` at all")
    state = nightly(station.plant, return_state=True)
    assert state.is_failed()
    assert state.name == INCOMPLETE
    assert FILES[2] in state.message
    assert "the rest is done" in state.message
    run_plant(plain.bring(0, 1).plant)
    but = ("runs", "late_arrivals", "rejected_input")
    assert station.bytes_of_tables(but) == plain.bytes_of_tables(but)
    shown = [text for text in artifacts() if FILES[2] in text]
    assert len(shown) == 1
    station.put(FILES[2], day_text(2))
    assert nightly(station.plant, return_state=True).is_completed()


def test_what_a_person_must_mend_fails_at_once_in_its_own_words(station: SmallStation):
    nightly(station.bring(0).plant)
    station.describe(price=0.4)
    state = nightly(station.plant, return_state=True)
    assert state.is_failed()
    assert state.name == "Failed"
    assert code_of(state) == REBUILD
    assert "--rebuild" in state.message
    with pytest.raises(RebuildNeededError):
        nightly(station.plant)
    assert nightly(station.plant, rebuild=True, return_state=True).is_completed()
    text = station.plant.read_text("utf-8")
    station.plant.write_text(text.replace("plant_format = 1", "plant_format = 1\nsurprise = 1"))
    state = nightly(station.plant, return_state=True)
    assert code_of(state) == USAGE
    with pytest.raises(PlantFileError, match="surprise"):
        state.result()


def test_a_data_folder_in_use_ends_with_the_code_of_the_command(station: SmallStation):
    with Store.create(station.data).writer():
        state = nightly(station.plant, page=False, return_state=True)
    assert code_of(state) == LOCKED


def by_cause(cause: Exception | None) -> StoreError:
    error = StoreError("Cannot write.")
    error.__cause__ = cause
    return error


@pytest.mark.parametrize(
    ("error", "again"),
    [
        (PermissionError(13, "Permission denied"), True),
        (by_cause(OSError(5, "Input/output error")), True),
        (by_cause(None), False),
        (RebuildNeededError("Changed."), False),
        (ValueError("a defect"), False),
        (None, False),
    ],
)
def test_only_trouble_with_files_is_tried_again(error: Exception | None, again: bool):
    assert is_trouble_with_files(error) is again


def test_trouble_with_files_heals_at_the_next_try(
    station: SmallStation, monkeypatch: pytest.MonkeyPatch
):
    calls = []

    def twice_refused(*arguments: object, **options: object) -> job.RunResult:
        calls.append(arguments)
        if len(calls) < 3:
            raise OSError(5, "Input/output error")
        return run_plant(*arguments, **options)

    monkeypatch.setattr("flows.nightly.run_plant", twice_refused)
    monkeypatch.setattr(work, "retry_delay_seconds", [0.0, 0.0])
    assert nightly(station.bring(0).plant, return_state=True).is_completed()
    assert len(calls) == 3


def test_a_defect_is_not_tried_again(station: SmallStation, monkeypatch: pytest.MonkeyPatch):
    calls = []

    def defect(*arguments: object, **options: object) -> job.RunResult:
        calls.append(arguments)
        raise ValueError("a defect")

    monkeypatch.setattr("flows.nightly.run_plant", defect)
    with pytest.raises(ValueError, match="a defect"):
        nightly(station.plant)
    assert len(calls) == 1


HERE = {"127.0.0.1", "localhost", "b'127.0.0.1'", "None"}


def test_no_name_is_looked_up_and_nothing_is_left_at_home(
    station: SmallStation,
    looked_up: Callable[[], set[str]],
    home_before: dict[Path, int],
    state_of_home: Callable[[], dict[Path, int]],
):
    assert nightly(station.bring(0).plant, return_state=True).is_completed()
    # The server has been found, so the watch works; nobody else was.
    assert looked_up()
    assert looked_up() <= HERE
    assert state_of_home() == home_before


@pytest.mark.slow
def test_run_as_a_program_it_is_quiet_and_private(station: SmallStation, tmp_path: Path):
    """With an embedded server of its own and no switch set but by the flow itself."""
    station.bring(0).put(FILES[1], "no table")
    home = tmp_path / "home"
    home.mkdir()
    switches = ("PREFECT", "DO_NOT_TRACK")
    environment = {k: v for k, v in os.environ.items() if not k.startswith(switches)}
    log = tmp_path / "looked_up"
    environment |= {
        "HOME": str(home),
        "PREFECT_HOME": str(tmp_path / "prefect"),
        "LOOKED_UP": str(log),
    }
    command = [sys.executable, "-m", "flows.nightly", str(station.plant)]
    root = Path(flows.__file__).parent.parent

    def run() -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            command, env=environment, cwd=root, capture_output=True, text=True, check=False
        )

    done = run()
    assert done.returncode == 3
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert FILES[1] in done.stderr
    station.bring(1)
    done = run()
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "1 new file(s), 0 row(s) rejected; tables updated.\n"
    station.describe(price=0.4)
    done = run()
    assert done.returncode == REBUILD
    assert "--rebuild" in done.stderr
    assert set(log.read_text().split()) <= HERE
    assert list(home.iterdir()) == []


def prefect(url: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    """The ``prefect`` command against a server."""
    return subprocess.run(
        [sys.executable, "-m", "prefect", "--no-prompt", *arguments],
        env={**os.environ, "PREFECT_API_URL": url},
        cwd=Path(flows.__file__).parent.parent,
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_shipped_deployments_are_deployed_and_a_worker_does_a_late_night(
    station: SmallStation, plain: SmallStation, looked_up: Callable[[], set[str]]
):
    """A server on loopback, a real worker, and a night that was due in January."""
    url = str(PREFECT_API_URL.value())
    with get_client(sync_client=True) as client:
        client.create_work_pool(WorkPoolCreate(name="plants", type="process"))
        done = prefect(url, "deploy", "--all", "--prefect-file", "flows/prefect.yaml")
        assert done.returncode == 0, done.stdout + done.stderr
        deployment = client.read_deployment_by_name("nightly/sample")
        others = [client.read_deployment_by_name(f"{n}/sample") for n in ("backfill", "backtest")]
        assert [s.schedule.timezone for s in deployment.schedules] == ["Europe/Lisbon"]
        for each, flow in zip([deployment, *others], (nightly, backfill, backtest), strict=True):
            assert each.concurrency_options.collision_strategy == "ENQUEUE"
            assert each.global_concurrency_limit.limit == 1
            assert each.entrypoint == f"flows.{flow.name}:{flow.name}"
            # The parameters must be those of the flow.
            assert set(each.parameters) <= set(flow.parameters.properties)
        as_of = START + pd.Timedelta(days=2)
        run = client.create_flow_run_from_deployment(
            deployment.id,
            parameters={"plant": str(station.bring(*range(DAYS)).plant), "page": False},
            state=Scheduled(scheduled_time=as_of.to_pydatetime()),
        )
        done = prefect(url, "worker", "start", "--pool", "plants", "--run-once")
        assert done.returncode == 0, done.stdout + done.stderr
        state = client.read_flow_run(run.id).state
    assert state is not None
    assert (state.name, state.message) == (
        "Completed",
        f"{DAYS} new file(s), 0 row(s) rejected; tables updated.",
    )
    run_plant(plain.bring(*range(DAYS)).plant, as_of=as_of)
    assert station.bytes_of_tables() == plain.bytes_of_tables()
    assert looked_up() <= HERE


@pytest.mark.slow
def test_a_server_and_a_worker_started_as_the_readme_says(station: SmallStation, tmp_path: Path):
    """Two nights due while nothing ran, done in order, on a server of their own."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    url = f"http://127.0.0.1:{port}/api"
    switches = ("PREFECT", "DO_NOT_TRACK")
    log = tmp_path / "looked_up"
    environment = {k: v for k, v in os.environ.items() if not k.startswith(switches)} | {
        "PREFECT_HOME": str(tmp_path / "prefect"),
        "DO_NOT_TRACK": "1",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "PREFECT_API_URL": url,
        "LOOKED_UP": str(log),
    }

    def start(*arguments: str) -> subprocess.Popen[bytes]:
        return subprocess.Popen(
            [sys.executable, "-m", "prefect", "--no-prompt", *arguments],
            env=environment,
            cwd=Path(flows.__file__).parent.parent,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

    server = start("server", "start", "--host", "127.0.0.1", "--port", str(port))
    worker = None
    try:
        until = time.monotonic() + 300.0
        while time.monotonic() < until:
            with contextlib.suppress(OSError), urllib.request.urlopen(f"{url}/health") as answer:
                if answer.status == 200:
                    break
            time.sleep(0.5)
        assert start("work-pool", "create", "plants", "--type", "process").wait() == 0
        assert start("deploy", "--all", "--prefect-file", "flows/prefect.yaml").wait() == 0
        station.bring(*range(DAYS))
        with temporary_settings({PREFECT_API_URL: url}), get_client(sync_client=True) as client:
            deployment = client.read_deployment_by_name("nightly/sample")
            runs = [
                client.create_flow_run_from_deployment(
                    deployment.id,
                    parameters={"plant": str(station.plant), "page": False},
                    state=Scheduled(
                        scheduled_time=(START + pd.Timedelta(days=day)).to_pydatetime()
                    ),
                ).id
                for day in (3, 2)
            ]
            worker = start("worker", "start", "--pool", "plants")
            until = time.monotonic() + 600.0
            states: list[str | None] = []
            while time.monotonic() < until and states != ["Completed"] * 2:
                time.sleep(1.0)
                states = [client.read_flow_run(run).state_name for run in runs]
        assert states == ["Completed"] * 2
        as_of = station.table("runs")["as_of"]
        assert list(as_of) == [START + pd.Timedelta(days=day) for day in (2, 3)]
    finally:
        for process in filter(None, (worker, server)):
            process.terminate()
            process.wait()
    assert set(log.read_text().split()) <= HERE


def test_the_job_itself_knows_nothing_of_prefect():
    code = (
        "import sys, pipeline.cli, pipeline.jobs.nightly, pipeline.jobs.demo\n"
        "print('prefect' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "False\n"
