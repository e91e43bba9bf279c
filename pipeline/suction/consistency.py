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

from .fill import Estimate
from .findings import SUSPECT, Finding, findings_frame, in_kpa, runs_of
from .solve import Array

# Fewest hours and widest gap beyond the flows of the good period a comparison may rest on.
LEAST_HOURS = 48
DEFICIT_COLUMNS = ("deficit", "deficit_u", "rows")
CAUSES = (
    "restriction on the suction side (strainer, valve)",
    "internal leakage or impeller damage",
    "discharge gauge",
    "flow meter",
)

__all__ = ["CAUSES", "DEFICIT_COLUMNS", "check_rise", "rise_deficit", "widen"]


def rise_deficit(
    times: pd.DatetimeIndex,
    flow: Array,
    rise: Array,
    trained: Array,
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
    empty = pd.DataFrame(
        {name: pd.Series(dtype="float64") for name in DEFICIT_COLUMNS},
        index=pd.DatetimeIndex([], tz="UTC"),
    )
    if learn.sum() < LEAST_HOURS:
        return empty
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


def check_rise(daily: pd.DataFrame, least: float = 1000.0) -> pd.DataFrame:
    """Intervals in which the pump's rise is short of its good period.

    Parameters
    ----------
    daily : DataFrame
        Table of `rise_deficit`.
    least : float
        Smallest shortfall worth a word [Pa].

    Returns
    -------
    DataFrame
        As `check_gauge`: check ``unexplained_head_loss``, verdict ``suspect``, magnitude the
        largest shortfall. It never bars a gauge; it widens modelled values (`widen`).
    """
    smooth = daily["deficit"].rolling(3, min_periods=2).median()
    high = smooth > np.maximum(5.0 * daily["deficit_u"], least)
    found = []
    for first, last in runs_of(high.to_numpy(), bridge=2):
        part = smooth.iloc[first : last + 1]
        size = float(part.max())
        found.append(
            Finding(
                daily.index[first],
                daily.index[last] + pd.Timedelta(days=1),
                "unexplained_head_loss",
                SUSPECT,
                size,
                float(daily["deficit_u"].iloc[first]),
                f"Pressure rise is up to {in_kpa(size)} below that of the good period at the "
                f"same flow. Not excluded: {'; '.join(CAUSES)}. A portable gauge at the suction "
                "tap would settle it.",
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
        Same values; where the latest known day is short by more than three of its standard
        uncertainties, the shortfall is added in quadrature, so that the interval holds even
        if all of it is lost on the suction side.
    """
    if daily.empty:
        return estimate
    place = daily.index.searchsorted(times, side="right") - 1
    inside = np.clip(place, 0, len(daily) - 1)
    short = daily["deficit"].to_numpy()[inside]
    short = np.where(short > 3.0 * daily["deficit_u"].to_numpy()[inside], short, 0.0)
    short = np.where(place < 0, 0.0, short)
    return replace(estimate, u_systematic=np.hypot(estimate.u_systematic, short))
