"""Files that a path would meet but for capital and small letters.

Paths mean what they say: on one file system ``X.CSV`` and ``x.csv`` are two files, and two
groups of exports may differ in that alone. What is not met for such a reason is told.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.exports.read import FoundFile, find_exports, hits
from pipeline.plant.types import ExportFormat

__all__ = ["any_case", "missed_by_case"]

_PIECE = re.compile(r"\[!?\]?[^\]]*\]|.", re.DOTALL)


def missed_by_case(
    folder: Path,
    exports: Sequence[ExportFormat],
    found: Sequence[FoundFile],
    exclude: Collection[Path] = (),
) -> dict[str, str]:
    """Tell which paths leave files out for their capital or small letters only.

    Parameters
    ----------
    folder, exports, exclude
        As for ``find_exports``.
    found : sequence of FoundFile
        What it found.

    Returns
    -------
    dict of str to str
        A sentence for each path that does.
    """
    taken = {file.path for file in found}
    said = {}
    for export in exports:
        ways = _wider(export.pattern)
        # Mostly there is nothing more, as looking at the names alone shows.
        if not ways or not set(hits(folder, ways[-1])) - set(hits(folder, export.pattern)):
            continue
        for wider in ways:
            met = [f.path for f in find_exports(folder, [replace(export, pattern=wider)], exclude)]
            missed = [path for path in met if path not in taken]
            if missed:
                said[export.pattern] = (
                    f"exports '{export.pattern}': {len(missed)} file(s) are left out, since they "
                    f"differ from it in capital and small letters, such as {missed[0]}. Rename "
                    f"them, or write the path as '{wider}'."
                )
                taken.update(missed)
                break
    return said


def any_case(pattern: str) -> str:
    """Write a glob so that capital and small letters are alike.

    Examples
    --------
    >>> any_case("a1*.csv")
    '[aA]1*.[cC][sS][vV]'
    """
    pieces = _PIECE.findall(pattern)
    return "".join(f"[{p.lower()}{p.upper()}]" if _has_case(p) else p for p in pieces)


def _has_case(piece: str) -> bool:
    # Letters such as "ß" become two.
    return len(piece.lower()) == len(piece.upper()) == 1 and piece.lower() != piece.upper()


def _wider(pattern: str) -> list[str]:
    """Give paths that meet more: by the ending, by the file's name, by folders of the plant's."""
    head, slash, name = pattern.rpartition("/")
    stem, dot, ending = name.rpartition(".")
    ways = [f"{head}{slash}{stem}{dot}{any_case(ending)}", f"{head}{slash}{any_case(name)}"]
    if not Path(pattern).is_absolute():
        ways.append(any_case(pattern))
    return [way for way in dict.fromkeys(ways) if way != pattern]
