"""What every stage of a run is given: plant, stage, instant, progress, and what went wrong."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import pandas as pd
import pyarrow as pa

from pipeline.errors import StoreError
from pipeline.months import Month, month_bounds
from pipeline.plant import Plant
from pipeline.plant.side_files import Event, SpotReading
from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.contracts import Contract
from pipeline.tables.store import Generation, Stage, inputs_digest

_log = logging.getLogger(__name__)

# Raise a number whenever a stage would give other results from the same inputs.
STAGE_VERSIONS = {"read": 3, "measure": 3, "suction": 4, "perform": 4, "backtest": 4}

EVENTS = "events"
"""Setting: the digest of the events the tables were made with."""

METERED = "metered_points"
"""Working table: operating points before any flow is allocated, where pumps share a meter.
Baselines learn from it, and flows are allocated by them."""

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many steps are done, and how many there are."""


def no_progress(step: str, done: int, total: int) -> None:
    """Show nothing."""


@dataclass(slots=True)
class Outcome:
    """What happened in a run, for its summary and its row in ``runs``.

    Parameters
    ----------
    new_files : int
        Export files taken in.
    failures : list of str
        Files or pumps that failed while the rest was done, one sentence each.
    notes : list of str
        Things worth knowing that are no failures.
    rejected_rows : int
        Rows rejected in the files taken in.
    late_rows : int
        New rows taken in for local days that an earlier run had published.
    rebuilt : list of str
        Months of measurements rebuilt.
    flag_changes : list of (str, str)
        Flags that opened, grew, closed or were withdrawn since the last run, and which it was.
    """

    new_files: int = 0
    failures: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    rejected_rows: int = 0
    late_rows: int = 0
    rebuilt: list[Month] = field(default_factory=list)
    flag_changes: list[tuple[str, str]] = field(default_factory=list)

    def fail(self, sentence: str) -> None:
        """Note a failure and go on."""
        _log.error(sentence)
        self.failures.append(sentence)

    def note(self, sentence: str) -> None:
        """Note something worth knowing."""
        _log.info(sentence)
        self.notes.append(sentence)

    def add(self, later: Outcome) -> None:
        """Count in what happened after."""
        self.new_files += later.new_files
        self.failures += later.failures
        self.notes += later.notes
        self.rejected_rows += later.rejected_rows
        self.late_rows += later.late_rows
        self.rebuilt += later.rebuilt
        self.flag_changes += later.flag_changes


@dataclass(frozen=True, slots=True)
class Fingerprints:
    """One digest per stage of everything in plant file and code it depends on.

    A stage's fingerprint goes into the inputs of all it builds, so a change rebuilds exactly
    that stage and what follows. Events are not in it: each table names those it depends on among
    its own inputs.
    """

    read: str
    measure: str
    suction: str
    perform: str

    @classmethod
    def of(cls, plant: Plant, survey: Sequence[SpotReading] = ()) -> Fingerprints:
        """Work them out from a plant and its spot readings."""
        # Dataclass reprs are complete and stable: every field, in order, floats exactly.
        # Kept samples are cut by month with a halo, so zone and longest gap count as reading.
        longest = max((v.max_gap for tag in plant.tags.values() for v in tag), default=0.0)
        kept = (plant.exports, sorted(plant.tags), plant.station.time_zone, longest)
        read = _digest("read", repr(kept))
        measure = _digest("measure", repr((plant.station, plant.tags)))
        pumps = {
            name: [_without_performance(repr(v)) for v in versions]
            for name, versions in plant.pumps.items()
        }
        suction = _digest(
            "suction",
            measure,
            repr((plant.sources, plant.lines, plant.flow_meters, plant.liquids)),
            repr(pumps),
            repr(tuple(survey)),
        )
        perform = _digest("perform", suction, repr((plant.pumps, plant.tariffs)))
        return cls(read=read, measure=measure, suction=suction, perform=perform)


