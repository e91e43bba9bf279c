"""Block bootstrap of days: intervals that know that neighbouring days are alike.

Days are drawn in runs of neighbours, so that an error that lasts for weeks counts once and not
once a day (H. R. Künsch, Annals of Statistics 17, 1989, 1217; in a circle so that every day is
drawn equally often: D. N. Politis and J. P. Romano, in Exploring the Limits of Bootstrap, 1992).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]

__all__ = ["Interval", "block_length", "draw_days", "interval_of", "quantile_of_days"]

DRAWS = 400
LONGEST_BLOCK = 30
FEWEST_DAYS = 5
QUANTILE_CELLS = 400


@dataclass(frozen=True, slots=True)
class Interval:
    """A figure with its 95 % interval; NaN where it cannot be told."""

    value: float = np.nan
    low: float = np.nan
    high: float = np.nan


def block_length(days: int) -> int:
    """Choose how many neighbouring days are drawn together.

    Parameters
    ----------
    days : int
        Days there are.

    Returns
    -------
    int
        A tenth of them, from one day to `LONGEST_BLOCK`: errors of level, density and friction
        move over weeks, and ten blocks are the fewest a spread can be read from.
    """
    return int(np.clip(round(days / 10), 1, LONGEST_BLOCK))


def draw_days(days: int, rng: np.random.Generator, draws: int = DRAWS) -> Floats:
    """Draw days in blocks.

    Parameters
    ----------
    days : int
        Days there are, in order of time.
    rng : Generator
        Source of randomness.
    draws : int
        How many times a set of days is drawn.

    Returns
    -------
    ndarray of float64, shape (draws, days)
        How often each day is drawn in each set; rows sum to `days`. No rows where there are
        fewer than `FEWEST_DAYS`.
    """
    if days < FEWEST_DAYS:
        return np.zeros((0, days))
    length = block_length(days)
    blocks = -(-days // length)
    start = rng.integers(0, days, (draws, blocks))
    place = (start[:, :, np.newaxis] + np.arange(length)) % days
    place = place.reshape(draws, -1)[:, :days]
    row = np.repeat(np.arange(draws), days)
    counts = np.bincount(row * days + place.ravel(), minlength=draws * days)
    return counts.reshape(draws, days).astype(float)


def interval_of(value: float, drawn: Floats) -> Interval:
    """Join a figure and what the draws made of it.

    Parameters
    ----------
    value : float
        From the days as they were.
    drawn : ndarray, shape (draws,)
        From each draw.

    Returns
    -------
    Interval
        Percentiles 2.5 and 97.5 of the draws.
    """
    known = drawn[np.isfinite(drawn)]
    if not np.isfinite(value) or not len(known):
        return Interval(value)
    low, high = np.quantile(known, (0.025, 0.975))
    return Interval(float(value), float(low), float(high))


def quantile_of_days(
    values: Floats, day: NDArray[np.int64], counts: Floats, share: float
) -> Interval:
    """Quantile of values that belong to days, with its interval.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The values.
    day : ndarray of int64, shape (n,)
        Number of the day each belongs to.
    counts : ndarray, shape (draws, days)
        As from `draw_days`.
    share : float
        Which quantile [-].

    Returns
    -------
    Interval
        The quantile is that of the values themselves; draws count the values of a day as often
        as the day is drawn and read the quantile off `QUANTILE_CELLS` cells.
    """
    if not len(values):
        return Interval()
    value = float(np.quantile(values, share))
    if not len(counts):
        return Interval(value)
    edges = np.unique(np.quantile(values, np.linspace(0.0, 1.0, QUANTILE_CELLS + 1)))
    cell = np.clip(np.searchsorted(edges, values, side="left"), 0, len(edges) - 1)
    days = counts.shape[1]
    table = np.bincount(day * len(edges) + cell, minlength=days * len(edges))
    drawn = np.cumsum(counts @ table.reshape(days, len(edges)).astype(float), axis=1)
    total = drawn[:, -1:]
    place = np.argmax(drawn >= share * total, axis=1)
    return interval_of(value, np.where(total[:, 0] > 0, edges[place], np.nan))


def ratio_of_sums(
    days: pd.DataFrame | Mapping[str, Floats], above: str, below: str, counts: Floats
) -> tuple[float, Floats]:
    """One sum over another, for the days as they were and for every draw."""
    top = np.asarray(days[above], dtype=float)
    bottom = np.asarray(days[below], dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = float(top.sum() / bottom.sum()) if bottom.sum() else np.nan
        return value, (counts @ top) / (counts @ bottom)
