"""What a run knows beside head and power when it looks for the causes of a flag."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from pipeline.hydraulics.npsh import is_below_npsh_margin
from pipeline.hydraulics.operating_region import flow_over_bep
from pipeline.jobs.baselines import Baseline
from pipeline.jobs.context import Run
from pipeline.jobs.hours import HOURS, SEGMENT_PREFIX, read_hours
from pipeline.months import months_between
from pipeline.performance.causes import Circumstances
from pipeline.performance.circumstances import (
    gauge_offset,
    moved_alike,
    moved_by_one_part,
    only_when_low,
    recovered_at,
    rest_offsets,
    stood,
)
from pipeline.performance.operating_hours import required_npsh
from pipeline.performance.rolling import SOURCES_BY_CERTAINTY
from pipeline.plant import Pump, Snapshot
from pipeline.plant.side_files import Event
from pipeline.plant.types import BEGINNING
from pipeline.suction.evidence import STOPPED

WORK = ("overhaul", "impeller", "cleaning", "gauge", "meter", "other")
"""Kinds of events after which a loss that went away did not go by itself."""

_NO_SISTERS = {"shared": False, "alike": False, "stood": False}


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """A flag, and the days on which its causes are judged.

    Parameters
    ----------
    flag : Series
        Its row, as ``replay_flags`` gives it.
    start, end : Timestamp
        Days whose points are looked at [UTC].
    points, found : DataFrame
        Steady points of these days and their deviations, same row order.
    """

    flag: pd.Series
    start: pd.Timestamp
    end: pd.Timestamp
    points: pd.DataFrame
    found: pd.DataFrame


def circumstances(
    run: Run,
    baselines: Sequence[Baseline],
    b: Baseline,
    daily: pd.DataFrame,
    events: Sequence[Event],
    looked: Looked,
) -> Circumstances:
    """Gather what else is known; whatever is not known stays at its careful default.

    Parameters
    ----------
    run : Run
        The run.
    baselines : sequence of Baseline
        Of all pumps.
    b : Baseline
        Of the flagged pump.
    daily : DataFrame
        ``daily_deviations`` of all pumps, the day named ``time``.
    events : sequence of Event
        Of the whole plant.
    looked : Looked
        The flag and the days in question.

    Returns
    -------
    Circumstances
    """
    pump, flag = b.epoch.pump, looked.flag
    # The plant as it was on the last of these days.
    now = run.plant.at(max(b.epoch.start, looked.end - pd.Timedelta("1D")))
    mine = of_epoch(b, daily)
    inside = (mine["time"] >= looked.start) & (mine["time"] < looked.end)
    recent = set(mine.loc[inside, "suction_pressure_source"].astype(str))
    sources = ({b.suction_source} | recent) & set(SOURCES_BY_CERTAINTY)
    worst = max(sources, key=SOURCES_BY_CERTAINTY.index, default="level_only")
    line = now.lines.get(pump.suction_line)
    column = f"{str(flag['quantity']).removesuffix('_deviation')}_deviation"
    sisters = _Sisters(baselines, b, daily, column, looked)
    meter, level = _on_meter(now, sisters, pump.id), dict(_NO_SISTERS)
    if recent and "measured" not in recent:
        level = _on_level(now, sisters, pump.suction_line)
    low, below = _low_level(b, now, looked, column)
    return Circumstances(
        suction_source=worst,
        suction_tap_before_strainer=pump.suction_tap.position == "before_strainer",
        **_offsets(run, b, looked),
        meter_shared=meter["shared"],
        sisters_moved_alike=meter["alike"],
        sisters_stood=meter["stood"],
        level_shared=level["shared"],
        level_sisters_moved_alike=level["alike"],
        parallel_pumps=line is not None and len(line.branches) > 1,
        recovered_at_cleaning=_recovered(b, mine, column, events, flag),
        sudden=flag["shape"] == "sudden",
        cleared_after_restart=_went_by_itself(b, events, flag),
        only_at_low_level=low,
        share_below_npsh_margin=below,
        share_off_design=_off_design(b, looked),
    )


def of_epoch(b: Baseline, daily: pd.DataFrame) -> pd.DataFrame:
    """Give the days of a baseline's pump in its epoch, in order."""
    start = b.epoch.start if b.epoch.start == BEGINNING else b.epoch.start.floor("D")
    within = (
        (daily["pump"] == b.epoch.pump.id)
        & (daily["time"] >= start)
        & (daily["time"] < b.epoch.end)
    )
    return daily[within].sort_values("time").reset_index(drop=True)


