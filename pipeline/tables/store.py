"""The data folder of one station: generations of tables, swapped in one step.

::

    <data folder>/
        store/<n>/      generations, see `pipeline.tables.generation`
        tables          link to the generation readers see
        lock            held by the run that writes
        logs/           one file per run

A run prepares the next generation in a hidden folder, where files that do not change are hard
links, and publishes it by renaming that folder and swapping the link `tables`. Readers
therefore see all tables of one run or all of the run before. Whatever a run that died left
behind is removed when the next one starts.

Notes
-----
POSIX file systems only: hard links, symbolic links, renames over existing names and
``flock``. To go back in time, point the link at an older generation
(``ln -sfn store/41 tables``); the next run continues from there and removes the newer ones.
"""

from __future__ import annotations

import contextlib
import logging
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Self

from pipeline.errors import StoreError
from pipeline.tables import files
from pipeline.tables.files import STAGE, TRASH, discard_folder, disk_errors, swap_link
from pipeline.tables.generation import EVIDENCE, Entry, Generation, Key, load_state
from pipeline.tables.inputs import inputs_digest
from pipeline.tables.lock import FolderLock
from pipeline.tables.stage import Stage
from pipeline.tables.worker import StagedFile, worker_write

__all__ = [
    "Generation",
    "Stage",
    "StageView",
    "StagedFile",
    "Store",
    "Tables",
    "inputs_digest",
    "open_tables",
    "worker_write",
]

_log = logging.getLogger(__name__)

GENERATIONS_KEPT = 5
_TARGET = re.compile(r"store/([0-9]{1,12})/?")
_NUMBER = re.compile(r"[0-9]{1,12}")


class StageView(Generation):
    """What a worker sees of a stage: the files that stand in its folder, to read.

    Parameters
    ----------
    folder : Path or str
        `Stage.folder` of the run.

    Notes
    -----
    Nothing is known of digests here: a worker reads and hands files in, it decides nothing.
    """

    def __init__(self, folder: Path | str) -> None:
        root = Path(folder)
        entries: dict[Key, Entry] = {}
        with disk_errors(f"look into {root}"):
            for path in sorted(root.glob("[a-z]*/*.parquet")):
                part = "" if path.stem == path.parent.name else path.stem
                key = Key("table", path.parent.name, part)
                entries[key] = Entry("", _STANDS, path.stat().st_size)
            for path in sorted(root.glob(f"{EVIDENCE}/*/*.parquet")):
                key = Key.of_blob(path.parent.name, path.stem)
                entries[key] = Entry("", _STANDS, path.stat().st_size)
        super().__init__(root, entries)


_STANDS = "stands"


class Store:
    """A data folder that can be written; got from `Store.open` or `Store.create`.

    Parameters
    ----------
    folder : Path
        The data folder.
    keep : int
        How many generations to keep, the newest included.
    """

    def __init__(self, folder: Path, keep: int = GENERATIONS_KEPT) -> None:
        if keep < 1:
            raise StoreError(f"Cannot keep {keep} generations: keep at least 1.")
        self._folder = folder
        self._keep = keep

    @classmethod
    def create(cls, folder: Path | str, keep: int = GENERATIONS_KEPT) -> Self:
        """Open a data folder, making it first where it does not exist.

        Parameters
        ----------
        folder : Path or str
            The data folder.
        keep : int, optional
            How many generations to keep.

        Returns
        -------
        Store
            The store.

        Raises
        ------
        StoreError
            When the file system cannot hold a data folder, or the folder holds a damaged one.
        StoreLockedError
            When another run is making the same folder.
        """
        store = cls(Path(folder).absolute(), keep)
        root = store._folder
        if (root / "tables").is_symlink():
            store.current()
            return store
        if (root / "tables").exists():
            raise StoreError(
                f"{root / 'tables'} exists and is not the link of a data folder. "
                "Choose another folder, or move it away."
            )
        with disk_errors(f"make the data folder {root}"):
            root.mkdir(parents=True, exist_ok=True)
        files.check_filesystem(root)
        with FolderLock(root / "lock"), disk_errors(f"make the data folder {root}"):
            (root / "store").mkdir(exist_ok=True)
            (root / "logs").mkdir(exist_ok=True)
            # Generation 0 is empty and exists so that the link does from the first moment:
            # a missing link then always means damage, never a run that died early.
            if store.generations() in ([], [0]) and not (root / "tables").is_symlink():
                (root / "store" / "0").mkdir(exist_ok=True)
                files.sync_path(root / "store")
                swap_link(root / "tables", Path("store", "0"))
        store.current()
        return store

    @classmethod
    def open(cls, folder: Path | str, keep: int = GENERATIONS_KEPT) -> Self:
        """Open a data folder that exists.

        Raises
        ------
        StoreError
            When the folder is missing, is no data folder or is damaged.
        """
        store = cls(Path(folder).absolute(), keep)
        store.current()
        return store

    @staticmethod
    def check_filesystem(folder: Path | str) -> None:
        """Raise `StoreError` unless the file system of `folder` can hold a data folder."""
        files.check_filesystem(Path(folder))

    @property
    def folder(self) -> Path:
        """The data folder."""
        return self._folder

    @property
    def logs(self) -> Path:
        """Folder for the log files of runs."""
        return self._folder / "logs"

    def current(self) -> int:
        """Return the number of the generation readers see; 0 is the empty first one.

        Raises
        ------
        StoreError
            When the link `tables` is missing or does not lead to a generation.
        """
        return _linked_number(self._folder)

    def generations(self) -> list[int]:
        """Return the numbers of the generations on disk, ascending."""
        with disk_errors(f"list {self._folder / 'store'}"):
            inside = [path.name for path in (self._folder / "store").iterdir()]
        return sorted(int(name) for name in inside if _NUMBER.fullmatch(name))

    @contextlib.contextmanager
    def writer(self) -> Iterator[Stage]:
        """Lock the data folder and give a stage to build the next generation in.

        Yields
        ------
        Stage
            Call `Stage.commit` to publish; whatever is not committed when the block ends is
            dropped.

        Raises
        ------
        StoreLockedError
            When another run holds the data folder.
        StoreError
            When the data folder is damaged or cannot be written.
        """
        with FolderLock(self._folder / "lock"):
            number = self.current()
            self._remove_leftovers()
            stage = Stage(self._folder, number, self._remove_old)
            try:
                yield stage
            finally:
                stage.close()

    def _remove_leftovers(self) -> None:
        with disk_errors(f"tidy {self._folder}"):
            for path in (self._folder / "store").iterdir():
                if path.name.startswith((STAGE, TRASH)):
                    discard_folder(path)
            for pattern in (".tables.*.tmp", ".probe-*"):
                for path in self._folder.glob(pattern):
                    _discard(path)
        current = self.current()
        for number in self.generations():
            # Prepared, but its run died before it swapped the link.
            if number > current:
                discard_folder(self._folder / "store" / str(number))
        self._remove_old()

    def _remove_old(self) -> None:
        current = self.current()
        older = [number for number in self.generations() if number < current]
        for number in older[: max(0, len(older) - (self._keep - 1))]:
            discard_folder(self._folder / "store" / str(number))


