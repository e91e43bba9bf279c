"""Operating points by month: suction pressure filled, head, power and efficiency worked out."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.assembly import GridView, pump_frames
from pipeline.assembly.statics import LEVEL_STUCK, G
from pipeline.errors import GaugelessError
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.pressure import atmospheric_pressure
from pipeline.hydraulics.wells import minimum_submergence
from pipeline.jobs.baselines import Baseline
from pipeline.jobs.context import METERED, Run
from pipeline.jobs.hours import header_columns, less_strainers
from pipeline.jobs.line_friction import FRICTION, FRICTION_COLUMNS
from pipeline.jobs.measure import grid_view
from pipeline.jobs.perform import with_u95
from pipeline.jobs.shared_flow import (
    HeadOf,
    allocated_frames,
    head_since,
    months_alone,
    shares_meter,
)
from pipeline.jobs.suction import DRAWING, IN_FORCE, MODELS
from pipeline.jobs.workers import MonthJob, MonthMade, Workers, build_months
from pipeline.months import Month
from pipeline.performance.operating_points import operating_points
from pipeline.plant import Pump, Snapshot
from pipeline.suction import (
    Estimate,
    SuctionLineModel,
    doubt_of_level,
    estimate_with,
    fill_suction,
    level_only,
    move_to_friction,
    with_doubt,
)
from pipeline.suction.fill import MEASURED
from pipeline.suction.replay import OWN_FLOW
from pipeline.tables.store import inputs_digest

_log = logging.getLogger(__name__)

BELL_LOSS_U = 0.2
"""What a pump that hangs in its wet well may lose at its bell, as a standard uncertainty in
velocity heads [-]: a bell mouth loses 0.05 to 0.1 of them. Common practice, no source."""

LEVEL_ONLY_SCATTER = 100.0
"""Scatter of the true pressure about level only, beside that of the level itself [Pa]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Knowledge:
    """What the suction stage found, as needed to fill one month."""

    checks: pd.DataFrame
    in_force: pd.DataFrame
    models: pd.DataFrame
    friction: pd.DataFrame


class _Models:
    """Fitted models by line, epoch and name, rebuilt from their rows when first needed."""

    def __init__(self, rows: pd.DataFrame) -> None:
        keys = ["line", "epoch", "model"]
        self._rows = dict(iter(rows.groupby(keys, sort=False))) if len(rows) else {}
        self._built: dict[tuple[str, pd.Timestamp, str], SuctionLineModel] = {}

    def get(
        self, line: str, epoch: pd.Timestamp, name: str, columns: Sequence[str]
    ) -> SuctionLineModel | None:
        """Give a model; None where there is no such fit."""
        key = (line, epoch, name)
        if key not in self._rows:
            return None
        if key not in self._built:
            self._built[key] = SuctionLineModel.from_frame(
                self._rows[key].drop(columns=["line", "epoch", "model"]),
                header_columns=tuple(columns),
                branch_column=OWN_FLOW,
            )
        return self._built[key]


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


POINTS = "operating_points"


