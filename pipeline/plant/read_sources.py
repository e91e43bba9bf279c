"""Read suction sources from the plant file.

Each kind has its own keys; a key that belongs to another kind is refused as unknown, with the
keys this kind has.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, cast
from zoneinfo import ZoneInfo

from pipeline.plant.fields import Section
from pipeline.plant.suction_side import Drawdown, SourceKind, SuctionSource, Tank
from pipeline.plant.wording import shown

_LEAST_TANKS = 2
USUAL_DRAWDOWN_U = 0.2
"""Standard uncertainty of a drawdown coefficient from a step test, part of it, where it is not
stated [-]. Common practice, no source: coefficients change with the state of the screen."""
USUAL_SETTLING_TIME = 3600.0
"""Most of the drawdown is there after an hour [s]. Common practice, no source."""


def read_source(s: Section, zone: ZoneInfo) -> SuctionSource:
    """Read one ``[[suction_sources]]`` table."""
    kind = s.one_of("kind", tuple(_READERS))
    shared = {"id": s.text("id"), "valid_from": s.valid_from(zone)}
    if kind is None:
        # What else such a source needs cannot be judged here.
        return SuctionSource(kind="open_tank", **cast(Any, shared))
    source = SuctionSource(kind=cast(SourceKind, kind), **cast(Any, shared), **_READERS[kind](s))
    s.done()
    return source


def _level(s: Section) -> dict[str, Any]:
    return {
        "level_tag": s.text("level_tag"),
        "level_zero_elevation": s.measure("level_zero_elevation", "elevation", required=True)
        or 0.0,
        "level_zero_u": s.measure("level_zero_u", "elevation", 0.0, low=0.0) or 0.0,
    }


def _main(s: Section) -> dict[str, Any]:
    return {
        "pressure_tag": s.text("pressure_tag"),
        "pressure_elevation": s.measure("pressure_elevation", "elevation", required=True) or 0.0,
        "pressure_elevation_u": s.measure("pressure_elevation_u", "elevation", 0.0, low=0.0) or 0.0,
    }


def _vessel(s: Section) -> dict[str, Any]:
    return {
        **_level(s),
        "pressure_tag": s.text("pressure_tag"),
        "temperature_tag": s.text("temperature_tag", None),
    }


def _deaerator(s: Section) -> dict[str, Any]:
    found = {
        **_level(s),
        "pressure_tag": s.text("pressure_tag", None),
        "temperature_tag": s.text("temperature_tag", None),
    }
    if not s.has("pressure_tag") and not s.has("temperature_tag"):
        s.fault(
            "pressure_tag",
            "neither a pressure_tag nor a temperature_tag",
            "the pressure on the water, its temperature, or both",
            "At saturation one gives the other.",
        )
    return found


def _switched(s: Section) -> dict[str, Any]:
    tanks: list[Tank] = []
    for part in s.sections("tanks"):
        tank = Tank(id=part.text("id"), valve_tag=part.text("valve_tag"), **_level(part))
        if tank.id and tank.id in {other.id for other in tanks}:
            part.fault("id", f"a second tank {shown(tank.id)}", "a name of its own")
        if tank.valve_tag and tank.valve_tag in {other.valve_tag for other in tanks}:
            part.fault(
                "valve_tag", f"{shown(tank.valve_tag)} of another tank", "a valve of its own"
            )
        part.done()
        tanks.append(tank)
    if len(tanks) < _LEAST_TANKS and (s.is_list("tanks") or not s.has("tanks")):
        s.fault(
            "tanks",
            f"{len(tanks)} tank(s)",
            "two or more, each with id, level_tag, level_zero_elevation and valve_tag",
            "A line with one tank draws from an open_tank.",
        )
    return {"tanks": tuple(tanks)}


def _well(s: Section) -> dict[str, Any]:
    found: dict[str, Any] = {}
    if s.has("level_tag"):
        found |= _level(s)
        if s.has("static_level"):
            s.measure("static_level", "elevation")
            s.fault(
                "static_level",
                "a static_level beside a level_tag",
                "one of them",
                "Keep the tag if it follows the level that pumping does not draw down.",
            )
    else:
        found["static_level"] = s.measure("static_level", "elevation")
        found["static_level_u"] = s.measure("static_level_u", "elevation", 0.0, low=0.0) or 0.0
        if not s.has("static_level"):
            s.fault(
                "static_level",
                "neither a static_level nor a level_tag",
                "the elevation of the water at rest, or a tag that follows it",
                "Add 'static_level', like '-14.2 m'.",
            )
    found["drawdown"] = _drawdown(s)
    return found


def _drawdown(owner: Section) -> Drawdown:
    s = owner.section("drawdown")
    if s is None:
        if not owner.has("drawdown"):
            owner.fault(
                "drawdown",
                "nothing",
                "a table drawdown with aquifer_loss, well_loss or both",
                "Take B and C of Jacob's equation from the step test of the well.",
            )
        return Drawdown()
    aquifer = s.measure("aquifer_loss", "aquifer_loss", None, low=0.0)
    well = s.measure("well_loss", "well_loss", None, low=0.0)
    if not s.has("aquifer_loss") and not s.has("well_loss"):
        s.fault(
            "aquifer_loss",
            "neither an aquifer_loss nor a well_loss",
            "one of them or both",
            "A well that hardly draws down has '0 s/m2'.",
        )
    found = Drawdown(
        aquifer_loss=aquifer or 0.0,
        aquifer_loss_u=_or_usual(s, "aquifer_loss", aquifer),
        well_loss=well or 0.0,
        well_loss_u=_or_usual(s, "well_loss", well),
        settling_time=_settling_time(s),
        unstated=s.unstated("aquifer_loss_u", "well_loss_u", "settling_time"),
    )
    s.done()
    return found


def _or_usual(s: Section, key: str, value: float | None) -> float:
    stated = s.measure(f"{key}_u", key, None, low=0.0)
    return USUAL_DRAWDOWN_U * (value or 0.0) if stated is None else stated


def _settling_time(s: Section) -> float:
    time = s.measure("settling_time", "duration", USUAL_SETTLING_TIME, low=0.0, high=172800.0)
    return USUAL_SETTLING_TIME if time is None else time


_READERS: dict[str, Callable[[Section], dict[str, Any]]] = {
    "open_tank": _level,
    "switched_tanks": _switched,
    "pressurised_main": _main,
    "pressurised_vessel": _vessel,
    "deaerator": _deaerator,
    "well": _well,
    "wet_well": _level,
}
