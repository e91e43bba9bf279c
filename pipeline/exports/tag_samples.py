"""Samples taken up tag by tag: the arrays of one tag and month stay in a processor's cache."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.exports.quality import BAD
from pipeline.exports.tag_runs import tag_edges

__all__ = ["Merged", "TagPieces", "TagSamples"]

Int64 = NDArray[np.int64]


class TagSamples(NamedTuple):
    """Samples of one tag in time order: time in µs, value and quality, equally long arrays."""

    time: Int64
    value: NDArray[np.float64]
    quality: NDArray[np.int8]

    @property
    def usable(self) -> NDArray[np.float64]:
        """Values, NaN where they are bad."""
        bad = self.quality == BAD
        return np.where(bad, np.nan, self.value) if bad.any() else self.value

    def between(self, low: int, high: int) -> TagSamples:
        """Those from one instant on and before another [µs]; views, not copies."""
        if not len(self.time) or (self.time[0] >= low and self.time[-1] < high):
            return self
        first, last = np.searchsorted(self.time, (low, high)).tolist()
        rows = slice(first, last)
        return TagSamples(self.time[rows], self.value[rows], self.quality[rows])

    @classmethod
    def none(cls) -> TagSamples:
        """No samples."""
        return cls(np.zeros(0, np.int64), np.zeros(0), np.zeros(0, np.int8))


class Merged(NamedTuple):
    """What several files hold of one tag.

    Parameters
    ----------
    samples : TagSamples
        Each instant once, in time order.
    contradicted : ndarray of int64
        Instants [µs], ascending, of which files say different values or qualities.
    """

    samples: TagSamples
    contradicted: Int64


def _merged(runs: Sequence[TagSamples]) -> Merged:
    """Join runs of one tag, each in time order; of samples of one instant the last run's stands."""
    nothing = np.zeros(0, np.int64)
    if len(runs) < 2:
        return Merged(runs[0] if runs else TagSamples.none(), nothing)
    time, value, quality = (np.concatenate(column) for column in zip(*runs, strict=True))
    if (time[1:] > time[:-1]).all():
        return Merged(TagSamples(time, value, quality), nothing)
    order = np.argsort(time, kind="stable")
    time, value, quality = time[order], value[order], quality[order]
    same = time[1:] == time[:-1]
    alike = (value[1:] == value[:-1]) | (np.isnan(value[1:]) & np.isnan(value[:-1]))
    alike &= quality[1:] == quality[:-1]
    contradicted = np.unique(time[1:][same & ~alike])
    last = np.append(~same, True)
    return Merged(TagSamples(time[last], value[last], quality[last]), contradicted)


class TagPieces:
    """Tables of samples, looked up by tag.

    Parameters
    ----------
    tables : iterable of Table
        ``SAMPLES_SCHEMA`` each, a tag's rows in time order, no instant twice; of samples of
        one tag and instant that of the last table stands.
    """

    def __init__(self, tables: Iterable[pa.Table]) -> None:
        runs: dict[str, list[TagSamples]] = {}
        for table in tables:
            for batch in table.to_batches():
                tag = batch.column("tag")
                names = tag.dictionary.to_pylist()
                code = tag.indices.to_numpy(zero_copy_only=False)
                columns = (
                    batch.column("time").cast(pa.int64()).to_numpy(),
                    batch.column("value").to_numpy(),
                    batch.column("quality").to_numpy(),
                )
                for low, high in itertools.pairwise(tag_edges(code).tolist()):
                    part = TagSamples(*(column[low:high] for column in columns))
                    runs.setdefault(names[code[low]], []).append(part)
        self._runs = dict(sorted(runs.items()))

    @property
    def tags(self) -> list[str]:
        """Names of the tags that have samples, ascending."""
        return list(self._runs)

    def of(self, tag: str, low: int, high: int) -> TagSamples:
        """Give the samples of a tag from one instant on and before another [µs]."""
        return self.merged(tag, low, high).samples

    def merged(self, tag: str, low: int, high: int) -> Merged:
        """Give them as ``of`` does, and where the tables contradict each other."""
        runs = (run.between(low, high) for run in self._runs.get(tag, ()))
        return _merged([run for run in runs if len(run.time)])
