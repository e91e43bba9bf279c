"""Is the gauge telling the truth: intervals with a verdict, a size and the evidence.

All checks work on hourly rows (`hourly_rows`) with an ``expected`` reading: that of the
model where one exists, else static pressure less velocity pressure. Two things decide:

* at rest the tap must read static pressure (less what the rest of the line loses), which is
  a free calibration: it finds offset, drift and every mistake of unit, datum or mapping;
* a reading must move when level or flow moved: a repeated value is not stuck as long as
  nothing should have moved it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from .evidence import RUNNING, STOPPED
from .findings import (
    CHECK_COLUMNS,
    FAULT,
    Finding,
    GaugeFacts,
    findings_frame,
    in_kpa,
    overlaps,
    runs_of,
)
from .gauge_moves import level_mismatch, noisy, out_of_range, stuck, unresponsive
from .gauge_rest import at_rest
from .line import SuctionLineModel
from .model import SuctionModel

__all__ = [
    "CHECK_COLUMNS",
    "GaugeFacts",
    "check_gauge",
    "check_swapped",
    "expected_reading",
    "is_in_fault",
]

PLAIN_OFFSETS = ("offset", "offset_step", "drift")
KNOWN_U = 200.0
"""Uncertainty of modelled losses that does not matter to a gauge at rest [Pa]."""


def expected_reading(
    hours: pd.DataFrame,
    flow_columns: Sequence[str],
    model: SuctionModel | SuctionLineModel | None = None,
    *,
    drawing: SuctionLineModel | None = None,
    known_u: float = KNOWN_U,
) -> pd.DataFrame:
    """Reading of a suction tap expected from physics, or from a model.

    Parameters
    ----------
    hours : DataFrame
        Table of `hourly_rows` of one pump; for a line model with the column ``pump``.
    flow_columns : sequence of str
        All flows of the line that lose pressure before the tap.
    model : SuctionModel or SuctionLineModel, optional
        Model of the *true* pressure, trained on hours in which the gauge was good, or made
        from drawings. Without it, losses are unknown.
    drawing : SuctionLineModel, optional
        Answers in rows that `model` declines.
    known_u : float
        Largest uncertainty of the modelled losses with which a resting gauge is held against
        the model while others run [Pa].

    Returns
    -------
    DataFrame
        Index of `hours`; ``expected`` [Pa], ``losses_u`` (standard uncertainty of the losses in
        it [Pa]: zero with no flow anywhere in the line, NaN where they are unknown), ``known``
        (bool: ``losses_u`` is at most `known_u`).
    """
    idle = (hours[list(flow_columns)].abs() <= 1e-9).all(axis=1)
    expected = hours["static_pressure"] - hours["velocity_pressure"]
    losses_u = pd.Series(np.nan, index=hours.index)
    for source in (drawing, model):
        if source is None:
            continue
        inputs = (
            hours if isinstance(source, SuctionLineModel) else hours[list(source.feature_names_in_)]
        )
        served = pd.Series(source.decline(inputs) == "", index=hours.index)
        modelled = pd.Series(np.asarray(source.predict(inputs)), index=hours.index)
        # Physics, or a declined model, stands in where there is no better answer.
        better = modelled.notna() & (served | losses_u.isna())
        expected = modelled.where(better, expected)
        uncertain = pd.Series(np.asarray(source.losses_u(inputs)), index=hours.index)
        losses_u = uncertain.where(served, losses_u)
    losses_u = losses_u.where(~idle, 0.0)
    return pd.DataFrame(
        {"expected": expected, "losses_u": losses_u, "known": losses_u <= known_u},
        index=hours.index,
    )


def check_gauge(
    hours: pd.DataFrame,
    expected: pd.Series,
    facts: GaugeFacts,
    known: pd.Series | None = None,
) -> pd.DataFrame:
    """Run every check on one gauge.

    Parameters
    ----------
    hours : DataFrame
        Table of `hourly_rows`, in time order; index UTC hours.
    expected : Series
        Reading expected from physics or a fit, on the index of `hours` [Pa]. For a
        discharge gauge: the static pressure it must show at rest, NaN while running.
    facts : GaugeFacts
        Declared facts and limits.
    known : bool Series, optional
        True where `expected` may be held against the gauge at rest; see `expected_reading`.
        By default everywhere.

    Returns
    -------
    DataFrame
        Columns `CHECK_COLUMNS`, one row per interval ``[start, end)`` in which a check found
        something, sorted by start and check. ``verdict`` is ``fault`` (never used, never
        trains) or ``suspect`` (something is wrong, but which of several things cannot be
        told from these data; the evidence names them). No rows: nothing found.
    """
    frozen = stuck(hours, expected, facts)
    silent = is_in_fault(findings_frame(frozen), hours.index)
    unknown = silent
    if known is not None:
        unknown = silent | ~known.reindex(hours.index, fill_value=False)
    erratic = noisy(hours, facts)
    found = [*out_of_range(hours, facts), *frozen, *erratic]
    idle = unresponsive(hours, expected, facts)
    # Neither a dead gauge nor an erratic one can say of a level that it is another tank's.
    shaken = is_in_fault(findings_frame(erratic), hours.index)
    mute = shaken | is_in_fault(findings_frame(idle), hours.index)
    other_tank = level_mismatch(hours, expected, facts, unknown | mute)
    # Where nothing is expected (a discharge gauge, running) nothing is held against it.
    loss_free = (hours["static_pressure"] - hours["velocity_pressure"]).where(expected.notna())
    statics = at_rest(hours, expected, facts, unknown | shaken, silent, loss_free)
    # The more telling finding stands alone: a wrong level explains what looks like an erratic
    # gauge, a wrong unit why it hardly follows, a dead sensing line why its statics are off.
    statics = [item for item in statics if not overlaps(item, other_tank)]
    mapping = [item for item in statics if item.check not in PLAIN_OFFSETS]
    idle = [item for item in idle if not overlaps(item, [*frozen, *mapping, *other_tank])]
    statics = [item for item in statics if item in mapping or not overlaps(item, idle)]
    return findings_frame([*found, *other_tank, *statics, *idle])


def is_in_fault(checks: pd.DataFrame, index: pd.Index) -> pd.Series:
    """Mark the times that lie in a fault or suspect interval (True = fault).

    Parameters
    ----------
    checks : DataFrame
        Table of `check_gauge`.
    index : DatetimeIndex
        Times to mark, UTC, sorted.

    Returns
    -------
    bool Series on `index`.
    """
    edges = np.zeros(len(index) + 1, dtype=np.int64)
    start = index.searchsorted(pd.DatetimeIndex(checks["start"]))
    end = index.searchsorted(pd.DatetimeIndex(checks["end"]))
    np.add.at(edges, start, 1)
    np.add.at(edges, end, -1)
    return pd.Series(np.cumsum(edges)[:-1] > 0, index=index, name="is_in_fault")


def check_swapped(
    suction: pd.DataFrame, discharge: pd.DataFrame, facts: GaugeFacts
) -> pd.DataFrame:
    """Find suction and discharge gauges that were exchanged.

    Parameters
    ----------
    suction, discharge : DataFrame
        Tables of `hourly_rows` of the two tags of one pump.
    facts : GaugeFacts
        Facts of the suction gauge.

    Returns
    -------
    DataFrame
        As `check_gauge`, check ``swapped``: while running the "suction" stands above the
        "discharge" and above static pressure, which no friction can do; at rest it does not.
    """
    on = (suction["state"] == RUNNING) & suction["steady"]
    rise = (discharge["reading"] - suction["reading"]).dropna()
    running, resting = (
        rise[on.reindex(rise.index, fill_value=False)],
        rise[
            ((suction["state"] == STOPPED) & suction["steady"]).reindex(
                rise.index, fill_value=False
            )
        ],
    )
    if len(running) < 6:
        return findings_frame([])
    day = pd.DatetimeIndex(running.index).floor("D")
    daily = running.groupby(day).median()
    level = float(resting.median()) if len(resting) else 0.0
    lifted = (suction["reading"] - suction["static_pressure"]).reindex(running.index)
    above = lifted.groupby(day).median() > 6.0 * facts.rest_u
    wrong = np.asarray((daily - level < -6.0 * facts.rest_u) & above)
    found = []
    for first, last in runs_of(wrong, bridge=1):
        size = float(daily.iloc[first : last + 1].median())
        found.append(
            Finding(
                daily.index[first], daily.index[last] + pd.Timedelta(days=1), "swapped", FAULT,
                size, facts.rest_u,
                f"While running the suction tag stands {in_kpa(-size)} above the discharge tag, "
                f"at rest {in_kpa(-level)}: a pump raises pressure, so the tags are exchanged.",
            )
        )  # fmt: skip
    return findings_frame(found)
