"""What is wrong with the samples of a tag, as masks: True is a fault, no row is dropped.

A repeated value is no fault in itself: a slow transmitter, a coarse resolution or a calm tank
repeats for good reasons. A tag is called flat-lined only where it holds a value for much
longer than it ever used to, while a neighbour that it should follow has moved.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Neighbour",
    "is_flatlined",
    "is_out_of_range",
    "is_repeated",
    "is_spike",
    "usual_hold",
]

Int64 = NDArray[np.int64]
Float = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SECOND = 1_000_000
_QUARTERS = 4


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Samples of a tag that must move when the one under test should.

    Parameters
    ----------
    time : ndarray of int64, shape (n,)
        Ascending [µs].
    value : ndarray of float64, shape (n,)
        NaN where there is no value.
    """

    time: Int64
    value: Float


def is_out_of_range(value: Float, low: float, high: float) -> Mask:
    """Mark values outside an instrument's range.

    Parameters
    ----------
    value : ndarray of float64, shape (n,)
        In the unit of the limits; NaN is not at fault here.
    low, high : float
        Limits; infinite where not stated.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where the value is below ``low`` or above ``high``.
    """
    return (value < low) | (value > high)


def is_repeated(value: Float) -> Mask:
    """Mark values equal to the last value before.

    Parameters
    ----------
    value : ndarray of float64, shape (n,)
        In time order; NaN is passed over.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where the last number before is the same.
    """
    mask = np.zeros(len(value), dtype=bool)
    unknown = np.isnan(value)
    if not unknown.any():
        mask[1:] = value[1:] == value[:-1]
        return mask
    rows = np.flatnonzero(~unknown)
    mask[rows[1:]] = value[rows[1:]] == value[rows[:-1]]
    return mask


def is_spike(time: Int64, value: Float, factor: float = 10.0, floor: float = 0.0) -> Mask:
    """Mark single samples that jump away and straight back.

    Parameters
    ----------
    time : ndarray of int64, shape (n,)
        Ascending [µs].
    value : ndarray of float64, shape (n,)
        NaN is passed over.
    factor : float
        How many usual steps the jump must measure on both sides [-].
    floor : float
        Smallest jump that counts, in the unit of the value.

    Returns
    -------
    ndarray of bool, shape (n,)

    Notes
    -----
    The usual step is the median of the tag's own changes, so that a noisy tag needs a larger
    jump than a calm one. A start or stop of a pump does not come straight back and is none.
    The neighbours on both sides must agree with each other better than with the spike.
    """
    mask = np.zeros(len(value), dtype=bool)
    unknown = np.isnan(value)
    rows = np.flatnonzero(~unknown) if unknown.any() else None
    step = np.diff(value if rows is None else value[rows])
    size = np.abs(step)
    still = len(size) - int(np.count_nonzero(size))
    moved = len(size) - still
    # The median costs more than all the rest, and mostly the largest change says enough: where
    # more than half of the changes exceed its tenth, none is a spike.
    if moved < 10 or _exceed(size * factor, float(size.max()), moved):
        return mask
    there, back = step[:-1], step[1:]
    jump = np.minimum(size[:-1], size[1:])
    turns = np.flatnonzero((there * back < 0) & (np.abs(there + back) < 0.2 * jump))
    if not len(turns) or _exceed(size * factor, float(jump[turns].max()), moved):
        return mask
    limit = max(factor * float(np.median(size[size != 0] if still else size)), floor)
    spikes = turns[jump[turns] > limit] + 1
    mask[spikes if rows is None else rows[spikes]] = True
    return mask


def _exceed(size: Float, limit: float, of: int) -> bool:
    """Tell whether more than half of some sizes exceed a limit."""
    return int(np.count_nonzero(size > limit)) > of // 2 + 1


