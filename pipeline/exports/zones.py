"""Local clock times to UTC, with the two hours a year that have no plain answer."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import ExportError, Fault

__all__ = ["Localised", "localise", "put_backs", "resolve_repeated", "zone_named"]

Int64 = NDArray[np.int64]
Mask = NDArray[np.bool_]

_SECOND = 1_000_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Localised:
    """Local times brought to UTC.

    Parameters
    ----------
    utc : ndarray of int64
        Microseconds since 1970; of an ambiguous time, the first of the two instants.
    is_ambiguous : ndarray of bool
        Clock times that occur twice because clocks were put back.
    is_missing : ndarray of bool
        Clock times that never occur because clocks were put forward.
    transition : ndarray of int64
        Instant of the clock change an ambiguous time belongs to [µs]; 0 elsewhere.
    shift : ndarray of int64
        What to add for the second instant of an ambiguous time [µs]; 0 elsewhere.
    """

    utc: Int64
    is_ambiguous: Mask
    is_missing: Mask
    transition: Int64
    shift: Int64


def zone_named(name: str) -> ZoneInfo:
    """Find a time zone by its IANA name.

    Parameters
    ----------
    name : str
        Such as ``Europe/Vienna``.

    Returns
    -------
    ZoneInfo

    Raises
    ------
    ExportError
        If there is no zone of that name.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        fault = Fault("time_zone", f"'{name}'", "an IANA zone such as 'Europe/Vienna' or 'UTC'")
        raise ExportError(f"There is no time zone '{name}'.", [fault]) from None


def _offset(zone: ZoneInfo, instant: datetime) -> int:
    offset = instant.astimezone(zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds() * _SECOND)


@functools.lru_cache(maxsize=4096)
def _changes_in(name: str, year: int) -> tuple[tuple[int, int, int], ...]:
    """List clock changes of a zone in a UTC year: instant, offset before, offset after [µs]."""
    zone = zone_named(name)
    day = datetime(year, 1, 1, tzinfo=UTC)
    end = datetime(year + 1, 1, 1, tzinfo=UTC)
    changes = []
    before = _offset(zone, day)
    while day < end:
        after = _offset(zone, day + timedelta(days=1))
        if after != before:
            low, high = 0, 86400
            while high - low > 1:
                middle = (low + high) // 2
                if _offset(zone, day + timedelta(seconds=middle)) == before:
                    low = middle
                else:
                    high = middle
            instant = day + timedelta(seconds=high)
            changes.append((round((instant - _EPOCH).total_seconds()) * _SECOND, before, after))
        before = after
        day += timedelta(days=1)
    return tuple(changes)


def put_backs(zone: str, first: int, last: int) -> list[tuple[int, int]]:
    """List when the clocks of a zone are put back, and by how much.

    Parameters
    ----------
    zone : str
        IANA name.
    first, last : int
        Span in UTC [µs], looked at with a day on either side.

    Returns
    -------
    list of (int, int)
        Instant and step [µs].
    """
    low, high = first - 86400 * _SECOND, last + 86400 * _SECOND
    start, end = ((_EPOCH + timedelta(microseconds=t)).year for t in (low, high))
    changes = [c for year in range(start, end + 1) for c in _changes_in(zone, year)]
    return [(t, a - b) for t, a, b in changes if b < a and low <= t <= high]


def localise(local: Int64, zone: str) -> Localised:
    """Bring clock times of a zone to UTC.

    Parameters
    ----------
    local : ndarray of int64, shape (n,)
        Clock times as microseconds since 1970-01-01 00:00 on the same clock; all between
        the years 1971 and 9998.
    zone : str
        IANA name.

    Returns
    -------
    Localised
        Arrays of shape (n,).

    Notes
    -----
    The offsets come from the system's or the ``tzdata`` package's IANA data. Around a change
    at instant ``t`` from offset ``a`` to ``b``, clock times from ``t + b`` to ``t + a`` occur
    twice if ``b < a``; those from ``t + a`` to ``t + b`` never if ``b > a``.
    """
    nothing = np.zeros(len(local), dtype=bool)
    zeros = np.zeros(len(local), dtype=np.int64)
    if not len(local):
        return Localised(local.copy(), nothing, nothing.copy(), zeros, zeros.copy())
    first, last = int(local.min()) - 2 * 86400 * _SECOND, int(local.max()) + 2 * 86400 * _SECOND
    start = _EPOCH + timedelta(microseconds=first)
    years = range(start.year, (_EPOCH + timedelta(microseconds=last)).year + 1)
    changes = [c for y in years for c in _changes_in(zone, y) if first <= c[0] <= last]
    base = _offset(zone_named(zone), start)
    if not changes:
        return Localised(local - base, nothing, nothing.copy(), zeros, zeros.copy())
    instant, before, after = (
        np.array(column, dtype=np.int64) for column in zip(*changes, strict=True)
    )
    offsets = np.concatenate([[base], after])
    settled = np.searchsorted(instant + np.maximum(before, after), local, side="right")
    begun = np.searchsorted(instant + np.minimum(before, after), local, side="right")
    utc = local - offsets[settled]
    inside = begun != settled
    change = np.minimum(settled, len(instant) - 1)
    put_back = (after < before)[change]
    is_ambiguous = inside & put_back
    return Localised(
        utc,
        is_ambiguous,
        inside & ~put_back,
        np.where(is_ambiguous, instant[change], 0),
        np.where(is_ambiguous, (before - after)[change], 0),
    )


def resolve_repeated(
    first: Int64,
    shift: Int64,
    transition: Int64,
    series: NDArray[np.int32],
    run: Int64,
    descending: Mask,
) -> tuple[Int64, Mask]:
    """Tell the two passes of a repeated hour apart by the order of the rows.

    Rows that follow each other, run forward through the hour, fall back once and run through
    it again show where the second pass begins. Without a fall back, or with several, the order
    does not decide and every row of that run is at fault. Other rows between two runs keep
    them apart, so that a row added late is not taken for a second pass.

    Parameters
    ----------
    first : ndarray of int64, shape (n,)
        UTC if the row belongs to the first pass [µs]; rows in file order.
    shift, transition : ndarray of int64
        As in ``Localised``.
    series : ndarray of int32
        Rows of one series share an order: those of a tag, or all of a wide export.
    run : ndarray of int64
        Equal for rows of a series with no row of another hour between them.
    descending : ndarray of bool
        Whether the rows of that series stand newest first.

    Returns
    -------
    utc : ndarray of int64
        Resolved instants [µs].
    is_undecided : ndarray of bool
        True where the order does not decide.
    """
    count = len(first)
    if not count:
        return first.copy(), np.zeros(0, dtype=bool)
    order = np.lexsort((np.arange(count), run, transition, series))
    times = np.where(descending[order], -first[order], first[order])
    same = np.zeros(count, dtype=bool)
    same[1:] = np.diff(series[order]) == 0
    same[1:] &= (np.diff(transition[order]) == 0) & (np.diff(run[order]) == 0)
    falls = np.zeros(count, dtype=np.int64)
    falls[1:] = (np.diff(times) < 0) & same[1:]
    starts = np.flatnonzero(~same)
    group = np.cumsum(~same) - 1
    total = np.add.reduceat(falls, starts)[group]
    running = np.cumsum(falls)
    passed = running - running[starts][group]
    second = np.where(descending[order], passed == 0, passed == 1)
    utc = np.empty(count, dtype=np.int64)
    utc[order] = first[order] + np.where(second, shift[order], 0)
    undecided = np.empty(count, dtype=bool)
    undecided[order] = total != 1
    return utc, undecided
