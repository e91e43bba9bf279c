"""Tags of undescribed files that hold one each: guessed from the names of files and folders.

Taken off a name is only what is no part of a tag: a date, and words such as ``export`` before
it. Four or six digits, or two and four, may be the number of an instrument as well as a year
or a month; they count as a date only where the file's own samples are of that time.
"""

from __future__ import annotations

import glob
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import PurePosixPath
from typing import NamedTuple

import numpy as np

from pipeline.plant.path_template import TAG, tag_in_path, template_fault, unescaped

__all__ = ["NamedTag", "Span", "ending_of", "name_tags"]

_PACKED = (".gz", ".zst", ".zip")
_INNER = (".csv", ".txt", ".tsv", ".dat", ".asc", ".prn")
_YEAR = r"(?:19|20)\d\d"
_MONTH, _DAY = r"(?:0[1-9]|1[0-2])", r"(?:0[1-9]|[12]\d|3[01])"
_CLOCK = r"(?:[-_.T ]?[0-2]\d(?:[-_.:h]?[0-5]\d){0,2}Z?)?"
_DATE = (
    rf"(?:{_YEAR}(?:[-_.]?{_MONTH}(?:[-_.]?{_DAY}{_CLOCK})?)?"
    rf"|{_DAY}[-_.]{_MONTH}[-_.]{_YEAR}|{_MONTH}[-_.]{_YEAR})"
)
_MARK = r"[-_. ]+"
_AT_END = re.compile(rf"^(?P<tag>.*?)(?P<mark>{_MARK})?(?P<date>{_DATE})$")
_AT_START = re.compile(rf"^(?P<date>{_DATE})(?P<mark>{_MARK})(?P<tag>.+)$")
_DOUBTFUL = re.compile(
    r"^(?:(?P<year>\d{4})(?P<month>\d\d)?|(?P<early_month>\d\d)[-_.](?P<late_year>\d{4}))$"
)
_BETWEEN = re.compile(
    rf"^(?P<tag>.*?)(?P<mark>{_MARK}(?:(?:to|bis|a|al|au){_MARK})?)$", re.IGNORECASE
)
_FOLDER_OF_DATE = re.compile(rf"^(?:{_DATE}|\d\d?)$")
_WORDS = "exports?|trends?|histor(?:y|ian|ic)|hist|data|reports?|logs?|values?|werte|datos|donnees"
_WORD = re.compile(rf"^(?P<word>{_WORDS})(?P<mark>{_MARK})(?P<tag>.+)$", re.IGNORECASE)
_ONLY_WORD = re.compile(rf"^(?:{_WORDS}|part)?[-_. ]*\d*$", re.IGNORECASE)


class Span(NamedTuple):
    """First and last of the times of a file that were looked at [datetime64[us], UTC]."""

    first: np.datetime64
    last: np.datetime64


@dataclass(frozen=True, slots=True)
class NamedTag:
    """The tag of a file, as its path names it.

    Parameters
    ----------
    tag : str
        Its name.
    template : str or None
        ``tag_in_path`` that gives it; None where only this tag's own path does.
    pattern : str
        Glob of the files the template holds for.
    own : str
        Glob of the files of this tag.
    why : str
        What it was guessed from.
    """

    tag: str
    template: str | None
    pattern: str
    own: str
    why: str


@dataclass(frozen=True, slots=True)
class _Name:
    """A file's name taken apart: ``head``, tag, ``tails``, the more exact the later, ending."""

    path: PurePosixPath
    tag: str
    ending: str
    head: str = ""
    tails: tuple[str, ...] = ("",)
    taken: str = ""
    kept: str = ""

    @property
    def templates(self) -> list[str]:
        end = glob.escape(self.ending)
        return [f"{self.head}{TAG}{tail}{end}" for tail in self.tails]


