"""The tag that an export's description or path gives all rows of a file."""

from __future__ import annotations

from pathlib import PurePath, PurePosixPath

import numpy as np
import pyarrow as pa

from pipeline.errors import ExportError, Fault
from pipeline.plant.path_template import tag_in_path, unescaped
from pipeline.plant.types import ExportFormat
from pipeline.plant.wording import shown

__all__ = ["given_tag", "partition_values", "repeated", "tag_of_path"]


def partition_values(path: PurePath) -> dict[str, str]:
    """Read what folders such as ``tag=NAME`` on the way to a file say."""
    pairs = (part.partition("=") for part in path.parts[:-1])
    return {unescaped(key): unescaped(value) for key, mark, value in pairs if mark and key}


def tag_of_path(export: ExportFormat, path: str) -> str | None:
    """Give the tag that is declared for a file, or that its path names.

    Parameters
    ----------
    export : ExportFormat
        How the file is written.
    path : str
        Of the file, relative to the plant folder, with forward slashes.

    Returns
    -------
    str or None
        ``tag`` of the description; else what fits its ``tag_in_path``; else what a folder
        such as ``tag=NAME`` says, named like the tag column. None where there is none.
    """
    if export.tag is not None:
        return export.tag
    if export.tag_in_path is not None:
        return tag_in_path(export.tag_in_path, path)
    if export.layout == "wide" or export.tag_column is None:
        return None
    return partition_values(PurePosixPath(path)).get(export.tag_column) or None


def given_tag(export: ExportFormat, path: str, member: str | None = None) -> str | None:
    """Give the tag of a file that is to be read.

    Parameters
    ----------
    export, path
        As for ``tag_of_path``.
    member : str or None
        Name of a file inside the archive at that path; it goes before the archive's own.

    Returns
    -------
    str or None
        None where the rows must name it.

    Raises
    ------
    ExportError
        If the path should name it and does not.
    """
    tag = None
    if member is not None:
        tag = tag_of_path(export, member.replace("\\", "/"))
    tag = tag or tag_of_path(export, path)
    if tag is None and export.tag_in_path is not None:
        found = PurePosixPath(path if member is None else member)
        parts = found.parts[-1 - export.tag_in_path.count("/") :]
        fault = Fault(
            "tag_in_path",
            shown("/".join(parts)),
            f"a path that ends like {shown(export.tag_in_path)}",
            "Rename the file, keep it elsewhere, or correct tag_in_path.",
        )
        raise ExportError("The path does not name the tag.", [fault])
    return tag


def repeated(tag: str, rows: int) -> pa.DictionaryArray:
    """Give one tag as that of every row."""
    zeros = pa.array(np.zeros(rows, dtype=np.int32))
    return pa.DictionaryArray.from_arrays(zeros, pa.array([tag], pa.string()))
