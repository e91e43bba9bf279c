"""Slow degradation: the slope of daily deviations, with an interval that can be trusted."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.performance._correlated import (
    Cells,
    fit_cells,
    mix,
    mixture_interval,
    weighted_sums,
)
from pipeline.performance._trend_days import is_day_of_change, is_gross, relative_noise, scatter
from pipeline.performance._trend_regressors import DAYS_PER_YEAR, LEAN_U, SHARED, regressors
from pipeline.performance._trend_steps import MOST_STEPS, Days, Steps, fit_steps
from pipeline.performance.statistics import mann_kendall, sen_slope

SEN_BLOCK_DAYS = 7
MONOTONE_BLOCK_DAYS = 14

Floats = NDArray[np.float64]

__all__ = ["Trend", "degradation_trend"]


@dataclass(frozen=True)
class Trend:
    """Trend of one deviation of one pump over one epoch.

    All deviations are fractions. Everything but `status`, the counts and the span is NaN (or
    NaT, or 'unknown') unless `status` is 'ok'.

    Parameters
    ----------
    status : str
        'ok', 'no_data', 'insufficient_span', 'insufficient_days' or 'insufficient_coverage'.
    slope_per_year : float
        Steady change per year, steps apart [1/yr].
    slope_u : float
        Its standard uncertainty [1/yr].
    lower95, upper95 : float
        Its 95 % interval [1/yr].
    level_now, level_now_u : float
        Deviation on the last day, season and noise taken out, and its standard uncertainty
        (random part and drift) [-].
    shape : str
        'none', 'ramp', 'step', 'step_and_ramp' or 'unknown'.
    step, step_u : float
        Largest step and its standard uncertainty; NaN without one [-].
    step_time : pandas.Timestamp
        First day after that step; NaT without one.
    n_steps : int
        Number of steps found [-].
    season_amplitude : float
        Amplitude of the annual swing found [-].
    season_seen : bool
        Whether a full year was seen; before that the interval rests on the stated swing.
    slope_sen : float
        Sen's slope of weekly means, steps not taken out, as a second opinion [1/yr].
    monotone_p : float
        Mann-Kendall two-sided probability of fortnightly means [-].
    lag1 : float
        Correlation of the error from one day to the next [-].
    daily_sd : float
        Standard deviation of the daily error [-].
    drift_u_per_year : float
        Declared instrument drift in the interval, standard [1/yr].
    reference_flow : float
        Flow the slope is for; NaN without flows [m3/s].
    span_days : float
        First to last day, both counted [d].
    days_used, days_rejected : int
        Days in the fit and days left out as outliers [-].
    coverage : float
        Share of the days of the span with a value [-].
    method : str
        What was done.
    """

    status: str
    slope_per_year: float = np.nan
    slope_u: float = np.nan
    lower95: float = np.nan
    upper95: float = np.nan
    level_now: float = np.nan
    level_now_u: float = np.nan
    shape: str = "unknown"
    step: float = np.nan
    step_u: float = np.nan
    step_time: pd.Timestamp = pd.NaT  # type: ignore[assignment]
    n_steps: int = 0
    season_amplitude: float = np.nan
    season_seen: bool = False
    slope_sen: float = np.nan
    monotone_p: float = np.nan
    lag1: float = np.nan
    daily_sd: float = np.nan
    drift_u_per_year: float = np.nan
    reference_flow: float = np.nan
    span_days: float = 0.0
    days_used: int = 0
    days_rejected: int = 0
    coverage: float = 0.0
    method: str = "none"


def degradation_trend(
    daily: pd.DataFrame,
    value: str = "deviation",
    *,
    annual_swing: float = 0.005,
    drift_u_per_year: float = 0.0,
    reference_flow: float | None = None,
    flow_u: float = 0.0,
    scale_u: float = 0.0,
    loss_rate: float | None = None,
    min_span_days: float = 60.0,
    min_days: int = 30,
    min_coverage: float = 0.15,
    find_steps: bool = True,
) -> Trend:
    """Slope per year of daily deviations.

    Parameters
    ----------
    daily : DataFrame
        One row per day of one epoch: ``time`` (datetime64[us, UTC], start of the day) and the
        `value` column [-]; optional ``<value>_u_random`` [-] (else ``n_points`` [-]) weighs
        the days; optional ``flow`` (mean of the day at reference speed, [m3/s]) makes the
        slope that at one flow, though the mix of flows changes, and ``flow_spread`` (standard
        deviation of the day's flows, [m3/s]) takes out what their mix adds; optional
        ``level_group`` (any label) and ``level_group_u`` [-]: days that
        share an error of their own, such as one suction fit, and its standard size. Rows in
        any order; NaN values are days without a value.
    value : str
        Name of the deviation column [-].
    annual_swing : float
        Root mean square amplitude of an annual swing of the deviation that cannot be ruled
        out; it is in the interval until the data themselves show the season [-].
    drift_u_per_year : float
        Declared drift of the instruments that does not cancel, standard [1/yr].
    reference_flow : float, optional
        Flow the slope is for; the median of the days when left out [m3/s].
    flow_u : float
        Relative systematic standard uncertainty of the flow: which flow the slope is for [-].
    scale_u : float
        Relative systematic standard uncertainty of the quantity itself, the same now as in the
        baseline: it leaves a sound pump at no deviation, but scales a loss [-].
    loss_rate : float, optional
        Rate of the pump's loss of head, for a quantity that does not go with it: power rises at
        one flow and falls at another while a pump wears, and how its rate changes over flow is
        of the size of the loss, not of its own [1/yr].
    min_span_days : float
        Shortest span that gets a slope [d].
    min_days : int
        Fewest days with a value [-].
    min_coverage : float
        Least share of days of the span with a value [-].
    find_steps : bool
        Whether to look for steps and keep them out of the slope [-].

    Returns
    -------
    Trend
        The slope, or the reason why there is none.

    Notes
    -----
    Generalised least squares on level, slope, annual sine and cosine (zero-mean prior), steps,
    flow, flow and its square times time and group offsets (priors), with autoregressive plus
    independent errors whose parameters are integrated over
    (`pipeline.performance._correlated`). Gross outliers against the running median of 15 values
    are left out first, and days during which a sudden change happened; days of weeks in which
    neighbouring days differ by clearly more than usual weigh less by that.

    Examples
    --------
    >>> time = pd.date_range("2023-01-01", periods=800, freq="D", tz="UTC")
    >>> noise = np.random.default_rng(1).normal(0.0, 0.003, 800)
    >>> daily = pd.DataFrame({"time": time, "deviation": noise - 0.02 * np.arange(800) / 365.25})
    >>> trend = degradation_trend(daily)
    >>> trend.status, trend.shape, bool(trend.lower95 < -0.02 < trend.upper95)
    ('ok', 'ramp', True)
    """
    table = daily.loc[daily[value].notna()].sort_values("time", kind="stable")
    if table.empty:
        return Trend("no_data")
    stamps = pd.DatetimeIndex(table["time"])
    day = np.asarray((stamps - stamps[0]) / pd.Timedelta("1D"), dtype=float)
    span = float(day[-1] + 1.0)
    coverage = float(len(np.unique(np.floor(day))) / np.ceil(span))
    seen: dict[str, float] = {"span_days": span, "days_used": len(day), "coverage": coverage}
    if span < min_span_days:
        return Trend("insufficient_span", **seen)  # type: ignore[arg-type]
    if len(day) < min_days:
        return Trend("insufficient_days", **seen)  # type: ignore[arg-type]
    if coverage < min_coverage:
        return Trend("insufficient_coverage", **seen)  # type: ignore[arg-type]

    raw = table[value].to_numpy(dtype=float)
    keep = ~(is_gross(raw) | is_day_of_change(raw)) & np.r_[True, np.diff(day) > 0]
    table, stamps, day, raw = table.loc[keep], stamps[keep], day[keep], raw[keep]
    seen |= {"days_used": int(keep.sum()), "days_rejected": int((~keep).sum())}
    # Weeks in which the days scatter more than usual weigh less, and make no steps.
    scale = scatter(raw)
    days = Days(day, raw / scale, relative_noise(table, value), scale)
    asked = regressors(table, annual_swing, reference_flow, goes_with_loss=loss_rate is None)
    columns = asked.columns / scale[:, np.newaxis]
    sums, chosen = weighted_sums(day, days.value, columns, days.noise), [*range(columns.shape[1])]
    fit = fit_cells(sums, chosen, asked.prior_sd)
    if np.isfinite(asked.reference_flow):
        # Lean and bend are parts of the rate, which is known only now.
        own = fit.combine(np.eye(len(chosen))[1])[0]
        asked = asked.for_rate(own if loss_rate is None else loss_rate)
        fit = fit_cells(sums, chosen, asked.prior_sd)
    steps = fit_steps(days, columns, asked.prior_sd, fit, MOST_STEPS if find_steps else 0)
    # Whether there was one step more or less is itself uncertain near the limit: the slope
    # is that of all numbers of steps, each by its probability.
    mixed = mix(steps.fits, steps.shares, SHARED)
    slope = mixed.combine(np.eye(SHARED)[1])[0]
    lean_u = np.hypot(asked.lean, LEAN_U) * flow_u * (slope if loss_rate is None else loss_rate)
    rate_u = float(np.hypot(lean_u, scale_u * slope))
    found = _found(mixed, steps, stamps, span, drift_u_per_year, rate_u)
    weekly = _block_means(day, raw, SEN_BLOCK_DAYS)
    fortnightly = _block_means(day, raw, MONOTONE_BLOCK_DAYS)
    return dataclasses.replace(
        found,
        **seen,  # type: ignore[arg-type]
        slope_sen=sen_slope(weekly[0] / DAYS_PER_YEAR, weekly[1]).slope,
        monotone_p=mann_kendall(fortnightly[1]).p,
        reference_flow=asked.reference_flow,
        method=f"generalised least squares, autoregressive errors, annual swing {annual_swing:g}",
    )


def _found(
    mixed: Cells,
    steps: Steps,
    stamps: pd.DatetimeIndex,
    span_days: float,
    drift_u_per_year: float,
    rate_u: float,
) -> Trend:
    """Read a trend off its fits."""
    level_of, slope_of, sine_of, cosine_of = np.eye(SHARED)
    slope, slope_u = mixed.combine(slope_of)
    other_u = float(np.hypot(drift_u_per_year, rate_u))
    lower, upper = mixture_interval(mixed, slope_of, other_u)
    level, level_u = mixed.combine(level_of)
    years = span_days / DAYS_PER_YEAR
    sine, cosine = mixed.combine(sine_of)[0], mixed.combine(cosine_of)[0]
    largest = steps.largest()
    moves = lower > 0.0 or upper < 0.0
    shape = {
        (False, False): "none",
        (False, True): "ramp",
        (True, False): "step",
        (True, True): "step_and_ramp",
    }[(largest is not None, moves)]
    return Trend(
        status="ok",
        slope_per_year=slope,
        slope_u=float(np.hypot(slope_u, other_u)),
        lower95=lower,
        upper95=upper,
        level_now=level,
        level_now_u=float(np.hypot(level_u, drift_u_per_year * years)),
        shape=shape,
        step=largest[1] if largest else np.nan,
        step_u=largest[2] if largest else np.nan,
        step_time=stamps[largest[0]] if largest else pd.NaT,  # type: ignore[arg-type]
        n_steps=len(steps.places),
        season_amplitude=float(np.hypot(sine, cosine)),
        season_seen=bool(span_days >= DAYS_PER_YEAR),
        lag1=steps.chosen.lag1,
        daily_sd=steps.chosen.total_sd,
        drift_u_per_year=drift_u_per_year,
    )


def _block_means(day: Floats, raw: Floats, width: float) -> tuple[Floats, Floats]:
    """Mean day and mean value of blocks of days."""
    _, position = np.unique(np.floor(day / width), return_inverse=True)
    counts = np.bincount(position)
    means = np.bincount(position, weights=day), np.bincount(position, weights=raw)
    return means[0] / counts, means[1] / counts
