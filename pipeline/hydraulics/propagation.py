"""The law of propagation of uncertainty, averaging, sums and degrees of freedom."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import FloatArray, as_float, finish
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.coverage import coverage_factor, effective_degrees_of_freedom

__all__ = [
    "combine",
    "coverage_factor",
    "effective_degrees_of_freedom",
    "effective_sample_size",
    "propagate",
    "shared_instrument_correlation",
    "sum_uncertainty",
    "weighted_mean_uncertainty",
]


def combine(*parts: Uncertainty) -> Uncertainty:
    """Combine independent uncertainties of one quantity in quadrature.

    Parameters
    ----------
    *parts : Uncertainty
        The uncertainties, all in the same unit. [-]

    Returns
    -------
    Uncertainty
        In the same unit. [-]

    Examples
    --------
    >>> u = combine(Uncertainty(3.0, 1.0), Uncertainty(4.0, 0.0))
    >>> float(u.systematic), float(u.random)
    (5.0, 1.0)
    """
    systematic = sum((as_float(p.systematic) ** 2 for p in parts), start=as_float(0.0))
    random = sum((as_float(p.random) ** 2 for p in parts), start=as_float(0.0))
    return Uncertainty(finish(np.sqrt(systematic)), finish(np.sqrt(random)))


def propagate(
    sensitivities: Mapping[str, npt.ArrayLike],
    inputs: Mapping[str, Uncertainty],
    correlations: Mapping[tuple[str, str], npt.ArrayLike] | None = None,
) -> Uncertainty:
    """Law of propagation of uncertainty.

    Parameters
    ----------
    sensitivities : mapping of str to array_like
        Partial derivative of the result for each input. [-]
    inputs : mapping of str to Uncertainty
        Uncertainty of each input. [-]
    correlations : mapping of (str, str) to array_like, optional
        Correlation of the systematic parts of two inputs; others are independent. [-]

    Returns
    -------
    Uncertainty
        Of the result. [-]

    Raises
    ------
    RangeError
        If an input has no sensitivity, or a correlation is outside -1 to 1 or names an
        unknown input.

    Notes
    -----
    u^2 = sum (c_i u_i)^2 + 2 sum r_ij c_i u_i c_j u_j (JCGM 100:2008, equation 16), the
    second sum for the systematic parts.
    """
    missing = sorted(set(inputs) ^ set(sensitivities))
    if missing:
        raise RangeError(
            f"propagation: found {', '.join(missing)} on one side only; expected every input "
            "to have a sensitivity and an uncertainty."
        )
    systematic = as_float(0.0)
    random = as_float(0.0)
    for name, u in inputs.items():
        c = as_float(sensitivities[name])
        systematic = systematic + (c * u.systematic) ** 2
        random = random + (c * u.random) ** 2
    for (a, b), value in (correlations or {}).items():
        r = as_float(value)
        if a not in inputs or b not in inputs or np.any(np.abs(r) > 1.0):
            raise RangeError(
                f"correlation of {a} and {b}: found {value!r}; expected -1 to 1 between two "
                f"of {', '.join(inputs)}."
            )
        u_a = as_float(sensitivities[a]) * inputs[a].systematic
        u_b = as_float(sensitivities[b]) * inputs[b].systematic
        systematic = systematic + 2.0 * r * u_a * u_b
    # Full correlation may leave a rounding error below zero; NaN stays NaN.
    return Uncertainty(finish(np.sqrt(np.maximum(systematic, 0.0))), finish(np.sqrt(random)))


def effective_sample_size(count: npt.ArrayLike, lag_one_correlation: npt.ArrayLike) -> FloatArray:
    """Number of independent readings that a mean of correlated readings is worth.

    Parameters
    ----------
    count : array_like
        Number of readings. [-]
    lag_one_correlation : array_like
        Correlation of the random error from one reading to the next. [-]

    Returns
    -------
    ndarray
        Effective number, at least 1 and at most ``count``. [-]

    Notes
    -----
    n (1 - r)/(1 + r), exact for a first-order autoregressive error in the limit of many
    readings. A negative correlation counts as zero, which errs on the safe side.

    Examples
    --------
    >>> float(effective_sample_size(300, 0.5))
    100.0
    """
    n = as_float(count)
    r = np.clip(as_float(lag_one_correlation), 0.0, 1.0)
    return finish(np.maximum(n * (1.0 - r) / (1.0 + r), np.minimum(n, 1.0)))


def shared_instrument_correlation(instruments: Sequence[str]) -> FloatArray:
    """Correlation matrix of systematic errors of readings, by the instruments they use.

    Parameters
    ----------
    instruments : sequence of str
        Instrument behind each reading, such as one flow meter that serves two pumps. [-]

    Returns
    -------
    ndarray of shape (n, n)
        1 where two readings come from one instrument, else 0. [-]

    Examples
    --------
    >>> shared_instrument_correlation(["meter 1", "meter 1", "meter 2"])
    array([[1., 1., 0.],
           [1., 1., 0.],
           [0., 0., 1.]])
    """
    names = np.asarray(instruments)
    return (names[:, None] == names[None, :]).astype(np.float64)


def sum_uncertainty(parts: Sequence[Uncertainty], correlation: npt.ArrayLike) -> Uncertainty:
    """Uncertainty of a sum, as of the cost of several pumps on one meter.

    Parameters
    ----------
    parts : sequence of Uncertainty
        Uncertainty of each term, scalars or arrays of one shape. [-]
    correlation : array_like of shape (n, n)
        Correlation of the systematic parts of the terms. [-]

    Returns
    -------
    Uncertainty
        Of the sum. [-]

    Notes
    -----
    With one shared instrument the systematic parts add up; only the random parts, and those
    of separate instruments, add in quadrature.
    """
    systematic = np.stack(np.broadcast_arrays(*[as_float(p.systematic) for p in parts]))
    random = np.stack(np.broadcast_arrays(*[as_float(p.random) for p in parts]))
    r = as_float(correlation)
    square = np.einsum("i...,ij,j...->...", systematic, r, systematic)
    return Uncertainty(
        finish(np.sqrt(np.maximum(square, 0.0))), finish(np.sqrt((random**2).sum(axis=0)))
    )


def weighted_mean_uncertainty(
    part: Uncertainty, weights: npt.ArrayLike, lag_one_correlation: npt.ArrayLike = 0.0
) -> Uncertainty:
    """Uncertainty of a weighted mean along the first axis, all from the same instruments.

    Parameters
    ----------
    part : Uncertainty
        Uncertainty of each value. [-]
    weights : array_like
        Weight of each value, such as the electrical energy of each interval for a mean
        efficiency, which is a ratio of sums. [-]
    lag_one_correlation : array_like
        Correlation of the random error from one value to the next. [-]

    Returns
    -------
    Uncertainty
        Of the mean; NaN where all weights are zero. [-]

    Notes
    -----
    The systematic parts share their sign and average; the random parts go in quadrature,
    widened by the effective number of values.

    Examples
    --------
    >>> each = Uncertainty(np.full(100, 2.0), np.full(100, 1.0))
    >>> u = weighted_mean_uncertainty(each, np.ones(100))
    >>> float(u.systematic), float(u.random)
    (2.0, 0.1)
    """
    w = as_float(weights)
    total = w.sum(axis=0)
    share = w / np.where(total > 0.0, total, np.nan)
    count = w.shape[0]
    widened = count / as_float(effective_sample_size(count, lag_one_correlation))
    random = np.sqrt((np.square(share * as_float(part.random))).sum(axis=0) * widened)
    return Uncertainty(finish((share * as_float(part.systematic)).sum(axis=0)), finish(random))
