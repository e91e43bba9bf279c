"""The good period of a pump for which none is declared: its first weeks without a change."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.performance.circumstances import ALIKE_DAYS

LEARNING_DAYS = 60
"""Days with operating points from which a baseline is learned."""

FEWEST_LEARNING_DAYS = 30
"""Days that are enough where something changed after them."""

LEAST_CHANGE = 0.02  # change at the same flow that parts two periods
CLEAR = 6.0  # standard uncertainties it must have: it is looked for on every day
SIDE_DAYS = 5  # days on either side of a change that must show it

Floats = NDArray[np.float64]

__all__ = ["FEWEST_LEARNING_DAYS", "LEARNING_DAYS", "Change", "first_change"]


@dataclass(frozen=True, slots=True)
class Change:
    """A sudden change of a pump while its baseline was to be learned.

    Parameters
    ----------
    day : Timestamp
        First day after it [UTC].
    days_before : int
        Days with points before it [-].
    quantity : str
        ``head`` or ``efficiency``, whichever changed more clearly.
    size : float
        Change at the same flow, part of what was before [-].
    """

    day: pd.Timestamp
    days_before: int
    quantity: str
    size: float


def first_change(points: pd.DataFrame) -> Change | None:
    """Find the clearest sudden change of head or efficiency at the same flow.

    Parameters
    ----------
    points : DataFrame
        Steady operating points in time order: ``time`` (datetime64[us, UTC]), ``flow`` [m3/s],
        ``total_head`` [m], ``electrical_power`` [W] and ``speed_ratio`` [-].

    Returns
    -------
    Change or None
        None where nothing changed clearly, or too little is known.

    Notes
    -----
    A parabola over flow is taken out of head and of efficiency, and the daily means before and
    after each day are compared. Their uncertainty counts neighbouring days as alike (see
    ``circumstances.ALIKE_DAYS``), and 2 % is past what a season does in two months (common
    practice, no source). A slow change is no change here: it is for the trend to find.
    """
    speed = np.nan_to_num(points["speed_ratio"].to_numpy(dtype=float), nan=1.0)
    flow = points["flow"].to_numpy(dtype=float) / speed
    head = points["total_head"].to_numpy(dtype=float) / speed**2
    power = points["electrical_power"].to_numpy(dtype=float) / speed**3
    with np.errstate(invalid="ignore", divide="ignore"):
        values = {"head": head, "efficiency": flow * head / power}
    found: list[tuple[float, Change]] = []
    for name, value in values.items():
        daily = _daily(points["time"], flow, value)
        n = len(daily)
        if n < 2 * SIDE_DAYS:
            continue
        y = daily.to_numpy()
        at = np.arange(SIDE_DAYS, n - SIDE_DAYS + 1)
        sums, squares = np.cumsum(y), np.cumsum(y**2)
        before, after = sums[at - 1] / at, (sums[-1] - sums[at - 1]) / (n - at)
        # Scatter about the two means, so that the change itself is none.
        left = squares[-1] - at * before**2 - (n - at) * after**2
        spread = np.maximum(left, 0.0) / max(n - 2, 1)
        u = np.sqrt(ALIKE_DAYS * spread * (1.0 / at + 1.0 / (n - at)))
        size = after - before
        certainty = np.abs(size) / np.maximum(u, 1e-9)
        best = int(np.argmax(certainty))
        if certainty[best] > CLEAR and abs(size[best]) > LEAST_CHANGE:
            day = pd.Timestamp(daily.index[at[best]])
            found.append(
                (float(certainty[best]), Change(day, int(at[best]), name, float(size[best])))
            )
    return max(found, key=lambda item: item[0])[1] if found else None


def _daily(time: pd.Series, flow: Floats, value: Floats) -> pd.Series:
    """Daily means of a value over its parabola of flow, less one."""
    known = np.isfinite(flow) & np.isfinite(value)
    if known.sum() < 3:
        return pd.Series(dtype=float)
    middle, width = float(flow[known].mean()), float(np.ptp(flow[known]))
    x = (flow[known] - middle) / (width or 1.0)
    shape = np.column_stack([np.ones_like(x), x, x**2])
    fitted = shape @ np.linalg.lstsq(shape, value[known], rcond=1e-6)[0]
    part = pd.Series(value[known] / fitted - 1.0)
    return part.groupby(time.dt.floor("D").to_numpy()[known]).mean()
