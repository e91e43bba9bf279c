"""Which files there are, and which of them the tables are made from."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd

from pipeline.exports.ledger import Entry
from pipeline.exports.ledger import entries as entries_of
from pipeline.exports.letter_case import missed_by_case
from pipeline.exports.path_tags import tag_of_path
from pipeline.exports.read import FoundFile, find_exports
from pipeline.months import Month
from pipeline.plant import Plant
from pipeline.plant.wording import shown
from pipeline.tables.store import Generation

LEDGER = "ledger"
EVIDENCE = ("accepted", "vanished")


def ledger_of(generation: Generation) -> list[Entry]:
    """Read the ledger of a generation."""
    if not generation.has(LEDGER):
        return []
    return entries_of(generation.read_arrow(LEDGER))


def find_files(plant: Plant) -> list[FoundFile]:
    """Find the export files of a plant."""
    return find_exports(plant.path.parent, plant.exports, exclude=[plant.data_folder])


def files_left_out(plant: Plant, found: Sequence[FoundFile]) -> dict[str, str]:
    """Say of each path of exports whether it is met by no file, or not by all it may mean."""
    said = missed_by_case(plant.path.parent, plant.exports, found, exclude=[plant.data_folder])
    reader = {file.path: file.export for file in found}
    for export in plant.exports:
        if any(one is export for one in reader.values()):
            continue
        name = f"exports '{export.pattern}'"
        again = find_exports(plant.path.parent, [export], exclude=[plant.data_folder])
        # One that has come this very moment is read the next time.
        met = [file for file in again if file.path in reader]
        if not met:
            said.setdefault(export.pattern, f"{name}: no file there yet.")
            continue
        first = f"{met[0].path} is read by '{reader[met[0].path].pattern}'"
        said.setdefault(
            export.pattern,
            f"{name}: every file it meets is read by an entry before it: {first}. "
            "Put the narrower entry first.",
        )
    return said


def path_tag(file: FoundFile) -> str | None:
    """Give the tag that a file's path names; None for an archive, whose files have their own."""
    is_archive = file.path.lower().endswith(".zip")
    return None if is_archive else tag_of_path(file.export, file.path)


def unknown_tags_of_paths(plant: Plant, files: Iterable[FoundFile]) -> list[str]:
    """Say of how many files the path names a tag that nobody described."""
    strange: dict[str, list[tuple[str, str]]] = {}
    for file in files:
        tag = path_tag(file)
        if tag is not None and tag not in plant.tags:
            strange.setdefault(file.export.pattern, []).append((tag, file.path))
    return [
        f"exports '{pattern}': {len(named)} file(s) are of tags that the plant file does not "
        f"name, such as {shown(named[0][0])} by {named[0][1]}."
        for pattern, named in strange.items()
    ]


def switch_tags(plant: Plant) -> list[str]:
    """Name the tags whose words may be on and off."""
    return [
        name
        for name, versions in plant.tags.items()
        if any(v.quantity in ("running", "valve_open") for v in versions)
    ]


def last_sample(ledger: Iterable[Entry]) -> pd.Timestamp | None:
    """Give the time of the latest sample in evidence."""
    times = [e.last_time for e in ledger if e.status in EVIDENCE and e.last_time is not None]
    return max(times, default=None)


def first_sample(ledger: Iterable[Entry]) -> pd.Timestamp | None:
    """Give the time of the earliest sample in evidence."""
    times = [e.first_time for e in ledger if e.status in EVIDENCE and e.first_time is not None]
    return min(times, default=None)


def sources_by_month(ledger: Iterable[Entry]) -> dict[Month, list[Entry]]:
    """Group the entries in evidence by the months they bear on, in ledger order."""
    found: dict[Month, list[Entry]] = {}
    for entry in sorted(ledger, key=lambda e: e.sequence):
        if entry.status in EVIDENCE:
            for month in entry.months:
                found.setdefault(month, []).append(entry)
    return dict(sorted(found.items()))
