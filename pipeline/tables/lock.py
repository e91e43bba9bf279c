"""The lock that lets one run at a time write to a data folder.

The kernel holds the lock and frees it when the process dies, however it dies. What is
written inside the file only tells a person who holds it; it decides nothing, so a file left
over from a dead run never blocks the next one.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import weakref
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Self

from pipeline.errors import StoreLockedError
from pipeline.tables.files import disk_errors, lock_file

__all__ = ["FolderLock"]


class FolderLock:
    """An exclusive lock on a data folder, taken at once or refused at once.

    Parameters
    ----------
    path : Path
        The lock file. It is created when missing and never removed: removing it would let
        two runs hold a lock on two files of one name.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._handle: int | None = None

    def acquire(self) -> None:
        """Take the lock.

        Raises
        ------
        StoreLockedError
            When another run holds it; says which.
        StoreError
            When the lock file cannot be opened.
        """
        with disk_errors(f"open the lock file {self._path}"):
            handle = os.open(self._path, os.O_RDWR | os.O_CREAT, 0o644)
            try:
                if not lock_file(handle):
                    raise StoreLockedError(
                        f"The data folder {self._path.parent} is in use by "
                        f"{_describe_holder(handle)}. "
                        "Wait until that run has finished, then run again."
                    )
            except BaseException:
                os.close(handle)
                raise
        self._handle = handle
        _held.add(self)
        # The text is for people only; a disk too full to hold it must not stop the run here.
        with contextlib.suppress(OSError):
            os.ftruncate(handle, 0)
            os.pwrite(handle, _own_description(), 0)

    def release(self) -> None:
        """Give the lock back; harmless when it is not held."""
        handle, self._handle = self._handle, None
        if handle is None:
            return
        _held.discard(self)
        with contextlib.suppress(OSError):
            os.ftruncate(handle, 0)
        os.close(handle)

    def _close_copy(self) -> None:
        handle, self._handle = self._handle, None
        if handle is not None:
            os.close(handle)

    def __enter__(self) -> Self:
        self.acquire()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()


def _own_description() -> bytes:
    started = datetime.now(UTC).isoformat(timespec="seconds")
    holder = {"process": os.getpid(), "host": socket.gethostname(), "since": started}
    return json.dumps(holder).encode()


def _describe_holder(handle: int) -> str:
    try:
        holder = json.loads(os.pread(handle, 4096, 0))
        process, host, since = int(holder["process"]), str(holder["host"]), str(holder["since"])
    except (OSError, ValueError, KeyError, TypeError):
        return "another run"
    return f"process {process} on {host} since {since}"


_held: weakref.WeakSet[FolderLock] = weakref.WeakSet()


def _forget_in_child() -> None:
    # A forked worker inherits the open file and with it the lock, which would then outlive
    # a driver that was killed. Closing the copy leaves the driver's own lock untouched.
    for lock in list(_held):
        lock._close_copy()
    _held.clear()


os.register_at_fork(after_in_child=_forget_in_child)
