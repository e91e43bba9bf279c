"""One frame per pump: state, flows, static suction pressure and readings on the grid.

This is where the plant file meets the measurements. Everything after it works on frames with
the columns below and knows nothing of tags.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from pipeline.assembly.grid_view import Floats, GridView, Mask
from pipeline.hydraulics.head import velocity
from pipeline.hydraulics.water import water_density, water_vapour_pressure
from pipeline.plant import Liquid, Pump, Segment, Snapshot, Tag

G = 9.80665
"""Standard gravity [m/s²]."""

STATES = ("running", "standing", "switching", "unknown")

STEADY_CHANGE = 0.05
"""Largest change against either running neighbour in a steady interval, of flow, electrical
power and pressure rise, part of the value [-]. Common practice, no source."""

_ON, _OFF = 0.999, 0.001
_DEFAULT_RUNNING_PART = 0.05
_DEFAULT_RUNNING_POWER = 500.0


def segment_column(segment: Segment) -> str:
    """Name the column with the flow of a header segment."""
    return f"flow_{segment.id}"


def pump_frames(snapshot: Snapshot, view: GridView) -> dict[str, pd.DataFrame]:
    """Assemble what is known of each pump on the grid.

    Parameters
    ----------
    snapshot : Snapshot
        The plant during the span of the view.
    view : GridView
        Measurements of the span.

    Returns
    -------
    dict of str to DataFrame
        By pump; one row per interval in time order, default index, SI:

        ``time`` (UTC, interval start), ``state`` (see ``STATES``), ``is_steady`` (bool),
        ``flow`` (through the pump; zero while standing), ``flow_source`` (``measured``,
        ``shared`` while a meter serves several running pumps, ``missing``), ``suction_flow``
        (in the branch), one ``flow_<segment>`` per header segment, ``density``,
        ``vapour_pressure``, ``static_pressure`` (at the suction gauge without any flow),
        ``static_pressure_u`` (systematic), ``velocity_pressure`` (at the suction tap),
        ``suction_reading``, ``discharge_reading``, ``electrical_power``, ``speed``.
    """
    density, vapour = _liquid(snapshot.liquid, view)
    states = {name: _state(pump, snapshot, view) for name, pump in snapshot.pumps.items()}
    flows = {name: _flow(name, snapshot, view, states) for name in snapshot.pumps}
    return {
        name: _frame(pump, snapshot, view, states, flows, density, vapour)
        for name, pump in snapshot.pumps.items()
    }


def _liquid(liquid: Liquid, view: GridView) -> tuple[Floats, Floats]:
    n = len(view)
    if liquid.density is not None:
        vapour = np.nan if liquid.vapour_pressure is None else liquid.vapour_pressure
        return np.full(n, liquid.density), np.full(n, vapour)
    if liquid.temperature_tag is not None:
        temperature = view.value(liquid.temperature_tag)
        if liquid.temperature is not None:
            temperature = np.where(np.isfinite(temperature), temperature, liquid.temperature)
    else:
        temperature = np.full(n, liquid.temperature)
    # A thermometer outside the liquid range of water is broken, not a reason to stop.
    temperature = np.where((temperature > 273.2) & (temperature < 473.0), temperature, np.nan)
    return np.asarray(water_density(temperature)), np.asarray(water_vapour_pressure(temperature))


def _state(pump: Pump, snapshot: Snapshot, view: GridView) -> np.ndarray:
    """Tell for each interval whether the pump ran throughout, stood, or switched."""
    state = np.full(len(view), "unknown", dtype=object)
    if pump.running_tag is not None:
        share = view.value(pump.running_tag)
        state[share >= _ON] = "running"
        state[share <= _OFF] = "standing"
        state[(share > _OFF) & (share < _ON)] = "switching"
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
    name: str, snapshot: Snapshot, view: GridView, states: Mapping[str, np.ndarray]
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
        flow = np.where(shared, np.nan, flow)
        source[shared] = "shared"
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
    density: Floats,
    vapour: Floats,
) -> pd.DataFrame:
    line = snapshot.lines[pump.suction_line]
    plain = {name: flow for name, (flow, _) in flows.items()}
    flow, source = flows[pump.id]
    frame: dict[str, object] = {
        "time": view.times,
        "state": states[pump.id],
        "flow": flow,
        "flow_source": source,
    }
    for segment in line.header:
        carries = pump.id in segment.carries
        frame[segment_column(segment)] = (
            _segment_flow(segment, snapshot, view, plain) if carries else np.zeros(len(view))
        )
    branch = line.branches.get(pump.id)
    suction_flow = flow if branch is None else _segment_flow(branch, snapshot, view, plain)
    static, static_u = _static(pump, snapshot, view, density)
    speed = view.value(pump.speed_tag)
    frame |= {
        "suction_flow": suction_flow,
        "density": density,
        "vapour_pressure": vapour,
        "static_pressure": static,
        "static_pressure_u": static_u,
        "velocity_pressure": 0.5 * density * velocity(suction_flow, pump.suction_tap.diameter) ** 2,
        "suction_reading": view.value(pump.suction_pressure_tag),
        "discharge_reading": view.value(pump.discharge_pressure_tag),
        "electrical_power": view.value(pump.power_tag),
        "speed": speed,
    }
    sisters = [p for p, other in snapshot.pumps.items() if other.suction_line == pump.suction_line]
    rise = view.value(pump.discharge_pressure_tag) - static
    watched = [flow, view.value(pump.power_tag), rise]
    frame["is_steady"] = _is_steady(states[pump.id], watched, [states[p] for p in sisters])
    return pd.DataFrame(frame)


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


def _static(
    pump: Pump, snapshot: Snapshot, view: GridView, density: Floats
) -> tuple[Floats, Floats]:
    """Pressure the suction gauge would read with nothing flowing, and its systematic part."""
    line = snapshot.lines[pump.suction_line]
    source = snapshot.sources[line.source]
    gauge = pump.reference_elevation + pump.suction_tap.reading_elevation
    weight = density * G
    if source.kind == "open_tank":
        level = view.value(source.level_tag)
        static = weight * (source.level_zero_elevation + level - gauge)
        level_u = _systematic(snapshot.tags.get(source.level_tag or ""), level)
        return static, weight * np.hypot(level_u, source.level_zero_u)
    upstream = view.value(source.pressure_tag)
    static = upstream + weight * (source.pressure_elevation - gauge)
    return static, _systematic(snapshot.tags.get(source.pressure_tag or ""), upstream)


def _systematic(tag: Tag | None, value: Floats) -> Floats:
    if tag is None:
        return np.zeros_like(value)
    accuracy = tag.accuracy
    return np.hypot(accuracy.systematic_absolute, accuracy.systematic_relative * np.abs(value))
