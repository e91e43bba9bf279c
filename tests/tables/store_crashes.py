"""Runs store writers in forked processes and kills them, or makes the disk refuse.

Run by ``test_store_crashes.py`` in an interpreter of its own, because it forks: nothing here
may touch Arrow before a fork, so the reading and writing happen in the children alone.
Prints one JSON object.

``points FOLDER FAULT STEP [two-step]``
    Repeats one night, stopping it at every disk operation in turn, or every STEP-th.
    FAULT is ``kill-before``, ``kill-after`` or the number of a system error. With ``two-step``
    the link is swapped in two steps, a mistake this check must notice.
``first FOLDER FAULT``
    The same for the making of a data folder.
``random FOLDER KILLS SEED``
    Lets nights follow one another and kills the process at random times.
``loop FOLDER NIGHTS KEEP``
    Lets nights follow one another, undisturbed.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import sys
import time
import traceback
from pathlib import Path

# Imported before the first fork, or every child would import them again.
import pandas as pd  # noqa: F401
import pyarrow as pa
import pyarrow.dataset as ds  # noqa: F401

from pipeline.errors import StoreError
from pipeline.tables import stage
from pipeline.tables.store import Store, inputs_digest, open_tables, worker_write

DONE, REFUSED, BROKEN = 0, 3, 9
MONTHS = ("2025-01", "2025-02")
CHANGES = (
    *("open", "mkdir", "link", "symlink", "replace", "rename"),
    *("unlink", "rmdir", "fsync", "ftruncate", "pwrite"),
)


def rows(marker: int) -> pa.Table:
    return pa.table({"marker": pa.array([marker] * 3, pa.int64()), "x": [0.5, None, 1.5]})


def night(folder: Path, marker: int, keep: int = 2) -> None:
    """One run: monthly partitions, a worker's file, a removal, a kept file, one commit."""
    with Store.open(folder, keep=keep).writer() as stage_:
        for month in MONTHS:
            stage_.build("points", month, inputs_digest(marker), lambda: rows(marker))
        stage_.build("unchanging", None, inputs_digest("same"), lambda: rows(0))
        staged = worker_write(stage_.folder, "trends", None, rows(marker))
        stage_.register(staged, inputs_digest(marker))
        stage_.write("runs", None, rows(marker))
        for name in stage_.blobs("segments"):
            stage_.remove_blob("segments", name)
        stage_.put_blob("segments", f"marker-{marker}", rows(marker))
        stage_.commit()


def marker_seen(folder: Path) -> int:
    """Return the marker every table carries; raise when they do not agree."""
    tables = open_tables(folder)
    seen = {name: tables.read_arrow(name)["marker"].unique().to_pylist() for name in tables.names()}
    assert seen.pop("unchanging") == [0], seen
    assert set(seen) == {"points", "runs", "trends"}, seen
    assert tables.months("points") == list(MONTHS)
    seen["segments"] = [int(name.removeprefix("marker-")) for name in tables.blobs("segments")]
    markers = {marker for found in seen.values() for marker in found}
    assert len(markers) == 1, f"mixed generations: {seen}"
    assert tables.verify() == (), tables.verify()
    return markers.pop()


def assert_tidy(folder: Path, keep: int = 2) -> None:
    """Nothing but what a data folder holds, and nothing hidden."""
    assert sorted(p.name for p in folder.iterdir()) == ["lock", "logs", "store", "tables"]
    current = Store.open(folder).current()
    numbers = sorted(int(p.name) for p in (folder / "store").iterdir())
    assert numbers == list(range(max(0, current - keep + 1), current + 1)), numbers
    hidden = [str(p) for p in (folder / "store").rglob(".*")]
    assert hidden == [], hidden


def in_child(work) -> int:
    """Run `work` in a forked process; return its exit code, or minus the signal."""
    child = os.fork()
    if child == 0:
        code = BROKEN
        try:
            work()
            code = DONE
        except StoreError as error:
            print(f"refused: {error}", file=sys.stderr)
            code = REFUSED
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stderr.flush()
            os._exit(code)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def check(folder: Path) -> int:
    """Return the marker seen now, after the next night was found to work and to tidy up."""

    def work() -> int:
        seen = marker_seen(folder)
        night(folder, seen + 1)
        assert marker_seen(folder) == seen + 1
        assert_tidy(folder)
        return seen

    return reading(work)


def reading(work) -> int:
    """Return the number `work` gives in a forked process; raise when it failed."""
    read, write = os.pipe()
    code = in_child(lambda: os.write(write, str(work()).encode()))
    os.close(write)
    answer = os.read(read, 100)
    os.close(read)
    if code != DONE:
        raise AssertionError(f"a check ended with code {code}")
    return int(answer)


class Stopper:
    """Counts disk operations and lets the fault strike at the chosen one."""

    def __init__(self, fault: str, at: int) -> None:
        self.fault, self.at, self.count = fault, at, 0

    def watch(self, owner, name: str) -> None:
        plain = getattr(owner, name)

        def watched(*args, **kwargs):
            if name == "open" and not args[1] & os.O_CREAT:
                return plain(*args, **kwargs)
            self.count += 1
            if self.count == self.at:
                if self.fault == "kill-before":
                    os.kill(os.getpid(), signal.SIGKILL)
                if self.fault == "kill-after":
                    try:
                        plain(*args, **kwargs)
                    finally:
                        os.kill(os.getpid(), signal.SIGKILL)
                raise OSError(int(self.fault), os.strerror(int(self.fault)))
            return plain(*args, **kwargs)

        setattr(owner, name, watched)

    def start(self) -> None:
        for name in CHANGES:
            self.watch(os, name)


