"""Aggregates of OPC 10000-13 over the samples of one tag, whole arrays at a time.

`aggregate` looks one up by the standard's name; `AGGREGATES` lists them. The regular grid of
the nightly job is `pipeline.exports.grid`, which shares the rules of TimeAverage2.
"""

from pipeline.exports.aggregates.model import (
    AggregateResult,
    AggregateSettings,
    interval_edges,
)
from pipeline.exports.aggregates.registry import AGGREGATES, aggregate

__all__ = ["AGGREGATES", "AggregateResult", "AggregateSettings", "aggregate", "interval_edges"]
