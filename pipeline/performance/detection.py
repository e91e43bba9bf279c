"""Day-by-day evidence of a loss, as it would have been seen on each day.

Every row uses that day and the days before it only, so replaying a longer history gives the
same rows again. Three views: the mean of the last few running days against the baseline days,
quick to see a large step; that of the last ten, surer of a smaller one; and a ramp since the
baseline, quicker to see a slow loss because it uses all days. All know that neighbouring days
are alike: the noise is an autoregression over running days plus independent noise, and a grid
of correlations and shares is weighted by how well each explains the days seen so far. All know
the year too: an annual swing of a stated size is allowed for until the days show the pump's
own, which is then taken out.
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
# Annual swing of a deviation at the same flow that nothing explains, until a pump shows its
# own (common practice, no source; temperature of gauges and motors, seasonal mix of flows).
ANNUAL_SWING = 0.002
RECENT_DAYS = 10  # running days whose mean is "now"
STEP_DAYS = 5  # running days whose mean shows a large step
FEWEST_DAYS = 20  # running days before noise is known at all
# Days after the baseline before a ramp is asked about: 4 %/yr is not worth a flag before, and a
# ramp over few days is mostly one run of alike days.
RAMP_AFTER_DAYS = 100.0
# Noise known from few alike days is known badly, and mostly too small: standard uncertainties
# grow by this many days over the days seen.
FEW_DAYS_ALLOWANCE = 6.0
MEDIAN_DAYS = 7
CLIP = 6.0  # robust deviations from the running median a day may count for
MAD_TO_SD = 1.4826

Floats = NDArray[np.float64]

__all__ = ["ANNUAL_SWING", "loss_evidence"]


def loss_evidence(
    daily: pd.DataFrame,
    value: str,
    baseline_end: pd.Timestamp,
    *,
    loss_sign: float = -1.0,
    annual_swing: float = ANNUAL_SWING,
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
        Root mean square amplitude of an annual swing that may hide in the deviation: the size
        of the prior of the swing that is fitted to the days seen so far [-].
    reference_u : float
        Standard uncertainty of the reference that no number of days removes, such as that of a
        maker's curve [-].

    Returns
    -------
    DataFrame
        One row per day with a value, range index: ``time``; ``step_loss`` and ``step_loss_u``
        (mean of the last five running days), ``recent_loss`` and ``recent_loss_u`` (of the last
        ten), ``ramp_loss`` and ``ramp_loss_u`` (ramp since the baseline), positive when worse,
        NaN while too little is known; ``lag1`` and ``daily_sd``, the noise as then known [-].
        The swing as then known is out of all three.

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
    views = [f"{view}_loss{part}" for view in ("step", "recent", "ramp") for part in ("", "_u")]
    columns = [*views, "lag1", "daily_sd"]
    result = pd.DataFrame({"time": stamps, **{name: np.full(n, np.nan) for name in columns}})
    if n < FEWEST_DAYS:
        return result
    clipped = _clip(raw)
    day = np.asarray((stamps - baseline_end) / pd.Timedelta("1D"), dtype=float)
    learned = day < 0.0
    n_learned = int(learned.sum())
    fit = _Expanding(day, clipped, free_level=n_learned > 0, annual_swing=annual_swing)

    reference, reference_var = 0.0, np.zeros(n)
    if n_learned:
        reference = float(clipped[learned].mean())
        reference_var = fit.mean_variance(n_learned)

    # A step must inflate neither the noise it is judged by nor the season: both are what was
    # known before the recent days began.
    before = np.maximum(np.arange(n) - RECENT_DAYS, 0)
    known = (before + 1 >= FEWEST_DAYS) & (day >= 0.0)
    start = np.zeros(2)
    if n_learned:
        start = np.array([column[learned].mean() for column in fit.season])
    few = 1.0 + FEW_DAYS_ALLOWANCE / (np.arange(n) + 1.0)
    series = pd.DataFrame(np.column_stack([clipped, *fit.season]))
    for view, width in (("step", STEP_DAYS), ("recent", RECENT_DAYS)):
        mean, sine, cosine = series.rolling(width, min_periods=3).mean().to_numpy().T
        counts = np.minimum(np.arange(n) + 1, width)
        variance = fit.mean_variance(width)[before] * width / counts
        swing, swing_u = fit.swing(sine - start[0], cosine - start[1], before)
        total = np.sqrt((variance + reference_var[before]) * few**2 + swing_u**2 + reference_u**2)
        result[f"{view}_loss"] = np.where(known, mean - reference - swing, np.nan)
        result[f"{view}_loss_u"] = np.where(known, total, np.nan)

    asked = (day >= RAMP_AFTER_DAYS) & (np.arange(n) + 1 >= FEWEST_DAYS)
    ramp, ramp_u = fit.ramp()
    # Before a year is seen the swing may hide in the ramp; after, it is fitted beside it.
    _, hidden = fit.swing(fit.season[0] - start[0], fit.season[1] - start[1], np.arange(n))
    hidden = np.where(fit.year_seen, 0.0, hidden)
    result["ramp_loss"] = np.where(asked, ramp, np.nan)
    total = np.sqrt((ramp_u * few) ** 2 + hidden**2 + reference_u**2)
    result["ramp_loss_u"] = np.where(asked, total, np.nan)
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
    """Level, ramp and annual swing fitted to the first 1, 2, ... n days, for each cell.

    The swing is fitted from the day on which a year has been seen, with a zero-mean prior of
    the stated size; before, it is held at zero and `swing` gives its size as uncertainty.
    """

    def __init__(self, day: Floats, value: Floats, free_level: bool, annual_swing: float) -> None:
        self.ramp_days = np.maximum(day, 0.0)
        self.annual_swing = annual_swing
        self.year_seen = day - day[0] >= DAYS_PER_YEAR
        turn = 2.0 * np.pi / DAYS_PER_YEAR
        self.season = np.sin(turn * day), np.cos(turn * day)
        level, ramp = np.full(len(day), float(free_level)), self.ramp_days / DAYS_PER_YEAR
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

        columns = [whiten(c) for c in (level, ramp, value)]

        def total(a: int, b: int) -> Floats:
            return np.cumsum(columns[a] * columns[b], axis=1)

        # A ridge keeps the ramp at zero while no day lies after the baseline.
        ridge = 1e-9
        level_level = total(0, 0) + (0.0 if free_level else 1.0)
        level_ramp, ramp_ramp = total(0, 1), total(1, 1) + ridge
        level_y, ramp_y, squares_y = total(0, 2), total(1, 2), total(2, 2)
        determinant = level_level * ramp_ramp - level_ramp**2
        constant = (ramp_ramp * level_y - level_ramp * ramp_y) / determinant
        self.slope = (level_level * ramp_y - level_ramp * level_y) / determinant
        squares = squares_y - constant * level_y - self.slope * ramp_y
        count = np.arange(1, n + 1)
        freedom = np.maximum(count - 2, 1)
        squares = np.maximum(squares, 1e-12 * np.maximum(squares_y, 1e-300))
        self.variance = squares / freedom
        self.slope_variance = self.variance * level_level / determinant
        logdet = np.log(1.0 + NUGGET) + (count - 1) * np.log(innovation) + np.log(determinant)
        self.swing_mean = np.zeros((cells, n, 2))
        self.swing_covariance = np.zeros((cells, n, 2, 2))
        late = self.year_seen & (annual_swing > 0.0)
        if late.any():
            both = np.stack([*columns[:2], *(whiten(c) for c in self.season), columns[2]], axis=-1)
            sums = np.cumsum(both[..., np.newaxis] * both[..., np.newaxis, :], axis=1)[:, late]
            # The prior is in the unit of the values, the errors in units of their variance.
            prior = np.maximum(self.variance[:, late] / (0.5 * annual_swing**2), 1e-9)
            normal = sums[..., :4, :4]
            normal[..., (0, 1), (0, 1)] += (0.0 if free_level else 1.0, ridge)
            normal[..., (2, 3), (2, 3)] += prior[..., np.newaxis]
            inverse = np.linalg.inv(normal)
            product = sums[..., :4, 4]
            mean = np.einsum("...ij,...j->...i", inverse, product)
            squares[:, late] -= np.maximum(
                np.sum(mean * product, axis=-1) - (squares_y - squares)[:, late], 0.0
            )
            squares = np.maximum(squares, 1e-12 * np.maximum(squares_y, 1e-300))
            self.variance = squares / freedom
            covariance = self.variance[:, late, np.newaxis, np.newaxis] * inverse
            self.slope[:, late], self.slope_variance[:, late] = mean[..., 1], covariance[..., 1, 1]
            self.swing_mean[:, late] = mean[..., 2:]
            self.swing_covariance[:, late] = covariance[..., 2:, 2:]
            logdet[:, late] += (
                np.linalg.slogdet(normal)[1] - np.log(determinant[:, late]) - 2.0 * np.log(prior)
            )
        score = np.log(PRIOR) - 0.5 * (logdet + freedom * np.log(squares))
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

    def swing(
        self, sine: Floats, cosine: Floats, known_on: NDArray[np.int64]
    ) -> tuple[Floats, Floats]:
        """Swing at given phases and its standard uncertainty, as known on other days."""
        phase = np.stack([sine, cosine], axis=-1)
        weight = self.weight[:, known_on]
        value = np.einsum("cni,ni->cn", self.swing_mean[:, known_on], phase)
        mean = np.sum(weight * value, axis=0)
        spread = np.einsum("ni,cnij,nj->cn", phase, self.swing_covariance[:, known_on], phase)
        variance = np.sum(weight * (spread + (value - mean) ** 2), axis=0)
        unseen = 0.5 * self.annual_swing**2 * np.sum(phase**2, axis=-1)
        return mean, np.sqrt(np.where(self.year_seen[known_on], variance, unseen))

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
