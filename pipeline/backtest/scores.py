"""Scores of one assumption under one design over one span: errors, coverage, money."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.backtest.bootstrap import (
    Interval,
    draw_days,
    interval_of,
    quantile_of_days,
    ratio_of_sums,
)
from pipeline.backtest.consequences import Consequences
from pipeline.backtest.designs import Design, Span
from pipeline.backtest.replay import MEASURED, SUM_COLUMNS, series_name
from pipeline.hydraulics.head import STANDARD_GRAVITY
from pipeline.months import day_starts

Floats = NDArray[np.float64]

__all__ = ["ERROR_QUANTITIES", "error_scores", "span_scores"]

ERROR_QUANTITIES = ("suction_pressure", "total_head", "overall_efficiency")
_SUM_OF = {"suction_pressure": "error", "total_head": "head_error",
           "overall_efficiency": "efficiency_error"}  # fmt: skip
QUANTILE = 0.95
DAYS_PER_YEAR = 365.25


def error_scores(
    sums: pd.DataFrame, sample: pd.DataFrame, error: Floats, rng: np.random.Generator
) -> dict[str, float]:
    """Score the errors of one assumption under one design.

    Parameters
    ----------
    sums : DataFrame
        Daily sums in order of day, as from ``replay.month_errors``; one row per day.
    sample : DataFrame
        One row per hour: ``day`` (start of the local day, UTC), ``density``, ``flow`` and
        ``electrical_power``; other columns are passed over.
    error : ndarray, shape (n,)
        Suction pressure assumed less read, of the rows of the sample; NaN where there is no
        answer [Pa].
    rng : Generator
        Source of randomness of the bootstrap.

    Returns
    -------
    dict of str to float
        ``points`` and ``days``; for each of `ERROR_QUANTITIES` ``<q>_bias``, ``<q>_rmse`` and
        ``<q>_p95`` (95th percentile of the absolute error), each with ``_low`` and ``_high``
        of its 95 % interval, SI; ``coverage`` of the stated intervals with ``_low`` and
        ``_high``, their mean ``half_width`` [Pa]; ``misstated_share`` of the energy with
        ``_low`` and ``_high``; ``fallback_share``, ``warned`` and ``unwarned_outside`` [-].
    """
    counts = draw_days(len(sums), rng)
    found: dict[str, float] = {"points": float(sums["points"].sum()), "days": float(len(sums))}
    known = np.isfinite(error)
    day = pd.Index(sums["day"]).get_indexer(pd.DatetimeIndex(sample["day"])[known])
    of_quantity = _errors(sample[known], error[known])
    for name in ERROR_QUANTITIES:
        column = _SUM_OF[name]
        mean, drawn = ratio_of_sums(sums, column, "points", counts)
        _add(found, f"{name}_bias", interval_of(mean, drawn))
        square, drawn = ratio_of_sums(sums, f"{column}_squared", "points", counts)
        _add(found, f"{name}_rmse", interval_of(float(np.sqrt(square)), np.sqrt(drawn)))
        size = np.abs(of_quantity[name])
        _add(
            found, f"{name}_p95", quantile_of_days(size[day >= 0], day[day >= 0], counts, QUANTILE)
        )
    covered, drawn = ratio_of_sums(sums, "within", "stated", counts)
    _add(found, "coverage", interval_of(covered, drawn))
    found["half_width"] = ratio_of_sums(sums, "half_width", "stated", counts)[0]
    share, drawn = ratio_of_sums(sums, "energy_misstated", "energy", counts)
    _add(found, "misstated_share", interval_of(share, drawn))
    found["fallback_share"] = ratio_of_sums(sums, "fallback", "points", counts)[0]
    found["warned"] = ratio_of_sums(sums, "warned", "points", counts)[0]
    found["unwarned_outside"] = ratio_of_sums(sums, "unwarned_outside", "stated", counts)[0]
    return found


def _errors(sample: pd.DataFrame, error: Floats) -> Mapping[str, Floats]:
    density = sample["density"].to_numpy(dtype=float)
    flow = sample["flow"].to_numpy(dtype=float)
    power = sample["electrical_power"].to_numpy(dtype=float)
    return {
        "suction_pressure": error,
        "total_head": -error / (density * STANDARD_GRAVITY),
        "overall_efficiency": -flow * error / power,
    }


def _add(found: dict[str, float], name: str, interval: Interval) -> None:
    found[name] = interval.value
    found[f"{name}_low"], found[f"{name}_high"] = interval.low, interval.high


def span_scores(
    span: Span,
    sums: pd.DataFrame,
    sample: pd.DataFrame,
    *,
    designs: Sequence[Design],
    assumptions: Sequence[str],
    windows: Sequence[tuple[pd.Timestamp, pd.Timestamp]],
    zone: str,
    learning_days: int,
    price: float | None,
) -> pd.DataFrame:
    """Score every assumption under every design over one span.

    Parameters
    ----------
    span : Span
        The span.
    sums : DataFrame
        Daily sums of all its windows, as from ``replay.month_errors``, and rows of the design
        ``measured`` with all energy the pump took.
    sample : DataFrame
        Its hourly rows, in time order.
    designs : sequence of Design
        The designs.
    assumptions : sequence of str
        Names of the assumptions.
    windows : sequence of (Timestamp, Timestamp)
        Windows of the span.
    zone : str
        Time zone of the station.
    learning_days : int
        Days with points a baseline is learned from.
    price : float or None
        Energy price [currency/J].

    Returns
    -------
    DataFrame
        One row per design and assumption that was scored; the columns of ``backtest_scores``
        but ``as_of``, SI.
    """
    time = pd.DatetimeIndex(sample["time"])
    sample = sample.assign(day=day_starts(time, zone))
    edges = pd.DatetimeIndex([start for start, _ in windows])
    window = edges.searchsorted(time, side="right") - 1
    consequences = Consequences(sample, span.pump, zone, learning_days)
    of_all = sums[sums["design"] == MEASURED]
    yearly = float(of_all["energy"].sum()) * DAYS_PER_YEAR / _length(span)
    rows = []
    for design in designs:
        scored = np.array([design.is_scored(int(w)) for w in range(len(windows))], dtype=bool)
        hidden = scored[np.maximum(window, 0)]
        seen = ~hidden if design.has_good_period else np.zeros(len(sample), dtype=bool)
        offered = float(hidden.sum())
        for name in assumptions:
            column = series_name(design.name, name)
            mine = sums[(sums["design"] == design.name) & (sums["assumption"] == name)]
            if mine.empty or column not in sample:
                continue
            days = mine.groupby("day")[list(SUM_COLUMNS)].sum().reset_index()
            error = np.where(hidden, sample[column].to_numpy(dtype=float), np.nan)
            rng = np.random.default_rng([zlib.crc32(w.encode()) for w in (span.pump, column)])
            found: dict[str, object] = {
                "pump": span.pump, "start": span.start, "end": span.end,
                "design": design.name, "assumption": name,
            }  # fmt: skip
            errors = error_scores(days, sample, error, rng)
            share = {k: errors.pop(f"misstated_share{k}") for k in ("", "_low", "_high")}
            found |= errors
            found["answered"] = float(np.isfinite(error).sum()) / offered if offered else np.nan
            found |= consequences.of(error, seen, 0.5 * errors["half_width"])
            for end, part in share.items():
                found[f"energy_misstated{end}"] = part * yearly
                found[f"cost_misstated{end}"] = np.nan if price is None else part * yearly * price
            rows.append(found)
    if not rows:
        return pd.DataFrame()
    table = pd.DataFrame(rows).rename(columns={"fallback_share": "fallback"})
    return table.assign(
        points=table["points"].astype("int64"),
        days=table["days"].astype("int64"),
        rate_error=table["rate_assumed"] - table["rate_measured"],
        acceptance_changed=table["acceptance_assumed"] == "not_met",
    )


def _length(span: Span) -> float:
    return float((span.end - span.start) / pd.Timedelta("1D"))
