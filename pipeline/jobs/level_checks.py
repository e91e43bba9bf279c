"""Levels that stood still while what they feed moved: no static pressure meanwhile."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from pipeline.jobs.context import Run
from pipeline.jobs.line_epochs import LineEpoch
from pipeline.suction.findings import FAULT, STUCK, Finding, findings_frame, runs_of

WHOLE_DAY, PART_OF_DAY = 0.9, 0.1
"""Share of a day's samples in a flat line that makes the day, or the edge of a stretch, flat."""
LEAST_DAYS = 2
"""Fewest whole days in a row: a full tank may well rest for one."""

__all__ = ["rows_of_level", "stuck_levels", "without_stuck_level"]


def stuck_levels(run: Run, line: str, months: Sequence[str] | None = None) -> pd.DataFrame:
    """Find the stretches in which the level of a line's source held one value for far too long.

    Parameters
    ----------
    run : Run
        With ``data_quality`` made: there a sample is flat where the tag held one value ten times
        as long as it usually does, and a neighbour of its station moved.
    line : str
        The suction line.
    months : sequence of str, optional
        Only these months of the station.

    Returns
    -------
    DataFrame
        As `findings_frame`, one row per stretch. Of tanks that are switched none is told: which
        of them feeds the line is not a matter of days.
    """
    tags = {
        source.level_tag
        for version in run.plant.lines[line]
        for source in run.plant.sources.get(version.source, ())
        if source.level_tag is not None
    }
    if not tags:
        return findings_frame([])
    quality = run.read("data_quality", months, ["tag", "day", "samples", "flatlined"])
    quality = quality[quality["tag"].astype(str).isin(tags)]
    found = []
    for tag, days in quality.groupby(quality["tag"].astype(str), sort=True):
        days = days.sort_values("day", ignore_index=True)
        share = (days["flatlined"] / days["samples"].clip(lower=1)).to_numpy(dtype=float)
        begins = pd.DatetimeIndex(days["day"])
        ends = (begins.tz_convert(run.zone) + pd.DateOffset(days=1)).tz_convert("UTC")
        for first, last in runs_of(share >= PART_OF_DAY):
            whole = int((share[first : last + 1] >= WHOLE_DAY).sum())
            if whole < LEAST_DAYS:
                continue
            found.append(
                Finding(
                    begins[first], ends[last], STUCK, FAULT, float("nan"), float("nan"),
                    f"Level {tag} held one value for {whole} whole days while its neighbours "
                    "moved: static pressure is not known meanwhile, and no gauge is held against "
                    "it.",
                )
            )  # fmt: skip
    return findings_frame(found)


def without_stuck_level(hours: pd.DataFrame, stuck: pd.DataFrame) -> pd.DataFrame:
    """Take static pressure out of hourly rows while the level stood still, and noise with it.

    Where the level does not say how the tank moved, the gauge's noise cannot be told from it.

    Parameters
    ----------
    hours : DataFrame
        Hourly rows of one line, with ``time`` and ``static_pressure``.
    stuck : DataFrame
        What `stuck_levels` found.

    Returns
    -------
    DataFrame
        A copy where anything changes.
    """
    if hours.empty or stuck.empty:
        return hours
    time = hours["time"]
    inside = np.zeros(len(hours), dtype=bool)
    for start, end in zip(stuck["start"], stuck["end"], strict=True):
        inside |= ((time >= start) & (time < end)).to_numpy()
    unknown = ["static_pressure", *({"reading_noise", "discharge_noise"} & set(hours.columns))]
    return hours.assign(**{name: hours[name].mask(inside) for name in sorted(unknown)})


def rows_of_level(epoch: LineEpoch, stuck: pd.DataFrame) -> pd.DataFrame:
    """Give what was found as rows of ``gauge_checks``, for each pump of the line."""
    inside = stuck[(stuck["start"] < epoch.end) & (stuck["end"] > epoch.start)]
    if inside.empty:
        return pd.DataFrame()
    pumps = [n for n in epoch.snapshot.lines[epoch.line].branches if n in epoch.snapshot.pumps]
    start = inside["start"].where(inside["start"] > epoch.start, epoch.start)
    end = inside["end"].where(inside["end"] < epoch.end, epoch.end)
    cut = inside.assign(start=start, end=end, gauge="level", excludes=True)
    cut["magnitude_u95"] = cut.pop("magnitude_u")
    return pd.concat([cut.assign(pump=pump) for pump in pumps], ignore_index=True)
