"""One frame per pump: state, flows, static suction pressure and readings on the grid.

This is where the plant file meets the measurements. Everything after it works on frames with
the columns below and knows nothing of tags.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.assembly.grid_view import Floats, GridView, Mask
from pipeline.assembly.liquids import liquid_properties
from pipeline.assembly.statics import (
    UNSETTLED,
    WHOLLY_OFF,
    WHOLLY_ON,
    Draw,
    G,
    SurfaceState,
    reading_u,
    static_pressure,
    surface_state,
)
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.head import velocity
from pipeline.hydraulics.pipes import Fitting as PipeFitting
from pipeline.hydraulics.pressure import atmospheric_pressure
from pipeline.hydraulics.propagation import combine
from pipeline.hydraulics.suction_line import PipeRun, line_loss
from pipeline.plant import Column, Pump, Segment, Snapshot, SuctionLine

__all__ = ["STATES", "STEADY_CHANGE", "G", "pump_frames", "segment_column"]

STATES = ("running", "standing", "switching", "unknown")

STEADY_CHANGE = 0.05
"""Largest change against either running neighbour in a steady interval, of flow, electrical
power and pressure rise, part of the value [-]. Common practice, no source."""

_DEFAULT_RUNNING_PART = 0.05
_DEFAULT_RUNNING_POWER = 500.0
_VISCOSITY = 1.1e-3
"""Dynamic viscosity for the loss in a column where none is declared [Pa s]: water near 16 °C. It
moves such a loss by a per cent or two, its uncertainty being 20 % and more."""


def segment_column(segment: Segment) -> str:
    """Name the column with the flow of a header segment."""
    return f"flow_{segment.id}"


def pump_frames(
    snapshot: Snapshot, view: GridView, allocated: Mapping[str, Floats] | None = None
) -> dict[str, pd.DataFrame]:
    """Assemble what is known of each pump on the grid.

    Parameters
    ----------
    snapshot : Snapshot
        The plant during the span of the view.
    view : GridView
        Measurements of the span.
    allocated : mapping of str to ndarray, optional
        By pump, its flow where a meter serves several running pumps; NaN where not known
        [m3/s].

    Returns
    -------
    dict of str to DataFrame
        By pump; one row per interval in time order, default index, SI:

        ``time`` (UTC, interval start), ``state`` (see ``STATES``), ``is_steady`` (bool),
        ``flow`` (through the pump; zero while standing), ``flow_source`` (``measured``,
        ``shared`` while a meter serves several running pumps, ``allocated`` where the flow is
        known all the same, ``missing``), ``suction_flow``
        (in the branch), one ``flow_<segment>`` per header segment, ``density``,
        ``vapour_pressure``, ``static_pressure`` (at the suction gauge without any flow) with
        ``static_pressure_u_systematic`` and ``static_pressure_u_random``, ``static_reason`` (a
        key of ``statics.STATIC_REASONS``; empty where it is known), ``strainer_loss`` (measured
        between the source and the suction tap; zero without a tag) with its uncertainty,
        ``tap_loss`` (measured between the suction tap and the pump) with its uncertainty,
        ``column_loss`` (between the bowl of a vertical pump and its discharge tap) [m] with
        ``column_loss_u`` (systematic), ``velocity_pressure`` (at the suction tap),
        ``suction_reading``, ``discharge_reading``, ``electrical_power``, ``speed``.
    """
    states = {name: _state(pump, snapshot, view) for name, pump in snapshot.pumps.items()}
    given = allocated or {}
    flows = {name: _flow(name, snapshot, view, states, given.get(name)) for name in snapshot.pumps}
    plain = {name: flow for name, (flow, _) in flows.items()}
    sides = {
        name: _suction_side(line, snapshot, view, states, plain)
        for name, line in snapshot.lines.items()
    }
    return {
        name: _frame(pump, snapshot, view, states, flows, sides[pump.suction_line])
        for name, pump in snapshot.pumps.items()
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _SuctionSide:
    """What all pumps of a line share: its source, its liquid, and the flow of each segment."""

    surface: SurfaceState
    density: Floats
    vapour_pressure: Floats
    header: dict[str, Floats]
    branches: dict[str, Floats]


def _suction_side(
    line: SuctionLine,
    snapshot: Snapshot,
    view: GridView,
    states: Mapping[str, np.ndarray],
    flows: Mapping[str, Floats],
) -> _SuctionSide:
    source = snapshot.sources[line.source]
    atmosphere = float(atmospheric_pressure(snapshot.station.altitude))
    draw = None if source.drawdown is None else _draw(line.source, snapshot, view, states, flows)
    surface = surface_state(source, snapshot.tags, view, draw, atmosphere)
    density, vapour = liquid_properties(snapshot.liquid, source, view, surface.pressure, atmosphere)
    return _SuctionSide(
        surface=surface,
        density=density,
        vapour_pressure=vapour,
        header={s.id: _segment_flow(s, snapshot, view, flows) for s in line.header},
        branches={p: _segment_flow(s, snapshot, view, flows) for p, s in line.branches.items()},
    )


def _draw(
    source: str,
    snapshot: Snapshot,
    view: GridView,
    states: Mapping[str, np.ndarray],
    flows: Mapping[str, Floats],
) -> Draw:
    """Sum up what every line of a source takes from it."""
    total, systematic, random = np.zeros(len(view)), np.zeros(len(view)), np.zeros(len(view))
    pumps: set[str] = set()
    for line in snapshot.lines.values():
        if line.source != source:
            continue
        pumps |= set(line.branches) & set(states)
        # The first segment of a header carries all that its line takes.
        first = line.header[0] if line.header else None
        whole = first is not None and set(line.branches) <= set(first.carries)
        pieces = [first] if first is not None and whole else [*line.branches.values()]
        for piece in pieces:
            flow = _segment_flow(piece, snapshot, view, flows)
            total = total + flow
            u = reading_u(snapshot.tags.get(_flow_tag(piece, snapshot)), flow)
            # Meters of different pipes are independent; the two parts stay apart.
            systematic = np.hypot(systematic, u.systematic)
            random = np.hypot(random, u.random)
    return Draw(
        flow=total,
        flow_u=Uncertainty(systematic, random),
        states=[states[p] for p in sorted(pumps)],
    )


def _flow_tag(segment: Segment, snapshot: Snapshot) -> str:
    """Name the meter whose accuracy stands for a segment's flow."""
    if segment.flow_tag is not None:
        return segment.flow_tag
    for pump in segment.carries:
        own = snapshot.pumps[pump].flow_tag if pump in snapshot.pumps else None
        meter = snapshot.meter_of(pump)
        if own is not None:
            return own
        if meter is not None:
            return meter.tag
    return ""


