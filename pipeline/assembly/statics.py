"""What a source would give at rest: pressure on a surface, and how high that surface stands.

Every kind of source comes down to the same four figures per interval: a gauge pressure, the
elevation at which it acts, and the uncertainty of each. Where they cannot be known the reason
is given beside them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.assembly.grid_view import Floats, GridView, Mask
from pipeline.assembly.liquids import source_temperature
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.propagation import combine
from pipeline.hydraulics.water import water_vapour_pressure
from pipeline.hydraulics.wells import drawdown, drawdown_uncertainty
from pipeline.plant import SuctionSource, Tag

G = 9.80665
"""Standard gravity [m/s²]."""

WHOLLY_ON, WHOLLY_OFF = 0.999, 0.001
"""Part of an interval from which a switch counts as on, or up to which as off, throughout."""

KNOWN = ""
NO_LEVEL = "no_level"
NO_PRESSURE = "no_pressure"
VALVE_UNKNOWN = "valve_unknown"
TANKS_SWITCHED = "tanks_switched"
NO_TANK_OPEN = "no_tank_open"
SEVERAL_TANKS_OPEN = "several_tanks_open"
WELL_FLOW_UNKNOWN = "well_flow_unknown"
WELL_SETTLING = "well_settling"
NO_DENSITY = "no_density"
LEVEL_STUCK = "level_stuck"

STATIC_REASONS = {
    NO_LEVEL: "the level of the source is missing or covered too little",
    NO_PRESSURE: "the pressure of the source is missing or covered too little",
    VALVE_UNKNOWN: "the status of a tank's valve is missing",
    TANKS_SWITCHED: "a tank's valve moved within the interval",
    NO_TANK_OPEN: "every tank's valve is shut",
    SEVERAL_TANKS_OPEN: "more than one tank's valve is open",
    WELL_FLOW_UNKNOWN: "the flow drawn from the well is not known",
    WELL_SETTLING: "a pump of the well started or stopped too short a time ago",
    NO_DENSITY: "the density of the liquid is not known",
    LEVEL_STUCK: "the level of the source held one value for days while its neighbours moved",
}
"""Why a source's static pressure is not known."""

UNSETTLED = (TANKS_SWITCHED, WELL_SETTLING)
"""Reasons for which the whole suction side is on the move, whatever a gauge says."""

Reasons = npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Draw:
    """What all pumps together take from a source.

    Parameters
    ----------
    flow : ndarray of float64, shape (n_intervals,)
        [m³/s]; NaN where one of them is not known.
    flow_u : Uncertainty
        Of it [m³/s].
    states : sequence of ndarray
        State of each of its pumps (see ``pump_frames.STATES``).
    """

    flow: Floats
    flow_u: Uncertainty
    states: Sequence[np.ndarray]


@dataclass(frozen=True, slots=True, kw_only=True)
class SurfaceState:
    """Pressure on the surface a line draws from, and where it is.

    Parameters
    ----------
    pressure : ndarray of float64, shape (n_intervals,)
        Gauge pressure [Pa].
    elevation : ndarray of float64
        Station elevation at which it acts [m].
    pressure_u, elevation_u : Uncertainty
        Of each [Pa], [m].
    reason : ndarray of object
        Empty where both are known, else a key of ``STATIC_REASONS``.
    """

    pressure: Floats
    elevation: Floats
    pressure_u: Uncertainty
    elevation_u: Uncertainty
    reason: Reasons


@dataclass(frozen=True, slots=True, kw_only=True)
class StaticPressure:
    """Static pressure at one elevation, with its uncertainty [Pa] and why it is missing."""

    value: Floats
    u: Uncertainty
    reason: Reasons


def static_pressure(surface: SurfaceState, density: Floats, elevation: float) -> StaticPressure:
    """Pressure a gauge would read with nothing flowing.

    Parameters
    ----------
    surface : SurfaceState
        Of its source.
    density : ndarray of float64, shape (n_intervals,)
        [kg/m³].
    elevation : float
        Station elevation at which the gauge reads [m].

    Returns
    -------
    StaticPressure

    Notes
    -----
    p = p_surface + rho g (z_surface - z_gauge). Density counts as known.
    """
    weight = density * G
    value = surface.pressure + weight * (surface.elevation - elevation)
    by_height = Uncertainty(
        weight * surface.elevation_u.systematic, weight * surface.elevation_u.random
    )
    reason = surface.reason.copy()
    reason[(reason == KNOWN) & ~np.isfinite(value)] = NO_DENSITY
    value = np.where(reason == KNOWN, value, np.nan)
    return StaticPressure(value=value, u=combine(surface.pressure_u, by_height), reason=reason)


