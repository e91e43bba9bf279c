"""Gauge or level: where the two disagree at rest, and nothing else tells which of them is wrong.

A gauge at rest is held against the level. When the two disagree, the gauge is not used; but what
a model makes of that same level is in doubt as well, unless another gauge of the line agrees
with the level. Where none does, a modelled pressure is stated wide enough for both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .evidence import STOPPED
from .fill import Estimate
from .findings import FAULT, SUSPECT
from .solve import Array

LEVEL_OF_OTHER_TANK = "level_of_other_tank"
ELEVATION_SIGN = "elevation_sign"
LEVEL_OR_GAUGE = ("offset", LEVEL_OF_OTHER_TANK, ELEVATION_SIGN)
"""Checks that the static pressure may have failed instead of the gauge."""

LEAST_RESTING_HOURS = 24
"""Fewest resting hours in which another gauge must have agreed with the level [h]."""

# Gauge and level are as likely to be right. Where they stand a steady distance D apart, the root
# mean square error of either is D / sqrt(2), and 1.96 of it reaches past the other. Where the
# distance wanders, its rms over the few hours at rest is itself uncertain, and many an hour is
# further off than that: the whole of it is taken.
_STEADY, _WANDERING = 1.0 / np.sqrt(2.0), 1.0

__all__ = [
    "ELEVATION_SIGN",
    "LEVEL_OF_OTHER_TANK",
    "LEVEL_OR_GAUGE",
    "doubt_of_level",
    "level_or_gauge",
    "with_doubt",
]


def level_or_gauge(findings: pd.DataFrame, hours: pd.DataFrame) -> pd.DataFrame:
    """Say of each disagreement between gauge and level whether it can be laid to the gauge.

    Parameters
    ----------
    findings : DataFrame
        Findings about the suction gauges of one line: ``pump`` and the columns of `check_gauge`.
    hours : DataFrame
        Hourly rows of the line: ``pump``, ``time``, ``state``, ``steady``, ``spot``, ``reading``.

    Returns
    -------
    DataFrame
        The findings, with ``verdict`` and ``evidence`` of those in `LEVEL_OR_GAUGE` completed:
        ``fault`` where another gauge of the line, itself without a finding, rested through at
        least `LEAST_RESTING_HOURS` hours of the interval and so agrees with the level;
        ``suspect`` elsewhere. A tap elevation of one pump is not what another gauge could show.
        Where another gauge is off by the same at the same time, that is said, and an elevation
        entered with the wrong sign gives way to an ``offset``: two such mistakes are not alike.
    """
    if findings.empty:
        return findings
    table = findings
    verdicts, sentences = table["verdict"].tolist(), table["evidence"].tolist()
    checks = table["check"].tolist()
    names = table["pump"].astype(str)
    resting = hours[
        (hours["state"] == STOPPED) & hours["steady"] & ~hours["spot"] & hours["reading"].notna()
    ]
    for row in np.flatnonzero(table["check"].isin(LEVEL_OR_GAUGE)):
        item = table.iloc[row]
        start, end = item["start"], item["end"]
        touched = set(names[(table["start"] < end) & (table["end"] > start)])
        inside = resting[(resting["time"] >= start) & (resting["time"] < end)]
        rested = inside.groupby(inside["pump"].astype(str)).size()
        witnesses = sorted(set(rested[rested >= LEAST_RESTING_HOURS].index) - touched)
        if witnesses and item["check"] != ELEVATION_SIGN:
            verdict = FAULT
            said = f"The gauge of {witnesses[0]} agrees with the level: the fault is this gauge's."
        else:
            verdict = SUSPECT
            said = (
                "No other gauge settles whether this one or the static head is wrong: modelled "
                "pressure is stated wide enough for both."
            )
            alike = _off_alike(table, item)
            if alike:
                said = (
                    f"The gauge of {alike[0]} is off alike, so that the level, its zero or its "
                    "tank is likelier to be wrong than both. Modelled pressure is stated wide "
                    "enough for either."
                )
                if item["check"] == ELEVATION_SIGN:
                    checks[row] = "offset"
        verdicts[row], sentences[row] = verdict, f"{item['evidence']} {said}"
    return table.assign(check=checks, verdict=verdicts, evidence=sentences)


def _off_alike(table: pd.DataFrame, item: pd.Series) -> list[str]:
    """Name pumps whose gauge disagrees with the level by the same and at the same time."""
    others = table[
        table["check"].isin(LEVEL_OR_GAUGE)
        & (table["pump"] != item["pump"])
        & (table["start"] < item["end"])
        & (table["end"] > item["start"])
    ]
    apart = (others["magnitude"] - item["magnitude"]).abs()
    # Both are held against the same level: only what the gauges differ by is at stake.
    allowed = np.maximum(3.0 * np.hypot(others["magnitude_u"], item["magnitude_u"]), 1e-9)
    same = (apart <= allowed) & (others["magnitude"].abs() > allowed)
    return sorted(set(others.loc[same, "pump"].astype(str)))


def doubt_of_level(
    checks: pd.DataFrame, pump: str, line: Sequence[str], times: pd.DatetimeIndex
) -> tuple[Array, NDArray[np.object_]]:
    """How far the static head of a pump is in doubt, and by which check.

    Parameters
    ----------
    checks : DataFrame
        Rows of ``gauge_checks``: ``pump``, ``gauge``, ``check``, ``verdict``, ``start``, ``end``,
        ``magnitude`` [Pa].
    pump : str
        The pump.
    line : sequence of str
        All pumps of its suction line. They share the level, so a level in doubt beside one of
        their gauges is in doubt for all; an offset or an elevation is the pump's own.
    times : DatetimeIndex of length n
        Start of each row, UTC, sorted.

    Returns
    -------
    u : array of shape (n,)
        Standard uncertainty to add to static pressure [Pa]; zero where nothing is in doubt.
    check : object array of shape (n,)
        Name of the check, empty where none.
    """
    u = np.zeros(len(times))
    named = np.full(len(times), "", dtype=object)
    about = checks[
        checks["check"].isin(LEVEL_OR_GAUGE)
        & (checks["verdict"] == SUSPECT)
        & (checks["gauge"] == "suction")
    ]
    own = about["pump"] == pump
    shared = about["pump"].isin(list(line)) & (about["check"] == LEVEL_OF_OTHER_TANK)
    for check, start, end, size in (
        about.loc[own | shared, ["check", "start", "end", "magnitude"]]
        .sort_values(["start", "check"], kind="stable")
        .itertuples(index=False)
    ):
        part = slice(times.searchsorted(start), times.searchsorted(end))
        share = _WANDERING if check == LEVEL_OF_OTHER_TANK else _STEADY
        u[part] = np.maximum(u[part], share * abs(size))
        named[part] = np.where(named[part] == "", str(check), named[part])
    return u, named


def with_doubt(estimate: Estimate, u: Array) -> Estimate:
    """Widen an estimate that rests on the level by the doubt of that level [Pa]."""
    return replace(estimate, u_systematic=np.hypot(estimate.u_systematic, u))
