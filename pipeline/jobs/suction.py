"""Gauge checks and suction fits of a run, replayed from the hourly rows.

Per suction line: what drawings say gives a first expectation; against it the gauges are
checked; rows of trusted gauges teach the fits; against the fits the gauges are checked again,
and the fits in force follow from what then still counts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.jobs.context import Run, told
from pipeline.jobs.hours import HOURS, SEGMENT_PREFIX, build_hours, read_hours
from pipeline.jobs.level_checks import rows_of_level, stuck_levels
from pipeline.jobs.line_checks import (
    as_rows,
    barred,
    check_discharge,
    check_suction,
    check_swapped_tags,
    expected_by_fits,
)
from pipeline.jobs.line_epochs import LineEpoch, cleanings_of, line_epochs
from pipeline.jobs.line_friction import FRICTION, line_friction
from pipeline.jobs.line_priors import early_rows, model_parameters
from pipeline.jobs.workers import Call, Site, Workers
from pipeline.months import Month
from pipeline.plant.side_files import Event, SpotReading
from pipeline.suction import SuctionLineModel
from pipeline.suction.losses import daily_losses
from pipeline.suction.replay import OWN_FLOW, FitInForce, replay_month, usable_rows
from pipeline.tables.store import inputs_digest

MODELS = "suction_models"
IN_FORCE = "suction_in_force"
DRAWING = "drawing"
_MOST_JUDGED = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class EpochFits:
    """The fits of one epoch by month, and what drawings alone say."""

    epoch: LineEpoch
    drawing: SuctionLineModel
    by_month: Mapping[Month, FitInForce]
    losses: pd.DataFrame
    friction: pd.DataFrame


def check_gauges_and_fit(
    run: Run, held: Workers, events: Sequence[Event], survey: Sequence[SpotReading]
) -> None:
    """Build ``gauge_checks``, ``suction_fits`` and the working table of fitted models."""
    build_hours(run, held, survey)
    inputs = [
        "suction", 1, run.fingerprints.suction, _digests(run, HOURS), run.as_of.isoformat(),
        told(events, "overhaul", "impeller", "cleaning", "gauge", "meter"),
    ]  # fmt: skip
    digest = inputs_digest("suction replay", inputs)
    if run.writable.is_current(MODELS, None, digest):
        return
    findings: list[pd.DataFrame] = []
    fits: list[EpochFits] = []
    for checked, fitted in _all_lines(run, held, events):
        findings += checked
        fits += fitted
    found = [f for f in findings if len(f)]
    checks = pd.concat(found, ignore_index=True) if found else None
    run.build(
        "gauge_checks",
        None,
        ["gauge_checks", digest],
        lambda: run.contract("gauge_checks").empty() if checks is None else checks,
    )
    rows = _fit_rows(fits)
    run.build(
        "suction_fits",
        None,
        ["suction_fits", digest],
        lambda: rows if len(rows) else run.contract("suction_fits").empty(),
    )
    losses = [f.losses for f in fits if len(f.losses)]
    run.build(
        "suction_losses",
        None,
        ["suction_losses", digest],
        lambda: _joined(losses) if losses else run.contract("suction_losses").empty(),
    )
    if fits:
        models, in_force = _model_tables(fits)
        friction = pd.concat([f.friction for f in fits], ignore_index=True)
        table = pa.Table.from_pandas(friction, preserve_index=False)
        run.writable.build(FRICTION, None, digest, lambda: table)
        run.writable.build(IN_FORCE, None, digest, lambda: in_force)
        run.writable.build(MODELS, None, digest, lambda: models)


LineDone = tuple[list[pd.DataFrame], list["EpochFits"]]


def _all_lines(run: Run, held: Workers, events: Sequence[Event]) -> list[LineDone]:
    """Check and fit line by line, in several processes where there is more than one line."""
    lines = sorted(run.plant.lines)
    months = run.stage.months(HOURS)
    if held.count < 2 or len(lines) < 2 or len(months) < held.least:
        done = []
        for number, line in enumerate(lines):
            run.progress("suction lines", number, len(lines))
            done.append(_line(run, line, events))
        return done
    site = Site.of(run)
    calls = [Call(f"suction line {line}", _line_in_worker, site, line, events) for line in lines]
    return held.run_all(calls, lambda number: run.progress("suction lines", number, len(lines)))


def _line_in_worker(site: Site, line: str, events: Sequence[Event]) -> LineDone:
    return _line(site.run(), line, events)


def _line(run: Run, line: str, events: Sequence[Event]) -> LineDone:
    """Check and fit one suction line, epoch by epoch."""
    findings: list[pd.DataFrame] = []
    fits: list[EpochFits] = []
    hours = read_hours(run, line)
    if hours.empty:
        return findings, fits
    stuck = stuck_levels(run, line)
    for epoch in line_epochs(run, line, events):
        inside = (hours["time"] >= epoch.start) & (hours["time"] < epoch.end)
        mine = hours[inside].reset_index(drop=True)
        if mine.empty:
            continue
        found, fitted = _check_and_fit(run, epoch, mine, events)
        findings += [found, rows_of_level(epoch, stuck)]
        fits.append(fitted)
    return findings, fits


def _joined(pieces: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Join the losses of all epochs; of a day cut by a cleaning the longer part stands."""
    rows = pd.concat(pieces, ignore_index=True)
    rows = rows.sort_values(["pump", "day", "hours"], kind="stable")
    return rows.drop_duplicates(["pump", "day"], keep="last")


