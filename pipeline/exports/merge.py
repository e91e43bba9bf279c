"""Samples of several files together, and the months they bear on.

Months are UTC calendar months: a station's own months would move with its clock changes.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.exports.ordering import (
    is_alike,
    is_by_tag_and_time,
    is_repeated,
    order_by_tag_and_time,
)
from pipeline.exports.reading import samples_table

__all__ = ["MergeCounts", "merge_samples", "months_touched"]

_Columns = tuple[NDArray[Any], ...]

_MANY_RUNS = 10_000
"""Runs of a tag's rows in one batch beyond which its rows are not grouped by tag."""


def months_touched(
    samples: pa.Table, max_gap: Mapping[str, float] | float = 0.0
) -> tuple[str, ...]:
    """List the UTC months that samples bear on.

    A sample bears on the grid as far as the longest gap of its tag on either side, so one
    near the turn of a month touches both.

    Parameters
    ----------
    samples : Table
        ``SAMPLES_SCHEMA``.
    max_gap : mapping of str to float, or float
        Longest bridged gap per tag, or of all [s].

    Returns
    -------
    tuple of str
        Such as ``('2025-03', '2025-04')``, ascending.

    Examples
    --------
    >>> import numpy as np
    >>> last_minute = np.array([np.datetime64("2025-03-31T23:59", "us").astype(int)])
    >>> table = samples_table(["flow"], np.array([0]), last_minute, np.ones(1), np.zeros(1))
    >>> months_touched(table, 600.0)
    ('2025-03', '2025-04')
    """
    if not samples.num_rows:
        return ()
    combined = samples.combine_chunks()
    tag = combined.column("tag").combine_chunks()
    code = tag.indices.to_numpy(zero_copy_only=False)
    time = combined.column("time").combine_chunks().cast(pa.int64()).to_numpy()
    if isinstance(max_gap, Mapping):
        gaps = [max_gap.get(name, 0.0) for name in tag.dictionary.to_pylist()]
    else:
        gaps = [float(max_gap)] * len(tag.dictionary)
    gap = (np.array(gaps) * 1e6).astype(np.int64)[code]
    # Steps no longer than the shortest month, so that none inside a long halo is passed over.
    longest = int(gap.max())
    steps = max(int(np.ceil(longest / (27 * 86_400_000_000))), 1)
    found: set[str] = set()
    for part in np.linspace(-1.0, 1.0, 2 * steps + 1):
        months = _month_numbers(time + (gap * part).astype(np.int64))
        found.update(np.unique(months).astype("datetime64[M]").astype(str).tolist())
    return tuple(sorted(found))


def _month_numbers(time: NDArray[np.int64]) -> NDArray[np.int64]:
    return time.astype("datetime64[us]").astype("datetime64[M]").astype(np.int64)


@dataclass(frozen=True, slots=True)
class MergeCounts:
    """What several files said of the same tag and time.

    Parameters
    ----------
    agreeing : int
        Samples that a later file repeated.
    overridden : int
        Samples that a later file contradicted; the later one stands.
    """

    agreeing: int = 0
    overridden: int = 0


def merge_samples(tables: Sequence[pa.Table]) -> tuple[pa.Table, MergeCounts]:
    """Merge the samples of several files; the later file wins per tag and time.

    Parameters
    ----------
    tables : sequence of Table
        ``SAMPLES_SCHEMA`` each, in ledger order.

    Returns
    -------
    merged : Table
        ``SAMPLES_SCHEMA``, sorted by tag name and time, one row per tag and time; the tag
        dictionary holds the names in ascending order.
    counts : MergeCounts
        How often files agreed and how often a later one overrode.
    """
    names = sorted({name for table in tables for name in _names(table)})
    position = {name: code for code, name in enumerate(names)}
    runs: list[tuple[int, int, _Columns]] = []
    for number, table in enumerate(tables):
        for batch in table.to_batches():
            if not batch.num_rows:
                continue
            tag = batch.column("tag")
            own = np.array([position[n] for n in tag.dictionary.to_pylist()], dtype=np.int32)
            columns = (
                own[tag.indices.to_numpy(zero_copy_only=False)],
                batch.column("time").cast(pa.int64()).to_numpy(),
                batch.column("value").to_numpy(),
                batch.column("quality").to_numpy(),
            )
            heads = np.flatnonzero(np.append(True, columns[0][1:] != columns[0][:-1]))
            if len(heads) > _MANY_RUNS:
                runs.append((-1, number, columns))
                continue
            for low, high in itertools.pairwise([*heads.tolist(), batch.num_rows]):
                part = tuple(column[low:high] for column in columns)
                runs.append((int(columns[0][low]), number, part))
    if not runs:
        empty = np.zeros(0, dtype=np.int64)
        return samples_table(names, empty, empty, empty.astype(float), empty), MergeCounts()
    if all(tag >= 0 for tag, _, _ in runs):
        # Whole runs of a tag moved together cost less than sorting rows; stable, so that
        # later files stay behind earlier ones.
        runs.sort(key=lambda run: run[:2])
    code, time, value, quality = (
        np.concatenate(column) for column in zip(*(part for _, _, part in runs), strict=True)
    )
    counts = MergeCounts()
    if is_by_tag_and_time(code, time, strictly=True):
        return samples_table(names, code, time, value, quality), counts
    order = order_by_tag_and_time(code, time)
    if order is not None:
        code, time, value, quality = code[order], time[order], value[order], quality[order]
    same = is_repeated(code, time)
    if same.any():
        alike = is_alike(value, quality)
        counts = MergeCounts(int((same & alike).sum()), int((same & ~alike).sum()))
        keep = np.append(~same, True)
        code, time, value, quality = code[keep], time[keep], value[keep], quality[keep]
    return samples_table(names, code, time, value, quality), counts


def _names(table: pa.Table) -> list[str]:
    return [name for chunk in table.column("tag").chunks for name in chunk.dictionary.to_pylist()]
