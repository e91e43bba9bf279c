"""Work shared out to threads, with results in order."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

__all__ = ["in_turn"]

Item = TypeVar("Item")
Result = TypeVar("Result")


def in_turn(
    task: Callable[[Item], Result], items: Iterable[Item], threads: int
) -> Generator[Result, None, None]:
    """Results of a task on each item, in order, worked on by some threads a little ahead.

    Parameters
    ----------
    task : callable
        Called with one item, in any thread.
    items : iterable
        Taken up one by one in the caller's thread.
    threads : int
        Tasks worked on at the same time. [-]

    Yields
    ------
    Result
        What the task gave, in the order of the items; at most ``threads`` wait to be taken.

    Examples
    --------
    >>> list(in_turn(abs, [-1, 2, -3], 2))
    [1, 2, 3]
    """
    pool = ThreadPoolExecutor(threads, thread_name_prefix="ahead")
    waiting: deque[Future[Result]] = deque()
    try:
        for item in items:
            waiting.append(pool.submit(task, item))
            if len(waiting) > threads:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)
