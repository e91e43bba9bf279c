"""Where the header of a CSV export is, what separates its fields, and which columns count."""

from __future__ import annotations

import csv
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import pyarrow as pa

from pipeline.errors import ExportError, Fault
from pipeline.exports.instants import EMPTY, FORM
from pipeline.exports.timestamps import parse_times
from pipeline.plant.types import ExportFormat
from pipeline.plant.wording import shown

__all__ = [
    "Dialect",
    "find_dialect",
    "header_text",
    "is_header",
    "split_header",
    "split_line",
    "status_names",
]

DELIMITERS = (",", ";", "\t", "|")
HEADER_SEARCH = 200
HEADER_HEIGHT = 20
"""Lines a header may run over."""


@dataclass(frozen=True, slots=True)
class Dialect:
    """How one CSV file is laid out.

    Parameters
    ----------
    delimiter : str
        Between fields.
    fields : tuple of str
        Header, blanks around names taken off.
    body_line : int
        Number of the first data line (1 is the file's first line).
    time, tag, value, status : int or None
        Positions of the columns that count.
    wide : tuple of (int, str)
        Positions and tag names of a wide export's known columns.
    unknown : tuple of str
        Columns of a wide export that are no known tag.
    repeated : tuple of str
        Tags that head two columns or more of a wide export.
    status_of : tuple of (int, int)
        Position of a wide tag's column and of the column that holds its status.
    is_own_status : bool
        Whether each tag of a wide export has a status column of its own.
    notes : tuple of str
        What was found out.
    """

    delimiter: str
    fields: tuple[str, ...]
    body_line: int
    time: int
    tag: int | None = None
    value: int | None = None
    status: int | None = None
    wide: tuple[tuple[int, str], ...] = ()
    unknown: tuple[str, ...] = ()
    repeated: tuple[str, ...] = ()
    status_of: tuple[tuple[int, int], ...] = ()
    is_own_status: bool = False
    notes: tuple[str, ...] = ()

    @property
    def least_fields(self) -> int:
        """Fewest fields of a whole row: empty columns at its end may be left out."""
        if self.wide:
            return len(self.fields)
        needed = (self.time, self.tag, self.value, self.status)
        return max(position for position in needed if position is not None) + 1


def split_line(line: str, delimiter: str) -> list[str]:
    """Split one line at the delimiter, quotes respected."""
    if '"' not in line:
        return line.split(delimiter)
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a line break between quotes that do not belong together
        return line.split(delimiter)


def header_text(lines: Sequence[str], number: int) -> tuple[str, int]:
    """Give the text of a header line and how many lines it runs over.

    Parameters
    ----------
    lines : sequence of str
        First lines of a file.
    number : int
        Position of the line.

    Returns
    -------
    text : str
        More than one line where a quoted name holds a line break.
    height : int
        Number of lines.
    """
    if lines[number].count('"') % 2:
        for height in range(2, HEADER_HEIGHT + 1):
            joined = "\n".join(lines[number : number + height])
            if joined.count('"') % 2 == 0:
                return joined, height
    return lines[number], 1


def split_header(text: str, delimiter: str) -> list[str]:
    """Split a header into names, blanks around them off and line breaks in them as blanks."""
    return [" ".join(part.strip() for part in f.split("\n")) for f in split_line(text, delimiter)]


def _needed(export: ExportFormat) -> list[tuple[str, str]]:
    names = [("time_column", export.time_column)]
    if export.layout == "long":
        names += [
            (key, name)
            for key, name in (
                ("tag_column", export.tag_column),
                ("value_column", export.value_column),
                ("status_column", export.status_column),
            )
            if name is not None
        ]
    elif export.status_column is not None and not export.names_status_by_tag:
        names.append(("status_column", export.status_column))
    return names


