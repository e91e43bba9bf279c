"""Checks of the gauges of a suction line, from its hourly rows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from pipeline.assembly.statics import G
from pipeline.hydraulics.pressure import atmospheric_pressure
from pipeline.jobs.context import Run
from pipeline.jobs.hours import header_columns
from pipeline.jobs.line_epochs import LineEpoch
from pipeline.months import Month
from pipeline.plant import Pump, Tag
from pipeline.suction import (
    GaugeFacts,
    SuctionLineModel,
    check_discharge_gauge,
    check_gauge,
    check_swapped,
    discharge_hours,
    expected_discharge,
    expected_reading,
    is_in_fault,
    level_or_gauge,
)
from pipeline.suction.evidence import STOPPED
from pipeline.suction.gauge_health import KNOWN_U
from pipeline.suction.replay import OWN_FLOW, FitInForce

LOSSES_SHARE = 0.6
"""Largest uncertainty of losses, in that of gauge and level, with which statics are judged."""


def expected_by_fits(
    epoch: LineEpoch,
    fits: Mapping[Month, FitInForce],
    drawing: SuctionLineModel,
    hours: pd.DataFrame,
) -> pd.DataFrame:
    """What each gauge should read, and how well the losses in it are known.

    By the fit in force in each month; by drawings where there is none, or where it declines.
    """
    flows = [*header_columns(epoch.snapshot, epoch.line), OWN_FLOW]
    pieces = []
    for month, rows in hours.groupby("month", sort=True):
        fit = fits.get(str(month))
        model = drawing if fit is None else fit.model
        known = rows[rows["pump"].isin(model.pumps_)]
        if len(known):
            pieces.append(expected_reading(known, flows, model, drawing=drawing))
    found = pd.concat(pieces) if pieces else pd.DataFrame(columns=["expected", "losses_u"])
    return found[["expected", "losses_u"]].astype(float).reindex(hours.index)


def check_suction(
    run: Run,
    epoch: LineEpoch,
    hours: pd.DataFrame,
    expected: pd.DataFrame,
    swapped: pd.DataFrame,
) -> pd.DataFrame:
    """Check the suction gauge of every pump of the line; exchanged tags explain the rest."""
    exchanged = swapped[swapped["gauge"] == "suction"] if len(swapped) else pd.DataFrame()
    pieces = []
    for pump, rows in _gauged(epoch, hours, "suction_pressure_tag", "reading"):
        tag = epoch.snapshot.tags[pump.suction_pressure_tag or ""]
        facts = _facts(run, epoch, pump, tag, rows)
        table = rows.set_index(pd.DatetimeIndex(rows["time"], name="hour"))
        wanted = expected.loc[rows.index].set_index(table.index)
        known, facts = _known_at_rest(table, wanted["losses_u"], facts)
        found = check_gauge(table, wanted["expected"], facts, known)
        if len(swapped):
            mine = swapped[(swapped["pump"] == pump.id) & (swapped["gauge"] == "suction")]
            found = found[~_overlap(found, mine)]
        if len(found):
            pieces.append(found.assign(pump=pump.id))
    settled = pd.DataFrame()
    if pieces:
        settled = as_rows(level_or_gauge(pd.concat(pieces, ignore_index=True), hours), "suction")
    told = [rows for rows in (exchanged, settled) if len(rows)]
    return pd.concat(told, ignore_index=True) if told else pd.DataFrame()


def _known_at_rest(
    table: pd.DataFrame, losses_u: pd.Series, facts: GaugeFacts
) -> tuple[pd.Series, GaugeFacts]:
    """Hours in which statics may be held against the gauge, and facts that allow for losses.

    A resting pump's tap feels the header losses of its sisters. Where those are not known
    exactly, but better than the gauge itself, they widen the limits and hide nothing.
    """
    known = losses_u <= max(KNOWN_U, LOSSES_SHARE * facts.rest_u)
    of_statics = losses_u[known & (table["state"] == STOPPED)]
    allowed = float(of_statics.median()) if len(of_statics) else 0.0
    return known, replace(facts, losses_u=allowed)


def _overlap(found: pd.DataFrame, others: pd.DataFrame) -> np.ndarray:
    """Whether each finding shares time with any of the others."""
    start, end = others["start"].to_numpy(), others["end"].to_numpy()
    inside = found["start"].to_numpy()[:, None] < end
    return np.asarray((inside & (start < found["end"].to_numpy()[:, None])).any(axis=1))


def as_rows(found: pd.DataFrame, gauge: str, *, excludes: bool = True) -> pd.DataFrame:
    """Complete findings (with their pump) to rows of ``gauge_checks``."""
    if found.empty:
        return pd.DataFrame()
    rows = found.assign(gauge=gauge, excludes=excludes)
    rows["magnitude_u95"] = 2.0 * rows.pop("magnitude_u")
    return rows


def check_swapped_tags(run: Run, epoch: LineEpoch, hours: pd.DataFrame) -> pd.DataFrame:
    """Find pumps whose suction and discharge tags are exchanged: one row for each gauge."""
    pieces = []
    for pump, rows in _gauged(epoch, hours, "discharge_pressure_tag", "discharge"):
        tag = epoch.snapshot.tags.get(pump.suction_pressure_tag or "")
        if tag is None or rows["reading"].notna().sum() == 0:
            continue
        table = rows.set_index(pd.DatetimeIndex(rows["time"], name="hour"))
        facts = _facts(run, epoch, pump, tag, rows)
        found = check_swapped(table, discharge_hours(table), facts)
        pieces += [as_rows(found.assign(pump=pump.id), gauge) for gauge in ("suction", "discharge")]
    pieces = [p for p in pieces if len(p)]
    return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()


def check_discharge(
    run: Run, epoch: LineEpoch, hours: pd.DataFrame, swapped: pd.DataFrame
) -> pd.DataFrame:
    """Check the discharge gauge of every pump of the line; exchanged tags explain the rest."""
    pieces = [swapped[swapped["gauge"] == "discharge"]] if len(swapped) else []
    for pump, rows in _gauged(epoch, hours, "discharge_pressure_tag", "discharge"):
        tag = epoch.snapshot.tags[pump.discharge_pressure_tag or ""]
        table = discharge_hours(rows.set_index(pd.DatetimeIndex(rows["time"], name="hour")))
        facts = _facts(run, epoch, pump, tag, table)
        facts = replace(
            facts,
            stuck_move=max(facts.stuck_move, 2.0 * facts.gauge_u),
            elevation_pressure=0.0,
            tap_pressure=0.0,
        )
        found = check_discharge_gauge(table, expected_discharge(table, _lift(pump, rows)), facts)
        if len(swapped):
            mine = swapped[(swapped["pump"] == pump.id) & (swapped["gauge"] == "discharge")]
            found = found[~_overlap(found, mine)]
        if len(found):
            pieces.append(as_rows(found.assign(pump=pump.id), "discharge"))
    return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()


def _lift(pump: Pump, rows: pd.DataFrame) -> float | None:
    """Static pressure of the discharge gauge less that of the suction gauge, where it counts."""
    if pump.discharge_tap.position != "before_check_valve" or not pump.check_valve_leak_free:
        return None
    lower = pump.suction_tap.reading_elevation - pump.discharge_tap.reading_elevation
    return float(np.nanmean(rows["density"])) * G * lower


def _gauged(
    epoch: LineEpoch, hours: pd.DataFrame, role: str, column: str
) -> list[tuple[Pump, pd.DataFrame]]:
    """Hourly rows of each pump of the line that has a gauge with readings."""
    found = []
    for name in epoch.snapshot.lines[epoch.line].branches:
        pump = epoch.snapshot.pumps.get(name)
        if pump is None or getattr(pump, role) not in epoch.snapshot.tags:
            continue
        rows = hours[(hours["pump"] == name) & ~hours["spot"]]
        if column in rows and rows[column].notna().any():
            found.append((pump, rows))
    return found


def _facts(run: Run, epoch: LineEpoch, pump: Pump, tag: Tag, rows: pd.DataFrame) -> GaugeFacts:
    usual = float(rows["reading"].abs().median())
    elevation = pump.reference_elevation + pump.suction_tap.reading_elevation
    density = float(rows["density"].mean())
    static_u = float(rows["static_pressure_u_systematic"].median())
    return GaugeFacts(
        range_low=tag.low if np.isfinite(tag.low) else -101325.0,
        range_high=tag.high,
        gauge_u=max(float(tag.accuracy.systematic_u(usual)), 50.0),
        static_u=float(np.fmax(static_u, 50.0)),
        atmospheric_pressure=float(atmospheric_pressure(run.plant.station.altitude)),
        elevation_pressure=density * G * elevation,
        # Where the pump's own elevation is zero the two are one mistake.
        tap_pressure=(
            density * G * pump.suction_tap.reading_elevation if pump.reference_elevation else 0.0
        ),
        unit_pressure=abs(tag.scale),
    )


def barred(checks: pd.DataFrame, hours: pd.DataFrame) -> pd.Series:
    """Mark hourly rows that lie in an interval a check excludes."""
    bad = pd.Series(False, index=hours.index)
    if checks.empty:
        return bad
    for name, found in checks.groupby("pump", sort=True):
        rows = hours[(hours["pump"] == name) & ~hours["spot"]]
        inside = is_in_fault(found, pd.DatetimeIndex(rows["time"]))
        bad.loc[rows.index] = inside.to_numpy()
    return bad
