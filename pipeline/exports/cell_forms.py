"""What the cells of an undescribed export look like: times, numbers, statuses, states."""

from __future__ import annotations

import re

import numpy as np
import pyarrow as pa

from pipeline.exports.numbers import STATES
from pipeline.exports.quality import StatusReader
from pipeline.exports.timestamps import parse_times
from pipeline.plant.types import ExportFormat

_TIME_NAMES = ("time", "date", "stamp", "zeit", "datum", "when", "ts", "fecha", "heure")
TAG_NAMES = ("tag", "name", "point", "signal", "channel", "sensor", "item", "variable")
VALUE_NAMES = ("value", "val", "wert", "reading", "measurement", "pv", "valor", "valeur")
_VALUE_ALONE = (*VALUE_NAMES, "values", "messwert", "istwert", "valore", "measuredvalue")
STATUS_NAMES = ("status", "quality", "qual", "qc", "flag", "q", "state", "statuscode")
UNIT_NAMES = ("unit", "units", "uom", "einheit", "eu", "engunits")
POINT = re.compile(r"^[+-]?\d*\.?\d+(?:[eE][+-]?\d+)?$")
COMMA = re.compile(r"^[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?$|^[+-]?\d*,\d+$")


GROUP_MARKS = {" ": " \u00a0\u2007\u2009\u202f", "'": "'\u2019"}
"""Marks that group thousands and nothing else, by the one that is declared for all alike."""
GROUPED_BY_MARK = re.compile(
    r"^[+-]?\d{1,3}(?:([ \u00a0\u2007\u2009\u202f'\u2019])\d{3})(?:\1\d{3})*(?:[.,]\d+)?$"
)


def is_time(cell: str) -> bool:
    """Tell whether a cell looks like a timestamp."""
    return bool(
        re.match(r"^\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([T ,]|$)|^\d{8}T|^1\d{9}(\d{3}){0,3}$", cell)
    )


def share_of_times(cells: list[str]) -> float:
    """Give the part of the filled cells that are dates and times written out."""
    filled = [cell for cell in cells if cell]
    if not filled:
        return 0.0
    parsed = parse_times(pa.array(filled[:500], pa.string()), "iso", "UTC", "day_first")
    other = parse_times(pa.array(filled[:500], pa.string()), "iso", "UTC", "month_first")
    return float(max((parsed.fault == 0).mean(), (other.fault == 0).mean()))


def epoch(cells: list[str]) -> str | None:
    """Name the epoch unit a column of numbers is of the size of; None if there is none."""
    numbers = [float(cell) for cell in cells if POINT.match(cell)]
    if len(numbers) < 0.95 * len([c for c in cells if c]) or not numbers:
        return None
    low, high = min(numbers), max(numbers)
    scale = 1.0
    for name in ("epoch_s", "epoch_ms", "epoch_us", "epoch_ns"):
        # From 2001 to 2065: outside, a number is hardly a time.
        if 1e9 * scale <= low and high < 3e9 * scale:
            return name
        scale *= 1000
    return None


def is_serial(cells: list[str]) -> bool:
    """Tell whether a column looks like spreadsheet serial dates."""
    texts = [cell.replace(",", ".") for cell in cells if cell]
    if not texts or not all(POINT.match(text) for text in texts):
        return False
    numbers = np.array([float(text) for text in texts])
    # 1990 to 2064, with a time of day, oldest or newest first.
    inside = bool(((numbers > 32874) & (numbers < 60000)).all())
    steps = np.sign(np.diff(numbers))
    return inside and len(steps) > 0 and bool(max((steps >= 0).mean(), (steps <= 0).mean()) > 0.9)


def named(name: str, words: tuple[str, ...]) -> bool:
    """Tell whether a column is called one of some words, or by a name that holds one."""
    plain = re.sub(r"[^a-z]", "", name.casefold())
    return plain in words or any(len(word) > 3 and word in plain for word in words)


def is_called_value(name: str) -> bool:
    """Tell whether a column's name says that it holds values, and nothing more but a unit.

    Examples
    --------
    >>> [is_called_value(name) for name in ("Value (m3/h)", "Messwert", "P1 reading")]
    [True, True, False]
    """
    plain = re.sub(r"[^a-z]", "", re.sub(r"[\[(][^\])]*[\])]\s*$", "", name).casefold())
    return plain in _VALUE_ALONE


def time_column(names: list[str], columns: list[list[str]]) -> int | None:
    """Find the position of the column that holds the timestamps; None if there is none."""
    order = sorted(range(len(names)), key=lambda i: (not named(names[i], _TIME_NAMES), i))
    for position in order:
        cells = columns[position]
        if share_of_times(cells) > 0.8:
            return position
        if named(names[position], _TIME_NAMES) and (epoch(cells) or is_serial(cells)):
            return position
    for position in order:
        # StatusCodes are of the size of an epoch.
        if epoch(columns[position]) and not named(names[position], STATUS_NAMES):
            return position
    return None


def numeric_share(cells: list[str], export: ExportFormat) -> float:
    """Give the part of the filled cells that are numbers as the export writes them."""
    filled = [c for c in cells if c]
    if not filled:
        return 0.0
    pattern = COMMA if export.decimal == "," else POINT
    marks = GROUP_MARKS.get(export.thousands or "", "," if export.thousands == "," else "")
    plain = [re.sub(f"[{marks}]", "", c) if marks else c for c in filled]
    return sum(bool(pattern.match(c) or POINT.match(c)) for c in plain) / len(filled)


def are_states(cells: list[str]) -> bool:
    """Tell whether nearly all filled cells are words for on and off."""
    filled = [cell.casefold() for cell in cells if cell]
    return bool(filled) and sum(cell in STATES for cell in filled) > 0.9 * len(filled)


def are_statuses(cells: list[str]) -> bool:
    """Tell whether all filled cells are statuses that are understood."""
    words = sorted({c for c in cells if c})
    return len(words) <= 20 and not any(StatusReader().read(words)[1])
