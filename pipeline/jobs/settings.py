"""What a run leaves for the next one: what its tables were made with, and up to when."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd
import pyarrow as pa

from pipeline.errors import Fault, RebuildNeededError
from pipeline.jobs.context import EVENTS, Fingerprints, Run, events_digest
from pipeline.plant.side_files import Notes
from pipeline.tables.store import Generation, Stage, inputs_digest

SETTINGS = "settings"
ACKNOWLEDGED = "acknowledgements"
_STAGE_WORDS = {
    "read": "how exports are read",
    "measure": "tags, grid or site",
    "suction": "suction side, pumps or liquid",
    "perform": "drivers, baselines or tariff",
}


def read_settings(tables: Generation) -> dict[str, str]:
    """Read the working table; empty before the first run."""
    if not tables.has(SETTINGS):
        return {}
    table = tables.read_arrow(SETTINGS)
    names, values = table.column("name").to_pylist(), table.column("value").to_pylist()
    return dict(zip(names, values, strict=True))


def write_settings(
    run: Run, stage: Stage, seen: Mapping[str, str], as_of: pd.Timestamp | None
) -> None:
    """Keep the fingerprints of a run, what it has seen of notes, and its instant."""
    values = {name: getattr(run.fingerprints, name) for name in _STAGE_WORDS}
    values |= seen
    if as_of is not None:  # before the first sample there is no such instant
        values["as_of"] = as_of.isoformat()
    names = sorted(values)
    stage.write(SETTINGS, None, pa.table({"name": names, "value": [values[n] for n in names]}))


def committed_as_of(tables: Generation) -> pd.Timestamp:
    """Give the instant before which evidence counted in the last run [UTC]."""
    return pd.Timestamp(read_settings(tables)["as_of"])


def digests_of(notes: Notes) -> dict[str, str]:
    """Give the digests by which a run sees that people have written something else."""
    return {
        ACKNOWLEDGED: inputs_digest(repr(notes.acknowledgements)),
        EVENTS: events_digest(notes.events),
    }


def stages_changed(settings: Mapping[str, str], fingerprints: Fingerprints) -> list[str]:
    """Name the stages whose part of plant file or code is another; none before the first run."""
    return [
        name
        for name in _STAGE_WORDS
        if settings and settings.get(name) != getattr(fingerprints, name)
    ]


def rebuild_needed(stage: Stage, changed: Sequence[str]) -> RebuildNeededError:
    """Say which months a rebuild would make again, and why."""
    months = stage.months("measurements")
    span = f"{months[0]} to {months[-1]}" if months else "none yet"
    faults = [
        Fault(
            _STAGE_WORDS[name],
            "a change since the tables were made",
            "tables made from what the plant file says now",
            f"Months {span} would be made again.",
        )
        for name in changed
    ]
    return RebuildNeededError(
        "Plant file or code changed: run again with --rebuild to agree to a rebuild.", faults
    )
