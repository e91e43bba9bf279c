"""Find export files and read them, whatever their form."""

from __future__ import annotations

import logging
import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from pipeline.errors import ExportError, Fault
from pipeline.exports.collector import Collector
from pipeline.exports.csv_archives import read_csv_into
from pipeline.exports.parquet_files import read_parquet_into
from pipeline.exports.reading import Reading
from pipeline.exports.streams import Unfinished
from pipeline.plant.types import ExportFormat

__all__ = ["FoundFile", "find_exports", "read_export", "stream_export"]

_log = logging.getLogger(__name__)

UNFINISHED_SUFFIXES = (".tmp", ".temp", ".part", ".partial", ".crdownload", ".filepart", "~")
"""Names that programs give to files still in the writing."""

_OFFICE_LOCKS = ("~$", ".~")
_PARQUET_SUFFIXES = (".parquet", ".pq", ".parq")


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundFile:
    """An export file on disk.

    Parameters
    ----------
    path : str
        Relative to the plant folder, with forward slashes; the identity in the ledger.
    file : Path
        Where it is.
    export : ExportFormat
        The group it belongs to.
    size : int
        Bytes.
    mtime_ns : int
        Time of last change [ns since 1970].
    """

    path: str
    file: Path
    export: ExportFormat
    size: int
    mtime_ns: int


def _walk(folder: Path, seen: set[tuple[int, int]]) -> Iterator[Path]:
    """List the files below a folder; a linked folder is entered once, hidden ones never."""
    try:
        info = folder.stat()
    except OSError:
        return
    if (info.st_dev, info.st_ino) in seen:
        return
    seen.add((info.st_dev, info.st_ino))
    try:
        entries = sorted(folder.iterdir())
    except OSError:
        return
    for entry in entries:
        if entry.is_dir():
            if not entry.name.startswith((".", "_")):
                yield from _walk(entry, seen)
        else:
            yield entry


def _is_wanted(file: Path) -> bool:
    name = file.name
    hidden = name.startswith((".", "_", *_OFFICE_LOCKS))
    return file.is_file() and not hidden and not name.lower().endswith(UNFINISHED_SUFFIXES)


def _is_hidden(path: str, pattern: str) -> bool:
    """Tell whether a folder on the way is hidden and the pattern does not name it."""
    named = set(Path(pattern).parts)
    return any(
        part.startswith((".", "_")) and part != ".." and part not in named
        for part in path.split("/")[:-1]
    )


def find_exports(
    folder: Path, exports: Collection[ExportFormat], exclude: Collection[Path] = ()
) -> list[FoundFile]:
    """Find the export files a plant file names.

    Parameters
    ----------
    folder : Path
        Folder of the plant file; patterns are relative to it.
    exports : collection of ExportFormat
        Groups of exports. A pattern may be a file, a folder (everything below it), or a glob
        (``**`` for any depth); a folder that a glob meets stands for everything below it.
    exclude : collection of Path
        Folders to keep out of, such as the data folder.

    Returns
    -------
    list of FoundFile
        In the order of the groups, then by path; a file met by two groups belongs to the
        first. Hidden files, files and folders whose name starts with ``_``, office lock files
        and files named as unfinished (``.tmp``, ``.part``, ...) are passed over.
    """
    kept_out = [path.resolve() for path in exclude]
    found: list[FoundFile] = []
    taken: set[str] = set()
    for export in exports:
        files: set[Path] = set()
        for hit in hits(folder, export.pattern):
            files.update(_walk(hit, set()) if hit.is_dir() else [hit])
        for file in sorted(files, key=lambda f: _relative(f, folder)):
            path = _relative(file, folder)
            if path in taken or not _is_wanted(file) or _is_hidden(path, export.pattern):
                continue
            real = file.resolve()
            if any(real.is_relative_to(place) for place in kept_out):
                continue
            try:
                info = file.stat()
            except OSError:
                continue
            taken.add(path)
            found.append(
                FoundFile(
                    path=path,
                    file=file,
                    export=export,
                    size=info.st_size,
                    mtime_ns=info.st_mtime_ns,
                )
            )
    return found


def hits(folder: Path, pattern: str) -> list[Path]:
    """List what a path or glob meets by its name alone, folders included."""
    plain = folder / pattern
    if not any(mark in pattern for mark in "*?["):
        return [plain] if plain.exists() else []
    # A name may hold brackets; what exists as it is written goes before the glob.
    if plain.exists():
        return [plain]
    if Path(pattern).is_absolute():
        root = Path(Path(pattern).anchor)
        return sorted(root.glob(str(Path(pattern).relative_to(root))))
    return sorted(folder.glob(pattern))