def _state(pump: Pump, snapshot: Snapshot, view: GridView) -> np.ndarray:
    """Tell for each interval whether the pump ran throughout, stood, or switched."""
    state = np.full(len(view), "unknown", dtype=object)
    if pump.running_tag is not None:
        share = view.value(pump.running_tag)
        state[share >= WHOLLY_ON] = "running"
        state[share <= WHOLLY_OFF] = "standing"
        state[(share > WHOLLY_OFF) & (share < WHOLLY_ON)] = "switching"
        return state
    power = view.value(pump.power_tag)
    threshold = pump.running_power
    if threshold is None:
        rated = pump.driver.rated_power
        threshold = _DEFAULT_RUNNING_POWER if rated is None else _DEFAULT_RUNNING_PART * rated
    state[power > threshold] = "running"
    state[power <= threshold] = "standing"
    # An average cannot tell when within the interval the pump started: both sides of a
    # change are taken as mixed.
    changed = (state[1:] != state[:-1]) & (state[1:] != "unknown") & (state[:-1] != "unknown")
    mixed = np.zeros(len(state), dtype=bool)
    mixed[1:] |= changed
    mixed[:-1] |= changed
    state[mixed & (state == "running")] = "switching"
    return state


def _flow(
    name: str,
    snapshot: Snapshot,
    view: GridView,
    states: Mapping[str, np.ndarray],
    allocated: Floats | None,
) -> tuple[Floats, np.ndarray]:
    """Give the flow through a pump and where it is from."""
    pump = snapshot.pumps[name]
    state = states[name]
    source = np.full(len(view), "measured", dtype=object)
    if pump.flow_tag is not None:
        flow = view.value(pump.flow_tag)
    else:
        meter = snapshot.meter_of(name)
        flow = view.value(meter.tag) if meter is not None else np.full(len(view), np.nan)
        others = [p for p in (meter.serves if meter else ()) if p != name and p in states]
        shared = np.zeros(len(view), dtype=bool)
        for other in others:
            shared |= states[other] != "standing"
        flow = np.where(shared, np.nan if allocated is None else allocated, flow)
        source[shared] = np.where(np.isfinite(flow[shared]), "allocated", "shared")
    flow = np.where(state == "standing", 0.0, flow)
    source[~np.isfinite(flow) & (source != "shared")] = "missing"
    return flow, source


