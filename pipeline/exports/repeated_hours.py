"""Samples of the hour that occurs twice, held back until the whole file has been seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.exports.zones import put_backs, resolve_repeated

__all__ = ["Batch", "Held", "NearRows", "as_written", "settle_repeated"]

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


MOST_STEPS = 3
"""Steps on either side of a repeated hour within which a series must be regular [-]."""
LEAST_NEIGHBOURS = 4
"""How many rows must stand there, at least one on either side [-]."""


class NearRows:
    """Rows near the repeated hours of a zone, which show whether a series has one row an hour.

    Parameters
    ----------
    zone : str
        IANA name.
    """

    def __init__(self, zone: str) -> None:
        self._zone = zone
        self._found: list[tuple[NDArray[np.int32], Int64, Int64]] = []

    def look(self, code: NDArray[np.int32], time: Int64, line: Int64) -> None:
        """Look at the next rows, those of repeated hours left out."""
        if not len(time):
            return
        low, high = int(time.min()), int(time.max())
        for instant, step in put_backs(self._zone, low, high):
            start, end = instant - (MOST_STEPS + 1) * step, instant + (MOST_STEPS + 2) * step
            rows = np.flatnonzero((time >= start) & (time < end))
            if len(rows):
                self._found.append((code[rows], time[rows], line[rows]))

    def order_of_passes(self, code: int, first: int, step: int, lines: Int64) -> int:
        """Tell whether two rows of one clock time are the two hours of that name.

        They are where the tag's rows otherwise follow each other in steps of just the hour by
        which clocks are put back: were one of the two a duplicate, an hour would be missing.

        Parameters
        ----------
        code : int
            Their tag.
        first : int
            The first of their two instants [µs].
        step : int
            By how much clocks are put back [µs].
        lines : ndarray of int64
            Lines of the two.

        Returns
        -------
        int
            1 where the upper of the two is the first hour, -1 where the lower one is; 0 where
            they are not told apart.
        """
        rows = [(c == code, t, n) for c, t, n in self._found]
        time = np.concatenate([t[own] for own, t, _ in rows] or [lines[:0]])
        line = np.concatenate([n[own] for own, _, n in rows] or [lines[:0]])
        near = (time >= first - MOST_STEPS * step) & (time <= first + (MOST_STEPS + 1) * step)
        order = np.argsort(time[near], kind="stable")
        time, line = time[near][order], line[near][order]
        before = int((time < first).sum())
        after = len(time) - before
        if not before or not after or len(time) < LEAST_NEIGHBOURS:
            return 0
        steps = [*range(-before, 0), *range(2, after + 2)]
        if not np.array_equal(time, first + step * np.array(steps, dtype=np.int64)):
            return 0
        # In the file too they stand where their time belongs, forwards or backwards.
        for sign in (1, -1):
            inside = np.sort(sign * lines)
            if (
                np.diff(np.concatenate([sign * line[:before], inside, sign * line[before:]])) > 0
            ).all():
                return sign
        return 0


def settle_repeated(
    parts: Sequence[Held], is_descending: Mask, near: NearRows
) -> tuple[Batch, Int64, Int64, Mask]:
    """Say which of its two instants each held sample means, by the order of rows.

    Parameters
    ----------
    parts : sequence of Held
        All of a file.
    is_descending : ndarray of bool
        By tag: whether its rows stand newest first.
    near : NearRows
        Rows on either side of the repeated hours.

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
    shift, transition = shift[order], transition[order]
    utc, is_undecided = resolve_repeated(
        batch.time, shift, transition, series[order], run[order], is_descending[batch.code]
    )
    _tell_hourly_pairs(batch, line, shift, utc, is_undecided, near)
    return batch, line, utc, is_undecided


def _tell_hourly_pairs(
    batch: Batch, line: Int64, shift: Int64, utc: Int64, is_undecided: Mask, near: NearRows
) -> None:
    """Settle, in place, the hours that a series of one row an hour holds twice."""
    open_rows = np.flatnonzero(is_undecided)
    if not len(open_rows):
        return
    keys = np.column_stack([batch.code[open_rows], batch.time[open_rows]])
    _, which, number = np.unique(keys, axis=0, return_inverse=True, return_counts=True)
    for pair in np.flatnonzero(number == 2).tolist():
        rows = open_rows[which == pair]
        code, first, step = (int(c[rows[0]]) for c in (batch.code, batch.time, shift))
        sign = near.order_of_passes(code, first, step, line[rows])
        if sign:
            upper, lower = rows
            utc[lower if sign > 0 else upper] = first + step
            utc[upper if sign > 0 else lower] = first
            is_undecided[rows] = False


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
