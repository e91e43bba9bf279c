"""Day-by-day evidence of a loss, as it would have been seen on each day.

Every row uses that day and the days before it only, so replaying a longer history gives the
same rows again. Four views: the mean of the last few running days against the baseline days,
quick to see a large step; that of the last ten, surer of a smaller one; a jump within the last
ten days against those just before it, in which all that moves slowly cancels; and a ramp since
the baseline, quicker to see a slow loss because it uses all days. All know that neighbouring days
are alike: the noise is an autoregression over running days plus independent noise, and a grid
of correlations and shares is weighted by how well each explains the days seen so far. All know
the year too: an annual swing of a stated size is allowed for until the days show the pump's
own, which is then taken out.
"""

from __future__ import annotations

from collections.abc import Sequence

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
JUMP_DAYS = (3, 10)  # fewest and most running days since a jump that is still looked for
JUMP_RAMP_SWINGS = 50.0  # annual swings in a year: standard size of the ramp beside a jump
VIEWS = ("jump", "step", "recent", "ramp")
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
    shared_u: Sequence[str] = (),
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
    shared_u : sequence of str
        Columns with the standard size, on each day, of an error that all days share in
        proportion to it, zero on days without it; NaN counts as zero. Such is the error of a
        source of suction pressure: it cancels while it is as it was in the baseline days, and
        comes in on the day the source changes [-].

    Returns
    -------
    DataFrame
        One row per day with a value, range index: ``time``; ``step_loss`` and ``step_loss_u``
        (mean of the last five running days), ``recent_loss`` and ``recent_loss_u`` (of the last
        ten), ``jump_loss`` and ``jump_loss_u`` (the surest jump three to ten running days ago),
        ``ramp_loss`` and ``ramp_loss_u`` (ramp since the baseline), positive when worse, NaN
        while too little is known; ``lag1`` and ``daily_sd``, the noise as then known [-].
        The swing as then known is out of all but the jump, where it is in the uncertainty.

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
    views = [f"{view}_loss{part}" for view in VIEWS for part in ("", "_u")]
    columns = [*views, "lag1", "daily_sd"]
    result = pd.DataFrame({"time": stamps, **{name: np.full(n, np.nan) for name in columns}})
    if n < FEWEST_DAYS:
        return result
    clipped = _clip(raw)
    day = np.asarray((stamps - baseline_end) / pd.Timedelta("1D"), dtype=float)
    learned = day < 0.0
    n_learned = int(learned.sum())
    fit = _Expanding(day, clipped, free_level=n_learned > 0, annual_swing=annual_swing)
    # What some days share is the same for all of them, of a size that goes with the day.
    shared = np.nan_to_num(table[list(shared_u)].to_numpy(dtype=float))

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
    start_shared = shared[learned].mean(axis=0) if n_learned else np.zeros(shared.shape[1])
    few = 1.0 + FEW_DAYS_ALLOWANCE / (np.arange(n) + 1.0)
    series = pd.DataFrame(np.column_stack([clipped, *fit.season, shared]))
    for view, width in (("step", STEP_DAYS), ("recent", RECENT_DAYS)):
        mean, sine, cosine, *parts = series.rolling(width, min_periods=3).mean().to_numpy().T
        stays = reference_u**2 + np.sum(
            [(part - at) ** 2 for part, at in zip(parts, start_shared, strict=True)], axis=0
        )
        counts = np.minimum(np.arange(n) + 1, width)
        variance = fit.mean_variance(width)[before] * width / counts
        swing, swing_u = fit.swing(sine - start[0], cosine - start[1], before)
        total = np.sqrt((variance + reference_var[before]) * few**2 + swing_u**2 + stays)
        result[f"{view}_loss"] = np.where(known, mean - reference - swing, np.nan)
        result[f"{view}_loss_u"] = np.where(known, total, np.nan)

    jump, jump_u = fit.jump(before, shared)
    result["jump_loss"] = np.where(known, jump, np.nan)
    result["jump_loss_u"] = np.where(known, jump_u * few, np.nan)

    asked = (day >= RAMP_AFTER_DAYS) & (np.arange(n) + 1 >= FEWEST_DAYS)
    ramp, ramp_u = fit.ramp()
    # Before a year is seen the swing may hide in the ramp; after, it is fitted beside it.
    _, hidden = fit.swing(fit.season[0] - start[0], fit.season[1] - start[1], np.arange(n))
    hidden = np.where(fit.year_seen, 0.0, hidden)
    result["ramp_loss"] = np.where(asked, ramp, np.nan)
    stays = reference_u**2 + np.sum(fit.ramp_of(shared) ** 2, axis=1)
    total = np.sqrt((ramp_u * few) ** 2 + hidden**2 + stays)
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

        self._whiten = whiten
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
        self.white, self.normal = columns, (level_level, level_ramp, ramp_ramp)
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

    def ramp_of(self, columns: Floats) -> Floats:
        """Ramp that other columns of days would show, as each is: shape (n, columns)."""
        found = np.zeros(columns.shape)
        level_level, level_ramp, ramp_ramp = self.normal
        determinant = level_level * ramp_ramp - level_ramp**2
        for k, column in enumerate(columns.T):
            if not column.any():
                continue
            white = self._whiten(column)
            level, ramp = (np.cumsum(self.white[i] * white, axis=1) for i in (0, 1))
            slope = (level_level * ramp - level_ramp * level) / determinant
            found[:, k] = self._average(slope) * self.ramp_days / DAYS_PER_YEAR
        return found

    def jump(self, before: NDArray[np.int64], shared: Floats) -> tuple[Floats, Floats]:
        """Surest jump some running days ago and its standard uncertainty, on each day.

        Level and ramp of all days so far are fitted beside it. In alike days a jump is told by
        the few days on either side of it, so that what moves slowly is hardly in it.
        """
        fewest, most = JUMP_DAYS
        moving, innovation = _innovations()
        n = self.weight.shape[1]
        impulse = np.r_[1.0, np.zeros(most - 1)]
        change = impulse + (1.0 - LAG1) * (1.0 - impulse)
        pairs = zip(moving[:, 0], change, strict=True)
        step = np.array([lfilter([1.0], [1.0, float(m)], one) for m, one in pairs])
        step /= np.sqrt(innovation)
        others = [column for column in shared.T if column.any()]
        targets = [self.white[2], *(self._whiten(c) for c in (*self.season, *others))]
        level_level, level_ramp, ramp_ramp = self.normal
        ramp_u = max(JUMP_RAMP_SWINGS * self.annual_swing, 1e-9)
        rigid = ramp_ramp + self.variance[:, before] / ramp_u**2
        determinant = level_level * rigid - level_ramp**2
        weight = self.weight[:, before]

        def last(white: Floats, days: int) -> Floats:
            """Product of a column with the step that began some days ago."""
            padded = np.concatenate([np.zeros((len(white), days - 1)), white], axis=1)
            seen = np.lib.stride_tricks.sliding_window_view(padded, days, axis=1)
            return np.asarray(np.einsum("cnk,ck->cn", seen, step[:, :days]))

        sums = [
            (np.cumsum(self.white[0] * white, axis=1), np.cumsum(self.white[1] * white, axis=1))
            for white in targets
        ]
        best, best_u = np.full(n, np.nan), np.full(n, np.nan)
        for days in range(fewest, most + 1):
            level, ramp = last(self.white[0], days), last(self.white[1], days)
            by_level = (rigid * level - level_ramp * ramp) / determinant
            by_ramp = (level_level * ramp - level_ramp * level) / determinant
            own = np.sum(step[:, :days] ** 2, axis=1, keepdims=True)
            left = np.maximum(own - by_level * level - by_ramp * ramp, 1e-9)
            shown = [
                (last(white, days) - by_level * a - by_ramp * b) / left
                for white, (a, b) in zip(targets, sums, strict=True)
            ]
            mean = np.sum(weight * shown[0], axis=0)
            spread = self.variance[:, before] / left + (shown[0] - mean) ** 2
            variance = np.sum(weight * spread, axis=0)
            for one in shown[1:3]:
                variance += 0.5 * (self.annual_swing * np.sum(weight * one, axis=0)) ** 2
            for one in shown[3:]:
                variance += np.sum(weight * one, axis=0) ** 2
            u = np.sqrt(variance)
            surer = (np.arange(n) >= days) & ~(mean / u <= best / best_u)
            best, best_u = np.where(surer, mean, best), np.where(surer, u, best_u)
        return best, best_u

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
