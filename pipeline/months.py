"""Calendar months and days of the station, as spans of UTC time.

Months are the unit of work and of storage. They are counted in the station's own time zone,
so that a local day, whose energy somebody pays for, never straddles two partitions.
"""

from __future__ import annotations

import functools
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

__all__ = [
    "Month",
    "MonthNumbers",
    "day_starts",
    "microseconds",
    "month_bounds",
    "months_between",
    "months_of",
]

Month = str
"""A month such as ``2025-03``."""


@functools.cache
def month_bounds(month: Month, zone: str) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Give the span ``[start, end)`` of a month in UTC.

    Parameters
    ----------
    month : str
        Such as ``2025-03``.
    zone : str
        IANA time zone of the station.

    Returns
    -------
    start, end : Timestamp
        UTC, microseconds.

    Examples
    --------
    >>> month_bounds("2025-07", "Europe/Lisbon")[0].isoformat()
    '2025-06-30T23:00:00+00:00'
    """
    first = pd.Period(month, freq="M").start_time
    following = (pd.Period(month, freq="M") + 1).start_time
    start, end = (_utc(moment, zone) for moment in (first, following))
    return start, end


def _utc(local: pd.Timestamp, zone: str) -> pd.Timestamp:
    aware = local.to_pydatetime().replace(tzinfo=ZoneInfo(zone))
    return pd.Timestamp(aware).tz_convert("UTC").as_unit("us")


def months_between(start: pd.Timestamp, end: pd.Timestamp, zone: str) -> list[Month]:
    """List the months that ``[start, end]`` touches, in order."""
    first = start.tz_convert(zone).tz_localize(None).to_period("M")
    last = end.tz_convert(zone).tz_localize(None).to_period("M")
    return [str(month) for month in pd.period_range(first, last, freq="M")]


def months_of(times_us: np.ndarray, halo_us: int, zone: str) -> list[Month]:
    """List the months in which samples matter, sorted.

    Parameters
    ----------
    times_us : ndarray of int64, shape (n,)
        Sample times, microseconds since 1970 UTC.
    halo_us : int
        How far before and after a month its samples still count.
    zone : str
        Time zone of the station.

    Returns
    -------
    list of str
        A sample within the halo of a neighbouring month names both.
    """
    if len(times_us) == 0:
        return []
    low, high = int(times_us.min()) - halo_us, int(times_us.max()) + halo_us
    span = [pd.Timestamp(t, unit="us", tz="UTC") for t in (low, high)]
    found = []
    for month in months_between(span[0], span[1], zone):
        start, end = (microseconds(bound) for bound in month_bounds(month, zone))
        if np.any((times_us >= start - halo_us) & (times_us < end + halo_us)):
            found.append(month)
    return found


class MonthNumbers:
    """Months of a zone as consecutive numbers, for many instants at once.

    Parameters
    ----------
    zone : str
        Time zone of the station.
    """

    def __init__(self, zone: str) -> None:
        starts = _month_starts(zone)
        self._starts = starts

    def of(self, times_us: np.ndarray) -> np.ndarray:
        """Give the month number of each instant [µs since 1970 UTC]."""
        return np.searchsorted(self._starts, times_us, side="right") - 1

    @staticmethod
    def name(number: int) -> Month:
        """Give the month of a number."""
        return str(_FIRST_MONTH + int(number))


_FIRST_MONTH = pd.Period("1979-01", freq="M")
_MONTHS = 12 * 130
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@functools.cache
def _month_starts(zone: str) -> np.ndarray:
    clock, first = ZoneInfo(zone), _FIRST_MONTH.year * 12 + _FIRST_MONTH.month - 1
    starts = (datetime(n // 12, n % 12 + 1, 1, tzinfo=clock) for n in range(first, first + _MONTHS))
    return np.array([(start - _EPOCH) // timedelta(microseconds=1) for start in starts])


def microseconds(instant: pd.Timestamp) -> int:
    """Give an instant as microseconds since 1970 UTC, whatever its unit."""
    return int(instant.value // 1000)


def day_starts(times: pd.DatetimeIndex, zone: str) -> pd.DatetimeIndex:
    """Give for each instant the start of its local day, in UTC.

    Parameters
    ----------
    times : DatetimeIndex, shape (n,)
        UTC.
    zone : str
        Time zone of the station.

    Returns
    -------
    DatetimeIndex, shape (n,)
        UTC. Days are 23 or 25 hours long when the clocks change.
    """
    local_days = times.tz_convert(zone).tz_localize(None).normalize()
    codes, days = pd.factorize(local_days)
    starts = pd.DatetimeIndex([_utc(pd.Timestamp(day), zone) for day in days], dtype=times.dtype)
    return starts[codes]
