"""Rows that came after their day was published: the table ``late_arrivals``.

Besides ``runs`` it is the only table that depends on the order in which files came: that is
what it tells.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.exports.tag_samples import TagPieces, TagSamples
from pipeline.jobs.context import Run
from pipeline.months import day_starts

LATE_SCHEMA = pa.schema(
    [
        pa.field("tag", pa.string(), nullable=False),
        pa.field("day", pa.timestamp("us", tz="UTC"), nullable=False),
        pa.field("samples", pa.int64(), nullable=False),
    ]
)
"""Late samples of one file by tag and local day."""

_EARLIEST, _LATEST = np.iinfo(np.int64).min, np.iinfo(np.int64).max


def count_late(run: Run, folder: str, sha256: str, before: int) -> pa.Table:
    """Count the samples of a file before an instant that no other kept file holds as they are.

    A file that grows night by night, or overlaps the one before, repeats what is known.

    Parameters
    ----------
    run : Run
        The run.
    folder : str
        Folder of kept samples of one month.
    sha256 : str
        Of the file.
    before : int
        The instant [µs].

    Returns
    -------
    Table
        ``LATE_SCHEMA``.
    """
    own = TagPieces([run.stage.read_blob(folder, sha256)])
    news = {tag: own.of(tag, _EARLIEST, before) for tag in own.tags}
    for name in run.stage.blobs(folder):
        if name != sha256:
            other = TagPieces([run.stage.read_blob(folder, name)])
            for tag in set(news) & set(other.tags):
                news[tag] = _unless_known(news[tag], other.of(tag, _EARLIEST, before))
    found = [_by_day(tag, samples.time, run.zone) for tag, samples in news.items()]
    return pa.concat_tables([LATE_SCHEMA.empty_table(), *found])


def _unless_known(samples: TagSamples, known: TagSamples) -> TagSamples:
    """Leave out samples that others repeat in time, value and quality."""
    if not len(samples.time) or not len(known.time):
        return samples
    place = np.minimum(np.searchsorted(known.time, samples.time), len(known.time) - 1)
    value = known.value[place]
    alike = (value == samples.value) | (np.isnan(value) & np.isnan(samples.value))
    alike &= (known.time[place] == samples.time) & (known.quality[place] == samples.quality)
    return TagSamples(*(column[~alike] for column in samples))


def _by_day(tag: str, time: np.ndarray, zone: str) -> pa.Table:
    days = day_starts(pd.DatetimeIndex(time.view("datetime64[us]"), tz="UTC"), zone)
    day, number = np.unique(days.as_unit("us").asi8, return_counts=True)
    columns = [pa.array([tag] * len(day), pa.string()), pa.array(day), pa.array(number)]
    return pa.Table.from_arrays(
        [c.cast(f.type) for c, f in zip(columns, LATE_SCHEMA, strict=True)], schema=LATE_SCHEMA
    )


def keep_late(run: Run, found: Iterable[tuple[str, Sequence[pa.Table]]]) -> None:
    """Add to ``late_arrivals`` what came late in each of some files, by their paths."""
    news = [
        pa.concat_tables(tables).to_pandas().assign(file=path)
        for path, tables in found
        if sum(table.num_rows for table in tables)
    ]
    if not news and run.stage.has("late_arrivals"):
        return
    before = run.read("late_arrivals")
    rows = [rows.assign(generation=run.writable.generation + 1) for rows in news]
    rows = [before, *rows] if len(before) or not rows else rows
    contract = run.contract("late_arrivals")
    table = contract.publish(pd.concat(rows, ignore_index=True), run.plant.station.display)
    run.writable.write("late_arrivals", None, table)
