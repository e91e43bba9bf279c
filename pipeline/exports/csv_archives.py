"""CSV exports as they lie on disk: one file, or an archive of several."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from pathlib import Path

from pipeline.errors import ExportError
from pipeline.exports.collector import Collector
from pipeline.exports.csv_files import CsvFile
from pipeline.exports.path_tags import given_tag
from pipeline.exports.streams import Unfinished, members
from pipeline.plant.types import ExportFormat
from pipeline.plant.wording import shown

__all__ = ["read_csv_into"]


def read_csv_into(
    path: Path, export: ExportFormat, tag_names: Collection[str], collector: Collector, place: str
) -> Iterator[None]:
    """Read a CSV export into a collector, block by block.

    Parameters
    ----------
    path : Path
        The file; plain, gz, zst or a zip archive of any number of text files.
    export : ExportFormat
        How it is written.
    tag_names : collection of str
        Tags of the plant file.
    collector : Collector
        Takes the samples.
    place : str
        Path that may name its tag; a file in an archive may have one of its own.

    Yields
    ------
    None
        After every block, so that a caller may take away what has been gathered.

    Raises
    ------
    ExportError
        If the file as a whole cannot be read.
    Unfinished
        If the file seems to be still in the writing.
    """
    inside = members(path)
    if inside == [None]:
        tag = given_tag(export, place)
        yield from CsvFile(path, None, export, tag_names, collector, tag).read()
    else:
        yield from _read_archive(path, inside, export, tag_names, collector, place)


def _read_archive(
    path: Path,
    inside: Sequence[str | None],
    export: ExportFormat,
    tag_names: Collection[str],
    collector: Collector,
    place: str,
) -> Iterator[None]:
    """Read the files of an archive; one that cannot be read stops no other.

    The archive is whole, so nothing in it is still in the writing.
    """
    failures: list[str] = []
    for member in inside:
        if len(inside) > 1:
            collector.refusals.within = str(member)
        is_begun = False
        try:
            tag = given_tag(export, place, member)
            for _ in CsvFile(path, member, export, tag_names, collector, tag).read():
                is_begun = True
                yield
        except Unfinished as reason:
            if is_begun:
                raise ExportError(f"{member}: {reason}.") from None
            failures.append("")
            collector.refusals.add_one(None, None, None, f"{reason}")
        except ExportError as error:
            if is_begun or len(inside) == 1:
                raise
            failures.append(f"{member}: {error.message}")
            collector.refusals.add_one(None, None, None, " ".join(str(error).split()))
            collector.notes.append(f"{shown(member)} in the archive was not read: {error.message}")
    collector.refusals.within = ""
    if all(failures) and len(failures) == len(inside):
        raise ExportError("No file in the archive can be read: " + " ".join(failures[:3]))