def surface_state(
    source: SuctionSource,
    tags: Mapping[str, Tag],
    view: GridView,
    draw: Draw | None,
    atmosphere: float,
) -> SurfaceState:
    """Tell what a source is like in every interval.

    Parameters
    ----------
    source : SuctionSource
        The source.
    tags : mapping of str to Tag
        For instrument accuracy.
    view : GridView
        Measurements of the span.
    draw : Draw or None
        What is taken from it; only a well needs it.
    atmosphere : float
        Atmospheric pressure [Pa].

    Returns
    -------
    SurfaceState
    """
    return _KINDS[source.kind](source, tags, view, draw, atmosphere)


def reading_u(tag: Tag | None, value: Floats) -> Uncertainty:
    """Standard uncertainty of a tag's readings, by its stated accuracy; none without a tag."""
    if tag is None:
        return Uncertainty(np.zeros_like(value), np.zeros_like(value))
    return Uncertainty(tag.accuracy.systematic_u(value), tag.accuracy.random_u(value))


def _nothing(n: int) -> Uncertainty:
    return Uncertainty(np.zeros(n), np.zeros(n))


def _reasons(*cases: tuple[npt.NDArray[np.bool_] | np.bool_, str]) -> Reasons:
    """Give the first reason that holds in each interval."""
    masks, words = zip(*cases, strict=True)
    return np.select(list(masks), list(words), default=KNOWN).astype(object)


def _height(
    tag: str | None, zero: float, zero_u: float, tags: Mapping[str, Tag], view: GridView
) -> tuple[Floats, Uncertainty]:
    level = view.value(tag)
    u = reading_u(tags.get(tag or ""), level)
    return zero + level, Uncertainty(np.hypot(u.systematic, zero_u), u.random)


def _open(
    source: SuctionSource,
    tags: Mapping[str, Tag],
    view: GridView,
    draw: Draw | None,
    atmosphere: float,
) -> SurfaceState:
    n = len(view)
    elevation, u = _height(
        source.level_tag, source.level_zero_elevation, source.level_zero_u, tags, view
    )
    return SurfaceState(
        pressure=np.zeros(n),
        elevation=elevation,
        pressure_u=_nothing(n),
        elevation_u=u,
        reason=_reasons((~np.isfinite(elevation), NO_LEVEL)),
    )


def _main(
    source: SuctionSource,
    tags: Mapping[str, Tag],
    view: GridView,
    draw: Draw | None,
    atmosphere: float,
) -> SurfaceState:
    n = len(view)
    upstream = view.value(source.pressure_tag)
    return SurfaceState(
        pressure=upstream,
        elevation=np.full(n, source.pressure_elevation),
        pressure_u=reading_u(tags.get(source.pressure_tag or ""), upstream),
        elevation_u=Uncertainty(np.full(n, source.pressure_elevation_u), np.zeros(n)),
        reason=_reasons((~np.isfinite(upstream), NO_PRESSURE)),
    )


def _vessel(
    source: SuctionSource,
    tags: Mapping[str, Tag],
    view: GridView,
    draw: Draw | None,
    atmosphere: float,
) -> SurfaceState:
    elevation, elevation_u = _height(
        source.level_tag, source.level_zero_elevation, source.level_zero_u, tags, view
    )
    pressure = view.value(source.pressure_tag)
    pressure_u = reading_u(tags.get(source.pressure_tag or ""), pressure)
    if source.kind == "deaerator":
        # At saturation the temperature tells the pressure where no gauge does.
        boiling, boiling_u = _boiling_pressure(source, tags, view)
        read = np.isfinite(pressure)
        pressure = np.where(read, pressure, boiling - atmosphere)
        pressure_u = Uncertainty(
            np.where(read, pressure_u.systematic, boiling_u.systematic),
            np.where(read, pressure_u.random, boiling_u.random),
        )
    return SurfaceState(
        pressure=pressure,
        elevation=elevation,
        pressure_u=pressure_u,
        elevation_u=elevation_u,
        reason=_reasons((~np.isfinite(elevation), NO_LEVEL), (~np.isfinite(pressure), NO_PRESSURE)),
    )


def _boiling_pressure(
    source: SuctionSource, tags: Mapping[str, Tag], view: GridView
) -> tuple[Floats, Uncertainty]:
    temperature = source_temperature(source, view)
    pressure = np.asarray(water_vapour_pressure(temperature))
    slope = np.asarray(
        water_vapour_pressure(temperature + 0.05) - water_vapour_pressure(temperature - 0.05)
    )
    u = reading_u(tags.get(source.temperature_tag or ""), temperature)
    return pressure, Uncertainty(10.0 * slope * u.systematic, 10.0 * slope * u.random)


