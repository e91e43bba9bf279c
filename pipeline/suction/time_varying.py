"""Friction that changes: growth of a fouling strainer, steps at cleaning, age of a lost gauge.

The loss of one segment (usually the pump's branch, where the strainer sits) is the fitted loss
times a multiplier. While the gauge works, each day's steady hours measure the multiplier; a
Kalman filter follows it, with a growth rate that itself wanders. When the gauge is lost the
filter runs on without readings, so that the uncertainty grows at the rate this line's own
history shows. Nothing looks ahead: the value of a day rests on that day and those before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .fill import Estimate
from .solve import Array

# Memory of the growth rate: a rate seen today fades to a third in about this time.
GROWTH_MEMORY_DAYS = 45.0
# Even a line that never changed may do so: by this share of the loss in thirty days.
LEAST_WANDER_30_DAYS = 0.005
# What a cleaning may leave undecided when none was seen before.
CLEANING_U = 0.10
# Log likelihood a growth rate of its own must bring.
GROWTH_EARNS = 4.0
# An innovation this large, twice running with the same sign, is a step, not growth.
STEP_SIGMAS = 5.0

WANDERS = np.geomspace(1e-4, 4e-2, 14)  # per square root of a day
_FLOOR = LEAST_WANDER_30_DAYS / np.sqrt(30.0)
GROWTHS = np.array([0.0, 1e-4, 3e-4, 1e-3, 3e-3])  # per day, per square root of a day

DAILY_COLUMNS = ("measured", "measured_u", "multiplier", "multiplier_u", "growth", "step")

__all__ = ["DAILY_COLUMNS", "FrictionTrack", "track_friction"]


@dataclass(frozen=True)
class FrictionTrack:
    """Multiplier of a segment's loss, day by day.

    Parameters
    ----------
    daily : DataFrame
        Index: days, UTC. Columns `DAILY_COLUMNS`: the day's own measurement and its random
        uncertainty (NaN without one), the filtered multiplier and its standard uncertainty
        [-], its growth [1/day], ``step`` (bool: cleaning or undeclared step that day).
    wander : float
        Random change of the multiplier found in the history [per square root of a day].
    growth_wander : float
        Random change of its growth rate [1/day per square root of a day].
    cleaned_level : float
        Multiplier a cleaning returns to [-].
    cleaned_u : float
        Its standard uncertainty [-].
    """

    daily: pd.DataFrame
    wander: float
    growth_wander: float
    cleaned_level: float
    cleaned_u: float

    def at(self, times: pd.DatetimeIndex) -> tuple[Array, Array]:
        """Multiplier and its standard uncertainty at given times [-].

        Times before the first day give 1 with the first day's uncertainty; later than the
        last day, the last day's (run the filter on to the day wanted with ``until``).
        """
        place = self.daily.index.searchsorted(times, side="right") - 1
        inside = np.clip(place, 0, len(self.daily) - 1)
        value = self.daily["multiplier"].to_numpy()[inside]
        value_u = self.daily["multiplier_u"].to_numpy()[inside]
        return np.where(place < 0, 1.0, value), value_u

    def adjust(self, estimate: Estimate, loss: Array, times: pd.DatetimeIndex) -> Estimate:
        """Move an estimate to the friction of each time.

        Parameters
        ----------
        estimate : Estimate
            Made with the fitted (constant) losses.
        loss : array of shape (n,)
            Fitted loss of the tracked segment in each row [Pa]; see ``predict_losses``.
        times : DatetimeIndex
            Time of each row.

        Returns
        -------
        Estimate
            Value lowered by (multiplier - 1) loss; its uncertainty joins the systematic part,
            since neighbouring rows share it.
        """
        multiplier, multiplier_u = self.at(times)
        return replace(
            estimate,
            value=estimate.value - (multiplier - 1.0) * loss,
            u_systematic=np.hypot(estimate.u_systematic, multiplier_u * loss),
        )


def track_friction(
    times: pd.DatetimeIndex,
    residual: Array,
    loss: Array,
    *,
    residual_u: float,
    loss_u: float = 0.0,
    cleanings: Sequence[pd.Timestamp] = (),
    until: pd.Timestamp | None = None,
    correlation_time: float = 1.0,
    learn_before: pd.Timestamp | None = None,
) -> FrictionTrack:
    """Follow the multiplier of one segment's loss through the steady hours of a good gauge.

    Parameters
    ----------
    times : DatetimeIndex
        Start of each steady hour with the segment carrying flow, UTC, sorted.
    residual : array of shape (n,)
        Gauge reading less predicted reading [Pa].
    loss : array of shape (n,)
        Fitted loss of the segment [Pa].
    residual_u : float
        Scatter of one hour about the fit [Pa].
    loss_u : float
        Relative uncertainty of the fitted loss itself, as far as it is common to all days;
        not part of the multiplier's uncertainty, only of the first day's [-].
    cleanings : sequence of Timestamp
        Declared cleanings (or other work on the line).
    until : Timestamp, optional
        Last day wanted; by default the last day with a reading.
    correlation_time : float
        Hours of one independent residual [-].
    learn_before : Timestamp, optional
        The rates of change are learned from days before this instant alone, as long as there
        are ten; by default from all.

    Returns
    -------
    FrictionTrack

    Notes
    -----
    The two rates of change are chosen from a grid by the likelihood of the one-day-ahead
    errors, all candidates filtered side by side. The growth rate forgets itself with
    `GROWTH_MEMORY_DAYS`, so that a forecast neither runs off for ever nor stops at once.
    After a step the multiplier is learned anew; a declared cleaning without readings returns
    to the level earlier cleanings left, or to the cleanest days seen within `CLEANING_U`.
    """
    daily = _measured(times, residual, loss, residual_u, correlation_time)
    if daily.empty and until is None:
        empty = pd.DataFrame(columns=list(DAILY_COLUMNS), index=pd.DatetimeIndex([], tz="UTC"))
        return FrictionTrack(empty, _FLOOR, 0.0, 1.0, CLEANING_U)
    wanted = daily.index[-1] if until is None else pd.Timestamp(until).floor("D")
    first = daily.index[0] if len(daily) else wanted
    last = max(wanted, first)
    days = pd.date_range(first, last, freq="D")
    daily = daily.reindex(days)
    declared = np.zeros(len(days), dtype=bool)
    for moment in cleanings:
        day = pd.Timestamp(moment).ceil("D")
        if days[0] <= day <= days[-1]:
            declared[days.get_loc(day)] = True
    measured, measured_u = daily["measured"].to_numpy(), daily["measured_u"].to_numpy()
    level, level_u = _cleaned_levels(measured, declared)
    start_u = max(loss_u, 0.01)
    history = len(days)
    if learn_before is not None:
        closed = int(days.searchsorted(pd.Timestamp(learn_before).floor("D")))
        history = closed if np.isfinite(measured[:closed]).sum() >= 10 else history
    wander, growth, likelihood, state = _candidates(
        measured, measured_u, declared, level, level_u, start_u, history
    )
    # A growth rate of its own must earn its place: without it a forecast is far narrower.
    best = int(np.argmax(likelihood - np.where(growth > 0.0, GROWTH_EARNS, 0.0)))
    daily["multiplier"] = state["x"][:, best]
    daily["multiplier_u"] = np.sqrt(state["p"][:, best])
    daily["growth"] = state["g"][:, best]
    daily["step"] = state["step"][:, best]
    return FrictionTrack(
        daily[list(DAILY_COLUMNS)], float(wander[best]), float(growth[best]),
        float(level[-1]), float(level_u[-1]),
    )  # fmt: skip


def _candidates(
    measured: Array,
    measured_u: Array,
    declared: np.ndarray,
    level: Array,
    level_u: Array,
    start_u: float,
    history: int,
) -> tuple[Array, Array, Array, dict[str, Array]]:
    """Wander and growth wander of every candidate, its likelihood, and its states by day."""
    grid = np.meshgrid(WANDERS, GROWTHS, indexing="ij")
    wander, growth = np.hypot(grid[0].ravel(), _FLOOR), grid[1].ravel()
    return (
        wander,
        growth,
        *_filter(measured, measured_u, declared, wander, growth, level, level_u, start_u, history),
    )


def _measured(
    times: pd.DatetimeIndex, residual: Array, loss: Array, residual_u: float, tau: float
) -> pd.DataFrame:
    """Each day's multiplier: least squares of the residuals on the loss, robust."""
    bound = 6.0 * residual_u
    frame = pd.DataFrame({"r": residual, "l": loss, "day": times.floor("D")})
    frame = frame[np.isfinite(frame["r"]) & np.isfinite(frame["l"]) & (frame["l"] > 0.0)]
    ratio = -frame["r"] / frame["l"]
    middle = ratio.groupby(frame["day"]).transform("median")
    frame["r"] = -(middle + np.clip(ratio - middle, -bound / frame["l"], bound / frame["l"]))
    frame["r"] *= frame["l"]
    frame["lr"], frame["ll"] = frame["l"] * frame["r"], frame["l"] ** 2
    sums = frame.groupby("day")[["lr", "ll"]].sum()
    rows = frame.groupby("day").size()
    # A day holds at least one independent value, and no more than its hours over tau.
    share = np.minimum(np.maximum(tau, 1.0), rows)
    return pd.DataFrame(
        {
            "measured": 1.0 - sums["lr"] / sums["ll"],
            "measured_u": residual_u * np.sqrt(share / sums["ll"]),
        }
    )


