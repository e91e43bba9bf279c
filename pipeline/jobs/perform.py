"""From operating points to rolling figures, baselines and daily deviations."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd

from pipeline.jobs.baseline_tables import baseline_rows, curve_rows
from pipeline.jobs.baselines import Baseline, deviation_from, learn, starts_of, suction_part
from pipeline.jobs.context import Run
from pipeline.jobs.pump_epochs import epochs_of
from pipeline.jobs.workers import MonthJob, MonthMade, Workers, build_months
from pipeline.months import Month, day_starts
from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.deviation import daily_deviation
from pipeline.performance.operating_points import STEADY
from pipeline.performance.reduction import reduce_points
from pipeline.performance.rolling import (
    ROLLING_COLUMNS,
    SOURCES_BY_CERTAINTY,
    rolling_performance,
)
from pipeline.plant.side_files import Event

_POINT_COLUMNS = (
    "pump", "time", "status", "flow", "flow_u_systematic", "flow_u_random", "total_head",
    "total_head_u_systematic", "total_head_u_random", "electrical_power",
    "electrical_power_u_systematic", "electrical_power_u_random", "shaft_power", "speed_ratio",
    "density", "suction_pressure_source", "suction_pressure", "static_pressure",
    "suction_pressure_u_systematic", "suction_pressure_u_unexplained",
    "level_only_total_head", "suction_flow", "hydraulic_power",
)  # fmt: skip


def roll_up(run: Run, held: Workers) -> None:
    """Build ``rolling_performance`` for every month of operating points."""
    months = run.stage.months("operating_points")
    jobs = []
    for month in months:
        parts = ["rolling", 1, run.stage.digest("operating_points", month), run.zone]
        jobs.append(MonthJob(month, {ROLLING: run.inputs(ROLLING, parts)}))
    build_months(run, held, "rolling performance", jobs, roll_month)
    _drop_others(run, ROLLING, months)


ROLLING = "rolling_performance"


def roll_month(run: Run, month: Month, _: object) -> MonthMade:
    """Make the hours and days of a month."""
    points = run.read("operating_points", [month], ROLLING_COLUMNS)
    found = rolling_performance(points, run.plant.station.grid, run.zone)
    return MonthMade(
        {ROLLING: run.publish(ROLLING, with_u95(found, "overall_efficiency", "pump_efficiency"))}
    )


def with_u95(frame: pd.DataFrame, *names: str) -> pd.DataFrame:
    """Add the expanded uncertainty (k = 2) beside its two standard parts."""
    added = {
        f"{name}_u95": 2.0
        * np.hypot(
            frame[f"{name}_u_systematic"].to_numpy(dtype=float),
            frame[f"{name}_u_random"].to_numpy(dtype=float),
        )
        for name in names
    }
    return frame.assign(**added)


def _drop_others(run: Run, table: str, months: Sequence[Month]) -> None:
    for month in set(run.stage.months(table)) - set(months):
        run.writable.remove(table, month)


def find_baselines(run: Run, held: Workers, events: Iterable[Event]) -> list[Baseline]:
    """Learn every baseline and build its two tables."""
    epochs = [
        epoch
        for versions in run.plant.pumps.values()
        for epoch in epochs_of(versions, events, run.as_of)
    ]
    baselines = held.map_with_run(run, "baselines", learn, epochs)
    inputs = [
        "baselines", 1, run.fingerprints.perform, _points_digest(run), starts_of(baselines)
    ]  # fmt: skip
    run.build("baselines", None, inputs, lambda: baseline_rows(baselines))
    curves = curve_rows(baselines)
    if len(curves):
        run.build("baseline_curves", None, inputs, lambda: curves)
    else:
        run.writable.remove("baseline_curves")
    return baselines


def _points_digest(run: Run) -> list[list[str]]:
    return [list(item) for item in sorted(run.stage.digests(run.learning_points).items())]


def compare(run: Run, held: Workers, baselines: Sequence[Baseline]) -> None:
    """Build ``daily_deviations`` month by month."""
    months = run.stage.months("operating_points")
    curves = {id(b): _curves_digest(b) for b in baselines}
    jobs = []
    for month in months:
        start, end = run.bounds(month)
        holding = [b for b in baselines if b.epoch.start < end and b.epoch.end > start]
        parts = [
            "deviations",
            1,
            run.fingerprints.perform,
            run.stage.digest("operating_points", month),
            [[*_span_of(b, end), *curves[id(b)]] for b in holding],
        ]
        jobs.append(MonthJob(month, {DEVIATIONS: run.inputs(DEVIATIONS, parts)}, holding))
    build_months(run, held, "deviations", jobs, compare_month)
    _drop_others(run, DEVIATIONS, months)


DEVIATIONS = "daily_deviations"


def compare_month(run: Run, month: Month, holding: Sequence[Baseline]) -> MonthMade:
    """Make the daily deviations of a month under the baselines that hold in it."""
    points = run.read("operating_points", [month], _POINT_COLUMNS)
    points = points[points["status"] == STEADY]
    pieces = [daily_rows(points, b, run.zone, run.plant.station.grid) for b in holding]
    pieces = [p for p in pieces if len(p)]
    rows = None
    if pieces:
        # Of a day cut by an overhaul the part with more points stands.
        rows = pd.concat(pieces, ignore_index=True).sort_values(
            ["pump", "day", "points"], kind="stable"
        )
        rows = rows.drop_duplicates(["pump", "day"], keep="last")
    return MonthMade({DEVIATIONS: run.publish(DEVIATIONS, rows)})


def _span_of(b: Baseline, end: pd.Timestamp) -> list[str]:
    # An epoch that is open ends with the data: cut to the month, it rests.
    return [b.epoch.pump.id, str(b.epoch.start), str(min(b.epoch.end, end)), b.suction_source]


def _curves_digest(b: Baseline) -> list[str]:
    curves = (b.curve, b.level_only)
    return ["" if c is None else c.to_table().to_csv(index=False) for c in curves]


def daily_rows(points: pd.DataFrame, b: Baseline, zone: str, grid: float) -> pd.DataFrame:
    """Give the rows of ``daily_deviations`` of one pump under one baseline.

    Parameters
    ----------
    points : DataFrame
        Steady operating points of any pumps and times, SI.
    b : Baseline
        The baseline; its pump and epoch pick the points.
    zone : str
        IANA name of the zone whose days are meant [-].
    grid : float
        Length of an interval [s].

    Returns
    -------
    DataFrame
        One row per day with points in the baseline's range, columns as in the contract; empty
        without a baseline or without points.
    """
    within = (
        (points["pump"] == b.epoch.pump.id)
        & (points["time"] >= b.epoch.start)
        & (points["time"] < b.epoch.end)
    )
    mine = points[within].reset_index(drop=True)
    if b.curve is None or b.curve.status_ != "ok" or mine.empty:
        return pd.DataFrame()
    found = deviation_from(mine, b)
    daily = daily_deviation(mine, found, b.curve, time_zone=zone, mean_flow=True).rename(
        columns={"time": "day", "n_points": "points"}
    )
    if daily.empty:
        return daily
    ok = (found["deviation_status"] == "ok").to_numpy()
    day = day_starts(pd.DatetimeIndex(mine["time"])[ok], zone)
    days = pd.DatetimeIndex(daily["day"])
    power = mine["electrical_power"].to_numpy()[ok]
    energy = np.bincount(days.get_indexer(day), power, len(days)) * grid
    source = _usual_source(days, day, mine["suction_pressure_source"].to_numpy()[ok])
    level_only = _level_only(mine, b.level_only, zone).reindex(days).to_numpy()
    # What an error of the suction pressure, the same all day, does to head and efficiency.
    at = days.get_indexer(day)
    count = np.bincount(at, minlength=len(days))
    suction_u, unexplained = (
        np.bincount(at, suction_part(mine, name)[ok], len(days)) / count
        for name in ("systematic", "unexplained")
    )
    return daily.assign(
        pump=b.epoch.pump.id,
        suction_u_systematic=suction_u,
        suction_u_unexplained=unexplained,
        electrical_energy=energy,
        expected_energy=energy * (1.0 + daily["efficiency_deviation"].to_numpy()),
        suction_pressure_source=source,
        level_only_efficiency_deviation=level_only,
    )


def _usual_source(days: pd.DatetimeIndex, day: pd.DatetimeIndex, source: np.ndarray) -> np.ndarray:
    """Name for each day the source most of its points rest on; the more certain of equals."""
    rank = pd.Index(SOURCES_BY_CERTAINTY).get_indexer(pd.Index(source.astype(str)))
    width = len(SOURCES_BY_CERTAINTY)
    counts = np.bincount(days.get_indexer(day) * width + rank, minlength=len(days) * width)
    return np.array(SOURCES_BY_CERTAINTY)[counts.reshape(-1, width).argmax(axis=1)]


def _level_only(points: pd.DataFrame, curve: BaselineCurve | None, zone: str) -> pd.Series:
    """Daily efficiency deviation that level without losses would have claimed.

    Only this one figure is wanted, so the head of the level-only assumption is compared with
    its own baseline directly, as ``deviation`` and ``daily_deviation`` would.
    """
    if curve is None or curve.status_ != "ok":
        return pd.Series(dtype=float)
    other = points.assign(total_head=points["level_only_total_head"])
    reduced = reduce_points(other, curve.power, curve.density)
    flow, power = reduced["flow"].to_numpy(), reduced[curve.power].to_numpy()
    with np.errstate(divide="ignore", invalid="ignore"):
        head_ratio = reduced["total_head"].to_numpy() / curve.predict_head(flow)
        found = head_ratio * curve.predict_power(flow) / power - 1.0
    ok = np.isfinite(found)
    code, days = pd.factorize(day_starts(pd.DatetimeIndex(points["time"])[ok], zone), sort=True)
    total = np.bincount(code, power[ok], len(days))
    return pd.Series(np.bincount(code, (power * found)[ok], len(days)) / total, index=days)
