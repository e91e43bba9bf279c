"""Flags of a run, replayed from daily deviations and daily suction losses.

Everything is replayed from the beginning each night, so a flag's identity and history do not
depend on which nights were run.
"""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.errors import InsufficientEvidenceError
from pipeline.jobs.baselines import (
    Baseline,
    deviation_from,
    less_unexplained,
    starts_of,
    steady_points,
)
from pipeline.jobs.context import Run, told
from pipeline.jobs.flag_circumstances import WORK, Looked, circumstances, of_epoch
from pipeline.jobs.hours import HOURS
from pipeline.jobs.use import hours_of, use_of
from pipeline.performance.acknowledgement import (
    ACKNOWLEDGEMENT_COLUMNS,
    acknowledged,
    unknown_flags,
)
from pipeline.performance.causes import Circumstances, Verdict, find_causes, flow_signature
from pipeline.performance.detection import RECENT_DAYS
from pipeline.performance.flags import (
    PERFORMANCE,
    FlagReplay,
    FlagRules,
    Watched,
    replay_flags,
)
from pipeline.performance.site_checks import CHECKS
from pipeline.plant.side_files import Acknowledgement, Event

SIGNATURE_DAYS = 30
REFERENCE_DAYS = 20
GONE_DAYS = RECENT_DAYS + FlagRules().closing_days
"""Running days before a flag closes in which its loss was going or gone."""

SUCTION_LOSS = Watched(
    column="suction_loss_deviation",
    words="loss of the suction line at the same flow",
    loss_sign=1.0,
)
SUCTION_RULES = FlagRules(least_loss=0.15, plan_loss=0.5, act_loss=1.5, annual_swing=0.02)
"""A suction line's loss moves by some per cent with viscosity alone; 15 % is past that.
Common practice, no source."""


def find_flags(
    run: Run,
    baselines: Sequence[Baseline],
    events: Sequence[Event],
    acknowledgements: Sequence[Acknowledgement] = (),
) -> None:
    """Build ``flags`` and ``flag_history``, and tell the run what changed since the last one."""
    tables = (
        "daily_deviations", "suction_losses", "gauge_checks", "baseline_curves", HOURS,
        run.learning_points, "rolling_performance",
    )  # fmt: skip
    inputs: list[object] = ["flags", 1, run.fingerprints.perform, starts_of(baselines)]
    inputs.append(told(events, *WORK))
    inputs += [sorted(run.stage.digests(name).items()) for name in tables]
    before = run.read("flag_history")
    made: list[tuple[pd.DataFrame, pd.DataFrame]] = []

    def replayed() -> tuple[pd.DataFrame, pd.DataFrame]:
        if not made:
            made.append(_replay_all(run, baselines, events))
        return made[0]

    run.build("flag_history", None, inputs, lambda: replayed()[1])
    history = run.read("flag_history")
    run.outcome.flag_changes = flag_changes(before, history)
    # An acknowledgement lapses as time goes by, so its state is an input too.
    said = [(a, a.time <= run.as_of, a.until is not None and a.until <= run.as_of)
            for a in acknowledgements]  # fmt: skip
    frame = _said(acknowledgements)
    run.build(
        "flags",
        None,
        [*inputs, repr(said)],
        lambda: acknowledged(replayed()[0], history, frame, run.as_of),
    )
    for flag in unknown_flags(run.read("flags"), frame):
        run.outcome.note(
            f"{run.plant.acknowledgements}: there is no flag '{flag}'. The table flags lists them."
        )


def flag_changes(before: pd.DataFrame, after: pd.DataFrame) -> list[tuple[str, str]]:
    """Give what one history of flags has that an earlier one had not, as (flag, change).

    A flag that later evidence takes back altogether is ``withdrawn``.
    """
    keys = ["flag", "day", "change"]
    known = pd.MultiIndex.from_frame(before[keys])
    new = after[~pd.MultiIndex.from_frame(after[keys]).isin(known)].sort_values(["day", "flag"])
    found = list(zip(new["flag"].astype(str), new["change"].astype(str), strict=True))
    # What opened and closed before anybody was told of it is history, not news.
    old = set(before["flag"].astype(str))
    over = {flag for flag, change in found if change == "closed" and flag not in old}
    found = [(flag, change) for flag, change in found if flag not in over]
    gone = sorted(set(before["flag"].astype(str)) - set(after["flag"].astype(str)))
    return [*found, *((flag, "withdrawn") for flag in gone)]


