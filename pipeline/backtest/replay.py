"""Errors of every assumption on the rows of one month, reduced to days and to one row an hour.

Sums by day keep everything the mean, root mean square and coverage need, at full rate. One row
an hour is kept besides for what needs the values themselves: quantiles, baselines, trends.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.backtest.assumptions import Assumed, Assumption, Known, Learned
from pipeline.backtest.designs import Design
from pipeline.hydraulics.head import STANDARD_GRAVITY
from pipeline.months import day_starts
from pipeline.suction.replay import OWN_FLOW

Floats = NDArray[np.float64]

__all__ = [
    "MEASURED",
    "POINT_COLUMNS",
    "SUM_COLUMNS",
    "Question",
    "learn_all",
    "month_errors",
    "series_name",
]

MEASURED = "measured"
"""Stands for the gauge itself where a design is named."""

COVERAGE_FACTOR = 2.0
"""Of the stated 95 % intervals, as in the published tables."""

POINT_COLUMNS = (
    "time", "flow", "density", "suction_reading", "total_head", "electrical_power", "shaft_power",
    "speed_ratio",
)  # fmt: skip
"""What is read of the operating points, and kept of one an hour."""

SUM_COLUMNS = (
    "points", "error", "error_squared", "head_error", "head_error_squared", "efficiency_error",
    "efficiency_error_squared", "stated", "within", "half_width", "energy", "energy_misstated",
    "fallback", "warned", "unwarned_outside",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Question:
    """One assumption under one design, learned and ready to answer.

    Parameters
    ----------
    design, assumption : str
        Their names.
    learned : callable
        Answers for rows.
    """

    design: str
    assumption: str
    learned: Learned


def series_name(design: str, assumption: str) -> str:
    """Name the column of pressure errors of an assumption under a design."""
    return f"{design}:{assumption}"


def learn_all(
    assumptions: Sequence[Assumption], designs: Sequence[Design], known: Mapping[str, Known]
) -> list[Question]:
    """Let every assumption learn under every design.

    Parameters
    ----------
    assumptions : sequence of Assumption
        The assumptions.
    designs : sequence of Design
        Those in which the window is scored.
    known : mapping of str to Known
        By design, what was known.

    Returns
    -------
    list of Question
        Designs that leave the same rows share what was learned from them, and an assumption
        that uses no readings learns once.
    """
    questions = []
    for assumption in assumptions:
        reads = getattr(assumption, "uses_readings", True)
        made: dict[object, Learned] = {}
        for design in designs:
            evidence = known[design.name]
            key: object = _identity(evidence.rows) if reads else ""
            if key not in made:
                made[key] = assumption.learn(evidence)
            questions.append(Question(design.name, assumption.name, made[key]))
    return questions


def _identity(rows: pd.DataFrame) -> tuple[bytes, bytes]:
    return rows.index.to_numpy().tobytes(), rows["spot"].to_numpy(dtype=bool).tobytes()


def month_errors(
    points: pd.DataFrame,
    inputs: pd.DataFrame,
    questions: Sequence[Question],
    *,
    zone: str,
    grid: float,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Ask every assumption for the rows of one pump and reduce what they answer.

    Parameters
    ----------
    points : DataFrame
        Operating points with a trusted reading, in time order, with `POINT_COLUMNS`, SI.
    inputs : DataFrame
        Model columns of the same rows: ``pump``, ``static_pressure``, ``velocity_pressure``,
        header flows and own flow; same length and order.
    questions : sequence of Question
        What to ask.
    zone : str
        Time zone of the station.
    grid : float
        Length of an interval [s].

    Returns
    -------
    sums : DataFrame
        One row per design, assumption and local day with an answer: ``design``,
        ``assumption``, ``day`` (UTC), ``points``, and sums over them of the errors of suction
        pressure [Pa], total head [m] and overall efficiency [-] (assumed less measured) and
        of their squares; ``stated`` and ``within`` (rows with an interval, and with the
        reading inside), ``half_width`` of it [Pa], ``energy`` and ``energy_misstated`` [J],
        ``fallback`` (rows of the full model that only level answered), ``warned`` (rows with
        a warning) and ``unwarned_outside`` (rows whose reading lies outside the stated
        interval without one).
    sample : DataFrame
        One row per hour with points, the middle one: `POINT_COLUMNS` and the pressure error of
        each question [Pa], float32, NaN without an answer; see `series_name`.

    Notes
    -----
    Suction pressure enters total head and efficiency linearly, so their errors follow from
    its error exactly: - e / (rho g), and - Q e / P.
    """
    time = pd.DatetimeIndex(points["time"])
    code, days = pd.factorize(day_starts(time, zone), sort=True)
    middle = _middle_of_hours(time)
    sample = points[list(POINT_COLUMNS)].iloc[middle].reset_index(drop=True)
    power = points["electrical_power"].to_numpy(dtype=float)
    factors = {
        "head": -1.0 / (points["density"].to_numpy(dtype=float) * STANDARD_GRAVITY),
        "efficiency": -points["flow"].to_numpy(dtype=float) / power,
        # Energy that looks lost because head looks too low: P (H - H_assumed) / H.
        "energy": power * grid,
        "relative": 1.0
        / (
            points["density"].to_numpy(dtype=float)
            * STANDARD_GRAVITY
            * points["total_head"].to_numpy(dtype=float)
        ),
    }
    reading = points["suction_reading"].to_numpy(dtype=float)
    pieces, columns = [], {}
    asked: dict[int, tuple[pd.DataFrame, Floats]] = {}
    for question in questions:
        key = id(question.learned)
        if key not in asked:
            answer = question.learned(inputs)
            error = answer.reading - reading
            asked[key] = _daily_sums(answer, error, factors, code, len(days)), error
        sums, error = asked[key]
        pieces.append(sums.assign(design=question.design, assumption=question.assumption, day=days))
        name = series_name(question.design, question.assumption)
        columns[name] = error[middle].astype(np.float32)
    sample = pd.concat([sample, pd.DataFrame(columns, index=sample.index)], axis=1)
    if not pieces:
        return pd.DataFrame(), sample
    together = pd.concat(pieces, ignore_index=True)
    return together[together["points"] > 0].reset_index(drop=True), sample


