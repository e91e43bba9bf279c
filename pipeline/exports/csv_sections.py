"""Text blocks of CSV files: their lines, and the seams of files that were put together."""

from __future__ import annotations

import itertools
from codecs import BOM_UTF8
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.exports.csv_lines import count
from pipeline.exports.dialect import Dialect, is_header, split_header
from pipeline.plant.types import ExportFormat

__all__ = [
    "begins_otherwise",
    "count_lines",
    "decode",
    "drop_lines",
    "filled_lines",
    "headers_in",
    "without_marks",
]


def decode(block: bytes) -> str:
    """Read UTF-8; bytes that are none are shown as replacement characters."""
    try:
        return block.decode("utf-8")
    except UnicodeDecodeError:
        return block.decode("utf-8", errors="replace")


def count_lines(block: bytes) -> int:
    """Count line ends."""
    return count(block, b"\n")


def filled_lines(block: bytes) -> NDArray[np.bool_] | None:
    """Tell the lines that hold anything from blank ones; None where no line is blank."""
    if not block.startswith(b"\n") and b"\n\n" not in block:
        return None
    ends = np.flatnonzero(np.frombuffer(block, dtype=np.uint8) == ord("\n"))
    if not block.endswith(b"\n"):
        ends = np.append(ends, len(block))
    return np.diff(ends, prepend=-1) > 1


def drop_lines(block: bytes, count: int) -> tuple[bytes, int]:
    """Take lines off the front; give the rest and the number of its first line."""
    start = 0
    for _ in range(count):
        cut = block.find(b"\n", start) + 1
        if not cut:
            return b"", count + 1
        start = cut
    return block[start:], count + 1


def without_marks(blocks: Iterable[bytes]) -> Iterator[bytes]:
    """Take off the byte-order marks at line starts, as where files were put together."""
    for block in blocks:
        if not block.isascii():
            block = block.removeprefix(BOM_UTF8).replace(b"\n" + BOM_UTF8, b"\n")
        yield block


def headers_in(block: bytes, dialect: Dialect, export: ExportFormat) -> list[int]:
    """Find the headers of other files that were put together with this one.

    Parameters
    ----------
    block : bytes
        Whole lines.
    dialect : Dialect
        The header known so far.
    export : ExportFormat
        Names the columns that make a header.

    Returns
    -------
    list of int
        Where headers begin; none where all of them are the one that is known.
    """
    name = dialect.fields[dialect.time].encode()
    # A single byte is looked for many times as fast as a word, and mostly one is missing.
    if not all(letter in block for letter in name) or name not in block:
        return []
    places = set()
    mark = dialect.delimiter.encode()
    for before, quote in itertools.product((b"\n", mark), (b"", b'"')):
        field = before + quote + name + quote
        place = block.find(field)
        while place >= 0:
            if block[place + len(field) : place + len(field) + 1] in (mark, b"\n"):
                places.add(block.rfind(b"\n", 0, place + 1) + 1)
            place = block.find(field, place + 1)
    if block.startswith((name, b'"' + name)):
        places.add(0)
    headers = {place: _names_at(block, place, dialect, export) for place in sorted(places)}
    headers = {place: names for place, names in headers.items() if names}
    return list(headers) if any(not _is_known(n, dialect) for n in headers.values()) else []


def begins_otherwise(block: bytes, dialect: Dialect, export: ExportFormat) -> bool:
    """Tell whether a block begins with a header that has other columns than the known one."""
    names = _names_at(block, 0, dialect, export)
    return bool(names) and not _is_known(names, dialect)


def _is_known(names: tuple[str, ...], dialect: Dialect) -> bool:
    # Rows that end with one more delimiter gave the known header an empty last field.
    return dialect.fields in (names, (*names, ""))


def _names_at(block: bytes, place: int, dialect: Dialect, export: ExportFormat) -> tuple[str, ...]:
    """Give the names of the header that begins at a place; none if the line is no header."""
    end = block.find(b"\n", place)
    line = decode(block[place : end if end >= 0 else len(block)])
    if not is_header(line, dialect.delimiter, export):
        return ()
    return tuple(split_header(line, dialect.delimiter))