def status_names(names: Sequence[str], tags: Sequence[str], export: ExportFormat) -> dict[str, str]:
    """Find the columns that hold the statuses of a wide export's tags.

    Parameters
    ----------
    names : sequence of str
        All columns.
    tags : sequence of str
        Those that are tags.
    export : ExportFormat
        Its ``status_column`` is one for the whole row, or has ``{tag}`` in place of a tag's name.

    Returns
    -------
    dict of str to str
        Status column of each tag that has one.

    Raises
    ------
    ExportError
        If each tag should have a column of its own and none has.
    """
    wanted = export.status_column
    if wanted is None:
        return {}
    if not export.names_status_by_tag:
        return dict.fromkeys(tags, wanted) if wanted in names else {}
    found = {tag: wanted.replace("{tag}", tag) for tag in tags}
    found = {tag: name for tag, name in found.items() if name in names}
    if tags and not found:
        missing = wanted.replace("{tag}", tags[0])
        fault = Fault(
            "status_column", f"no column {shown(missing)}", f"one for each tag: '{wanted}'"
        )
        raise ExportError("No tag has a status column.", [fault])
    return found


def _status_places(
    fields: Sequence[str], wide: Sequence[tuple[int, str]], export: ExportFormat
) -> tuple[tuple[int, int], ...]:
    places = [i for i, field in enumerate(fields) if field == export.status_column]
    if len(places) > 1:
        # One name over many columns: each belongs to the tags on its left.
        pairs = [(i, next((p for p in places if p > i), None)) for i, _ in wide]
        return tuple((i, place) for i, place in pairs if place is not None)
    found = status_names(fields, [tag for _, tag in wide], export)
    return tuple((i, fields.index(found[tag])) for i, tag in wide if tag in found)


def _position(fields: list[str], name: str) -> int | None:
    if name in fields:
        return fields.index(name)
    alike = [i for i, field in enumerate(fields) if field.casefold() == name.casefold()]
    return alike[0] if len(alike) == 1 else None


def is_header(line: str, delimiter: str, export: ExportFormat) -> bool:
    """Tell whether a line holds all declared column names."""
    fields = split_header(line, delimiter)
    return all(_position(fields, name) is not None for _, name in _needed(export))


