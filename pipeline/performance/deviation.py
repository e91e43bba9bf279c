"""How far a pump is from its baseline at the same flow and reference speed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from pipeline.hydraulics._numeric import STANDARD_GRAVITY
from pipeline.months import day_starts
from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.reduction import reduce_points

QUANTITIES = ("head", "power", "efficiency")

__all__ = [
    "QUANTITIES",
    "daily_deviation",
    "deviation",
    "deviation_of_flow_error",
    "drift_of_deviations",
]

Floats = NDArray[np.float64]


def deviation(
    points: pd.DataFrame,
    baseline: BaselineCurve,
    *,
    systematic_cancels: ArrayLike = True,
) -> pd.DataFrame:
    """Deviation of head, power and efficiency from the baseline at the same flow.

    Parameters
    ----------
    points : DataFrame
        As `pipeline.performance.reduction.reduce_points` takes; missing ``*_u_random`` and
        ``*_u_systematic`` columns count as zero. Any index.
    baseline : BaselineCurve
        The fitted baseline; its `power` names the power column.
    systematic_cancels : bool or array-like of bool
        Whether the instruments (and the source of suction pressure) of a point are those the
        baseline was learned with, so that their systematic errors are in both and cancel; one
        for all points or one per point [-].

    Returns
    -------
    DataFrame
        Same index and row order. Per quantity q in head, power, efficiency: ``q_deviation``
        (relative: measured over baseline at the same flow, less one; NaN where declined),
        ``q_deviation_u_random``, ``q_deviation_u_systematic`` (instrument parts that do not
        cancel, and the baseline's own), all [-]; ``deviation_status``: 'ok',
        'missing_input', 'outside_baseline_range' or 'no_baseline'.

    Notes
    -----
    A flow error enters twice: through the flow itself and through the baseline read at the
    wrong flow. At the same flow, one plus the efficiency deviation is one plus the head
    deviation over one plus the power deviation, so flow itself drops out: with
    a = Q H_b'/H_b and b = Q P_b'/P_b the relative sensitivities to flow are -a for head, -b
    for power and b - a for efficiency (JCGM 100:2008, 5.1.2).

    A systematic error cancels only to first order and only near the baseline's flows.
    """
    reduced = reduce_points(points, baseline.power, baseline.density)
    flow = reduced["flow"].to_numpy()
    head = reduced["total_head"].to_numpy()
    power = reduced[baseline.power].to_numpy()
    head_0, head_0_u = baseline.predict_head(flow, return_std=True)
    power_0, power_0_u = baseline.predict_power(flow, return_std=True)
    eta_0, eta_0_u = baseline.predict_efficiency(flow, return_std=True)
    present = np.isfinite(flow) & np.isfinite(head) & np.isfinite(power) & (power > 0)
    outside = baseline.is_outside(flow)

    with np.errstate(divide="ignore", invalid="ignore"):
        head_ratio, power_ratio = head / head_0, power / power_0
        values = {
            "head": head_ratio,
            "power": power_ratio,
            "efficiency": head_ratio / power_ratio,
        }
        curve_u = {
            "head": head_0_u / head_0,
            "power": power_0_u / power_0,
            "efficiency": eta_0_u / eta_0,
        }
        head_lean = flow * baseline.head_slope(flow) / head_0
        power_lean = flow * baseline.power_slope(flow) / power_0
        sensitivities = {
            "head": (1.0, 0.0, -head_lean),
            "power": (0.0, 1.0, -power_lean),
            "efficiency": (1.0, -1.0, power_lean - head_lean),
        }
        relative = {
            part: tuple(
                _relative(reduced, name, part) for name in ("total_head", baseline.power, "flow")
            )
            for part in ("random", "systematic")
        }

    cancels = np.broadcast_to(np.asarray(systematic_cancels, dtype=bool), flow.shape)
    good = present & ~outside
    result: dict[str, Any] = {}
    for name in QUANTITIES:
        ratio = np.where(good, values[name], np.nan)
        random = ratio * _combine(sensitivities[name], relative["random"])
        kept = np.where(cancels, 0.0, _combine(sensitivities[name], relative["systematic"]))
        result[f"{name}_deviation"] = ratio - 1.0
        result[f"{name}_deviation_u_random"] = random
        result[f"{name}_deviation_u_systematic"] = ratio * np.hypot(kept, curve_u[name])
    status = np.where(present, "ok", "missing_input").astype(object)
    status[present & outside] = "outside_baseline_range"
    if baseline.status_ != "ok":
        status[:] = "no_baseline"
    result["deviation_status"] = pd.array(status, dtype="str")
    return pd.DataFrame(result, index=points.index)


def _relative(reduced: pd.DataFrame, name: str, part: str) -> Floats:
    column = f"{name}_u_{part}"
    if column not in reduced.columns:
        return np.zeros(len(reduced))
    values = np.abs(reduced[column].to_numpy() / reduced[name].to_numpy())
    return np.asarray(np.nan_to_num(values, nan=0.0, posinf=0.0))


def _combine(sensitivity: tuple[Floats | float, ...], relative: tuple[Floats, ...]) -> Floats:
    terms = [(s * u) ** 2 for s, u in zip(sensitivity, relative, strict=True)]
    return np.asarray(np.sqrt(sum(terms)))


def daily_deviation(
    points: pd.DataFrame,
    deviations: pd.DataFrame,
    baseline: BaselineCurve,
    *,
    time_zone: str = "UTC",
    mean_flow: bool = False,
) -> pd.DataFrame:
    """Daily deviations as ratios of sums.

    Parameters
    ----------
    points : DataFrame
        What `deviation` was given, with ``time`` (datetime64[us, UTC], interval start).
    deviations : DataFrame
        What `deviation` gave; same index and row order [-].
    baseline : BaselineCurve
        The same baseline.
    time_zone : str
        IANA name of the zone whose days are meant [-].
    mean_flow : bool
        Whether to give the flow of each day too, so that a trend can be that at one flow [-].

    Returns
    -------
    DataFrame
        One row per day with at least one 'ok' point: ``time`` (datetime64[us, UTC], start of
        the local day), ``n_points`` and, per quantity, ``q_deviation``,
        ``q_deviation_u_random`` and ``q_deviation_u_systematic`` [-]; where asked for, ``flow``
        and ``flow_spread`` (mean and standard deviation at reference speed, weighted as head
        is, [m3/s]); range index.

    Notes
    -----
    Head: sum of Q H over sum of Q H_b. Power: sum of P over sum of P_b. Efficiency: the energy
    the baseline would have needed for the same work over the energy taken, so that one less
    it is the excess share of energy. Averaging shrinks the random part only.
    """
    reduced = reduce_points(points, baseline.power, baseline.density)
    ok = (deviations["deviation_status"] == "ok").to_numpy()
    day = day_starts(pd.DatetimeIndex(points["time"])[ok], time_zone)
    flow, power = reduced["flow"].to_numpy()[ok], reduced[baseline.power].to_numpy()[ok]
    weights = {
        "head": flow * baseline.predict_head(flow),
        "power": baseline.predict_power(flow),
        "efficiency": power,
    }
    code, days = pd.factorize(day, sort=True)
    count = len(days)
    result: dict[str, Any] = {
        "time": days,
        "n_points": np.bincount(code, minlength=count).astype("int64"),
    }
    if mean_flow:
        work = np.bincount(code, weights["head"], count)
        mean = np.bincount(code, weights["head"] * flow, count) / work
        squares = np.bincount(code, weights["head"] * (flow - mean[code]) ** 2, count)
        result["flow"], result["flow_spread"] = mean, np.sqrt(squares / work)
    for name, weight in weights.items():
        column = f"{name}_deviation"
        value, random, systematic = (
            deviations[column + part].to_numpy()[ok] for part in ("", "_u_random", "_u_systematic")
        )
        total = np.bincount(code, weight, count)
        squares = np.bincount(code, (weight * random) ** 2, count)
        result[column] = np.bincount(code, weight * value, count) / total
        result[f"{column}_u_random"] = np.sqrt(squares) / total
        result[f"{column}_u_systematic"] = np.bincount(code, weight * systematic, count) / total
    return pd.DataFrame(result)


def deviation_of_flow_error(
    flow: ArrayLike, baseline: BaselineCurve, flow_error: float
) -> pd.DataFrame:
    """Deviations that a flow meter reading wrong by a fraction would show on a sound pump.

    Parameters
    ----------
    flow : array-like
        True flow at reference speed [m3/s].
    baseline : BaselineCurve
        The fitted baseline.
    flow_error : float
        Reading over truth, less one [-].

    Returns
    -------
    DataFrame
        ``head_deviation``, ``power_deviation`` and ``efficiency_deviation`` [-]; NaN where the
        reading falls outside the baseline; range index.

    Notes
    -----
    Internal leakage of a fraction of flow moves the flow axis the same way as a meter that
    reads low by that fraction: on one pump the two cannot be told apart.
    """
    true = np.ravel(np.asarray(flow, dtype=float))
    read = true * (1.0 + flow_error)
    head = baseline.predict_head(true) / baseline.predict_head(read)
    power = baseline.predict_power(true) / baseline.predict_power(read)
    return pd.DataFrame(
        {
            "head_deviation": head - 1.0,
            "power_deviation": power - 1.0,
            "efficiency_deviation": head / power - 1.0,
        }
    )


def drift_of_deviations(
    baseline: BaselineCurve, flow_u: float, pressure_u: float, power_u: float
) -> dict[str, float]:
    """Drift of the deviations that instruments which drift may make, as standard uncertainty.

    Parameters
    ----------
    baseline : BaselineCurve
        The fitted baseline; the figures are those at its `mean_flow_`.
    flow_u : float
        Drift of the flow meter, part of the reading, standard [1/yr].
    pressure_u : float
        Drift of the difference of the two pressures, standard [Pa/yr].
    power_u : float
        Drift of the power meter, part of the reading, standard [1/yr].

    Returns
    -------
    dict of str to float
        Per quantity head, power and efficiency [1/yr].

    Notes
    -----
    Calibration errors cancel in a trend of one pump against itself, their drift does not. The
    sensitivities are those of `deviation`.

    Examples
    --------
    >>> flow = np.linspace(0.05, 0.15, 11)
    >>> curve = pd.DataFrame({"flow": flow, "total_head": 50 - 1000 * flow**2,
    ...                       "efficiency": 0.8 - 30 * (flow - 0.11) ** 2})
    >>> baseline = BaselineCurve.from_curve_points(curve)
    >>> found = drift_of_deviations(baseline, 0.0, 998.2 * 9.80665 * 0.4, 0.003)
    >>> round(found["power"], 4), round(found["efficiency"] / found["head"], 2)
    (0.003, 1.04)
    """
    flow = baseline.mean_flow_
    head = float(baseline.predict_head(flow))
    power = float(baseline.predict_power(flow))
    head_lean = flow * float(baseline.head_slope(flow)) / head
    power_lean = flow * float(baseline.power_slope(flow)) / power
    head_u = pressure_u / (baseline.density * STANDARD_GRAVITY * head)
    return {
        "head": float(np.hypot(head_u, head_lean * flow_u)),
        "power": float(np.hypot(power_u, power_lean * flow_u)),
        "efficiency": float(
            np.sqrt(head_u**2 + power_u**2 + ((power_lean - head_lean) * flow_u) ** 2)
        ),
    }
