"""Energy, money and duty by month.

Tables ``energy_cost``, ``operating_regions``, ``interval_counts`` and ``duty_profile``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.jobs.baselines import Baseline
from pipeline.jobs.context import Run
from pipeline.jobs.duty import DUTY_SUMS, duty_profile, duty_sums, flow_widths
from pipeline.jobs.workers import MonthJob, MonthMade, Workers, build_months
from pipeline.months import Month, day_starts
from pipeline.performance.economics import (
    JOULES_PER_KWH,
    EnergyCost,
    TimeOfUse,
    lost_energy,
    suction_loss_power,
)
from pipeline.performance.operating_hours import operating_hours
from pipeline.performance.operating_points import ALLOCATED, STATUSES, STEADY, ran
from pipeline.plant import Plant, Pump
from pipeline.tables.store import inputs_digest

_TABLES = ("energy_cost", "operating_regions", "interval_counts")
_COLUMNS = (
    "pump", "time", "status", "flow", "suction_flow", "speed_ratio", "total_head",
    "electrical_power", "hydraulic_power", "overall_efficiency",
    "overall_efficiency_u_systematic", "overall_efficiency_u_random", "npsh_available",
    "static_pressure_u_systematic", "suction_pressure", "suction_pressure_source",
    "suction_pressure_u_systematic", "suction_pressure_u_random", "level_only_suction_pressure",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class MonthNeeds:
    """What a month needs beside its own points and deviations.

    Parameters
    ----------
    best_flows : tuple
        Pump, start, end (UTC) and best efficiency flow [m3/s] of each baseline that holds.
    widths : dict of str to float
        Width of a flow bin by pump [m3/s].
    losses : DataFrame
        Days of ``suction_losses`` of the month, with their standard uncertainty ``loss_u`` [Pa].
    """

    best_flows: tuple[tuple[str, pd.Timestamp, pd.Timestamp, float], ...]
    widths: dict[str, float]
    losses: pd.DataFrame


def build_money(run: Run, held: Workers, baselines: Sequence[Baseline]) -> None:
    """Build the tables of each month, and ``duty_profile``."""
    months = run.stage.months("operating_points")
    widths = flow_widths(run, months)
    losses = _with_uncertainty(run)
    jobs = []
    for month in months:
        needs = _needs(run, month, baselines, widths, losses)
        parts = [
            "money",
            1,
            run.fingerprints.perform,
            run.stage.digest("operating_points", month),
            _digest_of(run, "daily_deviations", month),
            repr(needs.best_flows),
            sorted(widths.items()),
            needs.losses.to_csv(index=False),
        ]
        inputs = {name: run.inputs(name, parts) for name in _TABLES}
        inputs[DUTY_SUMS] = inputs_digest(DUTY_SUMS, parts)
        jobs.append(MonthJob(month, inputs, needs))
    build_months(run, held, "energy and money", jobs, make_month)
    for table in (*_TABLES, DUTY_SUMS):
        for month in set(run.stage.months(table)) - set(months):
            run.writable.remove(table, month)
    inputs_of_duty = ["duty_profile", 1, sorted(run.stage.digests(DUTY_SUMS).items())]
    inputs_of_duty.append(sorted(widths.items()))
    run.build("duty_profile", None, inputs_of_duty, lambda: duty_profile(run, widths))


def make_month(run: Run, month: Month, needs: MonthNeeds) -> MonthMade:
    """Make the sums of a month from one reading of its points."""
    points = run.read("operating_points", [month], _COLUMNS)
    deviations = run.read("daily_deviations", [month])
    price, emissions = energy_prices(run.plant, pd.DatetimeIndex(points["time"]))
    points = points.assign(price=price, emissions_factor=emissions)
    costs, regions = [], []
    for name, mine in points.groupby(points["pump"].astype(str), sort=True):
        pump = str(name)
        compared = deviations[deviations["pump"] == pump]
        fouled = needs.losses[needs.losses["pump"] == pump]
        key = {"pump": pump, "month": month}
        costs.append(key | _energy_cost(run, mine, compared, fouled))
        regions.append(key | _regions(run, pump, mine, needs))
    sums = duty_sums(points, run.plant.station.grid, needs.widths)
    return MonthMade(
        {
            "energy_cost": run.publish("energy_cost", _frame(costs)),
            "operating_regions": run.publish("operating_regions", _frame(regions)),
            "interval_counts": run.publish(
                "interval_counts", _counts(points, month, run.plant.station.grid)
            ),
            DUTY_SUMS: None if sums is None else pa.Table.from_pandas(sums, preserve_index=False),
        }
    )


def _counts(points: pd.DataFrame, month: Month, grid: float) -> pd.DataFrame:
    """Count the intervals of each pump by what became of them."""
    keys = [points[name].astype(str).rename(name) for name in ("pump", "status")]
    grouped = points["electrical_power"].groupby(keys, sort=True)
    found = pd.DataFrame(
        {"intervals": grouped.size(), "electrical_energy": grouped.sum(min_count=1) * grid}
    ).reset_index()
    return found.assign(
        month=month, meaning=found["status"].map(STATUSES), interval_time=found["intervals"] * grid
    )


def _frame(rows: list[dict[str, object]]) -> pd.DataFrame | None:
    return pd.DataFrame(rows) if rows else None


def _digest_of(run: Run, table: str, month: Month) -> str:
    return run.stage.digest(table, month) if run.stage.has(table, month) else ""


def _needs(
    run: Run,
    month: Month,
    baselines: Sequence[Baseline],
    widths: dict[str, float],
    losses: pd.DataFrame,
) -> MonthNeeds:
    start, end = run.bounds(month)
    best = [
        (b.epoch.pump.id, max(b.epoch.start, start), min(b.epoch.end, end), _best_flow(b))
        for b in baselines
        if b.epoch.start < end and b.epoch.end > start
    ]
    inside = (losses["day"] >= start.floor("D")) & (losses["day"] < end)
    return MonthNeeds(
        best_flows=tuple(best), widths=widths, losses=losses[inside].reset_index(drop=True)
    )


def _best_flow(b: Baseline) -> float:
    curve = b.curve
    return float("nan") if curve is None or curve.status_ != "ok" else curve.best_efficiency_flow_


def _with_uncertainty(run: Run) -> pd.DataFrame:
    """Days of suction loss, each with the scatter of a reading about the first fit of its line.

    The scatter is not averaged over the hours of a day: what makes it is much the same all day.
    """
    losses, fits = run.read("suction_losses"), run.read("suction_fits")
    first = fits.sort_values("month", kind="stable").drop_duplicates("line")
    scatter = dict(zip(first["line"].astype(str), first["residual_u"], strict=True))
    line = {name: versions[-1].suction_line for name, versions in run.plant.pumps.items()}
    u = [float(scatter.get(line.get(str(p), ""), np.nan)) for p in losses["pump"]]
    return losses.assign(loss_u=np.nan_to_num(np.array(u, dtype=float)))


def energy_prices(
    plant: Plant, time: pd.DatetimeIndex, at: pd.Timestamp | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Price and emissions of energy at some instants.

    Parameters
    ----------
    plant : Plant
        Its tariffs, each from its date on.
    time : DatetimeIndex
        Interval starts, UTC.
    at : Timestamp, optional
        Go by the tariff of this instant throughout, as for what is to come.

    Returns
    -------
    tuple of ndarray
        Price [currency/J] and emissions factor [kg/J]; NaN where none is declared.
    """
    price, factor = np.full(len(time), np.nan), np.full(len(time), np.nan)
    for tariff in sorted(plant.tariffs, key=lambda t: t.valid_from):
        rows = np.asarray(time >= tariff.valid_from)
        if at is not None:
            rows = np.full(len(time), at >= tariff.valid_from)
        if tariff.week:
            week = TimeOfUse(
                price=tuple(p * JOULES_PER_KWH for p in tariff.week),
                time_zone=plant.station.time_zone,
            )
            price[rows] = week.at(time[rows]) / JOULES_PER_KWH
        else:
            price[rows] = np.nan if tariff.price is None else tariff.price
        factor[rows] = np.nan if tariff.emissions_factor is None else tariff.emissions_factor
    return price, factor


