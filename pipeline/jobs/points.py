"""Operating points by month: suction pressure filled, head, power and efficiency worked out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pandas as pd

from pipeline.assembly import GridView, pump_frames
from pipeline.errors import GaugelessError
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.pressure import atmospheric_pressure
from pipeline.jobs.baselines import Baseline
from pipeline.jobs.context import METERED, Run
from pipeline.jobs.measure import grid_view
from pipeline.jobs.perform import with_u95
from pipeline.jobs.shared_flow import (
    HeadOf,
    allocated_frames,
    head_since,
    months_alone,
    shares_meter,
)
from pipeline.jobs.suction_fill import with_suction
from pipeline.jobs.suction_knowledge import Knowledge, LineModels, read_knowledge
from pipeline.jobs.workers import MonthJob, MonthMade, Workers, build_months
from pipeline.months import Month
from pipeline.performance.operating_points import operating_points
from pipeline.plant import Snapshot

POINTS = "operating_points"


def build_points(run: Run, held: Workers) -> None:
    """Build ``operating_points`` for every month of measurements.

    Where pumps share a meter this makes the working table from which baselines learn;
    ``allocate_flows`` makes the published one of it.
    """
    shared = shares_meter(run.plant)
    _build(run, held, METERED if shared else POINTS, {})
    if not shared:
        _remove(run, METERED, run.stage.months(METERED))


def allocate_flows(run: Run, held: Workers, baselines: Sequence[Baseline]) -> None:
    """Build ``operating_points`` with the flows of shared meters allocated."""
    if not shares_meter(run.plant):
        return
    holding: dict[Month, list[Baseline]] = {}
    for month in run.stage.months("measurements"):
        start, end = run.bounds(month)
        holding[month] = [b for b in baselines if b.epoch.start < end and b.epoch.end > start]
    _build(run, held, POINTS, holding)


def _build(
    run: Run, held: Workers, table: str, holding: Mapping[Month, Sequence[Baseline]]
) -> None:
    months = run.stage.months("measurements")
    known = read_knowledge(run)
    jobs = []
    for month in months:
        start, end = run.bounds(month)
        mine = known.of_month(month, start, end)
        curves = holding.get(month, [])
        parts = [
            "operating_points",
            1,
            run.fingerprints.suction,
            run.fingerprints.perform,
            run.stage.digest("measurements", month),
            mine.digest(start, end),
            [_curve_digest(b, end) for b in curves],
            [run.stage.digest(METERED, m) for m in months_alone(run, month)] if curves else [],
        ]
        inputs = {table: run.inputs("operating_points", parts)}
        jobs.append(MonthJob(month, inputs, (table, mine, curves)))
    build_months(run, held, "operating points", jobs, make_month)
    _remove(run, table, set(run.stage.months(table)) - set(months))


def _remove(run: Run, table: str, months: Iterable[Month]) -> None:
    for month in sorted(months):
        run.writable.remove(table, month)


def _curve_digest(b: Baseline, end: pd.Timestamp) -> list[str]:
    # An epoch that is open ends with the data: cut to the month, it rests.
    span = [b.epoch.pump.id, str(b.epoch.start), str(min(b.epoch.end, end))]
    return [*span, "" if b.curve is None else b.curve.to_table().to_csv(index=False)]


def make_month(
    run: Run, month: Month, payload: tuple[str, Knowledge, Sequence[Baseline]]
) -> MonthMade:
    """Make the operating points of a month; a pump that fails stops no other."""
    table, mine, curves = payload
    failures: list[str] = []
    points = _month(run, month, mine, curves, failures)
    return MonthMade({table: run.publish(POINTS, points)}, failures)


def _month(
    run: Run,
    month: Month,
    mine: Knowledge,
    curves: Sequence[Baseline],
    failures: list[str],
) -> pd.DataFrame | None:
    start, end = run.bounds(month)
    models = LineModels(mine.models)
    atmosphere = float(atmospheric_pressure(run.plant.station.altitude))
    pieces = []
    moved = head_since(run, month, curves)
    for era in run.plant.eras(start, end):
        view: GridView = grid_view(run, month, era.start, era.end)
        frames = pump_frames(era, view)
        if curves:
            head_of = _head_of(era, mine, models, atmosphere)
            try:
                frames = allocated_frames(era, view, frames, curves, moved, head_of)
            except GaugelessError as error:
                text = " ".join(str(error).split())
                failures.append(f"flows of shared meters, {month}: {text}")
        for name, whole in frames.items():
            frame = _told_of(whole)
            if (frame["state"] == "standing").all():
                continue
            try:
                filled = with_suction(era, era.pumps[name], frame, mine, models)
                points = operating_points(
                    filled, era.pumps[name], era.tags, atmosphere, flow_tag(era, name)
                )
                pieces.append(points)
            except GaugelessError as error:
                failures.append(f"pump {name}, {month}: {' '.join(str(error).split())}")
    pieces = [p for p in pieces if len(p)]
    if not pieces:
        return None
    together = pd.concat(pieces, ignore_index=True)
    return with_u95(
        together,
        "flow",
        "suction_pressure",
        "total_head",
        "electrical_power",
        "overall_efficiency",
        "pump_efficiency",
    )


def _head_of(era: Snapshot, mine: Knowledge, models: LineModels, atmosphere: float) -> HeadOf:
    """Give the function that works out heads while flows are being allocated."""

    def heads(name: str, rows: pd.DataFrame) -> tuple[np.ndarray, Uncertainty, np.ndarray]:
        pump = era.pumps[name]
        filled = with_suction(era, pump, rows, mine, models)
        points = operating_points(filled, pump, era.tags, atmosphere, flow_tag(era, name))
        u = Uncertainty(
            points["total_head_u_systematic"].to_numpy(), points["total_head_u_random"].to_numpy()
        )
        return points["total_head"].to_numpy(), u, points["speed_ratio"].to_numpy()

    return heads


def _told_of(frame: pd.DataFrame) -> pd.DataFrame:
    """Leave out intervals in which nothing was measured of the pump, as before its first sample."""
    measured = ["flow", "electrical_power", "suction_reading", "discharge_reading", "speed"]
    told = (frame["state"] != "unknown") | frame[measured].notna().any(axis=1)
    return frame[told].reset_index(drop=True)


def flow_tag(era: Snapshot, pump: str) -> str | None:
    """Name the tag a pump's flow is read from."""
    own = era.pumps[pump].flow_tag
    if own is not None:
        return own
    meter = era.meter_of(pump)
    return None if meter is None else meter.tag