def _cleaned_levels(measured: Array, declared: np.ndarray) -> tuple[Array, Array]:
    """Multiplier a cleaning on each day would return to, and its uncertainty [-].

    From the first days with readings after earlier cleanings. Before any was seen, the
    cleanest tenth of the days so far, within `CLEANING_U`; without any day, 1.
    """
    level, level_u = np.ones(measured.size), np.full(measured.size, CLEANING_U)
    after: list[float] = []
    for day in np.flatnonzero(declared):
        before = measured[:day]
        if not after and np.isfinite(before).any():
            level[day:] = float(np.nanquantile(before, 0.1))
        part = measured[day : day + 10]
        part = part[np.isfinite(part)][:3]
        if not part.size:
            continue
        after.append(float(np.median(part)))
        level[day + 1 :] = np.mean(after)
        if len(after) > 1:
            spread = float(np.std(after, ddof=1)) * np.sqrt(1.0 + 1.0 / len(after))
            level_u[day + 1 :] = max(spread, 0.01)
    return level, level_u


def _filter(
    measured: Array,
    measured_u: Array,
    declared: np.ndarray,
    wander: Array,
    growth: Array,
    level: Array,
    level_u: Array,
    start_u: float,
    history: int,
) -> tuple[Array, dict[str, Array]]:
    """Kalman filter of (multiplier, growth) for all candidates at once.

    Returns the log likelihood of each candidate over the first ``history`` days, and the
    states of all days, of shape (days, candidates).
    """
    m, n = wander.size, measured.size
    keep = np.exp(-1.0 / GROWTH_MEMORY_DAYS)
    wander2, growth2 = wander**2, growth**2
    x, g = np.ones(m), np.zeros(m)
    pxx, pxg, pgg = np.full(m, start_u**2), np.zeros(m), growth2 / (1.0 - keep**2)
    likelihood = np.zeros(m)
    wrong = np.zeros(m)
    seen = np.isfinite(measured)
    out = {name: np.zeros((n, m)) for name in ("x", "p", "g")}
    steps = np.zeros((n, m), dtype=bool)
    for day in range(n):
        if day:
            x, g = x + g, keep * g
            pxx, pxg, pgg = (
                pxx + 2.0 * pxg + pgg + wander2,
                keep * (pxg + pgg),
                keep**2 * pgg + growth2,
            )
        if declared[day]:
            x, g = np.full(m, level[day]), np.zeros(m)
            pxx, pxg = np.full(m, level_u[day] ** 2), np.zeros(m)
            pgg = growth2 / (1.0 - keep**2)
            steps[day] = True
        doubt: Array | float = 0.0
        if seen[day]:
            noise = measured_u[day] ** 2
            innovation = measured[day] - x
            s = pxx + noise
            z = innovation / np.sqrt(s)
            far = np.abs(z) > STEP_SIGMAS
            hold = far
            if far.any():
                again = far & (np.sign(z) == np.sign(wrong))
                # Two days running far off on one side: learn the level anew.
                pxx = np.where(again, pxx + innovation**2, pxx)
                pxg = np.where(again, 0.0, pxg)
                g = np.where(again, 0.0, g)
                s = pxx + noise
                steps[day] |= again
                # A single far value is held off until the next day confirms it.
                hold = far & ~again
            wrong = np.where(hold, z, 0.0)
            if day < history:
                likelihood += -0.5 * (np.log(s) + np.minimum(innovation**2 / s, STEP_SIGMAS**2))
            k_x, k_g = np.where(hold, 0.0, pxx / s), np.where(hold, 0.0, pxg / s)
            x, g = x + k_x * innovation, g + k_g * innovation
            pxx, pxg, pgg = (1.0 - k_x) * pxx, (1.0 - k_x) * pxg, pgg - k_g * pxg
            # Until then either may be true, and the day's uncertainty says so.
            doubt = np.where(hold, innovation**2, 0.0)
        out["x"][day], out["p"][day], out["g"][day] = x, pxx + doubt, g
    return likelihood, out | {"step": steps}
