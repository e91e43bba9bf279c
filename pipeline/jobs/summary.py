"""What a run says on the console: one line per pump, open flags, and what was written."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from pipeline.plant import Plant
from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.store import Tables, open_tables

_SOURCE_WORDS = {
    "measured": "measured",
    "modelled": "modelled (own gauge)",
    "sister": "modelled (sister)",
    "survey": "modelled (survey)",
    "drawing": "drawings",
    "level_only": "level only",
    "missing": "missing",
}
NO_VALUE = "-"


def read_inner(tables: Tables, plant: Plant, name: str) -> pd.DataFrame:
    """Read a published table as an SI frame with bare names; empty where there is none."""
    contract = BY_NAME[name]
    if name not in tables.names():
        return contract.empty()
    currency = plant.tariffs[-1].currency if plant.tariffs else "EUR"
    return contract.restore(tables.read_arrow(name), plant.station.display, currency)


def summary(plant: Plant) -> dict[str, object]:
    """Give the summary for machines.

    Parameters
    ----------
    plant : Plant
        Its data folder is read.

    Returns
    -------
    dict
        ``station``, ``generation``, ``data_to``, ``pumps``, ``flags`` (open ones; ``news``
        says what happened to each in the latest run that changed anything, empty if nothing)
        and ``flag_news`` (every such change, closed flags too); plain values, SI, fractions
        and the plant's currency. Missing values are None.
    """
    tables = open_tables(plant.data_folder)
    pumps = read_inner(tables, plant, "pumps")
    flags = read_inner(tables, plant, "flags")
    runs = read_inner(tables, plant, "runs")
    trends = read_inner(tables, plant, "trends")
    level = trends[(trends["assumption"] == "level_only") & (trends["quantity"] == "efficiency")]
    level = level.sort_values("start").drop_duplicates("pump", keep="last").set_index("pump")
    records = pumps.astype(object).where(pumps.notna(), None).to_dict("records")
    for record in records:
        known = record["pump"] in level.index
        rate = level["rate"].get(record["pump"]) if known else None
        record["level_only_efficiency_rate"] = None if pd.isna(rate) else float(rate)
    news = _news(runs)
    told = dict(news)
    return {
        "station": plant.station.name,
        "generation": tables.generation,
        "data_to": None if runs.empty else runs["as_of"].iloc[-1].isoformat(),
        "currency": plant.tariffs[-1].currency if plant.tariffs else None,
        "pumps": [_plain(r) for r in records],
        "flags": [
            _plain(r) | {"news": told.get(str(r["flag"]), "")}
            for r in flags.astype(object).where(flags.notna(), None).to_dict("records")
            if r["closed"] is None
        ],
        "flag_news": [{"flag": flag, "change": change} for flag, change in news],
    }


def _news(runs: pd.DataFrame) -> list[tuple[str, str]]:
    """Give flag and change of everything the latest run found new, the last of each flag."""
    text = "" if runs.empty else str(runs["flag_changes"].fillna("").iloc[-1])
    pairs = [part.partition(" ") for part in text.split("; ") if part]
    return list({flag: (flag, change) for change, _, flag in pairs}.values())


def _plain(record: Mapping[Hashable, Any]) -> dict[str, object]:
    return {
        str(key): value.isoformat() if isinstance(value, pd.Timestamp) else value
        for key, value in record.items()
    }


def summary_text(plant: Plant) -> str:
    """Give the summary for people.

    Parameters
    ----------
    plant : Plant
        Its data folder is read.

    Returns
    -------
    str
        Lines of at most about 120 characters.
    """
    found = summary(plant)
    pumps = _records(found["pumps"])
    currency = str(found["currency"] or "")
    lines = [
        f"{found['station']}: data up to {str(found['data_to'])[:16].replace('T', ' ')} UTC",
        "",
        *columns_text(
            [
                "Pump",
                "Overall efficiency",
                "Change per year",
                "Suction pressure",
                f"Loss, {currency}/year",
                "Level only would claim",
            ],
            ["", "last 30 days, 95 %", "of baseline, same duty", "last 30 days", "against baseline",
             "efficiency, change per year"],
            [_pump_cells(p) for p in pumps],
        ),
        "Interval of the change per year: scatter and season, and drift of instruments where "
        "`accuracy` declares `drift_per_year`.",
        "",
    ]  # fmt: skip
    lines += _flag_lines(_records(found["flags"]), _records(found["flag_news"]))
    notes = [f"{p['pump']}: {p['note']}." for p in pumps if p["note"]]
    if notes:
        lines += ["", *notes]
    return "\n".join(lines)


def _records(value: object) -> list[dict[str, object]]:
    return list(value) if isinstance(value, list) else []


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else math.nan


def _percent(value: object, digits: int = 1, *, sign: bool = False) -> str:
    number = _number(value)
    if math.isnan(number):
        return NO_VALUE
    return f"{100.0 * number:{'+' if sign else ''}.{digits}f} %"


def _pump_cells(p: dict[str, object]) -> list[str]:
    efficiency = _percent(p["overall_efficiency"])
    u = _number(p["overall_efficiency_u95"])
    if not math.isnan(u):
        efficiency += f" ± {100.0 * u:.1f}"
    rate = _percent(p["efficiency_rate"], 1, sign=True)
    low, high = _number(p["efficiency_rate_low"]), _number(p["efficiency_rate_high"])
    if p["trend_status"] != "ok":
        rate = str(p["trend_status"]).replace("_", " ")
    elif not math.isnan(low):
        rate += f" ({100.0 * low:+.1f} to {100.0 * high:+.1f})"
    loss, loss_u = _number(p["excess_cost_per_year"]), _number(p["excess_cost_per_year_u95"])
    cost = NO_VALUE if math.isnan(loss) else f"{loss:,.0f} ± {loss_u:,.0f}".replace(",", " ")
    claim = _percent(p["level_only_overall_efficiency"])
    claim_rate = _percent(p["level_only_efficiency_rate"], 1, sign=True)
    source = _SOURCE_WORDS.get(str(p["suction_pressure_source"]), NO_VALUE)
    share = _number(p["measured_suction"])
    if 0.005 < share < 0.995:
        source = (
            f"{100.0 * share:.0f} % measured"
            if source == "measured"
            else (f"{source}, {100.0 * share:.0f} % measured")
        )
    return [str(p["pump"]), efficiency, rate, source, cost, f"{claim}, {claim_rate}"]


def columns_text(
    head: Sequence[str], under: Sequence[str], rows: Sequence[Sequence[str]]
) -> list[str]:
    """Lay rows of cells out in columns under a head of two lines."""
    columns = list(zip(head, under, *rows, strict=True))
    widths = [max(len(cell) for cell in column) for column in columns]
    text = [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in (head, under, *rows)
    ]
    return [*text[:2], "-" * max(len(t) for t in text), *text[2:]]


def _flag_lines(flags: list[dict[str, object]], news: list[dict[str, object]]) -> list[str]:
    """Say what changed; what stands as before gets a line, what is acknowledged a count."""
    fresh = [f for f in flags if f["news"]]
    rest = [f for f in flags if not f["news"]]
    seen = [f for f in rest if f["acknowledged"] == "yes"]
    as_before = [f for f in rest if f["acknowledged"] != "yes"]
    still_open = {f["flag"] for f in flags}
    gone = [n for n in news if n["flag"] not in still_open]
    if not flags and not gone:
        return ["No open flags."]
    lines = ["News of flags" if fresh or gone else "No news of flags."]
    for flag in fresh:
        lines.append(f"  {_flag_head(flag)} ({flag['news']})")
        lines.append(f"      {flag['evidence']}")
        lines.append(f"      Not excluded: {flag['causes']}.")
        lines.append(f"      Check on site: {flag['site_check']}")
        lines += [f"      {words}" for words in [_said_words(flag)] if words]
    lines += [f"  {n['flag']}: {n['change']}" for n in gone]
    if as_before:
        lines.append("Open as before")
        lines += [f"  {_flag_head(f)}" for f in as_before]
    if seen:
        count = "1 acknowledged flag rests" if len(seen) == 1 else f"{len(seen)} acknowledged rest"
        lines.append(f"{count}: " + ", ".join(str(f["flag"]) for f in seen) + ".")
    return lines


def _flag_head(flag: dict[str, object]) -> str:
    since = str(flag["since"] or flag["opened"])[:10]
    kind = str(flag["kind"]).replace("_", " ")
    return f"{flag['pump']}  {flag['severity']}: {kind} since {since}"


def _said_words(flag: dict[str, object]) -> str:
    """Recall an acknowledgement that does not hold any more."""
    when = f"Acknowledged by {flag['acknowledged_by']} on {str(flag['acknowledged_time'])[:10]}"
    return {
        "outgrown": f"{when}; it has grown since.",
        "lapsed": f"{when}; that time is over.",
    }.get(str(flag["acknowledged"]), "")


def written_text(plant: Plant) -> str:
    """List what a run wrote and how to open it."""
    tables = open_tables(plant.data_folder)
    root = plant.data_folder / "tables"
    lines = [f"Tables in {_short(root)} (generation {tables.generation}):"]
    for name in tables.names():
        contract = BY_NAME.get(name)
        if contract is not None:
            lines.append(f"  {name:<20} {contract.grain}")
    lines += [
        f"Open one with pandas:  pd.read_parquet('{_short(root)}/rolling_performance')",
    ]
    return "\n".join(lines)


def _short(path: Path) -> str:
    try:
        return str(path.relative_to(Path.cwd()))
    except ValueError:
        return str(path)
