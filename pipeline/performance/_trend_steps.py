"""Steps in daily deviations: on which day, how many, and how sure of their number."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.performance._correlated import Cells, fit_cells, weighted_sums

STEP_SIDE_DAYS = 10  # running days each side of a step that must be seen
STEP_CANDIDATES = 6
# Twice the gain in log likelihood at which a step is as likely as none: a step in one series
# of five, on any of some hundred days, of a size some ten times its standard uncertainty.
STEP_GAIN = 19.0
MOST_STEPS = 3

Floats = NDArray[np.float64]

__all__ = ["Days", "Steps", "fit_steps"]


@dataclass(frozen=True)
class Days:
    """The days a trend is fitted to.

    Parameters
    ----------
    day : ndarray of shape (n,)
        Day number, strictly rising [d].
    value : ndarray of shape (n,)
        Deviation over `scale` [-].
    noise : ndarray of shape (n,)
        Relative variance of the independent noise of each day [-].
    scale : ndarray of shape (n,)
        Scatter of each day over the usual one, which its value and columns are divided by [-].
    """

    day: Floats
    value: Floats
    noise: Floats
    scale: Floats


@dataclass(frozen=True)
class Steps:
    """Fits with no step, one step, and so on.

    Parameters
    ----------
    fits : list of Cells
        By number of steps; the last may hold one more than were found likely.
    odds : list of float
        Of each fit against the first [-].
    places : list of int
        Place of the first day after each likely step, in the order they were found [-].
    """

    fits: list[Cells]
    odds: list[float]
    places: list[int]

    @property
    def chosen(self) -> Cells:
        """The fit with the likely steps; their sizes are its last coefficients."""
        return self.fits[len(self.places)]

    @property
    def shares(self) -> list[float]:
        """Probability of each fit [-]."""
        total = sum(self.odds)
        return [each / total for each in self.odds]

    def largest(self) -> tuple[int, float, float] | None:
        """Place, size and standard uncertainty of the largest likely step."""
        if not self.places:
            return None
        width = self.chosen.mean.shape[1]
        first = width - len(self.places)
        sizes = [self.chosen.combine(np.eye(width)[first + i]) for i in range(len(self.places))]
        top = int(np.argmax([abs(size) for size, _ in sizes]))
        return self.places[top], *sizes[top]


def fit_steps(days: Days, columns: Floats, prior_sd: Floats, fit: Cells, most: int) -> Steps:
    """Add steps to a fit, one at a time, as long as another one is likely.

    Parameters
    ----------
    days : Days
        The days.
    columns : ndarray of shape (n, p)
        Regressors over the scale of the days.
    prior_sd : ndarray of shape (p,)
        Standard deviation of their priors, as for `fit_cells`.
    fit : Cells
        Fit without a step.
    most : int
        Largest number of steps [-].

    Returns
    -------
    Steps
        The fits, and where the steps are.
    """
    fits, odds = [fit], [1.0]
    places: list[int] = []
    while len(places) < most:
        found = _best_step(days, columns, prior_sd, fits[-1], places)
        if found is None:
            break
        index, better = found
        gain = 2.0 * (better.likelihood - fits[-1].likelihood)
        odds.append(odds[-1] * float(np.exp(0.5 * np.clip(gain - STEP_GAIN, -60.0, 60.0))))
        fits.append(better)
        if gain < STEP_GAIN:
            break
        places.append(index)
        columns = np.column_stack([columns, _step_column(len(days.day), index) / days.scale])
        prior_sd = np.r_[prior_sd, np.inf]
    return Steps(fits, odds, places)


def _best_step(
    days: Days, columns: Floats, prior_sd: Floats, fit: Cells, steps: list[int]
) -> tuple[int, Cells] | None:
    """The step that explains most, or None where none is worth its freedom."""
    n = len(days.day)
    side = STEP_SIDE_DAYS
    if n < 3 * side:
        return None
    residual = days.value - columns @ (fit.weight @ fit.mean)
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
        shapes = (_step_column(n, index) / days.scale for index in places)
        wide = np.column_stack([columns, *shapes])
        sums = weighted_sums(days.day, days.value, wide, days.noise)
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
