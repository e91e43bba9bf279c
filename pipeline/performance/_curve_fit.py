"""Robust, constrained polynomial fits on a stated interval.

A curve on ``[low, high]`` is held in the Bernstein basis: its coefficients are "control
values" in the unit of the quantity itself, the fit is well conditioned however narrow the
flow range, and a curve whose control values never rise cannot rise. That makes "head falls
with flow" a bound on a linear least-squares problem instead of a penalty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import lsq_linear
from scipy.special import comb

Floats = NDArray[np.float64]

HUBER_TUNING = 1.345  # 95 % efficiency at the normal; Huber, Robust Statistics (1981)
FEWEST_DAYS = 10  # fewer days than this say nothing about how alike days are
GROSS_ERROR = 5.0  # residuals beyond this many robust deviations are not used at all
MAD_TO_SD = 1.4826  # consistency factor of the median absolute deviation at the normal

__all__ = [
    "Fit",
    "bernstein_basis",
    "bernstein_slope_basis",
    "day_inflation",
    "fit_curve",
    "joint_covariance",
]


def bernstein_basis(x: Floats, degree: int) -> Floats:
    """Bernstein polynomials of one degree.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Position in the interval, 0 at its lower end and 1 at its upper end [-].
    degree : int
        Degree of the polynomials [-].

    Returns
    -------
    ndarray of shape (n, degree + 1)
        Basis values; every row sums to one [-].

    Examples
    --------
    >>> bernstein_basis(np.array([0.5]), 2)
    array([[0.25, 0.5 , 0.25]])
    """
    orders = np.arange(degree + 1)
    column = np.asarray(x, dtype=float)[:, np.newaxis]
    basis: Floats = comb(degree, orders) * column**orders * (1.0 - column) ** (degree - orders)
    return basis


def bernstein_slope_basis(x: Floats, degree: int) -> Floats:
    """Derivative of the Bernstein polynomials with respect to `x`.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Position in the interval [-].
    degree : int
        Degree of the polynomials [-].

    Returns
    -------
    ndarray of shape (n, degree + 1)
        Derivatives of the basis [-].

    Examples
    --------
    >>> bernstein_slope_basis(np.array([0.25]), 1)
    array([[-1.,  1.]])
    """
    x = np.asarray(x, dtype=float)
    slopes = np.zeros((len(x), degree + 1))
    if degree > 0:
        lower = degree * bernstein_basis(x, degree - 1)
        slopes[:, 1:] += lower
        slopes[:, :-1] -= lower
    return slopes


@dataclass(frozen=True)
class Fit:
    """A fitted curve and what is needed to judge it.

    Parameters
    ----------
    coefficients : ndarray of shape (degree + 1,)
        Control values, in the unit of the fitted quantity.
    influence : ndarray of shape (degree + 1, n)
        How each observation moves each control value [-].
    residual : ndarray of shape (n,)
        Observed less fitted, in the unit of the fitted quantity.
    sigma : ndarray of shape (n,)
        Relative size of each observation's random error, in the unit of the quantity.
    centre : ndarray of shape (degree + 1,)
        Mean of the basis over the observations: the curve's level is ``centre @ c`` [-].
    scale : float
        Robust standard deviation of the residuals, in units of `sigma`.
    used : ndarray of shape (n,)
        True where the observation took part.
    score : float
        Bayesian information criterion; the lower the better [-].
    """

    coefficients: Floats
    influence: Floats
    residual: Floats
    sigma: Floats
    centre: Floats
    scale: float
    used: NDArray[np.bool_]
    score: float

    @property
    def degree(self) -> int:
        """Degree of the curve [-]."""
        return len(self.coefficients) - 1


def _falling_least_squares(basis: Floats, target: Floats, weight: Floats, falling: bool) -> Floats:
    """Weighted least squares for control values, optionally never rising."""
    # The Bernstein basis is conditioned well enough for normal equations, and those cost one
    # pass over the points however many of them there are.
    weighted = basis * weight[:, np.newaxis]
    normal, product = weighted.T @ basis, weighted.T @ target
    size = basis.shape[1]
    if not falling or size == 1:
        return np.asarray(np.linalg.lstsq(normal, product, rcond=None)[0])
    # Control values b_i = b_0 - d_1 - ... - d_i with every drop d >= 0.
    drops = np.tril(-np.ones((size, size)))
    drops[:, 0] = 1.0
    values, vectors = np.linalg.eigh(drops.T @ normal @ drops)
    root = np.sqrt(np.maximum(values, 1e-14 * values[-1]))
    bounds = (np.r_[-np.inf, np.zeros(size - 1)], np.inf)
    solved = lsq_linear(
        root[:, np.newaxis] * vectors.T,
        vectors.T @ (drops.T @ product) / root,
        bounds=bounds,
        method="bvls",
    )
    return np.asarray(drops @ solved.x)


def fit_curve(
    x: Floats,
    y: Floats,
    degree: int,
    *,
    sigma: Floats,
    falling: bool = False,
    robust: bool = True,
) -> Fit:
    """Fit one curve by Huber-weighted least squares.

    Parameters
    ----------
    x : ndarray of shape (n,)
        Position in the interval [-].
    y : ndarray of shape (n,)
        Observed quantity [SI].
    degree : int
        Degree of the curve [-].
    sigma : ndarray of shape (n,)
        Relative size of each observation's random error, in the unit of `y`.
    falling : bool
        Whether the curve may not rise [-].
    robust : bool
        Whether outliers lose weight [-].

    Returns
    -------
    Fit
        The curve.

    Notes
    -----
    Huber weights with tuning constant 1.345 (P. J. Huber, Robust Statistics, 1981), then
    observations beyond five robust standard deviations are left out. For degree three the
    condition on the control values is sufficient for a falling curve, not necessary.
    """
    basis = bernstein_basis(x, degree)
    weight = np.ones(len(y))
    scale = 1.0
    coefficients = np.zeros(degree + 1)
    for turn in range(30):
        previous = coefficients
        coefficients = _falling_least_squares(basis, y, weight / sigma**2, falling)
        standard = (y - basis @ coefficients) / sigma
        if not robust:
            break
        scale = float(MAD_TO_SD * np.median(np.abs(standard)))
        floor = 1e-9 * float(np.max(np.abs(y / sigma)))
        scale = max(scale, floor)
        size = np.abs(standard) / scale
        weight = np.minimum(1.0, HUBER_TUNING / np.maximum(size, 1e-12))
        # Gross errors keep a Huber weight until the curve has found the bulk of the points.
        if turn >= 5:
            weight = np.where(size > GROSS_ERROR, 0.0, weight)
        moved = np.max(np.abs(coefficients - previous))
        if turn >= 7 and moved <= 1e-9 * np.max(np.abs(coefficients)):
            break
    used = weight > 0.0
    freedom = max(int(used.sum()) - degree - 1, 1)
    if not robust:
        scale = float(np.sqrt(np.sum(standard[used] ** 2) / freedom))
    weighted = basis * (weight / sigma**2)[:, np.newaxis]
    influence = np.linalg.pinv(weighted.T @ basis, rcond=1e-14, hermitian=True) @ weighted.T
    squares = float(np.sum(weight * standard**2))
    count = max(int(used.sum()), 2)
    score = count * np.log(max(squares / count, 1e-300)) + (degree + 1) * np.log(count)
    return Fit(
        coefficients,
        influence,
        y - basis @ coefficients,
        sigma,
        basis.mean(axis=0),
        scale,
        used,
        float(score),
    )


def day_inflation(residual: Floats, day: NDArray[np.int64]) -> float:
    """How much more uncertain a fit is because neighbouring residuals are alike.

    Parameters
    ----------
    residual : ndarray of shape (n,)
        Residuals of the fit, in time order [SI].
    day : ndarray of shape (n,)
        Day number of each residual [d].

    Returns
    -------
    float
        Factor on the variance of the fit, at least one [-].

    Notes
    -----
    The variance of the mean of correlated daily means, ``s_d**2 k / (n_days - k)`` with
    ``k = (1 + r) / (1 - r)``, against that of independent residuals, ``s**2 / n``; r is the
    lag-one autocorrelation of the daily means, corrected for its small-sample bias (Marriott
    and Pope, Biometrika 41, 1954, from memory: ``r + (1 + 3 r) / n``).

    Examples
    --------
    >>> day_inflation(np.array([1.0, -1.0, 1.0, -1.0]), np.array([0, 0, 0, 0]))
    1.0
    """
    variance = float(np.var(residual))
    if len(residual) < 4 or variance <= 0.0:
        return 1.0
    _, position = np.unique(day, return_inverse=True)
    counts = np.bincount(position)
    means = np.bincount(position, weights=residual) / counts
    n_days = len(counts)
    if n_days < 5:
        return 1.0
    centred = means - means.mean()
    spread = float(np.sum(centred**2))
    if spread <= 0.0:
        return 1.0
    lag1 = float(np.sum(centred[1:] * centred[:-1]) / spread)
    lag1 = min(max(lag1 + (1.0 + 3.0 * lag1) / n_days, 0.0), 0.95)
    alike = min((1.0 + lag1) / (1.0 - lag1), 0.5 * n_days)
    # Residuals of few independent days are too small: the fit has followed their common part.
    of_mean = spread / n_days * alike / (n_days - alike)
    return max(1.0, of_mean / (variance / len(residual)))


def joint_covariance(fits: tuple[Fit, Fit], day: NDArray[np.int64]) -> tuple[Floats, float]:
    """Covariance of the coefficients of two curves fitted to the same points.

    Parameters
    ----------
    fits : tuple of two Fit
        Head and power, on the same points in time order [-].
    day : ndarray of shape (n,)
        Day number of each point, never falling [d].

    Returns
    -------
    covariance : ndarray of shape (p, p)
        Of the head coefficients followed by the power coefficients.
    inflation : float
        Variance of the curves' levels over that of independent points, the larger one [-].

    Notes
    -----
    The two quantities share the flow, so their errors move together; left out, the uncertainty
    of efficiency would be wrong. Points of one day, and days next to each other, are alike:
    scores are summed by day and days combined with Bartlett weights (Newey and West,
    Econometrica 55, 1987). Few days make such sums too small, so no direction gets less than
    independent points would give, and the level of each curve keeps at least the variance
    `day_inflation` gives, since days may stay alike for weeks.
    """
    spreads = [fit.influence * (fit.scale * fit.sigma) for fit in fits]
    both = fits[0].used & fits[1].used
    together = 0.0
    if both.sum() > 3 and min(fit.scale for fit in fits) > 0:
        standard = [fit.residual[both] / fit.sigma[both] for fit in fits]
        together = float(np.nan_to_num(np.corrcoef(standard[0], standard[1])[0, 1]))
    cross = together * spreads[0] @ spreads[1].T
    independent = np.block(
        [[spreads[0] @ spreads[0].T, cross], [cross.T, spreads[1] @ spreads[1].T]]
    )
    starts = np.flatnonzero(np.r_[True, np.diff(day) > 0])
    n_days = len(starts)
    factors = [day_inflation(fit.residual[fit.used], day[fit.used]) for fit in fits]
    if n_days < FEWEST_DAYS:
        return independent * max(factors), max(factors)

    scores = np.vstack([fit.influence * fit.residual for fit in fits])
    daily = np.add.reduceat(scores, starts, axis=1)
    covariance = daily @ daily.T
    lags = int(4.0 * (n_days / 100.0) ** (2.0 / 9.0))
    for lag in range(1, lags + 1):
        product = daily[:, lag:] @ daily[:, :-lag].T
        covariance += (1.0 - lag / (lags + 1.0)) * (product + product.T)
    covariance = _not_below(covariance * n_days / (n_days - 2.0), independent)

    start = 0
    inflation = 1.0
    for fit, factor in zip(fits, factors, strict=True):
        block = slice(start, start + fit.degree + 1)
        level = float(fit.centre @ covariance[block, block] @ fit.centre)
        plain = float(fit.centre @ independent[block, block] @ fit.centre)
        missing = max(factor * plain - level, 0.0)
        shape = fit.coefficients / float(fit.centre @ fit.coefficients)
        covariance[block, block] += missing * np.outer(shape, shape)
        if plain > 0:
            inflation = max(inflation, (level + missing) / plain)
        start = block.stop
    return covariance, inflation


def _not_below(covariance: Floats, floor: Floats) -> Floats:
    """The covariance, raised to the floor in every direction where it is less."""
    size = np.sqrt(np.maximum(np.diag(floor), 1e-300))  # metres and watts side by side
    values, vectors = np.linalg.eigh(floor / np.outer(size, size))
    seen = values > 1e-12 * max(float(values[-1]), 1e-300)
    root = size[:, np.newaxis] * vectors[:, seen] * np.sqrt(values[seen])
    whiten = vectors[:, seen] / np.sqrt(values[seen]) / size[:, np.newaxis]
    ratio, turn = np.linalg.eigh(whiten.T @ covariance @ whiten)
    lift = root @ turn
    raised: Floats = covariance + (lift * np.maximum(1.0 - ratio, 0.0)) @ lift.T
    return raised
