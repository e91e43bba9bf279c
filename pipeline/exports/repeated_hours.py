"""Samples of the hour that occurs twice, held back until the whole file has been seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.exports.zones import resolve_repeated

__all__ = ["Batch", "Held", "as_written", "settle_repeated"]

Int64 = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Batch:
    """Columns of samples: tag, time [µs], value, quality."""

    code: NDArray[np.int32]
    time: Int64
    value: NDArray[np.float64]
    quality: NDArray[np.int8]

    def take(self, rows: NDArray[np.integer] | Mask) -> Batch:
        """Some of the rows."""
        return Batch(self.code[rows], self.time[rows], self.value[rows], self.quality[rows])

    @classmethod
    def joined(cls, parts: Sequence[Batch]) -> Batch:
        """Rows of several, one after the other; of one as they are."""
        if len(parts) == 1:
            return parts[0]
        return cls(
            np.concatenate([p.code for p in parts]),
            np.concatenate([p.time for p in parts]),
            np.concatenate([p.value for p in parts]),
            np.concatenate([p.quality for p in parts]),
        )


@dataclass(frozen=True, slots=True)
class Held:
    """Samples of a repeated hour.

    Parameters
    ----------
    batch : Batch
        The samples, at the first of their two instants.
    line : ndarray of int64
        Where they stand in the file.
    transition, shift : ndarray of int64
        As in ``Localised``.
    series : ndarray of int32
        Rows of one series share an order: one tag, or a wide file.
    run : ndarray of int64
        How many rows of other hours stood before, in the series.
    """

    batch: Batch
    line: Int64
    transition: Int64
    shift: Int64
    series: NDArray[np.int32]
    run: Int64


def settle_repeated(parts: Sequence[Held], is_descending: Mask) -> tuple[Batch, Int64, Int64, Mask]:
    """Say which of its two instants each held sample means, by the order of rows.

    Parameters
    ----------
    parts : sequence of Held
        All of a file.
    is_descending : ndarray of bool
        By tag: whether its rows stand newest first.

    Returns
    -------
    batch : Batch
        The samples in file order.
    line : ndarray of int64
        Their lines.
    utc : ndarray of int64
        Their times [µs].
    is_undecided : ndarray of bool
        True where order does not tell.
    """
    batch = Batch.joined([part.batch for part in parts])
    line, transition, shift, run = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("line", "transition", "shift", "run")
    )
    series = np.concatenate([part.series for part in parts])
    order = np.argsort(line, kind="stable")
    batch, line = batch.take(order), line[order]
    utc, is_undecided = resolve_repeated(
        batch.time,
        shift[order],
        transition[order],
        series[order],
        run[order],
        is_descending[batch.code],
    )
    return batch, line, utc, is_undecided


def as_written(batch: Batch, time_zone: str | None) -> pa.Array:
    """Show clock time and value of samples, for those who look for their rows in the file.

    Parameters
    ----------
    batch : Batch
        The samples.
    time_zone : str or None
        Zone of the clock.

    Returns
    -------
    Array of string
    """
    clock = pd.to_datetime(batch.time, unit="us", utc=True).tz_convert(time_zone or "UTC")
    parts = zip(clock.tz_localize(None).astype(str), batch.value.tolist(), strict=True)
    return pa.array([t if v != v else f"{t}, {v:.15g}" for t, v in parts], pa.string())
