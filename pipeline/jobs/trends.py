"""Trends of the daily deviations, and what of the instruments does not cancel in them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.hydraulics.head import STANDARD_GRAVITY
from pipeline.jobs.baselines import Baseline, less_unexplained, starts_of
from pipeline.jobs.context import Run
from pipeline.jobs.workers import Workers
from pipeline.performance.deviation import QUANTITIES, drift_of_deviations
from pipeline.performance.trend import Trend, degradation_trend
from pipeline.plant import Accuracy, Snapshot


def find_trends(run: Run, held: Workers, baselines: Sequence[Baseline]) -> None:
    """Build ``trends`` from all daily deviations."""
    inputs = [
        "trends", 1, run.fingerprints.perform, starts_of(baselines),
        _digests(run, "daily_deviations"),
    ]  # fmt: skip
    run.build("trends", None, inputs, lambda: _trend_rows(run, held, baselines))


def _digests(run: Run, table: str) -> list[list[str]]:
    return [list(item) for item in sorted(run.stage.digests(table).items())]


def _trend_rows(run: Run, held: Workers, baselines: Sequence[Baseline]) -> pd.DataFrame:
    found = held.map_with_run(run, "trends", _trends_of, baselines)
    return pd.DataFrame([row for rows in found for row in rows])


UNTOLD = 0.02
"""Uncertainty of the suction pressure, as a part of the head, that may be told of no pump."""
WORSE = 4.0


def level_groups(b: Baseline, daily: pd.DataFrame) -> dict[str, pd.Series]:
    """Days whose suction pressure is from one source share its error: no wear, but a level.

    The source the baseline was learned with carries the same error as the baseline.
    """
    source = daily["suction_pressure_source"].astype(str)
    own = source == b.suction_source
    known = less_unexplained(daily["suction_u_systematic"], daily["suction_u_unexplained"])
    return {"level_group": source, "level_group_u": known.where(~own, 1e-6)}


def is_untold(daily: pd.DataFrame) -> pd.Series:
    """Mark days whose suction pressure is too uncertain to tell a change of the pump.

    Parameters
    ----------
    daily : DataFrame
        Rows of ``daily_deviations`` of one baseline, in order of time.

    Returns
    -------
    bool Series
        True where an error of suction pressure moves the head by more than `UNTOLD`, and by
        `WORSE` times as much as on most days. The error of such days is no constant either:
        what it does within their weeks would pass for steps and ramps of the pump.

    Notes
    -----
    What is missing from the pump's own pressure rise counts only where it came and went: that
    may have been a strainer, and is no trend. A loss that is still there on the last day is what
    a trend is asked for, wherever it was lost.
    """
    unexplained = daily["suction_u_unexplained"].fillna(0.0)
    known = less_unexplained(daily["suction_u_systematic"], unexplained)
    least = max(UNTOLD, WORSE * float(known.median()))
    is_over = unexplained[::-1].cummin()[::-1] < 0.5 * least
    return (known > least) | ((unexplained > least) & is_over)


def _trends_of(run: Run, b: Baseline) -> list[dict[str, object]]:
    """Read what one baseline's trends are made of, and make them."""
    daily = run.read("daily_deviations")
    within = (
        (daily["pump"] == b.epoch.pump.id)
        & (daily["day"] >= b.epoch.start - pd.Timedelta("1D"))
        & (daily["day"] < b.epoch.end)
    )
    mine = daily[within].rename(columns={"day": "time"})
    mine["n_points"] = mine["points"]
    mine = mine.assign(**level_groups(b, mine))
    return baseline_trends((b, mine, drift_of(b, run.plant.at(_last(b, run.as_of)))))


