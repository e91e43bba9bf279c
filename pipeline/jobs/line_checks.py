"""Checks of the gauges of a suction line, from its hourly rows."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from pipeline.assembly.statics import G
from pipeline.hydraulics.pressure import atmospheric_pressure
from pipeline.jobs.context import Run
from pipeline.jobs.hours import header_columns
from pipeline.jobs.line_epochs import LineEpoch
from pipeline.months import Month
from pipeline.plant import Pump
from pipeline.suction import (
    GaugeFacts,
    SuctionLineModel,
    check_gauge,
    expected_reading,
    is_in_fault,
)
from pipeline.suction.replay import OWN_FLOW, FitInForce


def expected_by_fits(
    epoch: LineEpoch,
    fits: Mapping[Month, FitInForce],
    drawing: SuctionLineModel,
    hours: pd.DataFrame,
) -> pd.DataFrame:
    """What each gauge should read, and whether that is known as well as statics are.

    By the fit in force in each month, by drawings where there is none.
    """
    flows = [*header_columns(epoch.snapshot, epoch.line), OWN_FLOW]
    pieces = []
    for month, rows in hours.groupby("month", sort=True):
        fit = fits.get(str(month))
        model = drawing if fit is None else fit.model
        known = rows[rows["pump"].isin(model.pumps_)]
        if len(known):
            pieces.append(expected_reading(known, flows, model))
    found = pd.concat(pieces) if pieces else pd.DataFrame(columns=["expected", "known"])
    found = found.reindex(hours.index)
    return found.assign(known=found["known"].eq(True), expected=found["expected"].astype(float))


def check_suction(
    run: Run, epoch: LineEpoch, hours: pd.DataFrame, expected: pd.DataFrame
) -> pd.DataFrame:
    """Check the suction gauge of every pump of the line."""
    pieces = []
    for name in epoch.snapshot.lines[epoch.line].branches:
        pump = epoch.snapshot.pumps.get(name)
        tag = epoch.snapshot.tags.get((pump.suction_pressure_tag or "") if pump else "")
        rows = hours[(hours["pump"] == name) & ~hours["spot"]]
        if pump is None or tag is None or rows["reading"].notna().sum() == 0:
            continue
        facts = _facts(run, epoch, pump, rows)
        table = rows.set_index(pd.DatetimeIndex(rows["time"], name="hour"))
        wanted = expected.loc[rows.index].set_index(table.index)
        found = check_gauge(table, wanted["expected"], facts, wanted["known"])
        if len(found):
            pieces.append(as_rows(found.assign(pump=name), "suction"))
    return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()


def as_rows(found: pd.DataFrame, gauge: str, *, excludes: bool = True) -> pd.DataFrame:
    """Complete findings (with their pump) to rows of ``gauge_checks``."""
    if found.empty:
        return pd.DataFrame()
    rows = found.assign(gauge=gauge, excludes=excludes)
    rows["magnitude_u95"] = 2.0 * rows.pop("magnitude_u")
    return rows


def check_discharge(run: Run, epoch: LineEpoch, hours: pd.DataFrame) -> pd.DataFrame:
    """Check the discharge gauge of every pump of the line."""
    return pd.DataFrame()


def _facts(run: Run, epoch: LineEpoch, pump: Pump, rows: pd.DataFrame) -> GaugeFacts:
    tag = epoch.snapshot.tags[pump.suction_pressure_tag or ""]
    accuracy = tag.accuracy
    usual = float(rows["reading"].abs().median())
    elevation = pump.reference_elevation + pump.suction_tap.reading_elevation
    density = float(rows["density"].mean())
    static_u = float(rows["static_pressure_u_systematic"].median())
    return GaugeFacts(
        range_low=tag.low if np.isfinite(tag.low) else -101325.0,
        range_high=tag.high,
        gauge_u=max(
            float(np.hypot(accuracy.systematic_absolute, accuracy.systematic_relative * usual)),
            50.0,
        ),
        static_u=float(np.fmax(static_u, 50.0)),
        atmospheric_pressure=float(atmospheric_pressure(run.plant.station.altitude)),
        elevation_pressure=density * G * elevation,
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
