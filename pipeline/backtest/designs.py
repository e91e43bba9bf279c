"""How a working gauge is hidden: spans in which it can be trusted, windows, and what stays known.

A span is cut into windows. For each window the evidence is that before its start; a design says
which of the pump's own readings are part of it and in which windows it is scored.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.months import month_bounds
from pipeline.suction.evidence import RUNNING, STOPPED

__all__ = ["DESIGNS", "Design", "Span", "known_rows", "survey_rows", "trusted_spans", "window_cuts"]

MOST_WINDOWS = 20
FEWEST_WINDOWS = 4
LONGEST_GAP = pd.Timedelta(days=60)
"""A gauge silent or distrusted for longer ends the span."""
LEAST_HOURS = 24
"""Hours with a trusted reading and some running that a span must hold."""
LEAST_SPAN = pd.Timedelta(days=14)
SURVEY_FLOWS = (0.1, 0.5, 0.9)
"""Quantiles of flow at which the readings of a survey are taken: low, usual and high."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A span in which one pump's suction gauge can be trusted.

    Parameters
    ----------
    pump, line : str
        Pump and its suction line.
    epoch : Timestamp
        Since when line and gauges are as they are: nothing earlier is evidence [UTC].
    start, end : Timestamp
        The span ``[start, end)`` [UTC].
    hours : int
        Hours in it with a trusted reading and some running.
    """

    pump: str
    line: str
    epoch: pd.Timestamp
    start: pd.Timestamp
    end: pd.Timestamp
    hours: int

    def windows(self, cuts: Sequence[pd.Timestamp]) -> list[tuple[pd.Timestamp, pd.Timestamp]]:
        """Cut the span at instants common to the whole plant."""
        inner = [c for c in cuts if self.start < c < self.end]
        edges = [self.start, *inner, self.end]
        return list(itertools.pairwise(edges))


@dataclass(frozen=True, slots=True, kw_only=True)
class Design:
    """A way of hiding a gauge.

    Parameters
    ----------
    name : str
        Word that stands for it in tables.
    words : str
        What it is like, for people.
    seen : {"never", "before", "every_other_window"}
        Which of the pump's gauge readings before the window are known.
    survey : bool
        Whether a few readings of the first window are known, as from a portable gauge.
    own_spots : bool
        Whether the pump's real survey readings are known.
    """

    name: str
    words: str
    seen: str
    survey: bool = False
    own_spots: bool = True

    def is_scored(self, window: int) -> bool:
        """Tell whether a window, counted from 0, is one in which the gauge is hidden."""
        if self.seen == "every_other_window":
            return window % 2 == 1
        return window >= 1 if self.seen == "before" or self.survey else True

    @property
    def has_good_period(self) -> bool:
        """Whether the gauge worked at first, so that a baseline was learned with it."""
        return self.seen != "never"


DESIGNS: tuple[Design, ...] = (
    Design(name="whole_span", words="never had a gauge", seen="never"),
    Design(name="blocks", words="gauge out for every other window", seen="every_other_window"),
    Design(name="growing_window", words="gauge lost after each window", seen="before"),
    Design(name="survey_only", words="three portable readings", seen="never", survey=True),
    Design(
        name="sister_only",
        words="no gauge, no survey: sisters and drawings",
        seen="never",
        own_spots=False,
    ),
)
"""The ways of hiding a gauge in an ordinary back-test."""


def window_cuts(
    months: Sequence[str], start: pd.Timestamp, end: pd.Timestamp, zone: str
) -> list[pd.Timestamp]:
    """Cut a history into windows common to all pumps.

    Parameters
    ----------
    months : sequence of str
        Station months of the history, in order.
    start, end : Timestamp
        First and last instant of data [UTC].
    zone : str
        Time zone of the station.

    Returns
    -------
    list of Timestamp
        Edges: whole months, at most `MOST_WINDOWS` windows; a history of fewer than
        `FEWEST_WINDOWS` months is cut into that many equal parts, on whole hours.
    """
    if len(months) >= FEWEST_WINDOWS:
        step = -(-len(months) // MOST_WINDOWS)
        starts = [month_bounds(m, zone)[0] for m in months[::step]]
        return [*starts, max(end, starts[-1])]
    part = (end - start) / FEWEST_WINDOWS
    inner = [(start + k * part).floor("h") for k in range(FEWEST_WINDOWS)]
    return [*inner, end]


def trusted_spans(
    hours: pd.DataFrame,
    is_bad: pd.Series,
    *,
    line: str,
    epoch: pd.Timestamp,
    end: pd.Timestamp,
) -> list[Span]:
    """Find the spans in which each gauge of a line can be trusted.

    Parameters
    ----------
    hours : DataFrame
        Hourly rows of one line and epoch: ``pump``, ``time``, ``spot``, ``state`` and
        ``reading``; any index.
    is_bad : bool Series
        True where a gauge check found fault; on the same index.
    line : str
        The line.
    epoch, end : Timestamp
        The epoch [UTC].

    Returns
    -------
    list of Span
        In order of pump and start. A check that found fault ends a span, and so does a gap of
        `LONGEST_GAP`.
    """
    found = []
    gauged = hours[~hours["spot"].astype(bool)]
    for pump, mine in gauged.groupby("pump", sort=True):
        bad = is_bad.loc[mine.index].to_numpy(dtype=bool)
        good = ~bad & (mine["state"] != STOPPED).to_numpy() & mine["reading"].notna().to_numpy()
        # Every fault starts a new run of good hours.
        run = np.cumsum(np.diff(bad.astype(np.int8), prepend=0) == 1)[good]
        times = pd.DatetimeIndex(mine["time"])[good]
        if not len(times):
            continue
        breaks = np.flatnonzero((np.diff(times) > LONGEST_GAP) | (np.diff(run) > 0)) + 1
        for part in np.split(np.arange(len(times)), breaks):
            first, last = times[part[0]], times[part[-1]] + pd.Timedelta("1h")
            if len(part) < LEAST_HOURS or last - first < LEAST_SPAN:
                continue
            found.append(
                Span(
                    pump=str(pump), line=line, epoch=epoch,
                    start=first, end=min(last, end), hours=len(part),
                )
            )  # fmt: skip
    return found


def survey_rows(own: pd.DataFrame, reading_u: float = 0.0) -> pd.DataFrame:
    """Pick the readings somebody with a portable gauge would have taken.

    Parameters
    ----------
    own : DataFrame
        Usable hourly rows of the pump's gauge in the first window.
    reading_u : float
        Random standard uncertainty of one of its readings [Pa].

    Returns
    -------
    DataFrame
        The rows nearest the flows `SURVEY_FLOWS`, each once, marked as spot readings.
    """
    running = own[own["state"] == RUNNING]
    if running.empty:
        return running
    order = running.sort_values(["flow_branch", "time"], kind="stable")
    place = np.unique(np.round(np.array(SURVEY_FLOWS) * (len(order) - 1)).astype(int))
    picked = order.iloc[place].sort_values("time", kind="stable")
    return picked.assign(spot=True, reading_u=reading_u)


def known_rows(
    rows: pd.DataFrame,
    pump: str,
    design: Design,
    windows: Sequence[tuple[pd.Timestamp, pd.Timestamp]],
    window: int,
    reading_u: float = 0.0,
) -> pd.DataFrame:
    """Leave of the evidence what a design does not hide.

    Parameters
    ----------
    rows : DataFrame
        Usable hourly rows of the line, all before the start of the window.
    pump : str
        Pump whose gauge is hidden.
    design : Design
        How.
    windows : sequence of (Timestamp, Timestamp)
        Windows of the span.
    window : int
        The one to be scored.
    reading_u : float
        Random standard uncertainty of one reading of the hidden gauge [Pa].

    Returns
    -------
    DataFrame
        Rows of the other pumps as they are, then the pump's own that are known.
    """
    mine = rows["pump"] == pump
    spot = rows["spot"].astype(bool)
    time = pd.DatetimeIndex(rows["time"])
    keep = ~mine | (spot & design.own_spots)
    if design.seen != "never":
        seen = mine & ~spot
        if design.seen == "every_other_window":
            edges = pd.DatetimeIndex([start for start, _ in windows])
            place = edges.searchsorted(time, side="right") - 1
            seen &= (place < 0) | (place % 2 == 0)
        keep |= seen
    kept = rows[keep]
    if not design.survey or window == 0:
        return kept
    start, end = windows[0]
    first = rows[mine & ~spot & np.asarray((time >= start) & (time < end))]
    return pd.concat([kept, survey_rows(first, reading_u)]).sort_index(kind="stable")
