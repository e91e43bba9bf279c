"""What a suction gauge would be worth: the value of knowing, before the money is spent.

Without a gauge, the loss of a pump is known with an uncertainty that suction pressure adds to.
Overhauling a pump that needs none, or leaving one that does, costs money. A gauge shrinks the
uncertainty and so the chance of either; what that is worth on average, before the reading is
known, is the expected value of sample information of a two-action problem with linear loss
(Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961, section 5.4 and 5.5, from
memory).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.special import owens_t
from scipy.stats import norm

from pipeline.errors import RangeError

__all__ = [
    "expected_value_of_information",
    "present_worth",
    "rank_gauges",
    "remaining_uncertainty",
    "unit_normal_loss",
    "wrong_decision_chance",
]

Floats = NDArray[np.float64]


def unit_normal_loss(distance: ArrayLike) -> Floats:
    """Mean of a standard normal variable's excess over a point.

    Parameters
    ----------
    distance : array-like
        The point, in standard deviations from the mean [-].

    Returns
    -------
    ndarray
        E[max(0, Z - distance)] = phi(d) - d (1 - Phi(d)) [-].

    Examples
    --------
    >>> round(float(unit_normal_loss(1.0)), 5)
    0.08332
    """
    d = np.asarray(distance, dtype=float)
    return np.asarray(norm.pdf(d) - d * norm.sf(d))


def remaining_uncertainty(now_u: ArrayLike, gauge_u: ArrayLike) -> Floats:
    """Uncertainty left when what is known now is joined by an independent measurement.

    Parameters
    ----------
    now_u, gauge_u : array-like
        Standard uncertainty of the loss known now, and of the measured one alone [-].

    Returns
    -------
    ndarray
        Standard uncertainty of the weighted mean of both [-].

    Examples
    --------
    >>> float(remaining_uncertainty(3.0, 4.0))
    2.4
    """
    now, gauge = np.asarray(now_u, dtype=float), np.asarray(gauge_u, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(now > 0.0, now / gauge, 0.0)
    return np.asarray(now / np.hypot(1.0, ratio))


def wrong_decision_chance(gain: ArrayLike, gain_u: ArrayLike) -> Floats:
    """Chance that the better of two actions is the other one.

    Parameters
    ----------
    gain, gain_u : array-like
        What an overhaul would gain less what it costs, and its standard uncertainty [currency].

    Returns
    -------
    ndarray
        Chance that the sign of the gain is wrong, at most a half [-].

    Examples
    --------
    >>> round(float(wrong_decision_chance(-2000.0, 1000.0)), 4)
    0.0228
    """
    gain, u = np.asarray(gain, dtype=float), np.asarray(gain_u, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = np.where(u > 0.0, np.abs(gain) / u, np.where(gain == 0.0, 0.0, np.inf))
    return np.asarray(np.where(np.isnan(gain) | np.isnan(u), np.nan, norm.sf(distance)))


def expected_value_of_information(
    gain: ArrayLike, gain_u: ArrayLike, remaining_u: ArrayLike
) -> Floats:
    """What shrinking the uncertainty of a gain is worth, before it is done.

    Parameters
    ----------
    gain, gain_u : array-like
        What an overhaul would gain less its cost, and its standard uncertainty now [currency].
    remaining_u : array-like
        Standard uncertainty that would remain, at most ``gain_u`` [currency].

    Returns
    -------
    ndarray
        Expected gain of deciding after the measurement instead of now, never negative
        [currency].

    Notes
    -----
    The estimate will move by a normal amount of variance gain_u^2 - remaining_u^2 before it is
    acted on; the value is that spread times the unit normal loss of the distance of the gain
    from zero in such spreads. Holds for a gain linear in an unknown that is near enough normal.

    Examples
    --------
    >>> round(float(expected_value_of_information(-1000.0, 1000.0, 0.0)), 2)
    83.32
    """
    mean, now, left = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (gain, gain_u, remaining_u))
    )
    if np.any(left > now * (1.0 + 1e-9)):
        raise RangeError(
            "More uncertainty would remain after a measurement than there is before it; "
            "give the uncertainty of both together, as remaining_uncertainty does."
        )
    spread = np.sqrt(np.maximum(now**2 - left**2, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = np.where(spread > 0.0, np.abs(mean) / spread, np.inf)
    value = np.where(spread > 0.0, spread * unit_normal_loss(np.minimum(distance, 1e3)), 0.0)
    return np.asarray(np.where(np.isnan(mean) | np.isnan(spread), np.nan, value))


def present_worth(years: float, interest: float) -> float:
    """Present worth of one unit a year for some years.

    Parameters
    ----------
    years : float
        How long [year].
    interest : float
        Interest per year, 0 for none [-].

    Returns
    -------
    float
        (1 - (1 + i)^-n) / i, the uniform-series factor of engineering economics [year].

    Examples
    --------
    >>> round(present_worth(10, 0.06), 4)
    7.3601
    """
    if years < 0.0 or interest <= -1.0:
        raise RangeError(f"No present worth for {years} years at {interest}: give years of 0 or "
                         "more and an interest above -1.")  # fmt: skip
    return years if interest == 0.0 else (1.0 - (1.0 + interest) ** -years) / interest


def rank_gauges(
    pumps: pd.DataFrame,
    *,
    gauge_price: float,
    horizon: float = 3.0,
    interest: float = 0.05,
) -> pd.DataFrame:
    """Rank pumps by what a suction gauge would be worth on them.

    Parameters
    ----------
    pumps : DataFrame
        One row per pump without a trustworthy gauge: ``pump``; ``loss``, efficiency lost
        against the baseline at the same duty [-]; ``suction_u``, its standard uncertainty from
        suction pressure, ``other_u`` from all else, ``gauge_u`` from suction pressure if a
        gauge alone told it [-]; ``efficiency`` [-]; ``energy_cost`` [currency/year] and
        ``overhaul_cost`` [currency] (NaN where not declared).
    gauge_price : float
        Price of one gauge, fitted and calibrated [currency].
    horizon : float
        Years over which an overhaul would save before wear takes it back [year].
    interest : float
        Interest per year [-].

    Returns
    -------
    DataFrame
        Sorted by net worth, then by remaining cost uncertainty, the greatest first:
        ``pump``, ``rank``, ``efficiency_u`` [-], ``cost_u`` [currency/year] that suction
        pressure leaves, ``gain`` of an overhaul now and ``gain_u`` [currency],
        ``wrong_decision`` chance now and ``wrong_decision_with_gauge`` [-], ``worth`` and
        ``net_worth`` [currency], and ``verdict``: ``worth_it``, ``not_worth_it``;
        ``no_overhaul_cost`` where none is declared and ``unknown_loss`` where loss or energy
        cost is not known, which leave the decision open.

    Notes
    -----
    The gain of an overhaul is the loss brought back, in money over the horizon at its present
    worth, less its cost. It is taken as one decision, now. The whole uncertainty of suction
    pressure counts: it cancels against a pump's own past only as long as the line is as it
    was, which without a gauge nobody sees, and an overhaul brings back no loss of the line.
    A gauge has other uses (NPSH, flags, the suction line itself) that are not counted.
    """
    if not (np.isfinite(gauge_price) and gauge_price >= 0.0):
        raise RangeError(f"A gauge cannot cost {gauge_price}: give its price, 0 or more.")
    factor = present_worth(horizon, interest)
    yearly = pumps["energy_cost"].to_numpy(dtype=float)
    suction_u = pumps["suction_u"].to_numpy(dtype=float)
    other_u = pumps["other_u"].to_numpy(dtype=float)
    loss_u = np.hypot(suction_u, other_u)
    left = np.hypot(remaining_uncertainty(suction_u, pumps["gauge_u"]), other_u)
    gain = yearly * pumps["loss"].to_numpy(dtype=float) * factor - pumps["overhaul_cost"].to_numpy(
        dtype=float
    )
    gain_u, gain_left = yearly * loss_u * factor, yearly * left * factor
    worth = expected_value_of_information(gain, gain_u, gain_left)
    found = pd.DataFrame(
        {
            "pump": pumps["pump"].to_numpy(),
            "efficiency_u": suction_u * pumps["efficiency"].to_numpy(dtype=float),
            "cost_u": suction_u * yearly,
            "gain": gain,
            "gain_u": gain_u,
            "wrong_decision": wrong_decision_chance(gain, gain_u),
            "wrong_decision_with_gauge": _chance_after(gain, gain_u, gain_left),
            "worth": worth,
            "net_worth": worth - gauge_price,
        }
    )
    verdict = np.where(found["net_worth"] > 0.0, "worth_it", "not_worth_it")
    open_because = np.where(
        pumps["overhaul_cost"].isna().to_numpy(), "no_overhaul_cost", "unknown_loss"
    )
    found["verdict"] = np.where(found["net_worth"].isna(), open_because, verdict)
    found = found.sort_values(
        ["net_worth", "cost_u", "pump"], ascending=[False, False, True], kind="stable"
    ).reset_index(drop=True)
    found.insert(1, "rank", np.arange(1, len(found) + 1))
    return found


def _chance_after(gain: Floats, gain_u: Floats, left_u: Floats) -> Floats:
    """Chance of a wrong decision once a gauge has spoken, averaged over what it may say.

    Estimate and truth are normal with the same mean and a correlation of spread / gain_u; the
    chance that they differ in sign is then 2 T(gain / gain_u, left / spread), with Owen's T
    function (D. B. Owen, Annals of Mathematical Statistics 27, 1956).
    """
    spread = np.sqrt(np.maximum(gain_u**2 - left_u**2, 0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        chance = 2.0 * owens_t(gain / gain_u, left_u / spread)
    return np.asarray(np.where(spread > 0.0, chance, wrong_decision_chance(gain, gain_u)))
