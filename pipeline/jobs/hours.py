"""The working table ``suction_hours``: hourly rows from which gauges are checked and fits made.

Small enough to be read whole: everything that needs the past (gauge checks, fits) is replayed
from it in each run, and nothing needs the grid of earlier months again.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.assembly import pump_frames, segment_column
from pipeline.assembly.statics import UNSETTLED
from pipeline.jobs.context import Run
from pipeline.jobs.level_checks import stuck_levels, without_stuck_level
from pipeline.jobs.measure import grid_view
from pipeline.jobs.workers import MonthJob, MonthMade, Workers, build_months
from pipeline.months import Month
from pipeline.plant import Pump, Snapshot
from pipeline.plant.side_files import SpotReading
from pipeline.suction import hourly_rows
from pipeline.tables.store import inputs_digest

HOURS = "suction_hours"
HOUR = pd.Timedelta("1h")

SEGMENT_PREFIX = "flow_"
READING_PARTS = ("min", "max", "noise", "coverage")
_ALWAYS = (
    "static_pressure",
    "static_pressure_u_systematic",
    "static_pressure_u_random",
    "strainer_loss",
    "velocity_pressure",
    "density",
)


def build_hours(run: Run, held: Workers, survey: Sequence[SpotReading]) -> None:
    """Build ``suction_hours`` for every month of measurements."""
    months = run.stage.months("measurements")
    jobs = []
    for month in months:
        start, end = run.bounds(month)
        spots = [s for s in survey if start <= s.time < end]
        digest = inputs_digest(
            HOURS, 1, run.fingerprints.suction, run.stage.digest("measurements", month), repr(spots)
        )
        jobs.append(MonthJob(month, {HOURS: digest}, spots))
    build_months(run, held, "suction side", jobs, make_month)
    for month in set(run.stage.months(HOURS)) - set(months):
        run.writable.remove(HOURS, month)


def make_month(run: Run, month: Month, spots: Sequence[SpotReading]) -> MonthMade:
    """Make the hourly rows of a month.

    Their ``static_pressure`` is what the source gives less the loss of strainers that is
    measured, ``strainer_loss``: what remains is for the friction model.
    """
    frame = _month(run, month, spots)
    rows = pa.Table.from_pandas(frame, preserve_index=False) if len(frame) else None
    return MonthMade({HOURS: rows})


def _month(run: Run, month: Month, spots: Sequence[SpotReading]) -> pd.DataFrame:
    start, end = run.bounds(month)
    pieces = []
    for era in run.plant.eras(start, end):
        view = grid_view(run, month, era.start, era.end)
        frames = {n: less_strainers(f) for n, f in pump_frames(era, view).items()}
        for name, frame in frames.items():
            pieces.append(_pump_hours(era, era.pumps[name], frame))
            pieces.append(_spot_rows(era, era.pumps[name], frame, spots))
    pieces = [p for p in pieces if len(p)]
    if not pieces:
        return pd.DataFrame()
    together = pd.concat(pieces, ignore_index=True)
    segments = sorted(c for c in together.columns if c.startswith(SEGMENT_PREFIX))
    first = ["line", "pump", "time", "spot", "instrument", "state", "steady"]
    others = [c for c in together.columns if c not in first and c not in segments]
    return together[[*first, *sorted(others), *segments]].sort_values(
        ["line", "pump", "time", "spot"], kind="stable", ignore_index=True
    )


def less_strainers(frame: pd.DataFrame) -> pd.DataFrame:
    """Take the measured loss of strainers before the tap off the static pressure.

    Parameters
    ----------
    frame : DataFrame
        As from ``assembly.pump_frames``, or some rows of it.

    Returns
    -------
    DataFrame
        The same rows; ``static_pressure`` and its two uncertainties are replaced, missing where
        the strainer's loss is.
    """
    parts = {
        name: np.hypot(frame[f"static_pressure_{name}"], frame[f"strainer_loss_{name}"])
        for name in ("u_systematic", "u_random")
    }
    return frame.assign(
        static_pressure=frame["static_pressure"] - frame["strainer_loss"],
        **{f"static_pressure_{name}": values for name, values in parts.items()},
    )


def header_columns(snapshot: Snapshot, line: str) -> tuple[str, ...]:
    """Name the columns of a line's header segments, in order of flow."""
    return tuple(segment_column(s) for s in snapshot.lines[line].header)


def _pump_hours(era: Snapshot, pump: Pump, frame: pd.DataFrame) -> pd.DataFrame:
    flows = [*header_columns(era, pump.suction_line), "suction_flow"]
    grid = frame[["static_pressure", "velocity_pressure", *flows]].copy()
    grid["reading"] = frame["suction_reading"]
    grid["running"] = frame["state"] == "running"
    grid["stopped"] = frame["state"] == "standing"
    grid.index = pd.DatetimeIndex(frame["time"])
    hours = hourly_rows(grid, flow_columns=flows, step_seconds=era.station.grid)
    hour = pd.DatetimeIndex(frame["time"]).floor("h")
    by_hour = frame.groupby(hour)
    for name in _ALWAYS:
        if name not in hours:
            hours[name] = by_hour[name].mean()
    # While a tank is switched or a well settles, an hour teaches nothing.
    unsettled = frame["static_reason"].isin(UNSETTLED).groupby(hour).any()
    hours["steady"] &= ~unsettled.to_numpy()
    hours = hours.join(_discharge_hours(era, pump, frame, grid, flows))
    return _labelled(hours.reset_index(), pump, f"gauge {pump.id}", spot=False)


