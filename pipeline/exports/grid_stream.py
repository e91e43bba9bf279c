"""Grids of many tags fed piece by piece, in memory that does not grow with the history.

Each tag carries the samples of its unfinished interval, and the one before it, to the next
piece. An interval is computed once, from all its samples, when a later sample closes it: the
result cannot tell where the pieces were cut. Finished intervals go to one file per window in
a temporary folder, at the place their tag and time give them.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa

from pipeline.errors import ContractError, Fault
from pipeline.exports.grid import Instant, grid_table, to_microseconds
from pipeline.exports.grid_kernel import (
    BAD,
    TagGrid,
    TagSettings,
    Workspace,
    grid_tag,
    scaled_value,
)

ROWS_AT_ONCE = 1 << 16
"""Samples per call of the kernel: its temporary arrays then stay in the processor's cache."""


class OutOfOrderError(Exception):
    """A tag's samples went back in time; raised and handled inside this package."""


@dataclass(frozen=True, slots=True)
class Window:
    """A span of whole intervals that becomes one table, such as a month.

    Parameters
    ----------
    name : str
        Such as ``2025-03``.
    start_us : int
        Start of the first interval. [µs]
    n_intervals : int
        Number of intervals. [-]
    first : int
        Index of its first interval, counted from the first window's start. [-]
    """

    name: str
    start_us: int
    n_intervals: int
    first: int

    @property
    def last(self) -> int:
        """Index after its last interval."""
        return self.first + self.n_intervals


def whole_windows(windows: Mapping[str, tuple[Instant, Instant]], interval_us: int) -> list[Window]:
    """Check that the windows follow each other on one grid, and count their intervals.

    Parameters
    ----------
    windows : mapping of str to (Instant, Instant)
        Name, start and end (excluded) of every window. [µs]
    interval_us : int
        Length of an interval. [µs]

    Returns
    -------
    list of Window
        In the given order.

    Raises
    ------
    ContractError
        When a window is not a whole number of intervals, starts off the first one's grid,
        or starts before the one before it ends.
    """
    spans = [
        (name, to_microseconds(start), to_microseconds(end))
        for name, (start, end) in windows.items()
    ]
    made: list[Window] = []
    faults = []
    for name, start, end in spans:
        first, off_grid = divmod(start - spans[0][1], interval_us)
        n_intervals, rest = divmod(end - start, interval_us)
        where, found = f"window {name}", f"{start} to {end} µs"
        if off_grid or rest or n_intervals <= 0:
            faults.append(Fault(where, found, f"whole intervals of {interval_us} µs"))
        elif made and first < made[-1].last:
            faults.append(Fault(where, found, "a start at or after the end of the one before"))
        else:
            made.append(Window(name, start, n_intervals, first))
    if faults:
        raise ContractError("The windows of the grid cannot be used.", faults)
    return made


class GridFiles:
    """Finished intervals of all tags, in one file per window.

    A file holds four columns, one after the other: value, coverage, count, and worst quality
    plus one, so that the zeros of a place never written to mean: nothing known.
    """

    _KINDS: tuple[np.dtype, ...] = (
        np.dtype(np.float64),
        np.dtype(np.float32),
        np.dtype(np.int32),
        np.dtype(np.int8),
    )

    def __init__(self, folder: Path, n_tags: int, interval_us: int) -> None:
        self._folder, self._n_tags, self._interval_us = folder, n_tags, interval_us

    def put(
        self, window: Window, tag: int, first: int, grid: TagGrid, settings: TagSettings
    ) -> None:
        """Write the intervals from `first` (counted within the window) of one tag."""
        columns: tuple[np.ndarray, ...] = (
            scaled_value(grid, settings),
            (grid.covered / self._interval_us).astype(np.float32),
            grid.sample_count.astype(np.int32),
            grid.worst + np.int8(1),
        )
        cells = self._n_tags * window.n_intervals
        at, base = tag * window.n_intervals + first, 0
        handle = os.open(self._path(window), os.O_RDWR | os.O_CREAT, 0o600)
        try:
            for column, kind in zip(columns, self._KINDS, strict=True):
                os.pwrite(handle, column.data, base + at * kind.itemsize)
                base += cells * kind.itemsize
        finally:
            os.close(handle)

    def take(self, window: Window, tags: Sequence[str]) -> pa.Table:
        """Table of one window; its file is removed."""
        shape = (self._n_tags, window.n_intervals)
        cells, path = shape[0] * shape[1], self._path(window)
        raw = np.zeros(cells * sum(kind.itemsize for kind in self._KINDS), np.uint8)
        if path.exists():
            with path.open("rb") as file:
                file.readinto(raw.data)
            path.unlink()
        columns, base = [], 0
        for kind in self._KINDS:
            size = cells * kind.itemsize
            columns.append(raw[base : base + size].view(kind).reshape(shape))
            base += size
        value, coverage, count, worst = columns
        value[coverage == 0] = np.nan
        worst[worst == 0] = BAD + 1
        worst -= 1
        return grid_table(tags, window.start_us, self._interval_us, value, coverage, count, worst)

    def clear(self, windows: Sequence[Window]) -> None:
        """Forget everything written."""
        for window in windows:
            self._path(window).unlink(missing_ok=True)

    def _path(self, window: Window) -> Path:
        # Named by place, not by the window's name: names come from the caller.
        return self._folder / f"grid-{window.first}.bin"


