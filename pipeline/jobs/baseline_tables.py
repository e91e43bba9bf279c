"""Rows of the tables ``baselines`` and ``baseline_curves``."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.hydraulics.drivers import electrical_power
from pipeline.jobs.baselines import Baseline
from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.shaft_power import motor_of

CURVE_POINTS = 41


def baseline_rows(baselines: Sequence[Baseline]) -> pd.DataFrame:
    """Give the rows of the ``baselines`` table."""
    rows = []
    for b in baselines:
        curve = b.curve
        rows.append(
            {
                "pump": b.epoch.pump.id,
                "start": b.epoch.start,
                "source": b.source,
                "period": b.period,
                "reason": b.reason,
                "status": curve.status_ if curve is not None else "insufficient_points",
                "learned_from": b.learned_from,
                "learned_to": b.learned_to,
                "points": int(curve.n_points_) if curve is not None else 0,
                "flow_low": curve.q_min_ if curve is not None else np.nan,
                "flow_high": curve.q_max_ if curve is not None else np.nan,
                "best_efficiency_flow": (
                    curve.best_efficiency_flow_ if curve is not None else np.nan
                ),
                "best_efficiency": (
                    float(_overall(b, curve, np.array([curve.best_efficiency_flow_]))[1][0])
                    if curve is not None
                    else np.nan
                ),
            }
        )
    return pd.DataFrame(rows)


def curve_rows(baselines: Sequence[Baseline]) -> pd.DataFrame:
    """Give the rows of the ``baseline_curves`` table."""
    pieces = []
    for b in baselines:
        curve = b.curve
        if curve is None or curve.status_ != "ok":
            continue
        flow = np.linspace(curve.q_min_, curve.q_max_, CURVE_POINTS)
        total_head, head_u = curve.predict_head(flow, return_std=True)
        power, efficiency, efficiency_u = _overall(b, curve, flow)
        pieces.append(
            pd.DataFrame(
                {
                    "pump": b.epoch.pump.id,
                    "start": b.epoch.start,
                    "flow": flow,
                    "total_head": total_head,
                    "total_head_u95": 2.0 * head_u,
                    "electrical_power": power,
                    "overall_efficiency": efficiency,
                    "overall_efficiency_u95": 2.0 * efficiency_u,
                }
            )
        )
    return pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame()


def _overall(
    b: Baseline, curve: BaselineCurve, flow: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Electrical power, overall efficiency and its standard uncertainty along a baseline.

    A maker's curve is one of shaft power: what the motor and the drive take is added as the
    plant file describes them, and nothing is known of it where it does not.
    """
    power = np.asarray(curve.predict_power(flow), dtype=float)
    efficiency, u = (np.asarray(a) for a in curve.predict_efficiency(flow, return_std=True))
    if curve.power != "shaft_power":
        return power, efficiency, u
    motor, _ = motor_of(b.epoch.pump)
    if motor is None:
        nothing = np.full(len(flow), np.nan)
        return nothing, nothing, nothing
    d = b.epoch.pump.driver
    drawn = np.asarray(
        electrical_power(
            power, motor, d.drive_efficiency, d.transmission_efficiency, d.power_measured_at
        )
    )
    with np.errstate(invalid="ignore", divide="ignore"):
        part = power / drawn
        # The driver's uncertainty is a part of its own efficiency, independent of the curve's.
        return drawn, efficiency * part, part * np.hypot(u, efficiency * d.efficiency_u)
