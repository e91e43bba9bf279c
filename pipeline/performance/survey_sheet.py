"""The site survey as a plain text sheet to print, take along and fill in."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from pipeline.performance._survey_types import Fact, TypicalPoint
from pipeline.plant import Snapshot, Station

WIDTH = 78
HALF_DAY = 240
"""Minutes on site."""
MOST_TASKS = 20
"""More than anybody settles with care in half a day; common practice, no source."""
MOST_LEFT = 8
LEAST_WORTH = 0.0005
"""A contribution below 0.05 points is not worth a walk [-]."""

_COMPARISONS = ("baseline", "reference_speed")

CAUTIONS = (
    "Get the site's permit and tell the operator before you touch anything.",
    "Isolate, lock out and drain before fitting a gauge or opening a tap or plug; a live "
    "test point is opened only under the site's own rules.",
    "Hot, toxic or flammable liquids, and pumps near their suction limit, can hurt people "
    "and machines: do not throttle a suction valve.",
    "Keep clear of couplings and shafts; guards stay on. Electrical readings are for "
    "qualified people.",
    "Local codes and licensed engineers decide.",
)


@dataclass(frozen=True, slots=True)
class _Task:
    """One thing to do on site, for all the pumps whose efficiency it touches."""

    fact: Fact
    pumps: tuple[str, ...]

    @property
    def worth(self) -> float:
        return self.fact.worth


def survey_sheet(
    snapshot: Snapshot,
    facts: Iterable[Fact],
    points: Mapping[str, TypicalPoint] | None = None,
    minutes: int = HALF_DAY,
    most: int = MOST_TASKS,
) -> str:
    """Write the sheet for one visit.

    Parameters
    ----------
    snapshot : Snapshot
        For names and display units.
    facts : iterable of Fact
        As from ``survey_facts``, ranked.
    points : mapping of str to TypicalPoint, optional
        The operating points that were given to ``survey_facts``.
    minutes : int
        Time on site.
    most : int
        Largest number of tasks; what does not fit is left for another day.

    Returns
    -------
    str
        Plain text of at most 78 columns, with a newline at the end. Facts that several pumps
        share (the level transmitter of a tank) are one task. Contributions are standard
        uncertainties in percentage points of the pump they weigh on most.
    """
    tasks = _tasks(facts)
    today, later, trifles = _fit(tasks, minutes, most)
    lines = [
        _rule("="),
        "SITE SURVEY: " + snapshot.station.name,
        _rule("="),
        "Date ______________  By ____________________________  Permit no. ____________",
        "",
        *_wrapped(
            "What the plant file leaves open, dearest first. 'Worth' is the standard "
            "uncertainty (k = 1) that the open fact leaves in efficiency, in percentage "
            "points: overall / pump. (n) marks a nominal figure, used where nothing is "
            "stated. The letter after the number says how to find out: see the end.",
            "",
        ),
        "",
        "BEFORE YOU START",
        *(line for caution in CAUTIONS for line in _wrapped(caution, "  - ")),
    ]
    lines += ["", f"TO DO, about {sum(t.fact.minutes for t in today)} minutes", _rule("-")]
    if not today:
        lines.append("Nothing is open that is worth a walk.")
    actions = list(dict.fromkeys(task.fact.action for task in today))
    for number, task in enumerate(today, start=1):
        how = _letter(actions.index(task.fact.action))
        lines += _task_lines(number, task, how, snapshot.station)
    if actions:
        lines += ["HOW", _rule("-")]
        for place, action in enumerate(actions):
            lines += _wrapped(f"{_letter(place)}  {action}", "", "   ")
    if later:
        lines += ["", "LEFT FOR ANOTHER DAY", _rule("-")]
        lines += [line for task in later[:MOST_LEFT] for line in _short(task)]
        if len(later) > MOST_LEFT:
            lines.append(f"  +{len(later) - MOST_LEFT} more")
    if trifles:
        least = f"{100 * LEAST_WORTH:g} points"
        lines += ["", f"Open facts worth less than {least} each: {len(trifles)}."]
    given = points or {}
    lines += ["", "OPERATING POINTS USED", _rule("-")]
    for name in sorted(set(snapshot.pumps) & set(given)):
        lines += _point_lines(name, given[name], snapshot.station)
    nominal = ", ".join(sorted(set(snapshot.pumps) - set(given)))
    if nominal:
        text = f"{nominal}: none from data; nominal figures by plate, curve and pipe."
        lines += _wrapped(text, "", "    ")
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _tasks(facts: Iterable[Fact]) -> list[_Task]:
    """Merge facts that one look settles for several pumps, keeping the order."""
    groups: dict[tuple[str, str], list[Fact]] = {}
    for fact in facts:
        groups.setdefault((fact.place, fact.key), []).append(fact)
    return [
        _Task(fact=group[0], pumps=tuple(dict.fromkeys(f.pump for f in group)))
        for group in groups.values()
    ]


def _fit(
    tasks: Sequence[_Task], minutes: int, most: int
) -> tuple[list[_Task], list[_Task], list[_Task]]:
    """Part tasks into those that fit the visit, those left over, and trifles."""
    today: list[_Task] = []
    later: list[_Task] = []
    trifles: list[_Task] = []
    left = minutes
    for task in tasks:
        compares = task.fact.key in _COMPARISONS
        if not compares and task.worth < LEAST_WORTH:
            trifles.append(task)
        elif task.fact.minutes <= left and len(today) < most:
            today.append(task)
            left -= task.fact.minutes
        else:
            later.append(task)
    return today, later, trifles


def _worth(fact: Fact) -> str:
    if math.isnan(fact.overall_efficiency_u):
        return "no efficiency without it"
    if fact.key in _COMPARISONS:
        return "counts for comparisons only"
    mark = " (n)" if fact.is_nominal else ""
    overall, pump = 100.0 * fact.overall_efficiency_u, 100.0 * fact.pump_efficiency_u
    return f"worth {overall:.2f} / {pump:.2f} points{mark}"


def _letter(place: int) -> str:
    return chr(ord("A") + place)


def _task_lines(number: int, task: _Task, how: str, station: Station) -> list[str]:
    fact = task.fact
    head = f"[ ] {number:2}{how} {', '.join(task.pumps)}: {fact.subject}"
    lines = _wrapped(head, "", "        ")
    now = f"{_worth(fact)}; {fact.state}: now {fact.stands_in}{_u_text(fact, station)}"
    lines += _wrapped(now, "        ")
    lines += _wrapped(f"Write it in {fact.record_in}.", "        ")
    return [*lines, f"        {_blank(fact, station)}", ""]


def _u_text(fact: Fact, station: Station) -> str:
    if not fact.u_quantity or not fact.u > 0.0:
        return ""
    unit = station.unit(fact.u_quantity)
    # An uncertainty is a difference: the zero of the scale does not enter.
    return f", standard uncertainty {fact.u * unit.scale:.3g} {unit.text}".rstrip()


def _blank(fact: Fact, station: Station) -> str:
    if not fact.quantity:
        return "Found: " + "_" * 60
    unit = station.unit(fact.quantity).text
    return f"Found: ____________ {unit}   give or take ____________ {unit}"


def _short(task: _Task) -> list[str]:
    text = f"{', '.join(task.pumps)}: {task.fact.subject}; {_worth(task.fact)}"
    return _wrapped(text, "  - ")


def _point_lines(name: str, point: TypicalPoint, station: Station) -> list[str]:
    shown = []
    for field, quantity in (
        ("flow", "flow"),
        ("total_head", "total_head"),
        ("electrical_power", "electrical_power"),
        ("suction_pressure", "suction_pressure"),
        ("discharge_pressure", "discharge_pressure"),
    ):
        value = getattr(point, field)
        display = station.unit(quantity)
        text = "nominal"
        if math.isfinite(value):
            mark = " (n)" if field in point.nominal else ""
            text = f"{value * display.scale:.4g} {display.text}{mark}"
        shown.append(f"{field.replace('_', ' ')} {text}")
    return _wrapped(f"{name}: " + ", ".join(shown), "", "    ")


def _wrapped(text: str, first: str, rest: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=" " * len(first) if rest is None else rest,
        break_on_hyphens=False,
    )


def _rule(mark: str) -> str:
    return mark * WIDTH