def _daily_sums(
    answer: Assumed, error: Floats, factors: Mapping[str, Floats], code: np.ndarray, count: int
) -> pd.DataFrame:
    answered = np.isfinite(error)
    e = np.where(answered, error, 0.0)
    stated = answered & np.isfinite(answer.reading_u)
    half = np.where(stated, COVERAGE_FACTOR * answer.reading_u, 0.0)
    head, efficiency = e * factors["head"], e * factors["efficiency"]
    energy = np.where(answered, factors["energy"], 0.0)
    within = stated & (np.abs(e) <= half)
    warned = answered & (False if answer.is_warned is None else answer.is_warned)
    values = {
        "points": answered,
        "error": e,
        "error_squared": e**2,
        "head_error": head,
        "head_error_squared": head**2,
        "efficiency_error": efficiency,
        "efficiency_error_squared": efficiency**2,
        "stated": stated,
        "within": within,
        "half_width": half,
        "energy": energy,
        "energy_misstated": energy * e * factors["relative"],
        "fallback": answered & (answer.source == "level_only"),
        "warned": warned,
        "unwarned_outside": stated & ~within & ~warned,
    }
    return pd.DataFrame(
        {name: np.bincount(code, weights, count) for name, weights in values.items()}
    )


def _middle_of_hours(time: pd.DatetimeIndex) -> NDArray[np.int64]:
    """Place of the middle row of each hour that has any."""
    hour = time.floor("h").asi8
    first = np.flatnonzero(np.diff(hour, prepend=hour[0] - 1 if len(hour) else 0))
    count = np.diff(np.append(first, len(hour)))
    return np.asarray(first + count // 2, dtype=np.int64)


def model_inputs(
    frame: pd.DataFrame, pump: str, times: pd.DatetimeIndex
) -> tuple[pd.DataFrame, NDArray[np.bool_]]:
    """Take the model columns of a pump's frame at some of its times.

    Parameters
    ----------
    frame : DataFrame
        As from ``assembly.pump_frames``.
    pump : str
        The pump.
    times : DatetimeIndex
        Starts of intervals [UTC].

    Returns
    -------
    inputs : DataFrame
        Rows of the times that the frame holds, range index.
    held : ndarray of bool
        Which times it holds.
    """
    place = pd.DatetimeIndex(frame["time"]).get_indexer(times)
    held = place >= 0
    rows = frame.iloc[place[held]].rename(columns={"suction_flow": OWN_FLOW})
    return rows.assign(pump=pump).reset_index(drop=True), held
