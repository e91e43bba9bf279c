"""Figures over time: efficiency, deviation and trend, and what level alone would have said."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from pipeline.report.readings import Readings
from pipeline.report.series import contiguous, daily_deviations, daily_efficiency
from pipeline.report.style import COLOURS, KINDS, base_figure, empty_figure, safe

if TYPE_CHECKING:
    from pipeline.tables.store import Tables

__all__ = ["assumption_comparison", "deviation_trend", "efficiency_over_time"]

YEAR = pd.Timedelta(days=365.25)


def efficiency_over_time(
    tables: Tables | Readings, pump: str, *, time_zone: str = "UTC"
) -> go.Figure:
    """Draw the overall efficiency of a pump over time with its 95 % interval.

    Parameters
    ----------
    tables : Tables
        From ``open_tables``.
    pump : str
        As named in the plant file.
    time_zone : str, optional
        IANA zone of the station.

    Returns
    -------
    plotly.graph_objects.Figure
        One point per day, per week where the history is longer than 800 days. Points on
        measured suction pressure are filled circles on a solid line; on modelled, open
        diamonds on a dashed line; on level alone, crosses on a dotted line.
    """
    rows = daily_efficiency(Readings.of(tables), pump, time_zone)
    if rows.empty:
        return empty_figure(f"No overall efficiency of {pump} could be worked out yet.")
    figure = base_figure(380)
    for name, kind in KINDS.items():
        part = contiguous(rows, name, ["overall_efficiency", "low", "high", "u95"])
        if part.empty:
            continue
        _add_band(figure, part["time"], part["low"], part["high"], kind.band, name)
        figure.add_scatter(
            x=part["time"],
            y=_figures(part["overall_efficiency"]),
            customdata=_figures(part["u95"]),
            mode="lines+markers",
            name=kind.label,
            legendgroup=name,
            line={"color": kind.colour, "dash": kind.dash, "width": 1.2},
            marker=_marker(name, 5),
            hovertemplate="%{x|%d %b %Y}: %{y:.1f} % ± %{customdata:.1f}<extra></extra>",
        )
    # A day with hardly a point must not flatten all others: the whole range is one click away.
    low, high = (float(rows[c].quantile(q)) for c, q in (("low", 0.01), ("high", 0.99)))
    margin = 0.15 * max(high - low, 2.0)
    figure.update_yaxes(title="overall efficiency, %", range=[low - margin, high + margin])
    figure.update_xaxes(range=_span(rows["time"]))
    return figure


def deviation_trend(tables: Tables | Readings, pump: str, *, time_zone: str = "UTC") -> go.Figure:
    """Draw how far a pump is from its baseline at the same duty, with the fitted trend.

    Parameters
    ----------
    tables : Tables
        From ``open_tables``.
    pump : str
        As named in the plant file.
    time_zone : str, optional
        IANA zone of the station.

    Returns
    -------
    plotly.graph_objects.Figure
        Above: efficiency deviation with the trend and its 95 % interval, drawn through the
        middle of the days it was fitted to. Below: head and power deviation, which tell
        causes apart.
    """
    readings = Readings.of(tables)
    rows = daily_deviations(readings, pump, time_zone)
    if rows.empty:
        return empty_figure(f"{pump} has no baseline yet to compare with.")
    figure = make_subplots(
        rows=2, cols=1, shared_xaxes=True, row_heights=[0.6, 0.4], figure=base_figure(520)
    )
    for name, kind in KINDS.items():
        part = rows[rows["kind"] == name]
        if part.empty:
            continue
        figure.add_scatter(
            x=part["time"],
            y=_figures(part["efficiency_deviation"], 2),
            customdata=_figures(part["u95"], 2),
            mode="markers",
            name=kind.label,
            marker=_marker(name, 5),
            hovertemplate="%{x|%d %b %Y}: %{y:.1f} % ± %{customdata:.1f}<extra></extra>",
            row=1,
            col=1,
        )
    _add_trends(figure, readings, pump, rows, time_zone)
    for column, label, symbol, colour in (
        ("head_deviation", "head", "triangle-up", COLOURS["measured"]),
        ("power_deviation", "electrical power", "square-open", COLOURS["loss"]),
    ):
        figure.add_scatter(
            x=rows["time"],
            y=_figures(rows[column], 2),
            mode="markers",
            name=label,
            marker={"symbol": symbol, "size": 5, "color": colour},
            hovertemplate="%{x|%d %b %Y}: " + label + " %{y:.1f} %<extra></extra>",
            row=2,
            col=1,
        )
    for row in (1, 2):
        figure.add_hline(y=0, line={"color": COLOURS["ink"], "width": 1}, row=row, col=1)
    figure.update_yaxes(title="efficiency against<br>baseline, %", row=1, col=1)
    figure.update_yaxes(title="head and power<br>against it, %", row=2, col=1)
    figure.update_xaxes(range=_span(rows["time"]))
    return figure


def assumption_comparison(
    tables: Tables | Readings, pump: str, *, time_zone: str = "UTC"
) -> go.Figure:
    """Draw what level without losses would have claimed beside what was worked out.

    Parameters
    ----------
    tables : Tables
        From ``open_tables``.
    pump : str
        As named in the plant file.
    time_zone : str, optional
        IANA zone of the station.

    Returns
    -------
    plotly.graph_objects.Figure
        Above: both efficiencies. Below: the claim less the figure used here, which is the
        error of the assumption.
    """
    rows = daily_efficiency(Readings.of(tables), pump, time_zone)
    rows = rows[rows["level_only_overall_efficiency"].notna()]
    if rows.empty:
        return empty_figure(f"There is no level to work out what it alone would say of {pump}.")
    error = rows["level_only_overall_efficiency"] - rows["overall_efficiency"]
    figure = make_subplots(
        rows=2, cols=1, shared_xaxes=True, row_heights=[0.6, 0.4], figure=base_figure(480)
    )
    for name, kind in KINDS.items():
        part = contiguous(rows, name, ["overall_efficiency"])
        if part.empty:
            continue
        figure.add_scatter(
            x=part["time"],
            y=_figures(part["overall_efficiency"]),
            mode="lines+markers",
            name=f"used here: {kind.label}",
            line={"color": kind.colour, "dash": kind.dash, "width": 1},
            marker=_marker(name, 4),
            hovertemplate="%{x|%d %b %Y}: %{y:.1f} %<extra></extra>",
            row=1,
            col=1,
        )
    for row, values, label in (
        (1, rows["level_only_overall_efficiency"], "level without losses would claim"),
        (2, error, "its error"),
    ):
        figure.add_scatter(
            x=rows["time"],
            y=_figures(values, 2),
            mode="markers",
            name=label,
            showlegend=row == 1,
            marker={
                "symbol": "cross-thin",
                "size": 6,
                "color": COLOURS["loss"],
                "line": {"width": 1.4, "color": COLOURS["loss"]},
            },
            hovertemplate="%{x|%d %b %Y}: " + label + " %{y:.1f}<extra></extra>",
            row=row,
            col=1,
        )
    figure.add_hline(y=0, line={"color": COLOURS["ink"], "width": 1}, row=2, col=1)
    figure.update_yaxes(title="overall efficiency, %", row=1, col=1)
    figure.update_yaxes(title="claim less figure<br>used, points", row=2, col=1)
    figure.update_xaxes(range=_span(rows["time"]))
    return figure


def _add_trends(
    figure: go.Figure, readings: Readings, pump: str, rows: pd.DataFrame, time_zone: str
) -> None:
    trends = readings.of_pump("trends", pump)
    fitted = trends[
        (trends["quantity"] == "efficiency")
        & (trends["assumption"] == "as_used")
        & trends["rate"].notna()
        & trends["first_day"].notna()
    ]
    for position, trend in enumerate(fitted.sort_values("start").to_dict("records")):
        days = pd.DatetimeIndex([trend["first_day"], trend["last_day"]])
        first, last = days.tz_convert(time_zone).tz_localize(None)
        inside = rows[(rows["time"] >= first - pd.Timedelta("7D")) & (rows["time"] <= last)]
        if inside.empty:
            continue
        middle_time = pd.Timestamp(inside["time"].mean())
        middle = float(inside["efficiency_deviation"].median())
        ends = pd.Series([first, last])
        years = ((ends - middle_time) / YEAR).to_numpy()
        rates = [trend["rate_low"], trend["rate_high"]]
        if np.isfinite(rates).all():
            fan = np.sort(middle + np.outer(rates, years), axis=0)
            across = pd.Series([first, middle_time, last])
            _add_band(
                figure,
                across,
                pd.Series([fan[0, 0], middle, fan[0, 1]]),
                pd.Series([fan[1, 0], middle, fan[1, 1]]),
                "rgba(29,39,51,0.16)",
                "trend",
            )
        figure.add_scatter(
            x=ends,
            y=_figures(pd.Series(middle + trend["rate"] * years), 3),
            mode="lines",
            name="fitted trend",
            legendgroup="trend",
            showlegend=position == 0,
            line={"color": COLOURS["ink"], "width": 2.5},
            hovertemplate=safe(
                f"{trend['rate']:+.1f} % a year "
                f"({trend['rate_low']:+.1f} to {trend['rate_high']:+.1f})"
            )
            + "<extra></extra>",
            row=1,
            col=1,
        )


def _add_band(
    figure: go.Figure,
    times: pd.Series,
    low: pd.Series,
    high: pd.Series,
    colour: str,
    group: str,
) -> None:
    """Shade between two lines, one closed shape per piece without gaps, in one trace."""
    piece = low.isna().cumsum()[low.notna()]
    half_day = pd.Timedelta("12h")
    x: list[pd.Timestamp | None] = []
    y: list[float | None] = []
    for indices in piece.groupby(piece).groups.values():
        t, a, b = times[indices].tolist(), low[indices], high[indices]
        if len(t) == 1:
            t = [t[0] - half_day, t[0] + half_day]
            a, b = a.repeat(2), b.repeat(2)
        x += [*t, *t[::-1], t[0], None]
        y += [*_figures(a), *_figures(b[::-1]), *_figures(a[:1]), None]
    figure.add_scatter(
        x=x[:-1],
        y=y[:-1],
        mode="lines",
        fill="toself",
        fillcolor=colour,
        line={"width": 0},
        hoverinfo="skip",
        showlegend=False,
        legendgroup=group,
    )


def _marker(kind: str, size: int) -> dict[str, object]:
    drawn = KINDS[kind]
    return {
        "symbol": drawn.symbol,
        "size": size,
        "color": drawn.colour,
        "line": {"width": 1.2, "color": drawn.colour},
    }


def _span(times: pd.Series) -> list[pd.Timestamp]:
    margin = max((times.max() - times.min()) * 0.01, pd.Timedelta("1D"))
    return [times.min() - margin, times.max() + margin]


def _figures(values: pd.Series, digits: int = 2) -> list[float | None]:
    """Round for the page: short numbers, and None where there is none."""
    rounded = values.astype(float).round(digits)
    return [None if np.isnan(v) else v for v in rounded.tolist()]
