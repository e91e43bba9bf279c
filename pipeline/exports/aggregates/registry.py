"""The aggregates by the names OPC 10000-13 gives them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np

from pipeline.errors import ContractError, Fault
from pipeline.exports.aggregates import of_samples, of_time
from pipeline.exports.aggregates.model import AggregateResult, AggregateSettings, Request

AGGREGATES: Mapping[str, Callable[[Request], AggregateResult]] = MappingProxyType(
    {
        "Interpolative": of_time.interpolative,
        "Average": of_samples.average,
        "TimeAverage": of_time.time_average(total=False),
        "TimeAverage2": of_time.time_average_2(total=False),
        "Total": of_time.time_average(total=True),
        "Total2": of_time.time_average_2(total=True),
        "Minimum": of_samples.extreme("Minimum"),
        "Maximum": of_samples.extreme("Maximum"),
        "Range": of_samples.extreme("Range"),
        "Count": of_samples.count,
        "Start": of_samples.end_sample(last=False),
        "End": of_samples.end_sample(last=True),
        "Delta": of_samples.delta,
        "DurationGood": of_time.duration("Good", percent=False),
        "DurationBad": of_time.duration("Bad", percent=False),
        "PercentGood": of_time.duration("Good", percent=True),
        "PercentBad": of_time.duration("Bad", percent=True),
        "WorstQuality": of_samples.worst_quality,
        "StandardDeviationSample": of_samples.spread(of_sample=True, squared=False),
        "StandardDeviationPopulation": of_samples.spread(of_sample=False, squared=False),
        "VarianceSample": of_samples.spread(of_sample=True, squared=True),
        "VariancePopulation": of_samples.spread(of_sample=False, squared=True),
    }
)
"""Every aggregate there is, by the standard's name."""


def aggregate(
    name: str,
    time: np.ndarray,
    value: np.ndarray,
    quality: np.ndarray,
    edges: np.ndarray,
    settings: AggregateSettings,
) -> AggregateResult:
    """Aggregate the samples of one tag over adjoining intervals.

    Parameters
    ----------
    name : str
        Name in OPC 10000-13, one of `AGGREGATES`. [-]
    time : ndarray of int64, shape (n_samples,)
        Non-decreasing UTC times. The first and last are where the archive begins and ends. [µs]
    value : ndarray of float64, shape (n_samples,)
        Values; one that is not finite is Bad. [-]
    quality : ndarray of int8, shape (n_samples,)
        0 Good, 1 Uncertain, 2 Bad. [-]
    edges : ndarray of int64, shape (n_intervals + 1,)
        Ascending edges of left-closed intervals; see `interval_edges`. [µs]
    settings : AggregateSettings
        The configuration the standard calls AggregateConfiguration.

    Returns
    -------
    AggregateResult
        Value, status, returned time and partial flag of every interval.

    Raises
    ------
    ContractError
        When the name is unknown, or samples or edges are not in order.

    Notes
    -----
    Written from OPC 10000-13 v1.05 and checked row by row against the example tables of its
    Annex A. A Bad status does not erase a value that some good data supports.

    Examples
    --------
    >>> import numpy as np
    >>> time = np.array([0, 10, 20]) * 1_000_000
    >>> got = aggregate("TimeAverage2", time, np.array([10.0, 20.0, 30.0]),
    ...                 np.zeros(3, np.int8), time, AggregateSettings())
    >>> got.value.tolist(), got.status.tolist()
    ([15.0, 25.0], [0, 0])
    """
    if name not in AGGREGATES:
        fault = Fault("aggregate", repr(name), f"one of {', '.join(AGGREGATES)}")
        raise ContractError("The aggregate is unknown.", [fault])
    return AGGREGATES[name](Request(time, value, quality, edges, settings))