def two_step_swap(link: Path, target: Path) -> None:
    link.unlink()
    link.symlink_to(target)


def points(folder: Path, fault: str, step: int, two_step: bool) -> dict:
    """Stop one night at every disk operation it makes."""
    template = folder / "template"

    def prepare() -> None:
        Store.create(template)
        for marker in range(1, 4):
            night(template, marker)
        # Leftovers of runs that died, so that removing them is part of the night too.
        store = template / "store"
        for name in (".stage-dead", ".trash-dead", "4"):
            (store / name).mkdir()
            shutil.copy(store / "3" / "points" / "2025-01.parquet", store / name)
        (template / ".tables.dead.tmp").symlink_to("store/4")

    assert in_child(prepare) == DONE
    outcomes: list[str] = []
    faults: list[str] = []
    for at in range(1, 1000, step):
        copy = folder / f"at-{at}"
        shutil.copytree(template, copy, symlinks=True)

        def stopped_night(copy: Path = copy, at: int = at) -> None:
            if two_step:
                stage.swap_link = two_step_swap
            stopper = Stopper(fault, at)
            stopper.start()
            night(copy, 4)
            if stopper.count < at:
                os._exit(100)

        code = in_child(stopped_night)
        if code == 100:
            shutil.rmtree(copy)
            break
        try:
            assert code in (DONE, REFUSED, -signal.SIGKILL), f"code {code}"
            seen = check(copy)
            assert seen in (3, 4), seen
            assert code != DONE or seen == 4, "a finished run is not seen"
            assert code != REFUSED or seen == 3, "a refused run is seen"
            outcomes.append("new" if seen == 4 else "old")
        except AssertionError as error:
            faults.append(f"{fault} at operation {at}: {error}")
        shutil.rmtree(copy)
    else:
        faults.append("the night never got to its end")
    return {"outcomes": outcomes, "faults": faults}


def first_start(folder: Path, fault: str) -> dict:
    """Stop the making of a data folder at every disk operation."""
    faults = []
    at = 0
    for at in range(1, 1000):
        copy = folder / f"at-{at}"

        def stopped_start(copy: Path = copy, at: int = at) -> None:
            stopper = Stopper(fault, at)
            stopper.start()
            Store.create(copy)
            if stopper.count < at:
                os._exit(100)

        code = in_child(stopped_start)
        if code == 100:
            break

        def first_night(copy: Path = copy) -> None:
            Store.create(copy)
            night(copy, 1)
            assert marker_seen(copy) == 1
            assert_tidy(copy)

        try:
            assert code in (DONE, REFUSED, -signal.SIGKILL), f"code {code}"
            assert in_child(first_night) == DONE, "the first night failed"
        except AssertionError as error:
            faults.append(f"{fault} at operation {at}: {error}")
    else:
        faults.append("the start never got to its end")
    return {"operations": at - 1, "faults": faults}


def random_kills(folder: Path, kills: int, seed: int) -> dict:
    """Kill a process that runs one night after another."""
    dice = random.Random(seed)
    assert in_child(lambda: Store.create(folder)) == DONE
    assert in_child(lambda: night(folder, 1)) == DONE
    markers, faults, mid_run = [1], [], 0
    for kill in range(kills):
        child = os.fork()
        if child == 0:
            with contextlib.suppress(BaseException):
                for marker in range(markers[-1] + 1, markers[-1] + 1000):
                    night(folder, marker)
            os._exit(BROKEN)
        time.sleep(dice.uniform(0.005, 0.12))
        os.kill(child, signal.SIGKILL)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        left = [p.name for p in (folder / "store").iterdir() if p.name.startswith(".")]
        mid_run += bool(left)
        try:
            assert code == -signal.SIGKILL, f"the nights stopped by themselves with code {code}"
            seen = check(folder)
            assert seen >= markers[-1], f"went back from {markers[-1]} to {seen}"
            markers.append(seen + 1)
        except AssertionError as error:
            faults.append(f"kill {kill}: {error}")
    return {"markers": markers, "faults": faults, "mid_run": mid_run}


def loop(folder: Path, nights: int, keep: int) -> dict:
    Store.create(folder)
    for marker in range(1, nights + 1):
        night(folder, marker, keep)
    return {"nights": nights}


def main(arguments: list[str]) -> None:
    # A killed process, unlike a power cut, loses nothing that was written, so nothing needs
    # to be forced to the disk here; it stays one of the operations that can fail.
    os.fsync = lambda handle: None
    what, folder = arguments[0], Path(arguments[1])
    if what == "points":
        answer = points(folder, arguments[2], int(arguments[3]), "two-step" in arguments[4:])
    elif what == "first":
        answer = first_start(folder, arguments[2])
    elif what == "random":
        answer = random_kills(folder, int(arguments[2]), int(arguments[3]))
    else:
        answer = loop(folder, int(arguments[2]), int(arguments[3]))
    print(json.dumps(answer))


if __name__ == "__main__":
    main(sys.argv[1:])
