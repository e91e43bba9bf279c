"""What a back-test has to do: pumps, spans, windows, and units of work with their digests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from pipeline.backtest.assumptions import BUILT_IN, Assumption
from pipeline.backtest.designs import DESIGNS, Design, Span, trusted_spans, window_cuts
from pipeline.errors import Fault, PlantFileError, RebuildNeededError, StoreError
from pipeline.jobs.context import EVENTS, STAGE_VERSIONS, Fingerprints, Run, events_digest, told
from pipeline.jobs.hours import HOURS, read_hours
from pipeline.jobs.line_checks import barred
from pipeline.jobs.line_epochs import line_epochs
from pipeline.jobs.settings import committed_as_of, read_settings, stages_changed
from pipeline.months import Month, months_between
from pipeline.plant import Plant, read_plant
from pipeline.plant.side_files import Event, read_events, read_survey
from pipeline.tables.store import inputs_digest, open_tables

WORK_FOLDER = "backtest"
EVIDENCE_MONTHS = 24
"""Months before a window whose hourly rows are read: a fit rests on at most twelve with readings,
and a gauge hidden every other window has them in twice as many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """One suction line in one window: a task of its own.

    Parameters
    ----------
    line : str
        The suction line.
    start, end : Timestamp
        The window; evidence is what was known at its start [UTC].
    spans : tuple of Span
        Spans of the line's pumps that reach into the window.
    digest : str
        Of everything its result depends on; names its files.
    """

    line: str
    start: pd.Timestamp
    end: pd.Timestamp
    spans: tuple[Span, ...]
    digest: str

    @property
    def label(self) -> str:
        """Say which it is, for people."""
        return f"{self.line}, from {self.start:%Y-%m-%d}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """A back-test in units of work that need nothing of each other.

    Parameters
    ----------
    plant : Plant
        As read.
    generation : int
        Generation of the store whose tables are used.
    as_of : Timestamp
        Evidence before this instant counts [UTC].
    events : tuple of Event
        Overhauls, cleanings and changes of gauges.
    designs : tuple of Design
        Ways of hiding a gauge.
    assumptions : tuple of Assumption
        What is compared.
    cuts : tuple of Timestamp
        Edges of the windows [UTC].
    spans : tuple of Span
        Where gauges can be trusted.
    units : tuple of Unit
        The work, in order of line and time.
    is_partial : bool
        Whether only some of the pumps were asked for.
    """

    plant: Plant
    generation: int
    as_of: pd.Timestamp
    events: tuple[Event, ...]
    designs: tuple[Design, ...]
    assumptions: tuple[Assumption, ...]
    cuts: tuple[pd.Timestamp, ...]
    spans: tuple[Span, ...]
    units: tuple[Unit, ...]
    is_partial: bool = False

    @property
    def folder(self) -> Path:
        """Folder of finished units."""
        return self.plant.data_folder / WORK_FOLDER

    def run(self) -> Run:
        """Give the view of the tables that all units share."""
        tables = open_tables(self.plant.data_folder, self.generation)
        fingerprints = Fingerprints.of(self.plant, read_survey(self.plant))
        return Run(plant=self.plant, stage=tables, as_of=self.as_of, fingerprints=fingerprints)


def plan_backtest(
    path: str | Path,
    *,
    pumps: Sequence[str] | None = None,
    as_of: pd.Timestamp | None = None,
    designs: Sequence[Design] = DESIGNS,
    assumptions: Sequence[Assumption] = BUILT_IN,
) -> Plan:
    """Choose pumps and spans and cut the work into units.

    Parameters
    ----------
    path : str or Path
        The plant file.
    pumps : sequence of str, optional
        Pumps whose gauges are hidden; default all that have a trustworthy one.
    as_of : Timestamp, optional
        Evidence before this instant counts; default and latest: that of the last run [UTC].
    designs : sequence of Design
        Ways of hiding a gauge.
    assumptions : sequence of Assumption
        What is compared.

    Returns
    -------
    Plan

    Raises
    ------
    PlantFileError
        If the plant file has faults or a pump is not in it.
    StoreError
        If there are no tables yet, or events changed since they were made.
    RebuildNeededError
        If plant file or code changed since the tables were made.
    """
    plant = read_plant(path)
    events, survey = read_events(plant), read_survey(plant)
    _check_pumps(plant, pumps)
    tables = open_tables(plant.data_folder)
    fingerprints = Fingerprints.of(plant, survey)
    settings = read_settings(tables)
    if "as_of" not in settings:
        raise StoreError(f"{plant.data_folder} holds no samples yet: run `gaugeless run` first.")
    if stages_changed(settings, fingerprints):
        raise RebuildNeededError(
            "Plant file or code changed since the tables were made: back-tests use the tables. "
            "Run `gaugeless run PLANT --rebuild` first."
        )
    if settings.get(EVENTS) != events_digest(events):
        raise StoreError(
            f"{plant.events or 'The events file'} changed since the tables were made: back-tests "
            "use the tables. Run `gaugeless run PLANT` first."
        )
    committed = committed_as_of(tables)
    run = Run(
        plant=plant,
        stage=tables,
        as_of=committed if as_of is None else min(as_of, committed),
        fingerprints=fingerprints,
    )
    months = [m for m in tables.months(HOURS) if run.bounds(m)[0] < run.bounds(m)[1]]
    spans = _spans(run, events, months, pumps)
    cuts: list[pd.Timestamp] = []
    if spans:
        first, last = min(s.start for s in spans), max(s.end for s in spans)
        used = months_between(first, last, run.zone)
        cuts = window_cuts(used, first, last, run.zone)
    plan = Plan(
        plant=plant, generation=tables.generation, as_of=run.as_of, events=tuple(events),
        designs=tuple(designs), assumptions=tuple(assumptions), cuts=tuple(cuts),
        spans=tuple(spans), units=(), is_partial=pumps is not None,
    )  # fmt: skip
    units = tuple(_units(plan, run, months))
    return Plan(**{name: getattr(plan, name) for name in plan.__slots__ if name != "units"},
                units=units)  # fmt: skip


def _check_pumps(plant: Plant, pumps: Sequence[str] | None) -> None:
    unknown = sorted(set(pumps or ()) - set(plant.pumps))
    if unknown:
        faults = [
            Fault(f"pump {name}", "no such pump", f"one of {', '.join(sorted(plant.pumps))}")
            for name in unknown
        ]
        raise PlantFileError("The back-test cannot be done.", faults)


def _spans(
    run: Run, events: Sequence[Event], months: Sequence[Month], pumps: Sequence[str] | None
) -> list[Span]:
    checks = run.read("gauge_checks")
    checks = checks[(checks["gauge"] == "suction") & checks["excludes"]]
    found: list[Span] = []
    for line in sorted(run.plant.lines):
        hours = read_hours(run, line, months)
        if hours.empty:
            continue
        for epoch in line_epochs(run, line, events):
            inside = (hours["time"] >= epoch.start) & (hours["time"] < epoch.end)
            mine = hours[inside]
            if mine.empty:
                continue
            bad = barred(checks, mine)
            found += trusted_spans(mine, bad, line=line, epoch=epoch.start, end=epoch.end)
    return [s for s in found if pumps is None or s.pump in set(pumps)]


def evidence_months(plan: Plan, spans: Sequence[Span], start: pd.Timestamp) -> list[Month]:
    """Name the months whose hourly rows a window may rest on, or that it is scored on."""
    zone = plan.plant.station.time_zone
    wanted: set[Month] = set()
    for span in spans:
        first = max(span.epoch, start - pd.DateOffset(months=EVIDENCE_MONTHS))
        windows = span.windows(plan.cuts)
        wanted |= set(months_between(max(first, _EARLIEST), start, zone))
        wanted |= set(months_between(*windows[0], zone))
        wanted |= {
            m for a, b in windows if a <= max(start, span.start) < b
            for m in months_between(a, b, zone)
        }  # fmt: skip
    return sorted(wanted)


_EARLIEST = pd.Timestamp("1980-01-01", tz="UTC")


def _units(plan: Plan, run: Run, months: Sequence[Month]) -> list[Unit]:
    held = set(months)
    hours, points = run.stage.digests(HOURS), run.stage.digests("operating_points")
    measured = run.stage.digests("measurements")
    who = [_identity(a) for a in plan.assumptions]
    found = []
    for line in sorted({s.line for s in plan.spans}):
        mine = [s for s in plan.spans if s.line == line]
        for start, end in zip(plan.cuts[:-1], plan.cuts[1:], strict=True):
            reaching = [s for s in mine if s.start < end and s.end > start]
            if not reaching:
                continue
            scored = months_between(start, end, run.zone)
            digest = inputs_digest(
                "backtest", STAGE_VERSIONS["backtest"],
                run.fingerprints.suction, run.fingerprints.perform, line,
                [[str(s.pump), str(s.epoch), *_reach(s, plan.cuts, start, end)] for s in reaching],
                [repr(d) for d in plan.designs], who,
                [hours[m] for m in evidence_months(plan, reaching, start) if m in held],
                [[points.get(m, ""), measured.get(m, "")] for m in scored],
                told([e for e in plan.events if e.time < end], "cleaning", "gauge"),
            )  # fmt: skip
            found.append(
                Unit(line=line, start=start, end=end, spans=tuple(reaching), digest=digest)
            )
    return found


def _reach(
    span: Span, cuts: Sequence[pd.Timestamp], start: pd.Timestamp, end: pd.Timestamp
) -> list[str]:
    """Windows of a span up to this one, in words: later ones do not matter to it."""
    windows = [w for w in span.windows(cuts) if w[0] < end]
    return [f"{a} {min(b, end)}" for a, b in windows]


def _identity(assumption: Assumption) -> str:
    kind = type(assumption)
    return f"{kind.__module__}.{kind.__qualname__} {assumption!r}"
