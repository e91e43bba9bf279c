"""The duty profile: hours, volume and energy by flow and by the pumps that run together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.jobs.context import Run
from pipeline.months import Month
from pipeline.performance.operating_points import ALLOCATED, STEADY, ran

DUTY_BINS = 12
DUTY_SUMS = "duty_sums"
"""Working table: sums by pump, running combination and flow bin of one month."""

FLOW_UNKNOWN = -1
"""Bin of intervals without a flow, the one below zero: no flow that is known falls into it."""

NOBODY = "not known"
"""Combination of intervals in which nothing tells whether any pump ran."""

_UNSEEN_WIDTH = 1.0 / 3600.0
"""Width of the bins of a pump that was never seen to deliver [m3/s]."""


def duty_sums(points: pd.DataFrame, grid: float, widths: dict[str, float]) -> pd.DataFrame | None:
    """Sum a month by pump, running combination and flow bin.

    Every interval counts, so that time, volume and energy add up to those of the pump; head,
    efficiency and energy per volume rest on the operating points among them.

    Parameters
    ----------
    points : DataFrame
        Rows of ``operating_points`` of all pumps, SI.
    grid : float
        Length of an interval [s].
    widths : dict of str to float
        Width of a flow bin by pump [m3/s].

    Returns
    -------
    DataFrame or None
        One row per pump, combination and bin (`FLOW_UNKNOWN` where there is no flow): times
        [s], volumes [m3] and energies [J]; None without rows.
    """
    runs = ran(points)
    together = _running_together(points, runs)
    flow = points["flow"].to_numpy(dtype=float)
    power = points["electrical_power"].to_numpy(dtype=float)
    told = runs | (flow > 0.0) | (power > 0.0)
    if not told.any():
        return None
    width = points["pump"].astype(str).map(widths).fillna(_UNSEEN_WIDTH).to_numpy(dtype=float)
    # A meter's zero error reads below nothing.
    place = np.floor(np.nan_to_num(np.maximum(flow, 0.0) / width, nan=float(FLOW_UNKNOWN)))
    at_points = points["status"].isin((STEADY, ALLOCATED)).to_numpy()

    def of_points(values: np.ndarray) -> np.ndarray:
        return np.where(at_points, values, 0.0) * grid

    binned = pd.DataFrame(
        {
            "pump": points["pump"].astype(str).to_numpy(),
            "combination": together,
            "bin": place.astype(np.int64),
            "running_time": runs * grid,
            "point_time": at_points * grid,
            "allocated_time": (points["status"] == ALLOCATED).to_numpy() * grid,
            "volume": flow * grid,
            "electrical_energy": power * grid,
            "point_volume": of_points(flow),
            "point_energy": of_points(power),
            "hydraulic": of_points(points["hydraulic_power"].to_numpy()),
            "head_volume": of_points(points["total_head"].to_numpy() * flow),
        }
    )[told]
    return _summed(binned)


def _summed(rows: pd.DataFrame) -> pd.DataFrame:
    """Sum by key; what was never known stays unknown."""
    return rows.groupby(_DUTY_KEYS, sort=True).sum(min_count=1).reset_index()


_DUTY_KEYS = ["pump", "combination", "bin"]


def duty_profile(run: Run, widths: dict[str, float]) -> pd.DataFrame:
    """Hours, volume and energy by flow bin and running combination, of all months."""
    months = run.stage.months(DUTY_SUMS)
    if not months:
        return run.contract("duty_profile").empty()
    sums = run.stage.read_arrow(DUTY_SUMS, months).to_pandas()
    total = _summed(sums)
    step = total["pump"].map(widths).fillna(_UNSEEN_WIDTH)
    volume, energy = (total[n].where(total[n] > 0.0) for n in ("point_volume", "point_energy"))
    return pd.DataFrame(
        {
            "pump": total["pump"],
            "combination": total["combination"],
            "flow_low": total["bin"] * step,
            "flow_high": (total["bin"] + 1) * step,
            "running_time": total["running_time"],
            "point_time": total["point_time"],
            "allocated_time": total["allocated_time"],
            "volume": total["volume"],
            "electrical_energy": total["electrical_energy"],
            "total_head": total["head_volume"] / volume,
            "overall_efficiency": total["hydraulic"] / energy,
            "specific_energy": energy / volume,
        }
    )


def _running_together(points: pd.DataFrame, running: np.ndarray) -> np.ndarray:
    """Name for each row the pumps of the station that run in its interval."""
    code, names = pd.factorize(points["pump"].astype(str), sort=True)
    moment, _ = pd.factorize(points["time"])
    runs = np.zeros((int(moment.max()) + 1 if len(moment) else 0, len(names)), dtype=bool)
    runs[moment[running], code[running]] = True
    patterns, pattern = np.unique(runs, axis=0, return_inverse=True)
    words = np.array([" + ".join(names[row]) or NOBODY for row in patterns], dtype=object)
    return words[np.ravel(pattern)[moment]] if len(moment) else np.array([], dtype=object)


def flow_widths(run: Run, months: Sequence[Month]) -> dict[str, float]:
    """Width of a flow bin per pump: a round part of the highest flow of the first month.

    The first month with flow decides, so that bins do not move as data arrive. A flow that
    was shared out counts too: pumps that never run alone have no other.
    """
    width: dict[str, float] = {}
    for month in months:
        points = run.read("operating_points", [month], ("pump", "flow"))
        flowing = points[points["flow"] > 0.0]
        highest = flowing.groupby(flowing["pump"].astype(str))["flow"].quantile(0.95)
        for pump, flow in highest.items():
            width.setdefault(str(pump), _round_up(float(flow) / (0.8 * DUTY_BINS)))
        if len(width) == len(run.plant.pumps):
            break
    return width


def _round_up(value: float) -> float:
    """Round up to 1, 2 or 5 times a power of ten, in m³/h."""
    hourly = value * 3600.0
    power = 10.0 ** np.floor(np.log10(hourly))
    step = next(s for s in (1.0, 2.0, 5.0, 10.0) if hourly <= s * power * (1 + 1e-12))
    return float(step * power / 3600.0)
