"""Operating points: head, power and efficiency of one pump, interval by interval.

An interval that is no operating point keeps its row and says why in ``status``: nothing is
dropped in silence. The level-only assumption is worked out beside every point, so that its
price can be read off any row.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from pipeline.hydraulics import head
from pipeline.hydraulics._numeric import STANDARD_GRAVITY
from pipeline.hydraulics.npsh import npsh_available
from pipeline.hydraulics.propagation import combine
from pipeline.hydraulics.uncertainty import (
    PointUncertainty,
    Uncertainty,
    efficiency_uncertainty,
)
from pipeline.performance.shaft_power import shaft_power_of, shaft_power_u
from pipeline.plant import Pump, Tag

STEADY = "steady"
ALLOCATED = "allocated"
UNKNOWN_STATE = "unknown_state"

ALLOCATED_U = ("allocated_flow_u_systematic", "allocated_flow_u_random")
"""Columns of a frame with the standard uncertainty of allocated flows."""

STATUSES = {
    STEADY: "steady running with everything known: an operating point",
    ALLOCATED: "steady, but the meter served several running pumps and their curves shared it out",
    "switching": "this pump started or stopped within the interval",
    UNKNOWN_STATE: "nothing tells whether the pump ran",
    "settling": "the well had not settled after the start or stop of a pump",
    "unsteady": "the flow moved, or a pump on the same line switched",
    "no_flow": "the flow is missing or covered too little",
    "shared_flow": "the meter served several running pumps, and no curve could share it out",
    "no_power": "the electrical power is missing or covered too little",
    "no_discharge_pressure": "the discharge pressure is missing or covered too little",
    "discharge_gauge": "a check found the discharge gauge in fault",
    "no_density": "the density is not known: the temperature is missing or covered too little",
    "no_suction_pressure": "the suction pressure could be neither measured nor modelled",
    "no_strainer_loss": "the loss of the strainer between suction tap and pump is missing",
    "implausible": "head or efficiency outside what is physically possible",
}
"""Why an interval is or is not an operating point."""

MOST_OVERALL_EFFICIENCY = 1.0

_LEVEL_ONLY = "level_only"


def operating_points(
    frame: pd.DataFrame,
    pump: Pump,
    tags: Mapping[str, Tag],
    atmospheric_pressure: float,
    flow_tag: str | None,
) -> pd.DataFrame:
    """Work out the operating points of one pump.

    Parameters
    ----------
    frame : DataFrame
        One row per interval, as from ``assembly.pump_frames``, with the suction columns
        ``suction_pressure``, ``suction_pressure_u_systematic``, ``suction_pressure_u_random``
        (SI), ``suction_pressure_source`` and ``suction_reason`` added. ``tap_loss`` and
        ``column_loss`` with their uncertainties, ``suction_pressure_u_unexplained`` and
        ``static_reason`` may be left out: then there is nothing of the kind, and the source
        is known.
        The same of ``discharge_fault``, the check that bars the discharge gauge (else empty).
    pump : Pump
        Taps, driver and tags.
    tags : mapping of str to Tag
        For instrument accuracy.
    atmospheric_pressure : float
        At the site [Pa].
    flow_tag : str or None
        Tag the flow is read from.

    Returns
    -------
    DataFrame
        Rows of the intervals in which the pump was not standing, in time order, SI; see the
        ``operating_points`` contract for the columns. Values are missing where they cannot be
        known; only rows with status ``steady`` are operating points. Rows with status
        ``allocated`` count for energy and volume: their flow rests on the pump's own curve.
    """
    rows = frame[frame["state"] != "standing"].reset_index(drop=True)
    rows = rows.assign(**{k: v for k, v in _NO_LOSS.items() if k not in rows})
    q, rho = rows["flow"].to_numpy(), rows["density"].to_numpy()
    suction_flow = rows["suction_flow"].to_numpy()
    p_d, p_el = rows["discharge_reading"].to_numpy(), rows["electrical_power"].to_numpy()
    p_d = np.where(_fault(rows), np.nan, p_d)
    p_s = rows["suction_pressure"].to_numpy(dtype=float)

    # Strainers between the tap and the pump take pressure the tap does not see.
    p_pump = p_s - rows["tap_loss"].to_numpy()
    column_loss = rows["column_loss"].to_numpy()

    total_head = _total_head(pump, p_pump, p_d, q, rho, suction_flow) + column_loss
    hydraulic = np.asarray(head.hydraulic_power(q, total_head, rho))
    shaft, driver_note = shaft_power_of(pump, p_el)
    level_only = rows["static_pressure"].to_numpy() - rows["velocity_pressure"].to_numpy()
    level_only_head = _total_head(pump, level_only, p_d, q, rho, suction_flow) + column_loss
    level_only_hydraulic = np.asarray(head.hydraulic_power(q, level_only_head, rho))

    flow_u = _flow_uncertainty(rows, tags.get(flow_tag or ""))
    u = _uncertainty(rows, pump, tags, total_head, flow_u)
    p_el_u = instrument_uncertainty(tags.get(pump.power_tag or ""), p_el)
    shaft_u = shaft_power_u(pump, p_el, p_el_u)
    overall = np.asarray(head.overall_efficiency(hydraulic, p_el))
    own = np.asarray(head.pump_efficiency(hydraulic, shaft))
    with np.errstate(invalid="ignore", divide="ignore"):
        own_u = Uncertainty(
            own * np.hypot(u.hydraulic_power.systematic / hydraulic, shaft_u.systematic / shaft),
            own * np.hypot(u.hydraulic_power.random / hydraulic, shaft_u.random / shaft),
        )
        speed_ratio = (
            rows["speed"].to_numpy() / pump.reference_speed
            if pump.reference_speed and pump.speed_tag
            else np.ones(len(rows))
        )
    points = pd.DataFrame(
        {
            "pump": pump.id,
            "time": rows["time"],
            "status": _status(rows, total_head, overall),
            "flow": q,
            "flow_u_systematic": flow_u.systematic,
            "flow_u_random": flow_u.random,
            "flow_source": rows["flow_source"].to_numpy(),
            "suction_flow": suction_flow,
            "speed_ratio": speed_ratio,
            "density": rho,
            "static_pressure": rows["static_pressure"].to_numpy(),
            "static_pressure_u_systematic": rows["static_pressure_u_systematic"].to_numpy(),
            "suction_pressure": p_s,
            "suction_pressure_u_systematic": rows["suction_pressure_u_systematic"].to_numpy(),
            "suction_pressure_u_random": rows["suction_pressure_u_random"].to_numpy(),
            "suction_pressure_u_unexplained": rows["suction_pressure_u_unexplained"].to_numpy(),
            "suction_pressure_source": rows["suction_pressure_source"].to_numpy(),
            "suction_reason": rows["suction_reason"].to_numpy(),
            "suction_reading": rows["suction_reading"].to_numpy(),
            "discharge_pressure": p_d,
            "total_head": total_head,
            "total_head_u_systematic": u.total_head.systematic,
            "total_head_u_random": u.total_head.random,
            "electrical_power": p_el,
            "electrical_power_u_systematic": p_el_u.systematic,
            "electrical_power_u_random": p_el_u.random,
            "hydraulic_power": hydraulic,
            "shaft_power": shaft,
            "driver_assumption": driver_note,
            "overall_efficiency": overall,
            "overall_efficiency_u_systematic": u.efficiency.systematic,
            "overall_efficiency_u_random": u.efficiency.random,
            "pump_efficiency": own,
            "pump_efficiency_u_systematic": own_u.systematic,
            "pump_efficiency_u_random": own_u.random,
            "specific_energy": np.asarray(head.specific_energy(p_el, np.where(q > 0, q, np.nan))),
            "npsh_available": _npsh_available(rows, pump, p_pump, rho, atmospheric_pressure),
            "level_only_suction_pressure": level_only,
            "level_only_total_head": level_only_head,
            "level_only_hydraulic_power": level_only_hydraulic,
            "level_only_overall_efficiency": np.asarray(
                head.overall_efficiency(level_only_hydraulic, p_el)
            ),
        }
    )
    return points


def _total_head(
    pump: Pump,
    p_s: np.ndarray,
    p_d: np.ndarray,
    flow: np.ndarray,
    density: np.ndarray,
    suction_flow: np.ndarray,
) -> np.ndarray:
    return np.asarray(
        head.total_head(
            p_s,
            p_d,
            flow,
            density,
            pump.suction_tap.reading_elevation,
            pump.discharge_tap.reading_elevation,
            pump.suction_tap.diameter,
            pump.discharge_tap.diameter,
            suction_flow=suction_flow,
        )
    )


def _flow_uncertainty(rows: pd.DataFrame, tag: Tag | None) -> Uncertainty:
    measured = instrument_uncertainty(tag, rows["flow"].to_numpy())
    if ALLOCATED_U[0] not in rows.columns:
        return measured
    allocated = (rows["flow_source"] == ALLOCATED).to_numpy()
    systematic, random = (rows[name].to_numpy() for name in ALLOCATED_U)
    return Uncertainty(
        np.where(allocated, systematic, measured.systematic),
        np.where(allocated, random, measured.random),
    )


def instrument_uncertainty(tag: Tag | None, value: np.ndarray) -> Uncertainty:
    """Give the standard uncertainty of readings of a tag; zero without a tag."""
    if tag is None:
        return Uncertainty(np.zeros_like(value), np.zeros_like(value))
    return Uncertainty(tag.accuracy.systematic_u(value), tag.accuracy.random_u(value))


def _uncertainty(
    rows: pd.DataFrame,
    pump: Pump,
    tags: Mapping[str, Tag],
    total_head: np.ndarray,
    flow_u: Uncertainty,
) -> PointUncertainty:
    q = rows["flow"].to_numpy()
    p_s = rows["suction_pressure"].to_numpy(dtype=float)
    p_d = rows["discharge_reading"].to_numpy()
    p_el = rows["electrical_power"].to_numpy()
    # A modelled suction pressure refers to the same height it was worked out for: there the
    # height of the suction tap cancels in the total head.
    measured = (rows["suction_pressure_source"] == "measured").to_numpy()
    suction_tap_u = np.where(measured, pump.suction_tap.elevation_u, 0.0)
    taps_u = np.hypot(suction_tap_u, pump.discharge_tap.elevation_u)
    # A column's loss is head like a height, and moves with the flow as a suction loss does.
    heights_u = np.hypot(taps_u, rows["column_loss_u"].to_numpy())
    weight = rows["density"].to_numpy() * STANDARD_GRAVITY
    with np.errstate(invalid="ignore", divide="ignore"):
        column_slope = np.where(
            pump.column is None, 0.0, -2.0 * weight * rows["column_loss"].to_numpy() / q
        )
    suction_u = Uncertainty(
        rows["suction_pressure_u_systematic"].to_numpy(dtype=float),
        rows["suction_pressure_u_random"].to_numpy(dtype=float),
    )
    tap_loss_u = Uncertainty(
        rows["tap_loss_u_systematic"].to_numpy(), rows["tap_loss_u_random"].to_numpy()
    )
    return efficiency_uncertainty(
        q,
        total_head,
        rows["density"].to_numpy(),
        p_el,
        p_d - p_s,
        pump.suction_tap.diameter,
        pump.discharge_tap.diameter,
        flow_u,
        combine(suction_u, tap_loss_u),
        instrument_uncertainty(tags.get(pump.discharge_pressure_tag or ""), p_d),
        instrument_uncertainty(tags.get(pump.power_tag or ""), p_el),
        elevation_u=Uncertainty(heights_u, np.zeros(len(q))),
        suction_pressure_slope=column_slope,
    )


def _npsh_available(
    rows: pd.DataFrame, pump: Pump, p_s: np.ndarray, rho: np.ndarray, atmosphere: float
) -> np.ndarray:
    return np.asarray(
        npsh_available(
            p_s,
            atmosphere,
            rows["vapour_pressure"].to_numpy(),
            rho,
            rows["suction_flow"].to_numpy(),
            pump.suction_tap.diameter,
            pump.suction_tap.reading_elevation,
        )
    )


def _status(rows: pd.DataFrame, total_head: np.ndarray, overall: np.ndarray) -> np.ndarray:
    """Give the first reason, in the order of the conditions, why a row is no operating point."""
    reason = rows["static_reason"].to_numpy()
    missing = {name: ~np.isfinite(rows[name].to_numpy(dtype=float)) for name in _NEEDED}
    with np.errstate(invalid="ignore"):
        impossible = (total_head <= 0.0) | (overall <= 0.0) | (overall > MOST_OVERALL_EFFICIENCY)
    conditions = [
        rows["state"].to_numpy() == "unknown",
        rows["state"].to_numpy() == "switching",
        reason == "well_settling",
        rows["flow_source"].to_numpy() == "shared",
        missing["flow"],
        missing["electrical_power"],
        _fault(rows),
        missing["discharge_reading"],
        missing["density"],
        ~rows["is_steady"].to_numpy(dtype=bool),
        missing["suction_pressure"],
        missing["tap_loss"],
        impossible,
        rows["flow_source"].to_numpy() == ALLOCATED,
    ]
    words = [
        UNKNOWN_STATE,
        "switching",
        "settling",
        "shared_flow",
        "no_flow",
        "no_power",
        "discharge_gauge",
        "no_discharge_pressure",
        "no_density",
        "unsteady",
        "no_suction_pressure",
        "no_strainer_loss",
        "implausible",
        ALLOCATED,
    ]
    return np.select(conditions, words, default=STEADY).astype(object)


def ran(points: pd.DataFrame) -> np.ndarray:
    """Tell which rows count as running time.

    Parameters
    ----------
    points : DataFrame
        With ``status`` as from `operating_points`.

    Returns
    -------
    ndarray of bool
        False where nothing tells whether the pump ran: that time is nobody's. Volume and energy
        metered in it count all the same.

    Examples
    --------
    >>> ran(pd.DataFrame({"status": ["steady", "switching", "unknown_state"]})).tolist()
    [True, True, False]
    """
    return np.asarray(points["status"] != UNKNOWN_STATE, dtype=bool)


def _fault(rows: pd.DataFrame) -> np.ndarray:
    """Where a check bars the discharge gauge; nowhere without the column."""
    if "discharge_fault" not in rows:
        return np.zeros(len(rows), dtype=bool)
    return np.asarray(rows["discharge_fault"] != "", dtype=bool)


_NO_LOSS: dict[str, float | str] = {
    "tap_loss": 0.0,
    "tap_loss_u_systematic": 0.0,
    "tap_loss_u_random": 0.0,
    "column_loss": 0.0,
    "column_loss_u": 0.0,
    "suction_pressure_u_unexplained": 0.0,
    "static_reason": "",
}

_NEEDED = (
    "flow",
    "electrical_power",
    "discharge_reading",
    "density",
    "suction_pressure",
    "tap_loss",
)
