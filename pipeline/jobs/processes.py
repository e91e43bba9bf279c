"""Worker processes of this machine: forked cheaply, and gone when their run is, killed or not."""

from __future__ import annotations

import contextlib
import functools
import multiprocessing
import os
import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from typing import Any

from pipeline.jobs.workers import LEAST_TASKS, Call, Told, Workers

_PRELOADED = [
    "pipeline.jobs.processes",
    "pipeline.jobs.money",
    "pipeline.jobs.points",
    "pipeline.jobs.perform",
    "pipeline.jobs.trends",
    "pipeline.jobs.suction",
    "pipeline.report",
]


@contextlib.contextmanager
def workers(given: int | Workers = 1) -> Iterator[Workers]:
    """Hold workers for the time of a run; those of the caller stay the caller's."""
    if isinstance(given, Workers):
        yield given
        return
    held = Processes(given)
    try:
        yield held
    finally:
        held.close()


def processors() -> int:
    """How many processes this machine can feed; more than eight wait for the disk."""
    return min(os.cpu_count() or 1, 8)


class Processes(Workers):
    """Processes of this machine; started when first needed."""

    def __init__(self, count: int, least: int = LEAST_TASKS) -> None:
        super().__init__(count, least)
        self._pool: ProcessPoolExecutor | None = None

    def pool(self) -> ProcessPoolExecutor | None:
        """Give the pool, started now if it was not."""
        if self.count < 2:
            return None
        if self._pool is None:
            # A server that imports once and forks workers from there: cheap to start, and no
            # worker inherits this process's threads or its lock.
            context = multiprocessing.get_context("forkserver")
            context.set_forkserver_preload(_PRELOADED)
            self._pool = ProcessPoolExecutor(
                self.count, mp_context=context, initializer=end_with_parent
            )
        return self._pool

    def run_all(self, calls: Sequence[Call], told: Told) -> list[Any]:
        """Do a batch of calls in the processes."""
        pool = self.pool()
        if pool is None:
            return super().run_all(calls, told)
        futures: dict[Future[Any], int] = {pool.submit(c): n for n, c in enumerate(calls)}
        results = {}
        for done, future in enumerate(as_completed(futures)):
            told(done)
            results[futures[future]] = future.result()
        return [results[n] for n in range(len(calls))]

    def shares(self, tasks: int) -> bool:
        """Tell whether that many tasks are worth handing out."""
        # Once the processes are there, two tasks are better done at once.
        return super().shares(tasks) or (self._pool is not None and tasks > 1)

    def warm_up(self) -> None:
        """Start the server in the background, for a run that will have much to do."""
        pool = self.pool()
        if pool is not None:
            for _ in range(self.count):
                pool.submit(_nothing)

    def close(self) -> None:
        """End the processes."""
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None


def _nothing() -> None:
    pass


@functools.cache
def end_with_parent() -> None:
    """Let this process end when the one that started it is gone, however that ended.

    A worker holds both ends of the queue it waits at, and the fork server ends when no worker
    is left: a run that was killed would leave all of them waiting for ever. In a process that
    has no such parent nothing happens.
    """
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def wait() -> None:
        parent.join()
        # Not sys.exit: the task at work may be in the middle of anything, and nothing that it
        # would still write is wanted.
        os._exit(1)

    threading.Thread(target=wait, name="wait for the end of the parent", daemon=True).start()