def _digests(run: Run, table: str) -> list[list[str]]:
    return [list(item) for item in sorted(run.stage.digests(table).items())]


def _check_and_fit(
    run: Run, epoch: LineEpoch, hours: pd.DataFrame, events: Sequence[Event]
) -> tuple[pd.DataFrame, EpochFits]:
    early = early_rows(hours)
    nothing = hours.iloc[:0]

    def told(bad: pd.Series | None) -> tuple[dict[str, Any], SuctionLineModel]:
        """Give parameters and the drawing, where some readings are not to be believed."""
        parameters = model_parameters(epoch, early, bad)
        return parameters, SuctionLineModel(**parameters).fit(nothing, nothing["reading"])

    _, drawing = told(None)
    cleanings = cleanings_of(events)
    swapped = check_swapped_tags(run, epoch, hours)
    due = expected_by_fits(epoch, {}, drawing, hours)
    first = check_suction(run, epoch, hours, due, swapped)
    excluded = barred(first, hours)
    parameters, drawing = told(excluded)
    fits = _replay(hours, excluded, parameters, cleanings)
    due = expected_by_fits(epoch, fits, drawing, hours)
    second = check_suction(run, epoch, hours, due, swapped)
    again = barred(second, hours)
    # The fits follow from which hours count; how large a fault was does not matter to them.
    if not excluded.equals(again):
        parameters, drawing = told(again)
        fits = _replay(hours, again, parameters, cleanings)
    discharge = check_discharge(run, epoch, hours, swapped)
    bad_discharge = barred(discharge, hours)
    friction, unexplained = line_friction(run, epoch, hours, again, bad_discharge, fits, events)
    found = [second, discharge, as_rows(unexplained, "suction", excludes=False)]
    losses = pd.DataFrame()
    if fits:
        clean = fits[min(fits)].model
        losses = daily_losses(usable_rows(hours, again), clean)
    found = [f for f in found if len(f)]
    checks = pd.concat(found, ignore_index=True) if found else pd.DataFrame()
    return checks, EpochFits(
        epoch=epoch, drawing=drawing, by_month=fits, losses=losses, friction=friction
    )