def _segment_flow(
    segment: Segment, snapshot: Snapshot, view: GridView, flows: Mapping[str, Floats]
) -> Floats:
    if segment.flow_tag is not None:
        return view.value(segment.flow_tag)
    total = np.zeros(len(view))
    metered = [m for m in snapshot.flow_meters.values() if set(m.serves) == set(segment.carries)]
    if metered and not all(snapshot.pumps[p].flow_tag for p in segment.carries):
        # The common meter knows the sum even where no single pump's flow is known.
        idle = np.all([flows[p] == 0.0 for p in segment.carries], axis=0)
        total = total + np.where(idle, 0.0, view.value(metered[0].tag))
    else:
        for pump in segment.carries:
            total = total + flows[pump]
    for tag, sign in segment.side_streams:
        total = total + sign * view.value(tag)
    return total


def _frame(
    pump: Pump,
    snapshot: Snapshot,
    view: GridView,
    states: Mapping[str, np.ndarray],
    flows: Mapping[str, tuple[Floats, np.ndarray]],
    side: _SuctionSide,
) -> pd.DataFrame:
    line = snapshot.lines[pump.suction_line]
    flow, source = flows[pump.id]
    frame: dict[str, object] = {
        "time": view.times,
        "state": states[pump.id],
        "flow": flow,
        "flow_source": source,
    }
    for segment in line.header:
        carries = pump.id in segment.carries
        frame[segment_column(segment)] = side.header[segment.id] if carries else np.zeros(len(view))
    suction_flow = side.branches.get(pump.id, flow)
    gauge = pump.reference_elevation + pump.suction_tap.reading_elevation
    static = static_pressure(side.surface, side.density, gauge)
    before, behind = _strainers(pump, line, snapshot, view, side, states[pump.id])
    column, column_u = _column_loss(pump.column, flow, side.density, snapshot.liquid.viscosity)
    velocity_head = velocity(suction_flow, pump.suction_tap.diameter) ** 2
    frame |= {
        "suction_flow": suction_flow,
        "density": side.density,
        "vapour_pressure": side.vapour_pressure,
        "static_pressure": static.value,
        "static_pressure_u_systematic": static.u.systematic,
        "static_pressure_u_random": static.u.random,
        "static_reason": static.reason,
        "strainer_loss": before[0],
        "strainer_loss_u_systematic": before[1].systematic,
        "strainer_loss_u_random": before[1].random,
        "tap_loss": behind[0],
        "tap_loss_u_systematic": behind[1].systematic,
        "tap_loss_u_random": behind[1].random,
        "column_loss": column,
        "column_loss_u": column_u,
        "velocity_pressure": 0.5 * side.density * velocity_head,
        "suction_reading": view.value(pump.suction_pressure_tag),
        "discharge_reading": view.value(pump.discharge_pressure_tag),
        "electrical_power": view.value(pump.power_tag),
        "speed": view.value(pump.speed_tag),
    }
    sisters = [p for p, other in snapshot.pumps.items() if other.suction_line == pump.suction_line]
    rise = view.value(pump.discharge_pressure_tag) - static.value
    # What was allocated is as noisy as the heads it came from: the meter tells what moved.
    meter = snapshot.meter_of(pump.id) if pump.flow_tag is None else None
    moving = flow if meter is None else view.value(meter.tag)
    watched = [moving, view.value(pump.power_tag), rise]
    unsettled = np.isin(static.reason, UNSETTLED)
    steady = _is_steady(states[pump.id], watched, [states[p] for p in sisters])
    frame["is_steady"] = steady & ~unsettled
    return pd.DataFrame(frame)


