"""Rolling performance: hours and local days as ratios of sums, never as means of ratios."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
import pandas as pd

from pipeline.months import day_starts
from pipeline.performance.operating_points import STEADY, ran

Period = Literal["hour", "day"]

ROLLING_COLUMNS = (
    "pump",
    "time",
    "status",
    "flow",
    "total_head",
    "electrical_power",
    "hydraulic_power",
    "shaft_power",
    "overall_efficiency_u_systematic",
    "overall_efficiency_u_random",
    "pump_efficiency_u_systematic",
    "pump_efficiency_u_random",
    "suction_pressure_source",
    "suction_pressure_u_systematic",
    "level_only_hydraulic_power",
)
"""Columns of ``operating_points`` that ``rolling_performance`` needs."""


def rolling_performance(points: pd.DataFrame, grid: float, zone: str) -> pd.DataFrame:
    """Sum operating points into hours and local days.

    Parameters
    ----------
    points : DataFrame
        Rows of the ``operating_points`` contract, SI, of any number of pumps.
    grid : float
        Length of an interval [s].
    zone : str
        IANA time zone of the station, for days.

    Returns
    -------
    DataFrame
        One row per pump, period and start with at least one interval that ran or used or
        moved something; SI; see the ``rolling_performance`` contract.

    Notes
    -----
    Efficiencies are Σ hydraulic energy / Σ electrical energy over steady intervals. Volume and
    electrical energy count every interval in which they are known (and are missing where they
    are known in none), so ``points`` below
    ``intervals`` says how much of the period the efficiency stands on. The systematic
    uncertainty of a period is the energy-weighted mean of its intervals' (it does not average
    out); the random part shrinks with the number of intervals.
    """
    told = ran(points) | ((points["electrical_power"] > 0.0) | (points["flow"] > 0.0)).to_numpy()
    points = points[told]
    pieces = [_periods(points, "hour", grid, zone), _periods(points, "day", grid, zone)]
    return pd.concat(pieces, ignore_index=True)


def _periods(points: pd.DataFrame, period: Period, grid: float, zone: str) -> pd.DataFrame:
    times = pd.DatetimeIndex(points["time"])
    start = times.floor("h") if period == "hour" else day_starts(times, zone)
    groups = _Groups(points["pump"], start)
    steady = (points["status"] == STEADY).to_numpy()

    def column(name: str) -> np.ndarray:
        return np.asarray(points[name].to_numpy(dtype=float))

    def total(values: np.ndarray) -> np.ndarray:
        # Nothing known of a whole hour is not nothing used.
        known = groups.total(np.isfinite(values).astype(float))
        return np.where(known > 0.0, groups.total(np.nan_to_num(values)), np.nan)

    def steady_total(values: np.ndarray) -> np.ndarray:
        return groups.total(np.where(steady, values, 0.0))

    p_el, flow = column("electrical_power"), column("flow")
    count = steady_total(np.ones(len(points)))
    running = groups.total(ran(points).astype(float))
    some = np.where(count > 0, count, np.nan)
    power = steady_total(p_el)
    energy = np.where(count > 0, power, np.nan)
    hydraulic = steady_total(column("hydraulic_power"))
    shaft = steady_total(column("shaft_power"))
    shaft = np.where(shaft > 0, shaft, np.nan)
    volume = steady_total(flow)
    volume = np.where(volume > 0, volume, np.nan)
    measured = (points["suction_pressure_source"] == "measured").to_numpy(dtype=float)
    figures: dict[str, Any] = {
        "pump": groups.pump,
        "period": period,
        "start": groups.start,
        "running_time": running * grid,
        "intervals": running.astype(np.int64),
        "points": count.astype(np.int64),
        "volume": total(flow) * grid,
        "electrical_energy": total(p_el) * grid,
        "hydraulic_energy": np.where(count > 0, hydraulic * grid, np.nan),
        "flow": volume / some,
        "total_head": steady_total(column("total_head") * flow) / volume,
        "overall_efficiency": hydraulic / energy,
        "pump_efficiency": hydraulic / shaft,
        "specific_energy": energy / volume,
        "suction_pressure_source": groups.least_certain(points, steady),
        "measured_suction": steady_total(measured) / some,
        "suction_pressure_u_systematic": (
            steady_total(column("suction_pressure_u_systematic")) / some
        ),
        "level_only_overall_efficiency": (
            steady_total(column("level_only_hydraulic_power")) / energy
        ),
    }
    for name in ("overall_efficiency", "pump_efficiency"):
        systematic, random = column(f"{name}_u_systematic"), column(f"{name}_u_random")
        # An efficiency that is not known has no uncertainty either, least of all none.
        base = np.where(np.isfinite(figures[name]), energy, np.nan)
        figures[f"{name}_u_systematic"] = steady_total(systematic * p_el) / base
        figures[f"{name}_u_random"] = np.sqrt(steady_total((random * p_el) ** 2)) / base
    return pd.DataFrame(figures)


class _Groups:
    """Rows of one pump in one period, numbered in the order of pump and start."""

    def __init__(self, pump: pd.Series, start: pd.DatetimeIndex) -> None:
        pump_code, pumps = pd.factorize(pump.astype(str), sort=True)
        start_code, starts = pd.factorize(start, sort=True)
        both, self._code = np.unique(pump_code * len(starts) + start_code, return_inverse=True)
        self._n = len(both)
        self.pump = np.asarray(pumps)[both // max(len(starts), 1)]
        self.start = starts[both % max(len(starts), 1)]

    def total(self, values: np.ndarray) -> np.ndarray:
        """Sum per group, in row order."""
        return np.bincount(self._code, values, self._n)

    def least_certain(self, points: pd.DataFrame, steady: np.ndarray) -> np.ndarray:
        """Name the least certain source any point of the group rests on; None without one."""
        order = pd.Index(SOURCES_BY_CERTAINTY)
        rank = order.get_indexer(pd.Index(points["suction_pressure_source"].astype(str)))
        worst = np.full(self._n, -1)
        np.maximum.at(worst, self._code[steady], rank[steady])
        names = np.array([*SOURCES_BY_CERTAINTY, None], dtype=object)
        return names[worst]


SOURCES_BY_CERTAINTY = (
    "measured",
    "modelled",
    "sister",
    "survey",
    "drawing",
    "level_only",
    "missing",
)
"""Where a suction pressure can come from, the most certain first."""
