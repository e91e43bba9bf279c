"""Where a suction error matters in this plant, and which pumps deserve a gauge.

Both tables rest on the published tables of the last 30 days of data; the back-test builds them
beside its scores.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.backtest.gauge_worth import rank_gauges
from pipeline.backtest.importance import (
    JOULES_PER_KWH,
    TWO_PSI,
    hypothetical_pumps,
    sensitivity_rows,
)
from pipeline.hydraulics.head import STANDARD_GRAVITY
from pipeline.jobs.context import Run
from pipeline.jobs.money import energy_prices
from pipeline.jobs.pump_lines import RECENT_DAYS
from pipeline.jobs.use import YEAR
from pipeline.performance.operating_points import STEADY
from pipeline.quantities import display_unit

__all__ = ["GaugeTerms", "decide_gauges"]

SENSITIVITY, WORTH = "suction_sensitivity", "gauge_worth"
_POINT_COLUMNS = (
    "pump", "time", "status", "density", "total_head", "electrical_power", "flow",
    "suction_pressure_source", "suction_pressure_u_systematic",
)  # fmt: skip
_USUAL_TEMPERATE_WATER = 998.2
_HOURS_PER_YEAR = YEAR / pd.Timedelta("1h")


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeTerms:
    """What a gauge costs, how good it is, and how far ahead to look.

    Parameters
    ----------
    price : float
        Price of one suction gauge with transmitter, fitted and calibrated (a round figure,
        common practice, no source) [currency].
    accuracy : float
        Standard uncertainty of its reading, where the plant file declares no suction gauge for
        the pump: about a quarter of a percent of 200 kPa (common practice, no source) [Pa].
    horizon : float
        Years over which an overhaul would save before wear takes it back [year].
    interest : float
        Interest per year [-].
    pressure_error : float
        The error laid over all pumps by ``suction_sensitivity`` [Pa].
    """

    price: float = 1500.0
    accuracy: float = 500.0
    horizon: float = 3.0
    interest: float = 0.05
    pressure_error: float = TWO_PSI


def decide_gauges(run: Run, terms: GaugeTerms, overhaul_cost: Mapping[str, float]) -> None:
    """Build ``suction_sensitivity`` and ``gauge_worth``.

    Parameters
    ----------
    run : Run
        With a stage to write to.
    terms : GaugeTerms
        Of the decision.
    overhaul_cost : mapping of str to float
        Cost of an overhaul by pump, where declared [currency].
    """
    tables = ("pumps", "operating_points", "daily_deviations")
    made_from = [
        run.fingerprints.perform, repr(terms), sorted(overhaul_cost.items()), run.as_of.isoformat(),
        [sorted(run.stage.digests(t).items()) for t in tables],
    ]  # fmt: skip
    recent: list[pd.DataFrame] = []

    def facts() -> pd.DataFrame:
        if not recent:
            recent.append(_recent_facts(run))
        return recent[0]

    run.build(
        SENSITIVITY, None, [SENSITIVITY, 1, made_from], lambda: _sensitivity(run, facts(), terms)
    )
    run.build(
        WORTH, None, [WORTH, 1, made_from], lambda: _worth(run, facts(), terms, overhaul_cost)
    )


def _recent_facts(run: Run) -> pd.DataFrame:
    """Duty, energy and suction of every pump over the last days, one row per pump.

    Pumps that did not run, or gave no points, have no row.
    """
    since = run.as_of - pd.Timedelta(days=RECENT_DAYS)
    months = run.stage.months("operating_points")[-3:]
    points = run.read("operating_points", months, _POINT_COLUMNS)
    points = points[points["time"] >= since]
    grid = run.plant.station.grid
    energy = points.groupby(points["pump"].astype(str))["electrical_power"].sum() * grid
    hours = points.groupby(points["pump"].astype(str)).size() * grid / 3600.0
    steady = points[points["status"] == STEADY]
    pump = steady["pump"].astype(str)
    weight = steady["density"] * STANDARD_GRAVITY * steady["total_head"]
    part = steady["suction_pressure_u_systematic"] / weight
    found = pd.DataFrame(
        {
            "total_head": steady.groupby(pump)["total_head"].mean(),
            "flow": steady.groupby(pump)["flow"].mean(),
            "density": steady.groupby(pump)["density"].mean(),
            "electrical_power": steady.groupby(pump)["electrical_power"].mean(),
            "suction_pressure_u": steady.groupby(pump)["suction_pressure_u_systematic"].median(),
            "suction_u": part.groupby(pump).median(),
            "measured": (steady["suction_pressure_source"] == "measured").groupby(pump).mean(),
        }
    )
    scale = YEAR / pd.Timedelta(days=RECENT_DAYS)
    found["hours_per_year"] = (hours * scale).reindex(found.index).clip(upper=_HOURS_PER_YEAR)
    found["energy_per_year"] = (energy * scale).reindex(found.index)
    price, _ = energy_prices(run.plant, pd.DatetimeIndex(points["time"]), at=run.as_of)
    cost = (points["electrical_power"] * grid * price).groupby(points["pump"].astype(str))
    found["energy_cost"] = (cost.sum(min_count=1) * scale).reindex(found.index)
    known = run.read("pumps").set_index("pump")
    for name in (
        "overall_efficiency", "suction_pressure_source", "efficiency_deviation",
        "excess_cost_per_year_u95",
    ):  # fmt: skip
        found[name] = known[name].reindex(found.index)
    return found.rename_axis("pump").reset_index()


def _price(run: Run) -> float:
    """Price of energy, NaN without one [currency/J]."""
    price = run.plant.at(run.as_of).tariff.price
    return np.nan if price is None else float(price)


def _sensitivity(run: Run, facts: pd.DataFrame, terms: GaugeTerms) -> pd.DataFrame:
    density = float(facts["density"].mean()) if len(facts) else _USUAL_TEMPERATE_WATER
    price = _price(run) * JOULES_PER_KWH
    grid = hypothetical_pumps(pressure_error=terms.pressure_error, density=density, price=price)
    grid.insert(0, "pump", _grid_names(run, grid))
    own = facts.assign(speed=[_speed(run, p) for p in facts["pump"]])
    return sensitivity_rows(
        own, grid, pressure_error=terms.pressure_error, density=density, price=price
    )


def _grid_names(run: Run, grid: pd.DataFrame) -> list[str]:
    """Name hypothetical pumps by size and rise, in the units of the plant."""
    display = run.plant.station.display
    power, pressure = display_unit("shaft_power", display), display_unit("pressure_loss", display)
    return [
        f"{size * power.scale:,.0f} {power.text} at {rise * pressure.scale:,.0f} {pressure.text}"
        for size, rise in zip(grid["shaft_power"], grid["pressure_rise"], strict=True)
    ]


def _speed(run: Run, pump: str) -> float:
    declared = run.plant.at(run.as_of).pumps.get(pump)
    speed = getattr(declared, "reference_speed", None)
    return np.nan if speed is None else float(speed)


def _worth(
    run: Run, facts: pd.DataFrame, terms: GaugeTerms, overhaul_cost: Mapping[str, float]
) -> pd.DataFrame:
    without = facts[facts["measured"] <= 0.5].reset_index(drop=True)
    if without.empty:
        return run.contract(WORTH).empty()
    pumps = without
    weight = pumps["density"] * STANDARD_GRAVITY * pumps["total_head"]
    loss_u = pumps["excess_cost_per_year_u95"] / 2.0 / pumps["energy_cost"]
    # Where the source of suction is that of the baseline, its part is not in the loss's own.
    inside = loss_u >= pumps["suction_u"]
    other = np.sqrt(np.where(inside, loss_u**2 - pumps["suction_u"] ** 2, loss_u**2))
    pumps = pumps.assign(
        loss=-pumps["efficiency_deviation"],
        other_u=other,
        gauge_u=[_gauge_u(run, p, terms) for p in pumps["pump"]] / weight,
        efficiency=pumps["overall_efficiency"],
        overhaul_cost=[overhaul_cost.get(str(p), np.nan) for p in pumps["pump"]],
    )
    ranked = rank_gauges(
        pumps, gauge_price=terms.price, horizon=terms.horizon, interest=terms.interest
    )
    facts = pumps.set_index("pump").loc[ranked["pump"]].reset_index()
    expanded = {
        f"{name}_u95": 2.0 * ranked.pop(f"{name}_u") for name in ("efficiency", "cost", "gain")
    }
    return ranked.assign(
        **expanded,
        suction_pressure_source=facts["suction_pressure_source"],
        suction_pressure_u=facts["suction_pressure_u"],
        loss=facts["loss"],
        overhaul_cost=facts["overhaul_cost"],
        gauge_price=terms.price,
    )


def _gauge_u(run: Run, pump: str, terms: GaugeTerms) -> float:
    """Standard uncertainty of the gauge the pump has (if it worked), or of a usual one [Pa]."""
    plant = run.plant.at(run.as_of)
    declared = plant.pumps.get(pump)
    tag = plant.tags.get((declared.suction_pressure_tag or "") if declared else "")
    stated = float(tag.accuracy.systematic_absolute) if tag is not None else 0.0
    return stated if stated > 0.0 else terms.accuracy
