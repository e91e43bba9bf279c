"""What discharge pressure and flow still say of the suction side when no gauge does.

While suction pressure was known, the pressure rise of the pump drew a curve over its flow. If
the rise computed with *modelled* suction later falls below that curve, something was lost that
the model does not know of: a fouled strainer, a worn pump, a discharge gauge or a flow meter
that changed. Which one cannot be told from this alone, so the modelled value keeps its place
and its uncertainty grows by what is unexplained.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .fill import Estimate
from .findings import SUSPECT, Finding, findings_frame, in_kpa, runs_of
from .line import SuctionLineModel
from .replay import MONTHS_OF_EVIDENCE
from .solve import Array
from .time_varying import FrictionTrack

# Fewest hours and widest gap beyond the flows of the good period a comparison may rest on.
LEAST_HOURS = 48
DEFICIT_COLUMNS = ("deficit", "deficit_u", "rows")
CAUSES = (
    "restriction on the suction side (strainer, valve)",
    "internal leakage or impeller damage",
    "discharge gauge",
    "flow meter",
)
GAIN_CAUSES = (
    "less loss on the suction side than modelled (cleaned, opened)",
    "work on the pump",
    "discharge gauge",
    "flow meter",
)
_SIDES = (
    (1.0, "unexplained_head_loss", "below", CAUSES),
    (-1.0, "unexplained_head_gain", "above", GAIN_CAUSES),
)

# A day without a comparison takes the latest one no older than this.
CARRIED = pd.Timedelta(days=14)
# A shortfall of a day counts from this many of its standard uncertainties on.
TOLD_SIGMAS = 3.0

__all__ = [
    "CAUSES",
    "DEFICIT_COLUMNS",
    "check_rise",
    "month_deficit",
    "rise_deficit",
    "shortfall_of_days",
    "widen",
]


def rise_deficit(
    times: pd.DatetimeIndex,
    flow: Array,
    rise: Array,
    trained: NDArray[np.bool_],
    speed: Array | None = None,
) -> pd.DataFrame:
    """Daily shortfall of the pump's pressure rise against its own good period.

    Parameters
    ----------
    times : DatetimeIndex
        Start of each steady running hour, UTC, sorted.
    flow : array of shape (n,)
        Pump flow [m3/s].
    rise : array of shape (n,)
        Discharge less suction pressure [Pa]; suction measured or modelled.
    trained : bool array of shape (n,)
        True in the period in which the curve is learned (a trusted gauge).
    speed : array of shape (n,), optional
        Speed over a reference speed [-]; rise and flow are brought to it by the affinity laws.

    Returns
    -------
    DataFrame
        Index: days with at least three such hours, UTC. Columns `DEFICIT_COLUMNS`: median
        shortfall (positive: the rise is too low) and its random uncertainty [Pa], hours.
        Hours with a flow outside the good period's, or no curve at all: no row.

    Notes
    -----
    The curve is a parabola in flow, fitted by least squares with outliers beyond three
    standard deviations left out once.
    """
    ratio = np.ones_like(flow) if speed is None else np.asarray(speed, dtype=float)
    q, h = flow / ratio, rise / ratio**2
    good = np.isfinite(q) & np.isfinite(h) & (q > 0.0)
    learn = good & np.asarray(trained, dtype=bool)
    if learn.sum() < LEAST_HOURS:
        return _no_deficit()
    middle = float(q[learn].mean())
    curve = np.polynomial.Polynomial.fit(q[learn] - middle, h[learn], 2)
    rest = h[learn] - curve(q[learn] - middle)
    kept = np.flatnonzero(learn)[np.abs(rest) <= 3.0 * rest.std()]
    curve = np.polynomial.Polynomial.fit(q[kept] - middle, h[kept], 2)
    spread = float((h[kept] - curve(q[kept] - middle)).std())
    seen = good & (q >= q[kept].min()) & (q <= q[kept].max())
    short = pd.Series((curve(q[seen] - middle) - h[seen]) * ratio[seen] ** 2, index=times[seen])
    days = short.groupby(pd.DatetimeIndex(short.index).floor("D"))
    daily = pd.DataFrame({"deficit": days.median(), "rows": days.size().astype("float64")})
    daily = daily[daily["rows"] >= 3.0]
    # Hours of a day share their error: a day counts as three independent hours.
    daily["deficit_u"] = 1.25 * spread / np.sqrt(np.minimum(daily["rows"], 3.0))
    return daily[list(DEFICIT_COLUMNS)]


def _no_deficit() -> pd.DataFrame:
    return pd.DataFrame(
        {name: pd.Series(dtype="float64") for name in DEFICIT_COLUMNS},
        index=pd.DatetimeIndex([], tz="UTC").as_unit("us"),
    )


def month_deficit(
    hours: pd.DataFrame,
    model: SuctionLineModel,
    track: FrictionTrack | None,
    start: pd.Timestamp,
    end: pd.Timestamp,
) -> pd.DataFrame:
    """Shortfall of a pump's rise in the days of a month in which its gauge was not trusted.

    Parameters
    ----------
    hours : DataFrame
        Steady running hours of one pump since it last changed, in time order: ``time``,
        ``month``, ``reading`` and ``discharge`` [Pa], ``speed`` (over the reference speed
        [-]), ``is_trusted`` (bool: the suction reading may be used) and the model columns.
    model : SuctionLineModel
        The fit in force.
    track : FrictionTrack or None
        Friction of the pump's branch beside that fit.
    start, end : Timestamp
        The month, UTC.

    Returns
    -------
    DataFrame
        As `rise_deficit`, days from two weeks before the month to its end. The curve rests on
        trusted hours before the month alone, the latest `MONTHS_OF_EVIDENCE` months of them.
    """
    hours = hours[hours["discharge"].notna() & (hours["time"] < end)]
    trusted = hours["is_trusted"].to_numpy(dtype=bool)
    earlier = (hours["time"] < start).to_numpy()
    months = sorted(hours["month"][trusted & earlier].unique())[-MONTHS_OF_EVIDENCE:]
    learn = trusted & earlier & hours["month"].isin(months).to_numpy()
    judged = ~trusted & (hours["time"] >= start - CARRIED).to_numpy()
    judged &= hours[[*model.header_columns, model.branch_column]].notna().all(axis=1).to_numpy()
    if learn.sum() < LEAST_HOURS or not judged.any():
        return _no_deficit()
    rows = hours[learn | judged]
    suction = rows["reading"].to_numpy(dtype=float).copy()
    asked = judged[learn | judged]
    part = rows[asked]
    expected = np.asarray(model.predict_reading(part))
    if track is not None:
        multiplier, _ = track.at(pd.DatetimeIndex(part["time"]))
        loss = model.predict_losses(part)[model.branch_column].to_numpy()
        expected = expected - (multiplier - 1.0) * loss
    suction[asked] = expected
    found = rise_deficit(
        pd.DatetimeIndex(rows["time"]),
        rows[model.branch_column].to_numpy(dtype=float),
        rows["discharge"].to_numpy(dtype=float) - suction,
        ~asked,
        rows["speed"].to_numpy(dtype=float),
    )
    return found[found.index.isin(pd.DatetimeIndex(part["time"]).floor("D"))]


def shortfall_of_days(daily: pd.DataFrame, days: pd.DatetimeIndex) -> Array:
    """What each day must allow for, by the latest day known: told shortfall or excess [Pa].

    Parameters
    ----------
    daily : DataFrame
        Table of `rise_deficit`, in order of day.
    days : DatetimeIndex
        Days wanted, UTC, sorted.

    Returns
    -------
    array of shape (n,)
        Zero where no day within `CARRIED` before was off by `TOLD_SIGMAS` of its uncertainty.
    """
    if daily.empty:
        return np.zeros(len(days))
    told = daily["deficit"].abs() > TOLD_SIGMAS * daily["deficit_u"]
    size = daily["deficit"].abs().where(told, 0.0)
    return size.reindex(days, method="ffill", tolerance=CARRIED).fillna(0.0).to_numpy()


def check_rise(daily: pd.DataFrame, least: float = 1000.0) -> pd.DataFrame:
    """Intervals in which the pump's rise is not that of its good period.

    Parameters
    ----------
    daily : DataFrame
        Table of `rise_deficit`.
    least : float
        Smallest shortfall worth a word [Pa].

    Returns
    -------
    DataFrame
        As `check_gauge`: check ``unexplained_head_loss`` or ``unexplained_head_gain``, verdict
        ``suspect``, magnitude the largest difference. It never bars a gauge; it widens
        modelled values (`widen`).
    """
    found = []
    smooth = daily["deficit"].rolling(3, min_periods=2).median()
    bound = np.maximum(5.0 * daily["deficit_u"], least)
    for sign, check, word, causes in _SIDES:
        off = (sign * smooth > bound).to_numpy()
        for first, last in runs_of(off, bridge=2):
            size = float((sign * smooth.iloc[first : last + 1]).max())
            found.append(
                Finding(
                    daily.index[first],
                    daily.index[last] + pd.Timedelta(days=1),
                    check,
                    SUSPECT,
                    size,
                    float(daily["deficit_u"].iloc[first]),
                    f"Pressure rise is up to {in_kpa(size)} {word} that of the good period at "
                    f"the same flow. Not excluded: {'; '.join(causes)}. A portable gauge at the "
                    "suction tap would settle it.",
                )
            )
    return findings_frame(found)


def widen(estimate: Estimate, daily: pd.DataFrame, times: pd.DatetimeIndex) -> Estimate:
    """Let an unexplained shortfall join the systematic uncertainty of modelled rows.

    Parameters
    ----------
    estimate : Estimate
        Modelled suction pressure.
    daily : DataFrame
        Table of `rise_deficit`.
    times : DatetimeIndex
        Time of each row.

    Returns
    -------
    Estimate
        Same values; where the latest known day is off by more than `TOLD_SIGMAS` of its
        standard uncertainties, the difference is added in quadrature, so that the interval
        holds even if all of it lies on the suction side.
    """
    if daily.empty:
        return estimate
    place = daily.index.searchsorted(times, side="right") - 1
    inside = np.clip(place, 0, len(daily) - 1)
    short = np.abs(daily["deficit"].to_numpy()[inside])
    short = np.where(short > TOLD_SIGMAS * daily["deficit_u"].to_numpy()[inside], short, 0.0)
    short = np.where(place < 0, 0.0, short)
    return replace(estimate, u_systematic=np.hypot(estimate.u_systematic, short))
