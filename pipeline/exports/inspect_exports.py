"""Read exports that nobody described yet, and draft the plant file they need."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from pipeline.errors import ExportError
from pipeline.exports.draft import draft_plant_file
from pipeline.exports.export_groups import told_apart_by_nothing, written_alike
from pipeline.exports.findings import Finding, find_contradictions
from pipeline.exports.letter_case import missed_by_case
from pipeline.exports.merge import merge_samples
from pipeline.exports.one_tag_files import Member
from pipeline.exports.path_tags import tag_of_path
from pipeline.exports.read import find_exports, stream_export
from pipeline.exports.reading import FURTHER_TEXTS, Reading
from pipeline.exports.sniff import COMMA_OR_THOUSANDS, DAY_OR_MONTH, Sniffed, sniff
from pipeline.exports.tag_facts import (
    Guess,
    TagFacts,
    arrays_of,
    bracketed_unit,
    facts_of,
    guess_quantity,
    guess_unit,
)
from pipeline.plant.types import ExportFormat

__all__ = ["ExportGroup", "Inspection", "TagGuess", "inspect_exports"]

MOST_SAMPLES = 5_000_000
"""Samples per group that are looked at; figures of longer exports are of their first part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportGroup:
    """Files that are written the same way.

    Parameters
    ----------
    export : ExportFormat
        Draft description.
    files : tuple of str
        Relative to the folder.
    reasons, unknown, notes : tuple of str
        How the description was found, what it cannot know, and what reading showed.
    """

    export: ExportFormat
    files: tuple[str, ...]
    reasons: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class TagGuess:
    """A tag with its figures and what it may be."""

    facts: TagFacts
    quantity: Guess
    unit: Guess


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """What undescribed exports hold.

    Parameters
    ----------
    groups : tuple of ExportGroup
        Groups of files.
    tags : tuple of TagGuess
        Tags by name.
    findings : tuple of Finding
        Names that contradict values.
    refused : tuple of str
        Files that cannot be read or described, with the reason.
    draft : str
        Draft of the plant file, TOML.
    """

    groups: tuple[ExportGroup, ...]
    tags: tuple[TagGuess, ...]
    findings: tuple[Finding, ...]
    refused: tuple[str, ...]
    draft: str


def inspect_exports(
    folder: Path, patterns: Sequence[str] = (".",), most_samples: int = MOST_SAMPLES
) -> Inspection:
    """Read exports that nobody described yet.

    Parameters
    ----------
    folder : Path
        Where the plant file will stand.
    patterns : sequence of str
        Files, folders or globs relative to it.
    most_samples : int
        Samples per group of files that are looked at.

    Returns
    -------
    Inspection

    Raises
    ------
    ExportError
        If there is no file, or none that can be described.
    """
    wanted = [ExportFormat(pattern=p) for p in patterns]
    found = find_exports(folder, wanted)
    # A plant file beside the exports, such as an earlier draft, is none of them.
    found = [file for file in found if file.file.suffix.lower() != ".toml"]
    if not found:
        shown = ", ".join(f"'{p}'" for p in patterns)
        said = missed_by_case(folder, wanted, found).values()
        text = f"There is no export file at {shown} in {folder.name or folder}."
        raise ExportError(" ".join((text, *said)))
    refused: list[str] = []
    described: list[Member] = []
    for file in found:
        try:
            described.append((file.path, file.file, sniff(file.file, file.path)))
        except ExportError as error:
            refused.append(" ".join(str(error).split()))
    if not described:
        raise ExportError("No export file can be described.\n  - " + "\n  - ".join(refused[:10]))
    groups: list[ExportGroup] = []
    tables: list[pa.Table] = []
    units: dict[str, str] = {}
    for pattern, members in written_alike(described):
        group, table, stated = _read_group(pattern, members, most_samples, refused)
        groups.append(group)
        tables.append(table)
        units |= stated
    samples, _ = merge_samples(tables)
    facts = facts_of(samples)
    tags = []
    for name, own in facts.items():
        quantity = guess_quantity(own, units.get(name, "") or bracketed_unit(name))
        tags.append(TagGuess(own, quantity, guess_unit(own, quantity.what, units)))
    findings = find_contradictions(
        facts,
        arrays_of(samples),
        {t.facts.name: t.quantity.what for t in tags},
        {t.facts.name: t.unit.what for t in tags},
    )
    return Inspection(
        groups=tuple(groups),
        tags=tuple(tags),
        findings=tuple(findings),
        refused=tuple(refused),
        draft=draft_plant_file(
            [(g.export, g.files, (*g.reasons, *g.notes), g.unknown) for g in groups],
            [(t.facts, t.quantity, t.unit) for t in tags],
            findings,
            refused,
        ),
    )


