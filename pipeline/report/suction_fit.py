"""The suction fit: gauge against model, loss by flow, residuals over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from pipeline.quantities import DisplaySystem, DisplayUnit, display_unit
from pipeline.report.readings import Readings
from pipeline.report.series import spaced
from pipeline.report.style import COLOURS, KINDS, base_figure, empty_figure
from pipeline.report.suction_hours import gauge_and_model

if TYPE_CHECKING:
    from pipeline.tables.store import Tables

__all__ = ["suction_fit"]


def suction_fit(
    tables: Tables | Readings, pump: str, *, time_zone: str = "UTC", most_points: int = 600
) -> go.Figure:
    """Draw how well the suction model repeats what the gauge read.

    Parameters
    ----------
    tables : Tables
        From ``open_tables``.
    pump : str
        As named in the plant file.
    time_zone : str, optional
        IANA zone of the station.
    most_points : int, optional
        Hours drawn at most, evenly spaced over time.

    Returns
    -------
    plotly.graph_objects.Figure
        Hourly means while running. With a gauge: its reading against the reading the fit
        expects, the fall of pressure from source to tap by flow, and the residuals over
        time; readings that a check excludes are crosses. Without a gauge: the fall by flow
        as modelled.
    """
    readings = Readings.of(tables)
    hours = spaced(gauge_and_model(readings, pump, time_zone), most_points)
    has_model = hours["true_pressure"].notna().any()
    has_gauge = hours["reading"].notna().any()
    if not has_model and not has_gauge:
        return empty_figure(
            f"Neither a suction gauge nor a fitted suction model speaks for {pump} yet."
        )
    pressure, flow = _units(readings)
    expected, true = hours["expected"], hours["true_pressure"]
    scaled = pd.DataFrame(
        {
            "time": hours["time"],
            "flow": hours["flow"] * flow.scale,
            "reading": hours["reading"] * pressure.scale,
            "expected": expected * pressure.scale,
            "is_excluded": hours["is_excluded"],
            "measured_fall": (hours["static_pressure"] - hours["reading"]) * pressure.scale,
            # Beside a gauge, what that gauge should read: its calibration error on both sides.
            "modelled_fall": (hours["static_pressure"] - (expected if has_gauge else true))
            * pressure.scale,
        }
    )
    if not (has_model and has_gauge):
        figure = base_figure(360)
        figure.update_layout(showlegend=True)
        _add_fall(figure, scaled, None)
        figure.update_xaxes(title=f"flow, {flow.text}")
        figure.update_yaxes(title=f"fall from source to tap, {pressure.text}")
        return figure
    figure = make_subplots(
        rows=2,
        cols=2,
        specs=[[{}, {}], [{"colspan": 2}, None]],
        row_heights=[0.6, 0.4],
        horizontal_spacing=0.11,
        vertical_spacing=0.16,
        figure=base_figure(640),
    )
    _add_agreement(figure, scaled)
    _add_fall(figure, scaled, (1, 2))
    _add_residuals(figure, scaled)
    figure.update_xaxes(title=f"reading the model expects, {pressure.text}", row=1, col=1)
    figure.update_yaxes(title=f"gauge reading, {pressure.text}", row=1, col=1)
    figure.update_xaxes(title=f"flow, {flow.text}", row=1, col=2)
    figure.update_yaxes(title=f"fall from source to tap, {pressure.text}", row=1, col=2)
    figure.update_yaxes(title=f"gauge less<br>model, {pressure.text}", row=2, col=1)
    return figure


def _units(readings: Readings) -> tuple[DisplayUnit, DisplayUnit]:
    text = readings.unit("operating_points", "suction_pressure")
    system: DisplaySystem = (
        "US" if text and text == display_unit("suction_pressure", "US").text else "SI"
    )
    return display_unit("suction_pressure", system), display_unit("flow", system)


def _add_agreement(figure: go.Figure, rows: pd.DataFrame) -> None:
    both = rows[rows["reading"].notna() & rows["expected"].notna()]
    _add_gauge(figure, both, both["expected"], "reading", (1, 1), True)
    trusted = both[~both["is_excluded"]] if (~both["is_excluded"]).any() else both
    if trusted.empty:
        return
    ends = [
        float(min(trusted["expected"].min(), trusted["reading"].min())),
        float(max(trusted["expected"].max(), trusted["reading"].max())),
    ]
    figure.add_scatter(
        x=ends,
        y=ends,
        mode="lines",
        name="perfect agreement",
        line={"color": COLOURS["ink"], "width": 1.5},
        hoverinfo="skip",
        row=1,
        col=1,
    )


def _add_fall(figure: go.Figure, rows: pd.DataFrame, place: tuple[int, int] | None) -> None:
    _add_gauge(
        figure,
        rows[rows["measured_fall"].notna()],
        None,
        "measured_fall",
        place,
        place is None,
    )
    modelled = rows[rows["modelled_fall"].notna()]
    if modelled.empty:
        return
    kind = KINDS["modelled"]
    figure.add_scatter(
        x=modelled["flow"].astype(float).round(2).tolist(),
        y=modelled["modelled_fall"].astype(float).round(3).tolist(),
        mode="markers",
        name="model",
        marker={
            "symbol": kind.symbol,
            "size": 5,
            "color": kind.colour,
            "line": {"width": 1.2, "color": kind.colour},
        },
        hovertemplate="model: %{x}, %{y}<extra></extra>",
        **_at(place),
    )


def _add_residuals(figure: go.Figure, rows: pd.DataFrame) -> None:
    both = rows[rows["reading"].notna() & rows["expected"].notna()]
    both = both.assign(residual=both["reading"] - both["expected"])
    _add_gauge(figure, both, both["time"], "residual", (2, 1), False)
    figure.add_hline(y=0, line={"color": COLOURS["ink"], "width": 1}, row=2, col=1)


def _add_gauge(
    figure: go.Figure,
    rows: pd.DataFrame,
    x: pd.Series | None,
    y: str,
    place: tuple[int, int] | None,
    in_legend: bool,
) -> None:
    """Add what the gauge said: circles where it is believed, crosses where not."""
    across = rows["flow"] if x is None else x
    kind = KINDS["measured"]
    for is_excluded, words, symbol, colour in (
        (False, "gauge", kind.symbol, kind.colour),
        (True, "gauge not believed", "x-thin", COLOURS["quiet"]),
    ):
        mine = rows["is_excluded"] == is_excluded
        if not mine.any():
            continue
        values = across[mine]
        figure.add_scatter(
            x=values if values.dtype.kind == "M" else values.astype(float).round(3).tolist(),
            y=rows.loc[mine, y].astype(float).round(3).tolist(),
            mode="markers",
            name=words,
            legendgroup=words,
            showlegend=in_legend,
            marker={
                "symbol": symbol,
                "size": 5,
                "color": colour,
                "line": {"width": 1.2, "color": colour},
            },
            hovertemplate=words + ": %{x}, %{y}<extra></extra>",
            **_at(place),
        )


def _at(place: tuple[int, int] | None) -> dict[str, int]:
    return {} if place is None else {"row": place[0], "col": place[1]}
