"""CSV lines taken apart one by one, for blocks that a bulk parser refuses."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.exports.dialect import Dialect

__all__ = [
    "MOST_JOINED",
    "SplitLines",
    "count",
    "end_of_record",
    "last_record",
    "split_lines",
    "whole_records",
]

Int64 = NDArray[np.int64]
MOST_JOINED = 50
"""Lines a quoted field may run over; beyond them a quote counts as one that was never closed."""
_TIME_LIKE = re.compile(r"^\s*\"?(\d{1,4}[-/.]\d{1,2}[-/.]\d|\d{8,})")
Refused = tuple[Int64, pa.Array, str]

_TEXT = pa.string()


@dataclass(frozen=True, slots=True)
class SplitLines:
    """Lines of a block as columns of text.

    Parameters
    ----------
    columns : list of Array of string
        One per field of the header.
    lines : ndarray of int64
        Line number of each row.
    rows : int
        Data lines there were, refused ones included.
    refused : list of (ndarray of int64, Array of string, str)
        Line numbers, texts and reason of what was refused.
    """

    columns: list[pa.Array]
    lines: Int64
    rows: int
    refused: list[Refused]


def split_lines(text: str, first: int, dialect: Dialect, comment: str | None) -> SplitLines:
    """Take lines apart; what is wrong with one costs its neighbours nothing.

    Parameters
    ----------
    text : str
        Whole lines.
    first : int
        Number of the first line in the file.
    dialect : Dialect
        Delimiter and header.
    comment : str or None
        Start of lines that are passed over.

    Returns
    -------
    SplitLines
    """
    raw = text.split("\n")
    if not raw[-1]:
        raw.pop()
    raw, lines = _joined(raw, first, dialect)
    texts = pa.array(raw, _TEXT)
    skip = pc.equal(pc.utf8_trim_whitespace(texts), "")
    if comment:
        skip = pc.or_(skip, pc.starts_with(texts, comment))
    keep = ~_mask(skip)
    texts, lines = texts.filter(pa.array(keep)), lines[keep]
    rows = len(lines)
    refused: list[Refused] = []
    broken = _mask(pc.match_substring(texts, "\0"))
    if broken.any():
        shown = pc.replace_substring(texts.filter(pa.array(broken)), "\0", "\u2400")
        refused.append((lines[broken], shown, "the line holds zero bytes"))
        texts, lines = texts.filter(pa.array(~broken)), lines[~broken]
    quoted = _mask(pc.match_substring(texts, '"'))
    parts = []
    for is_quoted in (False, True):
        mask = quoted == is_quoted
        if mask.any():
            own = texts.filter(pa.array(mask))
            parts.append(_split(own, lines[mask], dialect, is_quoted, refused))
    if not parts:
        return SplitLines([], lines[:0], rows, refused)
    numbers = np.concatenate([part[1] for part in parts])
    order = np.argsort(numbers, kind="stable")
    take = pa.array(order)
    width = len(dialect.fields)
    columns = [pa.concat_arrays([part[0][j] for part in parts]).take(take) for j in range(width)]
    return SplitLines(columns, numbers[order], rows, refused)


def whole_records(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """Move the start of a record whose quoted field runs on from one block into the next.

    Parameters
    ----------
    blocks : iterable of bytes
        Whole lines each, but for the last.

    Yields
    ------
    bytes
        The same lines.
    """
    carried = b""
    for block in blocks:
        block = carried + block if carried else block
        carried = b""
        if b'"' in block and block.endswith(b"\n") and count(block, b'"') % 2:
            lines = block.rsplit(b"\n", MOST_JOINED + 1)[1:-1]
            odd = [i for i, line in enumerate(lines) if line.count(b'"') % 2]
            if odd:
                size = sum(len(line) + 1 for line in lines[odd[-1] :])
                block, carried = block[: len(block) - size], block[len(block) - size :]
        if block:
            yield block
    if carried:
        yield carried


def end_of_record(block: bytes, start: int, cut: int) -> int:
    """Find the first line end from `cut` on that stands outside a quoted field.

    Parameters
    ----------
    block : bytes
        Whole lines.
    start : int
        Where a record starts.
    cut : int
        A line end.

    Returns
    -------
    int
        Position after it; `cut` itself where no quote is open there, or none is closed soon.
    """
    if count(block[start:cut], b'"') % 2 == 0:
        return cut
    end = cut
    for _ in range(MOST_JOINED):
        following = block.find(b"\n", end) + 1
        if not following:
            break
        if block.count(b'"', end, following) % 2:
            return following
        end = following
    return cut


def last_record(lines: Sequence[str], dialect: Dialect) -> str:
    """Give the last record of some lines; as a rule their last line.

    Parameters
    ----------
    lines : sequence of str
        Last lines of a file.
    dialect : Dialect
        Delimiter and header.

    Returns
    -------
    str
    """
    if lines[-1].count('"') % 2:
        for start in range(len(lines) - 2, max(len(lines) - MOST_JOINED, 0) - 1, -1):
            if lines[start].count('"') % 2:
                if _is_record(lines[start:], dialect):
                    return "\n".join(lines[start:])
                break
    return lines[-1]


def _joined(raw: list[str], first: int, dialect: Dialect) -> tuple[list[str], Int64]:
    """Put lines together that a quoted line break parts; with the number of each one's first."""
    lines = np.arange(first, first + len(raw), dtype=np.int64)
    quotes = pc.count_substring(pa.array(raw, _TEXT), '"').to_numpy(zero_copy_only=False)
    odd = np.flatnonzero(quotes % 2)
    keep = np.ones(len(raw), dtype=bool)
    texts = list(raw)
    position = 0
    while position < len(odd) - 1:
        start, end = int(odd[position]), int(odd[position + 1])
        if end - start < MOST_JOINED and _is_record(raw[start : end + 1], dialect):
            texts[start] = "\n".join(raw[start : end + 1])
            keep[start + 1 : end + 1] = False
            position += 1
        position += 1
    if keep.all():
        return raw, lines
    return [text for text, is_kept in zip(texts, keep.tolist(), strict=True) if is_kept], lines[
        keep
    ]


