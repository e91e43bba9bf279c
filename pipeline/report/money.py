"""Energy cost by month, and what part of it is lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from pipeline.report.readings import Readings
from pipeline.report.style import COLOURS, base_figure, empty_figure, safe

if TYPE_CHECKING:
    from pipeline.tables.store import Tables

__all__ = ["monthly_cost"]


def monthly_cost(tables: Tables | Readings, pump: str) -> go.Figure:
    """Draw what a pump's energy costs by month and what part of it is lost.

    Parameters
    ----------
    tables : Tables
        From ``open_tables``.
    pump : str
        As named in the plant file.

    Returns
    -------
    plotly.graph_objects.Figure
        Above: the whole cost. Below: the cost beyond the baseline at the same duty, with its
        95 % interval, and the cost of friction in the suction line. In energy where the
        plant file has no price.
    """
    readings = Readings.of(tables)
    rows = readings.of_pump("energy_cost", pump).sort_values("month", ignore_index=True)
    if rows.empty:
        return empty_figure(f"No energy of {pump} has been counted yet.")
    priced = bool(rows["electrical_cost"].notna().any())
    names = (
        ("electrical_cost", "excess_cost", "suction_loss_cost")
        if priced
        else ("electrical_energy", "excess_energy", "suction_loss_energy")
    )
    unit = readings.unit("energy_cost", names[0])
    months = pd.to_datetime(rows["month"], format="%Y-%m")
    figure = make_subplots(
        rows=2, cols=1, shared_xaxes=True, row_heights=[0.45, 0.55], figure=base_figure(440)
    )
    figure.update_layout(barmode="group", bargap=0.25)
    word = "cost" if priced else "energy"
    what = f"{word} of the pump's energy" if priced else "energy used"
    _add_bars(figure, months, rows[names[0]], None, what, COLOURS["cost"], "", 1)
    _add_bars(
        figure,
        months,
        rows[names[1]],
        rows[f"{names[1]}_u95"],
        f"{word} beyond baseline at the same duty",
        COLOURS["loss"],
        "/",
        2,
    )
    _add_bars(
        figure,
        months,
        rows[names[2]],
        None,
        f"{word} of friction in the suction line",
        COLOURS["pipe"],
        ".",
        2,
    )
    figure.add_hline(y=0, line={"color": COLOURS["ink"], "width": 1}, row=2, col=1)
    figure.update_yaxes(title=safe(f"{unit} a month"))
    return figure


def _add_bars(
    figure: go.Figure,
    months: pd.Series,
    values: pd.Series,
    u95: pd.Series | None,
    name: str,
    colour: str,
    pattern: str,
    row: int,
) -> None:
    error = None
    if u95 is not None and u95.notna().any():
        error = {
            "type": "data",
            "array": u95.astype(float).round(2).tolist(),
            "color": COLOURS["ink"],
            "thickness": 1,
            "width": 2,
        }
    figure.add_bar(
        x=months,
        y=[None if pd.isna(v) else round(float(v), 2) for v in values],
        error_y=error,
        name=name,
        marker={
            "color": colour,
            "pattern": {
                "shape": pattern,
                "fgcolor": COLOURS["ink"],
                "solidity": 0.2,
                "fillmode": "overlay",
            },
            "line": {"width": 0.5, "color": COLOURS["ink"]},
        },
        hovertemplate="%{x|%b %Y}: " + name + " %{y:,.0f}<extra></extra>",
        row=row,
        col=1,
    )
