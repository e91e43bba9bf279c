"""Operating points on the baseline curve."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from pipeline.report.readings import Readings
from pipeline.report.series import spaced
from pipeline.report.style import COLOURS, KIND_OF_SOURCE, KINDS, base_figure, empty_figure

if TYPE_CHECKING:
    from pipeline.tables.store import Tables

__all__ = ["MOST_MONTHS", "operating_points_on_curve", "sampled_points"]

MOST_MONTHS = 24
"""Months of operating points read: the newest twelve and as many from the time before."""

RECENT = pd.Timedelta(days=90)
_COLUMNS = ("time", "flow", "total_head", "overall_efficiency", "speed_ratio")


def operating_points_on_curve(
    tables: Tables | Readings, pump: str, *, most_points: int = 900
) -> go.Figure:
    """Draw operating points on the baseline curve: head and overall efficiency by flow.

    Parameters
    ----------
    tables : Tables
        From ``open_tables``.
    pump : str
        As named in the plant file.
    most_points : int, optional
        Points drawn at most; they are spread evenly over time.

    Returns
    -------
    plotly.graph_objects.Figure
        Points are brought to reference speed by the affinity laws. The last 90 days are
        dark, what came before is pale; the marker tells measured from modelled suction.
    """
    readings = Readings.of(tables)
    points = sampled_points(readings, pump, most_points)
    curve = _curve(readings, pump)
    if points.empty and curve.empty:
        return empty_figure(f"{pump} has no operating points and no baseline curve yet.")
    figure = make_subplots(rows=1, cols=2, horizontal_spacing=0.1, figure=base_figure(420))
    for column, name in ((1, "total_head"), (2, "overall_efficiency")):
        _add_points(figure, points, name, column)
        _add_curve(figure, curve, name, column)
    flow_unit = readings.unit("operating_points", "flow") or readings.unit(
        "baseline_curves", "flow"
    )
    head_unit = readings.unit("operating_points", "total_head") or readings.unit(
        "baseline_curves", "total_head"
    )
    figure.update_xaxes(title=f"flow at reference speed, {flow_unit}")
    figure.update_yaxes(title=f"total head, {head_unit}", col=1)
    figure.update_yaxes(title="overall efficiency, %", col=2)
    return figure


def sampled_points(readings: Readings, pump: str, most: int) -> pd.DataFrame:
    """Give some operating points of a pump, at reference speed.

    Parameters
    ----------
    readings : Readings
        The tables.
    pump : str
        As named in the plant file.
    most : int
        Rows at most.

    Returns
    -------
    DataFrame
        Steady points with ``time``, ``kind``, ``flow``, ``total_head``,
        ``overall_efficiency``, ``is_recent``; evenly spaced, in order of time.

    Notes
    -----
    At most `MOST_MONTHS` months are read, so that the page does not take longer each year.
    """
    months = _spread(readings.months("operating_points"))
    pieces = [_sample_of_month(readings, month) for month in months]
    mine = [p[p["pump"] == pump] for p in pieces]
    mine = [p for p in mine if len(p)]
    if not mine:
        return pd.DataFrame(columns=[*_COLUMNS, "kind", "is_recent"])
    rows = pd.concat(mine, ignore_index=True)
    rows = rows.assign(kind=rows["suction_pressure_source"].map(KIND_OF_SOURCE))
    rows = rows[rows["kind"].notna() & rows["flow"].notna()]
    ratio = rows["speed_ratio"].fillna(1.0).where(lambda r: r > 0)
    rows = rows.assign(flow=rows["flow"] / ratio, total_head=rows["total_head"] / ratio**2)
    rows["is_recent"] = rows["time"] > rows["time"].max() - RECENT
    # The last 90 days would drown in years of history: they get a third of the points.
    recent, earlier = rows[rows["is_recent"]], rows[~rows["is_recent"]]
    share = most if earlier.empty else max(most // 3, most - len(earlier))
    parts = [spaced(earlier, most - min(share, len(recent))), spaced(recent, share)]
    return pd.concat([p for p in parts if len(p)], ignore_index=True) if len(rows) else rows


def _spread(months: list[str]) -> list[str]:
    if len(months) <= MOST_MONTHS:
        return months
    half = MOST_MONTHS // 2
    older = months[:-half]
    places = np.linspace(0, len(older) - 1, half).round().astype(int)
    return [*(older[i] for i in places), *months[-half:]]


def _sample_of_month(readings: Readings, month: str) -> pd.DataFrame:
    """Keep at most 200 steady points per pump of a month, evenly spaced."""
    columns = ["pump", *_COLUMNS, "suction_pressure_source"]

    def thin(rows: pd.DataFrame) -> pd.DataFrame:
        place = rows.groupby("pump", sort=False).cumcount()
        count = rows.groupby("pump", sort=False)["pump"].transform("size")
        step = np.ceil(count / 200).clip(lower=1)
        return rows[place % step == 0]

    where = [("status", "==", "steady")]
    return readings.table("operating_points", columns, where=where, months=[month], thin=thin)


def _curve(readings: Readings, pump: str) -> pd.DataFrame:
    curves = readings.of_pump("baseline_curves", pump)
    if curves.empty:
        return curves
    newest = curves["start"].max()
    return curves[curves["start"] == newest].sort_values("flow", ignore_index=True)


def _add_points(figure: go.Figure, points: pd.DataFrame, name: str, column: int) -> None:
    for is_recent, opacity, words in ((False, 0.4, "before"), (True, 1.0, "last 90 days")):
        for kind in KINDS.values():
            part = points[(points["is_recent"] == is_recent) & (points["kind"] == kind.name)]
            part = part[part[name].notna()]
            if part.empty:
                continue
            figure.add_scatter(
                x=part["flow"].astype(float).round(2).tolist(),
                y=part[name].astype(float).round(2).tolist(),
                mode="markers",
                name=f"{words}, {kind.label}",
                legendgroup=f"{words} {kind.name}",
                showlegend=column == 1,
                opacity=opacity,
                marker={
                    "symbol": kind.symbol,
                    "size": 6 if is_recent else 5,
                    "color": kind.colour,
                    "line": {"width": 1.2, "color": kind.colour},
                },
                hovertemplate="%{x}, %{y}<extra></extra>",
                row=1,
                col=column,
            )


def _add_curve(figure: go.Figure, curve: pd.DataFrame, name: str, column: int) -> None:
    known = curve[curve[name].notna()] if len(curve) else curve
    if known.empty:
        return
    flow = known["flow"].astype(float).round(3).tolist()
    value = known[name].astype(float)
    u95 = known[f"{name}_u95"].astype(float)
    if u95.notna().all():
        low, high = (value - u95).round(3).tolist(), (value + u95).round(3).tolist()
        figure.add_scatter(
            x=[*flow, *flow[::-1]],
            y=[*low, *high[::-1]],
            mode="lines",
            fill="toself",
            fillcolor="rgba(29,39,51,0.15)",
            line={"width": 0},
            hoverinfo="skip",
            showlegend=False,
            legendgroup="baseline",
            row=1,
            col=column,
        )
    figure.add_scatter(
        x=flow,
        y=value.round(3).tolist(),
        mode="lines",
        name="baseline with its 95 % interval",
        legendgroup="baseline",
        showlegend=column == 1,
        line={"color": COLOURS["baseline"], "width": 2.5},
        hovertemplate="baseline %{x}, %{y}<extra></extra>",
        row=1,
        col=column,
    )