def _is_record(lines: Sequence[str], dialect: Dialect) -> bool:
    """Tell a record over several lines from rows between two stray quotes."""
    try:
        fields = next(csv.reader(["\n".join(lines)], delimiter=dialect.delimiter, strict=True), [])
    except csv.Error:
        return False
    if not dialect.least_fields <= len(fields) <= len(dialect.fields):
        return False
    # What follows the first line must not be a row of its own, up to the closing quote.
    following = [*lines[1:-1], lines[-1][: lines[-1].index('"')]]
    cells = (line.split(dialect.delimiter) for line in following)
    return not any(len(row) > dialect.time and _TIME_LIKE.match(row[dialect.time]) for row in cells)


def count(block: bytes, mark: bytes) -> int:
    """Count a byte, several times as fast as ``bytes.count``, which looks at one at a time."""
    return int(np.count_nonzero(np.frombuffer(block, dtype=np.uint8) == ord(mark)))


def _mask(column: pa.Array) -> NDArray[np.bool_]:
    return np.asarray(column.to_numpy(zero_copy_only=False), dtype=bool)


def _split(
    texts: pa.Array, lines: Int64, dialect: Dialect, is_quoted: bool, refused: list[Refused]
) -> tuple[list[pa.Array], Int64]:
    """Cut lines into fields; lines with a wrong number of fields are refused."""
    width = len(dialect.fields)
    if is_quoted:
        # Line by line, so that an unbalanced quote stays within its line.
        rows = [_split_quoted(text, dialect.delimiter) for text in texts.to_pylist()]
        split = pa.array([row or [] for row in rows], pa.list_(_TEXT))
    else:
        split = pc.split_pattern(texts, dialect.delimiter)
    length = np.asarray(pc.list_value_length(split).to_numpy(zero_copy_only=False))
    offsets = split.offsets.to_numpy(zero_copy_only=False)[:-1].astype(np.int64)
    values = split.values
    fine = (length == width) | ((length >= dialect.least_fields) & (length < width))
    for row in np.flatnonzero(length > width).tolist():
        # More fields than the header: harmless only if they are empty.
        extra = values.slice(offsets[row] + width, length[row] - width).to_pylist()
        fine[row] = not any(text.strip() for text in extra)
    for count in np.unique(length[~fine]).tolist():
        mask = ~fine & (length == count)
        reason = f"{count} fields where the header has {width}"
        if count == 0:
            reason = "a quote is opened and not closed"
        elif count > width and dialect.delimiter == ",":
            reason += " (a decimal comma between commas?)"
        refused.append((lines[mask], texts.filter(pa.array(mask)), reason))
    starts, lengths = offsets[fine], length[fine]
    padded = pa.concat_arrays([values.cast(_TEXT), pa.array([""], _TEXT)])
    columns = [
        padded.take(pa.array(np.where(j < lengths, starts + j, len(values)))) for j in range(width)
    ]
    return columns, lines[fine]


def _split_quoted(line: str, delimiter: str) -> list[str] | None:
    try:
        return next(csv.reader([line], delimiter=delimiter, strict=True), None)
    except csv.Error:
        # Strict reading also refuses text after a closing quote; only an open one is fatal.
        if line.count('"') % 2:
            return None
        return next(csv.reader([line], delimiter=delimiter), None)