@dataclass(slots=True)
class _Carry:
    time: np.ndarray
    value: np.ndarray
    quality: np.ndarray
    next_interval: int


class GridStream:
    """Takes samples tag by tag in time order and writes finished intervals.

    Parameters
    ----------
    settings : sequence of TagSettings
        Settings by tag code.
    windows : sequence of Window
        What to compute.
    interval_us : int
        Length of an interval. [µs]
    files : GridFiles
        Where finished intervals go.
    """

    def __init__(
        self,
        settings: Sequence[TagSettings],
        windows: Sequence[Window],
        interval_us: int,
        files: GridFiles,
    ) -> None:
        self._settings, self._windows, self._files = settings, windows, files
        self._interval_us = interval_us
        self._origin = windows[0].start_us
        self._carried: dict[int, _Carry] = {}
        self._workspace = Workspace()
        self.rows_superseded = 0

    def feed(self, tag: int, time: np.ndarray, value: np.ndarray, quality: np.ndarray) -> None:
        """Add samples of one tag, in time order and not before those already fed.

        Of samples at the same instant the last one fed stands.

        Parameters
        ----------
        tag : int
            Code of the tag. [-]
        time : ndarray of int64, shape (n,)
            UTC. [µs]
        value : ndarray of float64, shape (n,)
            Exported unit.
        quality : ndarray of int8, shape (n,)
            0 Good, 1 Uncertain, 2 Bad. [-]

        Raises
        ------
        OutOfOrderError
            When time goes back.
        """
        for low in range(0, time.size, ROWS_AT_ONCE):
            piece = slice(low, low + ROWS_AT_ONCE)
            self._feed_piece(tag, time[piece], value[piece], quality[piece])

    def _feed_piece(
        self, tag: int, time: np.ndarray, value: np.ndarray, quality: np.ndarray
    ) -> None:
        carry = self._carried.get(tag)
        if carry is not None:
            time = self._joined("time", carry.time, time)
            value = self._joined("value", carry.value, value)
            quality = self._joined("quality", carry.quality, quality)
        step = self._workspace.array("step", time.size - 1, np.int64)
        np.subtract(time[1:], time[:-1], out=step)
        smallest = step.min(initial=1)
        if smallest < 0:
            raise OutOfOrderError
        if smallest == 0:
            stands = np.append(step > 0, True)
            self.rows_superseded += int(time.size - stands.sum())
            time, value, quality = time[stands], value[stands], quality[stands]
        last = self._interval(int(time[-1]))
        start = self._interval(int(time[0])) if carry is None else carry.next_interval
        self._finish(tag, time, value, quality, start, last)
        keep = int(np.searchsorted(time, self._origin + last * self._interval_us)) - 1
        kept = slice(max(keep, 0), None)
        # Copies: a view would keep the whole piece alive.
        self._carried[tag] = _Carry(
            time[kept].copy(), value[kept].copy(), quality[kept].copy(), last
        )

    def _joined(self, name: str, head: np.ndarray, tail: np.ndarray) -> np.ndarray:
        size, kind = head.size + tail.size, head.dtype.type
        return np.concatenate((head, tail), out=self._workspace.array(name, size, kind))

    def close(self) -> None:
        """Compute the unfinished intervals: nothing follows."""
        for tag, carry in sorted(self._carried.items()):
            self._finish(
                tag,
                carry.time,
                carry.value,
                carry.quality,
                carry.next_interval,
                carry.next_interval + 1,
            )
        self._carried.clear()

    def _interval(self, time_us: int) -> int:
        return (time_us - self._origin) // self._interval_us

    def _finish(
        self,
        tag: int,
        time: np.ndarray,
        value: np.ndarray,
        quality: np.ndarray,
        start: int,
        stop: int,
    ) -> None:
        """Compute and store intervals [start, stop)."""
        settings = self._settings[tag]
        for window, low, high in self._parts(start, stop):
            at = self._origin + low * self._interval_us
            grid = grid_tag(
                time, value, quality, settings, self._interval_us, at, high - low, self._workspace
            )
            self._files.put(window, tag, low - window.first, grid, settings)

    def _parts(self, start: int, stop: int) -> Iterator[tuple[Window, int, int]]:
        for window in self._windows:
            low, high = max(start, window.first), min(stop, window.last)
            if low < high:
                yield window, low, high
