"""How an export that nobody described is written: found out, with reasons, never silently.

What the file proves (delimiter, decimal mark, layout, the order of day and month) goes into a
draft description. What it cannot show, such as the zone of clock times, is listed as unknown.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

import numpy as np
import pyarrow as pa

from pipeline.errors import ExportError
from pipeline.exports.cell_forms import (
    COMMA,
    GROUP_MARKS,
    GROUPED_BY_MARK,
    POINT,
    STATUS_NAMES,
    TAG_NAMES,
    UNIT_NAMES,
    VALUE_NAMES,
    are_states,
    are_statuses,
    epoch,
    is_called_value,
    is_serial,
    named,
    numeric_share,
)
from pipeline.exports.date_texts import DayOrderProof, could_swap_day_and_month
from pipeline.exports.file_names import Span
from pipeline.exports.first_rows import Sheet, parquet_sheet, text_sheet
from pipeline.exports.path_tags import partition_values
from pipeline.exports.quality import StatusReader
from pipeline.exports.read import is_parquet
from pipeline.exports.streams import Unfinished
from pipeline.exports.tag_facts import bracketed_unit
from pipeline.exports.timestamps import parse_times
from pipeline.plant.types import ExportFormat

__all__ = ["COMMA_OR_THOUSANDS", "DAY_OR_MONTH", "Sniffed", "sniff"]

DAY_OR_MONTH = "Whether dates have the day or the month first: nothing proves it."
COMMA_OR_THOUSANDS = "Whether the comma in"


_SURE_STATUS_NAMES = ("status", "quality", "qual", "statuscode")
"""Names that no measured value has, unlike ``q``."""
_GROUPED_COMMA = re.compile(r"^[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?$")
_GROUPED_POINT = re.compile(r"^[+-]?\d{1,3}(?:,\d{3})+(?:\.\d+)?$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Sniffed:
    """A file's way of writing, as far as the file itself shows it.

    Parameters
    ----------
    export : ExportFormat
        Draft description; its pattern is the file's name.
    reasons : tuple of str
        What was found out and how.
    unknown : tuple of str
        What only the user can say.
    tags : tuple of str
        Tags of a wide file; empty for the long layout, whose rows name them.
    switches : tuple of str
        Those of them whose values are words for two states, such as on and off.
    units : dict of str to str
        Units the file states, by tag.
    by_path : Sniffed or None
        The same file as one of one tag, where nothing in it names the tag; ``units`` then has
        the unit beside an empty name.
    span : Span or None
        First and last of the times that were looked at.
    """

    export: ExportFormat
    reasons: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    switches: tuple[str, ...] = ()
    units: dict[str, str] | None = None
    by_path: Sniffed | None = None
    span: Span | None = None


def sniff(path: Path, place: str | None = None) -> Sniffed:
    """Find out how an export is written.

    Parameters
    ----------
    path : Path
        The file.
    place : str, optional
        Path that may name its tag; the whole path by default.

    Returns
    -------
    Sniffed

    Raises
    ------
    ExportError
        If the file cannot be read, is unfinished, or no column holds timestamps.
    """
    try:
        if is_parquet(path):
            sheet, time = parquet_sheet(path)
        else:
            sheet, time = text_sheet(path)
    except Unfinished as reason:
        raise ExportError(f"{path.name}: the file seems unfinished: {reason}.") from None
    except (OSError, pa.ArrowException, UnicodeDecodeError) as error:
        raise ExportError(f"{path.name}: {str(error).splitlines()[0]}") from None
    if time is None:
        raise ExportError(f"{path.name}: no column holds timestamps.")
    return _describe(sheet, time, path.as_posix() if place is None else place)


def _describe(sheet: Sheet, time: int, place: str) -> Sniffed:
    unknown: list[str] = []
    export = replace(sheet.export, time_column=sheet.names[time])
    if not sheet.is_typed_time:
        export = _time_format(sheet, time, export, unknown)
    elif export.time_zone is None:
        unknown.append("The zone of the timestamps: they are stored without one.")
    others = [i for i in range(len(sheet.names)) if i != time and sheet.names[i]]
    export = _number_marks(sheet, others, export, unknown)
    long = _long_columns(sheet, others, export, sheet.columns[time])
    if long is not None:
        tag, value, status, unit = long
        export = replace(
            export,
            layout="long",
            tag_column=sheet.names[tag],
            value_column=sheet.names[value],
            status_column=None if status is None else sheet.names[status],
        )
        sheet.reasons.append(
            f"Long layout: '{sheet.names[tag]}' repeats names beside one column of numbers."
        )
        if status is not None:
            _note_status(sheet, status, unknown)
        units = None
        if unit is not None:
            units = dict(zip(sheet.columns[tag], sheet.columns[unit], strict=True))
        return Sniffed(
            export=export, reasons=tuple(sheet.reasons), unknown=tuple(unknown), units=units
        )
    by_path = _of_one_tag(sheet, others, export, tuple(unknown))
    key = next((k for k in partition_values(PurePosixPath(place)) if named(k, TAG_NAMES)), None)
    if by_path is not None and key is not None:
        reason = f"Folders such as '{key}=NAME' name the tags."
        described = replace(by_path.export, tag_column=key)
        return replace(by_path, export=described, reasons=(*by_path.reasons, reason))
    if by_path is not None and not is_called_value(str(by_path.export.value_column)):
        by_path = None
    export = replace(export, layout="wide", tag_column=None, value_column=None)
    numbers = [i for i in others if numeric_share(sheet.columns[i], export) > 0.5]
    switches = [i for i in others if i not in numbers and are_states(sheet.columns[i])]
    sheet.reasons.append(f"Wide layout: {len(numbers)} columns of numbers.")
    export, statuses = _wide_statuses(sheet, others, [*numbers, *switches], export)
    for i in statuses:
        _note_status(sheet, i, unknown)
    for i in others:
        if i in statuses:
            continue
        words = ", ".join(f"'{w[:20]}'" for w in sorted({c for c in sheet.columns[i] if c})[:3])
        if i in switches:
            sheet.reasons.append(f"'{sheet.names[i]}' holds words of two states: {words}.")
        elif i not in numbers:
            said = f"holds no numbers but {words}" if words else "is empty"
            sheet.reasons.append(f"'{sheet.names[i]}' {said}: it is left out.")
    tags = tuple(
        sheet.names[i] for i in others if (i in numbers or i in switches) and i not in statuses
    )
    units = None
    if sheet.unit_row is not None:
        units = {sheet.names[i]: sheet.unit_row[i] for i in others}
    return Sniffed(
        export=export,
        reasons=tuple(sheet.reasons),
        unknown=tuple(unknown),
        tags=tags,
        switches=tuple(sheet.names[i] for i in switches if i not in statuses),
        units=units,
        by_path=by_path,
        span=_span(sheet, time, export),
    )


def _span(sheet: Sheet, time: int, export: ExportFormat) -> Span | None:
    """Find the span of the times; clock times of an unknown zone as if they were UTC."""
    texts = pa.array([cell for cell in sheet.columns[time] if cell], pa.string())
    instants = parse_times(texts, export.time_format, "UTC")
    utc = instants.utc[instants.fault == 0]
    if not len(utc):
        return None
    return Span(*(np.datetime64(int(t), "us") for t in (utc.min(), utc.max())))


def _of_one_tag(
    sheet: Sheet, others: list[int], export: ExportFormat, unknown: tuple[str, ...]
) -> Sniffed | None:
    """Describe a file as one of a single tag that no column names; None if it is none."""
    unit = next((i for i in others if named(sheet.names[i], UNIT_NAMES)), None)
    status = next((i for i in others if i != unit and _is_status(sheet, i)), None)
    values = [
        i
        for i in others
        if i not in (unit, status)
        and (numeric_share(sheet.columns[i], export) > 0.5 or are_states(sheet.columns[i]))
    ]
    called = [i for i in values if is_called_value(sheet.names[i])]
    if len(called or values) != 1:
        return None
    value = (called or values)[0]
    questions = list(unknown)
    if status is not None:
        _note_status(sheet, status, questions)
    stated = bracketed_unit(sheet.names[value])
    if sheet.unit_row is not None:
        stated = sheet.unit_row[value]
    elif unit is not None and len(set(sheet.columns[unit]) - {""}) == 1:
        stated = next(cell for cell in sheet.columns[unit] if cell)
    return Sniffed(
        export=replace(
            export,
            layout="long",
            tag_column=None,
            value_column=sheet.names[value],
            status_column=None if status is None else sheet.names[status],
        ),
        reasons=(*sheet.reasons, f"One tag a file: its values stand in '{sheet.names[value]}'."),
        unknown=tuple(questions),
        units={"": stated} if stated else None,
        switches=("",) if are_states(sheet.columns[value]) else (),
    )


def _is_status(sheet: Sheet, i: int) -> bool:
    cells = sheet.columns[i]
    is_called = named(sheet.names[i], STATUS_NAMES)
    return is_called and not are_states(cells) and len(set(cells)) <= 50


def _wide_statuses(
    sheet: Sheet, others: list[int], tags: list[int], export: ExportFormat
) -> tuple[ExportFormat, list[int]]:
    """Find status columns beside the tags of a wide export; also those of numbers by name."""
    names = sheet.names
    forms: Counter[str] = Counter()
    for i in others:
        for tag in (names[t] for t in tags if t != i and names[t] in names[i]):
            form = names[i].replace(tag, "{tag}", 1)
            cells = sheet.columns[i]
            is_word = numeric_share(cells, export) < 0.2 and not are_states(cells)
            is_called = named(form.replace("{tag}", " "), STATUS_NAMES)
            if is_called and (is_word or are_statuses(cells)):
                forms[form] += 1
    if forms:
        form, _ = forms.most_common(1)[0]
        found = {form.replace("{tag}", names[t]) for t in tags}
    else:
        words = [
            i
            for i in others
            if (i not in tags or named(names[i], _SURE_STATUS_NAMES))
            and (are_statuses(sheet.columns[i]) or _are_words_of_a_status(sheet, i, tags))
        ]
        form = names[words[0]] if words else ""
        found = {form} if words else set()
    places = [i for i in others if names[i] in found]
    if not places:
        return export, []
    sheet.reasons.append(f"Statuses of the values stand in columns named '{form}'.")
    return replace(export, status_column=form), places


def _are_words_of_a_status(sheet: Sheet, column: int, tags: list[int]) -> bool:
    """Tell a column that is called a status and holds a few words nobody knows."""
    is_called = named(sheet.names[column], _SURE_STATUS_NAMES)
    return is_called and column not in tags and len(set(sheet.columns[column])) <= 20


def _time_format(sheet: Sheet, time: int, export: ExportFormat, unknown: list[str]) -> ExportFormat:
    cells = [cell for cell in sheet.columns[time] if cell]
    unit = epoch(cells)
    if unit is not None:
        sheet.reasons.append(f"Timestamps are numbers of the size of {unit}.")
        return replace(export, time_format=unit)
    texts = pa.array(cells, pa.string())
    if is_serial(cells):
        sheet.reasons.append(
            "Timestamps are spreadsheet serial dates, counted from 1900; if they come out four "
            "years early, time_format is spreadsheet_1904."
        )
        export = replace(export, time_format="spreadsheet")
    elif could_swap_day_and_month(texts):
        proof = DayOrderProof()
        proof.add(texts)
        if proof.order is None:
            unknown.append(DAY_OR_MONTH)
            export = replace(export, time_format="day_first")
        else:
            sheet.reasons.append(f"Dates are {proof.order.replace('_', ' ')}: numbers above 12.")
            export = replace(export, time_format=proof.order)
    naive = parse_times(texts, export.time_format, None)
    if (naive.fault == 4).any():
        unknown.append("The zone of the timestamps: they carry no offset.")
    return export


def _note_status(sheet: Sheet, status: int, unknown: list[str]) -> None:
    words = sorted({c for c in sheet.columns[status] if c})
    _, reasons = StatusReader().read(words)
    strange = [w for w, why in zip(words, reasons, strict=True) if why]
    if strange:
        shown = ", ".join(f"'{w[:30]}'" for w in strange[:8])
        unknown.append(f"What these statuses mean (good, uncertain or bad): {shown}.")


def _number_marks(
    sheet: Sheet, others: list[int], export: ExportFormat, unknown: list[str]
) -> ExportFormat:
    """Find the decimal mark and the mark of thousands, as far as numbers prove them."""
    cells = [c for i in others for c in sheet.columns[i] if c[-1:].isdigit()]
    marked = next(((c, m.group(1)) for c in cells if (m := GROUPED_BY_MARK.match(c))), None)
    if marked is not None:
        mark, marks = next((k, v) for k, v in GROUP_MARKS.items() if marked[1] in v)
        kind = {" ": "A blank", "'": "An apostrophe"}[mark]
        sheet.reasons.append(f"{kind} groups thousands, as in '{marked[0]}'.")
        export = replace(export, thousands=mark)
        cells = [re.sub(f"[{marks}]", "", c) for c in cells]
    with_comma = [c for c in cells if COMMA.match(c)]
    # "4,012" may be four and a bit or four thousand; "0,012" and "4,01" are decimal commas.
    either = [
        c for c in with_comma if _GROUPED_POINT.match(c) and not c.lstrip("+-").startswith("0")
    ]
    proven = len(with_comma) - len(either)
    point = [c for c in cells if "." in c and POINT.match(c)]
    grouped = [c for c in cells if _GROUPED_POINT.match(c) and ("." in c or c.count(",") > 1)]
    if export.delimiter == "," and not grouped and not proven:
        return export
    if proven > len(point) or (either and not point and not grouped):
        export = replace(export, decimal=",")
        if proven:
            sheet.reasons.append(f"Numbers have a decimal comma, such as {_first(cells, COMMA)}.")
        else:
            unknown.append(f"{COMMA_OR_THOUSANDS} '{either[0]}' is a decimal mark or thousands.")
        if export.thousands is None and any(_GROUPED_COMMA.match(c) for c in cells):
            export = replace(export, thousands=".")
            sheet.reasons.append("A point groups thousands.")
    elif grouped and export.thousands is None:
        sheet.reasons.append(f"A comma groups thousands, as in '{grouped[0]}'.")
        export = replace(export, thousands=",")
    return export


def _first(cells: list[str], pattern: re.Pattern[str]) -> str:
    return next((f"'{c}'" for c in cells if pattern.match(c)), "")


def _long_columns(
    sheet: Sheet, others: list[int], export: ExportFormat, times: list[str]
) -> tuple[int, int, int | None, int | None] | None:
    """Find tag, value, status and unit columns; None if the layout is wide."""
    numeric = {i: numeric_share(sheet.columns[i], export) for i in others}
    unit = next((i for i in others if named(sheet.names[i], UNIT_NAMES)), None)
    status = next(
        (
            i
            for i in others
            if i != unit
            and named(sheet.names[i], STATUS_NAMES)
            and len(set(sheet.columns[i])) <= 50
        ),
        None,
    )
    texts = [
        i
        for i in others
        if i not in (unit, status)
        and numeric[i] < 0.2
        and 0 < len(set(sheet.columns[i]) - {""}) <= max(len(sheet.columns[i]) / 2, 1)
        and not are_states(sheet.columns[i])
    ]
    values = [i for i in others if i not in (unit, status) and numeric[i] > 0.5]
    # What is named after a column of numbers, such as FLOW.Quality, says something about it.
    texts = [i for i in texts if not any(sheet.names[v] in sheet.names[i] for v in values)]
    if len(set(times)) == len(times):
        # Words that change while no time occurs twice describe the row, such as a shift.
        texts = [
            i
            for i in texts
            if named(sheet.names[i], TAG_NAMES) or len(set(sheet.columns[i]) - {""}) < 2
        ]
    if not texts or not values:
        return None
    called = [i for i in values if named(sheet.names[i], VALUE_NAMES)]
    if len(values) > 1 and not called:
        return None
    tag = next((i for i in texts if named(sheet.names[i], TAG_NAMES)), texts[0])
    if status is None:
        status = next((i for i in texts if i != tag and are_statuses(sheet.columns[i])), None)
    return tag, (called or values)[0], status, unit
