"""What an overhaul or a cleaning brought back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.performance.economics import JOULES_PER_KWH

LEAST_DAYS = 5
"""Running days on each side of an event without which nothing is said of it [d]."""

ALIKE_DAYS = 7.0
"""Days next to each other share their error: so many count as one [d]. Common practice, no
source; a lag-one correlation of 0.75 gives as many."""

Floats = NDArray[np.float64]

K95 = 2.0

__all__ = [
    "LEAST_DAYS",
    "Level",
    "Payback",
    "Regained",
    "level",
    "payback",
    "regained",
    "saved_energy",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """Mean of a daily value on one side of an event.

    Parameters
    ----------
    mean, u : float
        The mean and the standard uncertainty that the days' scatter leaves; NaN with fewer
        than ``LEAST_DAYS`` days.
    days : int
        Days with a value [d].
    """

    mean: float
    u: float
    days: int


def level(values: pd.Series, weight: pd.Series) -> Level:
    """Take the mean of daily values, weighted by energy.

    Parameters
    ----------
    values : Series
        One per day; NaN where unknown [-].
    weight : Series
        Energy of each day, same index [J].

    Returns
    -------
    Level
        In the unit of the values [-].

    Notes
    -----
    The standard uncertainty is the standard deviation of the days over the square root of the
    number of weeks, for neighbouring days err alike.

    Examples
    --------
    >>> found = level(pd.Series([0.01, 0.03] * 14), pd.Series([1.0] * 28))
    >>> round(found.mean, 4), round(found.u, 4), found.days
    (0.02, 0.0051, 28)
    """
    value, size = values.to_numpy(dtype=float), weight.to_numpy(dtype=float)
    known = np.isfinite(value) & (size > 0.0)
    days = int(known.sum())
    if days < LEAST_DAYS:
        return Level(mean=np.nan, u=np.nan, days=days)
    mean = float(np.average(value[known], weights=size[known]))
    scatter = float(np.std(value[known], ddof=1))
    return Level(mean=mean, u=float(scatter / np.sqrt(max(days / ALIKE_DAYS, 1.0))), days=days)


def saved_energy(
    energy: float, share: Floats, weight: Floats, at_first: float, share_u: float
) -> tuple[float, float]:
    """Sum what has been saved so far.

    Parameters
    ----------
    energy : float
        Electrical energy since the event [J].
    share : ndarray
        What more the same work would have taken without it on each day for which that is
        known, part of the day's energy; NaN elsewhere [-].
    weight : ndarray
        Electrical energy of those days [J].
    at_first : float
        The share just after the event, which stands in where no day is known [-].
    share_u : float
        Standard uncertainty that all days share [-].

    Returns
    -------
    tuple of float
        Energy saved and its standard uncertainty; days of which nothing is known count with
        the mean of the others [J].

    Examples
    --------
    >>> known = np.array([0.04, 0.02, np.nan])
    >>> saved_energy(400.0, known, np.array([100.0, 100.0, 100.0]), 0.04, 0.01)
    (12.0, 4.0)
    """
    known = np.isfinite(share) & (weight > 0.0)
    mean = float(np.average(share[known], weights=weight[known])) if known.any() else at_first
    return energy * mean, energy * share_u


@dataclass(frozen=True, slots=True, kw_only=True)
class Regained:
    """What an overhaul or a cleaning brought back, at the same duty.

    Parameters
    ----------
    gain, gain_u : float
        Deviation after less deviation before, and its standard uncertainty [-].
    energy_per_year, energy_per_year_u : float
        Energy saved in a year of the same work [J/yr].
    saving_per_year, saving_per_year_u : float
        Its cost [currency/yr].
    """

    gain: float
    gain_u: float
    energy_per_year: float
    energy_per_year_u: float
    saving_per_year: float
    saving_per_year_u: float


def regained(
    before: tuple[float, float],
    after: tuple[float, float],
    *,
    energy_per_year: float,
    price: float,
) -> Regained:
    """Compare efficiency at the same duty before and after an event.

    Parameters
    ----------
    before, after : tuple of float
        Efficiency deviation from one and the same baseline and its standard uncertainty, the
        last level before and the first level after the event [-].
    energy_per_year : float
        Electrical energy the pump takes in a year since the event [J/yr].
    price : float
        Mean price of that energy [currency/kWh].

    Returns
    -------
    Regained
        Gain and saving.

    Notes
    -----
    The same work at the efficiency before would take E (1 + d_after) / (1 + d_before).
    """
    ratio = (1.0 + after[0]) / (1.0 + before[0])
    ratio_u = ratio * np.hypot(after[1] / (1.0 + after[0]), before[1] / (1.0 + before[0]))
    energy, energy_u = energy_per_year * (ratio - 1.0), energy_per_year * ratio_u
    money = price / JOULES_PER_KWH
    saving = energy * money
    return Regained(
        gain=after[0] - before[0],
        gain_u=float(np.hypot(after[1], before[1])),
        energy_per_year=energy,
        energy_per_year_u=float(energy_u),
        saving_per_year=saving,
        saving_per_year_u=float(energy_u * money),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Payback:
    """How long an event takes to earn its cost.

    Parameters
    ----------
    status : str
        ``ok``; ``no cost`` or ``no saving known`` where one of the two is not; ``no certain
        saving`` where the saving may as well be none.
    years : float
        Cost over yearly saving; NaN unless the status is ``ok`` [yr].
    low, high : float
        Interval of 95 %; the low end is told as long as some saving lies in the interval, the
        high end only where all of it saves [yr].
    """

    status: str
    years: float = np.nan
    low: float = np.nan
    high: float = np.nan


def payback(event_cost: float, saving_per_year: float, saving_per_year_u: float) -> Payback:
    """Work out the simple payback of an event.

    Parameters
    ----------
    event_cost : float
        Cost of the event; NaN where unknown [currency].
    saving_per_year, saving_per_year_u : float
        What it saves in a year and its standard uncertainty [currency/yr].

    Returns
    -------
    Payback
        Without a number of years where the saving is not certain (95 %).

    Notes
    -----
    Simple payback, without interest: cost over yearly saving. The ends of its interval are those
    of the saving, k = 2, turned over.

    Examples
    --------
    >>> found = payback(1500.0, 1000.0, 250.0)
    >>> found.years, found.low, found.high
    (1.5, 1.0, 3.0)
    >>> payback(1500.0, 100.0, 250.0).status
    'no certain saving'
    """
    if not np.isfinite(event_cost):
        return Payback(status="no cost")
    if not np.isfinite(saving_per_year) or not np.isfinite(saving_per_year_u):
        return Payback(status="no saving known")
    least = saving_per_year - K95 * saving_per_year_u
    most = saving_per_year + K95 * saving_per_year_u
    low = event_cost / most if most > 0.0 else np.nan
    if not least > 0.0:
        return Payback(status="no certain saving", low=low)
    return Payback(
        status="ok", years=event_cost / saving_per_year, low=low, high=event_cost / least
    )
