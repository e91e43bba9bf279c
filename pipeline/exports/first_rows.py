"""The first rows of an undescribed export as columns of text."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from pipeline.errors import ExportError
from pipeline.exports.cell_forms import COMMA, POINT, is_time, time_column
from pipeline.exports.dialect import DELIMITERS, header_text, split_header
from pipeline.exports.streams import members, open_text
from pipeline.plant.types import ExportFormat

SAMPLE_ROWS = 3000


@dataclass(slots=True)
class Sheet:
    """First rows of a file as columns of text."""

    names: list[str]
    columns: list[list[str]]
    export: ExportFormat
    reasons: list[str]
    unit_row: list[str] | None = None
    is_typed_time: bool = False


def parquet_sheet(path: Path) -> tuple[Sheet, int | None]:
    """Give the first rows of a Parquet file, and the column of its timestamps."""
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
    sheet = Sheet(list(schema.names), columns, ExportFormat(pattern=path.name, tag_column=None), [])
    for position, field in enumerate(schema):
        if pa.types.is_timestamp(field.type):
            sheet.is_typed_time = True
            if field.type.tz is not None:
                sheet.reasons.append(f"'{field.name}' holds timestamps in UTC.")
                sheet.export = replace(sheet.export, time_zone="UTC")
            return sheet, position
    return sheet, time_column(sheet.names, columns)


def text_sheet(path: Path) -> tuple[Sheet, int | None]:
    """Give the first rows of a text file, and the column of its timestamps.

    Of the files of an archive the first that can be described counts.
    """
    inside = members(path)
    failure = None
    for member in inside:
        try:
            return _member_sheet(path, member)
        except ExportError as error:
            failure = failure or error
    assert failure is not None  # noqa: S101 - there is a member, and it was not described
    raise failure


def _member_sheet(path: Path, member: str | None) -> tuple[Sheet, int | None]:
    with open_text(path, member, None) as text:
        block = next(text.blocks(1 << 20), b"")
        note = text.note
    lines = block.decode("utf-8", errors="replace").split("\n")[: SAMPLE_ROWS + 200]
    export = ExportFormat(pattern=path.name)
    reasons = []
    if note:
        reasons.append(note)
        export = replace(export, encoding=text.encoding)
    best: tuple[float, int, Sheet, int] | None = None
    for delimiter in DELIMITERS:
        found = _split(lines, delimiter, export)
        if found is None:
            continue
        sheet, share = found
        time = time_column(sheet.names, sheet.columns)
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


def _split(lines: list[str], delimiter: str, export: ExportFormat) -> tuple[Sheet, float] | None:
    rows: list[tuple[int, list[str]]] = []
    position = 0
    while position < len(lines):
        text, height = header_text(lines, position)
        if text.strip():
            rows.append((position, split_header(text, delimiter)))
        position += height
    widths = Counter(len(row) for _, row in rows)
    width, count = widths.most_common(1)[0] if widths else (0, 0)
    if width < 2:
        return None
    full = [(i, [cell.strip() for cell in row]) for i, row in rows if len(row) == width]
    header_line, header = full[0]
    if any(is_time(cell) for cell in header):
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
    return Sheet(header, cells, export, reasons, unit_row), count / len(rows)


def _holds_units(row: list[str]) -> bool:
    """Tell a row of units from one of data: no time stands in it, and hardly a number."""
    filled = [cell for cell in row if cell]
    numbers = sum(bool(POINT.match(cell) or COMMA.match(cell)) for cell in filled)
    return not any(is_time(cell) for cell in filled) and 2 * numbers < len(filled)
