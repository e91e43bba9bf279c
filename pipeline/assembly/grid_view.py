"""Measurements of a span of time as one array per tag on the regular grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.months import microseconds

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

LEAST_COVERAGE = 0.8
"""Below this part of an interval a value is not used: what was not seen may have differed."""

WORD_OF_QUALITY = ("good", "uncertain", "bad")


@dataclass(frozen=True, slots=True)
class _Signal:
    value: Floats
    coverage: Floats
    is_bad: Mask


class GridView:
    """The grid between two instants, tag by tag.

    Parameters
    ----------
    measurements : pyarrow.Table
        Columns ``tag``, ``time`` (UTC, interval start), ``value`` (SI), ``coverage`` (0 to 1)
        and ``worst_quality`` (``good``, ``uncertain``, ``bad``); any order, other columns are
        passed over. Rows outside the span are left out.
    start, end : Timestamp
        The span ``[start, end)``, UTC.
    grid : float
        Length of an interval [s].
    """

    def __init__(
        self, measurements: pa.Table, start: pd.Timestamp, end: pd.Timestamp, grid: float
    ) -> None:
        step = round(grid * 1e6)
        first, last = (microseconds(t) for t in (start, end))
        self._first = -(-first // step) * step
        self._step = step
        self._count = max(0, -(-(last - self._first) // step))
        self._signals = self._by_tag(measurements)
        self.times = pd.DatetimeIndex(
            (self._first + step * np.arange(self._count)).view("datetime64[us]"), tz="UTC"
        )

    @property
    def grid(self) -> float:
        """Length of an interval [s]."""
        return self._step / 1e6

    def __len__(self) -> int:
        return self._count

    def _by_tag(self, table: pa.Table) -> dict[str, _Signal]:
        time = table.column("time").cast(pa.int64()).to_numpy()
        place = (time - self._first) // self._step
        inside = (place >= 0) & (place < self._count)
        labels = table.column("tag").combine_chunks()
        if not pa.types.is_dictionary(labels.type):
            labels = pc.dictionary_encode(labels)
        if isinstance(labels, pa.ChunkedArray):
            labels = labels.unify_dictionaries().combine_chunks()
        codes = labels.indices.to_numpy()
        value = table.column("value").to_numpy()
        coverage = table.column("coverage").to_numpy()
        is_bad = pc.equal(table.column("worst_quality").cast(pa.string()), "bad").to_numpy()
        signals = {}
        order = np.argsort(codes[inside], kind="stable")
        rows = np.flatnonzero(inside)[order]
        bounds = np.searchsorted(codes[rows], np.arange(len(labels.dictionary) + 1))
        for code, tag in enumerate(labels.dictionary.to_pylist()):
            mine = rows[bounds[code] : bounds[code + 1]]
            if mine.size == 0:
                continue
            signal = _Signal(
                np.full(self._count, np.nan),
                np.zeros(self._count),
                np.ones(self._count, dtype=bool),
            )
            at = place[mine]
            signal.value[at] = value[mine]
            signal.coverage[at] = coverage[mine]
            signal.is_bad[at] = is_bad[mine]
            signals[tag] = signal
        return signals

    def __contains__(self, tag: str | None) -> bool:
        return tag in self._signals

    def value(self, tag: str | None, least_coverage: float = LEAST_COVERAGE) -> Floats:
        """Give the averages of a tag.

        Parameters
        ----------
        tag : str or None
            Tag name; None, or one without rows, gives NaN throughout.
        least_coverage : float
            Intervals covered less than this are NaN [-].

        Returns
        -------
        ndarray of float64, shape (n_intervals,)
            SI.
        """
        signal = self._signals.get(tag) if tag is not None else None
        if signal is None:
            return np.full(self._count, np.nan)
        return np.where(signal.coverage >= least_coverage, signal.value, np.nan)

    def coverage(self, tag: str | None) -> Floats:
        """Give the covered part of each interval [-]."""
        signal = self._signals.get(tag) if tag is not None else None
        return np.zeros(self._count) if signal is None else signal.coverage
