"""Spans in which a pump stays the same machine, so that one baseline holds."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from pipeline.plant import Pump
from pipeline.plant.side_files import Event


@dataclass(frozen=True, slots=True, kw_only=True)
class Epoch:
    """A span in which one baseline holds.

    Parameters
    ----------
    pump : Pump
        The pump as it was.
    start, end : Timestamp
        The span, UTC.
    """

    pump: Pump
    start: pd.Timestamp
    end: pd.Timestamp


def epochs_of(versions: Sequence[Pump], events: Iterable[Event], end: pd.Timestamp) -> list[Epoch]:
    """Cut a pump's life where a new baseline must start.

    Parameters
    ----------
    versions : sequence of Pump
        Its versions in the plant file, oldest first.
    events : iterable of Event
        Of the whole plant.
    end : Timestamp
        End of the last epoch, UTC.

    Returns
    -------
    list of Epoch
        In order. A version cuts only if impeller side or driver changed, an event only if it
        is an overhaul or an impeller.
    """
    starts = {versions[0].valid_from}
    for before, after in itertools.pairwise(versions):
        if _machine(before) != _machine(after):
            starts.add(after.valid_from)
    starts |= {
        event.time
        for event in events
        if event.pump == versions[0].id and event.kind in ("overhaul", "impeller")
    }
    ordered = sorted(start for start in starts if start < end)
    spans = zip(ordered, [*ordered[1:], end], strict=True)
    return [Epoch(pump=_at(versions, start), start=start, end=stop) for start, stop in spans]


def _machine(pump: Pump) -> tuple[object, ...]:
    return (pump.reference_speed, pump.driver, pump.baseline_curve, pump.baseline_from)


def _at(versions: Sequence[Pump], time: pd.Timestamp) -> Pump:
    return [v for v in versions if v.valid_from <= time or v is versions[0]][-1]
