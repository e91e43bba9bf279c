"""How an export that nobody described is written: found out, with reasons, never silently.

What the file proves (delimiter, decimal mark, layout, the order of day and month) goes into a
draft description. What it cannot show, such as the zone of clock times, is listed as unknown.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.errors import ExportError
from pipeline.exports.date_texts import DayOrderProof, could_swap_day_and_month
from pipeline.exports.dialect import DELIMITERS, split_line
from pipeline.exports.numbers import STATES
from pipeline.exports.quality import StatusReader
from pipeline.exports.read import is_parquet
from pipeline.exports.streams import Unfinished, members, open_text
from pipeline.exports.timestamps import parse_times
from pipeline.plant.types import ExportFormat

__all__ = ["DAY_OR_MONTH", "Sniffed", "sniff"]

DAY_OR_MONTH = "Whether dates have the day or the month first: nothing proves it."

SAMPLE_ROWS = 3000
_TIME_NAMES = ("time", "date", "stamp", "zeit", "datum", "when", "ts", "fecha", "heure")
_TAG_NAMES = ("tag", "name", "point", "signal", "channel", "sensor", "item", "variable")
_VALUE_NAMES = ("value", "val", "wert", "reading", "measurement", "pv")
_STATUS_NAMES = ("status", "quality", "qual", "qc", "flag", "q", "state", "statuscode")
_UNIT_NAMES = ("unit", "units", "uom", "einheit", "eu", "engunits")
_POINT = re.compile(r"^[+-]?\d*\.?\d+(?:[eE][+-]?\d+)?$")
_COMMA = re.compile(r"^[+-]?\d{1,3}(?:\.\d{3})+(?:,\d+)?$|^[+-]?\d*,\d+$")
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
    """

    export: ExportFormat
    reasons: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    tags: tuple[str, ...] = ()
    switches: tuple[str, ...] = ()
    units: dict[str, str] | None = None


@dataclass(slots=True)
class _Sheet:
    """First rows of a file as columns of text."""

    names: list[str]
    columns: list[list[str]]
    export: ExportFormat
    reasons: list[str]
    unit_row: list[str] | None = None
    is_typed_time: bool = False


