"""Runs of rows of one tag: bulk exports have each tag's rows together, and runs move whole."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

__all__ = [
    "by_tag",
    "edges_if_few",
    "encode_by_runs",
    "few_runs",
    "most_runs",
    "order_by_tag",
    "tag_edges",
]

Int64 = NDArray[np.int64]

_FIRST_LOOK = 1 << 14


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


def most_runs(rows: int) -> int:
    """Give the number of runs up to which moving runs costs less than sorting rows."""
    return rows // 1024 + 15


def edges_if_few(code: NDArray[np.integer], most: int) -> Int64 | None:
    """Find the edges of runs of one tag, unless there are many: rows interleaved in time.

    Parameters
    ----------
    code : ndarray of int
        Tag of each row.
    most : int
        More runs are many.

    Returns
    -------
    ndarray of int64 or None
        As ``tag_edges`` gives them; None if there are more.
    """
    # The first rows tell as a rule, and counting takes less than listing.
    for rows in (code[:_FIRST_LOOK], code):
        if np.count_nonzero(rows[1:] != rows[:-1]) >= most:
            return None
    return tag_edges(code)


def few_runs(code: NDArray[np.int32]) -> list[slice] | None:
    """Find the runs of one tag in the stable order of tags.

    Parameters
    ----------
    code : ndarray of int32
        Tag of each row.

    Returns
    -------
    list of slice or None
        Where the runs are; None if there are too many to move whole.
    """
    edges = edges_if_few(code, most_runs(len(code)))
    if edges is None:
        return None
    order = np.argsort(code[edges[:-1]], kind="stable")
    return [slice(int(edges[run]), int(edges[run + 1])) for run in order]


def order_by_tag(code: NDArray[np.int32]) -> Int64:
    """Find the stable order by tag alone.

    Parameters
    ----------
    code : ndarray of int32
        Tag of each row.

    Returns
    -------
    ndarray of int64
        Positions.
    """
    runs = few_runs(code)
    if runs is None:
        # 16 bits sort several times faster than more.
        small = code.astype(np.int16) if code.max() < 2**15 else code
        return np.argsort(small, kind="stable")
    return np.concatenate([np.arange(run.start, run.stop) for run in runs])


def by_tag(code: NDArray[np.int32], time: Int64) -> tuple[NDArray[np.int32], Int64]:
    """Put rows in the stable order of tags.

    Parameters
    ----------
    code : ndarray of int32
        Tag of each row.
    time : ndarray of int64
        Time of each row [µs].

    Returns
    -------
    code, time : ndarray
        In that order; as they are where they stand so.
    """
    runs = few_runs(code)
    if runs is None:
        order = order_by_tag(code)
        return code[order], time[order]
    if len(runs) < 2:
        return code, time
    return np.concatenate([code[r] for r in runs]), np.concatenate([time[r] for r in runs])


def encode_by_runs(column: pa.Array) -> pa.DictionaryArray:
    """Encode a column as a dictionary; one that seldom changes, as a status, by its runs.

    Parameters
    ----------
    column : Array, shape (n,)
        Of any type that Arrow can encode.

    Returns
    -------
    DictionaryArray
        Values in the order they appear.
    """
    if not column.null_count and pa.types.is_integer(column.type):
        number = column.to_numpy(zero_copy_only=False)
        edges = edges_if_few(number, len(number) // 8)
        if edges is not None:
            heads = pa.array(number[edges[:-1]], column.type).dictionary_encode()
            index = np.repeat(heads.indices.to_numpy(), np.diff(edges))
            return pa.DictionaryArray.from_arrays(pa.array(index), heads.dictionary)
    return column.dictionary_encode()
