"""The order of samples: by tag and time, and what is out of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.exports.reading import DISORDER_SCHEMA

__all__ = ["disorder_table", "order_by_tag_and_time", "out_of_order"]

Int64 = NDArray[np.int64]
Mask = NDArray[np.bool_]


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
    if len(time) < 2:
        return None
    ahead = (code[1:] > code[:-1]) | ((code[1:] == code[:-1]) & (time[1:] >= time[:-1]))
    if ahead.all():
        return None
    start = int(time.min())
    span = int(time.max()) - start + 1
    if span * (int(code.max()) + 1) < 2**62:
        # One stable sort of one key; NumPy's merges runs that are sorted already.
        return np.argsort(code.astype(np.int64) * span + (time - start), kind="stable")
    return np.lexsort((time, code))


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
    if (np.diff(code) >= 0).all():
        mask[1:] = (np.diff(time) < 0) & (np.diff(code) == 0)
        return mask
    small = code.astype(np.int16) if code.max() < 2**15 else code
    order = np.argsort(small, kind="stable")
    by_tag, by_time = code[order], time[order]
    mask[order[1:]] = (np.diff(by_time) < 0) & (np.diff(by_tag) == 0)
    return mask


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
