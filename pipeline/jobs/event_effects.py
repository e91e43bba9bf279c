"""What each overhaul and cleaning brought back, and whether it has paid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.hydraulics.head import STANDARD_GRAVITY
from pipeline.jobs.baselines import Baseline, deviation_from, suction_part
from pipeline.jobs.context import Run
from pipeline.jobs.use import YEAR, hours_of, use_of
from pipeline.jobs.workers import MonthJob, MonthMade, Workers, build_months
from pipeline.months import Month, day_starts, months_between
from pipeline.performance.deviation import daily_deviation
from pipeline.performance.event_effects import (
    LEAST_DAYS,
    level,
    payback,
    regained,
    saved_energy,
)
from pipeline.performance.operating_points import STEADY
from pipeline.plant.side_files import Event

KINDS = ("overhaul", "impeller", "cleaning")
WINDOW = pd.Timedelta(days=30)
"""How far before and after an event the pump is looked at."""

EVENT_SIDES = "event_sides"
"""Working table: how a pump ran before and after an event, by the month of the event."""

_COLUMNS = (
    "pump", "time", "status", "flow", "flow_u_systematic", "flow_u_random", "total_head",
    "total_head_u_systematic", "total_head_u_random", "electrical_power",
    "electrical_power_u_systematic", "electrical_power_u_random", "shaft_power", "speed_ratio",
    "density", "suction_pressure", "suction_pressure_source", "suction_pressure_u_systematic",
    "suction_flow", "level_only_suction_pressure",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """An event, the spans beside it, until when it counts, and the baseline before it."""

    event: Event
    start: pd.Timestamp
    end: pd.Timestamp
    until: pd.Timestamp
    baseline: Baseline | None


def build_event_effects(
    run: Run, held: Workers, baselines: Sequence[Baseline], events: Sequence[Event]
) -> None:
    """Build ``event_effects``."""
    asked = [_asked(run, e, baselines, events) for e in events if e.kind in KINDS]
    by_month: dict[Month, list[_Asked]] = {}
    for one in asked:
        if one.event.time < run.as_of:
            by_month.setdefault(_month(run, one.event.time), []).append(one)
    jobs = []
    stored = set(run.stage.months("operating_points"))
    for month, mine in sorted(by_month.items()):
        needed = sorted({m for one in mine for m in _months(run, one)} & stored)
        parts = [
            EVENT_SIDES,
            1,
            run.fingerprints.perform,
            [(m, run.stage.digest("operating_points", m)) for m in needed],
            [_digest(one) for one in mine],
        ]
        jobs.append(MonthJob(month, {EVENT_SIDES: run.inputs("event_effects", parts)}, mine))
    build_months(run, held, "events", jobs, make_month)
    for month in set(run.stage.months(EVENT_SIDES)) - set(by_month):
        run.writable.remove(EVENT_SIDES, month)
    tables = (EVENT_SIDES, "daily_deviations", "suction_losses", "rolling_performance")
    inputs: list[object] = ["event_effects", 1, run.fingerprints.perform, run.as_of.isoformat()]
    inputs += [sorted(run.stage.digests(t).items()) for t in tables]
    inputs.append(repr([one.event for one in asked]))
    run.build("event_effects", None, inputs, lambda: _rows(run, asked))


def _asked(
    run: Run, event: Event, baselines: Sequence[Baseline], events: Sequence[Event]
) -> _Asked:
    """Take the spans beside an event, up to its neighbours."""
    others = [e.time for e in events if e.pump == event.pump and e.kind in KINDS]
    start = max([t for t in others if t < event.time] + [event.time - WINDOW])
    until = min([t for t in others if t > event.time] + [run.as_of])
    end = min(event.time + WINDOW, until)
    holding = [
        b
        for b in baselines
        if b.epoch.pump.id == event.pump
        and b.epoch.start < event.time <= b.epoch.end
        and b.curve is not None
        and b.curve.status_ == "ok"
    ]
    return _Asked(
        event=event, start=start, end=end, until=until, baseline=next(iter(holding), None)
    )


def _month(run: Run, time: pd.Timestamp) -> Month:
    return months_between(time, time + pd.Timedelta("1us"), run.zone)[0]


def _months(run: Run, one: _Asked) -> list[Month]:
    return months_between(one.start, max(one.end, one.start), run.zone)


def _digest(one: _Asked) -> list[str]:
    curve = one.baseline.curve if one.baseline else None
    text = "" if curve is None else curve.to_table().to_csv(index=False)
    return [repr(one.event), str(one.start), str(one.end), text]


def make_month(run: Run, month: Month, asked: Sequence[_Asked]) -> MonthMade:
    """Look at both sides of the events of a month."""
    pieces = [_sides(run, one) for one in asked]
    pieces = [p for p in pieces if len(p)]
    if not pieces:
        return MonthMade({EVENT_SIDES: None})
    rows = pa.Table.from_pandas(pd.concat(pieces, ignore_index=True), preserve_index=False)
    return MonthMade({EVENT_SIDES: rows})


def _sides(run: Run, one: _Asked) -> pd.DataFrame:
    """Daily values of both sides, all against the baseline from before the event."""
    stored = set(run.stage.months("operating_points"))
    months = sorted(set(_months(run, one)) & stored)
    if not months:
        return pd.DataFrame()
    points = run.read("operating_points", months, _COLUMNS)
    time = points["time"]
    mine = (points["pump"] == one.event.pump) & (points["status"] == STEADY)
    points = points[mine & (time >= one.start) & (time < one.end)].reset_index(drop=True)
    if points.empty:
        return pd.DataFrame()
    # The day of the event lies on both sides of it; its two parts stay apart.
    after = (points["time"] >= one.event.time).to_numpy()
    sides = [_daily(run, points[s].reset_index(drop=True), one) for s in (~after, after)]
    return pd.concat(
        [side.assign(after=flag) for side, flag in zip(sides, (False, True), strict=True)],
        ignore_index=True,
    )


def _daily(run: Run, points: pd.DataFrame, one: _Asked) -> pd.DataFrame:
    """One row per running day of a side."""
    grid = run.plant.station.grid
    day, days = pd.factorize(day_starts(pd.DatetimeIndex(points["time"]), run.zone), sort=True)
    power, flow = points["electrical_power"].to_numpy(), points["flow"].to_numpy()
    own = points["suction_flow"].to_numpy()
    measured = (points["suction_pressure_source"] == "measured").to_numpy()
    loss = (points["level_only_suction_pressure"] - points["suction_pressure"]).to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        coefficient = np.where(measured & (own > 0.0), loss / own**2, np.nan)
    known = np.isfinite(coefficient)

    def total(values: np.ndarray, rows: np.ndarray | None = None) -> np.ndarray:
        chosen = np.ones(len(points), dtype=bool) if rows is None else rows
        return np.bincount(day[chosen], values[chosen], len(days))

    count = total(known.astype(float))
    weight = points["density"].to_numpy() * STANDARD_GRAVITY * points["total_head"].to_numpy()
    with np.errstate(invalid="ignore", divide="ignore"):
        frame = pd.DataFrame(
            {
                "pump": one.event.pump,
                "event": one.event.time,
                "kind": one.event.kind,
                "day": days,
                "electrical_energy": total(power) * grid,
                "volume": total(flow) * grid,
                "loss_coefficient": total(np.nan_to_num(coefficient), known) / count,
                "flow_squared": total(own**2) / total(np.ones(len(points))),
                "specific_weight_head": total(weight * flow) / total(flow),
                "suction_part": total(suction_part(points)) / total(np.ones(len(points))),
                "measured": total(measured.astype(float)) / total(np.ones(len(points))) > 0.5,
                "head_deviation": np.nan,
                "efficiency_deviation": np.nan,
            }
        )
    b = one.baseline
    if b is None or b.curve is None or points.empty:
        return frame
    found = deviation_from(points, b)
    daily = daily_deviation(points, found, b.curve, time_zone=run.zone).set_index("time")
    for name in ("head_deviation", "efficiency_deviation"):
        frame[name] = daily[name].reindex(pd.DatetimeIndex(days)).to_numpy()
    return frame


def _rows(run: Run, asked: Sequence[_Asked]) -> pd.DataFrame:
    if not asked:
        return run.contract("event_effects").empty()
    months = run.stage.months(EVENT_SIDES)
    sides = run.stage.read_arrow(EVENT_SIDES, months).to_pandas() if months else pd.DataFrame()
    daily = run.read("daily_deviations")
    losses = run.read("suction_losses")
    hours = hours_of(run)
    rows = [_row(run, one, sides, daily, losses, hours) for one in asked]
    # An event written down twice is one event.
    return pd.DataFrame(rows).drop_duplicates(["pump", "time", "kind"], ignore_index=True)


def _row(
    run: Run,
    one: _Asked,
    sides: pd.DataFrame,
    daily: pd.DataFrame,
    losses: pd.DataFrame,
    hours: pd.DataFrame,
) -> dict[str, object]:
    event = one.event
    row: dict[str, object] = {
        c.name: np.nan for c in run.contract("event_effects").columns if c.kind == "number"
    }
    row |= {
        "pump": event.pump,
        "time": event.time,
        "kind": event.kind,
        "note": event.note,
        "event_cost": np.nan if event.cost is None else event.cost,
        "days_before": 0,
        "days_after": 0,
        "status": "no operating points beside it",
        "payback_status": "",
    }
    if sides.empty:
        return row
    mine = sides[
        (sides["pump"] == event.pump)
        & (sides["event"] == event.time)
        & (sides["kind"] == event.kind)
    ]
    before, after = mine[~mine["after"]], mine[mine["after"]]
    row["days_before"], row["days_after"] = len(before), len(after)
    if min(len(before), len(after)) < LEAST_DAYS:
        if len(mine):
            row["status"] = f"fewer than {LEAST_DAYS} running days before or after"
        return row
    gains = _gains(before, after)
    row |= gains.columns()
    if not np.isfinite(gains.share):
        row["status"] = "no baseline before it"
        return row
    row["status"] = "ok"
    return row | _money(run, one, gains, daily, losses, hours)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gains:
    """What an event brought back, each with its standard uncertainty."""

    head: tuple[float, float]
    efficiency: tuple[float, float]
    suction_loss: tuple[float, float]
    share: float
    share_u: float
    specific_energy: float
    before: float
    after: float
    per_pascal: float

    def columns(self) -> dict[str, object]:
        """Give them under the names of the table."""
        pairs = {
            "head_gain": self.head,
            "efficiency_gain": self.efficiency,
            "suction_loss_gain": self.suction_loss,
            "specific_energy_gain": (
                self.specific_energy * self.share,
                self.specific_energy * self.share_u,
            ),
        }
        values = {name: value for name, (value, _) in pairs.items()}
        spread = {f"{name}_u95": 2.0 * u for name, (_, u) in pairs.items()}
        return {**values, **spread, "specific_energy": self.specific_energy}


def _gains(before: pd.DataFrame, after: pd.DataFrame) -> _Gains:
    """Compare both sides; a calibration error that both share cancels."""
    found = {}
    for name in ("head_deviation", "efficiency_deviation", "loss_coefficient"):
        found[name] = [level(s[name], s["electrical_energy"]) for s in (before, after)]
    # Suction pressure from another source on the other side keeps its own error.
    alike = (before["measured"].mean() > 0.5) == (after["measured"].mean() > 0.5)
    parts = [float(s["suction_part"].mean()) for s in (before, after)]
    other = 0.0 if alike else float(np.hypot(parts[0], parts[1]))
    energy = after["electrical_energy"]
    square = float(np.average(after["flow_squared"], weights=energy))
    per_pascal = 1.0 / float(np.average(after["specific_weight_head"], weights=energy))
    old, new = found["loss_coefficient"]
    loss = (square * (old.mean - new.mean), square * float(np.hypot(old.u, new.u)))
    heads, efficiencies = found["head_deviation"], found["efficiency_deviation"]

    def gain(old_level: float, new_level: float, *u: float) -> tuple[float, float]:
        return new_level - old_level, float(np.sqrt(sum(part**2 for part in u)))

    d_before, d_after = efficiencies[0].mean, efficiencies[1].mean
    compared = regained(
        (d_before, float(np.hypot(efficiencies[0].u, other))),
        (d_after, efficiencies[1].u),
        energy_per_year=1.0,
        price=0.0,
    )
    # A strainer behind the suction tap shows in the deviation, one before it in the loss.
    from_suction, from_suction_u = (np.nan_to_num(part) * per_pascal for part in loss)
    return _Gains(
        head=gain(heads[0].mean, heads[1].mean, heads[0].u, heads[1].u, other),
        efficiency=gain(d_before, d_after, efficiencies[0].u, efficiencies[1].u, other),
        suction_loss=loss,
        share=compared.energy_per_year + float(from_suction),
        share_u=float(np.hypot(compared.energy_per_year_u, from_suction_u)),
        specific_energy=float(energy.sum() / after["volume"].sum()),
        before=d_before,
        after=d_after,
        per_pascal=per_pascal,
    )


def _money(
    run: Run,
    one: _Asked,
    gains: _Gains,
    daily: pd.DataFrame,
    losses: pd.DataFrame,
    hours: pd.DataFrame,
) -> dict[str, object]:
    """What has been saved so far, and when the event has paid."""
    event = one.event
    since = daily[(daily["pump"] == event.pump) & (daily["day"] >= event.time)]
    since = since[since["day"] < one.until]
    weight = since["electrical_energy"].to_numpy()
    # What was brought back wears off again: days are counted from the level just after.
    first = (since["day"] < one.end).to_numpy()
    change = since["efficiency_deviation"].to_numpy()
    change = change - (np.average(change[first], weights=weight[first]) if first.any() else 0.0)
    own = (1.0 + gains.after + change) / (1.0 + gains.before) - 1.0
    share = own + np.nan_to_num(gains.suction_loss[0]) * gains.per_pascal
    share = share - _fouled_again(event, since, losses, one.end) * gains.per_pascal
    used = use_of(run, hours, event.pump, event.time, one.until)
    saved, saved_u = saved_energy(used.energy, share, weight, gains.share, gains.share_u)
    yearly = YEAR / max(used.span, pd.Timedelta("1D")) * used.price
    cost = np.nan if event.cost is None else event.cost
    paid = payback(cost, saved * yearly, saved_u * yearly)
    return {
        "saved_energy": saved,
        "saved_energy_u95": 2.0 * saved_u,
        "saved_cost": saved * used.price,
        "saved_cost_u95": 2.0 * saved_u * used.price,
        "saved_cost_per_year": saved * yearly,
        "saved_cost_per_year_u95": 2.0 * saved_u * yearly,
        "payback_status": paid.status,
        "payback": paid.years,
        "payback_low": paid.low,
        "payback_high": paid.high,
    }


def _fouled_again(
    event: Event, since: pd.DataFrame, losses: pd.DataFrame, end: pd.Timestamp
) -> np.ndarray:
    """How much more the suction line loses on each day than just after the event [Pa]."""
    mine = losses[(losses["pump"] == event.pump) & (losses["day"] >= event.time.floor("D"))]
    extra = (mine["suction_loss"] - mine["reference_loss"]).to_numpy()
    if not len(extra):
        return np.zeros(len(since))
    early = (mine["day"] < end).to_numpy()
    level_after = float(np.mean(extra[early])) if early.any() else float(extra[0])
    series = pd.Series(extra - level_after, index=pd.DatetimeIndex(mine["day"]))
    days = pd.DatetimeIndex(since["day"]).floor("D")
    return np.asarray(series.reindex(days, method="ffill").fillna(0.0))
