"""What sorting hides, counted while a file is read: rows out of order and clocks set back.

Rows are watched in the order of the file, block by block, so that a file read whole and one
read in pieces, cut anywhere, give one answer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.exports.instants import ALWAYS_UTC
from pipeline.exports.reading import DISORDER_SCHEMA
from pipeline.exports.tag_runs import by_tag, tag_edges

__all__ = ["DisorderCells", "OrderWatch"]

Int64 = NDArray[np.int64]
Mask = NDArray[np.bool_]

_DAY = 86_400_000_000
_NEVER = np.iinfo(np.int64).min
LEAST_STEP_BACK = 120_000_000
"""Smallest step back that counts as a clock set back [µs]. Common practice, no source."""
ROWS_AFTER = 4
"""How many rows must follow in order, below the time reached before the step [-]."""


def _days(time: Int64, zone: str) -> Int64:
    """Number the days of a zone from 1970 on, for instants [µs]."""
    if zone in ALWAYS_UTC or not len(time):
        return time // _DAY
    clock = pd.DatetimeIndex(time.view("datetime64[us]"), tz="UTC").tz_convert(zone)
    return clock.tz_localize(None).asi8 // _DAY


class DisorderCells:
    """Counts of events per tag and day.

    Parameters
    ----------
    day_zone : str
        Zone in which days are counted.
    """

    def __init__(self, day_zone: str = "UTC") -> None:
        self._zone = day_zone
        self._cells: dict[str, dict[tuple[int, int], int]] = {
            name: {} for name in DISORDER_SCHEMA.names[2:]
        }

    def add(self, name: str, code: NDArray[np.int32], time: Int64) -> None:
        """Count events.

        Parameters
        ----------
        name : str
            Column of ``DISORDER_SCHEMA``.
        code : ndarray of int32
            Tag of each event.
        time : ndarray of int64
            Time of each event [µs].
        """
        cells = self._cells[name]
        # One number for tag and day sorts far faster than pairs.
        keys, number = np.unique(
            (code.astype(np.int64) << 32) + _days(time, self._zone), return_counts=True
        )
        tags = (keys + (1 << 31)) >> 32
        for tag, day, count in zip(
            tags.tolist(), (keys - (tags << 32)).tolist(), number.tolist(), strict=True
        ):
            cells[tag, day] = cells.get((tag, day), 0) + count

    def update(self, other: DisorderCells, but: Mask | None = None) -> None:
        """Take the counts of others over, but those of some tags."""
        for name, cells in other._cells.items():
            own = self._cells[name]
            for (tag, day), count in cells.items():
                if but is None or not but[tag]:
                    own[tag, day] = own.get((tag, day), 0) + count

    def total(self, name: str) -> int:
        """Count all events of a name."""
        return sum(self._cells[name].values())

    def table(self, tags: list[str]) -> pa.Table:
        """Give the counts as ``DISORDER_SCHEMA``, by tag and day.

        Parameters
        ----------
        tags : list of str
            Names the codes point to, ascending.
        """
        keys = sorted({key for cells in self._cells.values() for key in cells})
        columns = [
            pa.array([tags[code] for code, _ in keys], pa.string()),
            pa.array([day for _, day in keys], pa.int32()).cast(pa.date32()),
            *(
                pa.array([cells.get(key, 0) for key in keys], pa.int64())
                for cells in self._cells.values()
            ),
        ]
        return pa.Table.from_arrays(columns, schema=DISORDER_SCHEMA)


@dataclass(slots=True)
class _Step:
    """A step back that may be a clock set back: more rows of its tag will tell."""

    time: int
    reached: int
    awaited: int


class OrderWatch:
    """Watches the rows of a file, block by block, for what is older than the row before.

    Parameters
    ----------
    n_tags : int
        Number of tags. [-]
    day_zone : str
        Zone in which days are counted.
    """

    def __init__(self, n_tags: int, day_zone: str = "UTC") -> None:
        self._zone = day_zone
        self._first = np.full(n_tags, _NEVER)
        self._last = np.full(n_tags, _NEVER)
        self._reached = np.full(n_tags, _NEVER)
        self._rows = np.zeros(n_tags, dtype=np.int64)
        self._back = np.zeros(n_tags, dtype=np.int64)
        self._open: dict[int, list[_Step]] = {}
        self._cells = DisorderCells(day_zone)

    def look(self, code: NDArray[np.int32], time: Int64) -> None:
        """Look at the next rows.

        Parameters
        ----------
        code : ndarray of int32
            Tag of each row, in file order.
        time : ndarray of int64
            Time of each row [µs].
        """
        if not len(time):
            return
        number = np.bincount(code, minlength=len(self._rows))
        is_new = (number > 0) & (self._rows == 0)
        self._rows += number
        in_order = not self._open and time[0] >= self._reached.max()
        if in_order and not is_new.any() and (time[1:] >= time[:-1]).all():
            # All tags together, in time order: the last row of each tag is its newest, and of
            # several assignments to one place the last one stands.
            self._last[code] = time
            self._reached[number > 0] = self._last[number > 0]
            return
        code, time = by_tag(code, time)
        edges = tag_edges(code)
        heads, ends = edges[:-1], edges[1:] - 1
        tags = code[heads]
        self._first[tags] = np.where(is_new[tags], time[heads], self._first[tags])
        back = np.flatnonzero(time[1:] < time[:-1]) + 1
        back = back[code[back] == code[back - 1]]
        first_back = heads[time[heads] < self._last[tags]]
        before, is_back = time, np.zeros(0, dtype=bool)
        if len(back) or len(first_back) or self._open:
            before = np.append(_NEVER, time[:-1])
            before[heads] = self._last[tags]
            is_back = time < before
            back = np.flatnonzero(is_back)
        self._last[tags] = time[ends]
        if len(back):
            self._cells.add("out_of_order", code[back], time[back])
            self._back += np.bincount(code[back], minlength=len(self._back))
        if len(back) or self._open:
            concerned = np.zeros(len(self._last), dtype=bool)
            concerned[code[back]] = True
            concerned[list(self._open)] = True
            for run in np.flatnonzero(concerned[tags]):
                rows = slice(int(heads[run]), int(ends[run]) + 1)
                self._follow(int(tags[run]), time[rows], before[rows], is_back[rows])
        self._reached[tags] = np.maximum(self._reached[tags], np.maximum.reduceat(time, heads))

    def _follow(self, tag: int, time: Int64, before: Int64, is_back: Mask) -> None:
        """Look at the rows of one tag for steps back from which time goes on forward."""
        falls = np.append(0, np.cumsum(is_back))
        still_open = []
        found = []
        for step in self._open.pop(tag, []):
            seen = min(step.awaited, len(time))
            if falls[seen]:
                continue
            if seen == step.awaited:
                found += [step.time] if time[seen - 1] < step.reached else []
            else:
                still_open.append(_Step(step.time, step.reached, step.awaited - seen))
        # Below any time, "before" is the tag's first row; the difference would overflow.
        far = is_back & (before - np.where(is_back, time, before) > LEAST_STEP_BACK)
        steps = np.flatnonzero(far)
        reached = np.maximum.accumulate(np.append(self._reached[tag], time))[steps]
        last = np.minimum(steps + ROWS_AFTER, len(time) - 1)
        goes_on = falls[last + 1] == falls[steps + 1]
        is_whole = steps + ROWS_AFTER < len(time)
        found += time[steps[goes_on & is_whole & (time[last] < reached)]].tolist()
        for place in np.flatnonzero(goes_on & ~is_whole).tolist():
            row = int(steps[place])
            awaited = ROWS_AFTER - (len(time) - 1 - row)
            still_open.append(_Step(int(time[row]), int(reached[place]), awaited))
        if still_open:
            self._open[tag] = still_open
        if found:
            code = np.full(len(found), tag, dtype=np.int32)
            self._cells.add("clock_set_back", code, np.array(found, dtype=np.int64))

    @property
    def descending(self) -> Mask:
        """Tags whose last row is older than their first."""
        return self._last < self._first

    def cells(self) -> DisorderCells:
        """Give the counts; rows that stand newest first, three of four, are in order too."""
        newest_first = self.descending & (4 * self._back >= 3 * (self._rows - 1))
        found = DisorderCells(self._zone)
        found.update(self._cells, newest_first)
        return found
