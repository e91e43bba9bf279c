"""The order of samples: by tag and time, and what is out of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.exports.disorder import DisorderCells
from pipeline.exports.reading import samples_table
from pipeline.exports.tag_runs import few_runs, order_by_tag, tag_edges

__all__ = [
    "Tidy",
    "is_alike",
    "is_by_tag_and_time",
    "is_repeated",
    "order_by_tag_and_time",
    "tidy",
]

Int64 = NDArray[np.int64]
Mask = NDArray[np.bool_]

_FIRST_LOOK = 1 << 14


@dataclass(frozen=True, slots=True)
class Tidy:
    """Samples in order, and what was in the way.

    Parameters
    ----------
    samples : Table
        ``SAMPLES_SCHEMA``, sorted by tag and time, one row per tag and time.
    duplicates : DisorderCells
        Duplicates resolved, by tag and day.
    """

    samples: pa.Table
    duplicates: DisorderCells


def tidy(
    tags: Sequence[str],
    code: NDArray[np.int32],
    time: Int64,
    value: NDArray[np.float64],
    quality: NDArray[np.int8],
    day_zone: str = "UTC",
) -> Tidy:
    """Sort samples and resolve duplicates: of contradicting rows the last one stands.

    Parameters
    ----------
    tags : sequence of str
        Names the codes point to, ascending.
    code, time, value, quality : ndarray
        Samples in file order.
    day_zone : str
        Zone in which days are counted.

    Returns
    -------
    Tidy
    """
    found = DisorderCells(day_zone)
    if is_by_tag_and_time(code, time, strictly=True):
        return Tidy(samples_table(tags, code, time, value, quality), found)
    in_order = is_by_tag_and_time(code, time)
    if not in_order and (runs := few_runs(code)) is not None:
        # Tags one after the other, though not by name: whole runs move, and as a rule there
        # is nothing else to put in order.
        moved = [np.concatenate([column[run] for run in runs]) for column in (code, time)]
        if is_by_tag_and_time(moved[0], moved[1]):
            in_order = True
            code, time = moved
            value, quality = (np.concatenate([c[run] for run in runs]) for c in (value, quality))
    order = None if in_order else order_by_tag_and_time(code, time)
    if order is not None:
        code, time, value, quality = code[order], time[order], value[order], quality[order]
    same = is_repeated(code, time)
    if same.any():
        alike = is_alike(value, quality)
        keep = np.append(~same, True)
        dropped = np.flatnonzero(~keep)
        for name, mask in (
            ("identical_duplicates", alike[dropped]),
            ("conflicting_duplicates", ~alike[dropped]),
        ):
            rows = dropped[mask]
            found.add(name, code[rows], time[rows])
        code, time, value, quality = code[keep], time[keep], value[keep], quality[keep]
    return Tidy(samples_table(tags, code, time, value, quality), found)


def is_repeated(code: NDArray[np.int32], time: Int64) -> Mask:
    """Mark each row but the last whose tag and time the next one repeats."""
    same = time[1:] == time[:-1]
    same &= code[1:] == code[:-1]
    return same


def is_alike(value: NDArray[np.float64], quality: NDArray[np.int8]) -> Mask:
    """Mark each row but the last whose value and quality the next one repeats."""
    alike = (value[1:] == value[:-1]) | (np.isnan(value[1:]) & np.isnan(value[:-1]))
    alike &= quality[1:] == quality[:-1]
    return alike


def order_by_tag_and_time(code: NDArray[np.int32], time: Int64) -> Int64 | None:
    """Find the stable order by tag and time.

    Parameters
    ----------
    code : ndarray of int32
        Tag of each row.
    time : ndarray of int64
        Time of each row [µs].

    Returns
    -------
    ndarray of int64 or None
        Positions; None if the rows are in that order already.
    """
    if is_by_tag_and_time(code, time):
        return None
    order = order_by_tag(code)
    by_tag, by_time = code[order], time[order]
    heads = np.flatnonzero(np.append(True, by_tag[1:] != by_tag[:-1]))
    back = by_time[1:] < by_time[:-1]
    back[heads[1:] - 1] = False
    for run in np.unique(np.searchsorted(heads, np.flatnonzero(back), side="right") - 1):
        part = slice(heads[run], heads[run + 1] if run + 1 < len(heads) else None)
        # NumPy's stable sort merges runs that are sorted already.
        order[part] = order[part][np.argsort(by_time[part], kind="stable")]
    return order


def is_by_tag_and_time(code: NDArray[np.int32], time: Int64, *, strictly: bool = False) -> bool:
    """Tell whether rows stand by tag and time already.

    Parameters
    ----------
    code : ndarray of int32
        Tag of each row.
    time : ndarray of int64
        Time of each row [µs].
    strictly : bool
        Whether a tag and time that stands twice counts as out of order.

    Returns
    -------
    bool
    """
    # The first rows tell as a rule that others are interleaved.
    if len(code) > _FIRST_LOOK and not is_by_tag_and_time(
        code[:_FIRST_LOOK], time[:_FIRST_LOOK], strictly=strictly
    ):
        return False
    # Where time does not go on, another tag must begin. Such rows are few where all is well.
    goes_on = np.greater if strictly else np.greater_equal
    stops = np.flatnonzero(~goes_on(time[1:], time[:-1]))
    if not (code[stops + 1] > code[stops]).all():
        return False
    edges = tag_edges(code)
    heads = code[edges[:-1]]
    return bool((heads[1:] > heads[:-1]).all())
