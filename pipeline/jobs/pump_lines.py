"""One line per pump: what the latest night says of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.jobs.baselines import Baseline
from pipeline.jobs.context import Run
from pipeline.jobs.money import excess_energy
from pipeline.jobs.perform import with_u95
from pipeline.jobs.use import hours_of, use_of
from pipeline.performance.operating_points import STATUSES, STEADY
from pipeline.performance.rolling import SOURCES_BY_CERTAINTY
from pipeline.performance.shaft_power import motor_of

RECENT_DAYS = 30


def build_pumps(run: Run, baselines: Sequence[Baseline]) -> None:
    """Build ``pumps``: the latest of everything, one row per pump."""
    tables = ("rolling_performance", "daily_deviations", "trends", "operating_points", "flags")
    inputs = ["pumps", 1, run.fingerprints.perform, run.as_of.isoformat()]
    inputs += [sorted(run.stage.digests(t).items()) for t in tables]
    run.build("pumps", None, inputs, lambda: _pump_rows(run, baselines))


def _pump_rows(run: Run, baselines: Sequence[Baseline]) -> pd.DataFrame:
    months = run.stage.months("rolling_performance")
    recent_months = months[-3:]
    daily = run.read("rolling_performance", months)
    daily = daily[daily["period"] == "day"]
    deviations = run.read("daily_deviations", recent_months) if recent_months else None
    trends, flags = run.read("trends"), run.read("flags")
    since = run.as_of - pd.Timedelta(days=RECENT_DAYS)
    hours = hours_of(run, months=3)
    # The recent rate of use at the present price of its hours, carried on for a year.
    yearly = {
        pump: use_of(run, hours, pump, since, cost="cost_now").cost_per_year
        for pump in run.plant.pumps
    }
    counted = _counted(run, since)
    rows = [
        _pump_row(run, pump, daily, deviations, trends, flags, since, yearly[pump], counted)
        for pump in run.plant.pumps
    ]
    frame = pd.DataFrame(rows)
    return with_u95(frame, "overall_efficiency", "pump_efficiency")


def _pump_row(
    run: Run,
    pump: str,
    daily: pd.DataFrame,
    deviations: pd.DataFrame | None,
    trends: pd.DataFrame,
    flags: pd.DataFrame,
    since: pd.Timestamp,
    yearly: float,
    counted: pd.DataFrame,
) -> dict[str, object]:
    declared = run.plant.at(run.as_of).pumps.get(pump) or run.plant.pumps[pump][-1]
    mine = daily[daily["pump"] == pump]
    lately = mine[mine["start"] >= since]
    recent = lately[lately["points"] > 0]
    row: dict[str, object] = {
        "pump": pump,
        "suction_line": declared.suction_line,
        "first_time": mine["start"].min() if len(mine) else pd.NaT,
        "last_time": mine["start"].max() if len(mine) else pd.NaT,
        "driver_assumption": motor_of(declared)[1],
        "open_flags": int(((flags["pump"] == pump) & flags["closed"].isna()).sum()),
    }
    row |= {"running_time": float(lately["running_time"].sum())} | _recent(recent)
    row |= _trend_figures(trends, pump)
    row |= _loss(deviations, pump, since, yearly)
    row["note"] = _note(mine, counted[counted["pump"] == pump])
    return row


def _recent(recent: pd.DataFrame) -> dict[str, object]:
    energy = recent["electrical_energy"].to_numpy()
    volume = recent["volume"].to_numpy()
    figures: dict[str, object] = {}
    known = energy.sum() > 0
    for name in ("overall_efficiency", "pump_efficiency"):
        for suffix in ("", "_u_systematic"):
            values = recent[name + suffix].to_numpy()
            figures[name + suffix] = _weighted(values, energy) if known else np.nan
        random = recent[f"{name}_u_random"].to_numpy()
        figures[f"{name}_u_random"] = (
            float(np.sqrt(np.nansum((random * energy) ** 2)) / energy.sum())
            if known and np.isfinite(random).any()
            else np.nan
        )
    figures["flow"] = _weighted(recent["flow"].to_numpy(), recent["running_time"].to_numpy())
    figures["total_head"] = _weighted(recent["total_head"].to_numpy(), volume)
    figures["specific_energy"] = _weighted(recent["specific_energy"].to_numpy(), volume)
    points = recent["points"].to_numpy(dtype=float)
    figures["measured_suction"] = _weighted(recent["measured_suction"].to_numpy(), points)
    sources = set(recent["suction_pressure_source"].dropna().astype(str))
    worst = [s for s in SOURCES_BY_CERTAINTY if s in sources]
    # What most points rest on; where that is no gauge, the least certain source among them.
    mostly = float(figures["measured_suction"]) > 0.5  # type: ignore[arg-type]
    figures["suction_pressure_source"] = "measured" if mostly else worst[-1] if worst else None
    claimed = _weighted(recent["level_only_overall_efficiency"].to_numpy(), energy)
    figures["level_only_overall_efficiency"] = claimed
    actual = figures["overall_efficiency"]
    figures["level_only_efficiency_error"] = claimed - float(actual)  # type: ignore[arg-type]
    return figures


def _weighted(values: np.ndarray, weight: np.ndarray) -> float:
    known = np.isfinite(values) & (weight > 0)
    if not known.any():
        return float("nan")
    return float(np.sum(values[known] * weight[known]) / np.sum(weight[known]))


def _trend_figures(trends: pd.DataFrame, pump: str) -> dict[str, object]:
    mine = trends[
        (trends["pump"] == pump)
        & (trends["assumption"] == "as_used")
        & (trends["quantity"] == "efficiency")
    ]
    if mine.empty:
        return {
            "efficiency_rate": np.nan,
            "efficiency_rate_low": np.nan,
            "efficiency_rate_high": np.nan,
            "trend_status": "no baseline",
        }
    last = mine.sort_values("start").iloc[-1]
    return {
        "efficiency_rate": last["rate"],
        "efficiency_rate_low": last["rate_low"],
        "efficiency_rate_high": last["rate_high"],
        "trend_status": last["status"],
    }


def _loss(
    deviations: pd.DataFrame | None,
    pump: str,
    since: pd.Timestamp,
    yearly: float,
) -> dict[str, object]:
    nothing = {
        "efficiency_deviation": np.nan,
        "excess_cost_per_year": np.nan,
        "excess_cost_per_year_u95": np.nan,
    }
    if deviations is None:
        return dict(nothing)
    mine = deviations[(deviations["pump"] == pump) & (deviations["day"] >= since)]
    energy = float(mine["electrical_energy"].sum())
    if energy <= 0:
        return dict(nothing)
    excess, excess_u = excess_energy(mine)
    return {
        "efficiency_deviation": -excess / energy,
        "excess_cost_per_year": excess / energy * yearly,
        "excess_cost_per_year_u95": 2.0 * excess_u / energy * yearly,
    }


def _counted(run: Run, since: pd.Timestamp) -> pd.DataFrame:
    """Intervals since an instant by pump and status, the most first."""
    months = run.stage.months("operating_points")[-3:]
    points = run.read("operating_points", months or None, ("pump", "time", "status"))
    points = points[points["time"] >= since]
    keys = [points[name].astype(str) for name in ("pump", "status")]
    counted = points.groupby(keys).size().rename("intervals").reset_index()
    return counted.sort_values("intervals", ascending=False, kind="stable")


def _note(mine: pd.DataFrame, counted: pd.DataFrame) -> str:
    """Say what is missing where less than half of the intervals are operating points."""
    if mine.empty:
        return "never seen running"
    total = int(counted["intervals"].sum())
    days = f"the last {RECENT_DAYS} days of data"
    if not total:
        return f"did not run in {days}"
    others = counted[counted["status"] != STEADY]
    points = total - int(others["intervals"].sum())
    if 2 * points >= total:
        return ""
    most = others.iloc[0]
    few = f"only {points} of {total}" if points else f"none of {total}"
    return (
        f"{few} intervals in {days} are operating points; {most['intervals']} are none because: "
        f"{STATUSES[str(most['status'])]}"
    )