def _strainers(
    pump: Pump,
    line: SuctionLine,
    snapshot: Snapshot,
    view: GridView,
    side: _SuctionSide,
    state: np.ndarray,
) -> tuple[tuple[Floats, Uncertainty], tuple[Floats, Uncertainty]]:
    """Give the measured strainer losses before the suction tap, and those behind it [Pa]."""
    n = len(view)
    nothing = (np.zeros(n), Uncertainty(np.zeros(n), np.zeros(n)))
    before = behind = nothing
    for segment in line.segments(pump.id):
        if segment.strainer_tag is None:
            continue
        loss = view.value(segment.strainer_tag)
        u = reading_u(snapshot.tags.get(segment.strainer_tag), loss)
        own = segment is line.branches.get(pump.id)
        # Without flow nothing is lost, whatever the transmitter's zero says.
        still = (state == "standing") if own else side.header[segment.id] == 0.0
        part = (
            np.where(still, 0.0, loss),
            Uncertainty(np.where(still, 0.0, u.systematic), np.where(still, 0.0, u.random)),
        )
        if own and pump.suction_tap.position == "before_strainer":
            behind = (behind[0] + part[0], combine(behind[1], part[1]))
        else:
            before = (before[0] + part[0], combine(before[1], part[1]))
    return before, behind


def _column_loss(
    column: Column | None, flow: Floats, density: Floats, viscosity: float | None
) -> tuple[Floats, Floats]:
    """Give the head lost between bowl and discharge tap, and its standard uncertainty [m]."""
    if column is None:
        return np.zeros_like(flow), np.zeros_like(flow)
    if column.loss is not None:
        loss = column.loss * flow * np.abs(flow) / column.at_flow**2
    elif column.pipe is None:
        loss = np.zeros_like(flow)
    else:
        pipe = column.pipe
        fittings = tuple(PipeFitting(f.name, f.k * f.count) for f in column.fittings)
        run = PipeRun(pipe.diameter, pipe.length, pipe.roughness, fittings)
        pressure = line_loss(flow, [run], density, viscosity or _VISCOSITY)
        loss = np.asarray(pressure) / (density * G)
    return loss, column.relative_u * np.abs(loss)


def _is_steady(state: np.ndarray, watched: list[Floats], line_states: list[np.ndarray]) -> Mask:
    """Mark intervals in which nothing on the line switched and all that is watched held still.

    Historians that report by exception draw a line from the last value before a stop to the
    first one after it: pressure and power tell of it where the flow does not.
    """
    running = state == "running"
    calm = np.ones(len(state), dtype=bool)
    for other in line_states:
        calm &= other != "switching"
    # A neighbour that is not running says nothing about this interval.
    both = running[1:] & running[:-1]
    restless = np.zeros(len(state), dtype=bool)
    for values in watched:
        change, limit = np.abs(np.diff(values)), STEADY_CHANGE * np.abs(values)
        restless[1:] |= both & (change > limit[1:])
        restless[:-1] |= both & (change > limit[:-1])
    return running & calm & ~restless