def _replay(
    hours: pd.DataFrame,
    bad: pd.Series,
    parameters: Mapping[str, Any],
    cleanings: Mapping[str, Sequence[pd.Timestamp]],
) -> dict[Month, FitInForce]:
    """The fit in force in every month of the epoch."""
    rows = usable_rows(hours, bad)
    months = sorted(str(m) for m in hours["month"].unique())
    in_force: dict[Month, FitInForce] = {}
    with_rows = {str(m) for m in rows["month"].unique()}
    incumbent: FitInForce | None = None
    for month in months:
        if incumbent is None and not any(m <= month for m in with_rows):
            continue
        judged = _judged(hours, month)
        incumbent = replay_month(rows, month, incumbent, parameters, judged, cleanings)
        in_force[month] = incumbent
    first = next(iter(in_force.values()), None)
    for month in months:
        if month not in in_force and first is not None:
            in_force[month] = FitInForce(
                month=month,
                since=first.since,
                model=first.model,
                trained_from=first.trained_from,
                trained_to=first.trained_to,
                from_later=True,
            )
    return dict(sorted(in_force.items()))


def _judged(hours: pd.DataFrame, month: Month) -> pd.DataFrame:
    rows = hours[(hours["month"] == month) & (hours["state"] == "running") & ~hours["spot"]]
    flows = [c for c in hours.columns if c.startswith(SEGMENT_PREFIX)]
    rows = rows[rows["static_pressure"].notna() & rows[OWN_FLOW].notna()]
    rows = rows.dropna(subset=[f for f in flows if rows[f].notna().any()])
    step = max(1, len(rows) // _MOST_JUDGED)
    return rows.iloc[::step]


# ---------------------------------------------------------------- tables


def _fit_rows(fits: Sequence[EpochFits]) -> pd.DataFrame:
    pieces = []
    for fitted in fits:
        seen: set[str] = set()
        for fit in fitted.by_month.values():
            if fit.since in seen:
                continue
            seen.add(fit.since)
            pieces.append(_parameter_rows(fitted.epoch, fit))
    return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()


def _parameter_rows(epoch: LineEpoch, fit: FitInForce) -> pd.DataFrame:
    posterior = fit.model.posterior_
    u = np.sqrt(np.diag(posterior.covariance))
    reference = dict(zip(posterior.segments, posterior.reference_flow, strict=True))
    names = list(posterior.names)
    segments = [n.removeprefix("loss:") if n.startswith("loss:") else "" for n in names]
    dimensionless = ("exponent", "static_scale")
    return pd.DataFrame(
        {
            "line": epoch.line,
            "epoch": epoch.start,
            "month": fit.since,
            "parameter": names,
            "estimate": posterior.mean,
            "u95": 2.0 * u,
            "prior": posterior.prior_mean,
            "prior_u95": 2.0 * np.asarray(posterior.prior_u),
            "unit": ["1" if n in dimensionless else "Pa" for n in names],
            "reference_flow": [reference.get(s, np.nan) for s in segments],
            "status": fit.model.status_,
            "rows": int(posterior.numbers["rows"] + posterior.numbers["spot_readings"]),
            "trained_from": fit.trained_from,
            "trained_to": fit.trained_to,
            "residual_u": fit.model.residual_u_,
        }
    )


def _model_tables(fits: Sequence[EpochFits]) -> tuple[pa.Table, pa.Table]:
    """Every distinct model as rows (coefficients and covariance), and which is in force when."""
    models, in_force = [], []
    for fitted in fits:
        epoch = fitted.epoch
        head: dict[str, Any] = {
            "line": epoch.line, "epoch": epoch.start, "epoch_end": epoch.end
        }  # fmt: skip
        models.append(fitted.drawing.to_frame().assign(model=DRAWING, **head))
        written: dict[int, str] = {}
        for month, fit in fitted.by_month.items():
            name = written.get(id(fit.model))
            if name is None:
                name = written[id(fit.model)] = fit.since
                models.append(fit.model.to_frame().assign(model=name, **head))
            in_force.append(
                {
                    **head,
                    "month": month,
                    "model": name,
                    "from_later": fit.from_later,
                }
            )
    model_table = pd.concat(models, ignore_index=True)
    use = pd.DataFrame(in_force, columns=[*_IN_FORCE])
    return (
        pa.Table.from_pandas(model_table, preserve_index=False),
        pa.Table.from_pandas(use, preserve_index=False),
    )


_IN_FORCE = ("line", "epoch", "epoch_end", "month", "model", "from_later")
