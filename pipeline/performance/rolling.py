"""Rolling performance: hours and local days as ratios of sums, never as means of ratios."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from pipeline.months import day_starts
from pipeline.performance.operating_points import STEADY

Period = Literal["hour", "day"]


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
        One row per pump, period and start with at least one running interval; SI; see the
        ``rolling_performance`` contract.

    Notes
    -----
    Efficiencies are Σ hydraulic energy / Σ electrical energy over steady intervals. Volume and
    electrical energy count every interval in which they are known, so ``points`` below
    ``intervals`` says how much of the period the efficiency stands on. The systematic
    uncertainty of a period is the energy-weighted mean of its intervals' (it does not average
    out); the random part shrinks with the number of intervals.
    """
    pieces = [_periods(points, "hour", grid, zone), _periods(points, "day", grid, zone)]
    return pd.concat(pieces, ignore_index=True)


def _periods(points: pd.DataFrame, period: Period, grid: float, zone: str) -> pd.DataFrame:
    times = pd.DatetimeIndex(points["time"])
    start = times.floor("h") if period == "hour" else day_starts(times, zone)
    steady = (points["status"] == STEADY).to_numpy()
    p_el = points["electrical_power"].to_numpy()
    flow = points["flow"].to_numpy()
    used = np.where(steady, p_el, 0.0)
    source = points["suction_pressure_source"].to_numpy()
    sums = pd.DataFrame(
        {
            "pump": points["pump"].to_numpy(),
            "start": start,
            "intervals": 1,
            "points": steady.astype(np.int64),
            "volume": np.nan_to_num(flow) * grid,
            "electrical_energy": np.nan_to_num(p_el) * grid,
            "steady_electrical_energy": used * grid,
            "hydraulic_energy": _where(steady, points["hydraulic_power"]) * grid,
            "shaft_energy": _where(steady, points["shaft_power"]) * grid,
            "level_only_energy": _where(steady, points["level_only_hydraulic_power"]) * grid,
            "steady_volume": np.where(steady, flow, 0.0) * grid,
            "head_volume": _where(steady, points["total_head"] * flow) * grid,
            "measured": (steady & (source == "measured")).astype(np.int64),
            "suction_u": _where(steady, points["suction_pressure_u_systematic"]),
            "u_systematic": _where(steady, points["overall_efficiency_u_systematic"] * p_el) * grid,
            "u_random": (_where(steady, points["overall_efficiency_u_random"] * p_el) * grid) ** 2,
            "own_u": _where(steady, points["pump_efficiency_u_systematic"] * p_el) * grid,
            "own_u_random": (_where(steady, points["pump_efficiency_u_random"] * p_el) * grid) ** 2,
            "head_u": _where(steady, points["total_head_u_systematic"]),
        }
    )
    total = sums.groupby(["pump", "start"], sort=True).sum().reset_index()
    worst = _least_certain_source(points, start, steady)
    total = total.merge(worst, on=["pump", "start"], how="left")
    energy = total["steady_electrical_energy"].where(total["points"] > 0)
    count = total["points"].where(total["points"] > 0)
    shaft = total["shaft_energy"].where(total["shaft_energy"] > 0)
    steady_volume = total["steady_volume"].where(total["steady_volume"] > 0)
    return pd.DataFrame(
        {
            "pump": total["pump"],
            "period": period,
            "start": total["start"],
            "running_time": total["intervals"] * grid,
            "intervals": total["intervals"],
            "points": total["points"],
            "volume": total["volume"],
            "electrical_energy": total["electrical_energy"],
            "hydraulic_energy": total["hydraulic_energy"].where(total["points"] > 0),
            "flow": steady_volume / (count * grid),
            "total_head": total["head_volume"] / steady_volume,
            "overall_efficiency": total["hydraulic_energy"] / energy,
            "overall_efficiency_u_systematic": total["u_systematic"] / energy,
            "overall_efficiency_u_random": np.sqrt(total["u_random"]) / energy,
            "pump_efficiency": total["hydraulic_energy"] / shaft,
            "pump_efficiency_u_systematic": total["own_u"] / energy,
            "pump_efficiency_u_random": np.sqrt(total["own_u_random"]) / energy,
            "specific_energy": energy / steady_volume,
            "suction_pressure_source": total["suction_pressure_source"],
            "measured_suction": total["measured"] / count,
            "suction_pressure_u_systematic": total["suction_u"] / count,
            "level_only_overall_efficiency": total["level_only_energy"] / energy,
        }
    )


def _where(mask: np.ndarray, values: pd.Series) -> np.ndarray:
    return np.where(mask, values.to_numpy(dtype=float), 0.0)


def _least_certain_source(
    points: pd.DataFrame, start: pd.DatetimeIndex, steady: np.ndarray
) -> pd.DataFrame:
    """Name for each period the least certain source any of its points rests on."""
    order = pd.Index(SOURCES_BY_CERTAINTY)
    rank = order.get_indexer(points["suction_pressure_source"].astype(str))
    ranked = pd.DataFrame({"pump": points["pump"].to_numpy(), "start": start, "rank": rank})
    least = ranked[steady].groupby(["pump", "start"], sort=True)["rank"].max().reset_index()
    least["suction_pressure_source"] = order.to_numpy()[least.pop("rank").to_numpy()]
    return least


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
