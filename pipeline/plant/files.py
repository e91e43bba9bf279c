"""Where the files a plant file names may lie.

A path that the plant file gives without a leading ``/`` stays inside the folder of the plant
file: no ``..``, no symbolic link that leads out. Curve, survey and event files belong to the
plant file and must lie there. Exports and the data folder may lie anywhere, but then the
plant file says so with an absolute path.
"""

from __future__ import annotations

from pathlib import Path, PurePosixPath

from pipeline.plant.fields import Section
from pipeline.plant.wording import shown

_USUAL_DATA_FOLDER = "gaugeless_data"


def file_beside(section: Section, key: str, folder: Path) -> str | None:
    """Take the name of a file that must exist in the plant file's folder.

    Parameters
    ----------
    section : Section
        Table with the key.
    key : str
        Optional key.
    folder : Path
        Of the plant file.

    Returns
    -------
    str or None
        The name as written; None if there is none or it cannot be used.
    """
    name = section.text(key, None)
    if name is None:
        return None
    if Path(name).is_absolute() or not _lies_in(folder / name, folder):
        section.fault(
            key,
            f"{shown(name)}, which is not in the plant file's folder",
            "a file in that folder",
            "Put a copy into it, and write its path from there.",
        )
        return None
    if not _is_file(folder / name):
        section.fault(key, f"{shown(name)}, where there is no file", "a file", "Check the name.")
        return None
    return name


def data_folder(section: Section, key: str, folder: Path) -> Path:
    """Take the folder of the store: inside the plant file's folder, or an absolute path."""
    name = section.text(key, _USUAL_DATA_FOLDER)
    path = Path(name)
    if not path.is_absolute() and not _is_contained(section, key, name):
        path = Path(_USUAL_DATA_FOLDER)
    elif not path.is_absolute() and not _lies_in(folder / path, folder):
        section.fault(
            key,
            f"{shown(name)}, a link that leads out of the plant file's folder",
            "a folder inside it, or an absolute path",
        )
    elif _lies_in(folder, folder / path):
        section.fault(
            key,
            f"{shown(name)}, a folder that holds the plant file",
            "a folder for nothing else",
            "Leave the key out, or name a folder that gaugeless may fill.",
        )
    try:
        return (folder / path).resolve()
    except (OSError, RuntimeError):
        return folder / path


def is_writable_place(section: Section, key: str, name: str, folder: Path) -> bool:
    """Whether a file may be written there: inside the plant file's folder, or absolute."""
    if Path(name).is_absolute():
        return True
    if not _is_contained(section, key, name):
        return False
    if not _lies_in(folder / name, folder):
        section.fault(
            key,
            f"{shown(name)}, a link that leads out of the plant file's folder",
            "a file inside it, or an absolute path",
        )
        return False
    return True


def export_pattern(section: Section, key: str) -> str:
    """Take the folder or glob of exports: inside the plant file's folder, or absolute."""
    pattern = section.text(key)
    if pattern and not Path(pattern).is_absolute():
        _is_contained(section, key, pattern)
    return pattern


def _is_contained(section: Section, key: str, name: str) -> bool:
    if name.startswith("~"):
        section.fault(
            key, shown(name), "a path without '~'", "Write the whole path, from the leading '/'."
        )
        return False
    if ".." in PurePosixPath(name).parts:
        section.fault(
            key,
            f"{shown(name)}, which leads out of the plant file's folder",
            "a path inside it, or an absolute path",
            "Write the whole path, from the leading '/', if it is meant.",
        )
        return False
    return True


def _lies_in(path: Path, folder: Path) -> bool:
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError):
        # A loop of links, or a name too long for the file system.
        return False


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:
        return False