def _said(acknowledgements: Sequence[Acknowledgement]) -> pd.DataFrame:
    """Acknowledgements as a frame."""
    rows = [(a.flag, a.time, a.by, a.until, a.note) for a in acknowledgements]
    frame = pd.DataFrame(rows, columns=["flag", "time", "by", "until", "note"])
    times = {name: pd.to_datetime(frame[name], utc=True).dt.as_unit("us") for name in _TIMES}
    return frame.assign(**times)


_TIMES = ("time", "until")


def _replay_all(
    run: Run, baselines: Sequence[Baseline], events: Sequence[Event]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    daily = run.read("daily_deviations").rename(columns={"day": "time"})
    losses = run.read("suction_losses").rename(columns={"day": "time"})
    flags, history = [], []
    hours = hours_of(run)
    for b in baselines:
        until = min(b.epoch.end, run.as_of)
        yearly = use_of(run, hours, b.epoch.pump.id, until=until, cost="cost_now").cost_per_year
        found = _performance(run, b, daily, yearly)
        if found is not None and len(found.flags):
            flags.append(_explained(run, baselines, b, found.flags, daily, events))
            history.append(found.history)
    for pump in run.plant.pumps:
        for replay in _suction(pump, losses, events):
            flags.append(_suction_rows(replay.flags))
            history.append(replay.history)
    return _flag_rows(run, flags), _history_rows(run, history)


def _performance(
    run: Run, b: Baseline, daily: pd.DataFrame, energy_cost_per_year: float
) -> FlagReplay | None:
    mine = of_epoch(b, daily)
    if b.source == "learned" and b.learned_from is not None:
        # What was before the good period is neither its reference nor a loss against it.
        mine = mine[mine["time"] > b.learned_from - pd.Timedelta("1D")].reset_index(drop=True)
    if mine.empty or b.curve is None or b.curve.status_ != "ok":
        return None
    first = mine["time"].min()
    learned_to = b.learned_to if b.source == "learned" and b.learned_to is not None else first
    mine = mine.assign(
        suction_u_systematic=less_unexplained(
            mine["suction_u_systematic"], mine["suction_u_unexplained"]
        )
    )
    mine, watched = watched_of(b, mine)
    return replay_flags(
        mine,
        b.epoch.pump.id,
        learned_to,
        watched=watched,
        energy_cost_per_year=energy_cost_per_year,
        epoch_end=None if b.epoch.end >= run.as_of else b.epoch.end,
    )


def watched_of(b: Baseline, daily: pd.DataFrame) -> tuple[pd.DataFrame, tuple[Watched, ...]]:
    """What is watched for a loss, with what no number of days takes off its uncertainty.

    Parameters
    ----------
    b : Baseline
        With a curve.
    daily : DataFrame
        Rows of ``daily_deviations`` of its pump.

    Returns
    -------
    tuple of DataFrame and tuple of Watched
        The rows with one column more for each source of suction pressure, and what to watch in
        them.

    Notes
    -----
    A maker's curve is itself only so well known. A learned one holds the errors of its own
    days: that of a source of suction pressure cancels while it is the source, and as large as it
    was then. Losses that nobody measured come and go with what the sisters draw, and their
    error with them; where the source changes, the error of the new one comes in and that of the
    old one stays behind in the baseline.
    """
    if b.source != "learned":
        reference = {
            one.column: float(np.nanmedian(daily[f"{one.column}_u_systematic"]))
            for one in PERFORMANCE
        }
        return daily, tuple(
            dataclasses.replace(one, reference_u=reference[one.column]) for one in PERFORMANCE
        )
    source = daily["suction_pressure_source"].astype(str)
    shared = {
        f"{name}_error_u": daily["suction_u_systematic"].where(source == name, 0.0)
        for name in sorted(set(source))
    }
    watched = (dataclasses.replace(one, shared_u=tuple(shared)) for one in PERFORMANCE)
    return daily.assign(**shared), tuple(watched)


def _explained(
    run: Run,
    baselines: Sequence[Baseline],
    b: Baseline,
    flags: pd.DataFrame,
    daily: pd.DataFrame,
    events: Sequence[Event],
) -> pd.DataFrame:
    """Add to each flag the causes that its last days do not exclude."""
    mine = of_epoch(b, daily)
    verdicts = []
    for _, flag in flags.iterrows():
        looked = _looked(run, b, mine, flag)
        known = circumstances(run, baselines, b, daily, events, looked)
        verdicts.append(_verdict(b, looked, known))
    return flags.assign(
        causes=[", ".join(c.replace("_", " ") for c in v.causes) for v in verdicts],
        evidence=[f"{e} {v.evidence}" for e, v in zip(flags["evidence"], verdicts, strict=True)],
        site_check=[v.site_check for v in verdicts],
    )


def _looked(run: Run, b: Baseline, mine: pd.DataFrame, flag: pd.Series) -> Looked:
    """Take the last days on which the loss was there, with their points and deviations."""
    if b.curve is None:
        raise InsufficientEvidenceError(f"Pump {b.epoch.pump.id} has no baseline to compare with.")
    times = pd.DatetimeIndex(mine["time"])
    if pd.notna(flag["closed"]):
        times = times[times < flag["closed"]]
        if flag["closed"] < b.epoch.end:
            # A flag closes when the loss has been gone for long enough: those days show none.
            kept = max(len(times) - GONE_DAYS, 1)
            times = times[: max(kept, int((times <= flag["opened"]).sum()))]
    end = times[-1] + pd.Timedelta("1D")
    start = max(end - pd.Timedelta(days=SIGNATURE_DAYS), b.epoch.start)
    points = steady_points(run, b.epoch.pump.id, start, end)
    known_u = less_unexplained(
        points["suction_pressure_u_systematic"], points["suction_pressure_u_unexplained"]
    )
    found = deviation_from(points.assign(suction_pressure_u_systematic=known_u), b)
    return Looked(flag=flag, start=start, end=end, points=points, found=found)


def _verdict(b: Baseline, looked: Looked, known: Circumstances) -> Verdict:
    if b.curve is None:
        raise InsufficientEvidenceError(f"Pump {b.epoch.pump.id} has no baseline to compare with.")
    return find_causes(flow_signature(looked.points, looked.found, b.curve), b.curve, known)


def _suction(pump: str, losses: pd.DataFrame, events: Sequence[Event]) -> list[FlagReplay]:
    """Replay the loss of a pump's suction side, cleaning by cleaning."""
    mine = losses[losses["pump"] == pump].sort_values("time").reset_index(drop=True)
    if mine.empty:
        return []
    cleaned = sorted(e.time for e in events if e.pump == pump and e.kind == "cleaning")
    edges = [mine["time"].min(), *cleaned, mine["time"].max() + pd.Timedelta("1D")]
    found = []
    for number, (start, end) in enumerate(itertools.pairwise(edges)):
        part = mine[(mine["time"] >= start) & (mine["time"] < end)].reset_index(drop=True)
        if len(part) < REFERENCE_DAYS:
            continue
        reference = part["time"].iloc[REFERENCE_DAYS - 1]
        last = number == len(edges) - 2
        replay = replay_flags(
            part,
            pump,
            reference,
            kind="suction_restriction",
            watched=(SUCTION_LOSS,),
            rules=SUCTION_RULES,
            epoch_end=None if last else end,
        )
        if len(replay.flags):
            found.append(replay)
    return found


def _suction_rows(flags: pd.DataFrame) -> pd.DataFrame:
    return flags.assign(causes="suction restriction, suction gauge", site_check=CHECKS["strainer"])


def _flag_rows(run: Run, pieces: Sequence[pd.DataFrame]) -> pd.DataFrame:
    contract = run.contract("flags")
    if not pieces:
        return contract.empty().drop(columns=list(ACKNOWLEDGEMENT_COLUMNS))
    # A replay has its own word on acknowledgements; here people's file is what counts.
    rows = pd.concat(pieces, ignore_index=True).drop(columns="acknowledged")
    rows["loss_u95"] = 2.0 * rows.pop("loss_u")
    rows["quantity"] = rows["quantity"].str.removesuffix("_deviation")
    return rows[[c.name for c in contract.columns if c.name not in ACKNOWLEDGEMENT_COLUMNS]]


def _history_rows(run: Run, pieces: Sequence[pd.DataFrame]) -> pd.DataFrame:
    contract = run.contract("flag_history")
    if not pieces:
        return contract.empty()
    rows = pd.concat(pieces, ignore_index=True)
    rows["loss_u95"] = 2.0 * rows.pop("loss_u")
    return rows[[c.name for c in contract.columns]]
