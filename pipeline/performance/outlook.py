"""When a loss crosses a threshold, and when an overhaul pays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.errors import RangeError
from pipeline.performance.trend import DAYS_PER_YEAR, Trend

__all__ = ["Due", "Outlook", "OverhaulTiming", "outlook", "overhaul_due", "overhaul_timing"]

K95 = 1.959964


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """When a loss is expected to reach a threshold.

    Parameters
    ----------
    status : str
        'expected', 'crossed', 'possible' (within the horizon only at an end of the interval),
        'not_in_sight' or 'no_trend'.
    days : float
        Days from the last day of the trend; 0 when crossed, infinite beyond the horizon [d].
    days_lower95, days_upper95 : float
        Interval of 95 %; the upper end is infinite where the loss may not be growing [d].
    """

    status: str
    days: float = np.nan
    days_lower95: float = np.nan
    days_upper95: float = np.nan


def outlook(trend: Trend, threshold: float, *, horizon_years: float = 3.0) -> Outlook:
    """Expect the day a deviation falls to a threshold.

    Parameters
    ----------
    trend : Trend
        Trend of a deviation where less is worse; turn the sign of others first.
    threshold : float
        Deviation at which something is to be done, such as -0.05 [-].
    horizon_years : float
        Beyond this nothing is said to be expected [yr].

    Returns
    -------
    Outlook
        Days and their interval.

    Notes
    -----
    The interval joins that of the level now and of the slope by Fieller's theorem, the two
    taken as independent (E. C. Fieller, J. R. Stat. Soc. B 16 (1954) 175). Steps do not
    announce themselves: the outlook is that of the steady change alone.
    """
    if trend.status != "ok":
        return Outlook(status="no_trend")
    gap = trend.level_now - threshold
    if gap <= 0.0:
        return Outlook(status="crossed", days=0.0, days_lower95=0.0, days_upper95=0.0)
    lower, upper = _fieller(gap, trend.level_now_u, -trend.slope_per_year, trend.slope_u)
    years = gap / -trend.slope_per_year if trend.slope_per_year < 0.0 else np.inf
    in_reach = lower <= horizon_years
    if not in_reach or years > horizon_years:
        return Outlook(
            status="possible" if in_reach else "not_in_sight",
            days=np.inf,
            days_lower95=lower * DAYS_PER_YEAR,
            days_upper95=np.inf,
        )
    return Outlook(
        status="expected",
        days=float(years * DAYS_PER_YEAR),
        days_lower95=lower * DAYS_PER_YEAR,
        days_upper95=upper * DAYS_PER_YEAR,
    )


def _fieller(gap: float, gap_u: float, rate: float, rate_u: float) -> tuple[float, float]:
    """95 % interval of gap over rate, for positive times only."""
    a = rate**2 - (K95 * rate_u) ** 2
    b = gap * rate
    c = gap**2 - (K95 * gap_u) ** 2
    inner = b**2 - a * c
    if a > 0.0:
        root = np.sqrt(max(inner, 0.0))
        return float(max((b - root) / a, 0.0)), float((b + root) / a)
    # The rate may be zero: no upper end; the lower end is the fastest rate not excluded.
    if inner <= 0.0 or c <= 0.0:
        return 0.0, np.inf
    if a < 0.0:
        fastest = [(b - np.sqrt(inner)) / a, (b + np.sqrt(inner)) / a]
    else:
        fastest = [c / (2.0 * b)] if b != 0.0 else []
    positive = [time for time in fastest if time > 0.0]
    return (float(min(positive)), np.inf) if positive else (np.inf, np.inf)


@dataclass(frozen=True, slots=True)
class OverhaulTiming:
    """When an overhaul costs least per unit of time.

    Parameters
    ----------
    interval : float
        Best time between overhauls [yr].
    mean_cost : float
        Mean cost at that interval, overhaul and excess energy [currency/yr].
    """

    interval: float
    mean_cost: float


def overhaul_timing(overhaul_cost: float, cost_growth: float, power: float = 1.0) -> OverhaulTiming:
    """Time between overhauls with the least mean cost.

    Parameters
    ----------
    overhaul_cost : float
        Cost of one overhaul [currency].
    cost_growth : float
        Growth of the yearly excess cost: after t years it is ``cost_growth * t**power``
        [currency/yr per yr**power].
    power : float
        Shape of the growth; 1 for a steady loss [-].

    Returns
    -------
    OverhaulTiming
        Interval and mean cost; infinite interval and zero mean cost where nothing grows.

    Raises
    ------
    RangeError
        When the overhaul cost or the power is not positive.

    Notes
    -----
    Mean cost O/T + C T**n / (n + 1) is least at T = ((n + 1) O / (n C))**(1 / (n + 1)), which is
    sqrt(2 O / C) for a steady growth (R. Beebe, Predictive Maintenance of Pumps Using Condition
    Monitoring, 2004; formula from memory). It counts energy only and takes the overhaul to
    bring back all that was lost.

    Examples
    --------
    >>> timing = overhaul_timing(50_000.0, 80.0)
    >>> round(timing.interval, 4), round(timing.mean_cost, 3)
    (35.3553, 2828.427)
    """
    if not overhaul_cost > 0.0 or not power > 0.0:
        raise RangeError(
            f"overhaul_cost and power must be positive; found {overhaul_cost!r} and {power!r}."
        )
    if not cost_growth > 0.0:
        return OverhaulTiming(np.inf, 0.0)
    interval = ((power + 1.0) * overhaul_cost / (power * cost_growth)) ** (1.0 / (power + 1.0))
    mean = overhaul_cost / interval + cost_growth * interval**power / (power + 1.0)
    return OverhaulTiming(float(interval), float(mean))


@dataclass(frozen=True, slots=True)
class Due:
    """When an overhaul is due.

    Parameters
    ----------
    years : float
        From now; 0 where it is due already, infinite where nothing grows [yr].
    earliest, latest : float
        Interval of 95 %; the latest is infinite where the loss may not be growing [yr].
    """

    years: float
    earliest: float
    latest: float


def overhaul_due(
    level: tuple[float, float], rate: tuple[float, float], overhaul_cost: float, energy_cost: float
) -> Due:
    """When the loss costs as much as the best cycle of overhauls does on average.

    Parameters
    ----------
    level : tuple of float
        Efficiency deviation now and its standard uncertainty [-].
    rate : tuple of float
        Its change per year and the standard uncertainty of that [1/yr].
    overhaul_cost : float
        Cost of one overhaul [currency].
    energy_cost : float
        Energy the pump takes in a year [currency/yr].

    Returns
    -------
    Due
        Time and interval.

    Notes
    -----
    To wait costs the loss of that time, to overhaul starts the cycle of `overhaul_timing` anew:
    waiting pays until the one costs as much a year as the other. What has been lost so far
    counts as it is, however it came about. The interval joins, by squares, how far the ends of
    level and rate move the time.

    Examples
    --------
    >>> due = overhaul_due((-0.0936, 0.001), (-0.064, 0.001), 6000.0, 30_000.0)
    >>> round(due.years, 4)
    1.0375
    """

    def years(deviation: float, change: float) -> float:
        if not change < 0.0:
            return np.inf
        interval = overhaul_timing(overhaul_cost, -change * energy_cost).interval
        return interval - deviation / change

    best = years(level[0], rate[0])
    if not np.isfinite(best):
        fastest = years(level[0], rate[0] - K95 * rate[1])
        return Due(np.inf, max(fastest, 0.0), np.inf)
    ends = [
        [years(level[0] + side * K95 * level[1], rate[0]) - best for side in (-1.0, 1.0)],
        [years(level[0], rate[0] + side * K95 * rate[1]) - best for side in (-1.0, 1.0)],
    ]
    early = best - float(np.hypot.reduce([max(-min(moved), 0.0) for moved in ends]))
    late = best + float(np.hypot.reduce([max(*moved, 0.0) for moved in ends]))
    return Due(max(best, 0.0), max(early, 0.0), max(late, 0.0))