def ending_of(name: str) -> str:
    """Give the ending of a file's name, that of what is packed in it included.

    Examples
    --------
    >>> ending_of("P1.FLOW_2025-06.csv.gz"), ending_of("P1.FLOW_2025-06.CSV")
    ('.csv.gz', '.CSV')
    """
    place = PurePosixPath(name)
    inner = PurePosixPath(place.stem).suffix
    is_packed = place.suffix.lower() in _PACKED and inner.lower() in _INNER
    return inner + place.suffix if is_packed else place.suffix


def name_tags(files: Mapping[str, Span | None]) -> dict[str, NamedTag]:
    """Guess the tags of files that hold one each.

    Parameters
    ----------
    files : mapping of str to Span or None
        Path of each, relative to the plant folder, and the span of its first samples.

    Returns
    -------
    dict of str to NamedTag
        By path; files whose path names nothing are left out.
    """
    names = [_taken_apart(path, span) for path, span in files.items()]
    names = [name for group in _by_folder(names).values() for name in _without_word(group)]
    folders = _folders_that_name(names)
    found: dict[str, NamedTag] = {}
    for name in names:
        one = _by_folder_name(name) if name.path.parent in folders else _by_file_name(name)
        if one is not None:
            found[str(name.path)] = one
    return _told_apart(found, {str(name.path): name for name in names})


def _by_folder(names: Sequence[_Name]) -> dict[tuple[PurePosixPath, str], list[_Name]]:
    groups: dict[tuple[PurePosixPath, str], list[_Name]] = {}
    for name in names:
        groups.setdefault((name.path.parent, name.ending.lower()), []).append(name)
    return groups


def _taken_apart(path: str, span: Span | None) -> _Name:
    """Take the date off a file's name."""
    place = PurePosixPath(path)
    ending = ending_of(place.name)
    stem = place.name.removesuffix(ending)
    whole = _Name(place, stem, ending)
    last = _AT_END.match(stem)
    if last is not None and (last["mark"] or not last["tag"]):
        if not _is_date(last["date"], span):
            return replace(whole, kept=last["date"])
        parts = [(last["mark"] or "", last["date"])]
        tag = last["tag"]
        # From one day to another, both written alike.
        between = _BETWEEN.match(f"{tag}{last['mark'] or ''}")
        first = _AT_END.match(between["tag"]) if between else None
        if between and first and _form(first["date"]) == _form(last["date"]):
            parts = [(first["mark"] or "", first["date"]), (between["mark"], last["date"])]
            tag = first["tag"]
        return replace(
            whole,
            tag=tag,
            tails=tuple(_date_patterns(parts)),
            taken="".join(mark + date for mark, date in parts),
        )
    first = _AT_START.match(stem)
    if first is not None:
        if not _is_date(first["date"], span):
            return replace(whole, kept=first["date"])
        head = _digits(first["date"]) + glob.escape(first["mark"])
        return replace(whole, tag=first["tag"], head=head, taken=first["date"] + first["mark"])
    return whole


def _date_patterns(parts: Sequence[tuple[str, str]]) -> list[str]:
    marks = [glob.escape(mark) for mark, _ in parts]
    exact = "".join(m + _digits(date) for m, (_, date) in zip(marks, parts, strict=True))
    return list(dict.fromkeys((f"{marks[0]}[0-9]*", "".join(f"{m}[0-9]*" for m in marks), exact)))


def _digits(date: str) -> str:
    return re.sub(r"\d", "[0-9]", glob.escape(date))


def _form(date: str) -> str:
    return re.sub(r"\d", "0", date)


def _is_date(text: str, span: Span | None) -> bool:
    """Tell a date from the number of an instrument."""
    found = _DOUBTFUL.match(text)
    if found is None:
        return True
    if span is None:
        return False
    year, month = (found["year"] or found["late_year"]), (found["month"] or found["early_month"])
    written = np.array(f"{year}-{month}" if month else year, dtype=f"M8[{'M' if month else 'Y'}]")
    slack = np.timedelta64(2, "D")
    start, end = written.astype("M8[us]") - slack, (written + 1).astype("M8[us]") + slack
    return bool(span.last >= start and span.first < end)