def told(events: Iterable[Event], *kinds: str) -> list[tuple[str, str, str]]:
    """Give what tables may depend on of some kinds of events: when, which pump, what.

    What an event cost or who noted what moves no figure but those of its own row.
    """
    return [(e.time.isoformat(), e.pump, e.kind) for e in events if e.kind in kinds]


def events_digest(events: Iterable[Event]) -> str:
    """Give the digest by which a run sees that the events file says something else."""
    return inputs_digest("events", repr(tuple(events)))


def _without_performance(text: str) -> str:
    """Drop driver and baseline from a pump's repr: the suction side does not depend on them."""
    return text.partition(", driver=")[0] + text.rpartition(", valid_from=")[2]


def _digest(stage: str, *parts: object) -> str:
    text = repr((stage, STAGE_VERSIONS[stage], *parts))
    return hashlib.sha256(text.encode()).hexdigest()


@dataclass(slots=True)
class Run:
    """One run over one plant.

    Parameters
    ----------
    plant : Plant
        As read.
    stage : Generation
        The generation in the making: a ``Stage``, or a worker's view of one.
    as_of : Timestamp
        Evidence before this instant counts, UTC.
    fingerprints : Fingerprints
        Of plant and code.
    outcome : Outcome
        What happened.
    progress : callable
        Told about each step.
    """

    plant: Plant
    stage: Generation
    as_of: pd.Timestamp
    fingerprints: Fingerprints
    outcome: Outcome = field(default_factory=Outcome)
    progress: Progress = no_progress

    @property
    def zone(self) -> str:
        """Time zone of the station."""
        return self.plant.station.time_zone

    @property
    def currency(self) -> str:
        """Currency of the latest tariff."""
        return self.plant.tariffs[-1].currency if self.plant.tariffs else "EUR"

    @property
    def writable(self) -> Stage:
        """The stage, to write to; a worker's view has none."""
        if not isinstance(self.stage, Stage):
            raise StoreError("A worker only reads the stage: hand the file in instead.")
        return self.stage

    def inputs(self, table: str, parts: Sequence[object]) -> str:
        """Digest of what a published partition is made from."""
        return inputs_digest(table, self.plant.station.display, self.currency, list(parts))

    def publish(
        self, table: str, frame: pd.DataFrame | Mapping[str, pa.Array] | None
    ) -> pa.Table | None:
        """Turn an inner frame, or its columns, into published rows; None for an empty month."""
        contract = BY_NAME[table]
        if frame is None or (len(frame) == 0 and contract.partition == "month"):
            return None
        return contract.publish(frame, self.plant.station.display, self.currency)

    def bounds(self, month: Month) -> tuple[pd.Timestamp, pd.Timestamp]:
        """Give the part of a month that lies before ``as_of``, UTC."""
        start, end = month_bounds(month, self.zone)
        return start, max(start, min(end, self.as_of))

    @property
    def learning_points(self) -> str:
        """Where the steady operating points stand from which baselines learn."""
        return METERED if self.stage.months(METERED) else "operating_points"

    def read(
        self,
        table: str,
        months: Sequence[Month] | None = None,
        columns: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Read a table, or some of its columns by bare name, as an inner SI frame."""
        contract = BY_NAME["operating_points" if table == METERED else table]
        if not self.stage.digests(table):
            frame = contract.empty()
            return frame if columns is None else frame[list(columns)]
        display = self.plant.station.display
        names = None
        if columns is not None:
            names = [
                c.published_name(display, self.currency)
                for c in contract.columns
                if c.name in columns
            ]
        rows = self.stage.read_arrow(table, months, names)
        return contract.restore(rows, display, self.currency)

    def build(
        self,
        table: str,
        month: Month | None,
        inputs: Sequence[object],
        make: Callable[[], pd.DataFrame | None],
    ) -> str:
        """Make a published partition from an inner frame unless its inputs are unchanged.

        Returns
        -------
        str
            Digest of the content; empty where there are no rows.
        """
        digest = self.inputs(table, inputs)
        return self.writable.build(table, month, digest, lambda: self.publish(table, make()))

    def contract(self, table: str) -> Contract:
        """Give the contract of a table."""
        return BY_NAME[table]