def _energy_cost(
    run: Run, mine: pd.DataFrame, compared: pd.DataFrame, fouled: pd.DataFrame
) -> dict[str, object]:
    """The energy of one pump in one month, what it cost, and what of it was lost."""
    grid = run.plant.station.grid
    power, flow = mine["electrical_power"], mine["flow"]
    used = np.nan_to_num(power.to_numpy()) * grid
    # A pump without a meter has not used nothing.
    energy = float(used.sum()) if power.notna().any() else np.nan
    unmetered = np.nan if np.isnan(energy) else 1.0
    row: dict[str, object] = {
        "running_time": float(ran(mine).sum()) * grid,
        "volume": float(np.nansum(flow) * grid) if flow.notna().any() else np.nan,
        "electrical_energy": energy,
        "electrical_cost": unmetered * float(np.sum(used * mine["price"].to_numpy())),
        "emissions": unmetered * float(np.sum(used * mine["emissions_factor"].to_numpy())),
    }
    row |= _columns("excess", _excess(mine, used, compared, run.zone, energy))
    row["compared_share"] = row.pop("excess_known_share")
    steady = mine[mine["status"].isin((STEADY, ALLOCATED))].reset_index(drop=True)
    row |= _columns("suction_loss", _suction_loss(steady, grid, energy))
    row |= _columns("fouling", _fouling(steady, fouled, grid, energy))
    return row


