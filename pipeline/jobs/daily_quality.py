"""The ``data_quality`` table: what each tag delivered on each local day."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.jobs.context import Run
from pipeline.months import day_starts, microseconds


def daily_quality(
    run: Run, samples: pa.Table, start: pd.Timestamp, end: pd.Timestamp
) -> pd.DataFrame:
    """Count per tag and local day what the samples of a month are worth.

    Parameters
    ----------
    run : Run
        For the tags' descriptions and the station's zone.
    samples : pyarrow.Table
        Samples in SI, sorted by tag and time; those outside the span are halo.
    start, end : Timestamp
        The span, UTC.

    Returns
    -------
    DataFrame
        Columns of the ``data_quality`` contract.
    """
    labels = samples.column("tag").combine_chunks()
    if isinstance(labels, pa.ChunkedArray):
        labels = labels.combine_chunks()
    names = labels.dictionary.to_pylist()
    code = labels.indices.to_numpy()
    time = samples.column("time").combine_chunks().cast(pa.int64()).to_numpy()
    value = samples.column("value").combine_chunks().to_numpy()
    quality = samples.column("quality").combine_chunks().to_numpy()
    if len(time) == 0:
        return run.contract("data_quality").empty()
    same_tag = code[1:] == code[:-1]
    since = np.full(len(time), np.nan)
    since[1:] = np.where(same_tag, np.diff(time) / 1e6, np.nan)
    repeat = np.zeros(len(time), dtype=bool)
    repeat[1:] = same_tag & (value[1:] == value[:-1])
    latest = [run.plant.tags[name][-1] for name in names]
    low = np.array([t.low for t in latest])[code]
    high = np.array([t.high for t in latest])[code]
    max_gap = np.array([t.max_gap for t in latest])[code]
    with np.errstate(invalid="ignore"):
        outside = (value < low) | (value > high)
    inside = (time >= microseconds(start)) & (time < microseconds(end))
    moments = pd.DatetimeIndex(time[inside].view("datetime64[us]"), tz="UTC")
    frame = pd.DataFrame(
        {
            "tag": pd.Categorical.from_codes(code[inside], names),
            "day": day_starts(moments, run.zone),
            "samples": 1,
            "seen": np.where(since <= max_gap, np.nan_to_num(since), 0.0)[inside],
            "longest_gap": since[inside],
            "bad": (quality == 2)[inside].astype(np.int64),
            "uncertain": (quality == 1)[inside].astype(np.int64),
            "repeats": repeat[inside].astype(np.int64),
            "out_of_range": outside[inside].astype(np.int64),
        }
    )
    groups = frame.groupby(["tag", "day"], sort=True, observed=True)
    counted = ["samples", "seen", "bad", "uncertain", "repeats", "out_of_range"]
    daily = groups[counted].sum()
    daily["longest_gap"] = groups["longest_gap"].max()
    daily = daily.reset_index()
    length = (
        _next_day(pd.DatetimeIndex(daily["day"]), run.zone) - pd.DatetimeIndex(daily["day"])
    ).total_seconds()
    # The first sample of a day may close a gap that began the day before.
    daily["coverage"] = np.minimum(daily.pop("seen") / length, 1.0)
    return daily


def _next_day(days: pd.DatetimeIndex, zone: str) -> pd.DatetimeIndex:
    return day_starts(days + pd.Timedelta(hours=36), zone)
