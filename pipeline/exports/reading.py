"""What a reader hands over: samples, what was refused and why, and how much of each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.plant.wording import shown

__all__ = [
    "DISORDER_SCHEMA",
    "FURTHER_TEXTS",
    "REJECTED_SCHEMA",
    "SAMPLES_SCHEMA",
    "Counts",
    "Reading",
    "ReadingStatus",
    "Refusals",
    "empty_samples",
    "samples_table",
]

ReadingStatus = Literal["accepted", "waiting"]
Int64 = NDArray[np.int64]

SAMPLES_SCHEMA = pa.schema(
    [
        pa.field("tag", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("time", pa.timestamp("us", tz="UTC"), nullable=False),
        pa.field("value", pa.float64(), nullable=False),
        pa.field("quality", pa.int8(), nullable=False),
    ]
)
"""Samples as exported: raw units, NaN where there is no number, quality 0, 1 or 2."""

REJECTED_SCHEMA = pa.schema(
    [
        pa.field("file", pa.string(), nullable=False),
        pa.field("line", pa.int64()),
        pa.field("tag", pa.string()),
        pa.field("text", pa.string()),
        pa.field("reason", pa.string(), nullable=False),
        pa.field("count", pa.int64(), nullable=False),
    ]
)
"""Refused rows and texts: one row per tag, text and reason, with its first line."""

DISORDER_SCHEMA = pa.schema(
    [
        pa.field("tag", pa.string(), nullable=False),
        pa.field("day", pa.date32(), nullable=False),
        pa.field("out_of_order", pa.int64(), nullable=False),
        pa.field("identical_duplicates", pa.int64(), nullable=False),
        pa.field("conflicting_duplicates", pa.int64(), nullable=False),
        pa.field("clock_set_back", pa.int64(), nullable=False),
    ]
)
"""What sorting hides, per tag and day of the station: rows older than the row before, duplicates,
and how often the logger's clock was set back.
"""

MOST_TEXTS = 1000
FURTHER_TEXTS = " (further texts)"
"""Ends the reason of refused texts beyond that many."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """How many of what one file held.

    Parameters
    ----------
    rows : int
        Data rows found (a wide row counts once).
    samples : int
        Samples handed over, after duplicates were resolved.
    rejected : int
        Rows that gave no sample at all, because of their timestamp or form.
    text_values : int
        Bad samples that had text where a number belongs.
    empty_values : int
        Bad samples of the long layout without any value.
    unknown_status : int
        Bad samples whose status was not understood.
    unknown_tags : int
        Values of tags that the plant file does not name.
    repeated_hour : int
        Samples of a repeated hour that row order resolved.
    identical_duplicates, conflicting_duplicates, out_of_order : int
        As in ``DISORDER_SCHEMA``.
    """

    rows: int = 0
    samples: int = 0
    rejected: int = 0
    text_values: int = 0
    empty_values: int = 0
    unknown_status: int = 0
    unknown_tags: int = 0
    repeated_hour: int = 0
    identical_duplicates: int = 0
    conflicting_duplicates: int = 0
    out_of_order: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One export file, read.

    Parameters
    ----------
    file : str
        Label of the file in messages and tables.
    status : {"accepted", "waiting"}
        Waiting: the file seems unfinished and is left for the next run; there are no samples.
    samples : Table
        ``SAMPLES_SCHEMA``, sorted by tag and time, one row per tag and time.
    rejected : Table
        ``REJECTED_SCHEMA``.
    disorder : Table
        ``DISORDER_SCHEMA``.
    counts : Counts
        Totals of the file.
    unknown_tags : dict of str to int
        Values per unknown tag, the hundred most frequent.
    notes : tuple of str
        Plain sentences on what was found out or assumed about the file.
    """

    file: str
    status: ReadingStatus = "accepted"
    samples: pa.Table
    rejected: pa.Table
    disorder: pa.Table
    counts: Counts = field(default_factory=Counts)
    unknown_tags: dict[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()

    @classmethod
    def waiting(cls, file: str, note: str) -> Reading:
        """Make the reading of a file that is left for the next run."""
        refusals = Refusals(file)
        refusals.add_one(None, None, None, note)
        return cls(
            file=file,
            status="waiting",
            samples=empty_samples(),
            rejected=refusals.table(),
            disorder=DISORDER_SCHEMA.empty_table(),
            notes=(note,),
        )


def empty_samples(tags: Sequence[str] = ()) -> pa.Table:
    """Make a table of ``SAMPLES_SCHEMA`` without rows."""
    nothing = np.zeros(0, dtype=np.int64)
    return samples_table(tags, nothing, nothing, nothing.astype(float), nothing)


def samples_table(
    tags: Sequence[str],
    codes: NDArray[np.integer],
    time: Int64,
    value: NDArray[np.float64],
    quality: NDArray[np.integer],
) -> pa.Table:
    """Build a table of ``SAMPLES_SCHEMA`` from arrays.

    Parameters
    ----------
    tags : sequence of str
        Names the codes point to.
    codes : ndarray of int
        Tag of each sample.
    time : ndarray of int64
        Microseconds UTC.
    value : ndarray of float64
        Raw values.
    quality : ndarray of int
        0, 1 or 2.

    Returns
    -------
    Table
    """
    names = pa.array(list(tags), pa.string())
    tag = pa.DictionaryArray.from_arrays(pa.array(codes.astype(np.int32, copy=False)), names)
    columns = [
        tag,
        pa.array(time).cast(pa.timestamp("us", tz="UTC")),
        pa.array(value.astype(np.float64, copy=False)),
        pa.array(quality.astype(np.int8, copy=False)),
    ]
    return pa.Table.from_arrays(columns, schema=SAMPLES_SCHEMA)


class Refusals:
    """Gathers refused rows, one entry per tag, text and reason.

    Parameters
    ----------
    file : str
        Label of the file.

    Attributes
    ----------
    within : str
        File of an archive that is being read; said after the reason.
    """

    def __init__(self, file: str) -> None:
        self._file = file
        self.within = ""
        self._found: dict[tuple[str | None, str | None, str], list[int | None]] = {}

    def add_one(
        self, line: int | None, tag: str | None, text: str | None, reason: str, count: int = 1
    ) -> None:
        """Add one entry, or its count to an entry alike."""
        if self.within:
            reason = f"{reason} (in {shown(self.within)})"
        key = (tag, text if text is None else text[:200], reason)
        if key not in self._found and len(self._found) >= MOST_TEXTS:
            # A column of free text must not grow the table without bound.
            key = (tag, None, f"{reason}{FURTHER_TEXTS}")
        entry = self._found.setdefault(key, [line, 0])
        entry[1] = (entry[1] or 0) + count
        if line is not None and (entry[0] is None or line < entry[0]):
            entry[0] = line

    def add(
        self, lines: Int64, tags: pa.Array | str | None, texts: pa.Array | None, reason: str
    ) -> None:
        """Add many refusals of one reason.

        Parameters
        ----------
        lines : ndarray of int64
            Line of each in the file.
        tags : Array of string, str or None
            Tag of each, or of all.
        texts : Array of string or None
            What was written.
        reason : str
            Why it was refused.
        """
        count = len(lines)
        if not count:
            return
        tag = tags if isinstance(tags, pa.Array) else pa.array([tags] * count, pa.string())
        text = pa.nulls(count, pa.string()) if texts is None else texts.cast(pa.string())
        table = pa.table({"tag": tag.cast(pa.string()), "text": text, "line": pa.array(lines)})
        grouped = table.group_by(["tag", "text"], use_threads=False).aggregate(
            [("line", "min"), ("line", "count")]
        )
        grouped = grouped.sort_by("line_min")
        for row in grouped.to_pylist():
            self.add_one(row["line_min"], row["tag"], row["text"], reason, row["line_count"])

    def table(self) -> pa.Table:
        """Give all entries as a table of ``REJECTED_SCHEMA``, by line, tag and text."""
        rows = [
            {
                "file": self._file,
                "line": e[0],
                "tag": k[0],
                "text": k[1],
                "reason": k[2],
                "count": e[1],
            }
            for k, e in self._found.items()
        ]
        rows.sort(key=lambda r: (r["line"] or 0, r["tag"] or "", r["text"] or "", r["reason"]))
        return pa.Table.from_pylist(rows, schema=REJECTED_SCHEMA)