def _columns(name: str, found: EnergyCost) -> dict[str, object]:
    return {
        f"{name}_energy": found.energy,
        f"{name}_energy_u95": 2.0 * found.energy_u,
        f"{name}_cost": found.cost,
        f"{name}_cost_u95": 2.0 * found.cost_u,
        f"{name}_emissions": found.emissions,
        f"{name}_known_share": found.known_share,
    }


def _excess(
    mine: pd.DataFrame, used: np.ndarray, compared: pd.DataFrame, zone: str, energy: float
) -> EnergyCost:
    """Energy beyond the baseline, day by day, at the mean price of each day's points."""
    of_day = day_starts(pd.DatetimeIndex(mine["time"]), zone)
    # Behind a shared meter the points are those of a pump running alone: not at all hours.
    used = np.where(mine["status"] == STEADY, used, 0.0)
    taken = compared["electrical_energy"].to_numpy()
    price, factor = (
        _daily_mean(of_day, used, mine[name].to_numpy(), compared["day"])
        for name in ("price", "emissions_factor")
    )
    return lost_energy(
        taken - compared["expected_energy"].to_numpy(),
        price,
        taken * compared["efficiency_deviation_u_random"].to_numpy(),
        taken * compared["efficiency_deviation_u_systematic"].to_numpy(),
        electrical_energy=energy,
        compared_energy=taken,
        emissions_factor=factor,
    )


def _daily_mean(
    of_day: pd.DatetimeIndex, weight: np.ndarray, value: np.ndarray, wanted: pd.Series
) -> np.ndarray:
    """Mean of a value over each wanted day, weighted by energy."""
    days = pd.DatetimeIndex(wanted)
    place = days.get_indexer(of_day)
    inside = (place >= 0) & (weight > 0.0)
    total = np.bincount(place[inside], weight[inside], len(days))
    summed = np.bincount(place[inside], (weight * value)[inside], len(days))
    return np.asarray(summed / np.where(total > 0.0, total, np.nan))


