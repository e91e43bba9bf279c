"""Daily series reduced to what an eye can take in: weeks where the history is long."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.report.readings import Readings
from pipeline.report.style import KIND_OF_SOURCE, local

__all__ = ["LONGEST_DAILY", "contiguous", "daily_deviations", "daily_efficiency", "spaced"]

LONGEST_DAILY = 800
"""Days of history up to which single days are drawn; beyond, weeks are."""

_EFFICIENCY = (
    "start",
    "points",
    "hydraulic_energy",
    "overall_efficiency",
    "overall_efficiency_u95",
    "overall_efficiency_u_systematic",
    "overall_efficiency_u_random",
    "suction_pressure_source",
    "measured_suction",
    "level_only_overall_efficiency",
)
_DEVIATION = (
    "day",
    "points",
    "electrical_energy",
    "efficiency_deviation",
    "efficiency_deviation_u_systematic",
    "efficiency_deviation_u_random",
    "head_deviation",
    "power_deviation",
    "level_only_efficiency_deviation",
    "suction_pressure_source",
)


def daily_efficiency(readings: Readings, pump: str, time_zone: str) -> pd.DataFrame:
    """Give the overall efficiency of a pump by day, or by week where the history is long.

    Parameters
    ----------
    readings : Readings
        The tables.
    pump : str
        As named in the plant file.
    time_zone : str
        IANA zone of the station.

    Returns
    -------
    DataFrame
        One row per day or week and kind, sorted by ``time`` (local, start of day or week):
        ``kind``, ``days``, ``points``, ``overall_efficiency`` and
        ``level_only_overall_efficiency`` as published, ``u95``, ``low``, ``high``.

    Notes
    -----
    A week is Σ hydraulic energy / Σ electrical energy of its days. The systematic part of the
    uncertainty stays, the random part shrinks. Days on measured and on modelled suction
    pressure are never put together.
    """
    rows = readings.of_pump(
        "rolling_performance", pump, _EFFICIENCY, where=[("period", "==", "day")]
    )
    rows["kind"] = rows["suction_pressure_source"].map(KIND_OF_SOURCE)
    rows = rows[rows["overall_efficiency"].notna() & rows["kind"].notna()]
    rows = rows.assign(time=local(rows["start"], time_zone), days=1)
    # Electrical energy of the points themselves, up to a factor that cancels.
    weight = rows["hydraulic_energy"] / rows["overall_efficiency"]
    rows["weight"] = weight.where(np.isfinite(weight) & (weight > 0), 1.0)
    systematic, random = "overall_efficiency_u_systematic", "overall_efficiency_u_random"
    if _is_long(rows["time"]):
        means = ["overall_efficiency", "level_only_overall_efficiency", systematic]
        rows = _weekly(rows, means, [random])
        rows["u95"] = 2.0 * np.hypot(rows[systematic], rows[random])
    else:
        rows["u95"] = rows["overall_efficiency_u95"]
    rows["low"] = rows["overall_efficiency"] - rows["u95"]
    rows["high"] = rows["overall_efficiency"] + rows["u95"]
    return rows.sort_values(["time", "kind"], ignore_index=True)


def daily_deviations(readings: Readings, pump: str, time_zone: str) -> pd.DataFrame:
    """Give the deviations of a pump from its baseline by day, or by week.

    Returns
    -------
    DataFrame
        As `daily_efficiency`: ``time``, ``kind``, ``efficiency_deviation``, ``u95``,
        ``head_deviation``, ``power_deviation``, ``level_only_efficiency_deviation``.
    """
    rows = readings.of_pump("daily_deviations", pump, _DEVIATION)
    rows["kind"] = rows["suction_pressure_source"].map(KIND_OF_SOURCE)
    rows = rows[rows["efficiency_deviation"].notna() & rows["kind"].notna()]
    rows = rows.assign(time=local(rows["day"], time_zone), days=1)
    rows["weight"] = rows["electrical_energy"].where(rows["electrical_energy"] > 0, 1.0)
    systematic = "efficiency_deviation_u_systematic"
    random = "efficiency_deviation_u_random"
    if _is_long(rows["time"]):
        means = [
            "efficiency_deviation",
            "head_deviation",
            "power_deviation",
            "level_only_efficiency_deviation",
            systematic,
        ]
        rows = _weekly(rows, means, [random])
    rows["u95"] = 2.0 * np.hypot(rows[systematic], rows[random])
    return rows.sort_values(["time", "kind"], ignore_index=True)


def _is_long(times: pd.Series) -> bool:
    return len(times) > 0 and (times.max() - times.min()).days > LONGEST_DAILY


def _weekly(rows: pd.DataFrame, means: Sequence[str], randoms: Sequence[str]) -> pd.DataFrame:
    """Put days of one kind and week together: weighted means, random parts in squares."""
    week = rows["time"].dt.to_period("W-SUN").dt.start_time
    weight = rows["weight"]
    parts = pd.DataFrame({"time": week, "kind": rows["kind"]})
    for name in (*means, *randoms):
        known = rows[name].notna()
        power = 2 if name in randoms else 1
        parts[name] = (rows[name] * weight) ** power
        parts[f"{name} weight"] = weight.where(known, 0.0)
    parts["days"], parts["points"] = rows["days"], rows["points"]
    sums = parts.groupby(["time", "kind"], sort=True).sum(min_count=1).reset_index()
    for name in (*means, *randoms):
        total = sums[name] ** (0.5 if name in randoms else 1.0)
        sums[name] = total / sums.pop(f"{name} weight").where(lambda w: w > 0)
    return sums


def contiguous(rows: pd.DataFrame, kind: str, columns: Sequence[str]) -> pd.DataFrame:
    """Give the rows of one kind with an empty row wherever its line must break.

    Parameters
    ----------
    rows : DataFrame
        Sorted by ``time``, with ``kind``.
    kind : str
        Kind to keep.
    columns : sequence of str
        Columns to keep besides ``time``.

    Returns
    -------
    DataFrame
        ``time`` and the columns. A line breaks where rows of another kind lie between, and
        over gaps longer than three usual steps.
    """
    mine = rows[rows["kind"] == kind]
    if mine.empty:
        return mine[["time", *columns]]
    other = (rows["kind"] != kind).cumsum()[mine.index].to_numpy()
    step = mine["time"].diff()
    day = pd.Timedelta(days=1)
    usual = day if len(mine) < 2 else max(pd.Timedelta(step.median()), day)
    is_break = np.r_[False, other[1:] != other[:-1]] | (step > 3 * usual).to_numpy()
    gaps = mine.loc[is_break, ["time"]].assign(time=lambda g: g["time"] - pd.Timedelta("1s"))
    both = pd.concat([mine[["time", *columns]], gaps]).sort_values("time", kind="stable")
    return both.reset_index(drop=True)


def spaced(rows: pd.DataFrame, most: int) -> pd.DataFrame:
    """Keep at most so many rows, evenly spaced."""
    if len(rows) <= most:
        return rows
    return rows.iloc[np.linspace(0, len(rows) - 1, most).round().astype(int)]
