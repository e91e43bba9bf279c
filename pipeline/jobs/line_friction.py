"""Friction of a suction line day by day beside its fits, and what the pumps' rise says of it.

The working table ``suction_friction`` holds, per month and pump, what the points of that month
need: a multiplier of the branch loss with its uncertainty, and what is missing from the pump's
pressure rise. Each month follows from evidence up to its own end.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from pipeline.jobs.context import Run
from pipeline.jobs.line_epochs import LineEpoch, cleanings_of, rise_since
from pipeline.months import Month
from pipeline.plant import Snapshot
from pipeline.plant.side_files import Event
from pipeline.suction import (
    Friction,
    branch_residuals,
    check_rise,
    follow_month,
    month_deficit,
    shortfall_of_days,
)
from pipeline.suction.replay import FitInForce, usable_rows

FRICTION = "suction_friction"
FRICTION_COLUMNS = (
    "line", "epoch", "month", "pump", "day", "multiplier", "multiplier_u", "shortfall",
)  # fmt: skip
# Change of a pump's head with flow near its duty, relative (common practice, no source): a flow
# meter that moved by one per cent moves the rise expected at its flow by half a per cent.
_HEAD_BY_FLOW = 0.5


def line_friction(
    run: Run,
    epoch: LineEpoch,
    hours: pd.DataFrame,
    bad: pd.Series,
    bad_discharge: pd.Series,
    fits: Mapping[Month, FitInForce],
    events: Sequence[Event],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Follow every branch of a line through the months of an epoch.

    Parameters
    ----------
    run : Run
        The run.
    epoch : LineEpoch
        Line and span.
    hours : DataFrame
        Hourly rows of the span.
    bad, bad_discharge : bool Series
        True where a check bars the suction, or the discharge gauge; on the index of `hours`.
    fits : mapping of str to FitInForce
        By month.
    events : sequence of Event
        Of the whole plant.

    Returns
    -------
    friction : DataFrame
        Columns `FRICTION_COLUMNS`; pumps and days with nothing to say are left out.
    findings : DataFrame
        As from ``check_gauge`` with the column ``pump``: where the rise is not explained.
    """
    rows = usable_rows(hours, bad)
    trusted = pd.Series(hours.index.isin(rows.index), index=hours.index)
    running = rise_rows(hours, trusted, bad_discharge)
    cleanings = cleanings_of(events)
    residuals: dict[int, pd.DataFrame] = {}
    pieces: list[pd.DataFrame] = []
    told: dict[str, list[pd.DataFrame]] = {}
    for month, fit in fits.items():
        start, end = run.bounds(month)
        model = fit.model
        if id(model) not in residuals:
            residuals[id(model)] = branch_residuals(rows, model)
        tau = model.posterior_.numbers["correlation_time"]
        friction = follow_month(residuals[id(model)], start, end, cleanings, tau)
        deficits = {
            name: month_deficit(mine, model, friction.tracks.get(name), start, end)
            for name, mine in _since_changed(run, running, events, end)
            if name in model.pumps_
        }
        for name, daily in deficits.items():
            own = daily[daily.index >= start.floor("D")]
            told.setdefault(name, []).append(own)
        days = _with_shortfall(friction, deficits, start, end)
        pieces.append(days.assign(line=epoch.line, epoch=epoch.start, month=month))
    pieces = [p for p in pieces if len(p)]
    friction_rows = (
        pd.concat(pieces, ignore_index=True)[list(FRICTION_COLUMNS)]
        if pieces
        else pd.DataFrame(columns=list(FRICTION_COLUMNS))
    )
    return friction_rows, _findings(epoch.snapshot, running, told)


def rise_rows(
    hours: pd.DataFrame, trusted: pd.Series, bad_discharge: pd.Series
) -> dict[str, pd.DataFrame]:
    """Give the steady running hours by pump, with what a pressure rise needs.

    Parameters
    ----------
    hours : DataFrame
        Hourly rows of a line.
    trusted, bad_discharge : bool Series
        Whether the suction reading may be used, and whether the discharge gauge may not; on
        the index of `hours`.

    Returns
    -------
    dict of str to DataFrame
        As for ``suction.month_deficit``.
    """
    use = (hours["state"] == "running") & hours["steady"].astype(bool) & ~hours["spot"]
    if "discharge" not in hours:
        return {}
    rows = hours[use & hours["discharge"].notna() & ~bad_discharge]
    rows = rows.assign(speed=rows["speed_ratio"], is_trusted=trusted.loc[rows.index])
    return {str(name): mine for name, mine in rows.groupby("pump", sort=True)}


def _since_changed(
    run: Run, running: Mapping[str, pd.DataFrame], events: Sequence[Event], end: pd.Timestamp
) -> list[tuple[str, pd.DataFrame]]:
    return [
        (name, mine[mine["time"] >= rise_since(run, name, events, end)])
        for name, mine in running.items()
    ]


def _with_shortfall(
    friction: Friction,
    deficits: Mapping[str, pd.DataFrame],
    start: pd.Timestamp,
    end: pd.Timestamp,
) -> pd.DataFrame:
    """Join multipliers and shortfalls of a month; rows that change nothing are left out."""
    days = pd.date_range(start.floor("D"), (end - pd.Timedelta("1us")).floor("D"), freq="D")
    pieces = [friction.days.assign(shortfall=0.0)] if len(friction.days) else []
    for name, daily in deficits.items():
        short = shortfall_of_days(daily, days)
        if not short.any():
            continue
        found = pd.DataFrame(
            {"pump": name, "day": days, "multiplier": 1.0, "multiplier_u": 0.0, "shortfall": short}
        )
        if name in friction.tracks:
            mine = (friction.days["pump"] == name).to_numpy()
            pieces[0].loc[mine, "shortfall"] = short
        else:
            pieces.append(found)
    return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()


def _findings(
    snapshot: Snapshot,
    running: Mapping[str, pd.DataFrame],
    told: Mapping[str, Sequence[pd.DataFrame]],
) -> pd.DataFrame:
    found = []
    for name, pieces in told.items():
        pieces = [p for p in pieces if len(p)]
        if not pieces:
            continue
        daily = pd.concat(pieces)
        daily = daily[~daily.index.duplicated()].sort_index()
        checked = check_rise(daily, max(1000.0, 2.0 * _rise_u(snapshot, name, running[name])))
        if len(checked):
            found.append(checked.assign(pump=name))
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame()


def _rise_u(snapshot: Snapshot, pump: str, rows: pd.DataFrame) -> float:
    """What discharge gauge and flow meter may have moved by themselves [Pa]."""
    known = snapshot.pumps.get(pump)
    if known is None:
        return 0.0
    meter = snapshot.meter_of(pump)
    gauge = snapshot.tags.get(known.discharge_pressure_tag or "")
    flow = snapshot.tags.get(known.flow_tag or ("" if meter is None else meter.tag))
    discharge = float(rows["discharge"].abs().median())
    rise = float((rows["discharge"] - rows["static_pressure"]).abs().median())
    parts = [0.0]
    if gauge is not None:
        a = gauge.accuracy
        parts += [a.systematic_absolute, a.systematic_relative * discharge]
    if flow is not None:
        parts.append(_HEAD_BY_FLOW * flow.accuracy.systematic_relative * rise)
    return float(np.sqrt(np.nansum(np.square(parts))))
