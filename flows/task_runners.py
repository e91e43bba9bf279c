"""Where the tasks of a backfill or back-test are done: a setting, never code.

=============  =======================================================================
``threads``    threads of the flow's process
``processes``  processes of this machine
``dask``       processes of this machine under a Dask scheduler, ended with the run
an address     the Dask cluster there, such as ``tcp://10.0.0.5:8786``
=============  =======================================================================

The setting is the flow's parameter ``runner``, else ``GAUGELESS_RUNNER`` in the environment,
else ``processes``; how many tasks at once is the parameter ``workers``, else
``GAUGELESS_WORKERS``, else one per core. Dask is the extra ``dask``.
"""

from __future__ import annotations

import contextlib
import logging
import os
from collections.abc import Iterator, Sequence
from typing import Any

from prefect import task
from prefect.cache_policies import NO_CACHE
from prefect.context import FlowRunContext
from prefect.settings import PREFECT_API_URL, temporary_settings
from prefect.task_runners import ProcessPoolTaskRunner, TaskRunner, ThreadPoolTaskRunner

from flows.outcome import try_again
from pipeline.errors import Fault, PlantFileError
from pipeline.jobs.processes import end_with_parent, processors
from pipeline.jobs.workers import Call, Told, Workers

RUNNER, WORKERS = "GAUGELESS_RUNNER", "GAUGELESS_WORKERS"
_SCHEMES = ("tcp://", "tls://", "ucx://", "ws://", "wss://")
TASK_RETRY_DELAYS = [5.0, 60.0]
"""Waits of a task before another try after trouble with files [s]."""


@task(
    name="task",
    task_run_name="{name}",
    cache_policy=NO_CACHE,
    persist_result=False,
    retries=len(TASK_RETRY_DELAYS),
    retry_delay_seconds=TASK_RETRY_DELAYS,
    retry_condition_fn=try_again,
)
def do(name: str, call: Call) -> Any:
    """Do one task of a run.

    Parameters
    ----------
    name : str
        What it is called.
    call : Call
        The task: paths, dates and settings; rows stay in files.

    Returns
    -------
    object
        What it returned: names and digests of the files it staged, or small results.
    """
    # In a process of a pool; a Dask worker has a guard of its own, and threads need none.
    end_with_parent()
    return call()


class PrefectTasks(Workers):
    """Tasks of a run on a Prefect task runner.

    Parameters
    ----------
    runner : TaskRunner
        Started.
    count : int
        How many tasks it does at once.
    """

    def __init__(self, runner: TaskRunner[Any], count: int) -> None:
        # A cluster may have one worker only and still be the place that was asked for.
        super().__init__(max(count, 2), least=2)
        self._runner = runner

    def run_all(self, calls: Sequence[Call], told: Told) -> list[Any]:
        """Do a batch of calls as tasks."""
        futures = [
            self._runner.submit(do, parameters={"name": call.name, "call": call}) for call in calls
        ]
        found = []
        for done, future in enumerate(futures):
            told(done)
            found.append(future.result())
        return found


@contextlib.contextmanager
def hold_tasks(runner: str | None = None, workers: int | None = None) -> Iterator[PrefectTasks]:
    """Hold a task runner for the time of a flow.

    Parameters
    ----------
    runner : str, optional
        ``threads``, ``processes``, ``dask`` or the address of a Dask scheduler.
    workers : int, optional
        How many tasks at once; a cluster somebody else started has its own number.

    Yields
    ------
    PrefectTasks

    Raises
    ------
    PlantFileError
        If the setting is none of these.
    """
    name = runner or os.environ.get(RUNNER) or "processes"
    count = workers or _number(os.environ.get(WORKERS)) or processors()
    with _one_server(), _runner(name, count) as started:
        yield PrefectTasks(started, count)


@contextlib.contextmanager
def _one_server() -> Iterator[None]:
    """Tell workers of the flow's embedded server: each would start, and leave, its own."""
    run = FlowRunContext.get()
    if run is None or PREFECT_API_URL.value():
        yield
        return
    with temporary_settings({PREFECT_API_URL: str(run.client.api_url)}):
        yield


def _number(text: str | None) -> int | None:
    if not text:
        return None
    if not text.isdecimal() or int(text) < 1:
        raise _fault(WORKERS, text, "a number of at least 1")
    return int(text)


def _fault(where: str, found: str, expected: str) -> PlantFileError:
    fault = Fault(where, f"'{found}'", expected)
    return PlantFileError("The setting of the task runner cannot be understood.", [fault])


def _runner(name: str, count: int) -> TaskRunner[Any]:
    if name == "threads":
        return ThreadPoolTaskRunner(max_workers=count)
    if name == "processes":
        return ProcessPoolTaskRunner(max_workers=count)
    if name != "dask" and not name.startswith(_SCHEMES):
        expected = "threads, processes, dask, or the address of a Dask scheduler"
        raise _fault(RUNNER, name, expected)
    try:
        from prefect_dask import DaskTaskRunner
    except ImportError as error:
        raise _fault(RUNNER, name, "Dask to be installed: pip install 'gaugeless[dask]'") from error
    if name != "dask":
        return DaskTaskRunner(address=name)
    local = {
        "n_workers": count,
        "threads_per_worker": 1,
        "processes": True,
        "host": "127.0.0.1",
        "dashboard_address": None,
        "silence_logs": logging.ERROR,
    }
    return DaskTaskRunner(cluster_class="distributed.LocalCluster", cluster_kwargs=local)
