"""The overview: all pumps in one table, and every open flag."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from pipeline.report.prospects import acknowledgement_words
from pipeline.report.readings import Readings
from pipeline.report.style import KIND_OF_SOURCE, SHORT_SOURCE
from pipeline.report.words import (
    NOTHING,
    day_text,
    interval,
    money,
    number,
    plain,
    points,
    share,
    signed,
)

__all__ = ["Cell", "Flag", "Grid", "flags_of", "overview", "pump_rows"]


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: what is read, what it sorts by, and a second, quieter line.

    Parameters
    ----------
    text : str
        As shown.
    sort : str
        Number or text to sort by; empty sorts last whichever way.
    more : str
        Second line.
    kind : str
        Marker shown before it: ``measured``, ``modelled``, ``level_only`` or none.
    link : str
        Where it leads on the page.
    """

    text: str
    sort: str = ""
    more: str = ""
    kind: str = ""
    link: str = ""


@dataclass(frozen=True, slots=True)
class Grid:
    """A table as shown: headings, how each column sorts (``text`` or ``number``), rows."""

    headings: tuple[str, ...]
    sorts: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True)
class Flag:
    """A flag in words."""

    pump: str
    link: str
    kind: str
    severity: str
    opened: str
    closed: str
    since: str
    loss: str
    causes: tuple[str, ...]
    evidence: str
    site_check: str
    said: str = ""


def pump_rows(readings: Readings, declared: Sequence[str]) -> dict[str, dict[str, object]]:
    """Give the row of the ``pumps`` table per pump, plant file first; empty where none is."""
    known = {str(row["pump"]): row for row in readings.table("pumps").to_dict("records")}
    names = [*declared, *(name for name in known if name not in declared)]
    return {name: {str(k): v for k, v in known.get(name, {}).items()} for name in names}


def overview(rows: dict[str, dict[str, object]], links: dict[str, str], currency: str) -> Grid:
    """Lay out all pumps, the dearest loss first.

    Parameters
    ----------
    rows : dict
        From `pump_rows`.
    links : dict of str to str
        Where each pump's section is.
    currency : str
        Three letters; empty without a price.

    Returns
    -------
    Grid
    """
    lines = [_line(name, row, links[name], currency) for name, row in rows.items()]
    lines.sort(key=lambda cells: -float(cells[5].sort) if cells[5].sort else math.inf)
    return Grid(
        (
            "Pump",
            "Overall efficiency",
            "Sure to within (95\N{NO-BREAK SPACE}%)",
            "Against baseline, same duty",
            "Change per year",
            "Loss costs per year",
            "Suction pressure of most points",
            "Level alone would claim",
            "Open flags",
        ),
        ("text", *("number",) * 5, "text", "number", "number"),
        tuple(lines),
    )


def _sort(value: object) -> str:
    known = isinstance(value, int | float) and math.isfinite(value)
    return repr(float(value)) if known else ""  # type: ignore[arg-type]


def _line(name: str, row: dict[str, object], link: str, currency: str) -> tuple[Cell, ...]:
    get = row.get
    source = get("suction_pressure_source")
    measured = share(get("measured_suction"))
    cost, cost_u = get("excess_cost_per_year"), get("excess_cost_per_year_u95")
    trend = interval(get("efficiency_rate_low"), get("efficiency_rate_high"), 1)
    status = get("trend_status")
    return (
        Cell(name, name, link=link, more=str(get("note") or "")),
        Cell(
            number(get("overall_efficiency"), 1, "%"),
            _sort(get("overall_efficiency")),
            kind=KIND_OF_SOURCE.get(str(source), ""),
        ),
        Cell(
            f"± {points(get('overall_efficiency_u95'))}"
            if _sort(get("overall_efficiency_u95"))
            else NOTHING,
            _sort(get("overall_efficiency_u95")),
        ),
        Cell(signed(get("efficiency_deviation"), 1, "%"), _sort(get("efficiency_deviation"))),
        Cell(
            signed(get("efficiency_rate"), 1, "%"),
            _sort(get("efficiency_rate")),
            more=trend or (plain(status) if status != "ok" else ""),
        ),
        Cell(
            money(cost, currency),
            _sort(cost),
            more=f"± {money(cost_u, currency)}" if _sort(cost_u) else "",
        ),
        Cell(
            SHORT_SOURCE.get(str(source), "unknown"),
            SHORT_SOURCE.get(str(source), ""),
            more="" if measured == NOTHING else f"{measured} of points measured",
        ),
        Cell(
            number(get("level_only_overall_efficiency"), 1, "%"),
            _sort(get("level_only_efficiency_error")),
            more=f"{signed(get('level_only_efficiency_error'), 1, 'points')}"
            if _sort(get("level_only_efficiency_error"))
            else "",
        ),
        Cell(
            number(get("open_flags"), 0) if _sort(get("open_flags")) else NOTHING,
            _sort(get("open_flags")),
        ),
    )


_ORDER = {"act": 0, "plan": 1, "watch": 2}


def flags_of(
    readings: Readings, links: dict[str, str], time_zone: str, pump: str | None = None
) -> list[Flag]:
    """Put flags into words: the open ones of all pumps, or every one of a pump.

    Returns
    -------
    list of Flag
        Open ones first, then the gravest, then the newest.
    """
    rows = readings.table("flags") if pump is None else readings.of_pump("flags", pump)
    if pump is None:
        rows = rows[rows["closed"].isna()]
    rows = rows.assign(
        is_closed=rows["closed"].notna(), gravity=rows["severity"].map(_ORDER).fillna(9)
    ).sort_values(["is_closed", "gravity", "opened"], ascending=[True, True, False], kind="stable")
    records = [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]
    return [_flag(row, links, time_zone) for row in records]


def _flag(row: dict[str, object], links: dict[str, str], time_zone: str) -> Flag:
    loss = number(row["loss"], 1, "%")
    if loss != NOTHING and _sort(row["loss_u95"]):
        loss = f"{number(row['loss'], 1)} ± {number(row['loss_u95'], 1, '%')}"
    causes = str(row["causes"] or "")
    closed = row["closed"]
    return Flag(
        pump=str(row["pump"]),
        link=links.get(str(row["pump"]), ""),
        kind=plain(row["kind"]),
        severity=str(row["severity"] or ""),
        opened=day_text(row["opened"], time_zone),
        closed="" if closed is None or pd.isna(closed) else day_text(closed, time_zone),  # type: ignore[call-overload]
        since=day_text(row["since"], time_zone),
        loss=loss,
        causes=tuple(plain(c.strip()) for c in causes.split(",") if c.strip()),
        evidence=str(row["evidence"] or ""),
        site_check=str(row["site_check"] or ""),
        said=acknowledgement_words(row, time_zone),
    )
