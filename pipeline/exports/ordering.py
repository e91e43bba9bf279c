"""The order of samples: by tag and time, and what is out of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.exports.checks import is_clock_set_back
from pipeline.exports.reading import DISORDER_SCHEMA, samples_table

__all__ = ["Tidy", "disorder_table", "order_by_tag_and_time", "out_of_order", "tag_edges", "tidy"]

Int64 = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Tidy:
    """Samples in order, and what was in the way.

    Parameters
    ----------
    samples : Table
        ``SAMPLES_SCHEMA``, sorted by tag and time, one row per tag and time.
    disorder : Table
        ``DISORDER_SCHEMA``.
    counts : dict of str to int
        Totals by the names of ``Counts``.
    """

    samples: pa.Table
    disorder: pa.Table
    counts: dict[str, int]


def tidy(
    tags: Sequence[str],
    code: NDArray[np.int32],
    time: Int64,
    value: NDArray[np.float64],
    quality: NDArray[np.int8],
    written: int,
    descending: Mask,
) -> Tidy:
    """Sort samples and resolve duplicates: of contradicting rows the last one stands.

    Parameters
    ----------
    tags : sequence of str
        Names the codes point to, ascending.
    code, time, value, quality : ndarray
        Samples in file order.
    written : int
        How many of them, from the front, stand where the file has them; the rest was resolved
        later and says nothing about the file's order.
    descending : ndarray of bool
        Tags whose rows stand newest first, which is an order too.

    Returns
    -------
    Tidy
    """
    events: list[tuple[str, NDArray[np.int32], Int64]] = []
    in_order = is_by_tag_and_time(code, time)
    if not in_order and (runs := _few_runs(code)) is not None:
        # Tags one after the other, though not by name: whole runs move, and as a rule there
        # is nothing else to put in order.
        moved = [np.concatenate([column[run] for run in runs]) for column in (code, time)]
        if is_by_tag_and_time(moved[0], moved[1]):
            in_order = True
            code, time = moved
            value, quality = (np.concatenate([c[run] for run in runs]) for c in (value, quality))
    # In order already, as bulk exports are: nothing to look for.
    late = np.zeros(0, bool) if in_order else out_of_order(code[:written], time[:written])
    if late.any():
        late &= ~descending[code[:written]]
        events.append(("out_of_order", code[:written][late], time[:written][late]))
        for tag in np.unique(code[:written][late]):
            own = np.flatnonzero(code[:written] == tag)
            rows = own[is_clock_set_back(time[own])]
            events.append(("clock_set_back", code[rows], time[rows]))
    order = None if in_order else order_by_tag_and_time(code, time)
    if order is not None:
        code, time, value, quality = code[order], time[order], value[order], quality[order]
    same = time[1:] == time[:-1]
    same &= code[1:] == code[:-1]
    if same.any():
        alike = (value[1:] == value[:-1]) | (np.isnan(value[1:]) & np.isnan(value[:-1]))
        alike &= quality[1:] == quality[:-1]
        keep = np.append(~same, True)
        dropped = np.flatnonzero(~keep)
        for name, mask in (
            ("identical_duplicates", alike[dropped]),
            ("conflicting_duplicates", ~alike[dropped]),
        ):
            rows = dropped[mask]
            events.append((name, code[rows], time[rows]))
        code, time, value, quality = code[keep], time[keep], value[keep], quality[keep]
    names = ("out_of_order", "identical_duplicates", "conflicting_duplicates")
    counts = {n: sum(len(rows) for name, rows, _ in events if name == n) for n in names}
    samples = samples_table(tags, code, time, value, quality)
    return Tidy(samples, disorder_table(tags, events), counts)


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
    order = _order_by_tag(code)
    by_tag, by_time = code[order], time[order]
    heads = np.flatnonzero(np.append(True, by_tag[1:] != by_tag[:-1]))
    back = by_time[1:] < by_time[:-1]
    back[heads[1:] - 1] = False
    for run in np.unique(np.searchsorted(heads, np.flatnonzero(back), side="right") - 1):
        part = slice(heads[run], heads[run + 1] if run + 1 < len(heads) else None)
        # NumPy's stable sort merges runs that are sorted already.
        order[part] = order[part][np.argsort(by_time[part], kind="stable")]
    return order


def is_by_tag_and_time(code: NDArray[np.int32], time: Int64) -> bool:
    """Tell whether rows stand by tag and time already.

    Parameters
    ----------
    code : ndarray of int32
        Tag of each row.
    time : ndarray of int64
        Time of each row [µs].

    Returns
    -------
    bool
    """
    if (code[1:] < code[:-1]).any():
        return False
    back = np.flatnonzero(time[1:] < time[:-1])
    return bool((code[back + 1] > code[back]).all())


def out_of_order(code: NDArray[np.int32], time: Int64) -> Mask:
    """Mark rows older than an earlier row of the same tag.

    Parameters
    ----------
    code : ndarray of int32
        Tag of each row, in file order.
    time : ndarray of int64
        Time of each row [µs].

    Returns
    -------
    ndarray of bool
        True where the row before of the same tag is newer.
    """
    mask = np.zeros(len(time), dtype=bool)
    if len(time) < 2:
        return mask
    order = _order_by_tag(code)
    by_tag, by_time = code[order], time[order]
    back = by_time[1:] < by_time[:-1]
    back &= by_tag[1:] == by_tag[:-1]
    mask[order[1:]] = back
    return mask


def tag_edges(code: NDArray[np.integer]) -> Int64:
    """Find where runs of one tag begin, and the end of the last.

    Parameters
    ----------
    code : ndarray of int
        Tag of each row.

    Returns
    -------
    ndarray of int64
        First rows of the runs, then the number of rows; only that where there is none.

    Examples
    --------
    >>> tag_edges(np.array([4, 4, 0])).tolist()
    [0, 2, 3]
    """
    heads = np.flatnonzero(code[1:] != code[:-1]) + 1
    return np.concatenate([[0], heads, [len(code)]]) if len(code) else np.zeros(1, dtype=np.int64)


def _few_runs(code: NDArray[np.int32]) -> list[slice] | None:
    """Runs of one tag in the stable order of tags; None if there are too many to move whole."""
    edges = tag_edges(code)
    if len(edges) > len(code) // 1024 + 16:
        return None
    order = np.argsort(code[edges[:-1]], kind="stable")
    return [slice(int(edges[run]), int(edges[run + 1])) for run in order]


def _order_by_tag(code: NDArray[np.int32]) -> Int64:
    """Find the stable order by tag alone."""
    runs = _few_runs(code)
    if runs is None:
        # 16 bits sort several times faster than more.
        small = code.astype(np.int16) if code.max() < 2**15 else code
        return np.argsort(small, kind="stable")
    return np.concatenate([np.arange(run.start, run.stop) for run in runs])


def disorder_table(
    tags: Sequence[str], events: list[tuple[str, NDArray[np.int32], Int64]]
) -> pa.Table:
    """Count events per tag and UTC day.

    Parameters
    ----------
    tags : sequence of str
        Names the codes point to.
    events : list of (str, ndarray of int32, ndarray of int64)
        Column of ``DISORDER_SCHEMA``, tag and time [µs] of each event.

    Returns
    -------
    Table
        ``DISORDER_SCHEMA``, by tag and day.
    """
    names = [f.name for f in DISORDER_SCHEMA][2:]
    cells: dict[tuple[int, int], dict[str, int]] = {}
    for name, code, time in events:
        day = time // 86_400_000_000
        pairs, number = np.unique(np.stack([code, day], axis=1), axis=0, return_counts=True)
        for (c, d), n in zip(pairs.tolist(), number.tolist(), strict=True):
            cell = cells.setdefault((c, d), dict.fromkeys(names, 0))
            cell[name] += n
    keys = sorted(cells)
    columns = [
        pa.array([tags[c] for c, _ in keys], pa.string()),
        pa.array([d for _, d in keys], pa.int32()).cast(pa.date32()),
        *(pa.array([cells[key][name] for key in keys], pa.int64()) for name in names),
    ]
    return pa.Table.from_arrays(columns, schema=DISORDER_SCHEMA)
