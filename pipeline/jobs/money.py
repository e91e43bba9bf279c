"""Money and duty: monthly energy cost, duty profile, and one line per pump."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.jobs.baselines import Baseline
from pipeline.jobs.context import Run
from pipeline.jobs.perform import with_u95
from pipeline.months import Month
from pipeline.performance.operating_points import STEADY, motor_of
from pipeline.performance.rolling import SOURCES_BY_CERTAINTY
from pipeline.plant import Tariff

DUTY_BINS = 12
RECENT_DAYS = 30
YEAR_DAYS = 365.25


def build_money(run: Run) -> None:
    """Build ``energy_cost`` and ``duty_profile``."""
    months = run.stage.months("operating_points")
    pieces: dict[Month, list[str]] = {
        month: [
            run.stage.digest("operating_points", month),
            _digest_of(run, "daily_deviations", month),
        ]
        for month in months
    }
    inputs = ["energy_cost", 1, run.fingerprints.perform, sorted(pieces.items())]
    run.build("energy_cost", None, inputs, lambda: _energy_cost(run, months))
    inputs = ["duty_profile", 1, run.fingerprints.perform, sorted(pieces.items())]
    run.build("duty_profile", None, inputs, lambda: _duty_profile(run, months))


def _digest_of(run: Run, table: str, month: Month) -> str:
    return run.stage.digest(table, month) if run.stage.has(table, month) else ""


def _tariff(run: Run, time: pd.Timestamp) -> Tariff:
    return run.plant.at(time).tariff


def _energy_cost(run: Run, months: Sequence[Month]) -> pd.DataFrame:
    """One row per pump and month."""
    station = run.plant.station
    columns = (
        "pump", "time", "status", "flow", "electrical_power", "overall_efficiency",
        "static_pressure", "suction_pressure", "suction_flow", "velocity_pressure",
    )  # fmt: skip
    rows = []
    for done, month in enumerate(months):
        run.progress("energy cost", done, len(months))
        known = [c for c in columns if c != "velocity_pressure"]
        points = run.read("operating_points", [month], [*known, "level_only_suction_pressure"])
        deviations = run.read("daily_deviations", [month])
        price = _tariff(run, run.bounds(month)[0]).price
        for pump, mine in points.groupby("pump", sort=True, observed=True):
            energy = float(np.nansum(mine["electrical_power"]) * station.grid)
            compared = deviations[deviations["pump"] == pump]
            excess, excess_u = _excess(compared)
            steady = mine[mine["status"] == STEADY]
            # The friction loss is the fall from static less the velocity head at the tap.
            loss = steady["level_only_suction_pressure"] - steady["suction_pressure"]
            lost = loss * steady["suction_flow"] / steady["overall_efficiency"]
            loss_energy = float(np.nansum(lost.clip(lower=0.0)) * station.grid)
            cost = np.nan if price is None else price
            covered = float(compared["electrical_energy"].sum())
            rows.append(
                {
                    "pump": pump,
                    "month": month,
                    "running_time": len(mine) * station.grid,
                    "volume": float(np.nansum(mine["flow"]) * station.grid),
                    "electrical_energy": energy,
                    "electrical_cost": energy * cost,
                    "excess_energy": excess,
                    "excess_energy_u95": 2.0 * excess_u,
                    "excess_cost": excess * cost,
                    "excess_cost_u95": 2.0 * excess_u * cost,
                    "compared_share": covered / energy if energy > 0 else np.nan,
                    "suction_loss_energy": loss_energy,
                    "suction_loss_cost": loss_energy * cost,
                }
            )
    if not rows:
        return run.contract("energy_cost").empty()
    return pd.DataFrame(rows)


def _excess(daily: pd.DataFrame) -> tuple[float, float]:
    """Energy beyond the baseline and its standard uncertainty.

    Systematic parts of the days of a month share their cause and add up; random parts add in
    squares.
    """
    if daily.empty:
        return np.nan, np.nan
    energy = daily["electrical_energy"].to_numpy()
    excess = float(np.sum(energy - daily["expected_energy"].to_numpy()))
    systematic = np.sum(energy * daily["efficiency_deviation_u_systematic"].to_numpy())
    random = np.sqrt(np.sum((energy * daily["efficiency_deviation_u_random"].to_numpy()) ** 2))
    return excess, float(np.hypot(systematic, random))


def _duty_profile(run: Run, months: Sequence[Month]) -> pd.DataFrame:
    """Hours, volume and energy by flow bin and running combination."""
    grid = run.plant.station.grid
    columns = (
        "pump", "time", "status", "flow", "electrical_power", "hydraulic_power", "total_head",
    )  # fmt: skip
    edges = _flow_edges(run, months)
    sums: list[pd.DataFrame] = []
    for month in months:
        points = run.read("operating_points", [month], columns)
        together = _running_together(points)
        steady = (points["status"] == STEADY).to_numpy()
        if not steady.any():
            continue
        points, together = points[steady], together[steady]
        width = points["pump"].astype(str).map(edges).to_numpy(dtype=float)
        flow, power = points["flow"].to_numpy(), points["electrical_power"].to_numpy()
        binned = pd.DataFrame(
            {
                "pump": points["pump"].astype(str).to_numpy(),
                "combination": together,
                "bin": np.floor(flow / width).astype(np.int64),
                "running_time": grid,
                "volume": flow * grid,
                "electrical_energy": power * grid,
                "hydraulic": points["hydraulic_power"].to_numpy() * grid,
                "head_volume": points["total_head"].to_numpy() * flow * grid,
            }
        )
        sums.append(binned.groupby(["pump", "combination", "bin"], sort=True).sum().reset_index())
    if not sums:
        return run.contract("duty_profile").empty()
    keys = ["pump", "combination", "bin"]
    total = pd.concat(sums).groupby(keys, sort=True).sum().reset_index()
    step = total["pump"].map(edges)
    return pd.DataFrame(
        {
            "pump": total["pump"],
            "combination": total["combination"],
            "flow_low": total["bin"] * step,
            "flow_high": (total["bin"] + 1) * step,
            "running_time": total["running_time"],
            "volume": total["volume"],
            "electrical_energy": total["electrical_energy"],
            "total_head": total["head_volume"] / total["volume"],
            "overall_efficiency": total["hydraulic"] / total["electrical_energy"],
            "specific_energy": total["electrical_energy"] / total["volume"],
        }
    )


def _running_together(points: pd.DataFrame) -> np.ndarray:
    """Name for each row the pumps of the station that run in its interval."""
    code, names = pd.factorize(points["pump"].astype(str), sort=True)
    moment, _ = pd.factorize(points["time"])
    runs = np.zeros((int(moment.max()) + 1 if len(moment) else 0, len(names)), dtype=bool)
    runs[moment, code] = True
    patterns, pattern = np.unique(runs, axis=0, return_inverse=True)
    words = np.array([" + ".join(names[row]) for row in patterns], dtype=object)
    return words[np.ravel(pattern)[moment]] if len(moment) else np.array([], dtype=object)


def _flow_edges(run: Run, months: Sequence[Month]) -> dict[str, float]:
    """Width of a flow bin per pump: a round part of the highest flow of the first month.

    The first month with points decides, so that bins do not move as data arrive.
    """
    width: dict[str, float] = {}
    for month in months:
        points = run.read("operating_points", [month], ("pump", "status", "flow"))
        steady = points[points["status"] == STEADY]
        highest = steady.groupby(steady["pump"].astype(str))["flow"].quantile(0.95)
        for pump, flow in highest.items():
            width.setdefault(str(pump), _round_up(float(flow) / (0.8 * DUTY_BINS)))
        if len(width) == len(run.plant.pumps):
            break
    return width


def _round_up(value: float) -> float:
    """Round up to 1, 2 or 5 times a power of ten, in m³/h."""
    hourly = value * 3600.0
    power = 10.0 ** np.floor(np.log10(hourly))
    step = next(s for s in (1.0, 2.0, 5.0, 10.0) if hourly <= s * power * (1 + 1e-12))
    return float(step * power / 3600.0)


def build_pumps(run: Run, baselines: Sequence[Baseline]) -> None:
    """Build ``pumps``: the latest of everything, one row per pump."""
    tables = ("rolling_performance", "daily_deviations", "trends", "energy_cost", "flags")
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
    rows = [
        _pump_row(run, pump, daily, deviations, trends, flags, since) for pump in run.plant.pumps
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
) -> dict[str, object]:
    declared = run.plant.at(run.as_of).pumps.get(pump) or run.plant.pumps[pump][-1]
    mine = daily[daily["pump"] == pump]
    recent = mine[(mine["start"] >= since) & (mine["points"] > 0)]
    row: dict[str, object] = {
        "pump": pump,
        "suction_line": declared.suction_line,
        "first_time": mine["start"].min() if len(mine) else pd.NaT,
        "last_time": mine["start"].max() if len(mine) else pd.NaT,
        "driver_assumption": motor_of(declared)[1],
        "open_flags": int(((flags["pump"] == pump) & flags["closed"].isna()).sum()),
    }
    row |= _recent(recent)
    row |= _trend_figures(trends, pump)
    row |= _loss(run, deviations, pump, since, float(recent["electrical_energy"].sum()))
    row["note"] = _note(mine, recent)
    return row


def _recent(recent: pd.DataFrame) -> dict[str, object]:
    energy = recent["electrical_energy"].to_numpy()
    volume = recent["volume"].to_numpy()
    figures: dict[str, object] = {"running_time": float(recent["running_time"].sum())}
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
    run: Run,
    deviations: pd.DataFrame | None,
    pump: str,
    since: pd.Timestamp,
    recent_energy: float,
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
    excess, excess_u = _excess(mine)
    price = _tariff(run, run.as_of).price
    # The recent rate of use, carried on for a year.
    yearly = recent_energy * YEAR_DAYS / RECENT_DAYS * (np.nan if price is None else price)
    return {
        "efficiency_deviation": -excess / energy,
        "excess_cost_per_year": excess / energy * yearly,
        "excess_cost_per_year_u95": 2.0 * excess_u / energy * yearly,
    }


def _note(mine: pd.DataFrame, recent: pd.DataFrame) -> str:
    if mine.empty:
        return "never seen running"
    if recent.empty:
        return f"no operating points in the last {RECENT_DAYS} days of data"
    return ""
