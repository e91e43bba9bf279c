"""What tells causes apart: gauges with the pump off, sister pumps, cleanings, low levels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

FEWEST_DAYS = 5
ALIKE_SHARE = 0.5  # least share of one pump's change that another must show
CLEAR = 4.0  # standard uncertainties a change must have to count
APART = 2.5  # standard uncertainties by which errors that should be one must differ
SLOPE_U = 0.1  # of the slope of a curve that was learned, as a part of it
# Days next to each other are alike: with lag-one 0.7 a mean has 5.7 times the variance.
ALIKE_DAYS = 5.7
LOW_SHARE = 0.25  # share of the points, those of the lowest level, that count as low
GONE_SHARE = 0.25  # share of the loss at low level that may be left at the other levels

__all__ = [
    "gauge_offset",
    "moved_alike",
    "moved_by_one_part",
    "only_when_low",
    "recovered_at",
    "rest_offsets",
    "stood",
]


def rest_offsets(
    rest: pd.DataFrame, reading: str, flows: Sequence[str], learned_to: pd.Timestamp
) -> pd.DataFrame:
    """Reading of a gauge with its pump off, less static pressure and what others' flow takes.

    Parameters
    ----------
    rest : DataFrame
        Hours with the pump off: ``time`` (datetime64[us, UTC]), ``static_pressure`` and
        `reading` [Pa] and the columns `flows` [m3/s]; any index, rows with NaN passed over.
    reading : str
        Column of the gauge [-].
    flows : sequence of str
        Columns of the flows other pumps send past the tap, one for each segment [-].
    learned_to : Timestamp
        End of the days the baseline was learned from [UTC].

    Returns
    -------
    DataFrame
        Range index: ``time`` and ``offset`` [Pa], which holds a constant of the gauge as well;
        its change is what tells. Empty with too few hours before `learned_to`.

    Notes
    -----
    The loss of the header goes with the square of its flow. Its size is learned from the same
    gauge before `learned_to`, so that a drift afterwards cannot hide in it.
    """
    columns = ["time", "static_pressure", reading, *flows]
    used = rest[columns].dropna().reset_index(drop=True)
    early = (used["time"] < learned_to).to_numpy()
    if early.sum() < FEWEST_DAYS * (len(flows) + 1):
        return pd.DataFrame({"time": used["time"].iloc[:0], "offset": pd.Series(dtype=float)})
    offset = (used[reading] - used["static_pressure"]).to_numpy(dtype=float)
    squares = np.square(used[list(flows)].to_numpy(dtype=float))
    shape = np.column_stack([np.ones(len(used)), squares])
    size = np.abs(shape[early]).max(axis=0)
    scaled = shape / np.where(size > 0.0, size, np.inf)
    found, *_ = np.linalg.lstsq(scaled[early], offset[early], rcond=1e-6)
    # A header takes pressure, it gives none.
    taken = scaled[:, 1:] @ np.minimum(found[1:], 0.0)
    return pd.DataFrame({"time": used["time"], "offset": offset - taken})


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
        variance += ALIKE_DAYS * float(value.var(ddof=1)) / len(value)
    return means[1] - means[0], float(np.sqrt(variance))


def _changes(
    pumps: Sequence[pd.DataFrame], column: str, learned_to: pd.Timestamp,
    after: tuple[pd.Timestamp, pd.Timestamp],
) -> list[tuple[float, float]]:  # fmt: skip
    """Change of each pump since its baseline was learned, with its standard uncertainty."""
    first = min(frame["time"].min() for frame in pumps)
    return [_change(frame, column, (first, learned_to), after) for frame in pumps]


def _is_clear(change: tuple[float, float]) -> bool:
    return abs(change[0]) > CLEAR * change[1]


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
    own, *others = _changes(pumps, column, learned_to, (start, end))
    return _is_clear(own) and all(
        ALIKE_SHARE <= other[0] / own[0] <= 1.0 / ALIKE_SHARE and _is_clear(other)
        for other in others
    )


def moved_by_one_part(
    pumps: Sequence[pd.DataFrame],
    column: str,
    parts: Sequence[float],
    learned_to: pd.Timestamp,
    start: pd.Timestamp,
    end: pd.Timestamp,
) -> bool:
    """Whether the changes of all pumps on one instrument may come of the same error of it.

    Parameters
    ----------
    pumps, column, learned_to, start, end
        As for `moved_alike`.
    parts : sequence of float
        What the deviation of each pump changes by for an error of one of the instrument: for a
        flow meter that of head is flow times slope over head [-].

    Returns
    -------
    bool
        False where some pump's error differs from the first one's beyond doubt; what is unsure
        contradicts nothing.
    """
    changes = _changes(pumps, column, learned_to, (start, end))
    shown = [
        (change / part, abs(u / part))
        for (change, u), part in zip(changes, parts, strict=True)
        if abs(part) > 0.0
    ]
    error, error_u = np.array(shown or [(np.nan, np.nan)]).T
    apart = np.abs(error - error[0])
    # The slope of a curve is itself known only so well.
    u = np.sqrt(error_u**2 + error_u[0] ** 2 + (SLOPE_U * error[0]) ** 2)
    return not bool(np.any(apart > APART * u))


def stood(
    pumps: Sequence[pd.DataFrame],
    column: str,
    learned_to: pd.Timestamp,
    start: pd.Timestamp,
    end: pd.Timestamp,
) -> bool:
    """Whether some other pump on the same instrument clearly did not move with the first.

    Parameters
    ----------
    pumps, column, learned_to, start, end
        As for `moved_alike`.

    Returns
    -------
    bool
        True where one of them moved by less than half as much beyond doubt: the instrument
        they share is then not what moved. False where too little is known.
    """
    if len(pumps) < 2:
        return False
    own, *others = _changes(pumps, column, learned_to, (start, end))
    return _is_clear(own) and any(
        float(np.sign(own[0])) * change + 2.0 * change_u < ALIKE_SHARE * abs(own[0])
        for change, change_u in others
    )


def only_when_low(points: pd.DataFrame, level: str, column: str) -> bool:
    """Whether a loss shows only while a level, or the margin of suction head, is low.

    Parameters
    ----------
    points : DataFrame
        Operating points of some weeks: ``time`` (datetime64[us, UTC]), `level` (any unit) and
        `column`, their deviation at the same flow [-]; any index, NaN passed over.
    level : str
        Column of the level or margin [-].
    column : str
        Column of the deviation [-].

    Returns
    -------
    bool
        True where the loss in the lowest quarter is clear and at most a quarter of it is left
        in the upper half.

    Notes
    -----
    Daily means are compared, since points of one day are alike. A level that hardly moves
    parts its points by noise, which shows no difference.
    """
    used = points[["time", level, column]].dropna()
    if used.empty:
        return False
    height = used[level].to_numpy(dtype=float)
    low, high = np.quantile(height, [LOW_SHARE, 0.5])
    day = used["time"].dt.floor("D")
    means = []
    for inside in (height <= low, height >= high):
        daily = used.loc[inside, column].groupby(day[inside]).mean()
        if len(daily) < FEWEST_DAYS:
            return False
        u = float(np.sqrt(ALIKE_DAYS * daily.var(ddof=1) / len(daily)))
        means.append((float(daily.mean()), u))
    (lost, lost_u), (left, left_u) = means
    clear = -lost > CLEAR * lost_u and left - lost > CLEAR * float(np.hypot(lost_u, left_u))
    return bool(clear and -left <= GONE_SHARE * -lost)


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
