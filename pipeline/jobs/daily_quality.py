"""The ``data_quality`` table: what each tag delivered on each local day."""

from __future__ import annotations

import pandas as pd
import pyarrow as pa

from pipeline.exports.checks_daily import daily_checks, neighbour_tags
from pipeline.jobs.context import Run


def daily_quality(
    run: Run,
    samples: pa.Table,
    start: pd.Timestamp,
    end: pd.Timestamp,
    disorder: pa.Table | None = None,
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
    disorder : pyarrow.Table, optional
        What sorting the files hid.

    Returns
    -------
    DataFrame
        Columns of the ``data_quality`` contract.
    """
    latest = {name: versions[-1] for name, versions in run.plant.tags.items()}
    table = daily_checks(
        samples,
        latest,
        run.zone,
        start,
        end,
        neighbour_tags(run.plant.at(start)),
        disorder=disorder,
    )
    # How late samples came depends on the order of arrival, as no table may but `runs`.
    return table.to_pandas()
