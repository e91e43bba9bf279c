"""Months as tasks: in this process, or in several that write into the stage.

Every monthly table is a pure function of the month's inputs, so months can be made in any
order by any process. Workers only ever write files that wait in the stage; the run takes them
in and commits. A worker that dies leaves nothing that counts.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd
import pyarrow as pa

from pipeline.jobs.context import Fingerprints, Run
from pipeline.months import Month
from pipeline.plant import Plant
from pipeline.tables.store import Stage, StagedFile, StageView, worker_write

LEAST_TASKS = 4
"""Fewer tasks than this are done in this process: a worker takes a second to start."""

_PRELOADED = [
    "pipeline.jobs.points",
    "pipeline.jobs.perform",
    "pipeline.jobs.suction",
    "pipeline.report",
]


@dataclass(frozen=True, slots=True)
class MonthJob:
    """One month to make.

    Parameters
    ----------
    month : str
        The month.
    inputs : dict of str to str
        Digest of the inputs of each table the task makes.
    payload : object
        Passed on to the task.
    """

    month: Month
    inputs: dict[str, str]
    payload: Any = None


@dataclass(slots=True)
class MonthMade:
    """What a task made of a month.

    Parameters
    ----------
    tables : dict of str to Table or None
        Rows by table name; None where there are none.
    failures : list of str
        What failed while the rest was done.
    """

    tables: dict[str, pa.Table | None]
    failures: list[str] = field(default_factory=list)


Item = TypeVar("Item")
Made = TypeVar("Made")
MonthTask = Callable[[Run, Month, Any], MonthMade]


class Workers:
    """Processes that make months; started when first needed.

    Parameters
    ----------
    count : int
        How many; one means that everything is done in this process.
    """

    def __init__(self, count: int = 1) -> None:
        self.count = max(count, 1)
        self._pool: ProcessPoolExecutor | None = None

    def pool(self) -> ProcessPoolExecutor:
        """Give the pool, started now if it was not."""
        if self._pool is None:
            # A server that imports once and forks workers from there: cheap to start, and no
            # worker inherits this process's threads or its lock.
            context = multiprocessing.get_context("forkserver")
            context.set_forkserver_preload(_PRELOADED)
            self._pool = ProcessPoolExecutor(self.count, mp_context=context)
        return self._pool

    def warm_up(self) -> None:
        """Start the server in the background, for a run that will have much to do."""
        if self.count > 1:
            for _ in range(self.count):
                self.pool().submit(_nothing)

    def map(self, task: Callable[[Item], Made], items: Sequence[Item]) -> list[Made]:
        """Call a module's function on each item, here or in the processes; in order."""
        if self._pool is None or len(items) < 2:
            return [task(item) for item in items]
        return list(self._pool.map(task, items))

    def map_with_run(
        self, run: Run, task: Callable[[Run, Item], Made], items: Sequence[Item]
    ) -> list[Made]:
        """Call a function that reads the stage on each item; in order."""
        if self._pool is None or len(items) < 2:
            return [task(run, item) for item in items]
        site = Site.of(run)
        futures = [self._pool.submit(_call_with_run, site, task, item) for item in items]
        return [future.result() for future in futures]

    def close(self) -> None:
        """End the processes."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None


def _call_with_run(site: Site, task: Callable[[Run, Item], Made], item: Item) -> Made:
    return task(site.run(), item)


def _nothing() -> None:
    pass


def processors() -> int:
    """How many processes this machine can feed; more than eight wait for the disk."""
    return min(os.cpu_count() or 1, 8)


@contextlib.contextmanager
def workers(count: int = 1) -> Iterator[Workers]:
    """Hold workers for the time of a run."""
    held = Workers(count)
    try:
        yield held
    finally:
        held.close()


@dataclass(frozen=True, slots=True)
class Site:
    """What a worker must know of a run."""

    plant: Plant
    folder: Path
    as_of: pd.Timestamp
    fingerprints: Fingerprints

    @classmethod
    def of(cls, run: Run) -> Site:
        """Take it from a run; asking for the stage's folder sets it up."""
        return cls(run.plant, run.writable.folder, run.as_of, run.fingerprints)

    def run(self) -> Run:
        """Make the worker's own view: it reads the stage and writes nothing itself."""
        view = StageView(self.folder)
        return Run(plant=self.plant, stage=view, as_of=self.as_of, fingerprints=self.fingerprints)


def build_months(
    run: Run, held: Workers, step: str, jobs: Sequence[MonthJob], task: MonthTask
) -> list[Month]:
    """Make every month whose tables were not made from the same inputs.

    Parameters
    ----------
    run : Run
        The run.
    held : Workers
        Where to work.
    step : str
        What is being done, for progress.
    jobs : sequence of MonthJob
        All months wanted.
    task : callable
        A function of a module, called as ``task(run, month, payload)``.

    Returns
    -------
    list of str
        Months of which the content of some table changed.
    """
    stage = run.writable
    due = [
        job
        for job in jobs
        if not all(stage.is_current(t, job.month, digest) for t, digest in job.inputs.items())
    ]
    changed = []
    if held.count < 2 or len(due) < LEAST_TASKS:
        for done, job in enumerate(due):
            run.progress(step, done, len(due))
            made = task(run, job.month, job.payload)
            if _take_tables(run, stage, job, made):
                changed.append(job.month)
        return changed
    site = Site.of(run)
    futures: dict[Future[tuple[list[StagedFile | str], list[str]]], MonthJob] = {
        held.pool().submit(_work, site, job, task): job for job in due
    }
    results = {}
    for done, future in enumerate(as_completed(futures)):
        run.progress(step, done, len(due))
        results[futures[future].month] = future.result()
    # Taken in by month, whatever order they were finished in: the record is the same each time.
    for job in due:
        staged, failures = results[job.month]
        for failure in failures:
            run.outcome.fail(failure)
        if _take_files(stage, job, staged):
            changed.append(job.month)
    return changed


def _work(site: Site, job: MonthJob, task: MonthTask) -> tuple[list[StagedFile | str], list[str]]:
    """Make one month in a worker; a name stands for a table without rows."""
    made = task(site.run(), job.month, job.payload)
    found: list[StagedFile | str] = []
    for name, rows in made.tables.items():
        if rows is None:
            found.append(name)
        else:
            found.append(worker_write(site.folder, name, job.month, rows))
    return found, made.failures


def _digest_before(stage: Stage, table: str, month: Month) -> str:
    return stage.digest(table, month) if stage.has(table, month) else ""


def _take_tables(run: Run, stage: Stage, job: MonthJob, made: MonthMade) -> bool:
    for failure in made.failures:
        run.outcome.fail(failure)
    changed = False
    for name, rows in made.tables.items():
        before = _digest_before(stage, name, job.month)
        after = stage.build(name, job.month, job.inputs[name], lambda rows=rows: rows)  # type: ignore[misc]
        changed |= before != after
    return changed


def _take_files(stage: Stage, job: MonthJob, staged: Sequence[StagedFile | str]) -> bool:
    changed = False
    for item in staged:
        name = item if isinstance(item, str) else item.table
        before = _digest_before(stage, name, job.month)
        if isinstance(item, str):
            after = stage.build(name, job.month, job.inputs[name], lambda: None)
        else:
            after = stage.register(item, job.inputs[name])
        changed |= before != after
    return changed
