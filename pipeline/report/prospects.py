"""What lies ahead and what has been done, in words: outlook, events, acknowledged flags."""

from __future__ import annotations

import math

import pandas as pd

from pipeline.report.readings import Readings
from pipeline.report.words import day_text, money, number, plain, signed

__all__ = ["acknowledgement_words", "event_sentences", "outlook_sentences"]

_KIND = {"efficiency": "Efficiency", "head": "Head"}


def _known(value: object) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def outlook_sentences(readings: Readings, pump: str, time_zone: str, currency: str) -> list[str]:
    """Say when each limit of a pump is crossed, and when an overhaul would cost least.

    Returns
    -------
    list of str
        One sentence per quantity with a trend, and one on the overhaul if its cost is known.
    """
    rows = readings.of_pump("outlook", pump)
    found = [_outlook(row, time_zone) for row in _records(rows) if row["status"] != "no_trend"]
    for row in _records(rows):
        if _known(row["overhaul_interval"]):
            found.append(
                f"Counting energy alone, an overhaul of {money(row['overhaul_cost'], currency)} "
                f"costs least every {number(row['overhaul_interval'], 1, 'years')}, "
                f"{_next(row, time_zone)}: the yearly cost of the loss, of "
                f"{money(row['energy_cost_per_year'], currency)} of energy, grows by "
                f"{money(row['loss_growth'], currency)} a year."
            )
    return found


def _next(row: dict[str, object], time_zone: str) -> str:
    """When the next overhaul is due, with its interval."""
    if pd.isna(row["overhaul_time"]):  # type: ignore[call-overload]
        return "the next not in sight"
    early, late = (day_text(row[f"overhaul_{end}"], time_zone) for end in ("earliest", "latest"))
    latest = "open" if pd.isna(row["overhaul_latest"]) else late  # type: ignore[call-overload]
    due = row["overhaul_time"] == row["last_day"]
    when = "now" if due else f"about {day_text(row['overhaul_time'], time_zone)}"
    return f"the next {when} (95\N{NO-BREAK SPACE}%: {early} to {latest})"


def _outlook(row: dict[str, object], time_zone: str) -> str:
    what = _KIND.get(str(row["quantity"]), plain(row["quantity"]))
    limit = number(-float(row["threshold"]), 1, "%")  # type: ignore[arg-type]
    status = row["status"]
    if status == "crossed":
        return f"{what} has crossed its limit of {limit} below baseline."
    if status == "not_in_sight":
        return f"{what}: its limit of {limit} below baseline is not in sight within three years."
    early, late = (day_text(row[f"reach_{end}"], time_zone) for end in ("earliest", "latest"))
    latest = "open" if pd.isna(row["reach_latest"]) else late  # type: ignore[call-overload]
    if status == "possible":
        return (
            f"{what}: its limit of {limit} below baseline may be crossed within three years, "
            f"from {early} on at the earliest (95\N{NO-BREAK SPACE}%)."
        )
    return (
        f"{what} is expected to cross its limit of {limit} below baseline about "
        f"{day_text(row['reach_time'], time_zone)} (95\N{NO-BREAK SPACE}%: {early} to {latest}), "
        "if it goes on as it has."
    )


def event_sentences(readings: Readings, pump: str, time_zone: str, currency: str) -> list[str]:
    """Say what each overhaul and cleaning of a pump brought back, the latest first."""
    rows = readings.of_pump("event_effects", pump).sort_values("time", ascending=False)
    unit = readings.unit("event_effects", "suction_loss_gain")
    return [_event(row, time_zone, currency, unit) for row in _records(rows)]


def _event(row: dict[str, object], time_zone: str, currency: str, unit: str) -> str:
    head = f"{plain(row['kind']).capitalize()} of {day_text(row['time'], time_zone)}"
    if row["note"]:
        head += f" ({row['note']})"
    if row["status"] != "ok":
        return f"{head}: {row['status']}."
    parts = [
        f"efficiency {_plus_minus(row, 'efficiency_gain', '%')} of baseline at the same duty",
        f"head {_plus_minus(row, 'head_gain', '%')}",
    ]
    if _known(row["suction_loss_gain"]):
        taken = number(row["suction_loss_gain"], 1)
        within = number(row["suction_loss_gain_u95"], 1, unit)
        parts.append(f"suction loss less by {taken} ± {within}")
    sentence = f"{head}: " + ", ".join(parts) + "."
    if _known(row["saved_cost"]):
        sentence += (
            f" Saved so far {money(row['saved_cost'], currency)} ± "
            f"{money(row['saved_cost_u95'], currency)}"
        )
        sentence += f"{_payback(row, currency)}."
    return sentence


def _payback(row: dict[str, object], currency: str) -> str:
    """Say how long it takes to earn its cost, or why nobody can say."""
    cost = money(row["event_cost"], currency)
    if row["payback_status"] == "ok":
        return (
            f"; at that rate its cost of {cost} is earned in "
            f"{number(row['payback'], 1, 'years')} (95\N{NO-BREAK SPACE}%: "
            f"{number(row['payback_low'], 1)} to {number(row['payback_high'], 1)})"
        )
    if row["payback_status"] == "no certain saving":
        least = ""
        if _known(row["payback_low"]):
            least = f", in {number(row['payback_low'], 1, 'years')} at the earliest"
        return f"; whether its cost of {cost} is ever earned cannot be told{least}"
    return ""


def _plus_minus(row: dict[str, object], name: str, unit: str) -> str:
    return f"{signed(row[name], 1)} ± {number(row[f'{name}_u95'], 1, unit)}"


def acknowledgement_words(row: dict[str, object], time_zone: str) -> str:
    """Say who acknowledged a flag, until when, and whether that holds; empty if nobody did."""
    state = row.get("acknowledged")
    if state not in ("yes", "lapsed", "outgrown"):
        return ""
    until = row.get("acknowledged_until")
    ends = day_text(until, time_zone) if isinstance(until, pd.Timestamp) else ""
    words = f"Acknowledged by {row.get('acknowledged_by')} on "
    words += day_text(row.get("acknowledged_time"), time_zone)
    words += f", until {ends}" if ends and not pd.isna(until) else ", until it closes"  # type: ignore[call-overload]
    words += {"lapsed": "; that time is over", "outgrown": "; it has grown since"}.get(
        str(state), ""
    )
    return f"{words}. {row.get('note') or ''}".strip()


def _records(rows: pd.DataFrame) -> list[dict[str, object]]:
    return [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]
