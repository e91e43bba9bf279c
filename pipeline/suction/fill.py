"""Suction pressure of every row: measured, or the best defensible value, and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .line import LEVEL_ONLY_VELOCITY_HEADS, SuctionLineModel
from .model import SuctionModel
from .reasons import MISSING_INPUT
from .solve import Array

MEASURED = "measured"
MODELLED = "modelled"
SISTER = "sister"
SURVEY = "survey"
DRAWING = "drawing"
LEVEL_ONLY = "level_only"
MISSING = "missing"
SOURCES = (MEASURED, MODELLED, SISTER, SURVEY, DRAWING, LEVEL_ONLY, MISSING)

FILL_COLUMNS = (
    "suction_pressure",
    "suction_pressure_u_systematic",
    "suction_pressure_u_random",
    "suction_pressure_u_unexplained",
    "suction_pressure_source",
    "suction_pressure_reason",
)

__all__ = ["FILL_COLUMNS", "SOURCES", "Estimate", "estimate_with", "fill_suction", "level_only"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """Suction pressure from one kind of evidence, for all rows.

    Parameters
    ----------
    source : str or object array of shape (n,)
        One of `SOURCES`.
    value, u_systematic, u_random : array of shape (n,)
        True pressure and its standard uncertainty in two parts [Pa].
    declined : object array of shape (n,)
        Empty where the value is served, else the reason.
    u_unexplained : array of shape (n,), optional
        Part of `u_systematic` that stands for a pressure missing from the pump's rise, of
        which nobody knows whether it was lost before the pump or in it [Pa].
    """

    source: str | NDArray[np.object_]
    value: Array
    u_systematic: Array
    u_random: Array
    declined: NDArray[np.object_]
    u_unexplained: Array | None = None


def estimate_with(
    model: SuctionModel | SuctionLineModel,
    rows: pd.DataFrame,
    side_stream_unknown: Array | None = None,
    source: str | None = None,
) -> Estimate:
    """Estimate the true pressure with a fitted model.

    Parameters
    ----------
    model : SuctionModel or SuctionLineModel
        Fitted model; a line model fitted to no rows is the drawing.
    rows : DataFrame
        Model columns; others are ignored.
    side_stream_unknown : bool array of shape (n,), optional
        True where pump flow is not pipe flow.
    source : str, optional
        Name of the evidence; by default ``modelled``, or what the line model says.

    Returns
    -------
    Estimate
    """
    if isinstance(model, SuctionModel):
        inputs = rows[list(model.feature_names_in_)]
        kind: str | NDArray[np.object_] = source or MODELLED
        declined = model.decline(inputs, side_stream_unknown)
        parts = model.predict_parts(inputs)
    else:
        inputs = rows
        kind = source or model.source(inputs)
        declined = model.decline(inputs, side_stream_unknown)
        parts = model.predict_parts(inputs)
    return Estimate(
        kind,
        parts["suction_pressure"].to_numpy(),
        parts["suction_pressure_u_systematic"].to_numpy(),
        parts["suction_pressure_u_random"].to_numpy(),
        declined,
    )


def level_only(
    rows: pd.DataFrame,
    *,
    static_u: float | Array,
    loss_u: float | Array | None = None,
    residual_u: float | Array = 100.0,
) -> Estimate:
    """Static pressure less velocity pressure, no losses, with an honest wide interval.

    Parameters
    ----------
    rows : DataFrame
        Columns ``static_pressure`` and ``velocity_pressure`` [Pa].
    static_u : float or array of shape (n,)
        Systematic uncertainty of static pressure [Pa].
    loss_u : float or array of shape (n,), optional
        What the losses may be, as a standard uncertainty [Pa]; by default
        `LEVEL_ONLY_VELOCITY_HEADS` times the velocity pressure of the row.
    residual_u : float or array of shape (n,)
        Scatter of one row [Pa].

    Returns
    -------
    Estimate
        Always too high while the pump runs: nothing is subtracted for friction.
    """
    velocity = rows["velocity_pressure"].to_numpy(dtype=float)
    value = rows["static_pressure"].to_numpy(dtype=float) - velocity
    loss = LEVEL_ONLY_VELOCITY_HEADS * velocity if loss_u is None else loss_u
    declined = np.where(np.isfinite(value), "", MISSING_INPUT).astype(object)
    random = np.where(np.isfinite(value), residual_u, np.nan)
    systematic = np.hypot(static_u, loss) + np.zeros(value.size)
    return Estimate(LEVEL_ONLY, value, systematic, random, declined)


def fill_suction(
    index: pd.Index,
    estimates: Sequence[Estimate],
    *,
    reading: Array | None = None,
    gauge_fault: NDArray[np.object_] | None = None,
    gauge_u: float | Array = 500.0,
    gauge_noise_u: float | Array = 50.0,
) -> pd.DataFrame:
    """Choose for each row the measured value or the first estimate that serves it.

    Parameters
    ----------
    index : Index
        Row labels (time stamps), of length n.
    estimates : sequence of Estimate
        In order of preference: usually the own model, the line, the drawing, level only.
    reading : array of shape (n,), optional
        Gauge reading [Pa]; None where there is no gauge, NaN where there is no value.
    gauge_fault : object array of shape (n,), optional
        Empty where the gauge may be used, else the name of the check that found fault.
    gauge_u, gauge_noise_u : float or array of shape (n,)
        Systematic and random standard uncertainty of the reading [Pa].

    Returns
    -------
    DataFrame
        Columns `FILL_COLUMNS`, index as given. ``source`` is one of `SOURCES`;
        ``reason`` is empty for a measured value, else says why every better source was
        passed over (``gauge: stuck; modelled: outside_seen_flow``). A ``missing`` row has
        no value and no uncertainty; every other row has both.

    Notes
    -----
    A faulty gauge is never the source, however plausible its value.
    """
    n = len(index)
    value = np.full(n, np.nan)
    systematic, random, unexplained = value.copy(), value.copy(), value.copy()
    source = np.full(n, MISSING, dtype=object)
    if reading is None:
        reason = np.full(n, "gauge: none", dtype=object)
        open_rows = np.ones(n, dtype=bool)
    else:
        fault = np.full(n, "", dtype=object) if gauge_fault is None else gauge_fault
        no_value = ~np.isfinite(reading)
        why = np.where(no_value & (fault == ""), "no_value", fault).astype(object)
        open_rows = why != ""
        good = ~open_rows
        value[good] = reading[good]
        systematic[good] = np.broadcast_to(np.asarray(gauge_u, dtype=float), n)[good]
        random[good] = np.broadcast_to(np.asarray(gauge_noise_u, dtype=float), n)[good]
        unexplained[good] = 0.0
        source[good] = MEASURED
        reason = np.full(n, "", dtype=object)
        reason[open_rows] = "gauge: " + why[open_rows]
    for estimate in estimates:
        kind = np.broadcast_to(np.asarray(estimate.source, dtype=object), n)
        serves = open_rows & (estimate.declined == "") & np.isfinite(estimate.value)
        value[serves] = estimate.value[serves]
        systematic[serves] = estimate.u_systematic[serves]
        random[serves] = estimate.u_random[serves]
        told = estimate.u_unexplained
        unexplained[serves] = 0.0 if told is None else told[serves]
        source[serves] = kind[serves]
        open_rows = open_rows & ~serves
        passed = open_rows & (estimate.declined != "")
        reason[passed] += "; " + kind[passed] + ": " + estimate.declined[passed]
    return pd.DataFrame(
        dict(
            zip(FILL_COLUMNS, (value, systematic, random, unexplained, source, reason), strict=True)
        ),
        index=index,
    )
