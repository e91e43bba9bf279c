"""The ``data_quality`` table: what each tag delivered on each local day."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from pipeline.exports.checks_daily import DailyChecks, neighbour_tags
from pipeline.exports.tag_samples import TagSamples
from pipeline.jobs.context import Run


def daily_quality(
    run: Run, samples_of: Callable[[str], TagSamples], start: pd.Timestamp, end: pd.Timestamp
) -> DailyChecks:
    """Get ready to count per tag and local day what the samples of a month are worth.

    Which samples came late depends on the order of arrival; ``late_arrivals`` tells it.

    Parameters
    ----------
    run : Run
        For the tags' descriptions and the station's zone.
    samples_of : callable
        Gives the samples of a tag in SI, in time order; those outside the span are halo.
    start, end : Timestamp
        The span, UTC.

    Returns
    -------
    DailyChecks
        Its table has the columns of the ``data_quality`` contract.
    """
    latest = {name: versions[-1] for name, versions in run.plant.tags.items()}
    neighbours = neighbour_tags(run.plant.at(start))
    return DailyChecks(samples_of, latest, run.zone, start, end, neighbours)