def _relative(file: Path, folder: Path) -> str:
    path = Path(os.path.relpath(file, folder)).as_posix()
    # Bytes of a name that are no UTF-8 would stop the ledger.
    return path.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def is_parquet(file: Path) -> bool:
    """Tell a Parquet file by its first bytes, or by its name while it is empty or broken."""
    with file.open("rb") as stream:
        head = stream.read(4)
    return head in (b"PAR1", b"PARE") or file.suffix.lower() in _PARQUET_SUFFIXES


def pieces(
    path: Path,
    export: ExportFormat,
    tag_names: Collection[str],
    collector: Collector,
    label: str | None = None,
) -> Iterator[None]:
    """Read a file of any form into a collector, stopping after every block."""
    place = path.as_posix() if label is None else label
    if is_parquet(path):
        return read_parquet_into(path, export, tag_names, collector, place)
    return read_csv_into(path, export, tag_names, collector, place)


def placed(error: Exception, label: str) -> ExportError:
    """Give an error the name of its file."""
    if isinstance(error, ExportError):
        return ExportError(f"{label}: {error.message}", error.faults)
    if isinstance(error, PermissionError):
        fault = Fault(label, "no permission to read it", "a readable file")
        return ExportError(f"{label}: the file may not be read.", [fault])
    reason = str(error).splitlines()[0] if str(error) else type(error).__name__
    return ExportError(f"{label}: the file cannot be read: {reason}")


def unforeseen(error: Exception, label: str) -> ExportError:
    """Make a fault of ours that a file brings to light one of this file: others must go on."""
    _log.exception("%s: not foreseen", label)
    text = (str(error) or "no text").splitlines()[0]
    fault = Fault(
        label,
        f"something that reading it did not foresee ({type(error).__name__}: {text})",
        "a form of export that is known",
        "Nothing of the file counts. The log says where it happened; please report it.",
    )
    return ExportError(f"{label}: the file cannot be read.", [fault])


def read_export(
    path: Path,
    export: ExportFormat,
    tag_names: Collection[str],
    label: str | None = None,
    switch_tags: Collection[str] = (),
    day_zone: str = "UTC",
) -> Reading:
    """Read one export file.

    Parameters
    ----------
    path : Path
        The file.
    export : ExportFormat
        How it is written.
    tag_names : collection of str
        Tags of the plant file; values of others are counted, not read.
    label : str, optional
        Name of the file in messages and tables, its path from the plant folder: it may name
        the tag. By default messages show the file's name, and the whole path may name the tag.
    switch_tags : collection of str
        Tags of two states: words such as ``On`` or ``Stopped`` are read as 1 and 0 there.
    day_zone : str
        Zone of the days by which disorder is counted.

    Returns
    -------
    Reading
        Samples in the raw units of the export, sorted by tag and time. Of identical
        duplicates one stays; of conflicting ones the last row of the file. A file that breaks
        off gives ``status='waiting'`` and no samples.

    Raises
    ------
    ExportError
        If the whole file cannot be read.
    """
    name = path.name if label is None else label
    collector = Collector(name, export, tag_names, switch_tags, day_zone)
    try:
        for _ in pieces(path, export, tag_names, collector, label):
            pass
        return collector.finish()
    except Unfinished as reason:
        return Reading.waiting(name, waiting_note(reason))
    except (ExportError, OSError, pa.ArrowException) as error:
        raise placed(error, name) from None
    except Exception as error:
        raise unforeseen(error, name) from error


def waiting_note(reason: Unfinished) -> str:
    """Say why a file is left."""
    return f"The file seems unfinished: {reason}. It is left for the next run."


def stream_export(
    path: Path,
    export: ExportFormat,
    tag_names: Collection[str],
    label: str | None = None,
    switch_tags: Collection[str] = (),
) -> Iterator[pa.Table | Reading]:
    """Read one export file in pieces of bounded memory.

    Parameters
    ----------
    path, export, tag_names, label, switch_tags
        As for ``read_export``.

    Yields
    ------
    Table or Reading
        Tables of ``SAMPLES_SCHEMA`` in file order, neither sorted nor free of duplicates (the
        later row wins); last, one ``Reading`` without samples that holds the counts and
        refusals, but counts no duplicates, which only sorting shows. If its status is
        ``waiting``, what was handed over must be dropped.

    Raises
    ------
    ExportError
        If the whole file cannot be read; what was handed over must be dropped.
    """
    name = path.name if label is None else label
    collector = Collector(name, export, tag_names, switch_tags)
    try:
        for _ in pieces(path, export, tag_names, collector, label):
            yield from collector.drain()
        yield from collector.settle_and_drain()
        yield collector.finish()
    except Unfinished as reason:
        yield Reading.waiting(name, waiting_note(reason))
    except (ExportError, OSError, pa.ArrowException) as error:
        raise placed(error, name) from None
    except Exception as error:
        raise unforeseen(error, name) from error
