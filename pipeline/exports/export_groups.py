"""Undescribed exports that are written alike, and the path that meets each group of them."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath

from pipeline.exports.cell_forms import VALUE_NAMES, named
from pipeline.exports.file_names import ending_of, name_tags
from pipeline.exports.one_tag_files import Member, with_tags_of_paths
from pipeline.plant.types import ExportFormat

__all__ = ["told_apart_by_nothing", "written_alike"]

_NUMBERED = re.compile(r"[\W_]*\d+\W*$")

Group = tuple[str, list[Member]]
"""Path or glob, and the files it meets that no group before it takes."""


def written_alike(found: Sequence[Member]) -> list[Group]:
    """Put files into groups that one description holds for.

    Parameters
    ----------
    found : sequence of Member
        Files.

    Returns
    -------
    list of (str, list of Member)
        In an order in which each file falls to its own group: the first group of a plant file
        that meets a file takes it. Of groups that share a glob, the largest takes it and comes
        last; so does a wide glob that meets files of others. What would take others' files all
        the same is named tag by tag, or file by file.
    """
    own: dict[str, str] = {}
    grouped: dict[tuple[object, ...], list[Member]] = {}
    for tag, member in with_tags_of_paths(found):
        path = member[0]
        own[path] = path if tag is None else tag.own
        pattern = _pattern(path) if tag is None else tag.pattern
        grouped.setdefault((pattern, *_signature(member[2].export)), []).append(member)
    by_glob: dict[str, list[list[Member]]] = {}
    for key, members in grouped.items():
        by_glob.setdefault(str(key[0]), []).append(members)
    narrow: list[Group] = []
    globs: list[Group] = []
    for glob, groups in by_glob.items():
        groups.sort(key=len)
        for members in groups[:-1]:
            narrow += _one_by_one(members, own)
        whole = len(groups) == 1 and len(groups[0]) == 1
        globs.append((groups[-1][0][0] if whole else glob, groups[-1]))
    globs.sort(key=lambda group: len(_others(group, own)))
    ordered = list(narrow)
    claimed = {member[0] for _, members in narrow for member in members}
    for group in globs:
        takes_others = bool(_others(group, own) - claimed)
        ordered += _one_by_one(group[1], own) if takes_others else [group]
        claimed |= {member[0] for member in group[1]}
    return ordered


def _signature(export: ExportFormat) -> tuple[object, ...]:
    return (
        export.layout,
        export.time_column,
        export.tag_column,
        export.value_column,
        export.status_column,
        export.tag,
        export.tag_in_path,
        export.delimiter,
        export.skip_rows,
        export.unit_row,
        export.encoding,
    )


def _pattern(path: str) -> str:
    """Give the glob of a file's likes: its folder and ending."""
    place = PurePosixPath(path)
    parts = [("*" if "=" in part else part) for part in place.parent.parts]
    return PurePosixPath(*parts, "*" + ending_of(place.name)).as_posix()


def _meets(glob: str, path: str) -> bool:
    parts, wanted = path.split("/"), glob.split("/")
    return glob == path or (
        len(parts) == len(wanted) and all(map(fnmatch.fnmatchcase, parts, wanted))
    )


def _others(group: Group, paths: Mapping[str, object]) -> set[str]:
    """List the files a group's glob meets that are not its own."""
    ours = {member[0] for member in group[1]}
    return {path for path in paths if path not in ours and _meets(group[0], path)}


def _one_by_one(members: list[Member], own: dict[str, str]) -> list[Group]:
    parts: dict[str, list[Member]] = {}
    for member in members:
        glob = own[member[0]]
        is_ours = not _others((glob, members), own)
        parts.setdefault(glob if is_ours else member[0], []).append(member)
    return list(parts.items())


def told_apart_by_nothing(members: Sequence[Member]) -> tuple[str, ...]:
    """Point out files of one group whose columns have the same names for different things."""
    tags = {tag for _, _, seen in members for tag in seen.tags}
    if len(members) < 2 or any(set(seen.tags) != tags for _, _, seen in members) or not tags:
        return ()
    if any(seen.export.tag_column or seen.export.layout == "long" for _, _, seen in members):
        return ()
    name = sorted(tags)[0]
    if len(tags) == 1 and named(name, VALUE_NAMES):
        return (
            f"Which tag each file holds: all call their values '{name}', and no name of a file or "
            "folder says. If the files are of different tags, rename them and say tag_in_path, "
            "or give each an [[exports]] with its tag; read as they are, each would replace the "
            "one before.",
        )
    # Names that differ in more than a number at their end, such as those of two stations.
    of_paths = name_tags({path: seen.span for path, _, seen in members})
    words = {_NUMBERED.sub("", one.tag.casefold()): path for path, one in of_paths.items()}
    if len(words) < 2:
        return ()
    one, other = list(words.values())[:2]
    return (
        f"Whether columns of one name are one tag, such as '{name}' in {one} and in {other}. If "
        "not, name the columns apart first; read as they are, each file would replace the one "
        "before.",
    )
