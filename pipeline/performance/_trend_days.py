"""Days of a trend: those left out, and how much each of the others counts."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

MAD_TO_SD = 1.4826
GROSS_ERROR = 5.0  # robust deviations from the running median that leave a day out
RUNNING_MEDIAN_DAYS = 15
DAYS_BESIDE_CHANGE = 5  # running days whose median a day of change is held against
# Running days over which the scatter of day against day is seen, how far beyond the usual one it
# must be to be no chance, and how much of the days about it shares it.
SCATTER_DAYS = 21
LEAST_SCATTER = 1.6
SCATTER_REACH = 11

Floats = NDArray[np.float64]

__all__ = ["is_day_of_change", "is_gross", "relative_noise", "scatter"]


def is_gross(raw: Floats) -> NDArray[np.bool_]:
    """Mark days far from the running median."""
    running = pd.Series(raw).rolling(RUNNING_MEDIAN_DAYS, center=True, min_periods=5).median()
    away = np.abs(raw - running.to_numpy())
    spread = MAD_TO_SD * np.nanmedian(away)
    return np.asarray(away > GROSS_ERROR * max(spread, 1e-12))


def is_day_of_change(raw: Floats) -> NDArray[np.bool_]:
    """Mark days far from those before and from those after, and between the two.

    What changes during a day leaves a mean that is neither old nor new: as one large error of an
    alike kind it would turn a step into a wandering ramp.
    """
    series = pd.Series(raw)
    few = series.rolling(DAYS_BESIDE_CHANGE, min_periods=3).median()
    before, after = few.shift(1).to_numpy(), few.shift(-DAYS_BESIDE_CHANGE).to_numpy()
    spread = MAD_TO_SD * np.nanmedian(np.abs(np.diff(raw))) / np.sqrt(2.0)
    far = GROSS_ERROR * max(spread, 1e-12)
    with np.errstate(invalid="ignore"):
        apart = np.minimum(np.abs(raw - before), np.abs(raw - after)) > far
        return np.asarray(apart & ((raw - before) * (raw - after) < 0.0))


def scatter(raw: Floats) -> Floats:
    """Scatter of each day over the usual one, for weeks in which it is clearly larger; else one.

    Seen in the differences of neighbouring days, so that neither a step nor a ramp is scatter.
    """
    away = pd.Series(np.abs(np.diff(raw, prepend=np.nan)))
    usual = float(away.median())
    if not usual > 0.0:
        return np.ones(len(raw))
    few = SCATTER_DAYS // 2
    local = away.rolling(SCATTER_DAYS, center=True, min_periods=few).median() / usual
    local = local.where(local > LEAST_SCATTER, 1.0)
    reach = local.rolling(SCATTER_REACH, center=True, min_periods=1).max()
    return np.asarray(reach.to_numpy())


def relative_noise(table: pd.DataFrame, value: str) -> Floats:
    """Relative variance of the independent noise of each day."""
    if f"{value}_u_random" in table.columns:
        variance = table[f"{value}_u_random"].to_numpy(dtype=float) ** 2
    elif "n_points" in table.columns:
        variance = 1.0 / np.maximum(table["n_points"].to_numpy(dtype=float), 1.0)
    else:
        return np.ones(len(table))
    typical = float(np.nanmedian(variance))
    if not np.isfinite(typical) or typical <= 0:
        return np.ones(len(table))
    relative = np.nan_to_num(variance / typical, nan=4.0)
    # A day of one point may be poor, but no stated figure makes a day count twenty times.
    return np.clip(relative, 0.25, 25.0)
