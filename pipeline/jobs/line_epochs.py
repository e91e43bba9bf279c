"""Spans in which a suction line stays as it is: pipes, taps, gauges and cleanliness."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from pipeline.jobs.context import Run
from pipeline.plant import Pump, Snapshot
from pipeline.plant.side_files import Event
from pipeline.plant.types import BEGINNING


@dataclass(frozen=True, slots=True, kw_only=True)
class LineEpoch:
    """A span in which one suction line stays as it is.

    Parameters
    ----------
    line : str
        Suction line.
    start, end : Timestamp
        The span, UTC.
    snapshot : Snapshot
        The plant at its start.
    """

    line: str
    start: pd.Timestamp
    end: pd.Timestamp
    snapshot: Snapshot


def line_epochs(run: Run, line: str, events: Sequence[Event]) -> list[LineEpoch]:
    """Cut the life of a suction line where pipes, taps, gauges or cleanliness changed."""
    cuts = {BEGINNING}
    cuts |= {v.valid_from for v in run.plant.lines[line]}
    pumps = {p for v in run.plant.lines[line] for p in v.branches}
    for pump in pumps:
        versions = run.plant.pumps.get(pump, ())
        for before, after in itertools.pairwise(versions):
            if _suction_side(before) != _suction_side(after):
                cuts.add(after.valid_from)
    for source in {v.source for v in run.plant.lines[line]}:
        cuts |= {v.valid_from for v in run.plant.sources.get(source, ())}
    cuts |= {e.time for e in events if e.pump in pumps and e.kind in ("cleaning", "gauge")}
    ordered = sorted(c for c in cuts if c < run.as_of)
    spans = zip(ordered, [*ordered[1:], run.as_of], strict=True)
    return [
        LineEpoch(line=line, start=a, end=b, snapshot=run.plant.at(a))
        for a, b in spans
        if line in run.plant.at(a).lines
    ]


def _suction_side(pump: Pump) -> tuple[object, ...]:
    return (pump.suction_tap, pump.suction_pressure_tag, pump.reference_elevation)