def _build(
    run: Run, held: Workers, table: str, holding: Mapping[Month, Sequence[Baseline]]
) -> None:
    months = run.stage.months("measurements")
    known = _knowledge(run)
    jobs = []
    for month in months:
        start, end = run.bounds(month)
        mine = _of_month(known, month, start, end)
        curves = holding.get(month, [])
        parts = [
            "operating_points",
            1,
            run.fingerprints.suction,
            run.fingerprints.perform,
            run.stage.digest("measurements", month),
            _digest(mine, start, end),
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


def _knowledge(run: Run) -> Knowledge:
    stage = run.stage
    nothing = pd.DataFrame()
    return Knowledge(
        checks=run.read("gauge_checks"),
        in_force=stage.read(IN_FORCE) if stage.has(IN_FORCE) else nothing,
        models=stage.read(MODELS) if stage.has(MODELS) else nothing,
        friction=(
            stage.read(FRICTION)
            if stage.has(FRICTION)
            else pd.DataFrame(columns=list(FRICTION_COLUMNS))
        ),
    )


def _of_month(known: Knowledge, month: Month, start: pd.Timestamp, end: pd.Timestamp) -> Knowledge:
    """Keep what bears on a month, so that its digest rests while others change."""
    checks = known.checks[known.checks["excludes"].astype(bool)]
    checks = checks[(checks["start"] < end) & (checks["end"] > start)].copy()
    # What lies outside the month must not disturb it.
    checks["start"] = checks["start"].where(checks["start"] > start, start)
    checks["end"] = checks["end"].where(checks["end"] < end, end)
    checks = checks[["pump", "gauge", "check", "verdict", "start", "end", "magnitude"]]
    checks = checks.astype(dict.fromkeys(("pump", "gauge", "check", "verdict"), str))
    # Two digits of a size are enough to be wide by; more would never let a month rest.
    checks["magnitude"] = [float(f"{size:.1e}") for size in checks["magnitude"]]
    checks = checks.reset_index(drop=True)
    friction = known.friction[known.friction["month"] == month].reset_index(drop=True)
    if known.in_force.empty:
        return Knowledge(
            checks=checks, in_force=known.in_force, models=known.models, friction=friction
        )
    # An epoch that is open ends with the data: cut to the month, it rests too.
    use = known.in_force[known.in_force["month"] == month].copy()
    use["epoch_end"] = use["epoch_end"].where(use["epoch_end"] < end, end)
    keys = ["line", "epoch", "model"]
    wanted = pd.MultiIndex.from_frame(use[keys])
    own = pd.MultiIndex.from_frame(known.models[keys])
    spans = known.in_force[["line", "epoch", "epoch_end"]].drop_duplicates()
    touching = spans[(spans["epoch"] < end) & (spans["epoch_end"] > start)]
    drawn = (known.models["model"] == DRAWING) & known.models["epoch"].isin(touching["epoch"])
    models = known.models[own.isin(wanted) | drawn].reset_index(drop=True)
    return Knowledge(
        checks=checks, in_force=use.reset_index(drop=True), models=models, friction=friction
    )


def _digest(mine: Knowledge, start: pd.Timestamp, end: pd.Timestamp) -> str:
    frames = (mine.checks, mine.in_force, mine.models, mine.friction)
    texts = [f.to_csv(index=False) if len(f.columns) else "" for f in frames]
    return inputs_digest(str(start), str(end), texts)


def _month(
    run: Run,
    month: Month,
    mine: Knowledge,
    curves: Sequence[Baseline],
    failures: list[str],
) -> pd.DataFrame | None:
    start, end = run.bounds(month)
    models = _Models(mine.models)
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
                filled = _filled(era, era.pumps[name], frame, mine, models)
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


def _head_of(era: Snapshot, mine: Knowledge, models: _Models, atmosphere: float) -> HeadOf:
    """Give the function that works out heads while flows are being allocated."""

    def heads(name: str, rows: pd.DataFrame) -> tuple[np.ndarray, Uncertainty, np.ndarray]:
        pump = era.pumps[name]
        filled = _filled(era, pump, rows, mine, models)
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


def _filled(
    era: Snapshot, pump: Pump, frame: pd.DataFrame, mine: Knowledge, models: _Models
) -> pd.DataFrame:
    """Add the suction pressure, its uncertainty, source and reason to a pump's frame."""
    times = pd.DatetimeIndex(frame["time"])
    still = _faults(mine.checks, pump.id, "level", times) != ""
    frame = frame.assign(
        discharge_fault=_faults(mine.checks, pump.id, "discharge", times),
        static_pressure=frame["static_pressure"].mask(still),
        static_reason=frame["static_reason"].mask(still, LEVEL_STUCK),
    )
    tag = era.tags.get(pump.suction_pressure_tag or "")
    reading = None if tag is None else frame["suction_reading"].to_numpy(dtype=float)
    gauge_u: float | np.ndarray = 0.0
    noise: float | np.ndarray = 0.0
    fault = None
    wanting = np.ones(len(frame), dtype=bool)
    if tag is not None and reading is not None:
        size, a = np.abs(reading), tag.accuracy
        gauge_u = np.hypot(a.systematic_absolute, a.systematic_relative * size)
        noise = np.hypot(a.random_absolute, a.random_relative * size)
        fault = _faults(mine.checks, pump.id, "suction", times)
        wanting = ~np.isfinite(reading) | (fault != "")
    # A model is asked only where no trusted gauge answers, and only while the pump runs.
    wanting &= (frame["state"] != "standing").to_numpy()
    place = np.flatnonzero(wanting)
    seen = frame.iloc[place].rename(columns={"suction_flow": OWN_FLOW}).assign(pump=pump.id)
    rows = less_strainers(seen)
    estimates = []
    if len(place):
        estimates = [
            *_modelled(era, pump, rows, times[place], mine, models),
            # Where a strainer's loss is missing, it is one more that nobody knows.
            _by_level(era, pump, rows.where(rows["static_pressure"].notna(), seen)),
        ]
    line = tuple(era.lines[pump.suction_line].branches)
    doubt_u, doubted = doubt_of_level(mine.checks, pump.id, line, times)
    filled = fill_suction(
        frame.index,
        [
            _spread(with_doubt(estimate, doubt_u[place]), place, len(frame))
            for estimate in estimates
        ],
        reading=reading,
        gauge_fault=fault,
        gauge_u=gauge_u,
        gauge_noise_u=noise,
    ).rename(columns={"suction_pressure_reason": "suction_reason"})
    filled["suction_reason"] += _of_source(frame, filled["suction_pressure_source"])
    in_doubt = (doubted != "") & (filled["suction_pressure_source"] != MEASURED).to_numpy()
    filled["suction_reason"] += np.where(in_doubt, "; level or gauge: " + doubted, "")
    filled["suction_reason"] += _of_inlet(era, pump, frame)
    return pd.concat([frame, filled], axis=1)


def _of_source(frame: pd.DataFrame, source: pd.Series) -> pd.Series:
    """Say what was not known of the source where no trusted gauge answers."""
    why = frame["static_reason"]
    said = ("; source: " + why).where(why != "", "")
    lost = frame["strainer_loss"].isna()
    said += pd.Series("; strainer: no_value", index=frame.index).where(lost, "")
    return said.where(source != MEASURED, "")


def _of_inlet(era: Snapshot, pump: Pump, frame: pd.DataFrame) -> np.ndarray:
    """Say where the bell of a pump in a wet well lies too shallow to draw no air."""
    if era.sources[era.lines[pump.suction_line].source].kind != "wet_well":
        return np.full(len(frame), "", dtype=object)
    tap = pump.suction_tap
    depth = frame["static_pressure"] / (frame["density"] * G)
    depth += tap.reading_elevation - tap.elevation
    least = minimum_submergence(frame["suction_flow"].to_numpy(), tap.diameter)
    return np.where(depth.to_numpy() < least, "; source: shallow_inlet", "").astype(object)


def _by_level(era: Snapshot, pump: Pump, rows: pd.DataFrame) -> Estimate:
    """Estimate by level alone, with what the source itself leaves open."""
    source = era.sources[era.lines[pump.suction_line].source]
    loss_u = None
    if source.kind == "wet_well":
        loss_u = BELL_LOSS_U * rows["velocity_pressure"].to_numpy()
    return level_only(
        rows,
        static_u=rows["static_pressure_u_systematic"].to_numpy(),
        loss_u=loss_u,
        residual_u=np.hypot(LEVEL_ONLY_SCATTER, rows["static_pressure_u_random"].to_numpy()),
    )


def _spread(estimate: Estimate, place: np.ndarray, n: int) -> Estimate:
    """Put an estimate of some rows back among all rows."""

    def full(values: np.ndarray, fill: object, dtype: type) -> np.ndarray:
        out: np.ndarray = np.full(n, fill, dtype=dtype)
        out[place] = values
        return out

    source = estimate.source
    return Estimate(
        source if isinstance(source, str) else full(source, "", object),
        full(estimate.value, np.nan, float),
        full(estimate.u_systematic, np.nan, float),
        full(estimate.u_random, np.nan, float),
        full(estimate.declined, "", object),
        None if estimate.u_unexplained is None else full(estimate.u_unexplained, np.nan, float),
    )


def _faults(checks: pd.DataFrame, pump: str, gauge: str, times: pd.DatetimeIndex) -> np.ndarray:
    """Name for each interval the check that excludes the gauge; empty where none does."""
    fault = np.full(len(times), "", dtype=object)
    mine = checks[(checks["pump"] == pump) & (checks["gauge"].astype(str) == gauge)]
    ordered = mine.sort_values(["start", "check"], kind="stable")
    for check, start, end in zip(
        ordered["check"].astype(str), ordered["start"], ordered["end"], strict=True
    ):
        low, high = times.searchsorted(start), times.searchsorted(end)
        part = fault[low:high]
        part[part == ""] = check
    return fault


def _modelled(
    era: Snapshot,
    pump: Pump,
    rows: pd.DataFrame,
    times: pd.DatetimeIndex,
    mine: Knowledge,
    models: _Models,
) -> list[Estimate]:
    """Estimates by the fit in force, then by drawings alone."""
    if mine.models.empty:
        return []
    line = pump.suction_line
    columns = header_columns(era, line)
    open_rows = np.ones(len(rows), dtype=bool)
    found: list[Estimate] = []

    def ask(epoch: pd.Timestamp, end: pd.Timestamp | None, name: str) -> None:
        """Let one model answer the rows of its epoch that nothing better answered."""
        inside = open_rows & np.asarray(times >= epoch)
        if end is not None:
            inside &= np.asarray(times < end)
        place = np.flatnonzero(inside)
        model = models.get(line, epoch, name, columns)
        if not len(place) or model is None or pump.id not in model.pumps_:
            return
        kind = DRAWING if name == DRAWING else None
        asked = rows.iloc[place]
        part = estimate_with(model, asked, source=kind)
        if kind is None:
            days = mine.friction[
                (mine.friction["pump"] == pump.id) & (mine.friction["epoch"] == epoch)
            ]
            loss = model.predict_losses(asked)[OWN_FLOW].to_numpy()
            part = move_to_friction(part, loss, times[place], days)
        open_rows[place[part.declined == ""]] = False
        found.append(_spread(part, place, len(rows)))

    use = mine.in_force[mine.in_force["line"] == line] if len(mine.in_force) else mine.in_force
    for epoch, end, name in zip(
        use.get("epoch", ()), use.get("epoch_end", ()), use.get("model", ()), strict=True
    ):
        ask(epoch, end, str(name))
    epochs = sorted(mine.models.loc[mine.models["line"] == line, "epoch"].unique())
    for epoch in reversed(epochs):
        ask(epoch, None, DRAWING)
    return found
