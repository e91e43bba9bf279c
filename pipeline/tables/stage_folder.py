"""The folder of a stage: hard links of the generation before, and what makes it a whole one."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Mapping
from pathlib import Path

from pipeline.errors import StoreError
from pipeline.tables.files import (
    STAGE,
    discard_folder,
    disk_errors,
    sync_path,
    sync_tree,
    temporary_name,
)
from pipeline.tables.generation import (
    BUILD,
    STATE_FILE,
    Entry,
    Key,
    relative_path,
    save_state,
)
from pipeline.tables.worker import INCOMING

__all__ = ["file_size", "link_generation", "seal"]


def link_generation(base: Path, store_folder: Path) -> Path:
    """Make the folder of a stage with every file of a generation, as a hard link.

    Parameters
    ----------
    base : Path
        The generation.
    store_folder : Path
        Where the folder is to be.

    Returns
    -------
    Path
        The new folder, with an empty one for what workers write and without a record.

    Raises
    ------
    StoreError
        When the disk refuses; nothing is left behind.
    """
    folder = store_folder / f"{STAGE}{secrets.token_hex(8)}"
    with disk_errors(f"prepare the next generation in {store_folder}"):
        try:
            folder.mkdir()
            for parent, folders, files in os.walk(base):
                if BUILD in folders:
                    folders.remove(BUILD)
                here = folder / Path(parent).relative_to(base)
                for name in folders:
                    (here / name).mkdir()
                for name in files:
                    (here / name).hardlink_to(Path(parent, name))
            (folder / INCOMING).mkdir()
        except BaseException:
            if folder.exists():
                discard_folder(folder)
            raise
    return folder


def seal(folder: Path, entries: Mapping[Key, Entry]) -> None:
    """Leave exactly the recorded files, write the record, and force all of it to the disk.

    Parameters
    ----------
    folder : Path
        Folder of the stage.
    entries : mapping of Key to Entry
        What is recorded about its files.

    Raises
    ------
    OSError
        When the disk refuses.
    StoreError
        When a recorded file has vanished.
    """
    discard_folder(folder / INCOMING)
    _tidy(folder, entries)
    (folder / BUILD).mkdir()
    temporary = folder / BUILD / temporary_name(STATE_FILE)
    save_state(temporary, entries)
    sync_path(temporary)
    temporary.replace(folder / BUILD / STATE_FILE)
    sync_tree(folder)


def _tidy(folder: Path, entries: Mapping[Key, Entry]) -> None:
    """Leave exactly the recorded files in the stage."""
    expected = {folder / relative_path(k) for k, e in entries.items() if e.digest}
    found = set()
    for parent, _, files in os.walk(folder, topdown=False):
        here = Path(parent)
        for name in files:
            if here / name in expected:
                found.add(here / name)
            else:
                (here / name).unlink()
        if here != folder:
            # Fails, as it should, for every folder that still holds something.
            with contextlib.suppress(OSError):
                here.rmdir()
    lost = sorted(str(path.relative_to(folder)) for path in expected - found)
    if lost:
        raise StoreError(
            f"{len(lost)} files of the tables have vanished, the first is {lost[0]}. "
            "Nothing was published. Point the link `tables` at an older generation in the "
            "folder `store`, or rebuild."
        )


def file_size(path: Path) -> int:
    """Bytes of a file; -1 where there is none."""
    try:
        return path.stat().st_size
    except OSError:
        return -1
