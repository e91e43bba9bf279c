"""What a loss costs, when it crosses a threshold, and when an overhaul pays.

Excess power is that of the loss alone, P_el (1 - eta / eta_baseline) at the same flow and
reference speed. The energy that suction losses cost is counted apart: cleaning brings it
back, an overhaul of the pump does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import RangeError
from pipeline.performance.trend import DAYS_PER_YEAR, Trend

JOULES_PER_KWH = 3.6e6

Floats = NDArray[np.float64]

__all__ = [
    "EnergyCost",
    "Outlook",
    "OverhaulTiming",
    "Regained",
    "TimeOfUse",
    "energy_cost",
    "excess_power",
    "outlook",
    "overhaul_timing",
    "regained",
    "suction_loss_power",
]


def excess_power(electrical_power: ArrayLike, efficiency_deviation: ArrayLike) -> Floats:
    """Power taken beyond what the baseline would take for the same work.

    Parameters
    ----------
    electrical_power : array-like
        Electrical power [W].
    efficiency_deviation : array-like
        Efficiency over baseline efficiency at the same flow and reference speed, less one [-].

    Returns
    -------
    ndarray
        Excess power, negative for a pump better than its baseline [W].

    Notes
    -----
    P_el (1 - eta / eta_b). A pump at 55 % that did 78 % wastes 29.5 % of its power: the tip
    sheet "Test for Pumping System Efficiency" of the US DOE (figures from memory).

    Examples
    --------
    >>> round(float(excess_power(235e3, 0.55 / 0.78 - 1.0)) / 1e3, 1)
    69.3
    """
    power = np.asarray(electrical_power, dtype=float)
    return np.asarray(-power * np.asarray(efficiency_deviation, dtype=float))


def suction_loss_power(suction_loss: ArrayLike, flow: ArrayLike, efficiency: ArrayLike) -> Floats:
    """Electrical power that a pressure loss in the suction line costs.

    Parameters
    ----------
    suction_loss : array-like
        Friction between the source and the pump, or what of it cleaning would remove [Pa].
    flow : array-like
        Pump flow [m3/s].
    efficiency : array-like
        Overall efficiency [-].

    Returns
    -------
    ndarray
        Power; NaN where efficiency is not positive [W].

    Examples
    --------
    >>> float(suction_loss_power(10e3, 0.1, 0.5))
    2000.0
    """
    eta = np.asarray(efficiency, dtype=float)
    hydraulic = np.asarray(suction_loss, dtype=float) * np.asarray(flow, dtype=float)
    return np.asarray(hydraulic / np.where(eta > 0.0, eta, np.nan))


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeOfUse:
    """Energy price by hour of the local week.

    Parameters
    ----------
    price : tuple of float
        168 prices, from Monday 00:00 to Sunday 23:00 [currency/kWh].
    time_zone : str
        IANA name of the zone of those hours.

    Notes
    -----
    A flat tariff is `TimeOfUse.flat`.
    """

    price: tuple[float, ...]
    time_zone: str = "UTC"

    def __post_init__(self) -> None:
        if len(self.price) != 168:
            raise RangeError(
                f"A week has 168 hourly prices; found {len(self.price)}. "
                "Give one price per hour from Monday 00:00."
            )

    @classmethod
    def flat(cls, price: float) -> TimeOfUse:
        """One price for all hours.

        Parameters
        ----------
        price : float
            The price [currency/kWh].

        Returns
        -------
        TimeOfUse
            The tariff [currency/kWh].
        """
        return cls(price=(float(price),) * 168)

    def at(self, time: pd.DatetimeIndex) -> Floats:
        """Price at the start of each interval.

        Parameters
        ----------
        time : DatetimeIndex
            Interval starts, UTC.

        Returns
        -------
        ndarray
            Price [currency/kWh].
        """
        local = time.tz_convert(self.time_zone)
        return np.array(self.price)[np.asarray(local.day_of_week * 24 + local.hour)]


@dataclass(frozen=True, slots=True, kw_only=True)
class EnergyCost:
    """Energy and its cost over a period, with standard uncertainties.

    Parameters
    ----------
    energy, energy_u : float
        Energy [J].
    cost, cost_u : float
        Cost [currency].
    emissions, emissions_u : float
        Emissions; NaN without a factor [kg].
    known_share : float
        Share of the electrical energy of the period for which the loss is known; the sums are
        over that share only and are not scaled up [-].
    """

    energy: float
    energy_u: float
    cost: float
    cost_u: float
    emissions: float
    emissions_u: float
    known_share: float


def energy_cost(
    intervals: pd.DataFrame,
    interval_length: float,
    tariff: TimeOfUse,
    *,
    emissions_factor: float = np.nan,
) -> EnergyCost:
    """Sum what a loss took and cost.

    Parameters
    ----------
    intervals : DataFrame
        One row per running interval: ``time`` (datetime64[us, UTC], interval start),
        ``electrical_power`` [W], ``lost_power`` [W] (excess or suction loss; NaN where not
        known), ``lost_power_u_random`` and ``lost_power_u_systematic`` [W].
    interval_length : float
        Length of an interval [s].
    tariff : TimeOfUse
        Prices.
    emissions_factor : float
        Emissions per energy [kg/kWh].

    Returns
    -------
    EnergyCost
        The sums.

    Notes
    -----
    Systematic parts add up, random parts add in quadrature.
    """
    lost = intervals["lost_power"].to_numpy(dtype=float)
    known = np.isfinite(lost)
    price = tariff.at(pd.DatetimeIndex(intervals["time"])) / JOULES_PER_KWH
    lost = np.where(known, lost, 0.0)
    random = np.where(known, intervals["lost_power_u_random"].to_numpy(dtype=float), 0.0)
    systematic = np.where(known, intervals["lost_power_u_systematic"].to_numpy(dtype=float), 0.0)

    def spread(weight: Floats) -> float:
        return float(
            interval_length
            * np.hypot(np.sqrt(np.sum((weight * random) ** 2)), np.sum(weight * systematic))
        )

    energy = float(lost.sum() * interval_length)
    energy_u = spread(np.ones(len(lost)))
    per_joule = emissions_factor / JOULES_PER_KWH
    power = intervals["electrical_power"].to_numpy(dtype=float)
    total = float(np.nansum(power))
    return EnergyCost(
        energy=energy,
        energy_u=energy_u,
        cost=float(np.sum(lost * price) * interval_length),
        cost_u=spread(price),
        emissions=energy * per_joule,
        emissions_u=energy_u * per_joule,
        known_share=float(np.nansum(power[known]) / total) if total > 0 else np.nan,
    )


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """When a loss is expected to reach a threshold.

    Parameters
    ----------
    status : str
        'expected', 'crossed', 'not_in_sight' or 'no_trend'.
    days : float
        Days from the last day of the trend; 0 when crossed, infinite when not in sight [d].
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
    if lower > horizon_years or years > horizon_years:
        return Outlook(
            status="not_in_sight",
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
    factor = 1.959964
    a = rate**2 - (factor * rate_u) ** 2
    b = gap * rate
    c = gap**2 - (factor * gap_u) ** 2
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
    payback_years : float
        Cost of the event over the saving; infinite where nothing is saved [yr].
    """

    gain: float
    gain_u: float
    energy_per_year: float
    energy_per_year_u: float
    saving_per_year: float
    saving_per_year_u: float
    payback_years: float


def regained(
    before: tuple[float, float],
    after: tuple[float, float],
    *,
    energy_per_year: float,
    price: float,
    event_cost: float = np.nan,
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
    event_cost : float
        Cost of the event; NaN where unknown [currency].

    Returns
    -------
    Regained
        Gain, saving and payback.

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
        payback_years=event_cost / saving if saving > 0.0 else np.inf,
    )
