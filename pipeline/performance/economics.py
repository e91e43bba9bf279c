"""What a loss takes and costs: excess power, suction losses, and prices by the hour.

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

JOULES_PER_KWH = 3.6e6

Floats = NDArray[np.float64]

__all__ = [
    "JOULES_PER_KWH",
    "EnergyCost",
    "TimeOfUse",
    "energy_cost",
    "excess_power",
    "lost_energy",
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


def lost_energy(
    lost: ArrayLike,
    price: ArrayLike,
    lost_u_random: ArrayLike,
    lost_u_systematic: ArrayLike,
    *,
    electrical_energy: float,
    compared_energy: ArrayLike,
    emissions_factor: ArrayLike = np.nan,
) -> EnergyCost:
    """Sum energy lost in spans of time and what it cost.

    Parameters
    ----------
    lost : array-like
        Energy lost in each span; NaN where not known [J].
    price : array-like
        Price in each span; NaN where not known [currency/J].
    lost_u_random, lost_u_systematic : array-like
        Standard uncertainty of `lost`: what is new in each span, and what all share [J].
    electrical_energy : float
        Electrical energy of the whole period [J].
    compared_energy : array-like
        That of each span [J].
    emissions_factor : array-like
        Emissions per energy in each span [kg/J].

    Returns
    -------
    EnergyCost
        The sums over the spans in which the loss is known.

    Notes
    -----
    Systematic parts add up, random parts add in quadrature (JCGM 100:2008, 5.2.2, for full
    and for no correlation).

    Examples
    --------
    >>> found = lost_energy([3.6e6, 7.2e6], 0.2 / 3.6e6, 0.0, [3.6e5, 3.6e5],
    ...                     electrical_energy=1e8, compared_energy=[2e7, 3e7])
    >>> round(found.cost, 3), round(found.cost_u, 3), found.known_share
    (0.6, 0.04, 0.5)
    """
    values = np.asarray(lost, dtype=float)
    known = np.isfinite(values)
    values = np.where(known, values, 0.0)
    random = np.where(known, np.asarray(lost_u_random, dtype=float), 0.0)
    systematic = np.where(known, np.asarray(lost_u_systematic, dtype=float), 0.0)

    def weighed(weight: ArrayLike) -> tuple[float, float]:
        factor = np.broadcast_to(np.asarray(weight, dtype=float), values.shape)[known]
        spread = np.sqrt(np.sum((factor * random[known]) ** 2))
        return (
            float(np.sum(factor * values[known])),
            float(np.hypot(spread, np.sum(factor * systematic[known]))),
        )

    energy, energy_u = weighed(1.0)
    cost, cost_u = weighed(price)
    emissions, emissions_u = weighed(emissions_factor)
    compared = float(np.nansum(np.asarray(compared_energy, dtype=float)[known]))
    nothing = not known.any()
    return EnergyCost(
        energy=np.nan if nothing else energy,
        energy_u=np.nan if nothing else energy_u,
        cost=np.nan if nothing else cost,
        cost_u=np.nan if nothing else cost_u,
        emissions=np.nan if nothing else emissions,
        emissions_u=np.nan if nothing else emissions_u,
        known_share=compared / electrical_energy if electrical_energy > 0 else np.nan,
    )


def energy_cost(
    intervals: pd.DataFrame,
    interval_length: float,
    tariff: TimeOfUse,
    *,
    emissions_factor: float = np.nan,
) -> EnergyCost:
    """Sum what a loss took and cost, interval by interval.

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
        The sums; see ``lost_energy``.
    """
    power = intervals["electrical_power"].to_numpy(dtype=float) * interval_length
    return lost_energy(
        intervals["lost_power"].to_numpy(dtype=float) * interval_length,
        tariff.at(pd.DatetimeIndex(intervals["time"])) / JOULES_PER_KWH,
        intervals["lost_power_u_random"].to_numpy(dtype=float) * interval_length,
        intervals["lost_power_u_systematic"].to_numpy(dtype=float) * interval_length,
        electrical_energy=float(np.nansum(power)),
        compared_energy=power,
        emissions_factor=emissions_factor / JOULES_PER_KWH,
    )
