"""The duty profile: hours, volume and energy by flow and by the pumps that run together."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.jobs.context import Run
from pipeline.months import Month
from pipeline.performance.operating_points import ALLOCATED, STEADY

DUTY_BINS = 12
DUTY_SUMS = "duty_sums"
"""Working table: sums by pump, running combination and flow bin of one month."""


def duty_sums(points: pd.DataFrame, grid: float, widths: dict[str, float]) -> pd.DataFrame | None:
    """Sums of a month by pump, running combination and flow bin."""
    together = _running_together(points)
    chosen = points["status"].isin((STEADY, ALLOCATED)).to_numpy()
    if not chosen.any():
        return None
    points, together = points[chosen], together[chosen]
    width = points["pump"].astype(str).map(widths).to_numpy(dtype=float)
    flow, power = points["flow"].to_numpy(), points["electrical_power"].to_numpy()
    shared = (points["status"] == ALLOCATED).to_numpy()
    binned = pd.DataFrame(
        {
            "pump": points["pump"].astype(str).to_numpy(),
            "combination": together,
            "bin": np.floor(flow / width).astype(np.int64),
            "running_time": grid,
            "allocated_time": shared * grid,
            "volume": flow * grid,
            "electrical_energy": power * grid,
            "hydraulic": points["hydraulic_power"].to_numpy() * grid,
            "head_volume": points["total_head"].to_numpy() * flow * grid,
        }
    )
    return binned.groupby(_DUTY_KEYS, sort=True).sum().reset_index()


_DUTY_KEYS = ["pump", "combination", "bin"]


def duty_profile(run: Run, widths: dict[str, float]) -> pd.DataFrame:
    """Hours, volume and energy by flow bin and running combination, of all months."""
    months = run.stage.months(DUTY_SUMS)
    if not months:
        return run.contract("duty_profile").empty()
    sums = run.stage.read_arrow(DUTY_SUMS, months).to_pandas()
    total = sums.groupby(_DUTY_KEYS, sort=True).sum(numeric_only=True).reset_index()
    step = total["pump"].map(widths)
    return pd.DataFrame(
        {
            "pump": total["pump"],
            "combination": total["combination"],
            "flow_low": total["bin"] * step,
            "flow_high": (total["bin"] + 1) * step,
            "running_time": total["running_time"],
            "allocated_time": total["allocated_time"],
            "volume": total["volume"],
            "electrical_energy": total["electrical_energy"],
            "total_head": total["head_volume"] / total["volume"],
            "overall_efficiency": total["hydraulic"] / total["electrical_energy"],
            "specific_energy": total["electrical_energy"] / total["volume"],
        }
    )


def _running_together(points: pd.DataFrame) -> np.ndarray:
    """Name for each row the pumps of the station that run in its interval."""
    code, names = pd.factorize(points["pump"].astype(str), sort=True)
    moment, _ = pd.factorize(points["time"])
    runs = np.zeros((int(moment.max()) + 1 if len(moment) else 0, len(names)), dtype=bool)
    runs[moment, code] = True
    patterns, pattern = np.unique(runs, axis=0, return_inverse=True)
    words = np.array([" + ".join(names[row]) for row in patterns], dtype=object)
    return words[np.ravel(pattern)[moment]] if len(moment) else np.array([], dtype=object)


def flow_widths(run: Run, months: Sequence[Month]) -> dict[str, float]:
    """Width of a flow bin per pump: a round part of the highest flow of the first month.

    The first month with points decides, so that bins do not move as data arrive.
    """
    width: dict[str, float] = {}
    for month in months:
        points = run.read("operating_points", [month], ("pump", "status", "flow"))
        steady = points[points["status"] == STEADY]
        highest = steady.groupby(steady["pump"].astype(str))["flow"].quantile(0.95)
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
