"""Questions put to a fit: is the static slope that of physics, is there one regime only."""

from __future__ import annotations

import numpy as np

from .solve import Array, GaussianFit, LossRows, fit_losses

# A free static slope with a larger uncertainty verifies nothing.
SLOPE_TOLD_U = 0.03
# A slope this close to 1 is never called wrong.
SLOPE_TOLERATED = 0.01

__all__ = ["regime_of", "static_slope"]


def static_slope(
    rows: LossRows,
    prior_mean: Array,
    prior_u: Array,
    *,
    scale: int,
    fixed: tuple[int, ...] = (),
    residual_u: float,
    start: GaussianFit,
) -> tuple[float, float, str]:
    """Slope of the reading on static pressure when left free: a diagnostic, not the model.

    Parameters
    ----------
    rows : LossRows
        Evidence of the fit.
    prior_mean, prior_u : array of shape (m,)
        Prior of the fit [Pa or -].
    scale : int
        Position of the static scale among the parameters.
    fixed : tuple of int
        Further parameters to hold (a gauge scale would trade off against the slope).
    residual_u : float
        Scatter expected before any row was seen [Pa].
    start : GaussianFit
        The fit itself.

    Returns
    -------
    slope, slope_u : float
        Slope [-], 1 by physics, and its standard uncertainty.
    status : str
        ``verified``; ``unverified``: the level hardly moved; ``contradicted``: level scale,
        density or the level tag itself is wrong.
    """
    if rows.reading.size < 3:
        return float("nan"), float("nan"), "unverified"
    loose = prior_u.copy()
    loose[scale] = 1.0
    loose[list(fixed)] = 0.0
    loose[-1] = 0.0
    fit = fit_losses(rows, prior_mean, loose, residual_u=residual_u, start=start)
    slope = 1.0 + float(fit.mean[scale])
    slope_u = float(np.sqrt(fit.covariance[scale, scale]))
    if slope_u > SLOPE_TOLD_U:
        return slope, slope_u, "unverified"
    declared = np.sqrt(sum(float(prior_u[i]) ** 2 for i in (scale, *fixed)))
    wrong = abs(slope - 1.0) > max(3.0 * float(np.hypot(slope_u, declared)), SLOPE_TOLERATED)
    return slope, slope_u, "contradicted" if wrong else "verified"


def regime_of(fit: GaussianFit, rows: LossRows, limit: float, series: int = 0) -> tuple[str, float]:
    """Tell whether the rows hold two regimes (a throttled valve, a step in friction).

    Parameters
    ----------
    fit : GaussianFit
        Fit of all rows.
    rows : LossRows
        The rows, in time order within a series.
    limit : float
        Smallest step that matters [Pa].
    series : int
        Series of rows to judge.

    Returns
    -------
    tuple of str and float
        ``one``, ``step`` (one change in time) or ``mixed`` (more than a tenth of the rows
        far off), and the size of the step [Pa] or the share of such rows [-].

    Notes
    -----
    A step counts when it exceeds the limit and one split of the record explains more than
    half of the squared residuals of rows with flow. Size decides, not significance: with
    thousands of correlated rows everything is significant.
    """
    size = np.abs(rows.flows).sum(axis=1)
    use = (rows.series == series) & (size > 0.0)
    residual = fit.residual[use]
    n = residual.size
    if n < 20:
        return "one", 0.0
    middle = float(np.median(residual))
    spread = 1.4826 * float(np.median(np.abs(residual - middle)))
    far = np.abs(residual - middle) > np.maximum(6.0 * spread, limit)
    clipped = np.clip(residual, middle - 8 * spread - limit, middle + 8 * spread + limit)
    centred = clipped - clipped.mean()
    total = float(centred @ centred)
    edge = max(5, n // 20)
    split = np.arange(edge, n - edge)
    running = np.cumsum(centred)[split - 1]
    explained = running**2 * n / (split * (n - split))
    best = int(np.argmax(explained))
    m = int(split[best])
    step = float(clipped[m:].mean() - clipped[:m].mean())
    if total > 0 and abs(step) > limit and explained[best] > 0.5 * total:
        return "step", step
    share = float(far.mean())
    return ("mixed", share) if share > 0.1 else ("one", 0.0)