def find_dialect(
    lines: list[str], export: ExportFormat, tag_names: Collection[str], body_hint: int = 0
) -> Dialect:
    """Find the header among the first lines of a CSV file.

    Parameters
    ----------
    lines : list of str
        First lines of the file, without line ends.
    export : ExportFormat
        Its column names identify the header, which also shows the delimiter.
    tag_names : collection of str
        Tags of the plant file.
    body_hint : int
        Unused lines before ``lines``.

    Returns
    -------
    Dialect

    Raises
    ------
    ExportError
        If no line has the declared columns; the message shows the nearest line.
    """
    needed = _needed(export)
    delimiters = DELIMITERS if export.delimiter is None else (export.delimiter,)
    start = export.skip_rows
    notes = []
    last = start
    best: tuple[int, int, list[str], str] | None = None
    for number in range(start, min(start + HEADER_SEARCH, len(lines))):
        line, height = header_text(lines, number)
        if not line.strip() or (export.comment and line.startswith(export.comment)):
            continue
        if number == start and line.lower().startswith("sep=") and len(line.strip()) == 5:
            delimiters = (line[4],)
            continue
        for delimiter in delimiters:
            fields = split_header(line, delimiter)
            found = sum(_position(fields, name) is not None for _, name in needed)
            if best is None or (found, len(fields) > 1) > (best[0], len(best[2]) > 1):
                best = (found, number, fields, delimiter)
                last = number + height - 1
        if best is not None and best[0] == len(needed):
            break
    if best is None or best[0] < len(needed):
        raise _no_header(best, needed, export)
    _, number, fields, delimiter = best
    passed = [
        line
        for line in lines[start:number]
        if line.strip() and not (export.comment and line.startswith(export.comment))
    ]
    if passed and not (len(passed) == 1 and passed[0].lower().startswith("sep=")):
        notes.append(f"{len(passed)} lines before the header were passed over.")
    for key, name in needed:
        if fields.count(name) > 1 and (export.layout == "long" or key == "time_column"):
            fault = Fault(key, f"{fields.count(name)} columns named '{name}'", "one")
            raise ExportError(f"The header names '{name}' more than once.", [fault])
    columns = {key: _position(fields, name) for key, name in needed}
    body, note = _after_units(lines, last + 1, delimiter, columns["time_column"], export)
    notes += [note] if note else []
    # Rows that end with one more delimiter than the header have an empty last field.
    rest = [
        split_line(line, delimiter)
        for line in lines[body : body + 20]
        if line.strip() and not (export.comment and line.startswith(export.comment))
    ]
    if rest and all(len(row) == len(fields) + 1 and not row[-1].strip() for row in rest):
        fields.append("")
    time = columns["time_column"]
    assert time is not None  # noqa: S101 - the header was found by it
    common = {
        "delimiter": delimiter,
        "fields": tuple(fields),
        "body_line": body + 1 + body_hint,
        "time": time,
    }
    if export.layout == "long":
        return Dialect(
            **common,  # type: ignore[arg-type]
            tag=columns.get("tag_column"),
            value=columns.get("value_column"),
            status=columns.get("status_column"),
            notes=tuple(notes),
        )
    known = set(tag_names)
    repeated = tuple(sorted({f for f in fields if f in known and fields.count(f) > 1}))
    wide = [(i, f) for i, f in enumerate(fields) if f in known and f not in repeated and i != time]
    status_of = _status_places(fields, wide, export)
    statuses = {place for _, place in status_of}
    bare = [tag for i, tag in wide if i not in dict(status_of)]
    if export.status_column is not None and bare:
        notes.append(f"{len(bare)} tag(s) have no status column, such as {shown(bare[0])}.")
    return Dialect(
        **common,  # type: ignore[arg-type]
        wide=tuple(wide),
        unknown=tuple(
            f
            for i, f in enumerate(fields)
            if f
            and f not in known
            and i != time
            and i not in statuses
            and f != export.status_column
        ),
        repeated=repeated,
        status_of=status_of,
        is_own_status=len(statuses) > 1 or export.names_status_by_tag,
        notes=tuple(notes),
    )


def _after_units(
    lines: Sequence[str], body: int, delimiter: str, time: int | None, export: ExportFormat
) -> tuple[int, str]:
    """Pass over the declared row of units; give the first data line, and a note if it is missing.

    Blank lines and comments may stand before it. A row with a time is data, whatever was declared.
    """
    if not export.unit_row or time is None:
        return body, ""
    for number in range(body, len(lines)):
        line = lines[number]
        if not line.strip() or (export.comment and line.startswith(export.comment)):
            continue
        cells = split_line(line, delimiter)
        cell = pa.array(cells[time : time + 1] or [""], pa.string())
        if parse_times(cell, export.time_format, export.time_zone).fault[0] in (EMPTY, FORM):
            return number + 1, ""
        return body, "unit_row is declared, but the row below the header holds data; it was read."
    return body, ""


def _no_header(
    best: tuple[int, int, list[str], str] | None,
    needed: list[tuple[str, str]],
    export: ExportFormat,
) -> ExportError:
    wanted = ", ".join(f"'{name}' ({key})" for key, name in needed)
    if best is None:
        found = "no line with text"
    else:
        fields = [field for field in best[2] if field][:12]
        found = f"line {best[1] + 1} with " + ", ".join(shown(field) for field in fields)
    if export.delimiter is not None:
        wanted += f" separated by {export.delimiter!r}"
    fault = Fault(
        "header", found, wanted, "Correct the column names, delimiter or skip_rows of the export."
    )
    return ExportError("No line has the declared columns.", [fault])