# -------------------------------------------------------------- pump-off readings


def _offsets(run: Run, b: Baseline, looked: Looked) -> dict[str, Any]:
    """Change of the pump-off readings of both gauges since the baseline was learned."""
    pump = b.epoch.pump
    found: dict[str, Any] = {}
    if b.learned_from is None or b.learned_to is None:
        return found
    spans = ((b.learned_from, b.learned_to), (looked.start, looked.end))
    rest = _resting_hours(run, b.epoch.pump, spans)
    if rest.empty:
        return found
    flows = [
        c for c in rest.columns
        if c.startswith(SEGMENT_PREFIX) and c != "flow_branch" and rest[c].notna().any()
    ]  # fmt: skip
    sides = {"suction": "reading"}
    if pump.discharge_tap.position == "before_check_valve" and pump.check_valve_leak_free:
        # Only there a resting gauge shows the static pressure and nothing of the other pumps.
        sides["discharge"] = "discharge"
    for side, reading in sides.items():
        offsets = rest_offsets(rest, reading, flows, b.learned_to)
        change, u = gauge_offset(offsets, "offset", b.learned_to, looked.start)
        found |= {f"{side}_gauge_offset": change, f"{side}_gauge_offset_u": u}
    return found


def _resting_hours(
    run: Run, pump: Pump, spans: Sequence[tuple[pd.Timestamp, pd.Timestamp]]
) -> pd.DataFrame:
    """Hours of some spans in which the pump stood."""
    months = sorted({m for a, z in spans for m in months_between(a, z, run.zone)})
    stored = [m for m in months if m in set(run.stage.months(HOURS))]
    if not stored:
        return pd.DataFrame()
    hours = read_hours(run, pump.suction_line, stored)
    if hours.empty:
        return hours
    time = hours["time"]
    near = np.any([(time >= a) & (time < z) for a, z in spans], axis=0)
    mine = (hours["pump"] == pump.id) & ~hours["spot"].astype(bool) & hours["steady"]
    return hours[near & mine & (hours["state"] == STOPPED)].reset_index(drop=True)


# ------------------------------------------------------------- shared instruments


class _Sisters:
    """Other pumps, held against the flagged one over the same days."""

    def __init__(
        self, baselines: Sequence[Baseline], b: Baseline, daily: pd.DataFrame, column: str,
        looked: Looked,
    ) -> None:  # fmt: skip
        self._baselines, self._b, self._daily = baselines, b, daily
        self._column, self._looked = column, looked
        self.pump = b.epoch.pump.id

    def compare(
        self,
        others: Sequence[str],
        *,
        modelled: bool = False,
        measured: bool = False,
        by_flow: bool = False,
    ) -> dict[str, bool]:
        """Tell whether the others share an instrument, and how they moved.

        With `modelled` only those count whose suction pressure is not measured on these days,
        with `measured` only those for which nothing else stands; with `by_flow` pumps moved
        alike only where one part of their flow may be what their heads moved by.
        """
        learned_to, looked = self._b.learned_to, self._looked
        frames, leans = [], [head_lean(self._b)]
        for other in self._baselines:
            if other.epoch.pump.id not in others or not _overlap(other, looked):
                continue
            days = of_epoch(other, self._daily)
            inside = (days["time"] >= looked.start) & (days["time"] < looked.end)
            sources = set(days.loc[inside, "suction_pressure_source"].astype(str))
            if not sources or (modelled and "measured" in sources):
                continue
            if measured and sources != {"measured"}:
                continue
            frames.append(days)
            leans.append(head_lean(other))
        if not frames or learned_to is None:
            return {**_NO_SISTERS, "shared": bool(frames)}
        pumps = [of_epoch(self._b, self._daily), *frames]
        asked = (pumps, self._column, learned_to, looked.start, looked.end)
        alike = moved_alike(*asked)
        if by_flow and alike:
            alike = moved_by_one_part(pumps, "head_deviation", leans, *asked[2:])
        return {"shared": True, "alike": alike, "stood": stood(*asked)}


