"""Does the reading move as level and flow ask: range, stuck, unresponsive, noisy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from .evidence import STOPPED
from .findings import FAULT, HOUR, STUCK, SUSPECT, Finding, GaugeFacts, day_of, in_kpa, runs_of
from .solve import Array


def out_of_range(hours: pd.DataFrame, facts: GaugeFacts) -> list[Finding]:
    """Values outside the calibrated range by more than three uncertainties."""
    margin = 3.0 * facts.gauge_u
    low = hours["reading_min"] < facts.range_low - margin
    high = hours["reading_max"] > facts.range_high + margin
    found = []
    for first, last in runs_of((low | high).to_numpy(), bridge=3):
        part = hours.iloc[first : last + 1]
        under = facts.range_low - part["reading_min"].min()
        over = part["reading_max"].max() - facts.range_high
        size = float(max(under, over))
        side = "below" if under >= over else "above"
        extreme = part["reading_min"].min() if under >= over else part["reading_max"].max()
        found.append(
            Finding(
                part.index[0], part.index[-1] + HOUR, "out_of_range", FAULT, size, facts.gauge_u,
                f"Reads {in_kpa(extreme)}, {in_kpa(size)} {side} its range of "
                f"{in_kpa(facts.range_low)} to {in_kpa(facts.range_high)}.",
            )
        )  # fmt: skip
    return found


def unchanged_runs(hours: pd.DataFrame, facts: GaugeFacts) -> list[tuple[int, int]]:
    """Runs of hours through which the recorded value did not change at all.

    Returns
    -------
    list of (int, int)
        First and last row of each run, as positions in `hours`.
    """
    allowed = max(0.5 * facts.resolution, 0.1)
    still = (hours["reading_max"] - hours["reading_min"]).to_numpy() <= allowed
    change = np.abs(np.diff(hours["reading"].to_numpy()))
    same = np.r_[False, change <= allowed] & still & np.r_[False, still[:-1]]
    return [(first - 1, last) for first, last in runs_of(same, bridge=0)]


def report_hours(hours: pd.DataFrame, facts: GaugeFacts) -> float:
    """How long the gauge usually goes without a change: 90 % of its pauses are shorter [h]."""
    lengths = [last - first + 1 for first, last in unchanged_runs(hours, facts)]
    return float(np.quantile(lengths, 0.9)) if lengths else 0.0


def stuck(hours: pd.DataFrame, expected: pd.Series, facts: GaugeFacts) -> list[Finding]:
    """A value that does not change at all while level or flow should have moved it.

    Notes
    -----
    A slow transmitter pauses too, while the pump starts and stops. A pause is no fault until
    it lasts six hours and four times the gauge's usual pause; a day and a half is always
    enough, so that a gauge frozen from its first day is found as well.
    """
    # Hours without a value do not end a pause: the same value after them is the same pause.
    hours = hours[hours["reading"].notna()]
    patience = float(np.clip(4.0 * report_hours(hours, facts), 6.0, 36.0))
    drivers = expected.reindex(hours.index).to_numpy(dtype=float)
    value = hours["reading"].to_numpy()
    found = []
    for first, last in unchanged_runs(hours, facts):
        span = (hours.index[last] - hours.index[first]) / HOUR + 1.0
        driven = drivers[first : last + 1]
        driven = driven[np.isfinite(driven)]
        move = float(np.ptp(driven)) if driven.size > 1 else 0.0
        if span < patience or move <= max(facts.stuck_move, 5.0 * facts.resolution):
            continue
        found.append(
            Finding(
                # It froze at some moment of the hour before.
                hours.index[first] - HOUR,
                hours.index[last] + HOUR,
                STUCK,
                FAULT,
                move,
                facts.resolution,
                f"Shows {in_kpa(value[first])} without change for {span:.0f} h while level and "
                f"flow should have moved it by {in_kpa(move)}.",
            )
        )
    return found


def unresponsive(hours: pd.DataFrame, expected: pd.Series, facts: GaugeFacts) -> list[Finding]:
    """A value that flickers but does not follow level and flow: plugged sensing line."""
    joined = pd.DataFrame({"r": hours["reading"], "e": expected}).dropna()
    if len(joined) < 48:
        return []
    day = day_of(joined)
    centred = joined - joined.groupby(day).transform("mean")
    sums = pd.DataFrame(
        {
            "re": centred["r"] * centred["e"],
            "rr": centred["r"] ** 2,
            "ee": centred["e"] ** 2,
            "n": 1.0,
        }
    ).groupby(day)
    daily = sums.sum()
    window = daily.rolling(2, min_periods=2).sum()
    moved = np.sqrt(window["ee"] / window["n"])
    slope = window["re"] / window["ee"].where(window["ee"] > 0)
    # A gauge that moves, only not as expected, is another matter (`level_mismatch`).
    idle = window["rr"] < 0.3**2 * window["ee"]
    dead = (moved > facts.stuck_move) & (slope.abs() < 0.2) & idle & (window["n"] >= 24)
    found = []
    for first, last in runs_of(np.asarray(dead), bridge=1):
        first = max(first - 1, 0)
        part = slope.iloc[first + 1 : last + 1]
        found.append(
            Finding(
                daily.index[first], daily.index[last] + pd.Timedelta(days=1), "unresponsive",
                FAULT, float(part.median()), float(part.std(ddof=0)),
                "Follows level and flow by only "
                f"{100 * part.median():.0f} % of what physics asks (plugged or shut sensing "
                "line, wrong tag).",
            )
        )  # fmt: skip
    return found


def resting(hours: pd.DataFrame, facts: GaugeFacts) -> pd.Series:
    """Steady hours at rest, begun so long ago that a slow transmitter has caught up."""
    stopped = hours["state"] == STOPPED
    pause = int(np.clip(np.ceil(report_hours(hours, facts)), 0, 24))
    settled = stopped.astype(float).rolling(pause + 1, min_periods=1).min() > 0.0
    return (stopped & settled & hours["steady"]).astype(bool)


def level_mismatch(
    hours: pd.DataFrame, expected: pd.Series, facts: GaugeFacts, bad: pd.Series
) -> list[Finding]:
    """At rest gauge and level both move, but not together: the level is of another tank."""
    use = resting(hours, facts) & ~bad
    rows = pd.DataFrame({"r": hours["reading"], "e": expected}).loc[use].dropna()
    found: list[Finding] = []
    # From the last stretch that was right to the first that is wrong nobody knows: call it wrong.
    right_until, is_open = hours.index[0], False
    for begun, part in rows.groupby(pd.DatetimeIndex(rows.index).floor("14D")):
        moves = part.std()
        if len(part) < 24 or min(moves) < 0.5 * facts.stuck_move or part["r"].nunique() < 3:
            continue
        start = max(pd.Timestamp(str(begun)), hours.index[0])
        end = min(pd.Timestamp(str(begun)) + pd.Timedelta(days=14), hours.index[-1] + HOUR)
        together = float(part["r"].corr(part["e"]))
        # What a straight line of reading on level leaves: a scale or offset leaves nothing.
        left = float(moves["r"]) * np.sqrt(max(1.0 - together**2, 0.0))
        # One step between two calm stretches is a gauge that was set, not another tank.
        stepped = _left_by_a_step((part["r"] - part["e"]).to_numpy())
        if min(left, stepped) <= 2.0 * facts.rest_u:
            if is_open:
                found[-1] = replace(found[-1], end=start)
            right_until, is_open = end, False
            continue
        apart = float(np.sqrt(np.mean((part["r"] - part["e"]) ** 2)))
        if is_open:
            found[-1] = replace(found[-1], end=end, magnitude=max(apart, found[-1].magnitude))
            continue
        is_open = True
        found.append(
            Finding(
                right_until,
                end,
                "level_of_other_tank",
                SUSPECT,
                apart,
                facts.rest_u,
                f"At rest the gauge moves by {in_kpa(moves['r'])} and the level by "
                f"{in_kpa(moves['e'])} (standard deviations), but not together (correlation "
                f"{together:.2f}): level tag of another tank, wrong supply valve status, or a "
                "gauge on another line.",
            )
        )
    if is_open:
        found[-1] = replace(found[-1], end=hours.index[-1] + HOUR)
    return found


def _left_by_a_step(offset: Array) -> float:
    """Standard deviation of values about their means before and after the best one step."""
    n = offset.size
    centred = offset - offset.mean()
    before = np.cumsum(centred)[:-1]
    place = np.arange(1, n)
    explained = before**2 * n / (place * (n - place))
    left = float(centred @ centred) - float(explained.max(initial=0.0))
    return float(np.sqrt(max(left, 0.0) / n))


def noisy(hours: pd.DataFrame, facts: GaugeFacts) -> list[Finding]:
    """Noise of a day far above the gauge's own usual noise and above its accuracy."""
    daily = hours["reading_noise"].groupby(day_of(hours)).median()
    usual = float(daily.median())
    if not np.isfinite(usual):
        return []
    limit = max(5.0 * usual, 2.0 * facts.gauge_u)
    found = []
    for first, last in runs_of((daily > limit).to_numpy(), bridge=1):
        size = float(daily.iloc[first : last + 1].median())
        found.append(
            Finding(
                daily.index[first], daily.index[last] + pd.Timedelta(days=1), "noisy", FAULT,
                size, usual,
                f"Noise of one value is {in_kpa(size)}, usually {in_kpa(usual)}.",
            )
        )  # fmt: skip
    return found
