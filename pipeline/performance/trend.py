"""Slow degradation: the slope of daily deviations, with an interval that can be trusted."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.performance._correlated import Cells, fit_cells, mix, mixture_interval, weighted_sums
from pipeline.performance.statistics import mann_kendall, sen_slope

DAYS_PER_YEAR = 365.25
MAD_TO_SD = 1.4826
GROSS_ERROR = 5.0  # robust deviations from the running median that leave a day out
RUNNING_MEDIAN_DAYS = 15
DAYS_BESIDE_CHANGE = 5  # running days whose median a day of change is held against
# Running days over which the scatter of day against day is seen, how far beyond the usual one it
# must be to be no chance, and how much of the days about it shares it.
SCATTER_DAYS = 21
LEAST_SCATTER = 1.6
SCATTER_REACH = 11
STEP_SIDE_DAYS = 10  # running days each side of a step that must be seen
STEP_CANDIDATES = 6
# Twice the gain in log likelihood at which a step is as likely as none: a step in one series
# of five, on any of some hundred days, of a size some ten times its standard uncertainty.
STEP_GAIN = 19.0
MOST_STEPS = 3
# How far a deviation may lean over the whole flow (from none to twice the reference flow):
# standard size of the prior.
FLOW_LEAN_U = 0.05
# A loss that grows does not grow alike at all flows: leakage takes head with the steepness of
# the curve, a restriction with the square of flow over head, damage in proportion to head. The
# rate at another flow is 1 + LEAN x + BEND x**2 times that at the reference flow, x the
# relative distance, give or take what covers these causes on usual curves.
LEAN, LEAN_U = 1.0, 1.0
BEND, BEND_U = 0.5, 0.7
LEAST_RATE = 0.005  # smallest rate that lean and bend are taken as parts of [1/yr]
SHARED = 4  # level, slope, sine and cosine lead every regression
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
    seen = {"span_days": span, "days_used": len(day), "coverage": coverage}
    if span < min_span_days:
        return Trend("insufficient_span", **seen)  # type: ignore[arg-type]
    if len(day) < min_days:
        return Trend("insufficient_days", **seen)  # type: ignore[arg-type]
    if coverage < min_coverage:
        return Trend("insufficient_coverage", **seen)  # type: ignore[arg-type]

    raw = table[value].to_numpy(dtype=float)
    keep = ~(_is_gross(raw) | _is_day_of_change(raw)) & np.r_[True, np.diff(day) > 0]
    table, stamps, day, raw = table.loc[keep], stamps[keep], day[keep], raw[keep]
    lean, bend = (LEAN, BEND) if loss_rate is None else (0.0, 0.0)
    columns, prior_sd, middle = _regressors(
        table, stamps, annual_swing, reference_flow, lean=lean, bend=bend
    )
    noise = _relative_noise(table, value)
    # Weeks in which the days scatter more than usual weigh less, and make no steps.
    scale = _scatter(raw)
    columns, value_of_day = columns / scale[:, np.newaxis], raw / scale
    sums, chosen_columns = weighted_sums(day, value_of_day, columns, noise), [*range(len(prior_sd))]
    fit = fit_cells(sums, chosen_columns, prior_sd)
    if np.isfinite(middle):
        # Lean and bend are parts of the rate, which is known only now.
        own = fit.combine(np.eye(len(prior_sd))[1])[0]
        rate = max(abs(own if loss_rate is None else loss_rate), LEAST_RATE)
        prior_sd[SHARED + 1 : SHARED + 3] = LEAN_U * rate, BEND_U * rate
        fit = fit_cells(sums, chosen_columns, prior_sd)
    fits, odds = [fit], [1.0]
    steps: list[int] = []
    while find_steps and len(steps) < MOST_STEPS:
        found = _best_step(day, value_of_day, columns, prior_sd, (noise, scale), fits[-1], steps)
        if found is None:
            break
        index, better = found
        gain = 2.0 * (better.likelihood - fits[-1].likelihood)
        odds.append(odds[-1] * float(np.exp(0.5 * np.clip(gain - STEP_GAIN, -60.0, 60.0))))
        fits.append(better)
        if gain < STEP_GAIN:
            break
        steps.append(index)
        columns = np.column_stack([columns, _step_column(len(day), index) / scale])
        prior_sd = np.r_[prior_sd, np.inf]
    # Whether there was one step more or less is itself uncertain near the limit: the slope
    # is that of all numbers of steps, each by its probability.
    total = sum(odds)
    mixed = mix(fits, [each / total for each in odds], SHARED)
    chosen = fits[len(steps)]
    slope = mixed.combine(np.eye(SHARED)[1])[0]
    lean_u = np.hypot(lean, LEAN_U) * flow_u * (slope if loss_rate is None else loss_rate)
    rate_u = float(np.hypot(lean_u, scale_u * slope))
    trend = _report(
        mixed, chosen, stamps, day, raw, steps, annual_swing, drift_u_per_year, rate_u, keep, seen
    )
    return dataclasses.replace(trend, reference_flow=middle)


def _is_gross(raw: Floats) -> NDArray[np.bool_]:
    """Mark days far from the running median."""
    running = pd.Series(raw).rolling(RUNNING_MEDIAN_DAYS, center=True, min_periods=5).median()
    away = np.abs(raw - running.to_numpy())
    spread = MAD_TO_SD * np.nanmedian(away)
    return np.asarray(away > GROSS_ERROR * max(spread, 1e-12))


def _is_day_of_change(raw: Floats) -> NDArray[np.bool_]:
    """Mark days far from those before and from those after, and between the two.

    What changes during a day leaves a mean that is neither old nor new: as one large error of an
    alike kind it would turn a step into a wandering ramp.
    """
    series = pd.Series(raw)
    few = series.rolling(DAYS_BESIDE_CHANGE, min_periods=3).median()
    before, after = few.shift(1).to_numpy(), few.shift(-DAYS_BESIDE_CHANGE).to_numpy()
    spread = MAD_TO_SD * np.nanmedian(np.abs(np.diff(raw))) / np.sqrt(2.0)
    far = GROSS_ERROR * max(spread, 1e-12)
    with np.errstate(invalid="ignore"):
        apart = np.minimum(np.abs(raw - before), np.abs(raw - after)) > far
        return np.asarray(apart & ((raw - before) * (raw - after) < 0.0))


def _scatter(raw: Floats) -> Floats:
    """Scatter of each day over the usual one, for weeks in which it is clearly larger; else one.

    Seen in the differences of neighbouring days, so that neither a step nor a ramp is scatter.
    """
    away = pd.Series(np.abs(np.diff(raw, prepend=np.nan)))
    usual = float(away.median())
    if not usual > 0.0:
        return np.ones(len(raw))
    few = SCATTER_DAYS // 2
    local = away.rolling(SCATTER_DAYS, center=True, min_periods=few).median() / usual
    local = local.where(local > LEAST_SCATTER, 1.0)
    reach = local.rolling(SCATTER_REACH, center=True, min_periods=1).max()
    return np.asarray(reach.to_numpy())


def _regressors(
    table: pd.DataFrame,
    stamps: pd.DatetimeIndex,
    annual_swing: float,
    reference_flow: float | None,
    *,
    lean: float,
    bend: float,
) -> tuple[Floats, Floats, float]:
    """Level on the last day, slope per year, season, flow, group offsets; the flow meant."""
    year = np.asarray((stamps - stamps[-1]) / pd.Timedelta("1D"), dtype=float) / DAYS_PER_YEAR
    origin = pd.Timestamp("2000-01-01", tz="UTC")
    angle = (
        2.0 * np.pi / DAYS_PER_YEAR
        * np.asarray((stamps - origin) / pd.Timedelta("1D"), dtype=float)
    )  # fmt: skip
    columns = [np.ones(len(year)), year, np.sin(angle), np.cos(angle)]
    # Amplitude squared is the sum of two squared coefficients, hence the root of a half.
    season_sd = max(annual_swing, 1e-9) * np.sqrt(0.5)
    prior = [np.inf, np.inf, season_sd, season_sd]
    middle = np.nan
    if "flow" in table.columns and table["flow"].notna().any():
        flow = table["flow"].to_numpy(dtype=float)
        middle = reference_flow or float(np.nanmedian(flow))
        away = np.nan_to_num(flow / middle - 1.0)
        square = away**2
        if "flow_spread" in table.columns:
            spread = table["flow_spread"].to_numpy(dtype=float)
            square = square + np.nan_to_num(spread / middle) ** 2
        columns[1] = year * (1.0 + lean * away + bend * square)
        columns += [away, away * year, square * year]
        prior += [FLOW_LEAN_U, LEAN_U, BEND_U]
    if "level_group" in table.columns and len(table["level_group"].unique()) > 1:
        codes, labels = pd.factorize(table["level_group"], sort=True)
        sizes = table.groupby("level_group")["level_group_u"].median()
        for code, label in enumerate(labels):
            columns.append((codes == code).astype(float))
            prior.append(max(float(sizes[label]), 1e-9))
    return np.column_stack(columns), np.array(prior), middle


def _relative_noise(table: pd.DataFrame, value: str) -> Floats:
    """Relative variance of the independent noise of each day."""
    if f"{value}_u_random" in table.columns:
        variance = table[f"{value}_u_random"].to_numpy(dtype=float) ** 2
    elif "n_points" in table.columns:
        variance = 1.0 / np.maximum(table["n_points"].to_numpy(dtype=float), 1.0)
    else:
        return np.ones(len(table))
    typical = float(np.nanmedian(variance))
    if not np.isfinite(typical) or typical <= 0:
        return np.ones(len(table))
    relative = np.nan_to_num(variance / typical, nan=4.0)
    # A day of one point may be poor, but no stated figure makes a day count twenty times.
    return np.clip(relative, 0.25, 25.0)


def _best_step(
    day: Floats,
    raw: Floats,
    columns: Floats,
    prior_sd: Floats,
    weights: tuple[Floats, Floats],
    fit: Cells,
    steps: list[int],
) -> tuple[int, Cells] | None:
    """The step that explains most, or None where none is worth its freedom."""
    n = len(day)
    noise, scale = weights
    side = STEP_SIDE_DAYS
    if n < 3 * side:
        return None
    residual = raw - columns @ (fit.weight @ fit.mean)
    total = np.r_[0.0, np.cumsum(residual)]
    middle = np.arange(side, n - side + 1)
    before = (total[middle] - total[middle - side]) / side
    after = (total[np.minimum(middle + side, n)] - total[middle]) / side
    # Means each side show a step in noisy days, the jump itself one in alike days.
    jump = residual[np.minimum(middle, n - 1)] - residual[middle - 1]
    allowed = np.ones(len(middle), dtype=bool)
    for taken in steps:
        allowed &= np.abs(middle - taken) >= side
    places = _peaks(middle, np.abs(after - before) * allowed, side // 2)
    places += _peaks(middle, np.abs(jump) * allowed, 1)
    own = columns.shape[1]
    best: tuple[int, Cells] | None = None
    for reach in (0, 3):
        if best is not None:
            # The day of a step is sharp in the likelihood: a few days off hides it.
            places = [*range(best[0] - reach, best[0] + reach + 1)]
        places = sorted({k for k in places if side <= k <= n - side})
        if not places:
            return None
        shapes = (_step_column(n, index) / scale for index in places)
        wide = np.column_stack([columns, *shapes])
        sums = weighted_sums(day, raw, wide, noise)
        wide_prior = np.r_[prior_sd, np.inf]
        fits = [fit_cells(sums, [*range(own), own + i], wide_prior) for i in range(len(places))]
        top = max(range(len(fits)), key=lambda i: fits[i].likelihood)
        best = places[top], fits[top]
    return best


def _peaks(place: NDArray[np.int64], height: Floats, apart: int) -> list[int]:
    """The highest places, each more than some days from the others."""
    height = height.copy()
    found: list[int] = []
    while len(found) < STEP_CANDIDATES and height.max() > 0:
        top = int(place[np.argmax(height)])
        found.append(top)
        height[np.abs(place - top) < apart] = 0.0
    return found


def _step_column(n: int, index: int) -> Floats:
    """Zero from the step on and minus one before it: the level stays that of the last day."""
    return np.where(np.arange(n) < index, -1.0, 0.0)


def _report(
    fit: Cells,
    chosen: Cells,
    stamps: pd.DatetimeIndex,
    day: Floats,
    raw: Floats,
    steps: list[int],
    annual_swing: float,
    drift_u_per_year: float,
    rate_u: float,
    keep: NDArray[np.bool_],
    seen: dict[str, float],
) -> Trend:
    unit = np.eye(SHARED)
    slope, slope_u = fit.combine(unit[1])
    other_u = float(np.hypot(drift_u_per_year, rate_u))
    lower, upper = mixture_interval(fit, unit[1], other_u)
    level, level_u = fit.combine(unit[0])
    years = seen["span_days"] / DAYS_PER_YEAR
    sine, cosine = fit.combine(unit[2])[0], fit.combine(unit[3])[0]
    width = chosen.mean.shape[1]
    first = width - len(steps)
    sizes = [chosen.combine(np.eye(width)[first + i]) for i in range(len(steps))]
    step, step_u = np.nan, np.nan
    step_time: pd.Timestamp = pd.NaT  # type: ignore[assignment]
    if sizes:
        largest = int(np.argmax([abs(size[0]) for size in sizes]))
        step, step_u = sizes[largest]
        step_time = stamps[steps[largest]]
    moves = lower > 0.0 or upper < 0.0
    shape = {
        (False, False): "none",
        (False, True): "ramp",
        (True, False): "step",
        (True, True): "step_and_ramp",
    }[(bool(steps), moves)]
    weekly = _block_means(day, raw, SEN_BLOCK_DAYS)
    fortnightly = _block_means(day, raw, MONOTONE_BLOCK_DAYS)
    second = sen_slope(weekly[0] / DAYS_PER_YEAR, weekly[1])
    return Trend(
        status="ok",
        slope_per_year=slope,
        slope_u=float(np.hypot(slope_u, other_u)),
        lower95=lower,
        upper95=upper,
        level_now=level,
        level_now_u=float(np.hypot(level_u, drift_u_per_year * years)),
        shape=shape,
        step=step,
        step_u=step_u,
        step_time=step_time,
        n_steps=len(steps),
        season_amplitude=float(np.hypot(sine, cosine)),
        season_seen=bool(seen["span_days"] >= DAYS_PER_YEAR),
        slope_sen=second.slope,
        monotone_p=mann_kendall(fortnightly[1]).p,
        lag1=chosen.lag1,
        daily_sd=chosen.total_sd,
        drift_u_per_year=drift_u_per_year,
        span_days=seen["span_days"],
        days_used=int(keep.sum()),
        days_rejected=int((~keep).sum()),
        coverage=seen["coverage"],
        method=f"generalised least squares, autoregressive errors, annual swing {annual_swing:g}",
    )


def _block_means(day: Floats, raw: Floats, width: float) -> tuple[Floats, Floats]:
    """Mean day and mean value of blocks of days."""
    _, position = np.unique(np.floor(day / width), return_inverse=True)
    counts = np.bincount(position)
    means = np.bincount(position, weights=day), np.bincount(position, weights=raw)
    return means[0] / counts, means[1] / counts
