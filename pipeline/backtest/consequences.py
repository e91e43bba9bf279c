"""What an assumption would have made people do: trends, flags, verdicts of acceptance.

Everything is worked out twice on the same rows, with the gauge and with the assumption, by the
functions of the nightly job; what differs is the assumption's doing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.hydraulics.acceptance import GRADES, Guarantee, MeasuredCurve, judge
from pipeline.hydraulics.head import STANDARD_GRAVITY
from pipeline.months import day_starts
from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.deviation import daily_deviation, deviation
from pipeline.performance.flags import replay_flags
from pipeline.performance.trend import degradation_trend

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

__all__ = ["ACCEPTANCE_GRADE", "Consequences", "FlagsCompared", "compare_flags"]

ACCEPTANCE_GRADE = "ISO 9906:1999 class 2"
"""Flow 8 %, head 5 %, efficiency 5 %; see ``hydraulics.acceptance`` for where they are from."""

JUDGED_FLOWS = 5
NO_ROWS = "no_points"


@dataclass(frozen=True, slots=True)
class FlagsCompared:
    """Flags with the gauge against flags with the assumption.

    Parameters
    ----------
    measured : int
        Flags the gauge gives.
    raised : int
        Flags of the assumption that overlap none of them: false alarms.
    missed : int
        Flags of the gauge that overlap none of the assumption's.
    delay_days : float
        Mean delay of those found by both, negative where the assumption was earlier; NaN
        without any [d].
    """

    measured: int
    raised: int
    missed: int
    delay_days: float


def compare_flags(
    measured: pd.DataFrame, assumed: pd.DataFrame, end: pd.Timestamp
) -> FlagsCompared:
    """Compare two sets of flags of one pump.

    Parameters
    ----------
    measured, assumed : DataFrame
        Columns ``opened`` and ``closed`` (NaT while open) [UTC].
    end : Timestamp
        Where open flags end for the comparison [UTC].

    Returns
    -------
    FlagsCompared
    """
    first = measured["opened"].to_numpy(), measured["closed"].fillna(end).to_numpy()
    other = assumed["opened"].to_numpy(), assumed["closed"].fillna(end).to_numpy()
    together = (first[0][:, np.newaxis] <= other[1]) & (other[0] <= first[1][:, np.newaxis])
    delays = []
    for row in np.flatnonzero(together.any(axis=1)):
        opened = other[0][together[row]].min()
        delays.append((opened - first[0][row]) / pd.Timedelta("1D"))
    return FlagsCompared(
        measured=len(measured),
        raised=int((~together.any(axis=0)).sum()),
        missed=int((~together.any(axis=1)).sum()),
        delay_days=float(np.mean(delays)) if delays else np.nan,
    )


@dataclass(frozen=True, slots=True)
class _Story:
    """What one way of getting the suction pressure says over a span."""

    status: str
    rate: float
    flags: pd.DataFrame
    last: pd.Timestamp


class Consequences:
    """Trends, flags and verdicts of one pump over one span.

    Parameters
    ----------
    sample : DataFrame
        One row per hour in time order, all windows of the span: ``time``, ``flow``,
        ``total_head`` (measured), ``electrical_power``, ``density``, ``speed_ratio``, SI.
    pump : str
        The pump.
    zone : str
        Time zone of the station.
    learning_days : int
        Days with points a baseline is learned from.
    """

    def __init__(self, sample: pd.DataFrame, pump: str, zone: str, learning_days: int) -> None:
        self._pump, self._zone, self._learning_days = pump, zone, learning_days
        self._points = sample.reset_index(drop=True)
        self._days = day_starts(pd.DatetimeIndex(sample["time"]), zone)
        self._known: dict[bytes, _Story] = {}
        self._curves: dict[bytes, BaselineCurve] = {}
        self._head = sample["total_head"].to_numpy(dtype=float)
        self._per_metre = sample["density"].to_numpy(dtype=float) * STANDARD_GRAVITY

    def of(self, error: Floats, seen: Bools, u: float) -> dict[str, object]:
        """Compare the assumption with the gauge.

        Parameters
        ----------
        error : ndarray, shape (n,)
            Suction pressure assumed less read; NaN where there is no answer [Pa].
        seen : ndarray of bool, shape (n,)
            Rows in which the gauge was seen by the design; they count as measured in both.
        u : float
            Standard uncertainty the assumption states for itself; NaN where none [Pa].

        Returns
        -------
        dict
            ``trend_status``, ``rate_measured`` and ``rate_assumed`` [1/yr], ``flags_measured``,
            ``flags_raised``, ``flags_missed``, ``detection_delay`` [s],
            ``acceptance_assumed``.
        """
        used = seen | np.isfinite(error)
        wrong = np.where(seen, 0.0, error)
        level_u = 1e-6 if not np.isfinite(u) else u / float(np.median(self._head * self._per_metre))
        measured = self._story(self._head, used, seen, 1e-6)
        assumed = self._story(self._head - wrong / self._per_metre, used, seen, level_u)
        flags = compare_flags(measured.flags, assumed.flags, assumed.last)
        ok = measured.status == "ok" and assumed.status == "ok"
        return {
            "trend_status": assumed.status if measured.status == "ok" else measured.status,
            "rate_measured": measured.rate if ok else np.nan,
            "rate_assumed": assumed.rate if ok else np.nan,
            "flags_measured": flags.measured,
            "flags_raised": flags.raised,
            "flags_missed": flags.missed,
            "detection_delay": flags.delay_days * 86400.0,
            "acceptance_assumed": self._verdict(error),
        }

    def _learning(self, rows: Bools) -> Bools:
        """The first days with points among some rows."""
        days = np.unique(self._days[rows].asi8)[: self._learning_days]
        return rows & np.isin(self._days.asi8, days)

    def _curve(self, head: Floats, rows: Bools) -> BaselineCurve:
        key = head[rows].tobytes() + rows.tobytes()
        if key not in self._curves:
            points = self._points.assign(total_head=head)[rows]
            self._curves[key] = BaselineCurve().fit(points)
        return self._curves[key]

    def _story(self, head: Floats, used: Bools, seen: Bools, level_u: float) -> _Story:
        key = (
            np.where(used, head, np.nan).tobytes() + seen.tobytes() + np.float64(level_u).tobytes()
        )
        if key not in self._known:
            self._known[key] = self._told(head, used, seen, level_u)
        return self._known[key]

    def _told(self, head: Floats, used: Bools, seen: Bools, level_u: float) -> _Story:
        nothing = pd.DataFrame({"opened": pd.to_datetime([]), "closed": pd.to_datetime([])})
        points = self._points.assign(total_head=head)
        # Where the gauge worked at first, the baseline was learned with it.
        learning = self._learning(seen if seen.any() else used)
        if not learning.any():
            return _Story(NO_ROWS, np.nan, nothing, pd.NaT)  # type: ignore[arg-type]
        curve = self._curve(head, learning)
        if curve.status_ != "ok":
            return _Story(f"baseline_{curve.status_}", np.nan, nothing, pd.NaT)  # type: ignore[arg-type]
        told = points[used].reset_index(drop=True)
        found = deviation(told, curve)
        daily = daily_deviation(told, found, curve, time_zone=self._zone, mean_flow=True)
        if daily.empty:
            return _Story(NO_ROWS, np.nan, nothing, pd.NaT)  # type: ignore[arg-type]
        by_gauge = pd.Series(seen[used]).groupby(self._days[used]).mean() > 0.5
        gauge = by_gauge.reindex(pd.DatetimeIndex(daily["time"])).to_numpy(dtype=bool)
        if gauge.any() and not gauge.all():
            daily["level_group"] = np.where(gauge, "measured", "assumed")
            daily["level_group_u"] = np.where(gauge, 1e-6, max(level_u, 1e-6))
        trend = degradation_trend(daily, "efficiency_deviation")
        learned_to = self._points["time"][learning].max()
        flags = replay_flags(daily, self._pump, learned_to).flags
        return _Story(trend.status, trend.slope_per_year, flags, daily["time"].max())

    def _verdict(self, error: Floats) -> str:
        """Verdict on a sound pump, guaranteed to do what the gauge says it did when good."""
        rows = self._learning(np.isfinite(error))
        if not rows.any():
            return NO_ROWS
        points = self._points[rows]
        measured = self._curve(self._head, rows)
        assumed = self._curve(self._head - error / self._per_metre, rows)
        if measured.status_ != "ok" or assumed.status_ != "ok":
            return "not_covered"
        flow = float(points["flow"].median())
        guarantee = Guarantee(
            flow=flow,
            head=float(measured.predict_head(flow)),
            efficiency=float(measured.predict_efficiency(flow)),
        )
        low, high = assumed.q_min_, assumed.q_max_
        at = np.linspace(low, high, JUDGED_FLOWS) if high > low else np.array([flow])
        curve = MeasuredCurve(
            flow=at,
            head=assumed.predict_head(at),
            flow_u=0.0 * at,
            head_u=0.0 * at,
            efficiency=assumed.predict_efficiency(at),
            efficiency_u=0.0 * at,
            head_slope=-1.0 if len(at) == 1 else None,
        )
        return judge(guarantee, GRADES[ACCEPTANCE_GRADE], curve, "assumed").verdict
