"""The whole job on one plant: what a night does, and what a backfill or a rebuild does too.

There is one code path. A first run over years of exports, a night that brings one file, and a
rebuild differ only in which partitions are found out of date.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from pipeline.errors import GaugelessError
from pipeline.exports.ledger import Entry
from pipeline.jobs.context import EVENTS, Fingerprints, Outcome, Progress, Run, no_progress
from pipeline.jobs.event_effects import build_event_effects
from pipeline.jobs.evidence import first_sample, last_sample
from pipeline.jobs.flagging import find_flags
from pipeline.jobs.ingest import ingest
from pipeline.jobs.logs import log_to_file
from pipeline.jobs.measure import measure
from pipeline.jobs.money import build_money
from pipeline.jobs.outlook import build_outlook
from pipeline.jobs.page import write_page_of
from pipeline.jobs.perform import compare, find_baselines, roll_up
from pipeline.jobs.points import allocate_flows, build_points
from pipeline.jobs.processes import workers as hold_workers
from pipeline.jobs.pump_lines import build_pumps
from pipeline.jobs.settings import (
    digests_of,
    read_settings,
    rebuild_needed,
    stages_changed,
    write_settings,
)
from pipeline.jobs.suction import check_gauges_and_fit
from pipeline.jobs.trends import find_trends
from pipeline.jobs.workers import Workers
from pipeline.months import month_bounds, months_between
from pipeline.plant import Plant, read_plant
from pipeline.plant.side_files import Notes
from pipeline.tables.catalogue import PUBLISHED
from pipeline.tables.contracts import dictionary_rows
from pipeline.tables.store import Stage, Store, inputs_digest

if TYPE_CHECKING:
    from pipeline.tables.publish import Published

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResult:
    """What a run did.

    Parameters
    ----------
    plant : Plant
        As read.
    generation : int
        Generation readers see now; 0 where there is none yet.
    changed : bool
        Whether this run made it.
    as_of : Timestamp or None
        Evidence before this instant counts; None without any sample.
    outcome : Outcome
        New files, failures and notes.
    published : Published or None
        What was sent to the database the plant file names; None without one, or if it failed.
    """

    plant: Plant
    generation: int
    changed: bool
    as_of: pd.Timestamp | None
    outcome: Outcome = field(default_factory=Outcome)
    published: Published | None = None


def run_plant(
    path: str | Path,
    *,
    as_of: pd.Timestamp | None = None,
    rebuild: bool = False,
    verify: bool = False,
    page: bool = False,
    commit_every: int | None = None,
    workers: int | Workers = 1,
    progress: Progress = no_progress,
) -> RunResult:
    """Run the whole job on one plant file.

    Parameters
    ----------
    path : str or Path
        The plant file.
    as_of : Timestamp, optional
        Evidence before this instant counts, UTC. Default: up to the latest sample.
    rebuild : bool
        Agree to rebuild whatever a change of plant file or code makes necessary.
    verify : bool
        Hash every export, even where size and time of change are as known.
    page : bool
        Write the page ``report.html`` beside the tables, where they changed.
    commit_every : int, optional
        Publish what is done each time that many months are, so that years of history can be
        interrupted and taken up again. Default: publish once, at the end.
    workers : int or Workers
        Processes for runs with many months to do, or other places to do them. The tables do
        not depend on it. A script that asks for more than one process needs the usual
        ``if __name__ == "__main__":`` guard.
    progress : callable
        Told about each step.

    Returns
    -------
    RunResult

    Raises
    ------
    PlantFileError
        If the plant file or one it names has faults.
    StoreLockedError
        If another run works on the data folder.
    RebuildNeededError
        If plant file or code changed and ``rebuild`` is False.
    StoreError
        If the data folder cannot be used.
    """
    started = _now()
    plant = read_plant(path)
    notes = Notes.of(plant)
    store = Store.create(plant.data_folder)
    Store.check_filesystem(plant.data_folder)
    with store.writer() as stage, log_to_file(plant.data_folder / "logs", started):
        try:
            with hold_workers(workers) as held:
                asked = _Asked(as_of, rebuild, verify, commit_every, started)
                result = _run(plant, notes, stage, held, asked, progress)
                _log.info("generation %d, changed: %s", result.generation, result.changed)
                if page and result.as_of is not None:
                    write_page_of(result.plant, result.changed, result.outcome, held, progress)
                if plant.publish is not None and result.as_of is not None:
                    result = _publish(result, progress)
            return result
        except Exception:
            # The command line says it in one sentence; the log keeps where it happened.
            _log.exception("the run failed")
            raise


@dataclass(frozen=True, slots=True)
class _Asked:
    """What was asked of a run, and when."""

    as_of: pd.Timestamp | None
    rebuild: bool
    verify: bool
    commit_every: int | None
    started: pd.Timestamp


def _run(
    plant: Plant,
    notes: Notes,
    stage: Stage,
    held: Workers,
    asked: _Asked,
    progress: Progress,
) -> RunResult:
    as_of, started = asked.as_of, asked.started
    fingerprints = Fingerprints.of(plant, notes.survey)
    before = read_settings(stage)
    seen = digests_of(notes)
    changed_stages = stages_changed(before, fingerprints)
    if changed_stages and not asked.rebuild:
        raise rebuild_needed(stage, changed_stages)
    committed = pd.Timestamp(before["as_of"]) if "as_of" in before else None
    run = Run(
        plant=plant,
        stage=stage,
        as_of=pd.Timestamp.max.tz_localize("UTC"),
        fingerprints=fingerprints,
        progress=progress,
    )
    if as_of is not None and committed is not None and as_of < committed:
        run.outcome.note(
            f"as of {as_of.isoformat()} lies before {committed.isoformat()}, which is already "
            "committed: nothing was done."
        )
        return _result(run, stage.generation, False, committed)
    if not before:
        held.warm_up()
    ledger = ingest(
        run,
        asked.verify,
        read_again="read" in changed_stages,
        moment=started if as_of is None else max(started, as_of),
        committed=committed,
    )
    latest = last_sample(ledger)
    if latest is None:
        run.outcome.note("no samples yet: nothing to compute.")
        run.as_of = run.as_of if committed is None else committed
        return _finish(run, stage, started, committed, seen)
    run.as_of = _instant(asked, latest, committed)
    read_before = all(before.get(name) == digest for name, digest in seen.items())
    old = read_before and run.as_of == committed
    if before and not read_before:
        # Kept even where no table depends on what changed: it is told once.
        write_settings(run, stage, seen, run.as_of)
    if before and before.get(EVENTS) != seen[EVENTS]:
        run.outcome.note(
            f"{plant.events or 'Events'}: changed since the last run; what depends on it was made "
            "again."
        )
    if before and not changed_stages and old and not stage.has_changes:
        # No news at all: every table is a function of what has not changed.
        return _result(run, stage.generation, False, committed)
    total = Outcome()
    changed = False
    for stop in _stops(run, asked.commit_every, first_sample(ledger), committed):
        run.as_of = stop
        _build_tables(run, held, notes, ledger)
        result = _finish(run, stage, started, stop, seen)
        changed |= result.changed
        total.add(run.outcome)
        run.outcome = Outcome()
    run.outcome = total
    return _result(run, stage.generation, changed, run.as_of)


def _instant(asked: _Asked, latest: pd.Timestamp, committed: pd.Timestamp | None) -> pd.Timestamp:
    """Instant before which evidence counts; it never goes back.

    A sample from the future is a wrong clock, not evidence, and the ledger's last time does not
    follow it; time that passes without a sample is none either. So a night without news changes
    nothing.
    """
    until = asked.started if asked.as_of is None else asked.as_of
    instant = min(until, latest.ceil("s") + _SECOND)
    return instant if committed is None else max(instant, committed)


def _stops(
    run: Run, every: int | None, first: pd.Timestamp | None, committed: pd.Timestamp | None
) -> list[pd.Timestamp]:
    """Instants to publish at: after every so many months of the station, and at the end."""
    end = run.as_of
    start = first if committed is None else committed
    if not every or start is None:
        return [end]
    ends = [month_bounds(month, run.zone)[1] for month in months_between(start, end, run.zone)]
    stops = [*(e for e in ends[every - 1 :: every] if start < e < end), end]
    # What was read is kept, whatever happens to the first months.
    return [start, *stops] if committed is None else stops


def _publish(result: RunResult, progress: Progress) -> RunResult:
    """Send the tables to the plant's database; they are committed, whatever becomes of it."""
    from pipeline.jobs.publish import publish_plant

    progress("publishing to SQL", 0, 1)
    try:
        published = publish_plant(result.plant)
    except (GaugelessError, OSError) as error:
        result.outcome.fail(str(error))
        return result
    _log.info("published to %s", published)
    return replace(result, published=published)


