"""What the back-test found: what each assumption would have cost, and which gauges pay."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from pipeline.report.overview import Cell, Grid
from pipeline.report.readings import Readings
from pipeline.report.sections import Drawing, drawing
from pipeline.report.sensitivity import where_a_suction_error_matters
from pipeline.report.style import source_words
from pipeline.report.words import NOTHING, day_text, interval, money, number, plain, signed

__all__ = ["HiddenGauges", "hidden_gauges"]

SCORES, WORTH, SENSITIVITY = "backtest_scores", "gauge_worth", "suction_sensitivity"
_DESIGNS = {
    "growing_window": "The gauge is lost after each window, with all its readings before",
    "whole_span": "There never was a gauge",
    "blocks": "The gauge is out in every other window",
    "survey_only": "Three readings with a portable gauge, nothing else",
    "sister_only": "No gauge and no survey: sister pumps and drawings",
}
_ASSUMPTIONS = (
    "zero_gauge", "level_only", "last_good_reading", "mean_of_good_period", "drawings",
    "own_flow_fit", "full_model",
)  # fmt: skip
_VERDICTS = {
    "worth_it": "worth its price",
    "not_worth_it": "not worth its price",
    "no_overhaul_cost": "open: no overhaul cost in the plant file",
    "unknown_loss": "open: the pump's loss or energy cost is not known",
}
_ACCEPTANCE = {"met": "passes", "not_met": "fails"}


@dataclass(frozen=True, slots=True)
class HiddenGauges:
    """The part of the page on the back-test."""

    as_of: str
    facts: tuple[str, ...]
    scores: tuple[tuple[str, Grid], ...]
    worth: Grid | None
    sensitivity: Grid | None
    drawing: Drawing


def hidden_gauges(readings: Readings, zone: str, currency: str) -> HiddenGauges | None:
    """Build the part on the back-test; None where none has been run.

    Parameters
    ----------
    readings : Readings
        The tables.
    zone : str
        Time zone of the station.
    currency : str
        Three letters; empty without a price.

    Returns
    -------
    HiddenGauges or None
    """
    if not readings.has(SCORES):
        return None
    rows = readings.table(SCORES)
    order = {name: place for place, name in enumerate(_ASSUMPTIONS)}
    place = rows["assumption"].map(order).fillna(len(order))
    rows = rows.assign(place=place).sort_values(
        ["pump", "start", "place", "assumption"], kind="stable"
    )
    named = [*_DESIGNS, *sorted(set(rows["design"]) - set(_DESIGNS))]
    grids = tuple(
        (_DESIGNS.get(name, plain(name)), _scores_grid(readings, mine, zone, currency))
        for name in named
        if len(mine := rows[rows["design"] == name])
    )
    return HiddenGauges(
        as_of=day_text(rows["as_of"].max(), zone) if len(rows) else "",
        facts=tuple(_facts(readings, rows, zone, currency)),
        scores=grids,
        worth=_worth_grid(readings, currency),
        sensitivity=_sensitivity_grid(readings, currency),
        drawing=drawing(
            "where",
            "Where one and the same suction error matters",
            "The same error laid over pumps of every head and size. Grey lines: hypothetical "
            "pumps. Marked: the pumps of this plant.",
            "Error of efficiency and cost by total head for one error of suction pressure.",
            where_a_suction_error_matters(readings),
        ),
    )


def _facts(readings: Readings, rows: pd.DataFrame, zone: str, currency: str) -> list[str]:
    """Say per pump what level only and the full model would have cost, had its gauge died."""
    found = []
    unit = readings.unit(SCORES, "suction_pressure_rmse")
    lost = rows[rows["design"] == "growing_window"]
    for pump, mine in lost.groupby("pump", sort=True):
        latest = mine[mine["start"] == mine["start"].max()].set_index("assumption")
        if "level_only" not in latest.index or "full_model" not in latest.index:
            continue
        level, model = latest.loc["level_only"], latest.loc["full_model"]
        span = f"{day_text(level['start'], zone)} to {day_text(level['end'], zone)}"
        text = f"{pump}, hidden {span}: {_cost(level, 'level only', unit, currency)}; "
        text += f"{_cost(model, 'the full model', unit, currency)}"
        if _known(model["coverage"]):
            text += f", with {number(model['coverage'], 0, '%')} of the readings in its stated 95 %"
        found.append(text + ".")
    return found


def _cost(row: pd.Series, name: str, unit: str, currency: str) -> str:
    text = (
        f"{name} is off by {number(row['suction_pressure_rmse'], 2, unit)} "
        f"({signed(row['overall_efficiency_bias'], 1)} points of efficiency"
    )
    if _known(row["cost_misstated"]):
        text += f", {money(row['cost_misstated'], currency)} a year misstated"
    return text + ")"


def _scores_grid(readings: Readings, rows: pd.DataFrame, zone: str, currency: str) -> Grid:
    pressure = readings.unit(SCORES, "suction_pressure_rmse")
    head = readings.unit(SCORES, "total_head_rmse")
    priced = bool(rows["cost_misstated"].notna().any())
    cost = "cost_misstated" if priced else "energy_misstated"
    what = currency if priced else readings.unit(SCORES, cost)
    headings = (
        "Pump", "Taken in its place", f"Suction error, RMS, {pressure}", f"Head error, {head}",
        "Efficiency error, points", "Readings in stated 95\N{NO-BREAK SPACE}%",
        "Efficiency per year (with the gauge)", "Flags false, missed", "Acceptance of a sound pump",
        f"Misstated, {what} a year",
    )  # fmt: skip
    lines = []
    for row in _records(rows):
        start, end = (day_text(row[name], zone) for name in ("start", "end"))
        lines.append(
            (
                Cell(str(row["pump"]), str(row["pump"]), more=f"{start} to {end}"),
                Cell(plain(row["assumption"]), str(row["assumption"])),
                _figure(row, "suction_pressure_rmse", 2),
                _figure(row, "total_head_bias", 2, sign=True),
                _figure(row, "overall_efficiency_bias", 1, sign=True),
                _covered(row),
                _rates(row),
                Cell(f"{row['flags_raised']}, {row['flags_missed']}", str(row["flags_raised"])),
                Cell(_ACCEPTANCE.get(str(row["acceptance_assumed"]), NOTHING)),
                _figure(row, cost, 0, sign=True),
            )
        )
    return Grid(headings, ("text", "text", *("number",) * 8), tuple(lines))


def _figure(row: dict[str, Any], name: str, digits: int, *, sign: bool = False) -> Cell:
    """Write a score with its 95 % interval below it."""
    value = row[name]
    text = signed(value, digits) if sign else number(value, digits)
    if sign:
        ends = interval(row[f"{name}_low"], row[f"{name}_high"], digits)
    else:
        low, high = row[f"{name}_low"], row[f"{name}_high"]
        both = _known(low) and _known(high)
        ends = f"{number(low, digits)} to {number(high, digits)}" if both else ""
    return Cell(text, repr(value) if _known(value) else "", more=ends)


def _covered(row: dict[str, Any]) -> Cell:
    if not _known(row["coverage"]):
        return Cell(NOTHING)
    more = ""
    if _known(row["warned"]) and float(row["warned"]) >= 0.5:
        more = f"warned in {number(row['warned'], 0, '%')} of answers"
    return Cell(number(row["coverage"], 0, "%"), repr(row["coverage"]), more=more)


def _rates(row: dict[str, Any]) -> Cell:
    if row["trend_status"] != "ok":
        return Cell(plain(row["trend_status"]))
    measured = signed(row["rate_measured"], 1, "%")
    return Cell(f"{signed(row['rate_assumed'], 1, '%')} ({measured})", repr(row["rate_assumed"]))


def _worth_grid(readings: Readings, currency: str) -> Grid | None:
    rows = readings.table(WORTH) if readings.has(WORTH) else pd.DataFrame()
    if rows.empty:
        return None
    lines = []
    for row in _records(rows.sort_values("rank", kind="stable")):
        chance = number(row["wrong_decision"], 0, "%")
        after = number(row["wrong_decision_with_gauge"], 0, "%")
        lines.append(
            (
                Cell(str(row["pump"])),
                Cell(source_words(row["suction_pressure_source"])),
                Cell(f"± {number(row['efficiency_u95'], 2)}"),
                Cell(f"± {money(row['cost_u95'], currency)}"),
                Cell(f"{money(row['gain'], currency)} ± {money(row['gain_u95'], currency)}"),
                Cell(f"{chance}, {after}"),
                Cell(money(row["worth"], currency)),
                Cell(money(row["gauge_price"], currency)),
                Cell(_VERDICTS.get(str(row["verdict"]), plain(row["verdict"]))),
            )
        )
    headings = (
        "Pump", "Its suction pressure is", "Leaves in efficiency, points", "Leaves in cost a year",
        "Gain of an overhaul now", "Chance of a wrong overhaul decision: now, with a gauge",
        "A gauge is worth", "It costs", "So a gauge is",
    )  # fmt: skip
    return Grid(headings, ("text", "text", *("number",) * 6, "text"), tuple(lines))


def _sensitivity_grid(readings: Readings, currency: str) -> Grid | None:
    rows = readings.table(SENSITIVITY) if readings.has(SENSITIVITY) else pd.DataFrame()
    rows = rows[rows["kind"] == "pump"] if len(rows) else rows
    if rows.empty:
        return None
    head = readings.unit(SENSITIVITY, "total_head")
    error = float(rows["pressure_error"].iloc[0])
    unit = readings.unit(SENSITIVITY, "pressure_error")
    lines = [
        (
            Cell(str(row["pump"])),
            Cell(number(row["total_head"], 1, head)),
            Cell(number(abs(float(row["efficiency_error"])), 1)),
            Cell(money(abs(float(row["cost_misstated"])), currency)),
        )
        for row in _records(rows.sort_values("total_head", kind="stable"))
    ]
    headings = (
        "Pump", "Total head", f"{number(error, 1, unit)} of suction is, points of efficiency",
        "and a year",
    )  # fmt: skip
    return Grid(headings, ("text", "number", "number", "number"), tuple(lines))


def _known(value: object) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def _records(rows: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]
