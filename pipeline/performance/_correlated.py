"""Least squares for daily values whose errors are alike from day to day.

The error of day i is the sum of a first-order autoregression in calendar time (correlation
``lag1 ** days apart``, so an outage simply weakens it) and independent noise. Both the lag-one
correlation and the share of independent noise are unknown: every pair on a small grid is
fitted and weighted by its marginal likelihood, so that not knowing them widens the answer.
The inverse of the autoregressive correlation matrix is tridiagonal, hence all costs are
proportional to the number of days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.special import stdtr, stdtrit

Floats = NDArray[np.float64]

LAG1_GRID = (0.0, 0.2, 0.4, 0.55, 0.7, 0.8, 0.87, 0.92, 0.95, 0.975)
# Width of each cell over sqrt(1 - r**2): Jeffreys' prior of the correlation of a stationary
# autoregression, which keeps short series from looking less alike than they are.
LAG1_PRIOR = np.array([0.1, 0.2, 0.175, 0.15, 0.125, 0.085, 0.06, 0.04, 0.0275, 0.025]) / np.sqrt(
    1.0 - np.square(LAG1_GRID)
)
NUGGET_GRID = (0.02, 0.3, 1.0, 4.0)  # variance of independent noise over autoregressive

__all__ = ["Cells", "Sums", "fit_cells", "mix", "mixture_interval", "weighted_sums"]


@dataclass(frozen=True)
class Cell:
    """Noise model of one grid cell.

    Parameters
    ----------
    lag1 : float
        Correlation of the autoregressive part over one day [-].
    nugget : float
        Variance of independent noise over that of the autoregressive part [-].
    """

    lag1: float
    nugget: float


@dataclass(frozen=True)
class Cells:
    """Fits of one regression in all grid cells.

    Parameters
    ----------
    weight : ndarray of shape (cells,)
        Posterior weight of each cell; sums to one [-].
    mean : ndarray of shape (cells, p)
        Coefficients.
    covariance : ndarray of shape (cells, p, p)
        Their covariance.
    variance : ndarray of shape (cells,)
        Variance of the autoregressive part.
    likelihood : float
        Largest log likelihood over the cells, coefficients at their best [-].
    freedom : int
        Degrees of freedom [-].
    """

    weight: Floats
    mean: Floats
    covariance: Floats
    variance: Floats
    likelihood: float
    freedom: int

    def combine(self, combination: Floats) -> tuple[float, float]:
        """Mean and standard deviation of a linear combination of the coefficients."""
        centre = self.mean @ combination
        spread = np.einsum("i,cij,j->c", combination, self.covariance, combination)
        mean = float(self.weight @ centre)
        return mean, float(np.sqrt(self.weight @ (spread + (centre - mean) ** 2)))

    @property
    def lag1(self) -> float:
        """Lag-one correlation of the whole error, posterior mean [-]."""
        values = [cell.lag1 / (1.0 + cell.nugget) for cell in CELLS]
        return float(self.weight @ np.array(values))

    @property
    def total_sd(self) -> float:
        """Standard deviation of the whole error, posterior mean."""
        share = np.array([1.0 + cell.nugget for cell in CELLS])
        return float(self.weight @ np.sqrt(self.variance * share))


def _quadratic(columns: Floats, day: Floats, noise: Floats, cell: Cell) -> tuple[Floats, float]:
    """``Z' V^-1 Z`` and ``log det V`` for V = R + nugget * diag(noise)."""
    correlation = cell.lag1 ** np.diff(day)
    rest = 1.0 - correlation**2
    diagonal = cell.nugget * noise
    band = np.zeros((2, len(day)))
    band[1] = 1.0
    band[1, 1:] = 1.0 / rest
    band[1, :-1] += correlation**2 / rest
    band[0, 1:] = -correlation / rest
    band[1] += 1.0 / diagonal
    factor = cholesky_banded(band, check_finite=False)
    scaled = columns / diagonal[:, np.newaxis]
    solved = cho_solve_banded((factor, False), scaled, check_finite=False)
    quadratic = columns.T @ scaled - scaled.T @ solved
    logdet = np.sum(np.log(rest)) + np.sum(np.log(diagonal)) + 2.0 * np.sum(np.log(factor[1]))
    return quadratic, float(logdet)


@dataclass(frozen=True)
class Sums:
    """All that the fits need of the data, per cell of the noise grid.

    Parameters
    ----------
    quadratic : ndarray of shape (cells, p + 1, p + 1)
        Weighted products of the regressors and, last, the observations.
    logdet : ndarray of shape (cells,)
        Log determinant of the error correlation [-].
    count : int
        Number of observations [-].
    """

    quadratic: Floats
    logdet: Floats
    count: int


CELLS = tuple(Cell(a, b) for a in LAG1_GRID for b in NUGGET_GRID)
CELL_LOG_PRIOR = np.repeat(np.log(LAG1_PRIOR), len(NUGGET_GRID))


