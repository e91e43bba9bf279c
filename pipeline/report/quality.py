"""The data-quality calendar: what each tag of a pump delivered, day by day."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from pipeline.plant import Plant
from pipeline.report.readings import Readings
from pipeline.report.style import COLOURS, base_figure, empty_figure, local, safe

if TYPE_CHECKING:
    from pipeline.tables.store import Tables

__all__ = ["DAY_STATES", "data_quality_calendar", "day_states", "tags_of"]

DAY_STATES: dict[str, tuple[str, str]] = {
    "no samples": ("#ffffff", "nothing came"),
    "complete": ("#cfe0ef", "95 % of the day or more, hardly a bad sample"),
    "gaps": ("#8fb3d4", "between half and 95 % of the day"),
    "mostly missing": ("#4a7cae", "less than half of the day"),
    "bad samples": ("#173a66", "more than one sample in twenty bad or out of range"),
    "gauge not believed": ("#e07b1f", "samples came, but a check excludes the gauge"),
}
"""States of a day: colour, from pale to dark as it gets worse, and meaning."""

_NAMES = list(DAY_STATES)
_NOT_BELIEVED = "gauge not believed"


def tags_of(plant: Plant, pump: str) -> dict[str, str]:
    """Name the tags that matter to a pump.

    Parameters
    ----------
    plant : Plant
        As read; of every item all versions count.
    pump : str
        As named in the plant file.

    Returns
    -------
    dict of str to str
        What each tag measures, by tag; in the order flow, pressures, power, others.
    """
    found: dict[str, str] = {}
    versions = plant.pumps.get(pump, ())
    meters = [m for group in plant.flow_meters.values() for m in group if pump in m.serves]
    roles = [(v.flow_tag, "flow") for v in versions] + [(m.tag, "flow") for m in meters]
    for attribute, words in (
        ("suction_pressure_tag", "suction pressure"),
        ("discharge_pressure_tag", "discharge pressure"),
        ("power_tag", "electrical power"),
        ("speed_tag", "speed"),
        ("running_tag", "running"),
    ):
        roles += [(getattr(v, attribute), words) for v in versions]
    lines = [plant.lines.get(v.suction_line, ()) for v in versions]
    for source in {line.source for group in lines for line in group}:
        for version in plant.sources.get(source, ()):
            roles += list(version.tags().items())
    segments = [s for group in lines for line in group for s in line.segments(pump)]
    roles += [(segment.strainer_tag, "strainer loss") for segment in segments]
    for tag, words in roles:
        if tag:
            found.setdefault(tag, words)
    return found


def day_states(
    readings: Readings, tags: Mapping[str, str], pump: str | None, time_zone: str
) -> pd.DataFrame:
    """Judge every day of every tag.

    Parameters
    ----------
    readings : Readings
        The tables.
    tags : mapping of str to str
        What each tag measures, by tag.
    pump : str or None
        Whose suction gauge the checks speak of.
    time_zone : str
        IANA zone of the station.

    Returns
    -------
    DataFrame
        One row per day from the first to the last, one column per tag with samples, values
        the position in `DAY_STATES`.
    """
    rows = readings.table("data_quality")
    rows = rows[rows["tag"].isin(list(tags))]
    if rows.empty:
        return pd.DataFrame()
    rows = rows.assign(date=local(rows["day"], time_zone).dt.normalize())
    samples = rows["samples"].where(rows["samples"] > 0)
    spoilt = (rows["bad"].fillna(0) + rows["out_of_range"].fillna(0)) / samples
    coverage = rows["coverage"].astype(float)
    state = np.select(
        [spoilt > 0.05, coverage < 50.0, coverage < 95.0],
        [_NAMES.index(n) for n in ("bad samples", "mostly missing", "gaps")],
        default=_NAMES.index("complete"),
    )
    rows = rows.assign(state=np.where(samples.isna(), _NAMES.index("no samples"), state))
    grid = rows.pivot_table(index="date", columns="tag", values="state", aggfunc="max")
    days = pd.date_range(grid.index.min(), grid.index.max(), freq="D")
    grid = grid.reindex(days).fillna(_NAMES.index("no samples")).astype(int)
    order = [tag for tag in tags if tag in grid.columns]
    grid = grid[order]
    if pump is not None:
        _mark_excluded(readings, tags, pump, time_zone, grid)
    return grid


def _mark_excluded(
    readings: Readings, tags: Mapping[str, str], pump: str, time_zone: str, grid: pd.DataFrame
) -> None:
    checks = readings.of_pump("gauge_checks", pump)
    checks = checks[checks["excludes"].fillna(False).astype(bool)]
    words = {"suction": "suction pressure", "discharge": "discharge pressure", "level": "level"}
    for gauge, start, end in zip(checks["gauge"], checks["start"], checks["end"], strict=True):
        columns = [t for t in grid.columns if tags[t] == words.get(str(gauge))]
        first = local(pd.Series([start]), time_zone).iloc[0].normalize()
        last = grid.index[-1] if pd.isna(end) else local(pd.Series([end]), time_zone).iloc[0]
        inside = (grid.index >= first) & (grid.index <= last)
        for column in columns:
            came = grid[column] != _NAMES.index("no samples")
            grid.loc[inside & came, column] = _NAMES.index(_NOT_BELIEVED)


def _strike_out(figure: go.Figure, grid: pd.DataFrame, labels: list[str]) -> None:
    """Draw a line through days on which a gauge is not believed: grey print shows it too."""
    noon = pd.DatetimeIndex(grid.index) + pd.Timedelta("12h")
    for column, label in zip(grid.columns, labels, strict=True):
        struck = (grid[column] == _NAMES.index(_NOT_BELIEVED)).to_numpy()
        if not struck.any():
            continue
        figure.add_scatter(
            x=noon,
            y=pd.Series(label, index=noon, dtype=object).where(struck, None).tolist(),
            mode="lines+markers",
            line={"width": 2, "color": COLOURS["ink"]},
            marker={"size": 3, "color": COLOURS["ink"]},
            showlegend=False,
            hoverinfo="skip",
        )


def data_quality_calendar(
    tables: Tables | Readings,
    tags: Mapping[str, str],
    *,
    pump: str | None = None,
    time_zone: str = "UTC",
) -> go.Figure:
    """Draw what each tag delivered, one row per tag and one column per day.

    Parameters
    ----------
    tables : Tables
        From ``open_tables``.
    tags : mapping of str to str
        What each tag measures, by tag; `tags_of` gives those of a pump.
    pump : str, optional
        With it, days on which a check excludes its gauges are marked.
    time_zone : str, optional
        IANA zone of the station.

    Returns
    -------
    plotly.graph_objects.Figure
        States and colours as in `DAY_STATES`: the darker, the worse; a line through days on
        which a gauge is not believed.
    """
    grid = day_states(Readings.of(tables), tags, pump, time_zone)
    if grid.empty:
        return empty_figure("No tag of this pump has delivered a sample yet.")
    labels = [safe(f"{tags[tag]} ({tag})") for tag in grid.columns]
    count = len(_NAMES)
    scale = [
        (edge, DAY_STATES[name][0])
        for i, name in enumerate(_NAMES)
        for edge in (i / count, (i + 1) / count)
    ]
    figure = base_figure(130 + 34 * len(labels))
    figure.add_heatmap(
        x=grid.index,
        y=labels,
        z=grid.to_numpy().T.tolist(),
        zmin=-0.5,
        zmax=count - 0.5,
        colorscale=scale,
        showscale=False,
        ygap=3,
        hovertemplate="%{x|%d %b %Y}, %{y}: %{customdata}<extra></extra>",
        customdata=np.array(_NAMES)[grid.to_numpy().T].tolist(),
    )
    for name in _NAMES:
        crossed = name == _NOT_BELIEVED
        figure.add_scatter(
            x=[None],
            y=[labels[0]],
            mode="markers",
            name=name,
            marker={
                "symbol": "square-x" if crossed else "square",
                "size": 12,
                "color": DAY_STATES[name][0],
                "line": {"width": 1, "color": "#1d2733" if crossed else "#5d6875"},
            },
            hoverinfo="skip",
        )
    _strike_out(figure, grid, labels)
    figure.update_yaxes(autorange="reversed", ticks="")
    figure.update_xaxes(range=[grid.index[0], grid.index[-1] + pd.Timedelta("1D")])
    return figure
