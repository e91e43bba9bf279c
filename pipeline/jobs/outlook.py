"""When each pump crosses its limits, and when an overhaul would cost least."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.jobs.baselines import Baseline, starts_of
from pipeline.jobs.context import Run
from pipeline.jobs.use import hours_of, use_of
from pipeline.performance.event_effects import level
from pipeline.performance.outlook import K95, outlook, overhaul_due, overhaul_timing
from pipeline.performance.trend import DAYS_PER_YEAR, Trend

QUANTITIES = ("efficiency", "head")
LEVEL_DAYS = 30
FARTHEST_DAYS = 50.0 * DAYS_PER_YEAR


def build_outlook(run: Run, baselines: Sequence[Baseline]) -> None:
    """Build ``outlook``."""
    tables = ("trends", "daily_deviations", "rolling_performance")
    inputs: list[object] = ["outlook", 1, run.fingerprints.perform, run.as_of.isoformat()]
    inputs += [sorted(run.stage.digests(t).items()) for t in tables]
    inputs.append(starts_of(baselines))
    run.build("outlook", None, inputs, lambda: _rows(run, baselines))


def _rows(run: Run, baselines: Sequence[Baseline]) -> pd.DataFrame:
    """One row per pump and quantity, under the baseline that holds now."""
    latest = {b.epoch.pump.id: b for b in baselines}
    if not latest:
        return run.contract("outlook").empty()
    trends = run.read("trends")
    months = run.stage.months("daily_deviations")[-3:]
    daily = run.read("daily_deviations", months) if months else run.read("daily_deviations")
    hours = hours_of(run, months=14)
    rows = []
    for pump, b in latest.items():
        mine = daily[(daily["pump"] == pump) & (daily["day"] >= b.epoch.start)]
        for quantity in QUANTITIES:
            row = _row(run, b, quantity, trends, mine)
            if quantity == "efficiency":
                row |= _overhaul(b, row, use_of(run, hours, pump).cost_per_year)
            row.pop(MIDDLE, None)
            rows.append(row)
    return pd.DataFrame(rows)


def _row(
    run: Run, b: Baseline, quantity: str, trends: pd.DataFrame, daily: pd.DataFrame
) -> dict[str, object]:
    pump = b.epoch.pump
    limit = getattr(pump.maintenance, f"{quantity}_loss_limit")
    mine = trends[
        (trends["pump"] == pump.id)
        & (trends["start"] == b.epoch.start)
        & (trends["assumption"] == "as_used")
        & (trends["quantity"] == quantity)
    ]
    row: dict[str, object] = dict.fromkeys(
        (c.name for c in run.contract("outlook").columns), np.nan
    )
    row |= {
        "pump": pump.id,
        "quantity": quantity,
        "start": b.epoch.start,
        "threshold": -limit,
        "status": "no_trend",
        "reason": "no baseline" if mine.empty else str(mine["status"].iloc[0]),
        **dict.fromkeys(_TIMES, pd.NaT),
    }
    if mine.empty or row["reason"] != "ok" or daily.empty:
        return row
    trend = mine.iloc[0]
    value, u, middle = _level_now(daily, quantity)
    row |= {
        "level": value,
        "level_u95": 2.0 * u,
        "rate": trend["rate"],
        "rate_low": trend["rate_low"],
        "rate_high": trend["rate_high"],
        "last_day": trend["last_day"],
        "reason": "",
    }
    found = outlook(
        Trend(
            "ok",
            slope_per_year=float(trend["rate"]),
            slope_u=_rate_u(row),
            level_now=value,
            level_now_u=u,
        ),
        -limit,
    )
    row["status"] = found.status
    if found.status != "no_trend":
        for name, days in (
            ("time", found.days),
            ("earliest", found.days_lower95),
            ("latest", found.days_upper95),
        ):
            row[f"reach_{name}"] = _after(middle, days, pd.Timestamp(trend["last_day"]))
    return row | {MIDDLE: middle}


def _rate_u(row: dict[str, object]) -> float:
    """Standard uncertainty of a rate, from its interval."""
    return (float(row["rate_high"]) - float(row["rate_low"])) / (2.0 * K95)  # type: ignore[arg-type]


_TIMES = (
    "last_day", "reach_time", "reach_earliest", "reach_latest",
    "overhaul_time", "overhaul_earliest", "overhaul_latest",
)  # fmt: skip


MIDDLE = "middle"
"""Day for which the level of a row stands."""


def _level_now(daily: pd.DataFrame, quantity: str) -> tuple[float, float, pd.Timestamp]:
    """Deviation over the last days with any, its standard uncertainty, and their mean day.

    A level of a month is that of the month's middle: from there on the loss goes on growing.
    """
    name = f"{quantity}_deviation"
    recent = daily[daily["day"] >= daily["day"].max() - pd.Timedelta(days=LEVEL_DAYS)]
    found = level(recent[name], recent["electrical_energy"])
    systematic = float(recent[f"{name}_u_systematic"].mean())
    known = recent[name].notna() & (recent["electrical_energy"] > 0.0)
    lag = (recent.loc[known, "day"] - daily["day"].max()) / pd.Timedelta("1D")
    weight = recent.loc[known, "electrical_energy"]
    mean = float(np.average(lag, weights=weight)) if known.any() else 0.0
    middle = daily["day"].max() + pd.Timedelta(days=mean)
    return found.mean, float(np.hypot(found.u, systematic)), middle


def _after(day: pd.Timestamp, days: float, last: pd.Timestamp) -> pd.Timestamp:
    """Give the day so many days on, but none before the last one that is known."""
    if not np.isfinite(days) or days > FARTHEST_DAYS:
        return pd.NaT  # type: ignore[return-value]
    return max((day + pd.Timedelta(days=days)).floor("D"), last)


def _overhaul(b: Baseline, row: dict[str, object], yearly: float) -> dict[str, object]:
    """When an overhaul costs least, as the loss stands and grows now."""
    cost = b.epoch.pump.maintenance.overhaul_cost
    found: dict[str, object] = {
        "overhaul_cost": np.nan if cost is None else cost,
        "energy_cost_per_year": yearly,
    }
    rate = float(row["rate"])  # type: ignore[arg-type]
    if cost is None or not np.isfinite(yearly * rate) or yearly <= 0.0:
        return found
    timing = overhaul_timing(cost, -rate * yearly)
    found["loss_growth"] = -rate * yearly
    grows = np.isfinite(timing.interval)
    found["overhaul_interval"] = timing.interval if grows else np.nan
    found["overhaul_mean_cost"] = timing.mean_cost if grows else np.nan
    due = overhaul_due(
        (float(row["level"]), float(row["level_u95"]) / 2.0),  # type: ignore[arg-type]
        (rate, _rate_u(row)),
        cost,
        yearly,
    )
    middle, last = pd.Timestamp(row[MIDDLE]), pd.Timestamp(row["last_day"])  # type: ignore[arg-type]
    for name, years in (
        ("time", due.years), ("earliest", due.earliest), ("latest", due.latest)
    ):  # fmt: skip
        found[f"overhaul_{name}"] = _after(middle, years * DAYS_PER_YEAR, last)
    return found
