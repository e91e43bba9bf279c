"""Flags: a loss that is real, opened, grown and closed by replaying the daily evidence.

The replay is a pure function of the days: run again on a longer history it gives the same
flags with the same identities, so that a night, a backfill and a rebuild agree. Numbers that
open a flag and numbers that close it differ, and both must last some running days.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.performance.detection import ANNUAL_SWING, RECENT_DAYS, loss_evidence
from pipeline.performance.statistics import cusum

SEVERITIES = ("watch", "plan", "act")
"""From the mildest: keep an eye on it, plan the work, act now."""

LATE_DAYS = (120.0, 180.0)  # days after the baseline between which certainty is raised
LEAST_STEP = 1.5  # times `least_loss`, below which a few days alone open nothing
# Times `least_loss`, for the ramp: what grows at a rate worth a flag is past it within weeks,
# and a loss that is just as large as asked for would else be missed every other time.
LEAST_RAMP = 0.95
# Running days after the opening that tell a jump from a ramp: two months, or until the flag
# grows, which may be another jump.
SHAPE_DAYS = 60
FEWEST_SHAPE_DAYS = 20
BEGINNINGS = 60  # days on which a step or a ramp may have begun, when the two are compared

DEFAULT_CHECK = (
    "Read suction and discharge with one calibrated portable gauge at a steady flow, and "
    "compare with the tags."
)

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

__all__ = ["SEVERITIES", "FlagReplay", "FlagRules", "Watched", "changes_since", "replay_flags"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagRules:
    """When flags open, grow and close.

    Parameters
    ----------
    least_loss : float
        Smallest loss worth a flag [-].
    step_certainty, recent_certainty, ramp_certainty : float
        Loss over its standard uncertainty that opens a flag, for the mean of the last five
        days, for that of the last ten and for the ramp since the baseline [-].
    jump_certainty, step_after_jump_certainty : float
        The same for a jump against the days just before it, and for the mean of the last five
        days beside such a jump: both must hold [-].
    late_certainty : float
        Takes the place of `ramp_certainty` from `LATE_DAYS` on, in proportion between: a loss
        that grows is large by then, and each further day is one more chance to be wrong [-].
    opening_days : int
        Running days in a row it must hold before a flag opens or grows [-].
    closing_share : float
        Share of `least_loss` below which the loss counts as gone [-].
    closing_days : int
        Running days in a row it must be gone before a flag closes [-].
    plan_loss, act_loss : float
        Loss from which the severity is 'plan' or 'act', where no money is known [-].
    plan_cost_per_year, act_cost_per_year : float
        Cost of the loss from which the severity is 'plan' or 'act' [currency/yr].
    act_certainty : float
        Certainty without which nothing is 'act' [-].
    annual_swing : float
        Root mean square amplitude of an annual swing that may hide in the deviation until a
        year of days shows the pump's own [-].

    Notes
    -----
    The defaults are set together, so that each of the views spends little of one budget of
    false flags. A year holds some hundred means of a few days that tell something new, so these
    must be very sure; a ramp tells little new after the first months, but its noise is known
    from few days then. A jump is told by the days on either side of it, so that how alike days
    are over weeks, which is known worst, hardly bears on it; yet a jump may be any day's chance,
    so the loss against the baseline must be likely too. On pumps of a simulated hall with daily
    noise of 0.5 %, lag-one correlation 0.7 and an annual swing of 0.15 % that nothing explains
    they raise about one false flag in a hundred pump-years (5 in 400 and none in 204 in two draws),
    and still show a loss of 4 %/yr within 120 days of the baseline and a step of 3 % within ten
    running days (measured in the tests). A swing of more than twice `annual_swing` raises false
    flags in the first year.
    """

    least_loss: float = 0.01
    step_certainty: float = 4.6
    recent_certainty: float = 5.0
    jump_certainty: float = 5.0
    step_after_jump_certainty: float = 4.0
    ramp_certainty: float = 2.3
    late_certainty: float = 4.2
    opening_days: int = 3
    closing_share: float = 0.5
    closing_days: int = 10
    plan_loss: float = 0.03
    act_loss: float = 0.06
    plan_cost_per_year: float = np.inf
    act_cost_per_year: float = np.inf
    act_certainty: float = 5.0
    annual_swing: float = ANNUAL_SWING


@dataclass(frozen=True, slots=True, kw_only=True)
class Watched:
    """A deviation that is watched for a loss.

    Parameters
    ----------
    column : str
        Its column in the daily frame.
    words : str
        What it is called in a sentence, such as 'head at the same flow'.
    loss_sign : float
        -1 where less is worse, +1 where more is worse [-].
    reference_u : float
        Standard uncertainty of the reference that no number of days removes [-].
    shared_u : tuple of str
        Columns of the daily frame with the standard size of an error that days share, each on
        its days, as in `loss_evidence` [-].
    """

    column: str
    words: str
    loss_sign: float = -1.0
    reference_u: float = 0.0
    shared_u: tuple[str, ...] = ()


PERFORMANCE = (
    Watched(column="efficiency_deviation", words="efficiency at the same flow"),
    Watched(column="head_deviation", words="head at the same flow"),
)


@dataclass(frozen=True, slots=True)
class FlagReplay:
    """What a replay gives.

    Parameters
    ----------
    flags : DataFrame
        One row per flag: ``flag`` (identity), ``pump``, ``kind``, ``state`` ('open' or
        'closed'), ``opened``, ``closed`` (NaT while open), ``since`` (day the change is
        thought to have begun), ``severity``, ``shape`` ('sudden' or 'gradual'), ``quantity``,
        ``loss``, ``loss_u`` (of the last day of the flag), ``largest_loss``,
        ``cost_per_year``, ``acknowledged``, ``evidence``, ``site_check``.
    history : DataFrame
        One row per change: ``flag``, ``pump``, ``kind``, ``day``, ``change`` ('opened',
        'grew', 'closed'), ``severity``, ``loss``, ``loss_u``, ``reason``.
    """

    flags: pd.DataFrame
    history: pd.DataFrame


def replay_flags(
    daily: pd.DataFrame,
    pump: str,
    baseline_end: pd.Timestamp,
    *,
    kind: str = "performance_loss",
    watched: tuple[Watched, ...] = PERFORMANCE,
    rules: FlagRules | None = None,
    energy_cost_per_year: float = np.nan,
    epoch_end: pd.Timestamp | None = None,
    acknowledgements: pd.DataFrame | None = None,
    site_check: str = DEFAULT_CHECK,
) -> FlagReplay:
    """Replay one epoch of one pump.

    Parameters
    ----------
    daily : DataFrame
        One row per running day, rising ``time`` (datetime64[us, UTC], start of the day), and
        the columns `watched` names [-].
    pump : str
        Identity of the pump.
    baseline_end : Timestamp
        End of the days the baseline was learned from; at or before the first day for a
        baseline that was given [UTC].
    kind : str
        What kind of flag this is.
    watched : tuple of Watched
        Deviations that may open the flag.
    rules : FlagRules, optional
        Thresholds; the defaults of `FlagRules` when left out.
    energy_cost_per_year : float
        Energy cost of the pump; NaN where unknown [currency/yr].
    epoch_end : Timestamp, optional
        Time of the overhaul that ended the epoch; closes what is open [UTC].
    acknowledgements : DataFrame, optional
        Columns ``flag`` and ``acknowledged`` (datetime64[us, UTC]); an acknowledged flag that
        grows afterwards counts as new again.
    site_check : str
        The check on site that would tell most.

    Returns
    -------
    FlagReplay
        Flags and their history; empty frames with all columns when there are none.
    """
    rules = rules or FlagRules()
    # A day without any of the values is no running day: it neither holds nor breaks a run.
    daily = daily.loc[daily[[one.column for one in watched]].notna().any(axis=1)]
    views = {
        one.column: loss_evidence(
            daily,
            one.column,
            baseline_end,
            loss_sign=one.loss_sign,
            annual_swing=rules.annual_swing,
            reference_u=one.reference_u,
            shared_u=one.shared_u,
        ).set_index("time")
        for one in watched
    }
    days = pd.DatetimeIndex(daily["time"])
    age = np.asarray((days - baseline_end) / pd.Timedelta("1D"), dtype=float)
    states = {name: _judge(view.reindex(days), rules, age) for name, view in views.items()}
    asserted = np.any([state.asserted for state in states.values()], axis=0)
    gone = np.all([state.gone for state in states.values()], axis=0)
    is_open = _latch(_lasting(asserted, rules.opening_days), _lasting(gone, rules.closing_days))
    starts = np.flatnonzero(is_open & ~np.r_[False, is_open[:-1]]).tolist()
    ends = np.flatnonzero(is_open & ~np.r_[is_open[1:], False]).tolist()

    flags: list[dict[str, object]] = []
    history: list[dict[str, object]] = []
    for first, last in zip(starts, ends, strict=True):
        name = _surest(states, first)
        one = next(item for item in watched if item.column == name)
        state = states[name]
        flag = f"{pump}:{kind}:{days[first]:%Y-%m-%d}"
        closed = days[last + 1] if last + 1 < len(days) else epoch_end
        reason = "loss is gone" if last + 1 < len(days) else "baseline reset"
        span = slice(first, last + 1)
        severity = _severity(state, span, rules, energy_cost_per_year)
        grown = np.flatnonzero(np.diff(severity, prepend=severity[0]) > 0)
        common = {"flag": flag, "pump": pump, "kind": kind}
        turns = [(first, "opened")] + [(first + int(k), "grew") for k in grown]
        for index, change in turns:
            history.append(
                common
                | {
                    "day": days[index],
                    "change": change,
                    "severity": SEVERITIES[severity[index - first]],
                    "loss": state.loss[index],
                    "loss_u": state.loss_u[index],
                    "reason": "",
                }
            )
        if closed is not None:
            history.append(
                common
                | {
                    "day": closed,
                    "change": "closed",
                    "severity": SEVERITIES[severity[-1]],
                    "loss": state.loss[min(last + 1, len(days) - 1)],
                    "loss_u": state.loss_u[min(last + 1, len(days) - 1)],
                    "reason": reason,
                }
            )
        told = int(grown[0]) - RECENT_DAYS if len(grown) else SHAPE_DAYS
        until = min(last, first + min(SHAPE_DAYS, max(told, FEWEST_SHAPE_DAYS)))
        since, sudden = _beginning(daily, one, days, first, until, rules, baseline_end)
        shape = "sudden" if sudden else "gradual"
        flags.append(
            common
            | {
                "state": "open" if closed is None else "closed",
                "opened": days[first],
                "closed": pd.NaT if closed is None else closed,
                "since": since,
                "severity": SEVERITIES[severity[-1]],
                "shape": shape,
                "quantity": name,
                "loss": state.loss[last],
                "loss_u": state.loss_u[last],
                "largest_loss": float(np.nanmax(state.loss[span])),
                "cost_per_year": state.loss[last] * energy_cost_per_year,
                "acknowledged": _acknowledged(flag, days[first + grown], acknowledgements),
                "evidence": _sentence(one, state.loss[last], state.loss_u[last], shape, since),
                "site_check": site_check,
            }
        )
    return FlagReplay(_frame(flags, FLAG_COLUMNS), _frame(history, HISTORY_COLUMNS))


def changes_since(history: pd.DataFrame, day: pd.Timestamp) -> pd.DataFrame:
    """What a night has to say: the changes after a day.

    Parameters
    ----------
    history : DataFrame
        As in `FlagReplay` [-].
    day : Timestamp
        Last day that was already reported [UTC].

    Returns
    -------
    DataFrame
        The later rows, in order of day [-].
    """
    return history.loc[history["day"] > day].sort_values(["day", "flag"], ignore_index=True)


@dataclass(frozen=True, slots=True)
class _State:
    asserted: Bools
    gone: Bools
    certainty: Floats
    loss: Floats
    loss_u: Floats


def _judge(view: pd.DataFrame, rules: FlagRules, age: Floats) -> _State:
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
    return _State(certainty >= 1.0, gone, certainty, recent, recent_u)


def _surest(states: Mapping[str, _State], index: int) -> str:
    """The deviation that speaks loudest on a day."""
    return max(states, key=lambda column: float(states[column].certainty[index]))


def _lasting(condition: Bools, days: int) -> Bools:
    """True where the condition has held for some days in a row, this one included."""
    held = pd.Series(condition.astype(float)).rolling(days, min_periods=days).min()
    return np.asarray(held.to_numpy() == 1.0)


def _latch(on: Bools, off: Bools) -> Bools:
    """State that turns on and off and keeps in between; on wins."""
    signal = np.where(on, 1.0, np.where(off, 0.0, np.nan))
    return np.asarray(pd.Series(signal).ffill().fillna(0.0).to_numpy() == 1.0)


def _severity(
    state: _State, span: slice, rules: FlagRules, energy_cost_per_year: float
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


def _beginning(
    daily: pd.DataFrame,
    one: Watched,
    days: pd.DatetimeIndex,
    first: int,
    until: int,
    rules: FlagRules,
    baseline_end: pd.Timestamp,
) -> tuple[pd.Timestamp, bool]:
    """Day after which a cumulative sum of the loss never came back to zero, and was it a jump."""
    loss = one.loss_sign * daily[one.column].to_numpy(dtype=float)
    learned = np.asarray(days < baseline_end) & np.isfinite(loss)
    target = float(loss[learned].mean()) if learned.any() else 0.0
    seen = np.nan_to_num(loss[: until + 1], nan=target) - target
    upper, _ = cusum(seen[: first + 1], 0.0, 0.5 * rules.least_loss)
    zero = np.flatnonzero(upper <= 0.0)
    begun = min(int(zero[-1]) + 1, first) if len(zero) else 0
    return days[begun], _is_jump(days, seen, int(learned[: until + 1].sum()))


def _is_jump(days: pd.DatetimeIndex, loss: Floats, n_learned: int) -> bool:
    """Whether a step on some day fits the loss so far better than a ramp from some day."""
    day = np.asarray((days[: len(loss)] - days[0]) / pd.Timedelta("1D"), dtype=float)
    begin = np.unique(np.linspace(n_learned, len(loss) - 1, BEGINNINGS).astype(int))
    step = (np.arange(len(loss)) >= begin[:, np.newaxis]).astype(float)
    # A pump that wore while its baseline was learned is on a ramp from the first day on; the
    # loss is counted from the mean of those days, and so is the ramp.
    early = np.unique(np.linspace(0, len(loss) - 1, BEGINNINGS).astype(int))
    ramp = np.maximum(day - day[early][:, np.newaxis], 0.0)
    if n_learned:
        ramp -= ramp[:, :n_learned].mean(axis=1, keepdims=True)

    def explained(shape: Floats) -> float:
        squares = np.sum(shape**2, axis=1)
        product = np.maximum(shape @ loss, 0.0)
        return float(np.max(product**2 / np.where(squares > 0.0, squares, np.inf)))

    return explained(step) > explained(ramp)


def _acknowledged(
    flag: str, grown: pd.DatetimeIndex, acknowledgements: pd.DataFrame | None
) -> bool:
    if acknowledgements is None:
        return False
    times = acknowledgements.loc[acknowledgements["flag"] == flag, "acknowledged"]
    if times.empty:
        return False
    return bool(not len(grown) or times.max() >= grown.max())


def _sentence(one: Watched, loss: float, loss_u: float, shape: str, since: pd.Timestamp) -> str:
    side = "below" if one.loss_sign < 0 else "above"
    words = one.words[0].upper() + one.words[1:]
    # A slow change has begun before it can be seen.
    how = "a sudden change" if shape == "sudden" else "a gradual change that shows since"
    return (
        f"{words} is {100 * loss:.1f} % ± {100 * 1.96 * loss_u:.1f} % (95 %) {side} its baseline "
        f"over the last {RECENT_DAYS} running days, {how} about {since:%Y-%m-%d}."
    )


_TIME = "datetime64[us, UTC]"
FLAG_COLUMNS: Mapping[str, str] = {
    "flag": "str",
    "pump": "str",
    "kind": "str",
    "state": "str",
    "opened": _TIME,
    "closed": _TIME,
    "since": _TIME,
    "severity": "str",
    "shape": "str",
    "quantity": "str",
    "loss": "float64",
    "loss_u": "float64",
    "largest_loss": "float64",
    "cost_per_year": "float64",
    "acknowledged": "bool",
    "evidence": "str",
    "site_check": "str",
}
HISTORY_COLUMNS: Mapping[str, str] = {
    "flag": "str",
    "pump": "str",
    "kind": "str",
    "day": _TIME,
    "change": "str",
    "severity": "str",
    "loss": "float64",
    "loss_u": "float64",
    "reason": "str",
}


def _frame(rows: list[dict[str, object]], columns: Mapping[str, str]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=list(columns))
    times = [name for name, dtype in columns.items() if dtype == _TIME]
    for name in times:
        table[name] = pd.to_datetime(table[name], utc=True).dt.as_unit("us")
    return table.astype({name: dtype for name, dtype in columns.items() if name not in times})
