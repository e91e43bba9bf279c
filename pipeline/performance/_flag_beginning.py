"""How a loss began: since which day, and at once or little by little."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.performance._flag_rules import FlagRules, Watched
from pipeline.performance.detection import RECENT_DAYS
from pipeline.performance.statistics import cusum

# Running days after the opening that tell a jump from a ramp: two months, or until the flag
# grows, which may be another jump.
SHAPE_DAYS = 60
FEWEST_SHAPE_DAYS = 20
BEGINNINGS = 60  # days on which a step or a ramp may have begun, when the two are compared

Floats = NDArray[np.float64]

__all__ = ["beginning"]


def beginning(
    daily: pd.DataFrame,
    one: Watched,
    span: tuple[int, int],
    grown: NDArray[np.int64],
    baseline_end: pd.Timestamp,
    rules: FlagRules,
) -> tuple[pd.Timestamp, bool]:
    """Find since when a loss is there, and whether it came at once.

    Parameters
    ----------
    daily : DataFrame
        As for `replay_flags`.
    one : Watched
        The deviation that opened the flag.
    span : tuple of int
        First and last day on which the flag is open [-].
    grown : ndarray of int
        Days after the first on which it grew [-].
    baseline_end : Timestamp
        End of the days the baseline was learned from [UTC].
    rules : FlagRules
        Thresholds.

    Returns
    -------
    tuple of Timestamp and bool
        Day after which a cumulative sum of the loss never came back to zero, and whether a
        jump fits the loss better than a ramp.
    """
    first, last = span
    days = pd.DatetimeIndex(daily["time"])
    told = int(grown[0]) - RECENT_DAYS if len(grown) else SHAPE_DAYS
    until = min(last, first + min(SHAPE_DAYS, max(told, FEWEST_SHAPE_DAYS)))
    loss = one.loss_sign * daily[one.column].to_numpy(dtype=float)
    learned = np.asarray(days < baseline_end) & np.isfinite(loss)
    target = float(loss[learned].mean()) if learned.any() else 0.0
    seen = np.nan_to_num(loss[: until + 1], nan=target) - target
    upper, _ = cusum(seen[: first + 1], 0.0, 0.5 * rules.least_loss)
    zero = np.flatnonzero(upper <= 0.0)
    begun = min(int(zero[-1]) + 1, first) if len(zero) else 0
    return days[begun], _is_jump(days, seen, int(learned[: until + 1].sum()))


def _is_jump(days: pd.DatetimeIndex, loss: Floats, n_learned: int) -> bool:
    """Whether a step on some day fits the loss so far better than a ramp from some day."""
    day = np.asarray((days[: len(loss)] - days[0]) / pd.Timedelta("1D"), dtype=float)
    begin = np.unique(np.linspace(n_learned, len(loss) - 1, BEGINNINGS).astype(int))
    step = (np.arange(len(loss)) >= begin[:, np.newaxis]).astype(float)
    # A pump that wore while its baseline was learned is on a ramp from the first day on; the
    # loss is counted from the mean of those days, and so is the ramp.
    early = np.unique(np.linspace(0, len(loss) - 1, BEGINNINGS).astype(int))
    ramp = np.maximum(day - day[early][:, np.newaxis], 0.0)
    if n_learned:
        ramp -= ramp[:, :n_learned].mean(axis=1, keepdims=True)

    def explained(shape: Floats) -> float:
        squares = np.sum(shape**2, axis=1)
        product = np.maximum(shape @ loss, 0.0)
        return float(np.max(product**2 / np.where(squares > 0.0, squares, np.inf)))

    return explained(step) > explained(ramp)
