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

from pipeline.performance._flag_beginning import beginning
from pipeline.performance._flag_days import loss_of_days, open_spans, severity_of_days, surest
from pipeline.performance._flag_rules import PERFORMANCE, SEVERITIES, FlagRules, Watched
from pipeline.performance.detection import RECENT_DAYS

DEFAULT_CHECK = (
    "Read suction and discharge with one calibrated portable gauge at a steady flow, and "
    "compare with the tags."
)

__all__ = [
    "PERFORMANCE",
    "SEVERITIES",
    "FlagReplay",
    "FlagRules",
    "Watched",
    "changes_since",
    "replay_flags",
]


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
    days = pd.DatetimeIndex(daily["time"])
    by_name = {one.column: one for one in watched}
    states = {name: loss_of_days(daily, one, baseline_end, rules) for name, one in by_name.items()}

    flags: list[dict[str, object]] = []
    history: list[dict[str, object]] = []
    for first, last in open_spans(states.values(), rules):
        name = surest(states, first)
        one, state = by_name[name], states[name]
        after = min(last + 1, len(days) - 1)
        closed, reason = (
            (days[after], "loss is gone") if after > last else (epoch_end, "baseline reset")
        )
        span = slice(first, last + 1)
        severity = severity_of_days(state, span, rules, energy_cost_per_year)
        grown = np.flatnonzero(np.diff(severity, prepend=severity[0]) > 0)
        flag = f"{pump}:{kind}:{days[first]:%Y-%m-%d}"
        common = {"flag": flag, "pump": pump, "kind": kind}
        turns = [(first, days[first], "opened", severity[0], "")]
        turns += [(first + k, days[first + k], "grew", severity[k], "") for k in grown.tolist()]
        if closed is not None:
            turns.append((after, closed, "closed", severity[-1], reason))
        for index, day, change, level, why in turns:
            history.append(
                common
                | {
                    "day": day,
                    "change": change,
                    "severity": SEVERITIES[level],
                    "loss": state.loss[index],
                    "loss_u": state.loss_u[index],
                    "reason": why,
                }
            )
        since, sudden = beginning(daily, one, (first, last), grown, baseline_end, rules)
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
    # Expanded by 2, as in the table beside it (JCGM 100, 6.3.3: about 95 %).
    return (
        f"{words} is {100 * loss:.1f} % ± {100 * 2.0 * loss_u:.1f} % (95 %) {side} its baseline "
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
