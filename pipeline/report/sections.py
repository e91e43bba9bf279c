"""The section of one pump: what it comes to in words, its figures and its numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import plotly.graph_objects as go

from pipeline.plant import Plant
from pipeline.report.curves import operating_points_on_curve
from pipeline.report.details import details_of
from pipeline.report.efficiency import (
    assumption_comparison,
    deviation_trend,
    efficiency_over_time,
)
from pipeline.report.money import monthly_cost
from pipeline.report.overview import Flag, Grid, flags_of
from pipeline.report.prospects import event_sentences, outlook_sentences
from pipeline.report.quality import data_quality_calendar, tags_of
from pipeline.report.readings import Readings
from pipeline.report.style import empty_reason, source_words
from pipeline.report.suction_fit import suction_fit
from pipeline.report.words import day_text, interval, money, number, plain, share, signed

__all__ = ["Drawing", "Section", "drawing", "section"]


@dataclass(frozen=True, slots=True)
class Drawing:
    """A figure on the page.

    Parameters
    ----------
    name : str
        Key among the figures of its pump.
    title, note : str
        What it shows, and how to read it.
    described : str
        For people who cannot see it.
    height : int
        In pixels, so that nothing moves when it is drawn.
    figure : Figure or None
        None where there is nothing to draw; `note` then says why.
    """

    name: str
    title: str
    note: str
    described: str
    height: int
    figure: go.Figure | None


@dataclass(frozen=True, slots=True)
class Section:
    """Everything the page says of one pump."""

    pump: str
    link: str
    facts: tuple[str, ...]
    outlook: tuple[str, ...]
    events: tuple[str, ...]
    flags: tuple[Flag, ...]
    drawings: tuple[Drawing, ...]
    details: tuple[tuple[str, Grid], ...]


def section(
    readings: Readings,
    plant: Plant,
    pump: str,
    row: dict[str, object],
    links: dict[str, str],
    currency: str,
) -> Section:
    """Build the section of one pump.

    Parameters
    ----------
    readings : Readings
        The tables.
    plant : Plant
        As read.
    pump : str
        As named in the plant file.
    row : dict
        Its row of the ``pumps`` table; empty where there is none.
    links : dict of str to str
        Where each pump's section is.
    currency : str
        Three letters.

    Returns
    -------
    Section
    """
    zone = plant.station.time_zone
    return Section(
        pump=pump,
        link=links[pump],
        facts=tuple(_facts(readings, pump, row, zone, currency)),
        outlook=tuple(outlook_sentences(readings, pump, zone, currency)),
        events=tuple(event_sentences(readings, pump, zone, currency)),
        flags=tuple(flags_of(readings, links, zone, pump)),
        drawings=tuple(_drawings(readings, plant, pump, row, zone)),
        details=tuple(details_of(readings, plant, pump, currency)),
    )


def _has(value: object) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def _facts(
    readings: Readings, pump: str, row: dict[str, object], zone: str, currency: str
) -> list[str]:
    if not row:
        return [f"No figures of {pump} have been worked out yet."]
    found = []
    if row.get("note"):
        found.append(f"{str(row['note']).capitalize()}.")
    efficiency = row.get("overall_efficiency")
    if _has(efficiency):
        sentence = (
            f"In its last 30 days of data (to {day_text(row.get('last_time'), zone)}) "
            f"{number(efficiency, 1, '%')} ± {number(row.get('overall_efficiency_u95'), 1)} points "
            "of the electrical energy became hydraulic energy"
        )
        if _has(row.get("running_time")):
            sentence += f", in {number(row.get('running_time'), 0)} hours of running"
        found.append(sentence + ".")
        own = row.get("pump_efficiency")
        if _has(own):
            found.append(
                f"Pump alone, without motor and drive: {number(own, 1, '%')} ± "
                f"{number(row.get('pump_efficiency_u95'), 1)} points; this rests on "
                f"{plain(row.get('driver_assumption'))}."
            )
    found += _change(row)
    cost = row.get("excess_cost_per_year")
    if _has(cost):
        u95 = row.get("excess_cost_per_year_u95")
        sentence = (
            f"Against its baseline it costs {money(abs(float(cost)), currency)} a year "  # type: ignore[arg-type]
            f"{'more' if float(cost) >= 0 else 'less'} "  # type: ignore[arg-type]
            f"(± {money(u95, currency)}) at the present rate of use"
        )
        if _has(u95) and abs(float(cost)) <= float(u95):  # type: ignore[arg-type]
            sentence += "; that is not distinguishable from nothing"
        found.append(sentence + ".")
    found.append(_suction(row))
    error = row.get("level_only_efficiency_error")
    if _has(error):
        found.append(_level_only(readings, pump, row, float(error)))  # type: ignore[arg-type]
    return found


def _change(row: dict[str, object]) -> list[str]:
    deviation, rate = row.get("efficiency_deviation"), row.get("efficiency_rate")
    found = []
    if _has(deviation):
        found.append(
            f"At the same flow its efficiency is {signed(deviation, 1, '%')} against baseline."
        )
    if _has(rate):
        ends = interval(row.get("efficiency_rate_low"), row.get("efficiency_rate_high"), 1, "%")
        found.append(
            f"It changes by {signed(rate, 1, '%')} a year (95 % interval {ends}, from scatter and "
            "season, and drift of instruments where it is declared)."
        )
    elif row.get("trend_status"):
        found.append(f"No trend can be told: {plain(row['trend_status'])}.")
    return found


def _suction(row: dict[str, object]) -> str:
    part, source = row.get("measured_suction"), row.get("suction_pressure_source")
    if not _has(part):
        return "Where its suction pressure is from is not known."
    if float(part) >= 100.0:  # type: ignore[arg-type]
        return "Suction pressure: measured by its gauge."
    if float(part) <= 0.0:  # type: ignore[arg-type]
        return f"Suction pressure: not measured. It is {source_words(source)}."
    return (
        f"Suction pressure: {share(part)} of the points measured by its gauge; "
        f"the least certain of the rest {source_words(source)}."
    )


def _level_only(readings: Readings, pump: str, row: dict[str, object], error: float) -> str:
    claim = number(row.get("level_only_overall_efficiency"), 1, "%")
    if abs(error) < 0.05:
        return f"Level without losses would have claimed the same {claim}."
    sentence = (
        f"Level without losses would have claimed {claim}, "
        f"{number(abs(error), 1)} points too {'low' if error < 0 else 'high'}"
    )
    trends = readings.of_pump("trends", pump)
    other = trends[(trends["assumption"] == "level_only") & trends["rate"].notna()]
    if len(other) and _has(row.get("efficiency_rate")):
        last = other.sort_values("start").iloc[-1]
        ends = interval(float(last["rate_low"]), float(last["rate_high"]), 1, "%")
        sentence += f", and a change of {signed(float(last['rate']), 1, '%')} a year ({ends})"
    if error < 0:
        sentence += ". It blames the pump for the pipe"
    return sentence + "."


def _drawings(
    readings: Readings, plant: Plant, pump: str, row: dict[str, object], zone: str
) -> list[Drawing]:
    now = number(row.get("overall_efficiency"), 1, "%")
    calendar = data_quality_calendar(readings, tags_of(plant, pump), pump=pump, time_zone=zone)
    made = (
        (
            "efficiency",
            "Overall efficiency over time",
            "Hydraulic over electrical energy, by day (by week in long histories). "
            "Shaded: 95 % interval.",
            f"Overall efficiency of {pump} over time; last 30 days {now}.",
            efficiency_over_time(readings, pump, time_zone=zone),
        ),
        (
            "deviation",
            "Against baseline at the same duty, and trend",
            "Zero is the baseline at the same flow and reference speed. Black line: fitted trend "
            "with its 95 % interval. Head falling while power stays points to leakage or to the "
            "suction side; both falling together points to the impeller.",
            f"Deviation of {pump} from its baseline over time, with trend.",
            deviation_trend(readings, pump, time_zone=zone),
        ),
        (
            "curve",
            "Operating points on the baseline curve",
            "A sample of steady points, brought to reference speed.",
            f"Head and overall efficiency of {pump} by flow, with the baseline curve.",
            operating_points_on_curve(readings, pump),
        ),
        (
            "suction",
            "Suction pressure: gauge against model",
            "Hourly means while running. The fall from source to tap holds friction and the "
            "velocity head at the tap; it should grow with the square of flow.",
            f"Suction gauge of {pump} against the suction model, with residuals.",
            suction_fit(readings, pump, time_zone=zone),
        ),
        (
            "level_only",
            "What level alone would have said",
            "The common assumption, suction pressure = level without losses, on the same data. "
            "Where it lies lower it blames the pump for losses in the suction pipe.",
            f"Efficiency of {pump} as used here and as level alone would claim.",
            assumption_comparison(readings, pump, time_zone=zone),
        ),
        (
            "cost",
            "Money by month",
            "Bars with hatching are losses; negative means better than baseline. "
            "Black lines: 95 % interval.",
            f"Monthly energy cost of {pump} and the parts of it that are lost.",
            monthly_cost(readings, pump),
        ),
        (
            "quality",
            "Data quality day by day",
            "One row per tag, one column per day; the darker, the worse. A line runs through "
            "days on which a check does not believe the gauge.",
            f"What each tag of {pump} delivered on each day.",
            calendar,
        ),
    )
    return [drawing(*parts) for parts in made]


def drawing(name: str, title: str, note: str, described: str, figure: go.Figure) -> Drawing:
    """Set a figure on the page, or the reason why there is none in place of its note."""
    reason = empty_reason(figure)
    if reason is not None:
        return Drawing(name, title, reason, described, 0, None)
    return Drawing(name, title, note, described, int(figure.layout.height), figure)
