"""Robust Gaussian fit of a reading that loses pressure along pipes.

The reading of row i is::

    reading_i = known_i + linear_i . beta - sum_j loss_j * sign(x_ij) * |x_ij|^n + noise_i

with ``x`` a flow divided by its reference flow, so that ``loss_j`` is the loss in pascal at
that reference flow and the exponent is nearly independent of it. Every parameter has a
Gaussian prior; evidence narrows it. A parameter nothing is known about has a wide prior.

Three things keep the result honest:

* outliers are held down by Huber weights;
* residuals are correlated in time, so that n rows are worth fewer than n: the integrated
  autocorrelation time of the residuals divides the information of the rows;
* the exponent is estimated only when the rows say more about it than the prior does and
  agree with what pipes can do. Otherwise it is held at its prior and its uncertainty is
  carried into every coefficient (a "considered" parameter of the Schmidt-Kalman filter).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

HUBER_LIMIT = 1.5
MOST_PASSES = 40
SCATTER_PASSES = 6
# Share of rows a very long correlation may leave: a record holds at least this many
# independent pieces of news, whatever its residuals look like.
FEWEST_INDEPENDENT_ROWS = 3.0

# Wholly rough pipe gives 2.0; smooth pipe in turbulent flow gives about 1.75 (Blasius).
EXPONENT_SMOOTH = 1.75
EXPONENT_ROUGH = 2.0

__all__ = [
    "EXPONENT_ROUGH",
    "EXPONENT_SMOOTH",
    "GaussianFit",
    "LossRows",
    "autocorrelation_time",
    "exponents_of",
    "fit_losses",
    "loss_shape",
    "loss_shape_slope",
]


@dataclass(frozen=True, slots=True)
class LossRows:
    """Rows of evidence, ready for the fit.

    Parameters
    ----------
    reading : array of shape (n,)
        Reading [Pa].
    known : array of shape (n,)
        Part of the reading known from physics: static less velocity pressure [Pa].
    linear : array of shape (n, p)
        Columns of the linear parameters (offsets and scales).
    flows : array of shape (n, s)
        Flow of each loss over its reference flow, signed [-].
    weight : array of shape (n,)
        Relative precision of each row [-].
    extra_u : array of shape (n,)
        Random uncertainty of a row known beforehand, added to the scatter [Pa].
    series : integer array of shape (n,)
        Rows of one series follow each other in time; -1 marks single readings, which
        neither inform the scatter nor share its correlation.
    fixed_exponent : array of shape (s,)
        Exponent of a loss that has its own (1 for laminar drawdown of a well), NaN for those
        that share the fitted one [-].
    """

    reading: Array
    known: Array
    linear: Array
    flows: Array
    weight: Array
    extra_u: Array
    series: NDArray[np.int64]
    fixed_exponent: Array


@dataclass(frozen=True, slots=True)
class GaussianFit:
    """Posterior of all parameters: linear ones, then losses, then the exponent.

    ``information`` is the evidence of all rows alone (inverse covariance without prior),
    ``series_information`` that of the rows in series; ``mean_loss`` is their mean loss [Pa].
    """

    mean: Array
    covariance: Array
    information: Array
    series_information: Array
    mean_loss: float
    residual: Array
    row_weight: Array
    residual_u: float
    correlation_time: float
    effective_rows: float
    exponent_status: str
    exponent_free: float
    exponent_free_u: float


def loss_shape(flows: Array, exponent: float | Array) -> Array:
    """Return sign(x) |x|^n, the shape of a pipe loss, for flows x over reference [-]."""
    return np.sign(flows) * np.abs(flows) ** exponent


def exponents_of(fixed: Array, exponent: float) -> Array:
    """Exponent of each loss: the common one, or the one fixed for it [-]."""
    return np.where(np.isnan(fixed), exponent, fixed)


def loss_shape_slope(flows: Array, exponent: float | Array) -> Array:
    """Return the derivative of `loss_shape` by the exponent: sign(x) |x|^n ln|x| [-]."""
    size = np.abs(flows)
    log = np.log(np.where(size > 0.0, size, 1.0))
    return np.sign(flows) * size**exponent * log


def autocorrelation_time(residual: Array, series: NDArray[np.int64]) -> float:
    """Integrated autocorrelation time of residuals in rows [-], at least 1.

    Parameters
    ----------
    residual : array of shape (n,)
        Residuals in time order within each series [Pa].
    series : integer array of shape (n,)
        Series each row belongs to; rows of series -1 are left out.

    Returns
    -------
    float
        tau = 1 + 2 sum rho_k, so that n rows carry the news of n / tau independent ones.

    Notes
    -----
    The sum ends before the first pair of lags whose correlations add up to less than zero
    (initial positive sequence; C. J. Geyer, Statistical Science 7 (1992) 473-483,
    doi:10.1214/ss/1177011137). Gaps in time are ignored: rows on both sides of a gap count
    as neighbours, which can only make tau smaller where gaps are few.
    """
    total, rows = 0.0, 0
    covariance = np.zeros(1)
    for label in np.unique(series[series >= 0]):
        part = residual[series == label]
        n = part.size
        if n < 8:
            continue
        part = part - part.mean()
        size = 1 << (2 * n - 1).bit_length()
        spectrum = np.fft.rfft(part, size)
        lagged = np.fft.irfft(spectrum * np.conj(spectrum), size)[: n // 2]
        if lagged.size > covariance.size:
            covariance = np.pad(covariance, (0, lagged.size - covariance.size))
        covariance[: lagged.size] += lagged
        total += lagged[0]
        rows += n
    if rows == 0 or total <= 0.0:
        return 1.0
    rho = covariance / total
    pairs = rho[: 2 * (rho.size // 2)].reshape(-1, 2).sum(axis=1)
    stop = np.flatnonzero(pairs <= 0.0)
    pairs = pairs[: stop[0]] if stop.size else pairs
    tau = max(1.0, 2.0 * float(pairs.sum()) - 1.0)
    return min(tau, max(1.0, rows / FEWEST_INDEPENDENT_ROWS))


def _model(rows: LossRows, mean: Array) -> tuple[Array, Array]:
    p, s = rows.linear.shape[1], rows.flows.shape[1]
    exponent = exponents_of(rows.fixed_exponent, float(mean[-1]))
    shape = loss_shape(rows.flows, exponent)
    losses = mean[p : p + s]
    value = rows.known + rows.linear @ mean[:p] - shape @ losses
    free = np.where(np.isnan(rows.fixed_exponent), losses, 0.0)
    slope = -(loss_shape_slope(rows.flows, exponent) @ free)
    return value, np.column_stack([rows.linear, -shape, slope])


def _scatter(residual: Array, weight: Array, prior_u: float, prior_rows: float, used: int) -> float:
    """Scatter of the rows: robust, and not below what a few rows can prove."""
    n = residual.size
    if n == 0:
        return prior_u
    size = np.sort(np.abs(residual) * np.sqrt(weight))
    if n < 20:
        # With few rows a median absolute deviation is coarse.
        core = float(np.sqrt(np.mean(size**2)))
    else:
        core = 1.4826 * float(size[n // 2])
        # Heavy tails that are no outliers widen the scatter to what holds 95 % of rows.
        inside = int(np.searchsorted(size, 6.0 * core, side="right")) if core > 0.0 else n
        core = max(core, float(size[int(0.95 * (inside - 1))]) / 1.96)
    core *= np.sqrt(n / max(n - used, 1.0))
    return float(np.sqrt((prior_rows * prior_u**2 + n * core**2) / (prior_rows + n)))


def _solve(
    rows: LossRows,
    prior_mean: Array,
    prior_u: Array,
    *,
    free_exponent: bool,
    residual_u: float,
    residual_prior_rows: float,
    start: GaussianFit | None = None,
) -> GaussianFit:
    """Gauss-Newton with Huber weights; the exponent moves only when it is free."""
    size = prior_mean.size
    active = np.ones(size, dtype=bool)
    active[-1] = free_exponent
    active &= prior_u > 0.0
    scale = np.where(prior_u > 0.0, prior_u, 1.0)
    mean = prior_mean.copy()
    in_series = rows.series >= 0
    scatter, tau = residual_u, 1.0
    # A fit of the same rows with other freedoms is a good place to start from.
    scatter_passes = SCATTER_PASSES
    if start is not None:
        mean[active] = start.mean[active]
        scatter, tau, scatter_passes = start.residual_u, start.correlation_time, 2
    n = rows.reading.size
    row_weight = np.ones(n)
    used = int(min(active.sum(), max(in_series.sum() - 1, 0)))
    information = np.zeros((size, size))
    for step in range(MOST_PASSES):
        value, jacobian = _model(rows, mean)
        residual = rows.reading - value
        if 0 < step <= scatter_passes:
            # Frozen after a few passes: an estimate that follows its own fit for ever can
            # cycle between two states.
            scatter = _scatter(
                residual[in_series], rows.weight[in_series], residual_u, residual_prior_rows, used
            )
            tau = autocorrelation_time(residual * row_weight, rows.series)
        variance = scatter**2 / rows.weight + rows.extra_u**2
        if step > 0 or start is not None:
            z = np.abs(residual) / np.sqrt(variance)
            row_weight = np.minimum(1.0, HUBER_LIMIT / np.maximum(z, 1e-12))
        else:
            row_weight = np.ones(n)
        precision = row_weight / variance / np.where(in_series, tau, 1.0)
        weighted = jacobian * precision[:, None]
        information = jacobian.T @ weighted
        white = (scale[:, None] * information * scale[None, :])[np.ix_(active, active)]
        white += np.eye(int(active.sum()))
        pull = scale * (weighted.T @ (residual + jacobian @ (mean - prior_mean)))
        step_white = np.linalg.solve(white, pull[active])
        new = prior_mean.copy()
        new[active] += scale[active] * step_white
        if free_exponent:
            new[-1] = float(np.clip(new[-1], max(0.5, mean[-1] - 0.3), min(4.0, mean[-1] + 0.3)))
        moved = np.abs(new - mean) / scale
        value_moved = float(np.max(np.abs(jacobian @ (new - mean)))) if n else 0.0
        mean = new
        still = float(moved[active].max(initial=0.0)) < 1e-9 or value_moved < 1e-5 * scatter
        if step > scatter_passes and still:
            break
    value, jacobian = _model(rows, mean)
    residual = rows.reading - value
    of_series = jacobian[in_series]
    series_information = of_series.T @ (of_series * precision[in_series][:, None])
    lost = rows.known[in_series] + rows.linear[in_series] @ mean[: rows.linear.shape[1]]
    mean_loss = float(np.mean(np.abs(lost - value[in_series]))) if in_series.any() else 0.0
    covariance = np.zeros((size, size))
    inverse = np.linalg.inv(white)
    # Symmetric to the last bit, so that half of it, written to a table, is all of it.
    covariance[np.ix_(active, active)] = (
        0.5 * (inverse + inverse.T) * np.outer(scale[active], scale[active])
    )
    if not free_exponent and prior_u[-1] > 0.0:
        drift = -covariance @ information[:, -1]
        drift[-1] = 1.0
        covariance = covariance + np.outer(drift, drift) * prior_u[-1] ** 2
    return GaussianFit(
        mean=mean,
        covariance=covariance,
        information=information,
        series_information=series_information,
        mean_loss=mean_loss,
        residual=residual,
        row_weight=row_weight,
        residual_u=scatter,
        correlation_time=tau,
        effective_rows=float(in_series.sum()) / tau,
        exponent_status="prior",
        exponent_free=float("nan"),
        exponent_free_u=float("nan"),
    )


def fit_losses(
    rows: LossRows,
    prior_mean: Array,
    prior_u: Array,
    *,
    residual_u: float,
    residual_prior_rows: float = 2.0,
    start: GaussianFit | None = None,
) -> GaussianFit:
    """Fit all parameters to the rows.

    Parameters
    ----------
    rows : LossRows
        The evidence. No rows at all returns the prior.
    prior_mean, prior_u : array of shape (p + s + 1,)
        Mean and standard uncertainty of the linear parameters, the losses [Pa at the
        reference flow] and, last, the exponent [-]. Uncertainty 0 holds a parameter.
    residual_u : float
        Scatter expected before any row was seen [Pa], worth `residual_prior_rows` rows.
    residual_prior_rows : float
        Weight of that expectation [-].
    start : GaussianFit, optional
        Fit of the same rows with other priors, to start from.

    Returns
    -------
    GaussianFit
        Posterior. ``exponent_status`` is ``prior`` (rows cannot tell: held, uncertainty
        carried), ``estimated``, or ``held_against_rows`` (rows insist on an exponent no
        pipe has, which means that something else is wrong).
    """
    settings = {"residual_u": residual_u, "residual_prior_rows": residual_prior_rows}
    held = _solve(rows, prior_mean, prior_u, free_exponent=False, start=start, **settings)
    if prior_u[-1] <= 0.0 or rows.reading.size == 0:
        return held
    loose_u = prior_u.copy()
    loose_u[-1] = 1.0
    free = _solve(rows, prior_mean, loose_u, free_exponent=True, start=held, **settings)
    n_free = float(free.mean[-1])
    n_free_u = float(np.sqrt(free.covariance[-1, -1]))
    status = "prior"
    if n_free_u < prior_u[-1]:
        low, high = EXPONENT_SMOOTH - 2.0 * n_free_u, EXPONENT_ROUGH + 2.0 * n_free_u
        status = "estimated" if low <= n_free <= high else "held_against_rows"
    result = held
    if status == "estimated":
        result = _solve(rows, prior_mean, prior_u, free_exponent=True, start=free, **settings)
    return replace(result, exponent_status=status, exponent_free=n_free, exponent_free_u=n_free_u)
