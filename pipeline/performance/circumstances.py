"""What tells causes apart: gauges with the pump off, sister pumps, cleanings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

FEWEST_DAYS = 5
ALIKE_SHARE = 0.5  # least share of one pump's change that another must show
CLEAR = 4.0  # standard uncertainties a change must have to count

__all__ = ["gauge_offset", "moved_alike", "recovered_at"]


def gauge_offset(
    rest: pd.DataFrame, column: str, learned_to: pd.Timestamp, start: pd.Timestamp
) -> tuple[float, float]:
    """Change of a gauge's pump-off reading since the baseline.

    Parameters
    ----------
    rest : DataFrame
        Readings with the pump off: ``time`` (datetime64[us, UTC]) and `column`, reading less
        static pressure [Pa]; any index, NaN passed over.
    column : str
        Name of that column [-].
    learned_to : Timestamp
        End of the days the baseline was learned from [UTC].
    start : Timestamp
        Start of the days in question [UTC].

    Returns
    -------
    tuple of float
        Change and its standard uncertainty; NaN with fewer than five days on either side [Pa].

    Notes
    -----
    Days count, not readings: those of one day are alike.
    """
    known = rest.loc[rest[column].notna()]
    daily = known.groupby(known["time"].dt.floor("D"))[column].mean()
    days = pd.DatetimeIndex(daily.index)
    before, now = daily[days < learned_to], daily[days >= start]
    if min(len(before), len(now)) < FEWEST_DAYS:
        return np.nan, np.nan
    variance = before.var(ddof=1) / len(before) + now.var(ddof=1) / len(now)
    return float(now.mean() - before.mean()), float(np.sqrt(variance))


def _change(
    daily: pd.DataFrame, column: str, before: tuple[pd.Timestamp, pd.Timestamp],
    after: tuple[pd.Timestamp, pd.Timestamp],
) -> tuple[float, float]:  # fmt: skip
    """Change of a daily figure from one span to another, and its standard uncertainty."""
    time = daily["time"]
    means, variance = [], 0.0
    for start, end in (before, after):
        value = daily.loc[(time >= start) & (time < end), column].dropna()
        if len(value) < FEWEST_DAYS:
            return np.nan, np.nan
        means.append(float(value.mean()))
        # Days next to each other are alike: with lag-one 0.7 a mean has 5.7 times the variance.
        variance += 5.7 * float(value.var(ddof=1)) / len(value)
    return means[1] - means[0], float(np.sqrt(variance))


def moved_alike(
    pumps: Sequence[pd.DataFrame],
    column: str,
    learned_to: pd.Timestamp,
    start: pd.Timestamp,
    end: pd.Timestamp,
) -> bool:
    """Whether all pumps on one instrument moved the same way by much the same.

    Parameters
    ----------
    pumps : sequence of DataFrame
        Daily deviations of each pump on the instrument, the flagged one first: ``time``
        (datetime64[us, UTC], start of the day) and `column` [-].
    column : str
        The deviation that moved [-].
    learned_to : Timestamp
        End of the days the baselines were learned from [UTC].
    start, end : Timestamp
        Days in question [UTC].

    Returns
    -------
    bool
        True only where every other pump clearly moved, by between half and twice as much.
    """
    if len(pumps) < 2:
        return False
    first = min(frame["time"].min() for frame in pumps)
    own, own_u = _change(pumps[0], column, (first, learned_to), (start, end))
    if not abs(own) > CLEAR * own_u:
        return False
    for other in pumps[1:]:
        change, change_u = _change(other, column, (first, learned_to), (start, end))
        alike = ALIKE_SHARE <= change / own <= 1.0 / ALIKE_SHARE
        if not (alike and abs(change) > CLEAR * change_u):
            return False
    return True


def recovered_at(daily: pd.DataFrame, column: str, cleaned: pd.Timestamp, days: int = 15) -> bool:
    """Whether a loss went away at a cleaning.

    Parameters
    ----------
    daily : DataFrame
        Daily deviations: ``time`` (datetime64[us, UTC], start of the day) and `column` [-].
    column : str
        The deviation that had fallen [-].
    cleaned : Timestamp
        When strainer or suction line were cleaned [UTC].
    days : int
        Days each side that are compared [d].

    Returns
    -------
    bool
        True where it clearly rose, and by at least half of what had been lost.
    """
    width = pd.Timedelta(days=days)
    change, change_u = _change(
        daily, column, (cleaned - width, cleaned), (cleaned, cleaned + width)
    )
    time = daily["time"]
    lost = -float(daily.loc[(time >= cleaned - width) & (time < cleaned), column].mean())
    return bool(change > 2.0 * change_u and change >= 0.5 * lost > 0.0)
