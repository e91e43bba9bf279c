"""The embedded Prefect server of a flow that is run as a program, which ends with it.

Prefect ends its temporary server when the program leaves; one that is killed (``kill -9``, out
of memory) leaves it running. So a small process, the guard, is told of the server and waits at
a pipe whose other end this program alone holds: the system closes it, however the program
ended, and the guard then ends the server.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from typing import IO, Protocol

from prefect.server.api.server import SubprocessASGIServer
from prefect.settings import PREFECT_API_URL, PREFECT_SERVER_ALLOW_EPHEMERAL_MODE

# Handles of processes, not their numbers, which may be somebody else's by then. Interrupts are
# the program's: the guard, in the same terminal, has to outlive it.
_GUARD = """
import os, signal, sys
signal.signal(signal.SIGINT, signal.SIG_IGN)
handles = []
for line in sys.stdin:
    try:
        handles.append(os.pidfd_open(int(line)))
    except ProcessLookupError:
        pass
for handle in handles:
    try:
        signal.pidfd_send_signal(handle, signal.SIGKILL)
    except ProcessLookupError:
        pass
"""
_LOOK_EVERY = 0.02
"""Wait between two looks for the server's process [s]."""


class Started(Protocol):
    """What the guard has to know of a process."""

    pid: int


def start_embedded_server() -> None:
    """Start the embedded server, unless the environment names a server or wants none.

    Notes
    -----
    Prefect stops it when the program leaves, after its last log lines are sent, and the guard
    leaves after that: functions to be called at exit run in the reverse order.
    """
    if PREFECT_API_URL.value() or not PREFECT_SERVER_ALLOW_EPHEMERAL_MODE.value():
        return
    held = contextlib.ExitStack()
    atexit.register(held.close)
    told = held.enter_context(guard())
    # Prefect's own clients ask for the same object, and find it started.
    server = SubprocessASGIServer()
    stop = threading.Event()

    def watch() -> None:
        """Tell of the process at once: until the server answers takes many seconds."""
        known: set[int] = set()
        ended = False
        while not ended:
            # Looked at once more after the end: it may have been replaced meanwhile.
            ended = stop.wait(_LOOK_EVERY)
            process = server.server_process
            if process is not None and process.pid not in known:
                known.add(process.pid)
                tell(told, process)

    watcher = threading.Thread(target=watch, name="watch the server start", daemon=True)
    watcher.start()
    try:
        server.start()
    finally:
        stop.set()
        watcher.join()


@contextlib.contextmanager
def guard() -> Iterator[IO[str] | None]:
    """Hold a process that ends those it is told of, when this one is gone.

    Yields
    ------
    text stream or None
        For `tell`; None where the system has no handles of processes (not Linux).
    """
    if not hasattr(os, "pidfd_open"):
        yield None
        return
    with subprocess.Popen(  # noqa: S603
        [sys.executable, "-I", "-S", "-c", _GUARD], stdin=subprocess.PIPE, text=True
    ) as process:
        yield process.stdin


def tell(guard: IO[str] | None, process: Started) -> None:
    """Tell a guard of a process.

    Parameters
    ----------
    guard : text stream or None
        As `guard` gave it.
    process : Started
        To be ended with this one.
    """
    if guard is not None:
        with contextlib.suppress(OSError):
            guard.write(f"{process.pid}\n")
            guard.flush()
