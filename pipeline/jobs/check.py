"""Check plant file and exports without the full computation, and plan a site survey."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.errors import MOST_FAULTS_SHOWN, ExportError, StoreError
from pipeline.exports.read import FoundFile, stream_export
from pipeline.exports.reading import Reading
from pipeline.jobs.evidence import (
    files_left_out,
    find_files,
    path_tag,
    switch_tags,
    unknown_tags_of_paths,
)
from pipeline.jobs.summary import read_inner
from pipeline.performance.site_survey import (
    Fact,
    TypicalPoint,
    facts_frame,
    survey_facts,
    survey_sheet,
)
from pipeline.plant import Plant, read_plant
from pipeline.plant.side_files import Notes
from pipeline.tables.store import Store, open_tables


@dataclass(slots=True)
class CheckResult:
    """What a check found.

    Parameters
    ----------
    plant : Plant
        The plant file, which is in order.
    files : int
        Export files found.
    failures : list of str
        Files that cannot be read, one sentence each.
    notes : list of str
        Refused rows, tags without data, unknown tags.
    facts : tuple of Fact
        Facts that are missing, those that cost most certainty first.
    points : mapping of str to TypicalPoint
        Typical operating points from earlier runs; empty before the first.
    """

    plant: Plant
    files: int = 0
    failures: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    facts: tuple[Fact, ...] = ()
    points: Mapping[str, TypicalPoint] = field(default_factory=dict)

    def text(self) -> str:
        """Print for people: faults, then the survey sheet."""
        now = self.plant.at(pd.Timestamp.now(tz="UTC"))
        lines = [
            f"Plant file {self.plant.path.name}: in order; {len(self.plant.pumps)} pump(s), "
            f"{len(self.plant.tags)} tag(s), {self.files} export file(s).",
        ]
        for title, texts in (("Cannot be read", self.failures), ("Worth knowing", self.notes)):
            if texts:
                lines += ["", f"{title}:"]
                lines += [f"  - {text}" for text in texts[:MOST_FAULTS_SHOWN]]
                if len(texts) > MOST_FAULTS_SHOWN:
                    lines.append(f"  +{len(texts) - MOST_FAULTS_SHOWN} more")
        lines += ["", survey_sheet(now, self.facts, self.points)]
        return "\n".join(lines)

    def as_dict(self) -> dict[str, object]:
        """Give the same for machines."""
        frame = facts_frame(self.facts)
        records = frame.astype(object).where(frame.notna(), None).to_dict("records")
        return {
            "plant": str(self.plant.path),
            "files": self.files,
            "failures": self.failures,
            "notes": self.notes,
            "facts": records,
        }


def check_plant(path: str | Path) -> CheckResult:
    """Check a plant file, the files it names, its exports and its data folder.

    Parameters
    ----------
    path : str or Path
        The plant file.

    Returns
    -------
    CheckResult

    Raises
    ------
    PlantFileError
        With every fault of the plant file.
    StoreError
        If the data folder is on a file system that cannot hold the store.
    """
    plant = read_plant(path)
    survey = Notes.of(plant).survey
    place = plant.data_folder
    while not place.exists():
        place = place.parent
    Store.check_filesystem(place)
    result = CheckResult(plant=plant)
    seen: dict[str, int] = {}
    files = find_files(plant)
    result.files = len(files)
    met = {file.export.pattern for file in files}
    for pattern, sentence in files_left_out(plant, files).items():
        (result.notes if pattern in met else result.failures).append(sentence)
    for file in files:
        _check_file(plant, file, seen, result)
    result.notes += unknown_tags_of_paths(plant, files)
    silent = [tag for tag in plant.tags if not seen.get(tag)]
    if silent:
        result.notes.append("tags without any sample: " + ", ".join(silent) + ".")
    result.points = typical_points(plant)
    now = plant.at(pd.Timestamp.now(tz="UTC"))
    result.facts = survey_facts(now, result.points, {s.pump for s in survey})
    return result


def _check_file(plant: Plant, file: FoundFile, seen: dict[str, int], result: CheckResult) -> None:
    own: dict[str, int] = {}
    reading = Reading.waiting(file.path, "")
    switches = switch_tags(plant)
    try:
        # In pieces, so that an export of any size can be checked.
        for piece in stream_export(file.file, file.export, list(plant.tags), file.path, switches):
            if isinstance(piece, Reading):
                reading = piece
            elif piece.num_rows:
                labels = piece.column("tag").combine_chunks()
                counts = np.bincount(labels.indices.to_numpy(), minlength=len(labels.dictionary))
                for name, count in zip(labels.dictionary.to_pylist(), counts, strict=True):
                    own[name] = own.get(name, 0) + int(count)
    except ExportError as error:
        result.failures.append(" ".join(str(error).split()))
        return
    for note in reading.notes:
        result.notes.append(f"{file.path}: {note}")
    if reading.status != "accepted":
        return
    for name, count in own.items():
        seen[name] = seen.get(name, 0) + count
    if reading.rejected.num_rows:
        first = reading.rejected.slice(0, 1).to_pylist()[0]
        total = int(sum(reading.rejected.column("count").to_pylist()))
        place = f"line {first['line']}" if first["line"] else "somewhere"
        result.notes.append(
            f"{file.path}: {total} value(s) refused; the first at {place}: {first['reason']}"
        )
    # Tags that paths name are told of all files together.
    if reading.unknown_tags and path_tag(file) is None:
        names = sorted(reading.unknown_tags)
        more = f" and {len(names) - 5} more" if len(names) > 5 else ""
        result.notes.append(
            f"{file.path}: tags not in the plant file: {', '.join(names[:5])}{more}."
        )


def typical_points(plant: Plant) -> dict[str, TypicalPoint]:
    """Give each pump's typical operating point from the tables of earlier runs."""
    try:
        tables = open_tables(plant.data_folder)
        pumps = read_inner(tables, plant, "pumps")
    except StoreError:
        return {}
    points = {}
    for row in pumps.to_dict("records"):
        flow, energy = float(row["flow"]), float(row["specific_energy"])
        points[str(row["pump"])] = TypicalPoint(
            flow=flow, total_head=float(row["total_head"]), electrical_power=flow * energy
        )
    return points
