"""Undescribed files that hold one tag each and name it in no row and no column."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from pipeline.exports.file_names import NamedTag, name_tags
from pipeline.exports.sniff import Sniffed
from pipeline.exports.streams import members

__all__ = ["Member", "with_tags_of_paths"]

Member = tuple[str, Path, Sniffed]
"""Path relative to the plant folder, where the file is, and how it seems to be written."""


def with_tags_of_paths(found: Sequence[Member]) -> list[tuple[NamedTag | None, Member]]:
    """Describe files that name no tag by the tag in their path, where one can be guessed.

    Parameters
    ----------
    found : sequence of (str, Path, Sniffed)
        Files.

    Returns
    -------
    list of (NamedTag or None, Member)
        In the same order; with what a file's path says of its tag, where it says something.
    """
    nameless = [(path, file, seen) for path, file, seen in found if seen.by_path is not None]
    inside = {path: members(file) for path, file, _ in nameless}
    named = name_tags({p: seen.span for p, _, seen in nameless if len(inside[p]) == 1})
    told: list[tuple[NamedTag | None, Member]] = []
    for path, file, seen in found:
        tags = [named[path]] if path in named else _of_archive(inside.get(path, ()))
        if tags and seen.by_path is not None:
            told.append((named.get(path), (path, file, _described(seen.by_path, tags))))
        else:
            told.append((None, (path, file, seen)))
    return told


def _of_archive(inside: Sequence[str | None]) -> list[NamedTag]:
    """Give the tags that the files of an archive name, if all do in one way."""
    texts = [name for name in inside if name is not None]
    named = list(name_tags(dict.fromkeys(texts)).values())
    is_one_way = len({one.template for one in named}) == 1 and named[0].template is not None
    return named if is_one_way and len(named) == len(texts) else []


def _described(seen: Sniffed, tags: Sequence[NamedTag]) -> Sniffed:
    first = tags[0]
    names = tuple(sorted({one.tag for one in tags}))
    reason = f"No column names a tag; guessed from {first.why}."
    return replace(
        seen,
        export=replace(
            seen.export,
            tag_in_path=first.template,
            tag=first.tag if first.template is None else None,
        ),
        tags=names,
        switches=names if seen.switches else (),
        units=dict.fromkeys(names, seen.units[""]) if seen.units else None,
        reasons=(*seen.reasons, reason),
    )