_SECOND = pd.Timedelta(seconds=1)


def _build_tables(run: Run, held: Workers, notes: Notes, ledger: Sequence[Entry]) -> None:
    """Build every table from the evidence before the run's instant."""
    # What is planned, or was done after the night that is looked at, has not happened yet.
    events = [event for event in notes.events if event.time < run.as_of]
    measure(run, held, ledger)
    check_gauges_and_fit(run, held, events, notes.survey)
    build_points(run, held)
    baselines = find_baselines(run, held, events)
    allocate_flows(run, held, baselines)
    roll_up(run, held)
    compare(run, held, baselines)
    find_trends(run, held, baselines)
    find_flags(run, baselines, events, notes.acknowledgements)
    build_money(run, held, baselines)
    build_event_effects(run, held, baselines, events)
    build_outlook(run, baselines)
    build_pumps(run, baselines)
    contracts = repr(PUBLISHED)
    run.build(
        "dictionary",
        None,
        ["dictionary", inputs_digest(contracts)],
        lambda: dictionary_rows(PUBLISHED, run.plant.station.display, run.currency),
    )


def _finish(
    run: Run,
    stage: Stage,
    started: pd.Timestamp,
    as_of: pd.Timestamp | None,
    seen: Mapping[str, str],
) -> RunResult:
    """Record the run and commit, unless nothing changed at all."""
    if not stage.has_changes:
        return _result(run, stage.generation, False, as_of)
    write_settings(run, stage, seen, as_of)
    row = pd.DataFrame(
        [
            {
                "generation": stage.generation + 1,
                "started": started,
                "finished": _now(),
                "as_of": run.as_of if as_of is not None else started,
                "version": version("gaugeless"),
                "new_files": run.outcome.new_files,
                "failed_files": len(run.outcome.failures),
                "rejected_rows": run.outcome.rejected_rows,
                "late_rows": run.outcome.late_rows,
                "rebuilt": ", ".join(run.outcome.rebuilt),
                "failures": "; ".join(run.outcome.failures),
                "flag_changes": "; ".join(f"{c} {f}" for f, c in run.outcome.flag_changes),
            }
        ]
    )
    earlier = run.read("runs")
    rows = pd.concat([earlier, row], ignore_index=True) if len(earlier) else row
    table = run.contract("runs").publish(rows, run.plant.station.display)
    stage.write("runs", None, table)
    run.progress("publishing", 0, 1)
    generation = stage.commit()
    return _result(run, generation, True, as_of)


def _result(run: Run, generation: int, changed: bool, as_of: pd.Timestamp | None) -> RunResult:
    return RunResult(
        plant=run.plant,
        generation=generation,
        changed=changed,
        as_of=as_of,
        outcome=run.outcome,
    )


def _now() -> pd.Timestamp:
    return pd.Timestamp(dt.datetime.now(dt.UTC)).as_unit("us")