def _without_word(group: Sequence[_Name]) -> list[_Name]:
    """Take a word such as ``export`` off, where every name of a folder begins with it."""
    words = [None if name.head else _WORD.match(name.tag) for name in group]
    if len(group) < 2 or not all(words) or len({w["word"] + w["mark"] for w in words if w}) != 1:
        return list(group)
    return [
        replace(name, tag=w["tag"], head=glob.escape(w["word"] + w["mark"]))
        for name, w in zip(group, words, strict=True)
        if w
    ]


def _folders_that_name(names: Sequence[_Name]) -> set[PurePosixPath]:
    """Find folders each of which holds one tag, named by the folder."""
    by_parent: dict[PurePosixPath, dict[PurePosixPath, set[str]]] = {}
    for name in names:
        folder = name.path.parent
        if folder.name:
            by_parent.setdefault(folder.parent, {}).setdefault(folder, set()).add(name.tag)
    found: set[PurePosixPath] = set()
    for folders in by_parent.values():
        only_dates = {f for f, tags in folders.items() if all(_ONLY_WORD.match(t) for t in tags)}
        alike = len(folders) > 1 and len(set().union(*folders.values())) == 1
        found |= set(folders) if alike else only_dates
    return found


def _by_folder_name(name: _Name) -> NamedTag | None:
    end = glob.escape(name.ending)
    above = _glob_of(name.path.parent.parent)
    tag = tag_in_path(f"{TAG}/*{end}", str(name.path))
    if tag is None or _FOLDER_OF_DATE.match(tag):
        return None
    why = f"the folders' names, such as '{tag}' from {name.path}"
    own = f"{above}{glob.escape(name.path.parent.name)}/*{end}"
    return NamedTag(tag, f"{TAG}/*{end}", f"{above}*/*{end}", own, why)


def _by_file_name(name: _Name) -> NamedTag | None:
    if _ONLY_WORD.match(name.tag):
        return None
    tag = unescaped(name.tag).strip()
    why = f"the files' names, such as '{tag}' from {name.path.name}"
    if name.taken:
        why += f", its date '{name.taken}' taken off"
    elif name.kept:
        why += f"; '{name.kept}' in it was kept, since its samples are of another time"
    folder = _glob_of(name.path.parent)
    own = folder + name.templates[-1].replace(TAG, glob.escape(name.tag))
    for template in name.templates:
        if template_fault(template) is None and tag_in_path(template, name.path.name) == tag:
            return NamedTag(tag, template, f"{folder}*{glob.escape(name.ending)}", own, why)
    return None


def _glob_of(folder: PurePosixPath) -> str:
    """Give the glob of a folder's likes: those of a date, and such as ``year=2025``, are any."""
    parts = ["*" if _may_change(part) else glob.escape(part) for part in folder.parts]
    return "".join(f"{part}/" for part in parts)


def _may_change(folder: str) -> bool:
    return "=" in folder or bool(_FOLDER_OF_DATE.match(folder))


def _told_apart(found: dict[str, NamedTag], names: Mapping[str, _Name]) -> dict[str, NamedTag]:
    """Add the folder to tags that files of several folders would share."""
    place = {
        path: names[path].path.parents["/" in str(one.template)] for path, one in found.items()
    }
    folders: dict[str, set[str]] = {}
    for path, one in found.items():
        folders.setdefault(one.tag, set()).add(_glob_of(place[path]))
    told = dict(found)
    for path, one in found.items():
        if len(folders[one.tag]) > 1:
            parts = [part for part in place[path].parts if not _may_change(part)]
            why = (
                f"{one.why}; files of several folders have that name, so the folder goes with it: "
                "if they are of one tag, give them one name"
            )
            told[path] = NamedTag("/".join((*parts, one.tag)), None, one.own, one.own, why)
    return told