def weighted_sums(day: Floats, value: Floats, columns: Floats, noise: Floats) -> Sums:
    """Products of regressors and observations in every cell of the noise grid.

    Parameters
    ----------
    day : ndarray of shape (n,)
        Day number, strictly rising [d].
    value : ndarray of shape (n,)
        Observations [-].
    columns : ndarray of shape (n, p)
        Regressors, candidates included.
    noise : ndarray of shape (n,)
        Relative variance of the independent noise of each day [-].

    Returns
    -------
    Sums
        The products; `fit_cells` picks the regressors it wants from them.
    """
    both = np.column_stack([columns, value])
    parts = [_quadratic(both, day, noise, cell) for cell in CELLS]
    return Sums(
        np.array([part[0] for part in parts]), np.array([part[1] for part in parts]), len(value)
    )


def fit_cells(sums: Sums, chosen: list[int], prior_sd: Floats) -> Cells:
    """Fit one linear regression in every cell of the noise grid.

    Parameters
    ----------
    sums : Sums
        Products of all regressors.
    chosen : list of int
        Which of them to use [-].
    prior_sd : ndarray of shape (len(chosen),)
        Standard deviation of a zero-mean prior of each coefficient; infinite for none.

    Returns
    -------
    Cells
        The fits and their weights.
    """
    last = sums.quadratic.shape[1] - 1
    xx = sums.quadratic[:, chosen][:, :, chosen]
    xy = sums.quadratic[:, chosen, last]
    yy = np.maximum(sums.quadratic[:, last, last], 1e-300)
    free = ~np.isfinite(prior_sd)
    freedom = max(sums.count - int(free.sum()), 1)
    precision = np.where(free, 0.0, 1.0 / np.where(free, 1.0, prior_sd) ** 2)
    # The prior is in the unit of the values while the errors are in units of an unknown
    # variance: three passes settle the ratio.
    variance = yy / freedom
    for _ in range(3):
        normal = xx + variance[:, np.newaxis, np.newaxis] * np.diag(precision)
        mean = np.linalg.solve(normal, xy[:, :, np.newaxis])[:, :, 0]
        squares = np.maximum(yy - np.einsum("ci,ci->c", xy, mean), 1e-18 * yy)
        variance = np.maximum(squares / freedom, 1e-24)
    covariance = variance[:, np.newaxis, np.newaxis] * np.linalg.inv(normal)
    normal_logdet = np.linalg.slogdet(normal)[1]
    shrink = np.log(variance[:, np.newaxis] * precision[~free]).sum(axis=1)
    marginal = CELL_LOG_PRIOR - 0.5 * (
        sums.logdet + normal_logdet - shrink + freedom * np.log(squares)
    )
    profile = -0.5 * (sums.logdet + sums.count * np.log(squares))
    weight = np.exp(marginal - marginal.max())
    return Cells(weight / weight.sum(), mean, covariance, variance, float(profile.max()), freedom)


def mix(fits: list[Cells], weights: list[float], shared: int) -> Cells:
    """Average fits of different regressions, by the weight of each.

    Parameters
    ----------
    fits : list of Cells
        Fits whose first `shared` coefficients mean the same.
    weights : list of float
        Probability of each; they sum to one [-].
    shared : int
        Number of coefficients kept [-].

    Returns
    -------
    Cells
        All cells of all fits.
    """
    return Cells(
        weight=np.concatenate([w * fit.weight for w, fit in zip(weights, fits, strict=True)]),
        mean=np.concatenate([fit.mean[:, :shared] for fit in fits]),
        covariance=np.concatenate([fit.covariance[:, :shared, :shared] for fit in fits]),
        variance=np.concatenate([fit.variance for fit in fits]),
        likelihood=max(fit.likelihood for fit in fits),
        freedom=min(fit.freedom for fit in fits),
    )


def mixture_interval(
    fit: Cells, combination: Floats, extra_u: float, level: float = 0.95
) -> tuple[float, float]:
    """Interval of a linear combination over all cells of the noise grid.

    Parameters
    ----------
    fit : Cells
        The fits.
    combination : ndarray of shape (p,)
        The combination of coefficients.
    extra_u : float
        Further standard uncertainty, independent of the fit [-].
    level : float
        Probability inside the interval [-].

    Returns
    -------
    tuple of float
        Lower and upper limit.

    Notes
    -----
    The posterior is a mixture of Student distributions, one per cell; its quantiles are found
    by bisection.
    """
    centre = fit.mean @ combination
    spread = np.einsum("i,cij,j->c", combination, fit.covariance, combination)
    scale = np.sqrt(np.maximum(spread, 0.0) + extra_u**2)
    tail = 0.5 * (1.0 - level)
    reach = -float(stdtrit(fit.freedom, tail * 1e-2)) * scale
    limits = []
    for share in (tail, 1.0 - tail):
        low, high = float(np.min(centre - reach)), float(np.max(centre + reach))
        for _ in range(60):
            middle = 0.5 * (low + high)
            below = float(fit.weight @ stdtr(fit.freedom, (middle - centre) / scale))
            low, high = (middle, high) if below < share else (low, middle)
        limits.append(0.5 * (low + high))
    return limits[0], limits[1]