def _switched(
    source: SuctionSource,
    tags: Mapping[str, Tag],
    view: GridView,
    draw: Draw | None,
    atmosphere: float,
) -> SurfaceState:
    """Take the level of the one tank whose valve is open throughout the interval."""
    n = len(view)
    share = np.stack([view.value(tank.valve_tag) for tank in source.tanks])
    with np.errstate(invalid="ignore"):
        is_open, is_shut = share >= WHOLLY_ON, share <= WHOLLY_OFF
    unknown = ~np.isfinite(share).all(axis=0)
    moving = ~(is_open | is_shut).all(axis=0)
    count = is_open.sum(axis=0)
    feeding = np.argmax(is_open, axis=0)
    heights = [
        _height(tank.level_tag, tank.level_zero_elevation, tank.level_zero_u, tags, view)
        for tank in source.tanks
    ]

    def of_feeding(rows: list[Floats]) -> Floats:
        return np.stack(rows)[feeding, np.arange(n)]

    elevation = of_feeding([height for height, _ in heights])
    reason = _reasons(
        (unknown, VALVE_UNKNOWN),
        (moving, TANKS_SWITCHED),
        (count == 0, NO_TANK_OPEN),
        (count > 1, SEVERAL_TANKS_OPEN),
        (~np.isfinite(elevation), NO_LEVEL),
    )
    return SurfaceState(
        pressure=np.zeros(n),
        elevation=np.where(reason == KNOWN, elevation, np.nan),
        pressure_u=_nothing(n),
        elevation_u=Uncertainty(
            of_feeding([u.systematic for _, u in heights]),
            of_feeding([u.random for _, u in heights]),
        ),
        reason=reason,
    )


def _well(
    source: SuctionSource,
    tags: Mapping[str, Tag],
    view: GridView,
    draw: Draw | None,
    atmosphere: float,
) -> SurfaceState:
    """Take the static level less the drawdown, where the well has settled."""
    n = len(view)
    if draw is None or source.drawdown is None:
        raise AssertionError("a well is read with its drawdown and what is drawn from it")
    if source.static_level is None:
        static, static_u = _height(
            source.level_tag, source.level_zero_elevation, source.level_zero_u, tags, view
        )
    else:
        static = np.full(n, source.static_level)
        static_u = Uncertainty(np.full(n, source.static_level_u), np.zeros(n))
    by_flow = source.drawdown
    fall = np.asarray(drawdown(draw.flow, by_flow.aquifer_loss, by_flow.well_loss))
    fall_u = drawdown_uncertainty(
        draw.flow,
        by_flow.aquifer_loss,
        by_flow.well_loss,
        draw.flow_u,
        by_flow.aquifer_loss_u,
        by_flow.well_loss_u,
    )
    reason = _reasons(
        (~np.isfinite(static), NO_LEVEL),
        (is_settling(draw.states, math.ceil(by_flow.settling_time / view.grid)), WELL_SETTLING),
        (~np.isfinite(fall), WELL_FLOW_UNKNOWN),
    )
    return SurfaceState(
        pressure=np.zeros(n),
        elevation=np.where(reason == KNOWN, static - fall, np.nan),
        pressure_u=_nothing(n),
        elevation_u=combine(static_u, fall_u),
        reason=reason,
    )


def is_settling(states: Sequence[np.ndarray], intervals: int) -> Mask:
    """Mark intervals too short after the last start or stop of any pump.

    Parameters
    ----------
    states : sequence of ndarray of object, shape (n_intervals,)
        State of each pump (see ``pump_frames.STATES``).
    intervals : int
        How many intervals after a change count as settling.

    Returns
    -------
    ndarray of bool
        True while settling. What ran before the first interval is not known: a span begins as
        if everything had just changed.
    """
    n = len(states[0]) if states else 0
    place = np.arange(n)
    # Place from which the time since the last change is counted.
    since = np.where(place == 0, 0, -n - intervals - 1)
    within = np.zeros(n, dtype=bool)
    for state in states:
        other = np.zeros(n, dtype=bool)
        other[1:] = state[1:] != state[:-1]
        since = np.where(other, place, since)
        # Within such an interval the change may come as late as its end.
        mixed = (state != "running") & (state != "standing")
        within |= mixed
        since = np.where(mixed, np.maximum(since, place + 1), since)
    last = np.maximum.accumulate(since) if n else since
    return within | (place - last < intervals)


_Read = Callable[[SuctionSource, Mapping[str, Tag], GridView, Draw | None, float], SurfaceState]

_KINDS: dict[str, _Read] = {
    "open_tank": _open,
    "wet_well": _open,
    "switched_tanks": _switched,
    "pressurised_main": _main,
    "pressurised_vessel": _vessel,
    "deaerator": _vessel,
    "well": _well,
}
