"""Spans in which a suction line, or a pump's pressure rise, stays what it is.

A cleaning starts no new span: it changes the friction of one branch, which is tracked.
"""

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
    """Cut the life of a suction line where pipes, taps or gauges changed."""
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
    cuts |= {e.time for e in events if e.pump in pumps and e.kind == "gauge"}
    ordered = sorted(c for c in cuts if c < run.as_of)
    spans = zip(ordered, [*ordered[1:], run.as_of], strict=True)
    return [
        LineEpoch(line=line, start=a, end=b, snapshot=run.plant.at(a))
        for a, b in spans
        if line in run.plant.at(a).lines
    ]


def cleanings_of(events: Sequence[Event]) -> dict[str, list[pd.Timestamp]]:
    """Give the declared cleanings of each pump's suction side, in order."""
    found: dict[str, list[pd.Timestamp]] = {}
    for event in sorted(events, key=lambda e: e.time):
        if event.kind == "cleaning":
            found.setdefault(event.pump, []).append(event.time)
    return found


def rise_since(run: Run, pump: str, events: Sequence[Event], before: pd.Timestamp) -> pd.Timestamp:
    """Tell since when a pump's pressure rise over flow has been that of one machine.

    Parameters
    ----------
    run : Run
        The run.
    pump : str
        The pump.
    events : sequence of Event
        Of the whole plant.
    before : Timestamp
        Changes from this instant on do not count.
    """
    cuts = {BEGINNING}
    for earlier, later in itertools.pairwise(run.plant.pumps.get(pump, ())):
        if _rise_side(earlier) != _rise_side(later):
            cuts.add(later.valid_from)
    kinds = ("overhaul", "impeller", "gauge", "meter")
    cuts |= {e.time for e in events if e.pump == pump and e.kind in kinds}
    return max(cut for cut in cuts if cut < before)


def _rise_side(pump: Pump) -> tuple[object, ...]:
    return (
        pump.impeller, pump.driver, pump.reference_speed, pump.discharge_tap,
        pump.discharge_pressure_tag, pump.flow_tag,
    )  # fmt: skip


def _suction_side(pump: Pump) -> tuple[object, ...]:
    return (pump.suction_tap, pump.suction_pressure_tag, pump.reference_elevation)