def _read_group(
    pattern: str,
    members: list[Member],
    most_samples: int,
    refused: list[str],
) -> tuple[ExportGroup, pa.Table, dict[str, str]]:
    export = replace(_settled([seen for _, _, seen in members]), pattern=pattern)
    tags = sorted({tag for _, _, seen in members for tag in seen.tags})
    switches = sorted({tag for _, _, seen in members for tag in seen.switches})
    # Clock times of an unknown zone are read as if they were UTC: good enough for figures.
    reading_as = replace(export, time_zone=export.time_zone or "UTC")
    notes: list[str] = []
    tables: list[pa.Table] = []
    left = most_samples
    # Files of one tag each share what is looked at, so that every tag is seen.
    share = most_samples // len(members)
    is_by_path = tag_of_path(export, members[0][0]) is not None or export.tag_in_path is not None
    for path, file, _ in members:
        if is_by_path:
            left = max(share, 1)
        elif left <= 0:
            notes.append(f"Only the first {most_samples} samples were looked at.")
            break
        try:
            names = tags or _tags_in(file, reading_as, path)
            for piece in _pieces(file, reading_as, names, path, left, switches):
                if isinstance(piece, Reading):
                    notes += [*piece.notes, *_refusals(piece, path)]
                    if export.time_zone is None:
                        notes += _clocks_put_back(piece, path)
                else:
                    tables.append(piece)
                    left -= piece.num_rows
            if is_by_path and left <= 0:
                notes.append(f"Only some {share} samples of each file were looked at.")
        except ExportError as error:
            refused.append(" ".join(str(error).split()))
    table, _ = merge_samples(tables)
    stated: dict[str, str] = {}
    for _, _, seen in members:
        stated |= {k: v for k, v in (seen.units or {}).items() if v}
    group = ExportGroup(
        export=export,
        files=tuple(path for path, _, _ in members),
        reasons=_reasons([seen for _, _, seen in members]),
        unknown=(
            *_open_questions([seen for _, _, seen in members]),
            *told_apart_by_nothing(members),
        ),
        notes=tuple(dict.fromkeys(notes)),
    )
    return group, table, stated


def _reasons(seen: Sequence[Sniffed]) -> tuple[str, ...]:
    """Give the reasons found in the first file, and what others add on cells and columns."""
    others = [text for file in seen[1:] for text in file.reasons]
    more = [t for t in others if t.endswith("left out.") or "groups thousands" in t]
    return tuple(dict.fromkeys([*seen[0].reasons, *more]))


def _open_questions(seen: Sequence[Sniffed]) -> tuple[str, ...]:
    """Gather what no file of a group shows; one proof of the day's place is enough."""
    questions = dict.fromkeys(question for file in seen for question in file.unknown)
    if any(DAY_OR_MONTH not in file.unknown for file in seen):
        questions.pop(DAY_OR_MONTH, None)
    # One example of a number that may be read in two ways will do.
    commas = [question for question in questions if question.startswith(COMMA_OR_THOUSANDS)]
    return tuple(question for question in questions if question not in commas[1:])


def _settled(seen: Sequence[Sniffed]) -> ExportFormat:
    """Take what most files show of marks that not every file can prove."""
    export = seen[0].export
    proven = [s.export for s in seen if DAY_OR_MONTH not in s.unknown]
    formats = {e.time_format for e in proven}
    return replace(
        export,
        decimal="," if any(s.export.decimal == "," for s in seen) else ".",
        thousands=next((s.export.thousands for s in seen if s.export.thousands), None),
        time_format=next(iter(sorted(formats)), export.time_format),
    )


def _tags_in(file: Path, export: ExportFormat, label: str) -> list[str]:
    """List the tags of a long export by reading it without any known tag."""
    *_, last = stream_export(file, export, (), label)
    return sorted(last.unknown_tags) if isinstance(last, Reading) else []


def _pieces(
    file: Path,
    export: ExportFormat,
    names: Sequence[str],
    label: str,
    left: int,
    switches: Sequence[str],
) -> Iterator[pa.Table | Reading]:
    for piece in stream_export(file, export, names, label, switches):
        if isinstance(piece, pa.Table):
            # Merging takes one row per tag and time.
            order = pc.sort_indices(piece.drop_columns(["tag"]), [("time", "ascending")])
            yield _last_of_each(piece.take(order))
            left -= piece.num_rows
            if left <= 0:
                return
        else:
            yield piece


def _refusals(reading: Reading, path: str) -> list[str]:
    """Say why rows of a file were refused, the three commonest reasons."""
    by_reason: dict[str, tuple[int, str]] = {}
    for row in reading.rejected.to_pylist():
        reason = row["reason"].removesuffix(FURTHER_TEXTS)
        count, text = by_reason.get(reason, (0, ""))
        by_reason[reason] = (count + row["count"], text or row["text"] or "")
    commonest = sorted(by_reason.items(), key=lambda item: -item[1][0])[:3]
    said = []
    for reason, (count, text) in commonest:
        example = f", such as '{text[:40]}'" if text else ""
        said.append(f"{path}: refused {count} time(s): {reason}{example}.")
    return said


def _clocks_put_back(reading: Reading, path: str) -> list[str]:
    """Say on which days clock times run on from an earlier hour, the first three days."""
    steps = reading.disorder.filter(pc.greater(reading.disorder.column("clock_set_back"), 0))
    days = sorted(set(steps.column("day").to_pylist()))
    if not days:
        return []
    shown = ", ".join(day.isoformat() for day in days[:3]) + (", ..." if len(days) > 3 else "")
    return [
        f"{path}: clock times go back and run on from there on {shown}. In a zone whose clocks "
        "were put back that day this is the hour that occurs twice; with time_zone declared "
        "both are kept, else the later one replaces the earlier."
    ]


def _last_of_each(table: pa.Table) -> pa.Table:
    return merge_samples([table])[0]
