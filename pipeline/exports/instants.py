"""Instants in UTC, and what can be wrong with a timestamp."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.exports.zones import localise

__all__ = [
    "ALWAYS_UTC",
    "EARLIEST",
    "FAULTS",
    "LATEST",
    "REPEATED_HOUR",
    "Instants",
    "Parsed",
    "read_instants",
]

Int64 = NDArray[np.int64]

FAULTS: tuple[str, ...] = (
    "",
    "no timestamp",
    "the timestamp is not of the declared form",
    "there is no such date or time of day",
    "the timestamp has no offset and no time_zone is declared",
    "this clock time does not exist: clocks were put forward",
    "this clock time occurs twice (clocks put back) and row order does not tell which",
    "the timestamp lies before 1980 or after 2100",
    "day and month cannot be told apart",
)
"""What can be wrong with a timestamp, by code; 0 is nothing."""

(
    FINE,
    EMPTY,
    FORM,
    NO_SUCH,
    NO_ZONE,
    SKIPPED_HOUR,
    REPEATED_HOUR,
    IMPLAUSIBLE,
    SWAPPABLE,
) = range(len(FAULTS))

ALWAYS_UTC = ("UTC", "Etc/UTC")
EARLIEST = int(pd.Timestamp("1980-01-01", tz="UTC").value // 1000)
LATEST = int(pd.Timestamp("2100-01-01", tz="UTC").value // 1000)


@dataclass(frozen=True, slots=True)
class Instants:
    """Timestamps in UTC.

    Parameters
    ----------
    utc : ndarray of int64
        Microseconds since 1970; without meaning where ``fault`` is set, except that of a
        repeated hour it is the first of the two instants.
    fault : ndarray of int8
        Index into ``FAULTS``; 0 where the timestamp is usable.
    transition, shift : ndarray of int64
        Of repeated hours, as in ``Localised``.
    """

    utc: Int64
    fault: NDArray[np.int8]
    transition: Int64
    shift: Int64


@dataclass(frozen=True, slots=True)
class Parsed:
    """Timestamps taken apart, before zones are looked at.

    Parameters
    ----------
    time : ndarray of int64
        UTC where ``has_offset``, clock time elsewhere [µs].
    has_offset : ndarray of bool
        Whether the time is UTC already.
    fault : ndarray of int8
        Index into ``FAULTS``.
    """

    time: Int64
    has_offset: NDArray[np.bool_]
    fault: NDArray[np.int8]


def read_instants(
    time: Int64, has_offset: NDArray[np.bool_], fault: NDArray[np.int8], time_zone: str | None
) -> Instants:
    """Bring parsed times to UTC and mark what cannot be used.

    Parameters
    ----------
    time : ndarray of int64
        UTC where ``has_offset``, clock time elsewhere [µs].
    has_offset : ndarray of bool
        Whether the time is UTC already.
    fault : ndarray of int8
        Faults known so far.
    time_zone : str or None
        Zone of the clock times.

    Returns
    -------
    Instants
    """
    utc, fault = time.copy(), fault.copy()
    transition = np.zeros(len(time), dtype=np.int64)
    shift = np.zeros(len(time), dtype=np.int64)
    plausible = len(time) > 0 and bool(time.min() >= EARLIEST and time.max() < LATEST)
    if plausible and (time_zone in ALWAYS_UTC or bool(has_offset.all())):
        return Instants(utc, fault, transition, shift)
    fault[(fault == FINE) & ((time < EARLIEST) | (time >= LATEST))] = IMPLAUSIBLE
    clock = (fault == FINE) & ~has_offset
    if time_zone is None:
        fault[clock] = NO_ZONE
    elif clock.any():
        everything = bool(clock.all())
        found = localise(time if everything else time[clock], time_zone)
        where: slice | NDArray[np.bool_] = slice(None) if everything else clock
        utc[where], transition[where], shift[where] = found.utc, found.transition, found.shift
        if found.is_ambiguous.any() or found.is_missing.any():
            codes = np.where(found.is_missing, SKIPPED_HOUR, FINE)
            fault[where] = np.where(found.is_ambiguous, REPEATED_HOUR, codes)
    return Instants(utc, fault, transition, shift)
