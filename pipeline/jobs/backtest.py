"""The back-test of gauge assumptions: hide gauges that work and score what would stand in.

Units of work read the published tables of one generation and need nothing of each other; a
scheduler may run them as tasks of its own between `plan_backtest` and `finish_backtest`, which
is what `run_backtest` does in this process or several.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq

from pipeline.backtest.assumptions import BUILT_IN, Assumption
from pipeline.backtest.designs import DESIGNS, Design, Span
from pipeline.backtest.scores import span_scores
from pipeline.jobs.backtest_plan import Plan, Unit, plan_backtest
from pipeline.jobs.backtest_unit import SAMPLE, SUMS, is_done, run_unit, unit_file
from pipeline.jobs.context import STAGE_VERSIONS, Outcome, Progress, Run, no_progress
from pipeline.jobs.gauge_decisions import GaugeTerms, decide_gauges
from pipeline.jobs.page import write_page_of
from pipeline.jobs.processes import workers as hold_workers
from pipeline.jobs.settings import committed_as_of
from pipeline.jobs.workers import Call, Workers
from pipeline.performance.good_period import LEARNING_DAYS
from pipeline.plant import Plant
from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.store import Store

__all__ = ["BacktestResult", "finish_backtest", "plan_backtest", "run_backtest", "run_unit"]

SCORES = "backtest_scores"


@dataclass(frozen=True, slots=True, kw_only=True)
class BacktestResult:
    """What a back-test found and did.

    Parameters
    ----------
    plant : Plant
        As read.
    as_of : Timestamp
        Evidence before this instant counted [UTC].
    generation : int
        Generation readers see now.
    changed : bool
        Whether this back-test made it.
    scores : DataFrame
        Rows of ``backtest_scores``, SI, bare names; empty where no gauge could be trusted.
    spans : tuple of Span
        Spans in which gauges were hidden.
    designs : tuple of Design
        Ways in which they were.
    units, units_done : int
        Units of work, and how many of them this call did; the rest was done before.
    outcome : Outcome
        Failures and notes.
    """

    plant: Plant
    as_of: pd.Timestamp
    generation: int
    changed: bool
    scores: pd.DataFrame
    spans: tuple[Span, ...]
    designs: tuple[Design, ...]
    units: int
    units_done: int
    outcome: Outcome = field(default_factory=Outcome)


def run_backtest(
    plant_path: str | Path,
    *,
    pumps: Sequence[str] | None = None,
    as_of: pd.Timestamp | None = None,
    designs: Sequence[Design] = DESIGNS,
    assumptions: Sequence[Assumption] = BUILT_IN,
    workers: int | Workers = 1,
    progress: Progress = no_progress,
    publish: bool = True,
    page: bool = False,
    terms: GaugeTerms | None = None,
    overhaul_cost: Mapping[str, float] | None = None,
) -> BacktestResult:
    """Back-test gauge assumptions on the tables of a plant.

    Parameters
    ----------
    plant_path : str or Path
        The plant file; ``gaugeless run`` made its tables.
    pumps : sequence of str, optional
        Pumps whose gauges are hidden; default all that have a trustworthy one.
    as_of : Timestamp, optional
        Evidence before this instant counts; default and latest: that of the last run [UTC].
    designs : sequence of Design
        Ways of hiding a gauge.
    assumptions : sequence of Assumption
        What is compared; with more than one worker of classes that a module holds.
    workers : int or Workers
        Processes, or other places to work. Scores do not depend on it. A script that asks for
        more than one process needs the usual ``if __name__ == "__main__":`` guard.
    progress : callable
        Told about each step.
    publish : bool
        Whether the tables are published in the store; those of some pumps only never are.
    page : bool
        Write the page ``report.html`` anew, where the tables changed.
    terms : GaugeTerms, optional
        What a gauge costs and how far ahead to look, for ``gauge_worth``.
    overhaul_cost : mapping of str to float, optional
        Cost of an overhaul by pump, instead of what the plant file says [currency].

    Returns
    -------
    BacktestResult

    Raises
    ------
    PlantFileError
        If the plant file has faults or a pump is not in it.
    StoreLockedError
        If a run works on the data folder when the scores are published.
    RebuildNeededError
        If plant file or code changed since the tables were made.
    StoreError
        If there are no tables yet, or the data folder cannot be used.
    """
    plan = plan_backtest(
        plant_path, pumps=pumps, as_of=as_of, designs=designs, assumptions=assumptions
    )
    with hold_workers(workers) as held:
        due = [unit for unit in plan.units if not is_done(plan, unit)]
        _do_units(plan, due, held, progress)
        result = finish_backtest(
            plan,
            held=held,
            progress=progress,
            publish=publish,
            units_done=len(due),
            terms=terms,
            overhaul_cost=overhaul_cost,
        )
        if page and publish and not plan.is_partial:
            write_page_of(result.plant, result.changed, result.outcome, held, progress)
        return result


def _do_units(plan: Plan, due: Sequence[Unit], held: Workers, progress: Progress) -> None:
    calls = [Call(f"back-test {unit.label}", run_unit, plan, unit) for unit in due]
    do = held.run_all if held.shares(len(calls)) else Workers().run_all
    do(calls, lambda done: progress("back-test", done, len(calls)))


def finish_backtest(
    plan: Plan,
    *,
    held: Workers | None = None,
    progress: Progress = no_progress,
    publish: bool = True,
    units_done: int = 0,
    terms: GaugeTerms | None = None,
    overhaul_cost: Mapping[str, float] | None = None,
) -> BacktestResult:
    """Score the finished units and publish the scores.

    Parameters
    ----------
    plan : Plan
        Of which every unit has been done.
    held : Workers, optional
        Processes to score in.
    progress : callable
        Told about each step.
    publish : bool
        Whether the tables are published in the store; those of some pumps only never are.
    units_done : int
        How many units were done in this call, for the result.
    terms, overhaul_cost
        As for `run_backtest`.

    Returns
    -------
    BacktestResult
        A second back-test of the same evidence publishes nothing new.
    """
    started = pd.Timestamp(dt.datetime.now(dt.UTC)).as_unit("us")
    publish = publish and not plan.is_partial
    scores = _published(plan) if publish else None
    if scores is None:
        calls = [Call(f"scores {span.pump}", score_span, plan, span) for span in plan.spans]
        do = held.run_all if held is not None and held.shares(len(calls)) else Workers().run_all
        pieces = do(calls, lambda done: progress("scores", done, len(calls)))
        pieces = [p for p in pieces if len(p)]
        scores = BY_NAME[SCORES].empty()
        if pieces:
            columns = [c.name for c in BY_NAME[SCORES].columns]
            scores = pd.concat(pieces, ignore_index=True).assign(as_of=plan.as_of)[columns]
        # As a reader of the table gets them, whether they were made now or before.
        run = plan.run()
        rows = run.publish(SCORES, scores)
        if rows is not None:
            scores = BY_NAME[SCORES].restore(rows, plan.plant.station.display, run.currency)
    generation, changed = plan.generation, False
    if publish:
        generation, changed = _publish(plan, scores, started, terms or GaugeTerms(), overhaul_cost)
        _tidy(plan)
    outcome = Outcome()
    if plan.is_partial:
        outcome.note("only some pumps: these scores are shown, not published.")
    if not plan.spans:
        outcome.note("no suction gauge could be trusted for two weeks of running: no scores.")
    return BacktestResult(
        plant=plan.plant, as_of=plan.as_of, generation=generation, changed=changed,
        scores=scores, spans=plan.spans, designs=plan.designs, units=len(plan.units),
        units_done=units_done,
        outcome=outcome,
    )  # fmt: skip


def score_span(plan: Plan, span: Span) -> pd.DataFrame:
    """Score one span from its finished units; columns of ``backtest_scores`` but ``as_of``."""
    units = [u for u in plan.units if span in u.spans]
    sums, sample = (_read(plan, units, kind, span) for kind in (SUMS, SAMPLE))
    if sums.empty or sample.empty:
        return pd.DataFrame()
    return span_scores(
        span,
        sums,
        sample.sort_values("time", kind="stable").reset_index(drop=True),
        designs=plan.designs,
        assumptions=[a.name for a in plan.assumptions],
        windows=span.windows(plan.cuts),
        zone=plan.plant.station.time_zone,
        learning_days=LEARNING_DAYS,
        price=plan.plant.at(span.end).tariff.price,
    )


def _read(plan: Plan, units: Sequence[Unit], kind: str, span: Span) -> pd.DataFrame:
    pieces = []
    for unit in units:
        rows = pq.read_table(unit_file(plan, unit, kind)).to_pandas()
        rows = rows[rows["pump"] == span.pump]
        if len(rows):
            pieces.append(rows[rows["span"] == span.start])
    return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()


def _publish(
    plan: Plan,
    scores: pd.DataFrame,
    started: pd.Timestamp,
    terms: GaugeTerms,
    overhaul_cost: Mapping[str, float] | None,
) -> tuple[int, bool]:
    """Add the tables to the store as a generation of their own; nights carry them along.

    A night may have been published since the plan was made: the scores say as of when they
    are, the tables that rest on the latest days are made from that night's.
    """
    with Store.create(plan.plant.data_folder).writer() as stage:
        run = Run(
            plant=plan.plant,
            stage=stage,
            as_of=max(plan.as_of, committed_as_of(stage)),
            fingerprints=plan.run().fingerprints,
        )
        run.build(SCORES, None, _inputs(plan), lambda: scores)
        decide_gauges(run, terms, {**_declared_costs(run), **(overhaul_cost or {})})
        if not stage.has_changes:
            return stage.generation, False
        row = pd.DataFrame(
            [
                {
                    "generation": stage.generation + 1,
                    "started": started,
                    "finished": pd.Timestamp(dt.datetime.now(dt.UTC)).as_unit("us"),
                    "as_of": run.as_of,
                    "version": version("gaugeless"),
                    "new_files": 0,
                    "failed_files": 0,
                    "rejected_rows": 0,
                    "late_rows": 0,
                    "rebuilt": "",
                    "failures": "",
                }
            ]
        )
        rows = pd.concat([run.read("runs"), row], ignore_index=True)
        stage.write("runs", None, run.contract("runs").publish(rows, plan.plant.station.display))
        return stage.commit(), True


def _inputs(plan: Plan) -> list[object]:
    """Everything the scores depend on."""
    units = [unit.digest for unit in plan.units]
    return [
        SCORES,
        STAGE_VERSIONS["backtest"],
        plan.as_of.isoformat(),
        units,
        [repr(s) for s in plan.spans],
    ]


def _published(plan: Plan) -> pd.DataFrame | None:
    """Give the scores of the store, where they were made from the same inputs."""
    with Store.create(plan.plant.data_folder).writer() as stage:
        run = Run(
            plant=plan.plant, stage=stage, as_of=plan.as_of, fingerprints=plan.run().fingerprints
        )
        if not stage.is_current(SCORES, None, run.inputs(SCORES, _inputs(plan))):
            return None
        return run.read(SCORES)


def _declared_costs(run: Run) -> dict[str, float]:
    """Cost of an overhaul by pump, as the plant file says it now."""
    pumps = run.plant.at(run.as_of).pumps
    costs = {name: pump.maintenance.overhaul_cost for name, pump in pumps.items()}
    return {name: cost for name, cost in costs.items() if cost is not None}


def _tidy(plan: Plan) -> None:
    """Remove files of units that this back-test does not use: their inputs are gone."""
    used = {unit_file(plan, unit, kind) for unit in plan.units for kind in (SUMS, SAMPLE)}
    if not plan.folder.is_dir():
        return
    for path in sorted(plan.folder.glob("*.parquet")):
        if path not in used:
            path.unlink(missing_ok=True)
