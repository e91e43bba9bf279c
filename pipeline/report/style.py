"""Colours, marker shapes and layout shared by every figure.

Nothing is told by colour alone: each kind of value also has its own marker shape and line
style, and the colours keep their distance under the three common kinds of colour blindness and
in grey print.
"""

from __future__ import annotations

import functools
import html
from dataclasses import dataclass
from typing import Literal

import pandas as pd
import plotly.graph_objects as go

__all__ = [
    "COLOURS",
    "KINDS",
    "KIND_OF_SOURCE",
    "SHORT_SOURCE",
    "SOURCE_WORDS",
    "Kind",
    "base_figure",
    "empty_figure",
    "empty_reason",
    "local",
    "safe",
    "source_words",
]

COLOURS: dict[str, str] = {
    "ink": "#1d2733",
    "quiet": "#5d6875",
    "grid": "#dfe4ea",
    "paper": "#ffffff",
    "measured": "#12478c",
    "modelled": "#c25a00",
    "level_only": "#6b6f76",
    "baseline": "#1d2733",
    "cost": "#8fb0cf",
    "loss": "#7a1f5c",
    "pipe": "#d9a441",
}
"""Every colour of page and figures, by what it stands for."""


@dataclass(frozen=True, slots=True)
class Kind:
    """How values of one kind of origin are drawn.

    Parameters
    ----------
    name : str
        ``measured``, ``modelled`` or ``level_only``.
    label : str
        In the legend.
    colour, symbol, dash : str
        Marker and line; symbol and dash differ between kinds as well as colour.
    band : str
        Colour of its 95 % interval.
    """

    name: Literal["measured", "modelled", "level_only"]
    label: str
    colour: str
    symbol: str
    dash: str
    band: str


KINDS: dict[str, Kind] = {
    "measured": Kind(
        "measured",
        "suction pressure measured",
        COLOURS["measured"],
        "circle",
        "solid",
        "rgba(18,71,140,0.20)",
    ),
    "modelled": Kind(
        "modelled",
        "suction pressure modelled",
        COLOURS["modelled"],
        "diamond-open",
        "dash",
        "rgba(194,90,0,0.20)",
    ),
    "level_only": Kind(
        "level_only",
        "suction pressure from level alone, losses unknown",
        COLOURS["level_only"],
        "x-thin",
        "dot",
        "rgba(107,111,118,0.20)",
    ),
}

KIND_OF_SOURCE: dict[str, str] = {
    "measured": "measured",
    "modelled": "modelled",
    "sister": "modelled",
    "survey": "modelled",
    "drawing": "modelled",
    "level_only": "level_only",
}

SOURCE_WORDS: dict[str, str] = {
    "measured": "measured by the suction gauge",
    "modelled": "modelled, fitted to this pump's own gauge while it was good",
    "sister": "modelled from gauges of other pumps on the same suction line",
    "survey": "modelled from spot readings",
    "drawing": "worked out from drawings",
    "level_only": "level without losses, nothing better known",
    "missing": "missing",
}


SHORT_SOURCE: dict[str, str] = {
    "measured": "measured",
    "modelled": "modelled, own gauge",
    "sister": "modelled, sister gauges",
    "survey": "modelled, spot readings",
    "drawing": "from drawings",
    "level_only": "level alone",
    "missing": "missing",
}


def source_words(source: object) -> str:
    """Say a suction source in words; an unknown one is repeated, none is "unknown"."""
    if not isinstance(source, str) or not source:
        return "unknown"
    return SOURCE_WORDS.get(source, source.replace("_", " "))


def safe(text: object) -> str:
    """Make text harmless and literal where plotly reads a small part of HTML.

    Examples
    --------
    >>> safe("<b>P1</b> & co")
    '&lt;b&gt;P1&lt;/b&gt; &amp; co'
    """
    return html.escape(str(text), quote=False)


def local(times: pd.Series, time_zone: str) -> pd.Series:
    """Turn UTC times into the station's clock time, without zone, for an axis."""
    return pd.to_datetime(times, utc=True).dt.tz_convert(time_zone).dt.tz_localize(None)


@functools.cache
def _template() -> go.layout.Template:
    axis = {
        "gridcolor": COLOURS["grid"],
        "linecolor": COLOURS["quiet"],
        "zerolinecolor": COLOURS["quiet"],
        "ticks": "outside",
        "automargin": True,
    }
    return go.layout.Template(
        layout={
            "font": {"family": "system-ui, sans-serif", "size": 13, "color": COLOURS["ink"]},
            "paper_bgcolor": COLOURS["paper"],
            "plot_bgcolor": COLOURS["paper"],
            "xaxis": axis,
            "yaxis": axis,
            "hoverlabel": {"bgcolor": COLOURS["paper"], "font": {"color": COLOURS["ink"]}},
            "legend": {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"},
            "margin": {"l": 60, "r": 20, "t": 50, "b": 56},
            "hovermode": "closest",
        }
    )


def base_figure(height: int = 360) -> go.Figure:
    """Return a figure with the common layout and nothing on it."""
    return go.Figure(layout={"template": _template(), "height": height})


def empty_figure(reason: str) -> go.Figure:
    """Return a figure that says in a sentence why there is nothing to draw."""
    figure = base_figure(160)
    figure.update_layout(
        meta={"nothing_to_draw": reason},
        xaxis={"visible": False},
        yaxis={"visible": False},
        annotations=[{"text": safe(reason), "showarrow": False, "x": 0.5, "y": 0.5}],
    )
    return figure


def empty_reason(figure: go.Figure) -> str | None:
    """Return why a figure is empty; None for one that shows something."""
    meta = figure.layout.meta
    return str(meta["nothing_to_draw"]) if isinstance(meta, dict) else None
