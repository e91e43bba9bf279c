"""What each pump uses in a year, and what that costs at the hours at which it runs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.jobs.context import Run
from pipeline.jobs.money import energy_prices

YEAR = pd.Timedelta(days=365.25)
_HOUR = pd.Timedelta(hours=1)

__all__ = ["YEAR", "Use", "hours_of", "use_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Use:
    """Energy of a pump over a span, and its cost.

    Parameters
    ----------
    energy : float
        Electrical energy; NaN where no power is known [J].
    cost : float
        What it costs by the hour; NaN without a price [currency].
    span : Timedelta
        Length of the span, standstill included.
    """

    energy: float
    cost: float
    span: pd.Timedelta

    @property
    def cost_per_year(self) -> float:
        """Cost of a year at this rate of use; NaN for no span [currency/yr]."""
        return self.cost * (YEAR / self.span) if self.span > pd.Timedelta(0) else float("nan")

    @property
    def price(self) -> float:
        """Mean price of the energy [currency/J]."""
        return self.cost / self.energy if self.energy > 0.0 else float("nan")


def hours_of(run: Run, months: int | None = None) -> pd.DataFrame:
    """Read the hours in which any pump used energy, with price and cost.

    Parameters
    ----------
    run : Run
        With ``rolling_performance`` built.
    months : int, optional
        How many of the latest months; all where not given [-].

    Returns
    -------
    DataFrame
        ``pump``, ``start`` (UTC), ``electrical_energy`` [J], ``cost`` by the tariff of its time
        and ``cost_now`` by the present tariff [currency].
    """
    stored = run.stage.months("rolling_performance")
    wanted = stored if months is None else stored[-months:]
    columns = ("pump", "period", "start", "electrical_energy")
    rows = run.read("rolling_performance", wanted or None, columns)
    rows = rows[rows["period"] == "hour"].drop(columns="period").reset_index(drop=True)
    start = pd.DatetimeIndex(rows["start"])
    energy = rows["electrical_energy"].to_numpy(dtype=float)
    then, _ = energy_prices(run.plant, start)
    now, _ = energy_prices(run.plant, start, at=run.as_of)
    return rows.assign(pump=rows["pump"].astype(str), cost=energy * then, cost_now=energy * now)


def use_of(
    run: Run,
    hours: pd.DataFrame,
    pump: str,
    since: pd.Timestamp | None = None,
    until: pd.Timestamp | None = None,
    *,
    cost: str = "cost",
) -> Use:
    """Sum what a pump used.

    Parameters
    ----------
    run : Run
        For the plant.
    hours : DataFrame
        From `hours_of`.
    pump : str
        Which pump.
    since, until : Timestamp, optional
        The span, UTC; by default the year up to the end of the hours. It is cut to where there
        are hours of any pump, and to the pump's own time.
    cost : str
        ``cost`` or ``cost_now``.

    Returns
    -------
    Use
        A pump that stood all the time used nothing; one without a power meter is not known.
    """
    if hours.empty:
        return Use(energy=np.nan, cost=np.nan, span=pd.Timedelta(0))
    end = hours["start"].max() + _HOUR
    until = end if until is None else min(until, end)
    since = until - YEAR if since is None else since
    since = max(since, hours["start"].min(), run.plant.pumps[pump][0].valid_from)
    inside = (hours["pump"] == pump) & (hours["start"] >= since) & (hours["start"] < until)
    mine = hours[inside]
    if len(mine) and mine["electrical_energy"].notna().sum() == 0:
        return Use(energy=np.nan, cost=np.nan, span=until - since)
    return Use(
        energy=float(mine["electrical_energy"].sum()),
        cost=float(mine[cost].sum(min_count=1)) if len(mine) else 0.0,
        span=max(until - since, pd.Timedelta(0)),
    )
