"""Friction of a month beside the fit in force: what the line's own gauges show, day by day.

A fit describes a line as it was at the fit's last reading. Within a month its branches may
foul, be cleaned, or go unseen because a gauge is lost. All of it follows from readings up to
the end of the month, and the rates at which the line changes from the months before, so that
nothing that comes later touches a closed month.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .evidence import RUNNING
from .fill import Estimate
from .line import SuctionLineModel
from .replay import MONTHS_OF_EVIDENCE
from .solve import Array
from .time_varying import CLEANING_U, LEAST_WANDER_30_DAYS, FrictionTrack, track_friction
from .tracked_fit import hourly_scatter

DAY_COLUMNS = ("pump", "day", "multiplier", "multiplier_u")
# Relative uncertainty with which a track begins, before its first day was measured [-].
START_U = 0.5
# Fewest hours of closed months that tell the scatter of an hour.
LEAST_HOURS = 48

__all__ = [
    "DAY_COLUMNS",
    "Friction",
    "branch_residuals",
    "follow_month",
    "move_to_friction",
]


@dataclass(frozen=True, slots=True)
class Friction:
    """Friction of the branches of a line in one month.

    Parameters
    ----------
    tracks : mapping of str to FrictionTrack
        By gauged pump, from the first day of the evidence to the end of the month.
    days : DataFrame
        Columns `DAY_COLUMNS`, one row per pump and UTC day of the month; pumps that were never
        read on this line are left out.
    """

    tracks: Mapping[str, FrictionTrack]
    days: pd.DataFrame


def branch_residuals(rows: pd.DataFrame, model: SuctionLineModel) -> pd.DataFrame:
    """Set each usable reading of a running pump beside what a fit expects.

    Parameters
    ----------
    rows : DataFrame
        Usable rows of one line and epoch (see ``replay.usable_rows``).
    model : SuctionLineModel
        Fitted.

    Returns
    -------
    DataFrame
        Index of `rows`, running rows of the model's pumps only: ``pump``, ``time``, ``month``,
        ``spot`` (bool), ``residual`` (reading less expected reading) and ``loss`` of the own
        branch [Pa].
    """
    used = rows[(rows["state"] == RUNNING) & rows["pump"].isin(model.pumps_)]
    used = used[used[[*model.header_columns, model.branch_column]].notna().all(axis=1)]
    found = used[["pump", "time", "month"]].copy()
    found["spot"] = used["spot"].astype(bool)
    if used.empty:
        return found.assign(residual=pd.Series(dtype=float), loss=pd.Series(dtype=float))
    found["residual"] = used["reading"] - np.asarray(model.predict_reading(used))
    found["loss"] = model.predict_losses(used)[model.branch_column]
    return found


def follow_month(
    residuals: pd.DataFrame,
    start: pd.Timestamp,
    end: pd.Timestamp,
    cleanings: Mapping[str, Sequence[pd.Timestamp]] | None = None,
    correlation_time: float = 1.0,
) -> Friction:
    """Follow the branches of a line to the end of a month.

    Parameters
    ----------
    residuals : DataFrame
        Table of `branch_residuals` for the fit in force; rows from `end` on are ignored.
    start, end : Timestamp
        The month, UTC.
    cleanings : mapping of str to sequence of Timestamp, optional
        Declared cleanings by pump.
    correlation_time : float
        Hours of one independent residual [-].

    Returns
    -------
    Friction

    Notes
    -----
    A pump without a gauge of its own but with spot readings keeps the friction of its last
    reading; its uncertainty grows from there at the rate of its gauged sisters, and by what a
    declared cleaning may have changed.
    """
    known = residuals[residuals["time"] < end]
    last_day = (end - pd.Timedelta("1us")).floor("D")
    days = pd.date_range(start.floor("D"), last_day, freq="D")
    tracks: dict[str, FrictionTrack] = {}
    read_last: dict[str, pd.Timestamp] = {}
    for name, mine in known.groupby("pump", sort=True):
        gauged = mine[~mine["spot"] & (mine["loss"] > 0.0)]
        if gauged.empty:
            read_last[str(name)] = mine["time"].max()
            continue
        latest = sorted(gauged["month"].unique())[-MONTHS_OF_EVIDENCE - 1 :]
        gauged = gauged[gauged["month"].isin(latest)]
        times = pd.DatetimeIndex(gauged["time"])
        residual, loss = gauged["residual"].to_numpy(), gauged["loss"].to_numpy()
        closed = np.asarray(times < start)
        learn = closed if closed.sum() >= LEAST_HOURS else np.ones_like(closed)
        tracks[str(name)] = track_friction(
            times,
            residual,
            loss,
            residual_u=hourly_scatter(residual[learn], loss[learn], times[learn]),
            loss_u=START_U,
            cleanings=(cleanings or {}).get(str(name), ()),
            until=last_day,
            correlation_time=correlation_time,
            learn_before=start,
        )
    pieces = [_day_rows(name, *track.at(days), days) for name, track in tracks.items()]
    wander = np.sqrt(np.mean([t.wander**2 for t in tracks.values()])) if tracks else _LEAST_WANDER
    for name, moment in read_last.items():
        age = np.maximum((days - moment.floor("D")) / pd.Timedelta("1D"), 0.0)
        spread = float(wander) * np.sqrt(np.asarray(age, dtype=float))
        for cleaned in (cleanings or {}).get(name, ()):
            if cleaned > moment:
                spread = np.hypot(spread, np.where(days >= cleaned.floor("D"), CLEANING_U, 0.0))
        pieces.append(_day_rows(name, np.ones(len(days)), spread, days))
    if not pieces:
        return Friction({}, pd.DataFrame(columns=list(DAY_COLUMNS)))
    return Friction(tracks, pd.concat(pieces, ignore_index=True).sort_values(["pump", "day"]))


_LEAST_WANDER = LEAST_WANDER_30_DAYS / np.sqrt(30.0)


def _day_rows(
    pump: str, multiplier: Array, multiplier_u: Array, days: pd.DatetimeIndex
) -> pd.DataFrame:
    return pd.DataFrame(
        {"pump": pump, "day": days, "multiplier": multiplier, "multiplier_u": multiplier_u}
    )


def move_to_friction(
    estimate: Estimate, loss: Array, times: pd.DatetimeIndex, days: pd.DataFrame
) -> Estimate:
    """Move one pump's estimate by a fit to the friction of each day.

    Parameters
    ----------
    estimate : Estimate
        Made with the fit's own losses.
    loss : array of shape (n,)
        Branch loss of each row by the fit [Pa].
    times : DatetimeIndex
        Time of each row, UTC.
    days : DataFrame
        Rows of this pump: ``day``, ``multiplier``, ``multiplier_u`` [-] and, where something
        is missing from the pump's pressure rise, ``shortfall`` [Pa]; in order of day.

    Returns
    -------
    Estimate
        Value lowered by (multiplier - 1) loss. The multiplier's uncertainty and the shortfall
        join the systematic part: neighbouring rows share them; the shortfall is kept as
        `u_unexplained` as well. Rows of a day that is not in
        the table stay as they are.
    """
    if days.empty or not len(times):
        return estimate
    known = pd.DatetimeIndex(days["day"])
    place = known.get_indexer(times.floor("D"))
    missing = place < 0

    def at(column: str, otherwise: float) -> Array:
        values = np.append(days[column].to_numpy(dtype=float), otherwise)
        return np.asarray(values[np.where(missing, len(known), place)])

    moved = np.abs(at("multiplier_u", 0.0) * loss)
    short = at("shortfall", 0.0) if "shortfall" in days else np.zeros(len(times))
    return replace(
        estimate,
        value=estimate.value - (at("multiplier", 1.0) - 1.0) * loss,
        u_systematic=np.hypot(estimate.u_systematic, np.hypot(moved, short)),
        u_unexplained=short,
    )
