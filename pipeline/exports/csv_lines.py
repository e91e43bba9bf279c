"""CSV lines taken apart one by one, for blocks that a bulk parser refuses."""

from __future__ import annotations

import csv
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.exports.dialect import Dialect

__all__ = ["SplitLines", "split_lines"]

Int64 = NDArray[np.int64]
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
    texts = pa.array(raw, _TEXT)
    lines = np.arange(first, first + len(raw), dtype=np.int64)
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
