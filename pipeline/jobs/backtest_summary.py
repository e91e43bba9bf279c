"""What a back-test says on the console: per pump, what each assumption would have cost."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pandas as pd

from pipeline.jobs.summary import NO_VALUE, columns_text
from pipeline.quantities import display_unit

if TYPE_CHECKING:
    from pipeline.jobs.backtest import BacktestResult

MAIN_DESIGNS = ("growing_window", "whole_span")
"""Shown on the console; the table has all."""


def backtest_summary(result: BacktestResult) -> dict[str, object]:
    """Give the scores for machines.

    Parameters
    ----------
    result : BacktestResult
        Of a back-test.

    Returns
    -------
    dict
        Plain values, SI and fractions; missing values are None.
    """
    rows = result.scores.astype(object).where(result.scores.notna(), None).to_dict("records")
    return {
        "station": result.plant.station.name,
        "as_of": result.as_of.isoformat(),
        "generation": result.generation,
        "changed": result.changed,
        "units": result.units,
        "units_done": result.units_done,
        "notes": result.outcome.notes,
        "failures": result.outcome.failures,
        "scores": [
            {str(k): v.isoformat() if isinstance(v, pd.Timestamp) else v for k, v in r.items()}
            for r in rows
        ],
    }


def backtest_text(result: BacktestResult) -> str:
    """Give the scores for people.

    Parameters
    ----------
    result : BacktestResult
        Of a back-test.

    Returns
    -------
    str
        One block per pump and way of hiding its gauge.
    """
    words = {d.name: d.words for d in result.designs}
    lines = [
        f"{result.plant.station.name}: gauges hidden and assumed, evidence before "
        f"{result.as_of:%Y-%m-%d %H:%M} UTC",
    ]
    scores = result.scores
    if scores.empty:
        return "\n".join([*lines, "", "No suction gauge could be trusted long enough: no scores."])
    latest = scores.sort_values("start").groupby("pump", sort=True)["start"].last()
    shown = [d for d in MAIN_DESIGNS if d in set(scores["design"])] or sorted(set(scores["design"]))
    pressure = display_unit("suction_pressure", result.plant.station.display)
    currency = result.plant.tariffs[-1].currency if result.plant.tariffs else ""
    head = ["Assumption", f"Error, {pressure.text}", "Efficiency", "In interval", "Change per year",
            "Flags", "Acceptance", "Cost misstated"]  # fmt: skip
    under = ["", "RMS (95 %)", "points, bias", "stated", "assumed, gauge", "false, missed", "",
             f"{currency}/year"]  # fmt: skip
    for pump, start in latest.items():
        for design in shown:
            mine = scores[
                (scores["pump"] == pump) & (scores["start"] == start) & (scores["design"] == design)
            ]
            if mine.empty:
                continue
            first = mine.iloc[0]
            span = f"{first['start']:%Y-%m-%d} to {first['end']:%Y-%m-%d}"
            lines += ["", f"{pump}, {words.get(design, design)} ({span})"]
            cells = [_cells(row, pressure.scale) for row in mine.to_dict("records")]
            lines += columns_text(head, under, cells)
    spans = scores.groupby("pump")["start"].nunique()
    more = sorted(set(scores["design"]) - set(shown))
    lines += [
        "",
        "Error: what was assumed less what the hidden gauge read. In interval: share of readings "
        "within the stated 95 %.",
        f"Also in backtest_scores: {', '.join(more)}"
        + ("; earlier spans." if (spans > 1).any() else "."),
    ]
    return "\n".join(lines)


def _cells(row: dict[Any, Any], scale: float) -> list[str]:
    return [
        str(row["assumption"]).replace("_", " "),
        _with_interval(row, "suction_pressure_rmse", scale, 2),
        _number(row["overall_efficiency_bias"], 100.0, 2, sign=True),
        _number(row["coverage"], 100.0, 0, after=" %"),
        _rates(row),
        f"{row['flags_raised']}, {row['flags_missed']}",
        str(row["acceptance_assumed"]).replace("_", " "),
        _with_interval(row, "cost_misstated", 1.0, 0),
    ]


def _rates(row: dict[Any, Any]) -> str:
    if row["trend_status"] != "ok":
        return str(row["trend_status"]).replace("_", " ")
    assumed = _number(row["rate_assumed"], 100.0, 1, sign=True)
    return f"{assumed}, {_number(row['rate_measured'], 100.0, 1, sign=True)} %"


def _with_interval(row: dict[Any, Any], name: str, scale: float, digits: int) -> str:
    value = _number(row[name], scale, digits)
    low, high = (_number(row[f"{name}_{end}"], scale, digits) for end in ("low", "high"))
    return value if NO_VALUE in (low, high) else f"{value} ({low} to {high})"


def _number(value: float, scale: float, digits: int, *, sign: bool = False, after: str = "") -> str:
    if value is None or not math.isfinite(value):
        return NO_VALUE
    text = f"{value * scale:{'+' if sign else ''},.{digits}f}".replace(",", " ")
    return f"{text}{after}"