def _discharge_hours(
    era: Snapshot, pump: Pump, frame: pd.DataFrame, grid: pd.DataFrame, flows: Sequence[str]
) -> pd.DataFrame:
    """Hourly discharge reading with all its checks need, speed ratio and electrical power."""
    other = grid.assign(reading=frame["discharge_reading"].to_numpy())
    hours = hourly_rows(other, flow_columns=flows, step_seconds=era.station.grid)
    found = hours[["reading", *(f"reading_{part}" for part in READING_PARTS)]]
    found = found.rename(columns=lambda name: name.replace("reading", "discharge"))
    more = frame[["electrical_power"]].assign(speed_ratio=1.0)
    if pump.reference_speed and pump.speed_tag:
        more["speed_ratio"] = frame["speed"] / pump.reference_speed
    by_hour = more.groupby(pd.DatetimeIndex(grid.index).floor("h"))
    return found.assign(
        speed_ratio=by_hour["speed_ratio"].mean(),
        electrical_power=by_hour["electrical_power"].mean(),
    )


def _labelled(
    rows: pd.DataFrame, pump: Pump, instrument: str | Sequence[str], *, spot: bool
) -> pd.DataFrame:
    return rows.rename(columns={"suction_flow": "flow_branch"}).assign(
        line=pump.suction_line, pump=pump.id, instrument=instrument, spot=spot
    )


def _spot_rows(
    era: Snapshot, pump: Pump, frame: pd.DataFrame, spots: Sequence[SpotReading]
) -> pd.DataFrame:
    """Set each spot reading beside what the line was doing at that very moment.

    Static pressure is that of the moment, between the middles of the intervals beside it. When
    in its interval a level was sampled nobody knows: what static pressure moves from one
    interval to the next is the width of a rectangular distribution, JCGM 100:2008, 4.3.7.
    """
    mine = [s for s in spots if s.pump == pump.id and era.start <= s.time < era.end]
    if not mine:
        return pd.DataFrame()
    times = pd.DatetimeIndex(frame["time"])
    place = times.searchsorted(pd.DatetimeIndex([s.time for s in mine]), side="right") - 1
    flows = [*header_columns(era, pump.suction_line), "suction_flow"]
    rows = frame.iloc[place][["time", *_ALWAYS, *flows]].reset_index(drop=True)
    state = frame["state"].to_numpy()[place]
    at = pd.DatetimeIndex([s.time for s in mine])
    rows["static_pressure"], moved = static_at(frame, place, at)
    rows["reading"] = [s.reading for s in mine]
    rows["reading_u"] = moved / np.sqrt(12.0)
    rows["instrument_u"] = [s.u for s in mine]
    rows["state"] = np.select(
        [state == "running", state == "standing"], ["running", "stopped"], "mixed"
    )
    rows["steady"] = frame["is_steady"].to_numpy()[place] | (state == "standing")
    rows["reading_coverage"] = 1.0
    return _labelled(rows, pump, [s.instrument for s in mine], spot=True)


def static_at(
    frame: pd.DataFrame, place: np.ndarray, at: pd.DatetimeIndex
) -> tuple[np.ndarray, np.ndarray]:
    """Static pressure at some moments [Pa], and how far it moves within their intervals [Pa]."""
    static = frame["static_pressure"].to_numpy(dtype=float)
    times = pd.DatetimeIndex(frame["time"])
    step = times[1:] - times[:-1]
    usual = step.min() if len(step) else pd.Timedelta(0)
    # Slope to the neighbour before and after; a gap beside the interval leaves one of them.
    near = np.where(step == usual, np.diff(static), np.nan)
    sides = np.array([np.r_[np.nan, near][place], np.r_[near, np.nan][place]])
    share = np.asarray((at - times[place]) / usual) - 0.5 if usual else np.zeros(len(at))
    towards = np.nan_to_num(np.where(share < 0.0, sides[0], sides[1]))
    return static[place] + towards * share, np.nan_to_num(np.fmax(*np.abs(sides)))


def read_hours(run: Run, line: str, months: Sequence[Month] | None = None) -> pd.DataFrame:
    """Read the hourly rows of one line, in time order within each pump.

    While the level of its source stood still for days, static pressure is not known.
    """
    if not run.stage.months(HOURS):
        return pd.DataFrame(columns=["line", "pump", "time", "spot", "reading"])
    stored = run.stage.months(HOURS)
    wanted = stored if months is None else [m for m in stored if m in set(months)]
    pieces = [
        run.stage.read_arrow(HOURS, [month], filters=[("line", "==", line)]).to_pandas()
        for month in wanted
    ]
    pieces = [p.assign(month=m) for m, p in zip(wanted, pieces, strict=True) if len(p)]
    if not pieces:
        return pd.DataFrame()
    hours = pd.concat(pieces, ignore_index=True)
    return without_stuck_level(hours, stuck_levels(run, line, wanted))
