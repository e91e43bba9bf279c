"""Day-by-day evidence of a loss, as it would have been seen on each day.

Every row uses that day and the days before it only, so replaying a longer history gives the
same rows again. Two views: the mean of the last running days against the baseline days, quick
to see a step, and a ramp since the baseline, quicker to see a slow loss because it uses all
days. Both know that neighbouring days are alike: the noise is an autoregression over running
days plus independent noise, and a grid of correlations and shares is weighted by how well each
explains the days seen so far.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.signal import lfilter

DAYS_PER_YEAR = 365.25
# Correlation of the alike part from one running day to the next, its prior, and the variance
# of independent noise over that of the alike part. Without correlation there is one kind only.
LAG1_PRIOR = {0.3: 0.25, 0.5: 0.22, 0.7: 0.18, 0.8: 0.12, 0.88: 0.08, 0.94: 0.05}
NUGGETS = (0.0, 0.5, 2.0, 5.0)
CELLS = np.array([(0.0, 0.0, 0.1), *(
    (lag1, nugget, weight / len(NUGGETS))
    for lag1, weight in LAG1_PRIOR.items()
    for nugget in NUGGETS
)])  # fmt: skip
LAG1, NUGGET, PRIOR = CELLS.T[:, :, np.newaxis]
RECENT_DAYS = 10  # running days whose mean is "now"
FEWEST_DAYS = 20  # running days before noise is known at all
RAMP_AFTER_DAYS = 30.0  # days after the baseline before a ramp is asked about
# Noise known from few alike days is known badly, and mostly too small: standard uncertainties
# grow by this many days over the days seen.
FEW_DAYS_ALLOWANCE = 6.0
MEDIAN_DAYS = 7
CLIP = 6.0  # robust deviations from the running median a day may count for
MAD_TO_SD = 1.4826

Floats = NDArray[np.float64]

__all__ = ["loss_evidence"]


def loss_evidence(
    daily: pd.DataFrame,
    value: str,
    baseline_end: pd.Timestamp,
    *,
    loss_sign: float = -1.0,
    annual_swing: float = 0.001,
    reference_u: float = 0.0,
) -> pd.DataFrame:
    """Loss seen so far, and how sure, on each day of one epoch.

    Parameters
    ----------
    daily : DataFrame
        One row per running day: ``time`` (datetime64[us, UTC], start of the day), rising, and
        the `value` column [-]; rows with NaN are passed over.
    value : str
        Name of the deviation column [-].
    baseline_end : Timestamp
        End of the days the baseline was learned from; at or before the first day when it was
        not learned from these days [UTC].
    loss_sign : float
        -1 where less is worse, such as head; +1 where more is worse, such as friction [-].
    annual_swing : float
        Root mean square amplitude of an annual swing that may hide in the deviation [-].
    reference_u : float
        Standard uncertainty of the reference that no number of days removes, such as that of a
        maker's curve [-].

    Returns
    -------
    DataFrame
        One row per day with a value, range index: ``time``; ``recent_loss`` and
        ``recent_loss_u`` (mean of the last running days), ``ramp_loss`` and ``ramp_loss_u``
        (ramp since the baseline), positive when worse, NaN while too little is known; ``lag1``
        and ``daily_sd``, the noise as then known [-].

    Notes
    -----
    The mean of W days with lag-one correlation r has variance
    ``s**2 / W * (1 + 2 sum_k (1 - k / W) r**k)``. Days far from the median of the last seven
    count only as six robust deviations, so that a single bad day moves nothing.
    """
    table = daily.loc[daily[value].notna()]
    stamps = pd.DatetimeIndex(table["time"])
    raw = loss_sign * table[value].to_numpy(dtype=float)
    n = len(raw)
    columns = ["recent_loss", "recent_loss_u", "ramp_loss", "ramp_loss_u", "lag1", "daily_sd"]
    result = pd.DataFrame({"time": stamps, **{name: np.full(n, np.nan) for name in columns}})
    if n < FEWEST_DAYS:
        return result
    clipped = _clip(raw)
    day = np.asarray((stamps - baseline_end) / pd.Timedelta("1D"), dtype=float)
    learned = day < 0.0
    n_learned = int(learned.sum())
    fit = _Expanding(day, clipped, free_level=n_learned > 0)

    reference, reference_var = 0.0, np.zeros(n)
    if n_learned:
        reference = float(clipped[learned].mean())
        reference_var = fit.mean_variance(n_learned)
    swing = _season_u(day, day[learned], annual_swing)
    steady_u = np.hypot(swing, reference_u)

    recent = pd.Series(clipped).rolling(RECENT_DAYS, min_periods=3).mean().to_numpy() - reference
    # A step must not inflate the noise it is judged by: noise is what was known before the
    # recent days began.
    before = np.maximum(np.arange(n) - RECENT_DAYS, 0)
    known = (before + 1 >= FEWEST_DAYS) & (day >= 0.0)
    counts = np.minimum(np.arange(n) + 1, RECENT_DAYS)
    variance = fit.mean_variance(RECENT_DAYS)[before] * RECENT_DAYS / counts
    few = 1.0 + FEW_DAYS_ALLOWANCE / (np.arange(n) + 1.0)
    total = np.sqrt((variance + reference_var[before]) * few**2 + steady_u**2)
    result["recent_loss"] = np.where(known, recent, np.nan)
    result["recent_loss_u"] = np.where(known, total, np.nan)

    asked = (day >= RAMP_AFTER_DAYS) & (np.arange(n) + 1 >= FEWEST_DAYS)
    ramp, ramp_u = fit.ramp()
    result["ramp_loss"] = np.where(asked, ramp, np.nan)
    result["ramp_loss_u"] = np.where(asked, np.hypot(ramp_u * few, steady_u), np.nan)
    result["lag1"], result["daily_sd"] = fit.lag1(), fit.daily_sd()
    return result


def _clip(raw: Floats) -> Floats:
    """Hold each day within some robust deviations of the last days' median."""
    series = pd.Series(raw)
    median = series.rolling(MEDIAN_DAYS, min_periods=1).median()
    away = (series - median).abs()
    # The median of the days so far, not of all days: the past must not know the future.
    spread = MAD_TO_SD * away.expanding(min_periods=FEWEST_DAYS).median()
    limit = CLIP * spread.bfill().to_numpy() * 1.3  # a median of seven follows the days a little
    centre = median.to_numpy()
    return np.asarray(np.clip(raw, centre - limit, centre + limit))


