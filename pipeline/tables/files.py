"""File operations of the store: names, durable writes, and disk errors in plain words.

Every change to the disk goes through the standard library's ``os`` functions, one call per
step, so that the crash tests can stop the process before and after each of them.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import StoreError

try:
    import fcntl
except ImportError as error:
    raise StoreError(
        "Data folders need a POSIX system: Linux, macOS, or the Linux subsystem of Windows."
    ) from error

__all__ = [
    "blob_name",
    "check_filesystem",
    "discard_folder",
    "disk_errors",
    "lock_file",
    "month_name",
    "swap_link",
    "sync_path",
    "sync_tree",
    "table_name",
    "temporary_name",
]

_log = logging.getLogger(__name__)

_TABLE = re.compile(r"[a-z][a-z0-9_]{0,62}")
_MONTH = re.compile(r"[0-9]{4}-(0[1-9]|1[0-2])")
_BLOB = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,127}")

TRASH = ".trash-"
STAGE = ".stage-"

_REMEDIES = {
    errno.ENOSPC: "the disk is full; free some space and run again",
    errno.EDQUOT: "the disk quota is used up; free some space and run again",
    errno.EACCES: "permission was denied; give this user write access to the data folder",
    errno.EPERM: "the operation is not permitted; give this user write access to the data folder",
    errno.EROFS: "the file system is read-only; remount it for writing or choose another folder",
    errno.EIO: "the disk reported an input/output error; check the disk before running again",
    errno.EMFILE: "too many files are open; raise the open-file limit and run again",
    errno.ENAMETOOLONG: "the path is too long; choose a data folder with a shorter path",
}


def table_name(name: str) -> str:
    """Return `name` if it can safely be the folder of a table, else raise.

    Parameters
    ----------
    name : str
        Lower-case letters, digits and underscores, starting with a letter.

    Returns
    -------
    str
        The same name.

    Raises
    ------
    StoreError
        When the name could leave its folder or is not a plain lower-case name.
    """
    if not _TABLE.fullmatch(name):
        raise StoreError(
            f"{name!r} cannot name a table: expected lower-case letters, digits and "
            "underscores, starting with a letter, at most 63 of them."
        )
    return name


def month_name(month: str) -> str:
    """Return `month` if it is a calendar month written ``YYYY-MM``, else raise.

    Raises
    ------
    StoreError
        When the text is anything else.
    """
    if not _MONTH.fullmatch(month):
        raise StoreError(f"{month!r} is not a month: expected YYYY-MM, for example 2025-03.")
    return month


def blob_name(name: str) -> str:
    """Return `name` if it can safely be the name of a kept file (without suffix), else raise.

    Raises
    ------
    StoreError
        When the name could leave its folder.
    """
    if not _BLOB.fullmatch(name):
        raise StoreError(
            f"{name!r} cannot name a kept file: expected letters, digits, '-' and '_', "
            "at most 128 of them, such as a SHA-256 in hexadecimal."
        )
    return name


def temporary_name(name: str) -> str:
    """Return a new hidden name for a file that will be renamed to `name`.

    The random part lets several threads, processes and machines write side by side.
    """
    return f".{name}.{secrets.token_hex(8)}.tmp"


@contextlib.contextmanager
def disk_errors(doing: str) -> Iterator[None]:
    """Turn an ``OSError`` raised inside the block into a `StoreError` a user can act on.

    Parameters
    ----------
    doing : str
        What was being done, continuing the words "Could not".

    Raises
    ------
    StoreError
        In place of any ``OSError``.
    """
    try:
        yield
    except OSError as error:
        remedy = _REMEDIES.get(error.errno or 0, f"the system said: {error.strerror or error}")
        raise StoreError(
            f"Could not {doing}: {remedy}. The tables already published are unchanged."
        ) from error


def sync_path(path: Path) -> None:
    """Force one file or folder to the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_tree(folder: Path) -> None:
    """Force every folder at and below `folder` to the disk, the deepest first."""
    for parent, _, _ in os.walk(folder, topdown=False):
        sync_path(Path(parent))


def lock_file(handle: int) -> bool:
    """Lock an open file for this process alone; return False when another holds it."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def swap_link(link: Path, target: Path) -> None:
    """Point the symbolic link `link` at `target` (relative) in one step.

    Readers see the old target or the new one and never a missing link, because a rename
    over an existing name is one step on a POSIX file system.
    """
    temporary = link.with_name(temporary_name(link.name))
    temporary.symlink_to(target)
    try:
        temporary.replace(link)
    except OSError:
        temporary.unlink(missing_ok=True)
        raise
    try:
        sync_path(link.parent)
    except OSError as error:
        # The swap is done and readers see it; only a power cut now could take it back.
        _log.warning("could not force %s to the disk: %s", link.parent, error)


def discard_folder(folder: Path) -> None:
    """Remove a folder so that a half-removed one is never taken for a whole one.

    The folder is first renamed to a hidden name. Whatever cannot be removed now is
    removed when the store is next opened for writing.
    """
    trash = folder.with_name(f"{TRASH}{secrets.token_hex(8)}")
    try:
        if not folder.name.startswith(TRASH):
            folder.rename(trash)
            folder = trash
        shutil.rmtree(folder)
    except OSError as error:
        _log.warning("left %s behind, the next run removes it: %s", folder, error)


def check_filesystem(folder: Path) -> None:
    """Try everything the store needs from the file system under `folder`.

    Parameters
    ----------
    folder : Path
        An existing folder on the file system in question.

    Raises
    ------
    StoreError
        Naming the first operation that failed and what to do about it.
    """
    probe = folder / f".probe-{secrets.token_hex(8)}"
    doing = "create a folder"
    try:
        probe.mkdir()
        doing = "write a file and force it to the disk"
        first = probe / "first"
        handle = os.open(first, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
        try:
            os.write(handle, b"probe")
            os.fsync(handle)
        finally:
            os.close(handle)
        doing = "force a folder to the disk"
        sync_path(probe)
        doing = "hard-link a file"
        second = probe / "second"
        second.hardlink_to(first)
        if not first.samefile(second):
            raise OSError(errno.ENOTSUP, "the link is a copy, not a hard link")
        doing = "rename over an existing file"
        first.replace(second)
        doing = "rename a folder"
        (probe / "a").mkdir()
        (probe / "a").rename(probe / "b")
        doing = "swap a symbolic link"
        for target in ("b", "second"):
            swap_link(probe / "link", Path(target))
        if not (probe / "link").readlink() == Path("second"):
            raise OSError(errno.ENOTSUP, "the link still points at the old target")
        doing = "lock a file"
        _try_lock(probe / "second")
    except (OSError, NotImplementedError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise StoreError(
            f"The file system of {folder} cannot hold a data folder: it could not {doing} "
            f"({reason}). Use a local POSIX file system such as ext4 or xfs, or an NFS share "
            "with locking, that this user may write to; FAT, exFAT and object stores do not do."
        ) from error
    finally:
        shutil.rmtree(probe, ignore_errors=True)


def _try_lock(path: Path) -> None:
    holder = os.open(path, os.O_RDWR)
    try:
        other = os.open(path, os.O_RDWR)
        try:
            if not lock_file(holder):
                raise OSError(errno.ENOLCK, "a lock on a new file was refused")
            if lock_file(other):
                raise OSError(errno.ENOLCK, "a second lock on a locked file was granted")
        finally:
            os.close(other)
    finally:
        os.close(holder)
