"""Textbook statistics of trends and control charts, on plain arrays."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import stats
from scipy.signal import lfilter

Floats = NDArray[np.float64]

__all__ = ["MannKendall", "SenSlope", "cusum", "ewma", "mann_kendall", "sen_slope"]


@dataclass(frozen=True)
class SenSlope:
    """Median of pairwise slopes.

    Parameters
    ----------
    slope : float
        Median slope [1 per unit of x].
    lower, upper : float
        Limits of the confidence interval [1 per unit of x].
    intercept : float
        Median of y less slope times median of x [-].
    """

    slope: float
    lower: float
    upper: float
    intercept: float


def sen_slope(x: ArrayLike, y: ArrayLike, confidence: float = 0.95) -> SenSlope:
    """Robust slope of independent observations.

    Parameters
    ----------
    x : array-like of shape (n,)
        Abscissa [-].
    y : array-like of shape (n,)
        Ordinate; pairs with NaN are passed over [-].
    confidence : float
        Confidence of the interval [-].

    Returns
    -------
    SenSlope
        Slope, interval and intercept; NaN with fewer than two distinct abscissae.

    Notes
    -----
    P. K. Sen, J. Am. Stat. Assoc. 63 (1968) 1379. The interval holds for independent
    observations only. Memory grows with n squared.

    Examples
    --------
    >>> sen_slope([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78]).slope
    4.0
    """
    a, b = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    good = np.isfinite(a) & np.isfinite(b)
    a, b = a[good], b[good]
    if len(np.unique(a)) < 2:
        return SenSlope(np.nan, np.nan, np.nan, np.nan)
    found = stats.theilslopes(b, a, confidence)
    return SenSlope(
        float(found.slope),
        float(found.low_slope),
        float(found.high_slope),
        float(found.intercept),
    )


@dataclass(frozen=True)
class MannKendall:
    """Test for a monotone trend.

    Parameters
    ----------
    s : float
        Pairs that rise less pairs that fall [-].
    variance : float
        Variance of `s` without trend, ties counted [-].
    z : float
        Standardised `s`, with continuity correction [-].
    p : float
        Two-sided probability [-].
    """

    s: float
    variance: float
    z: float
    p: float


def mann_kendall(y: ArrayLike) -> MannKendall:
    """Mann-Kendall test of independent observations in time order.

    Parameters
    ----------
    y : array-like of shape (n,)
        Observations; NaN are passed over [-].

    Returns
    -------
    MannKendall
        The test; NaN with fewer than three observations.

    Notes
    -----
    H. B. Mann, Econometrica 13 (1945) 245; M. G. Kendall, Rank Correlation Methods (1975).
    Memory grows with n squared.

    Examples
    --------
    >>> mann_kendall([100, 50, 85, 75, 50]).s
    -5.0
    """
    values = np.asarray(y, dtype=float)
    values = values[np.isfinite(values)]
    n = len(values)
    if n < 3:
        return MannKendall(np.nan, np.nan, np.nan, np.nan)
    s = float(np.triu(np.sign(values[np.newaxis, :] - values[:, np.newaxis]), 1).sum())
    ties = np.unique(values, return_counts=True)[1].astype(float)
    spread = n * (n - 1.0) * (2.0 * n + 5.0) - np.sum(ties * (ties - 1.0) * (2.0 * ties + 5.0))
    variance = float(spread / 18.0)
    z = float((s - np.sign(s)) / np.sqrt(variance)) if variance > 0 else 0.0
    return MannKendall(s, variance, z, float(2.0 * stats.norm.sf(abs(z))))


def ewma(y: ArrayLike, weight: float, start: float) -> Floats:
    """Exponentially weighted moving average.

    Parameters
    ----------
    y : array-like of shape (n,)
        Observations in time order, without NaN [-].
    weight : float
        Share of the newest observation [-].
    start : float
        Value before the first observation [-].

    Returns
    -------
    ndarray of shape (n,)
        The average after each observation [-].

    Notes
    -----
    S. W. Roberts, Technometrics 1 (1959) 239.

    Examples
    --------
    >>> ewma([52.0, 47.0], 0.3, 50.0)
    array([50.6 , 49.52])
    """
    values = np.asarray(y, dtype=float)
    filtered, _ = lfilter([weight], [1.0, weight - 1.0], values, zi=[(1.0 - weight) * start])
    return np.asarray(filtered)


def cusum(y: ArrayLike, target: float, allowance: float) -> tuple[Floats, Floats]:
    """Two-sided cumulative sum of departures from a target.

    Parameters
    ----------
    y : array-like of shape (n,)
        Observations in time order, without NaN [-].
    target : float
        Value the observations should have [-].
    allowance : float
        Departure that is not counted [-].

    Returns
    -------
    tuple of two ndarray of shape (n,)
        Upper and lower sums, both positive [-].

    Notes
    -----
    E. S. Page, Biometrika 41 (1954) 100. The recursion S = max(0, S + y - target - allowance)
    is the plain cumulative sum less its running minimum, so no loop is needed.

    Examples
    --------
    >>> cusum([1.0, 1.0, -3.0], 0.0, 0.5)
    (array([0.5, 1. , 0. ]), array([0. , 0. , 2.5]))
    """
    centred = np.asarray(y, dtype=float) - target
    sums = []
    for signed in (centred, -centred):
        walk = np.cumsum(signed - allowance)
        sums.append(walk - np.minimum(np.minimum.accumulate(walk), 0.0))
    return sums[0], sums[1]