def _season_u(day: Floats, learned: Floats, annual_swing: float) -> Floats:
    """Standard difference an unseen annual swing makes between a day and the baseline."""
    if annual_swing <= 0.0:
        return np.zeros(len(day))
    turn = 2.0 * np.pi / DAYS_PER_YEAR
    if not len(learned):
        return np.full(len(day), annual_swing * np.sqrt(0.5))
    sine = np.sin(turn * day) - np.sin(turn * learned).mean()
    cosine = np.cos(turn * day) - np.cos(turn * learned).mean()
    return np.asarray(annual_swing * np.sqrt(0.5) * np.hypot(sine, cosine))


def _innovations() -> tuple[Floats, Floats]:
    """Moving-average coefficient and innovation variance of each cell.

    An autoregression plus independent noise is an ARMA(1, 1): matching the variance and the
    lag-one covariance of ``y_t - r y_(t-1)`` gives the invertible root.
    """
    variance = 1.0 - LAG1**2 + NUGGET * (1.0 + LAG1**2)
    covariance = -LAG1 * NUGGET
    inner = np.sqrt(variance**2 - 4.0 * covariance**2)
    innovation = 0.5 * (variance + inner)
    return covariance / innovation, innovation


class _Expanding:
    """Level and ramp fitted to the first 1, 2, ... n days, for each cell of the noise grid."""

    def __init__(self, day: Floats, value: Floats, free_level: bool) -> None:
        self.ramp_days = np.maximum(day, 0.0)
        ramp = self.ramp_days / DAYS_PER_YEAR
        moving, innovation = _innovations()
        cells, n = len(LAG1), len(day)

        def whiten(column: Floats) -> Floats:
            white = np.empty((cells, n))
            change = column[1:] - LAG1 * column[:-1]
            for k in range(cells):
                first = column[0] * float(np.sqrt(innovation[k, 0] / (1.0 + NUGGET[k, 0])))
                white[k, 0] = first
                white[k, 1:], _ = lfilter(
                    [1.0], [1.0, moving[k, 0]], change[k], zi=[-moving[k, 0] * first]
                )
            return white / np.sqrt(innovation)

        one = whiten(np.ones(n)) if free_level else np.zeros((cells, n))
        slope, observed = whiten(ramp), whiten(value)

        def total(a: Floats, b: Floats) -> Floats:
            return np.cumsum(a * b, axis=1)

        # A ridge keeps the ramp at zero while no day lies after the baseline.
        ridge = 1e-9
        level_level = total(one, one) + (0.0 if free_level else 1.0)
        level_ramp, ramp_ramp = total(one, slope), total(slope, slope) + ridge
        level_y, ramp_y = total(one, observed), total(slope, observed)
        determinant = level_level * ramp_ramp - level_ramp**2
        self.level = (ramp_ramp * level_y - level_ramp * ramp_y) / determinant
        self.slope = (level_level * ramp_y - level_ramp * level_y) / determinant
        squares = total(observed, observed) - self.level * level_y - self.slope * ramp_y
        count = np.arange(1, len(day) + 1)
        freedom = np.maximum(count - 2, 1)
        floor = 1e-12 * np.maximum(total(observed, observed), 1e-300)
        squares = np.maximum(squares, floor)
        self.variance = squares / freedom
        self.slope_variance = self.variance * level_level / determinant
        logdet = np.log(1.0 + NUGGET) + (count - 1) * np.log(innovation)
        score = np.log(PRIOR) - 0.5 * (logdet + np.log(determinant) + freedom * np.log(squares))
        weight = np.exp(score - score.max(axis=0))
        self.weight = weight / weight.sum(axis=0)

    def _average(self, values: Floats) -> Floats:
        return np.asarray(np.sum(self.weight * values, axis=0))

    def ramp(self) -> tuple[Floats, Floats]:
        """Ramp on each day and its standard uncertainty, as known on that day."""
        years = self.ramp_days / DAYS_PER_YEAR
        mean = self._average(self.slope)
        variance = self._average(self.slope_variance + (self.slope - mean) ** 2)
        return mean * years, np.sqrt(variance) * years

    def mean_variance(self, count: int) -> Floats:
        """Variance of the mean of some neighbouring days, as known on each day."""
        steps = np.arange(1, count)
        inner = (1.0 - steps / count) * LAG1**steps
        factor = (1.0 + 2.0 * inner.sum(axis=1, keepdims=True) + NUGGET) / count
        return self._average(self.variance * factor)

    def lag1(self) -> Floats:
        """Lag-one correlation as known on each day."""
        return self._average(np.broadcast_to(LAG1 / (1.0 + NUGGET), self.weight.shape))

    def daily_sd(self) -> Floats:
        """Standard deviation of the daily noise as known on each day."""
        return np.sqrt(self._average(self.variance * (1.0 + NUGGET)))