def _discard(path: Path) -> None:
    if path.is_symlink():
        path.unlink()
    else:
        discard_folder(path)


def _linked_number(folder: Path) -> int:
    link = folder / "tables"
    if not folder.is_dir():
        raise StoreError(f"There is no data folder {folder}. Run the job once to make it.")
    with disk_errors(f"read the link {link}"):
        target = str(link.readlink()) if link.is_symlink() else ""
    match = _TARGET.fullmatch(target)
    if match is not None and (folder / target).is_dir():
        return int(match[1])
    # Not as it should be: find out what to say.
    held = []
    if (folder / "store").is_dir():
        with disk_errors(f"read {folder / 'store'}"):
            inside = [path.name for path in (folder / "store").iterdir()]
        held = sorted(int(name) for name in inside if _NUMBER.fullmatch(name))
    if not held:
        raise StoreError(
            f"{folder} is not a data folder: it has no folder `store` with tables in it. "
            "Run the job once to make it, or name the right folder."
        )
    repair = f"Restore it with: ln -sfn store/{held[-1]} {link}"
    if not target:
        found = "an ordinary file or folder" if link.exists() else "nothing"
        raise StoreError(
            f"The data folder {folder} is damaged: expected the link `tables`, found {found}. "
            f"{'Move it away first. ' if link.exists() else ''}{repair}"
        )
    raise StoreError(
        f"The data folder {folder} is damaged: the link `tables` leads to {target}, "
        f"which is not a generation in `store`. {repair}"
    )


class Tables(Generation):
    """The tables of one generation, for reading; got from `open_tables`.

    The view does not move: a run that publishes meanwhile is not seen until the tables are
    opened again. A generation is removed once as many newer ones exist as the store keeps
    (five unless set otherwise), so a view older than that many runs stops reading with an
    error that says so.
    """

    def __init__(self, data_folder: Path, number: int) -> None:
        root = data_folder / "store" / str(number)
        super().__init__(root, load_state(root))
        self._number = number

    @property
    def generation(self) -> int:
        """Number of the generation."""
        return self._number

    @property
    def folder(self) -> Path:
        """Folder of the generation; it is published and must not be changed."""
        return self._root

    def __repr__(self) -> str:
        return f"Tables(generation={self._number}, names={self.names()})"


def open_tables(folder: Path | str, generation: int | None = None) -> Tables:
    """Open the published tables of a data folder.

    Parameters
    ----------
    folder : Path or str
        The data folder.
    generation : int, optional
        An older generation that is still kept. Default: the current one.

    Returns
    -------
    Tables
        A view of one generation that stays as it is.

    Raises
    ------
    StoreError
        When there are no tables yet, the generation is not kept, or the folder is damaged.
    """
    root = Path(folder).absolute()
    current = _linked_number(root)
    if current == 0:
        raise StoreError(f"The data folder {root} holds no tables yet. Run the job once.")
    if generation is None or generation == current:
        return Tables(root, current)
    kept = [n for n in Store(root).generations() if 0 < n <= current]
    if generation not in kept:
        raise StoreError(
            f"Generation {generation} of {root} is not kept; kept are "
            f"{', '.join(str(n) for n in kept)}."
        )
    return Tables(root, generation)
