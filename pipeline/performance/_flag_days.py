"""Each day of a flag: how sure the loss is, whether it is there or gone, and how severe."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.performance._flag_rules import LATE_DAYS, FlagRules, Watched
from pipeline.performance.detection import loss_evidence

LEAST_STEP = 1.5  # times `least_loss`, below which a few days alone open nothing
# Times `least_loss`, for the ramp: what grows at a rate worth a flag is past it within weeks,
# and a loss that is just as large as asked for would else be missed every other time.
LEAST_RAMP = 0.95

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

__all__ = ["LossOfDays", "loss_of_days", "open_spans", "severity_of_days", "surest"]


@dataclass(frozen=True, slots=True)
class LossOfDays:
    """What is known of one deviation's loss on each day.

    Parameters
    ----------
    asserted, gone : ndarray of bool, shape (n,)
        Whether the loss is surely there, and whether it is gone.
    certainty : ndarray of shape (n,)
        Its certainty over what is asked of it [-].
    loss, loss_u : ndarray of shape (n,)
        Mean loss of the last ten running days and its standard uncertainty [-].
    """

    asserted: Bools
    gone: Bools
    certainty: Floats
    loss: Floats
    loss_u: Floats


def loss_of_days(
    daily: pd.DataFrame, one: Watched, baseline_end: pd.Timestamp, rules: FlagRules
) -> LossOfDays:
    """Judge the loss of one deviation on each day.

    Parameters
    ----------
    daily : DataFrame
        As for `replay_flags`, days with a value only.
    one : Watched
        The deviation.
    baseline_end : Timestamp
        End of the days the baseline was learned from [UTC].
    rules : FlagRules
        Thresholds.

    Returns
    -------
    LossOfDays
        One entry per row.
    """
    days = pd.DatetimeIndex(daily["time"])
    view = loss_evidence(
        daily,
        one.column,
        baseline_end,
        loss_sign=one.loss_sign,
        annual_swing=rules.annual_swing,
        reference_u=one.reference_u,
        shared_u=one.shared_u,
    ).set_index("time")
    age = np.asarray((days - baseline_end) / pd.Timedelta("1D"), dtype=float)
    return _judge(view.reindex(days), rules, age)


def _judge(view: pd.DataFrame, rules: FlagRules, age: Floats) -> LossOfDays:
    recent, recent_u = view["recent_loss"].to_numpy(), view["recent_loss_u"].to_numpy()
    late = np.interp(age, LATE_DAYS, (rules.ramp_certainty, rules.late_certainty))

    def sure(name: str, least: float, needed: Floats | float) -> Floats:
        """Certainty of a view over what is asked of it; 0 where the loss is too small."""
        loss, u = view[f"{name}_loss"].to_numpy(), view[f"{name}_loss_u"].to_numpy()
        return np.where(loss >= least * rules.least_loss, loss / u / needed, 0.0)

    with np.errstate(invalid="ignore", divide="ignore"):
        gone = recent < rules.closing_share * rules.least_loss
        ramp = sure("ramp", LEAST_RAMP, late)
        certainty = np.fmax.reduce(
            [
                np.zeros(len(view)),
                sure("step", LEAST_STEP, rules.step_certainty),
                sure("recent", 1.0, rules.recent_certainty),
                np.fmin(
                    sure("jump", LEAST_STEP, rules.jump_certainty),
                    sure("step", LEAST_STEP, rules.step_after_jump_certainty),
                ),
                # An old ramp goes on claiming a loss after a repair: recent days must agree.
                np.where(gone, 0.0, ramp),
            ]
        )
    return LossOfDays(certainty >= 1.0, gone, certainty, recent, recent_u)


def surest(states: Mapping[str, LossOfDays], index: int) -> str:
    """The deviation that speaks loudest on a day."""
    return max(states, key=lambda column: float(states[column].certainty[index]))


def open_spans(states: Collection[LossOfDays], rules: FlagRules) -> Iterator[tuple[int, int]]:
    """First and last day of each span in which some loss holds a flag open."""
    asserted = np.any([state.asserted for state in states], axis=0)
    gone = np.all([state.gone for state in states], axis=0)
    is_open = _latch(_lasting(asserted, rules.opening_days), _lasting(gone, rules.closing_days))
    starts = np.flatnonzero(is_open & ~np.r_[False, is_open[:-1]]).tolist()
    ends = np.flatnonzero(is_open & ~np.r_[is_open[1:], False]).tolist()
    return zip(starts, ends, strict=True)


def _lasting(condition: Bools, days: int) -> Bools:
    """True where the condition has held for some days in a row, this one included."""
    held = pd.Series(condition.astype(float)).rolling(days, min_periods=days).min()
    return np.asarray(held.to_numpy() == 1.0)


def _latch(on: Bools, off: Bools) -> Bools:
    """State that turns on and off and keeps in between; on wins."""
    signal = np.where(on, 1.0, np.where(off, 0.0, np.nan))
    return np.asarray(pd.Series(signal).ffill().fillna(0.0).to_numpy() == 1.0)


def severity_of_days(
    state: LossOfDays, span: slice, rules: FlagRules, energy_cost_per_year: float
) -> NDArray[np.int64]:
    """Severity on each day of a flag; it never shrinks while the flag is open."""
    loss = np.nan_to_num(state.loss[span])
    cost = loss * np.nan_to_num(energy_cost_per_year)
    money = np.isfinite(energy_cost_per_year) and np.isfinite(rules.plan_cost_per_year)
    plan = cost >= rules.plan_cost_per_year if money else loss >= rules.plan_loss
    act = cost >= rules.act_cost_per_year if money else loss >= rules.act_loss
    sure = loss >= rules.act_certainty * np.nan_to_num(state.loss_u[span], nan=np.inf)
    level = np.where(plan, np.where(act & sure, 2, 1), 0)
    held = pd.Series(level).rolling(rules.opening_days, min_periods=1).min()
    return np.maximum.accumulate(held.to_numpy().astype(np.int64))