def head_lean(b: Baseline) -> float:
    """Relative change of head over that of flow, on the curve at its mean flow; 0 if unknown."""
    if b.curve is None or b.curve.status_ != "ok":
        return 0.0
    flow = b.curve.mean_flow_
    lean = flow * float(b.curve.head_slope(flow)) / float(b.curve.predict_head(flow))
    return float(np.nan_to_num(lean))


def _overlap(other: Baseline, looked: Looked) -> bool:
    return other.epoch.start < looked.end and other.epoch.end > looked.start


def _on_meter(now: Snapshot, sisters: _Sisters, pump: str) -> dict[str, bool]:
    """Pumps behind the same flow meter."""
    meter = now.meter_of(pump)
    own = now.pumps[pump].flow_tag if pump in now.pumps else None
    others = [] if meter is None or own is not None else [p for p in meter.serves if p != pump]
    found = sisters.compare(others, by_flow=True)
    return {**found, "shared": bool(others)}


def _on_level(now: Snapshot, sisters: _Sisters, line: str) -> dict[str, bool]:
    """Pumps whose suction pressure is modelled from the same level."""
    if line not in now.lines:
        return dict(_NO_SISTERS)
    source = now.lines[line].source
    lines = [other for other in now.lines.values() if other.source == source]
    others = [p for other in lines for p in other.branches if p != sisters.pump]
    found = sisters.compare(others, modelled=True)
    if found["alike"] and any(sisters.compare([p], measured=True)["alike"] for p in others):
        # A pump with a gauge of its own moved as much: pumps wear alike, and the level did not.
        return {**found, "alike": False}
    return found


# ------------------------------------------------------- what comes, goes and depends


def _recovered(
    b: Baseline, mine: pd.DataFrame, column: str, events: Sequence[Event], flag: pd.Series
) -> bool:
    """Whether the loss went at one of the declared cleanings since it began."""
    until = flag["closed"] if pd.notna(flag["closed"]) else mine["time"].max()
    cleanings = [
        e.time for e in events
        if e.kind == "cleaning" and e.pump == b.epoch.pump.id and flag["since"] < e.time < until
    ]  # fmt: skip
    return any(recovered_at(mine, column, time) for time in cleanings)


def _went_by_itself(b: Baseline, events: Sequence[Event], flag: pd.Series) -> bool:
    """Whether the loss is gone though nobody is known to have worked on the pump."""
    closed = flag["closed"]
    if pd.isna(closed) or closed >= b.epoch.end:
        return False
    return not any(
        e.kind in WORK and e.pump == b.epoch.pump.id and flag["since"] <= e.time <= closed
        for e in events
    )


def _low_level(b: Baseline, now: Snapshot, looked: Looked, column: str) -> tuple[bool, float]:
    """Whether the loss shows at low level only, and how often the NPSH margin was too small."""
    points = looked.points
    pump = now.pumps.get(b.epoch.pump.id, b.epoch.pump)
    speed = points["speed_ratio"].to_numpy(dtype=float)
    required = required_npsh(points["flow"].to_numpy(dtype=float), speed, pump.baseline_curve)
    available = points["npsh_available"].to_numpy(dtype=float)
    assessed = np.isfinite(required) & np.isfinite(available)
    share = 0.0
    if assessed.any():
        share = float(is_below_npsh_margin(available, required)[assessed].mean())
    ok = (looked.found["deviation_status"] == "ok").to_numpy()
    table = points.assign(deviation=np.where(ok, looked.found[column].to_numpy(float), np.nan))
    return only_when_low(table, "static_pressure", "deviation"), share


def _off_design(b: Baseline, looked: Looked) -> float:
    """Share of the points outside the preferred operating region."""
    if b.curve is None or looked.points.empty:
        return 0.0
    best = np.full(len(looked.points), b.curve.best_efficiency_flow_)
    part = flow_over_bep(looked.points["flow"], best, looked.points["speed_ratio"])
    known = np.isfinite(part)
    region = b.epoch.pump.flow_region
    outside = (part < region.preferred_low) | (part > region.preferred_high)
    return float(outside[known].mean()) if known.any() else 0.0
