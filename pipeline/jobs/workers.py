"""Months as tasks: in this process, in several, or on other machines.

Every monthly table is a pure function of the month's inputs, so months can be made in any
order by any process. Workers only ever write files that wait in the stage; the run takes them
in and commits. A worker that dies leaves nothing that counts.
"""

from __future__ import annotations

import functools
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path
from typing import Any, TypeVar

import pandas as pd
import pyarrow as pa

from pipeline.errors import StoreError
from pipeline.jobs.context import STAGE_VERSIONS, Fingerprints, Run
from pipeline.months import Month
from pipeline.plant import Plant
from pipeline.tables.store import Stage, StagedFile, StageView, worker_write

LEAST_TASKS = 4
"""Fewer tasks than this are done in this process: a worker takes a second to start."""

_SAME_EVERYWHERE = ("gaugeless", "numpy", "pandas", "pyarrow", "scikit-learn", "scipy")


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
Told = Callable[[int], None]
"""Called with how many calls of a batch are done."""


class Call:
    """One task: a function of a module, and small arguments that can travel.

    Parameters
    ----------
    name : str
        What a person is shown, such as ``measurements 2026-03``.
    function : callable
        Of a module, so that a worker finds it by name.
    *arguments : object
        Paths, dates, identifiers, settings and coefficients; never rows, which stay in files.
    """

    # No dataclass: tools that look into what they are handed would walk through whole plants.
    __slots__ = ("arguments", "function", "name")

    def __init__(self, name: str, function: Callable[..., Any], *arguments: Any) -> None:
        self.name = name
        self.function = function
        self.arguments = arguments

    def __reduce__(self) -> tuple[Any, ...]:
        return (Call, (self.name, self.function, *self.arguments))

    def __call__(self) -> Any:
        """Do it."""
        return self.function(*self.arguments)


class Workers:
    """Where the tasks of a run are done: here, one after the other.

    Whoever has other places derives from this class, sets ``count`` and ``least`` and says in
    `run_all` how a batch is done. Workers on other machines need the data folder under the
    same path; they write into the stage, and only the run commits.

    Parameters
    ----------
    count : int
        How many tasks are done at once; one means that all are done in this process.
    least : int
        Fewer tasks than this are done in this process.
    """

    def __init__(self, count: int = 1, least: int = LEAST_TASKS) -> None:
        self.count = max(count, 1)
        self.least = max(least, 1)

    def run_all(self, calls: Sequence[Call], told: Told) -> list[Any]:
        """Do a batch of calls that do not depend on each other.

        Parameters
        ----------
        calls : sequence of Call
            What to do.
        told : callable
            Called as calls are done.

        Returns
        -------
        list
            What each returned, in the order of the calls.

        Raises
        ------
        Exception
            Whatever a call raised.
        """
        found = []
        for done, call in enumerate(calls):
            told(done)
            found.append(call())
        return found

    def shares(self, tasks: int) -> bool:
        """Tell whether that many tasks are worth handing out."""
        return self.count > 1 and tasks >= self.least

    def pool(self) -> Executor | None:
        """Give processes of this machine for work that is no task of the run, if there are."""
        return None

    def warm_up(self) -> None:
        """Get ready in the background, for a run that will have much to do."""

    def map_with_run(
        self, run: Run, name: str, task: Callable[[Run, Item], Made], items: Sequence[Item]
    ) -> list[Made]:
        """Call a function that reads the stage on each small item; in order."""
        if not self.shares(len(items)):
            return [task(run, item) for item in items]
        site = Site.of(run)
        calls = [Call(f"{name} {n}", _call_with_run, site, task, i) for n, i in enumerate(items, 1)]
        return self.run_all(calls, lambda done: run.progress(name, done, len(items)))

    def close(self) -> None:
        """End what was started."""


def _call_with_run(site: Site, task: Callable[[Run, Item], Made], item: Item) -> Made:
    return task(site.run(), item)


@functools.cache
def _versions() -> dict[str, str]:
    """What has to be equal for two machines to make equal tables."""
    found = {f"stage {name}": str(number) for name, number in STAGE_VERSIONS.items()}
    return found | {name: version(name) for name in _SAME_EVERYWHERE}


@dataclass(frozen=True, slots=True)
class Site:
    """What a worker must know of a run."""

    plant: Plant
    folder: Path
    as_of: pd.Timestamp
    fingerprints: Fingerprints
    versions: dict[str, str]

    @classmethod
    def of(cls, run: Run) -> Site:
        """Take it from a run; asking for the stage's folder sets it up."""
        return cls(run.plant, run.writable.folder, run.as_of, run.fingerprints, _versions())

    def run(self) -> Run:
        """Make the worker's own view: it reads the stage and writes nothing itself.

        Raises
        ------
        StoreError
            If the worker cannot see the folder, or has other versions than the run.
        """
        here = _versions()
        other = [
            f"{n} {here.get(n)}, not {v}" for n, v in self.versions.items() if here.get(n) != v
        ]
        if other:
            raise StoreError(
                f"A worker has other versions than the run: {'; '.join(other)}. "
                "Install the same on every machine, or tables would mix."
            )
        if not self.folder.is_dir():
            raise StoreError(
                f"A worker finds no folder {self.folder}. Every machine needs the data folder "
                "under the same path, and a task whose run is over has nothing to do."
            )
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
    if not held.shares(len(due)):
        # One month is written while the next is made.
        with ThreadPoolExecutor(1, thread_name_prefix="month") as beside:
            waiting: deque[tuple[MonthJob, Future[bool]]] = deque()
            for done, job in enumerate(due):
                run.progress(step, done, len(due))
                made = task(run, job.month, job.payload)
                changed += _written(waiting)
                waiting.append((job, beside.submit(_take_tables, run, stage, job, made)))
            changed += _written(waiting)
        return changed
    site = Site.of(run)
    calls = [Call(f"{step} {job.month}", _work, site, job, task) for job in due]
    results = held.run_all(calls, lambda done: run.progress(step, done, len(due)))
    # Taken in by month, whatever order they were finished in: the record is the same each time.
    for job, (staged, failures) in zip(due, results, strict=True):
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


def _written(waiting: deque[tuple[MonthJob, Future[bool]]]) -> list[Month]:
    """Wait for what is being written; give the months whose content changed."""
    found = []
    while waiting:
        job, is_changed = waiting.popleft()
        if is_changed.result():
            found.append(job.month)
    return found


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
