"""Suction pressure of a pump in each interval: by gauge, by fit, by drawings or by level alone."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.assembly.statics import LEVEL_STUCK, G
from pipeline.hydraulics.wells import minimum_submergence
from pipeline.jobs.hours import header_columns, less_strainers
from pipeline.jobs.suction import DRAWING
from pipeline.jobs.suction_knowledge import Knowledge, LineModels
from pipeline.performance.operating_points import instrument_uncertainty
from pipeline.plant import Pump, Snapshot
from pipeline.suction import (
    Estimate,
    doubt_of_level,
    estimate_with,
    fill_suction,
    level_only,
    move_to_friction,
    with_doubt,
)
from pipeline.suction.fill import MEASURED
from pipeline.suction.replay import OWN_FLOW

BELL_LOSS_U = 0.2
"""What a pump that hangs in its wet well may lose at its bell, as a standard uncertainty in
velocity heads [-]: a bell mouth loses 0.05 to 0.1 of them. Common practice, no source."""

LEVEL_ONLY_SCATTER = 100.0
"""Scatter of the true pressure about level only, beside that of the level itself [Pa]."""


def with_suction(
    era: Snapshot, pump: Pump, frame: pd.DataFrame, mine: Knowledge, models: LineModels
) -> pd.DataFrame:
    """Add the suction pressure, its uncertainty, source and reason to a pump's frame.

    Parameters
    ----------
    era : Snapshot
        The plant.
    pump : Pump
        The pump.
    frame : DataFrame
        One row per interval, as from ``assembly.pump_frames``.
    mine : Knowledge
        What bears on the month.
    models : LineModels
        The fits it names.

    Returns
    -------
    DataFrame
        The same rows as `operating_points` wants them.
    """
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
    if reading is not None:
        u = instrument_uncertainty(tag, reading)
        gauge_u, noise = u.systematic, u.random
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


def _modelled(
    era: Snapshot,
    pump: Pump,
    rows: pd.DataFrame,
    times: pd.DatetimeIndex,
    mine: Knowledge,
    models: LineModels,
) -> list[Estimate]:
    """Estimates by the fit in force, then by drawings alone."""
    if mine.models.empty:
        return []
    line = pump.suction_line
    columns = header_columns(era, line)
    open_rows = np.ones(len(rows), dtype=bool)
    found: list[Estimate] = []

    def ask(epoch: pd.Timestamp, end: pd.Timestamp, name: str) -> None:
        """Let one model answer the rows of its epoch that nothing better answered."""
        inside = open_rows & np.asarray((times >= epoch) & (times < end))
        place = np.flatnonzero(inside)
        # The line of another epoch has other segments: it is not even looked up.
        model = models.get(line, epoch, name, columns) if len(place) else None
        if model is None or pump.id not in model.pumps_:
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
    drawn = mine.models[(mine.models["line"] == line) & (mine.models["model"] == DRAWING)]
    for epoch, end in drawn[["epoch", "epoch_end"]].drop_duplicates().itertuples(index=False):
        ask(epoch, end, DRAWING)
    return found


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
