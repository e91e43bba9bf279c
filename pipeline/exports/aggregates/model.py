"""What every aggregate takes and gives, and where the samples lie among the intervals."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from pipeline.errors import ContractError, Fault

GOOD, UNCERTAIN, BAD = 0, 1, 2


@dataclass(frozen=True, slots=True)
class AggregateSettings:
    """Aggregate configuration of OPC 10000-13.

    Parameters
    ----------
    stepped : bool
        The signal holds its value until the next sample; otherwise it runs straight. [-]
    treat_uncertain_as_bad : bool
        Uncertain samples carry no value. [-]
    percent_data_bad : float
        Share of bad data from which a result is Bad. [%]
    percent_data_good : float
        Share of good data from which a result is Good. [%]
    sloped_extrapolation : bool
        After the last sample extend the last slope instead of holding the last value. [-]
    resolution_us : int
        Smallest time step of the archive: the last sample stands for that long. The tables
        of the standard use a millisecond. [µs]
    """

    stepped: bool = False
    treat_uncertain_as_bad: bool = True
    percent_data_bad: float = 100.0
    percent_data_good: float = 100.0
    sloped_extrapolation: bool = False
    resolution_us: int = 1_000

    def __post_init__(self) -> None:
        faults = [
            Fault(name, str(getattr(self, name)), "a share from 0 to 100")
            for name in ("percent_data_bad", "percent_data_good")
            if not 0 <= getattr(self, name) <= 100
        ]
        if self.percent_data_good < 100 - self.percent_data_bad:
            # The standard's own condition: the two limits may not leave a result both ways.
            faults.append(
                Fault(
                    "percent_data_good",
                    str(self.percent_data_good),
                    f"at least 100 - percent_data_bad = {100 - self.percent_data_bad}",
                )
            )
        if self.resolution_us <= 0:
            faults.append(Fault("resolution_us", str(self.resolution_us), "more than 0"))
        if faults:
            raise ContractError("The aggregate settings cannot be used.", faults)

    @property
    def worst_usable(self) -> int:
        """Worst quality that still carries a value."""
        return GOOD if self.treat_uncertain_as_bad else UNCERTAIN


class AggregateResult(NamedTuple):
    """One aggregate over all intervals: arrays of shape (n_intervals,).

    Attributes
    ----------
    value : ndarray of float64
        NaN where there is none. WorstQuality gives 0 Good, 1 Uncertain, 2 Bad.
    status : ndarray of int8
        Severity of the result: 0 Good, 1 Uncertain, 2 Bad.
    time : ndarray of int64
        Returned time: the interval's start, for Start and End that of the sample. [µs]
    partial : ndarray of bool
        The archive starts or ends inside the interval.
    """

    value: np.ndarray
    status: np.ndarray
    time: np.ndarray
    partial: np.ndarray


def interval_edges(start_us: int, end_us: int, interval_us: int) -> np.ndarray:
    """Edges of left-closed intervals from start to end; the last one may be shorter.

    Parameters
    ----------
    start_us : int
        Start of the first interval. [µs]
    end_us : int
        End of the last interval, excluded. [µs]
    interval_us : int
        Length of an interval. [µs]

    Returns
    -------
    ndarray of int64, shape (n_intervals + 1,)
        Edges in UTC. [µs]

    Examples
    --------
    >>> interval_edges(0, 10, 4).tolist()
    [0, 4, 8, 10]
    """
    return np.append(np.arange(start_us, end_us, interval_us, dtype=np.int64), np.int64(end_us))


class Request:
    """Samples of one tag, intervals and settings, with what all aggregates look up."""

    def __init__(
        self,
        time: np.ndarray,
        value: np.ndarray,
        quality: np.ndarray,
        edges: np.ndarray,
        settings: AggregateSettings,
    ) -> None:
        if (time[1:] < time[:-1]).any() or (edges[1:] <= edges[:-1]).any():
            fault = Fault("time or edges", "a step back", "ascending order")
            raise ContractError("Samples or intervals are not sorted.", [fault])
        self.time, self.edges, self.settings = time, edges, settings
        self.quality = np.where(np.isfinite(value), quality, np.int8(BAD))
        self.value = np.where(self.quality == BAD, np.nan, value)
        self.n = edges.size - 1
        self.start, self.end = edges[:-1], edges[1:]
        # Rows [first, stop) of the samples stand in each interval.
        bounds = np.searchsorted(time, edges, side="left")
        self.first, self.stop = bounds[:-1], bounds[1:]
        if time.size:
            begins, ends = time[0], time[-1]
            self.data_end = int(ends) + settings.resolution_us
            self.has_data = (self.end > begins) & (self.start <= ends)
            begins_inside = (self.start < begins) & (begins < self.end)
            ends_inside = (self.start <= ends) & (self.data_end < self.end)
            self.partial = begins_inside | ends_inside
        else:
            self.data_end = int(edges[0])
            self.has_data = np.zeros(self.n, bool)
            self.partial = np.zeros(self.n, bool)

    def result(
        self, value: np.ndarray, status: np.ndarray, time: np.ndarray | None = None
    ) -> AggregateResult:
        """Result with no value and Bad where the archive holds nothing."""
        return AggregateResult(
            np.where(self.has_data, value, np.nan),
            np.where(self.has_data, status, BAD).astype(np.int8),
            self.start if time is None else time,
            self.partial,
        )

    def per_interval(self, at: np.ndarray, weights: np.ndarray | None = None) -> np.ndarray:
        """Sum of `weights` (or number) of entries that stand in intervals `at`."""
        return np.bincount(at, weights, self.n).astype(float)

    def by_percent(self, good: np.ndarray, bad: np.ndarray, whole: np.ndarray) -> np.ndarray:
        """Status from the shares of good and bad in the whole."""
        percent = 100.0 / np.maximum(whole, 1)
        return np.where(
            good * percent >= self.settings.percent_data_good,
            GOOD,
            np.where(bad * percent >= self.settings.percent_data_bad, BAD, UNCERTAIN),
        )