def _last(b: Baseline, as_of: pd.Timestamp) -> pd.Timestamp:
    """An instant within the last day of an epoch."""
    return max(b.epoch.start, min(b.epoch.end, as_of) - pd.Timedelta("1D"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """What of the instruments does not cancel in a trend of one pump against itself.

    Parameters
    ----------
    deviations : mapping of str to float
        Declared drift, as standard uncertainty of the rate of each quantity [1/yr].
    flow_u : float
        Relative systematic uncertainty of the flow: which flow the rate is for [-].
    head_u, power_u : float
        Systematic uncertainty of the discharge pressure over the rise, and of the power meter
        over the power, absolute parts: they cancel in a sound pump's deviation, yet a loss is
        counted as a part of a head or power that is off by as much [-].
    """

    deviations: Mapping[str, float]
    flow_u: float = 0.0
    head_u: float = 0.0
    power_u: float = 0.0

    def scale_u(self, quantity: str, daily: pd.DataFrame) -> float:
        """Relative uncertainty of what a rate is a part of, suction pressure included [-]."""
        suction = daily["suction_u_systematic"].median()
        head = float(np.hypot(self.head_u, np.nan_to_num(suction)))
        return {"head": head, "power": self.power_u}.get(
            quantity, float(np.hypot(head, self.power_u))
        )


def drift_of(b: Baseline, now: Snapshot) -> Drift:
    """Put together what the plant file says of the drift of a pump's instruments.

    Parameters
    ----------
    b : Baseline
        The baseline.
    now : Snapshot
        The plant as it is at the end of the baseline's epoch.

    Returns
    -------
    Drift
        Zero where nothing is declared.
    """
    if b.curve is None or b.curve.status_ != "ok":
        return Drift(deviations=dict.fromkeys(QUANTITIES, 0.0))
    pump = b.epoch.pump
    meter = now.meter_of(pump.id) if pump.flow_tag is None else None

    def accuracy(name: str | None) -> Accuracy:
        return now.tags[name].accuracy if name in now.tags else Accuracy()

    flow = accuracy(pump.flow_tag if meter is None else meter.tag)
    power = accuracy(pump.power_tag)
    sides = [accuracy(pump.discharge_pressure_tag)]
    if b.suction_source == "measured":
        sides.append(accuracy(pump.suction_pressure_tag))
    at = b.curve.mean_flow_
    rise = b.curve.density * STANDARD_GRAVITY * float(b.curve.predict_head(at))
    watts = float(b.curve.predict_power(at))
    return Drift(
        deviations=drift_of_deviations(
            b.curve,
            float(np.hypot(flow.drift_relative, flow.drift_absolute / at)),
            float(np.hypot.reduce([x for a in sides for x in _pressure_drift(a, rise)])),
            float(np.hypot(power.drift_relative, power.drift_absolute / watts)),
        ),
        flow_u=float(np.hypot(flow.systematic_relative, flow.systematic_absolute / at)),
        head_u=sides[0].systematic_absolute / rise,
        power_u=power.systematic_absolute / watts,
    )


def _pressure_drift(accuracy: Accuracy, rise: float) -> tuple[float, float]:
    # A reading is about the rise of pressure at most, on either side of the pump.
    return accuracy.drift_absolute, accuracy.drift_relative * rise


def baseline_trends(asked: tuple[Baseline, pd.DataFrame, Drift]) -> list[dict[str, object]]:
    """Give the trends of one pump under one baseline.

    Parameters
    ----------
    asked : tuple of Baseline, DataFrame and Drift
        The baseline, its rows of ``daily_deviations`` with the day named ``time`` and the
        columns ``n_points``, ``level_group`` and ``level_group_u`` added, and what drifts.

    Returns
    -------
    list of dict
        Rows of the ``trends`` table.
    """
    head = one_trend(asked, "head")
    rate = float(head["rate"])  # type: ignore[arg-type]
    rows = [head] + [
        one_trend(asked, name, head_rate=rate) for name in QUANTITIES if name != "head"
    ]
    return [*rows, one_trend(asked, "efficiency", "level_only")]


def one_trend(
    asked: tuple[Baseline, pd.DataFrame, Drift],
    quantity: str,
    assumption: str = "as_used",
    head_rate: float = np.nan,
) -> dict[str, object]:
    """Give one of the trends of `baseline_trends`.

    Parameters
    ----------
    asked : tuple of Baseline, DataFrame and Drift
        As for `baseline_trends`.
    quantity : str
        ``head``, ``power`` or ``efficiency``.
    assumption : str
        ``as_used``, or ``level_only`` for efficiency.
    head_rate : float
        Rate of the head, which power needs and no other; NaN where there is none [1/yr].

    Returns
    -------
    dict
        A row of the ``trends`` table.
    """
    b, mine, drift = asked
    if assumption == "as_used" and quantity != "power":
        mine = mine[~is_untold(mine)]
    known = b.curve is not None and np.isfinite(b.curve.mean_flow_)
    flow = float(b.curve.mean_flow_) if b.curve is not None and known else None
    before = "" if assumption == "as_used" else f"{assumption}_"
    trend = degradation_trend(
        mine,
        f"{before}{quantity}_deviation",
        drift_u_per_year=drift.deviations[quantity],
        reference_flow=flow,
        flow_u=drift.flow_u,
        scale_u=drift.scale_u(quantity, mine),
        loss_rate=head_rate if quantity == "power" and np.isfinite(head_rate) else None,
    )
    return _trend_row(b, assumption, quantity, trend, mine)


def _trend_row(
    b: Baseline, assumption: str, name: str, trend: Trend, daily: pd.DataFrame
) -> dict[str, object]:
    known = trend.status == "ok"
    return {
        "pump": b.epoch.pump.id,
        "start": b.epoch.start,
        "assumption": assumption,
        "quantity": name,
        "status": trend.status,
        "rate": trend.slope_per_year,
        "rate_low": trend.lower95,
        "rate_high": trend.upper95,
        "reference_flow": trend.reference_flow,
        "first_day": daily["time"].min() if known else pd.NaT,
        "last_day": daily["time"].max() if known else pd.NaT,
        "days": int(trend.days_used),
        "method": trend.method,
    }
