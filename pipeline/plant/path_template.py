"""Where a path names the tag of its file: a template such as ``{tag}_*.csv``.

A template is held against the end of a path, as many folders deep as it has parts. Matching
takes a time in proportion to the lengths of both, whatever stands in them.
"""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Callable, Iterable
from functools import lru_cache
from urllib.parse import unquote

from pipeline.plant.wording import shown

__all__ = ["TAG", "tag_in_path", "template_fault", "unescaped"]

TAG = "{tag}"
_ANY = "*"
_ELEMENT = re.compile(r"\{tag\}|\*+|\[!?\]?[^\]]*\]|.", re.DOTALL)
_Fits = Callable[[str], object]
Elements = tuple[_Fits | None, ...]
"""One test for each character; None for a text of any length."""


def template_fault(template: str) -> tuple[str, str] | None:
    """Tell what is wrong with a template.

    Parameters
    ----------
    template : str
        As written in the plant file.

    Returns
    -------
    tuple of (str, str) or None
        What was found and what was expected; None where it is in order.

    Examples
    --------
    >>> template_fault("export_{tag}_*.csv")
    >>> template_fault("{tag}*.csv")[0]
    "'{tag}*.csv', where nothing tells where the tag ends"
    """
    found = shown(template)
    example = "'{tag}_*.csv' or '{tag}/*.csv'"
    parts = template.split("/")
    if template.count(TAG) != 1:
        return found, f"'{TAG}' in it once, where the tag's name stands, such as {example}"
    if parts[0] in ("", "~") or any(part in ("", ".", "..", "**") for part in parts):
        return found, f"the end of a path, such as {example}"
    if f"{_ANY}{TAG}" in template or f"{TAG}{_ANY}" in template:
        which = "begins" if f"{_ANY}{TAG}" in template else "ends"
        return (
            f"{found}, where nothing tells where the tag {which}",
            f"a mark between '{TAG}' and '*', such as {example}",
        )
    return None


def tag_in_path(template: str, path: str) -> str | None:
    """Take the tag's name out of a path.

    Parameters
    ----------
    template : str
        ``{tag}`` stands for the name, ``*`` for any text within one name, ``?`` for one
        character, ``[0-9]`` for one of several; capitals and small letters are alike.
    path : str
        With forward slashes.

    Returns
    -------
    str or None
        The longest text that fits, escapes such as ``%2F`` undone; None where none does.

    Examples
    --------
    >>> tag_in_path("{tag}_*.csv", "exports/P1_FLOW_2025-06.csv")
    'P1_FLOW'
    >>> tag_in_path("{tag}/*.csv", "exports/P1%2FFLOW/2025-06.csv")
    'P1/FLOW'
    >>> tag_in_path("{tag}_*.csv", "exports/readme.csv")
    """
    wanted = template.split("/")
    names = path.split("/")[-len(wanted) :]
    if len(names) != len(wanted):
        return None
    tag = None
    for part, name in zip(wanted, names, strict=True):
        before, mark, after = part.partition(TAG)
        head = _lengths(_elements(before), name)
        if not mark:
            if len(name) not in head:
                return None
            continue
        tail = _lengths(reversed(_elements(after)), name[::-1])
        if not head or not tail:
            return None
        # The two ends do not depend on each other: the widest text is that between them.
        tag = name[min(head) : len(name) - min(tail)] if min(head) + min(tail) < len(name) else ""
        if not tag.strip():
            return None
    return None if tag is None else unescaped(tag).strip() or None


def unescaped(name: str) -> str:
    """Undo escapes such as ``%2F``; a name in which they make no text stays as it is."""
    try:
        return unquote(name, errors="strict")
    except UnicodeDecodeError:
        return name


@lru_cache(maxsize=64)
def _elements(pattern: str) -> Elements:
    found: list[_Fits | None] = []
    for piece in _ELEMENT.findall(pattern):
        if piece.startswith(_ANY):
            found.append(None)
        else:
            found.append(re.compile(fnmatch.translate(piece), re.IGNORECASE).match)
    return tuple(found)


def _lengths(elements: Iterable[_Fits | None], text: str) -> set[int]:
    """Give the lengths of the beginnings of a text that fit."""
    ends = {0}
    for fits in elements:
        if fits is None:
            ends = set(range(min(ends), len(text) + 1)) if ends else ends
        else:
            ends = {end + 1 for end in ends if end < len(text) and fits(text[end])}
    return ends