def _is_held(time: Int64, value: Float, least: float) -> bool:
    """Tell whether a value may be held for longer than some seconds; False is certain.

    A hold so long spans four instants in a row of a raster of its quarter, or more.
    """
    raster = np.arange(time[0], time[-1] + 1, max(int(least * _SECOND) // _QUARTERS, 1))
    at = value[np.searchsorted(time, raster, side="right") - 1]
    same = at[1:] == at[:-1]
    row = same[2:] & same[1:-1] & same[:-2]
    return bool(row.any())


def _runs(time: Int64, value: Float) -> tuple[NDArray[np.intp], NDArray[np.intp], Float]:
    """Find runs of equal numbers: first row, row after the last, and how long each held."""
    starts = np.flatnonzero(np.append(True, value[1:] != value[:-1]))
    ends = np.append(starts[1:], len(value))
    until = time[np.minimum(ends, len(time) - 1)]
    return starts, ends, (until - time[starts]) / _SECOND


def usual_hold(time: Int64, value: Float, part: float = 0.95) -> float:
    """Tell how long a tag usually holds a value.

    Parameters
    ----------
    time : ndarray of int64, shape (n,)
        Ascending [µs].
    value : ndarray of float64, shape (n,)
        NaN is passed over.
    part : float
        Share of its holds that are no longer than that [-].

    Returns
    -------
    float
        Seconds; NaN with fewer than twenty holds, which is no history to judge by.

    Notes
    -----
    Holds are counted, not weighted by their length: a gauge that died and sticks for months
    has one long hold among thousands and does not make it usual.
    """
    known = ~np.isnan(value)
    if not known.any():
        return float("nan")
    _, _, held = _runs(time[known], value[known])
    # The last hold has not ended.
    return float(np.quantile(held[:-1], part)) if len(held) > 20 else float("nan")


def is_flatlined(
    time: Int64,
    value: Float,
    neighbours: Sequence[Neighbour] | Callable[[], Sequence[Neighbour]],
    hold: float | None = None,
    factor: float = 10.0,
    least: float = 3 * 3600.0,
    moved: float = 0.2,
) -> Mask:
    """Mark samples that hold one value for far too long while a neighbour moved.

    Parameters
    ----------
    time : ndarray of int64, shape (n,)
        Ascending [µs].
    value : ndarray of float64, shape (n,)
        NaN is passed over.
    neighbours : sequence of Neighbour, or callable that gives one
        Tags that must move when this one should; without any, nothing is called flat. Asked
        for only where a value is held for long.
    hold : float or None
        How long this tag usually holds a value [s]; None takes its own ``usual_hold``. Without
        a history (NaN), ``least`` decides alone.
    factor : float
        How many usual holds a flat line lasts at least [-].
    least : float
        Shortest flat line that counts [s].
    moved : float
        How far a neighbour must have moved during the hold, as a part of its own usual range
        (from its 5th to its 95th percentile) [-].

    Returns
    -------
    ndarray of bool, shape (n,)
        True from the first to the last sample of each flat line.
    """
    mask = np.zeros(len(value), dtype=bool)
    if not callable(neighbours) and not neighbours:
        return mask
    unknown = np.isnan(value)
    rows: slice | NDArray[np.intp] = slice(None)
    if unknown.any():
        rows = np.flatnonzero(~unknown)
    known_time = time[rows]
    if not len(known_time):
        return mask
    if not _is_held(known_time, value[rows], least):
        return mask
    starts, ends, held = _runs(known_time, value[rows])
    if not (held > least).any():
        # Most tags of most months: the quantiles below would cost more than all the rest.
        return mask
    beside = neighbours() if callable(neighbours) else neighbours
    if not beside:
        return mask
    usual = usual_hold(time, value) if hold is None else hold
    limit = least if np.isnan(usual) else max(least, factor * usual)
    if not (held > limit).any():
        return mask
    ranges = [_range(n) for n in beside]
    # Long holds are few by their length alone, so that a loop over them is cheap.
    for run in np.flatnonzero(held > limit):
        begin, end = known_time[starts[run]], known_time[ends[run] - 1]
        if any(_moved(n, r, begin, end) > moved for n, r in zip(beside, ranges, strict=True)):
            flat = slice(int(starts[run]), int(ends[run]))
            mask[flat if isinstance(rows, slice) else rows[flat]] = True
    return mask


def _range(neighbour: Neighbour) -> float:
    known = neighbour.value[~np.isnan(neighbour.value)]
    if not len(known):
        return 0.0
    low, high = np.quantile(known, [0.05, 0.95])
    return float(high - low) or float(known.max() - known.min())


def _moved(neighbour: Neighbour, usual: float, begin: int, end: int) -> float:
    first, last = np.searchsorted(neighbour.time, [begin, end + 1])
    inside = neighbour.value[first:last]
    inside = inside[~np.isnan(inside)]
    if len(inside) < 2 or usual <= 0:
        return 0.0
    low, high = np.quantile(inside, [0.02, 0.98])
    return float(high - low) / usual