def sniff(path: Path) -> Sniffed:
    """Find out how an export is written.

    Parameters
    ----------
    path : Path
        The file.

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
            sheet, time = _parquet_sheet(path)
        else:
            sheet, time = _text_sheet(path)
    except Unfinished as reason:
        raise ExportError(f"{path.name}: the file seems unfinished: {reason}.") from None
    except (OSError, pa.ArrowException, UnicodeDecodeError) as error:
        raise ExportError(f"{path.name}: {str(error).splitlines()[0]}") from None
    if time is None:
        raise ExportError(f"{path.name}: no column holds timestamps.")
    return _describe(sheet, time)


def _parquet_sheet(path: Path) -> tuple[_Sheet, int | None]:
    with path.open("rb") as stream:
        if stream.read(4) != b"PAR1":
            raise ExportError(f"{path.name}: this is no Parquet file.")
    with pq.ParquetFile(path) as file:
        batch = next(file.iter_batches(SAMPLE_ROWS), None)
        schema = file.schema_arrow
    if batch is None:
        raise ExportError(f"{path.name}: the file holds no rows.")
    columns = []
    for column in batch.columns:
        plain = column.dictionary_decode() if pa.types.is_dictionary(column.type) else column
        try:
            columns.append(pc.fill_null(plain.cast(pa.string()), "").to_pylist())
        except pa.ArrowException:
            columns.append([""] * batch.num_rows)
    sheet = _Sheet(
        list(schema.names), columns, ExportFormat(pattern=path.name, tag_column=None), []
    )
    for position, field in enumerate(schema):
        if pa.types.is_timestamp(field.type):
            sheet.is_typed_time = True
            if field.type.tz is not None:
                sheet.reasons.append(f"'{field.name}' holds timestamps in UTC.")
                sheet.export = replace(sheet.export, time_zone="UTC")
            return sheet, position
    return sheet, _time_column(sheet.names, columns)


def _text_sheet(path: Path) -> tuple[_Sheet, int | None]:
    member = members(path)[0]
    with open_text(path, member, None) as text:
        block = next(text.blocks(1 << 20), b"")
        note = text.note
    lines = block.decode("utf-8", errors="replace").split("\n")[: SAMPLE_ROWS + 200]
    export = ExportFormat(pattern=path.name)
    reasons = []
    if note:
        reasons.append(note)
        export = replace(export, encoding=text.encoding)
    best: tuple[float, int, _Sheet, int] | None = None
    for delimiter in DELIMITERS:
        found = _split(lines, delimiter, export)
        if found is None:
            continue
        sheet, share = found
        time = _time_column(sheet.names, sheet.columns)
        if time is None:
            continue
        if best is None or (round(share, 2), len(sheet.names)) > best[:2]:
            best = (round(share, 2), len(sheet.names), sheet, time)
    if best is None:
        raise ExportError(
            f"{path.name}: no delimiter of , ; tab | gives columns of which one holds timestamps."
        )
    sheet = best[2]
    sheet.reasons[:0] = reasons
    return sheet, best[3]


def _split(lines: list[str], delimiter: str, export: ExportFormat) -> tuple[_Sheet, float] | None:
    rows = [(i, split_line(line, delimiter)) for i, line in enumerate(lines) if line.strip()]
    widths = Counter(len(row) for _, row in rows)
    width, count = widths.most_common(1)[0] if widths else (0, 0)
    if width < 2:
        return None
    full = [(i, [cell.strip() for cell in row]) for i, row in rows if len(row) == width]
    header_line, header = full[0]
    if any(_is_time(cell) for cell in header):
        return None  # there is no header: the columns have no names to declare
    body = full[1:]
    reasons = []
    unit_row = None
    if body and _holds_units(body[0][1]):
        unit_row = body[0][1]
        body = body[1:]
        export = replace(export, unit_row=True)
        reasons.append(f"Line {full[1][0] + 1} holds units.")
    above = [lines[i] for i in range(header_line) if lines[i].strip()]
    if above and all(line.startswith("#") for line in above):
        export = replace(export, comment="#")
        reasons.append("Lines that start with # are comments.")
    elif header_line:
        export = replace(export, skip_rows=header_line)
        reasons.append(f"The header stands on line {header_line + 1}.")
    shown = {"\t": "a tab"}.get(delimiter, f"'{delimiter}'")
    reasons.append(f"{shown} separates {width} fields in {count} of {len(rows)} lines.")
    export = replace(export, delimiter=delimiter)
    cells = [[row[j] for _, row in body[:SAMPLE_ROWS]] for j in range(width)]
    return _Sheet(header, cells, export, reasons, unit_row), count / len(rows)


def _holds_units(row: list[str]) -> bool:
    """Tell a row of units from one of data: no time stands in it, and hardly a number."""
    filled = [cell for cell in row if cell]
    numbers = sum(bool(_POINT.match(cell) or _COMMA.match(cell)) for cell in filled)
    return not any(_is_time(cell) for cell in filled) and 2 * numbers < len(filled)


def _is_time(cell: str) -> bool:
    return bool(
        re.match(r"^\d{1,4}[-/.]\d{1,2}[-/.]\d{1,4}([T ,]|$)|^\d{8}T|^1\d{9}(\d{3}){0,3}$", cell)
    )


def _share_of_times(cells: list[str]) -> float:
    filled = [cell for cell in cells if cell]
    if not filled:
        return 0.0
    parsed = parse_times(pa.array(filled[:500], pa.string()), "iso", "UTC", "day_first")
    other = parse_times(pa.array(filled[:500], pa.string()), "iso", "UTC", "month_first")
    return float(max((parsed.fault == 0).mean(), (other.fault == 0).mean()))


def _epoch(cells: list[str]) -> str | None:
    numbers = [float(cell) for cell in cells if _POINT.match(cell)]
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


def _is_serial(cells: list[str]) -> bool:
    texts = [cell.replace(",", ".") for cell in cells if cell]
    if not texts or not all(_POINT.match(text) for text in texts):
        return False
    numbers = np.array([float(text) for text in texts])
    # 1990 to 2064, with a time of day, ascending.
    inside = bool(((numbers > 32874) & (numbers < 60000)).all())
    return inside and bool((np.diff(numbers) >= 0).mean() > 0.9) if len(numbers) > 1 else False


def _named(name: str, words: tuple[str, ...]) -> bool:
    plain = re.sub(r"[^a-z]", "", name.casefold())
    return plain in words or any(len(word) > 3 and word in plain for word in words)


def _time_column(names: list[str], columns: list[list[str]]) -> int | None:
    order = sorted(range(len(names)), key=lambda i: (not _named(names[i], _TIME_NAMES), i))
    for position in order:
        cells = columns[position]
        if _share_of_times(cells) > 0.8:
            return position
        if _named(names[position], _TIME_NAMES) and (_epoch(cells) or _is_serial(cells)):
            return position
    for position in order:
        if _epoch(columns[position]):
            return position
    return None


def _describe(sheet: _Sheet, time: int) -> Sniffed:
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
    export = replace(export, layout="wide", tag_column=None, value_column=None)
    numbers = [i for i in others if _numeric_share(sheet.columns[i], export) > 0.5]
    switches = [i for i in others if i not in numbers and _are_states(sheet.columns[i])]
    tags = tuple(sheet.names[i] for i in others if i in numbers or i in switches)
    sheet.reasons.append(f"Wide layout: {len(numbers)} columns of numbers.")
    for i in others:
        words = ", ".join(f"'{w[:20]}'" for w in sorted({c for c in sheet.columns[i] if c})[:3])
        if i in switches:
            sheet.reasons.append(f"'{sheet.names[i]}' holds words of two states: {words}.")
        elif i not in numbers:
            said = f"holds no numbers but {words}" if words else "is empty"
            sheet.reasons.append(f"'{sheet.names[i]}' {said}: it is left out.")
    units = None
    if sheet.unit_row is not None:
        units = {sheet.names[i]: sheet.unit_row[i] for i in others}
    return Sniffed(
        export=export,
        reasons=tuple(sheet.reasons),
        unknown=tuple(unknown),
        tags=tags,
        switches=tuple(sheet.names[i] for i in switches),
        units=units,
    )


def _time_format(
    sheet: _Sheet, time: int, export: ExportFormat, unknown: list[str]
) -> ExportFormat:
    cells = [cell for cell in sheet.columns[time] if cell]
    epoch = _epoch(cells)
    if epoch is not None:
        sheet.reasons.append(f"Timestamps are numbers of the size of {epoch}.")
        return replace(export, time_format=epoch)
    texts = pa.array(cells, pa.string())
    if _is_serial(cells):
        sheet.reasons.append("Timestamps are spreadsheet serial dates.")
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


def _number_marks(
    sheet: _Sheet, others: list[int], export: ExportFormat, unknown: list[str]
) -> ExportFormat:
    """Find the decimal mark and the mark of thousands, as far as numbers prove them."""
    cells = [c for i in others for c in sheet.columns[i][:500] if c[-1:].isdigit()]
    with_comma = [c for c in cells if _COMMA.match(c)]
    # "4,012" may be four and a bit or four thousand; "0,012" and "4,01" are decimal commas.
    either = [
        c for c in with_comma if _GROUPED_POINT.match(c) and not c.lstrip("+-").startswith("0")
    ]
    proven = len(with_comma) - len(either)
    point = [c for c in cells if "." in c and _POINT.match(c)]
    grouped = [c for c in cells if _GROUPED_POINT.match(c) and ("." in c or c.count(",") > 1)]
    if export.delimiter == "," and not grouped:
        return export
    if proven > len(point) or (either and not point and not grouped):
        export = replace(export, decimal=",")
        if proven:
            sheet.reasons.append(f"Numbers have a decimal comma, such as {_first(cells, _COMMA)}.")
        else:
            unknown.append(f"Whether the comma in '{either[0]}' is a decimal mark or thousands.")
        if any(_GROUPED_COMMA.match(c) for c in cells):
            export = replace(export, thousands=".")
            sheet.reasons.append("A point groups thousands.")
    elif grouped:
        sheet.reasons.append(f"A comma groups thousands, as in '{grouped[0]}'.")
        export = replace(export, thousands=",")
    return export


def _first(cells: list[str], pattern: re.Pattern[str]) -> str:
    return next((f"'{c}'" for c in cells if pattern.match(c)), "")


def _numeric_share(cells: list[str], export: ExportFormat) -> float:
    filled = [c for c in cells if c]
    if not filled:
        return 0.0
    pattern = _COMMA if export.decimal == "," else _POINT
    plain = [c.replace(",", "") if export.thousands == "," else c for c in filled]
    return sum(bool(pattern.match(c) or _POINT.match(c)) for c in plain) / len(filled)


def _long_columns(
    sheet: _Sheet, others: list[int], export: ExportFormat, times: list[str]
) -> tuple[int, int, int | None, int | None] | None:
    """Find tag, value, status and unit columns; None if the layout is wide."""
    numeric = {i: _numeric_share(sheet.columns[i], export) for i in others}
    unit = next((i for i in others if _named(sheet.names[i], _UNIT_NAMES)), None)
    status = next(
        (
            i
            for i in others
            if i != unit
            and _named(sheet.names[i], _STATUS_NAMES)
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
        and not _are_states(sheet.columns[i])
    ]
    values = [i for i in others if i not in (unit, status) and numeric[i] > 0.5]
    if len(set(times)) == len(times):
        # Words that change while no time occurs twice describe the row, such as a shift.
        texts = [
            i
            for i in texts
            if _named(sheet.names[i], _TAG_NAMES) or len(set(sheet.columns[i]) - {""}) < 2
        ]
    if not texts or not values:
        return None
    named = [i for i in values if _named(sheet.names[i], _VALUE_NAMES)]
    if len(values) > 1 and not named:
        return None
    tag = next((i for i in texts if _named(sheet.names[i], _TAG_NAMES)), texts[0])
    if status is None:
        status = next((i for i in texts if i != tag and _are_statuses(sheet.columns[i])), None)
    return tag, (named or values)[0], status, unit


def _are_states(cells: list[str]) -> bool:
    filled = [cell.casefold() for cell in cells if cell]
    return bool(filled) and sum(cell in STATES for cell in filled) > 0.9 * len(filled)


def _are_statuses(cells: list[str]) -> bool:
    words = sorted({c for c in cells if c})
    return len(words) <= 20 and not any(StatusReader().read(words)[1])


def _note_status(sheet: _Sheet, status: int, unknown: list[str]) -> None:
    words = sorted({c for c in sheet.columns[status] if c})
    _, reasons = StatusReader().read(words)
    strange = [w for w, why in zip(words, reasons, strict=True) if why]
    if strange:
        shown = ", ".join(f"'{w[:30]}'" for w in strange[:8])
        unknown.append(f"What these statuses mean (good, uncertain or bad): {shown}.")
