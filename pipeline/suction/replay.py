"""Which fit is in force in which month, replayed from the hourly rows.

A fit for a month rests on closed months before it, so that a closed month is never changed by
what came later. The fit in force is kept until a new one says something else, or knows more:
a refit for its own sake would put steps into every trend.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from .evidence import calibration_rows
from .line import SuctionLineModel
from .reasons import SERVED
from .tracked_fit import fit_tracked

MONTHS_OF_EVIDENCE = 12
"""Closed months with readings, per pump, that a fit rests on."""

MOST_ROWS_PER_PUMP = 1500
"""Rows of one pump are thinned evenly to about this many: neighbouring hours repeat each other,
and the fit's uncertainty is that of its independent rows."""

BETTER = 0.7
"""A new fit whose uncertainty is below this part of the old one's replaces it."""

OWN_FLOW = "flow_branch"


@dataclass(frozen=True, slots=True, kw_only=True)
class FitInForce:
    """The fit of one month.

    Parameters
    ----------
    month : str
        Month it is used in.
    since : str
        First month it was used in.
    model : SuctionLineModel
        Fitted.
    trained_from, trained_to : Timestamp or NaT
        Span of the readings.
    from_later : bool
        Whether it rests on readings later than the month, there being none before.
    """

    month: str
    since: str
    model: SuctionLineModel
    trained_from: Any
    trained_to: Any
    from_later: bool = False


def training_rows(
    rows: pd.DataFrame, month: str, *, months: int = MONTHS_OF_EVIDENCE
) -> pd.DataFrame:
    """Select what a fit for a month may rest on.

    Parameters
    ----------
    rows : DataFrame
        Usable rows of one line and epoch, with ``pump``, ``month`` and ``time``, in time order
        within each pump.
    month : str
        The month.
    months : int
        Most months per pump, the latest with readings.

    Returns
    -------
    DataFrame
        Rows of earlier months; where there are none at all, those of the month itself.
    """
    earlier = rows[rows["month"] < month]
    if earlier.empty:
        earlier = rows[rows["month"] == month]
    kept = []
    for _, mine in earlier.groupby("pump", sort=True):
        latest = sorted(mine["month"].unique())[-months:]
        chosen = mine[mine["month"].isin(latest)]
        spots = chosen["spot"].to_numpy(dtype=bool)
        step = max(1, -(-int((~spots).sum()) // MOST_ROWS_PER_PUMP))
        place = np.cumsum(~spots) - 1
        kept.append(chosen[spots | (place % step == 0)])
    return pd.concat(kept) if kept else earlier


def usable_rows(hours: pd.DataFrame, bad: pd.Series) -> pd.DataFrame:
    """Select hourly rows and spot readings that may teach a fit.

    Parameters
    ----------
    hours : DataFrame
        Hourly rows of one line, default index.
    bad : bool Series
        True where a gauge check found fault; on the same index.

    Returns
    -------
    DataFrame
        Steady rows with a trusted reading, in the order given.
    """
    needed = ["static_pressure", "velocity_pressure", OWN_FLOW]
    complete = hours[needed].notna().all(axis=1) & hours["reading"].notna()
    spots = hours[hours["spot"] & complete & hours["steady"].astype(bool)]
    gauged = hours[~hours["spot"] & complete]
    rows = calibration_rows(gauged, bad.loc[gauged.index] & True, own_column=OWN_FLOW)
    return pd.concat([rows, spots]).sort_index(kind="stable")


def replay_month(
    rows: pd.DataFrame,
    month: str,
    incumbent: FitInForce | None,
    parameters: Mapping[str, Any],
    judged_at: pd.DataFrame,
    cleanings: Mapping[str, Sequence[pd.Timestamp]] | None = None,
) -> FitInForce:
    """Decide which fit is in force in a month.

    Parameters
    ----------
    rows : DataFrame
        Usable rows of the line and epoch, all months.
    month : str
        The month.
    incumbent : FitInForce or None
        The fit of the month before.
    parameters : mapping
        Parameters of ``SuctionLineModel``.
    judged_at : DataFrame
        Rows of this month at which two fits are compared; model columns.
    cleanings : mapping of str to sequence of Timestamp, optional
        Declared cleanings by pump: steps of its branch's friction.

    Returns
    -------
    FitInForce
    """
    chosen = training_rows(rows, month)
    if incumbent is not None and chosen.empty:
        return _carried(incumbent, month)
    times = chosen["time"]
    # Friction that grew within the evidence is brought to what it was at its end.
    model, _ = fit_tracked(
        SuctionLineModel(**dict(parameters)),
        chosen,
        chosen["reading"].to_numpy(dtype=float),
        pd.DatetimeIndex(times),
        cleanings,
    )
    candidate = FitInForce(
        month=month,
        since=month,
        model=model,
        trained_from=times.min() if len(times) else pd.NaT,
        trained_to=times.max() if len(times) else pd.NaT,
    )
    if incumbent is None or replaces(model, incumbent.model, judged_at):
        return candidate
    return _carried(incumbent, month)


def _carried(incumbent: FitInForce, month: str) -> FitInForce:
    return FitInForce(
        month=month,
        since=incumbent.since,
        model=incumbent.model,
        trained_from=incumbent.trained_from,
        trained_to=incumbent.trained_to,
        from_later=False,
    )


def replaces(
    candidate: SuctionLineModel, incumbent: SuctionLineModel, judged_at: pd.DataFrame
) -> bool:
    """Tell whether a new fit should take the place of the one in force.

    It does where it contradicts the old one beyond their combined uncertainty, serves rows the
    old one declines, or is clearly more certain; never where it is declined itself.

    Parameters
    ----------
    candidate, incumbent : SuctionLineModel
        Fitted.
    judged_at : DataFrame
        Rows at which they are compared.

    Returns
    -------
    bool
    """
    known = judged_at[judged_at["pump"].isin(set(candidate.pumps_) & set(incumbent.pumps_))]
    if set(candidate.pumps_) - set(incumbent.pumps_):
        return True
    if known.empty:
        return False
    new_serves = candidate.decline(known) == SERVED
    old_serves = incumbent.decline(known) == SERVED
    if new_serves.sum() > 1.1 * old_serves.sum():
        return True
    both = new_serves & old_serves
    if not both.any():
        return False
    rows = known[both]
    new, new_u = candidate.predict(rows, return_std=True)
    old, old_u = incumbent.predict(rows, return_std=True)
    apart = np.abs(np.asarray(new) - np.asarray(old)) > 2.0 * np.hypot(new_u, old_u)
    better = float(np.median(np.asarray(new_u) / np.asarray(old_u))) < BETTER
    return bool(apart.mean() > 0.5 or better)