def _suction_loss(steady: pd.DataFrame, grid: float, energy: float) -> EnergyCost:
    """Energy spent on friction between source and suction tap, where a gauge or model knows it."""
    # The friction loss is the fall from static less the velocity head at the tap.
    loss = (steady["level_only_suction_pressure"] - steady["suction_pressure"]).to_numpy()
    source = steady["suction_pressure_source"].astype(str).to_numpy()
    power = suction_loss_power(loss, steady["suction_flow"], steady["overall_efficiency"])
    power = np.where(source == "level_only", np.nan, power)
    static_u = steady["static_pressure_u_systematic"].to_numpy()
    used_u = steady["suction_pressure_u_systematic"].to_numpy()
    # A modelled pressure is the static one less a modelled loss: the level's error is in both.
    own_u = np.sqrt(np.maximum(used_u**2 - static_u**2, 0.0))
    loss_u = np.where(source == "measured", np.hypot(used_u, static_u), own_u)
    per_pascal = suction_loss_power(1.0, steady["suction_flow"], steady["overall_efficiency"])
    eta = steady["overall_efficiency"].to_numpy()
    systematic = np.hypot(
        per_pascal * loss_u, power * steady["overall_efficiency_u_systematic"].to_numpy() / eta
    )
    random = np.hypot(
        per_pascal * steady["suction_pressure_u_random"].to_numpy(),
        power * steady["overall_efficiency_u_random"].to_numpy() / eta,
    )
    return lost_energy(
        power * grid,
        steady["price"].to_numpy(),
        random * grid,
        systematic * grid,
        electrical_energy=energy,
        compared_energy=steady["electrical_power"].to_numpy() * grid,
        emissions_factor=steady["emissions_factor"].to_numpy(),
    )


def _fouling(steady: pd.DataFrame, fouled: pd.DataFrame, grid: float, energy: float) -> EnergyCost:
    """Energy spent on what a suction line loses beyond its clean state: cleaning brings it back."""
    of_day = pd.DatetimeIndex(steady["time"]).floor("D")
    place = pd.DatetimeIndex(fouled["day"]).get_indexer(of_day)
    per_pascal = suction_loss_power(1.0, steady["suction_flow"], steady["overall_efficiency"])
    known = (place >= 0) & np.isfinite(per_pascal)
    # Energy that each pascal of loss costs in a day, so that a day has one loss.
    days = len(fouled)
    power = steady["electrical_power"].to_numpy() * grid
    worth = np.bincount(place[known], per_pascal[known] * grid, days)
    taken = np.bincount(place[known], power[known], days)
    extra = (fouled["suction_loss"] - fouled["reference_loss"]).to_numpy()
    price, factor = (
        _daily_mean(of_day, power, steady[name].to_numpy(), fouled["day"])
        for name in ("price", "emissions_factor")
    )
    return lost_energy(
        np.where(taken > 0.0, extra * worth, np.nan),
        price,
        np.zeros(days),
        fouled["loss_u"].to_numpy() * worth,
        electrical_energy=energy,
        compared_energy=taken,
        emissions_factor=factor,
    )


def excess_energy(daily: pd.DataFrame) -> tuple[float, float]:
    """Energy beyond the baseline over some days, and its standard uncertainty [J].

    Systematic parts of the days share their cause and add up; random parts add in squares.
    """
    taken = daily["electrical_energy"].to_numpy()
    found = lost_energy(
        taken - daily["expected_energy"].to_numpy(),
        0.0,
        taken * daily["efficiency_deviation_u_random"].to_numpy(),
        taken * daily["efficiency_deviation_u_systematic"].to_numpy(),
        electrical_energy=float(taken.sum()),
        compared_energy=taken,
    )
    return found.energy, found.energy_u


def _regions(run: Run, pump: str, mine: pd.DataFrame, needs: MonthNeeds) -> dict[str, object]:
    """Running time of one pump in one month by region and NPSH margin."""
    first = mine["time"].iloc[0]
    mine = mine[ran(mine)].reset_index(drop=True)
    time = mine["time"]
    best = np.full(len(mine), np.nan)
    for name, start, end, flow in needs.best_flows:
        if name == pump:
            best[((time >= start) & (time < end)).to_numpy()] = flow
    declared: Pump = run.plant.at(first).pumps[pump]
    grid = run.plant.station.grid
    found = operating_hours(mine, grid, best, declared.flow_region, declared.baseline_curve)
    last = best[np.isfinite(best)]
    return {
        "running_time": len(mine) * grid,
        "best_efficiency_flow": last[-1] if len(last) else np.nan,
        **{f"time_{name}": value for name, value in found.by_region.items()},
        "time_below_npsh_margin": found.below_npsh_margin,
        "npsh_assessed_time": found.npsh_assessed,
    }
