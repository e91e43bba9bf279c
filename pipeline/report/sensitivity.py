"""The same suction error on pumps of every head and size."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from pipeline.report.readings import Readings
from pipeline.report.style import COLOURS, base_figure, empty_figure, safe

if TYPE_CHECKING:
    from pipeline.tables.store import Tables

__all__ = ["where_a_suction_error_matters"]

_TABLE = "suction_sensitivity"
_PLACES = ("top center", "bottom center", "middle right", "middle left")
_DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")


def where_a_suction_error_matters(tables: Tables | Readings) -> go.Figure:
    """Draw what one suction error does to efficiency by head, and to money by size.

    Parameters
    ----------
    tables : Tables
        From ``open_tables``; the back-test writes the table it needs.

    Returns
    -------
    plotly.graph_objects.Figure
        Left: points of efficiency by total head, where all sizes lie on one line. Right:
        yearly cost (energy without a price) by total head, one line per size. The plant's own
        pumps are marked and named in both.
    """
    readings = Readings.of(tables)
    rows = readings.table(_TABLE) if readings.has(_TABLE) else pd.DataFrame()
    if rows.empty:
        return empty_figure("No back-test has been run yet; it works out where an error matters.")
    priced = bool(rows["cost_misstated"].notna().any())
    money = "cost_misstated" if priced else "energy_misstated"
    figure = make_subplots(rows=1, cols=2, horizontal_spacing=0.12, figure=base_figure(440))
    hypothetical = rows[rows["kind"] == "hypothetical"]
    for column, name in ((1, "efficiency_error"), (2, money)):
        _add_lines(figure, hypothetical, name, readings.unit(_TABLE, "electrical_power"), column)
        _add_own(figure, rows[rows["kind"] == "pump"], name, column)
    error, unit = float(rows["pressure_error"].iloc[0]), readings.unit(_TABLE, "pressure_error")
    figure.update_xaxes(
        type="log", title=safe(f"total head, {readings.unit(_TABLE, 'total_head')}")
    )
    figure.update_yaxes(type="log")
    figure.update_yaxes(
        title=safe(f"error of efficiency, points, for {error:.3g} {unit}"), row=1, col=1
    )
    what = "cost" if priced else "energy"
    figure.update_yaxes(
        title=safe(f"{what} misstated, {readings.unit(_TABLE, money)} a year"), row=1, col=2
    )
    return figure


def _add_lines(figure: go.Figure, rows: pd.DataFrame, name: str, unit: str, column: int) -> None:
    """Draw one line per size; where all sizes are alike, one line for all."""
    sizes = sorted(rows["electrical_power"].unique())
    if column == 1:
        sizes = sizes[:1]
    for number, size in enumerate(sizes):
        one = rows[rows["electrical_power"] == size].sort_values("total_head")
        label = "any size" if column == 1 else f"{size:,.0f} {unit}"
        figure.add_scatter(
            x=one["total_head"].to_numpy(),
            y=np.abs(one[name].to_numpy()),
            mode="lines",
            name=safe(label),
            line={
                "color": COLOURS["quiet"],
                "width": 1.5,
                "dash": _DASHES[number % len(_DASHES)],
            },
            hovertemplate="%{x:.3g}: %{y:.3g}<extra>" + safe(label) + "</extra>",
            row=1,
            col=column,
        )


def _add_own(figure: go.Figure, rows: pd.DataFrame, name: str, column: int) -> None:
    rows = rows.sort_values("total_head")
    figure.add_scatter(
        x=rows["total_head"].to_numpy(),
        y=np.abs(rows[name].to_numpy()),
        mode="markers+text",
        text=[safe(p) for p in rows["pump"]],
        # Pumps of like head stand close: their names must not lie on each other.
        textposition=[_PLACES[n % len(_PLACES)] for n in range(len(rows))],
        name="pumps of this plant",
        showlegend=column == 1,
        marker={"color": COLOURS["measured"], "symbol": "circle", "size": 9},
        hovertemplate="%{text}: %{y:.3g}<extra></extra>",
        row=1,
        col=column,
    )
