"""Whether everything the plant file points at is there, and is of the right kind."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Any

from pipeline.errors import Fault
from pipeline.plant.machines import Pump
from pipeline.plant.station import Plant
from pipeline.plant.suction_side import SuctionLine, SuctionSource
from pipeline.plant.validity import BEGINNING
from pipeline.plant.wording import a_or_an, did_you_mean

_MOST_NAMES = 8

_ROLES = {
    "flow_tag": "flow",
    "suction_pressure_tag": "suction_pressure",
    "discharge_pressure_tag": "discharge_pressure",
    "power_tag": "electrical_power",
    "speed_tag": "speed",
    "running_tag": "running",
}


def check_references(plant: Plant) -> list[Fault]:
    """Find references to missing or unsuitable things.

    Parameters
    ----------
    plant : Plant
        As read.

    Returns
    -------
    list of Fault
        Empty if all is well.
    """
    return [
        *_versions(plant),
        *_sources(plant),
        *_lines(plant),
        *_pumps(plant),
        *_meters(plant),
        *_dates(plant),
    ]


def _wanted(kind: str, known: Collection[str]) -> str:
    """Say what is wanted, with the names there are if they are few."""
    names = ", ".join(sorted(known)) if 0 < len(known) <= _MOST_NAMES else ""
    return f"{kind} of this file" + (f" ({names})" if names else "")


def _near(name: str, known: Iterable[str]) -> str:
    return did_you_mean(name, tuple(known)) or "Add it, or correct the name."


def _tag_fault(plant: Plant, where: str, name: str | None, *quantities: str) -> Iterator[Fault]:
    if name is None:
        return
    if name not in plant.tags:
        yield Fault(where, f"tag '{name}'", _wanted("a tag", plant.tags), _near(name, plant.tags))
        return
    for tag in plant.tags[name]:
        # An unknown quantity has been reported already.
        if tag.quantity and tag.quantity not in quantities:
            wanted = a_or_an(" or ".join(quantities))
            found = f"tag '{name}', which measures {tag.quantity.replace('_', ' ')}"
            yield Fault(where, found, f"{wanted} tag")


def _versions(plant: Plant) -> Iterator[Fault]:
    groups: dict[str, dict[str, tuple[Any, ...]]] = {
        "tags": plant.tags,
        "suction_sources": plant.sources,
        "suction_lines": plant.lines,
        "pumps": plant.pumps,
        "flow_meters": plant.flow_meters,
    }
    for kind, group in groups.items():
        for name, versions in group.items():
            dates = [v.valid_from for v in versions]
            if len(set(dates)) < len(dates):
                yield Fault(
                    f"{kind} '{name}'",
                    "two entries valid from the same date",
                    "a different valid_from in each",
                    "Date the newer one, or give it another name.",
                )


def _sources(plant: Plant) -> Iterator[Fault]:
    for name, versions in plant.sources.items():
        for source in versions:
            where = f"suction_sources '{name}'"
            yield from _tag_fault(plant, f"{where}, level_tag", source.level_tag or None, "level")
            yield from _tag_fault(
                plant,
                f"{where}, pressure_tag",
                source.pressure_tag or None,
                "pressure",
                "suction_pressure",
            )
            yield from _tag_fault(
                plant, f"{where}, temperature_tag", source.temperature_tag, "temperature"
            )
            for tank in source.tanks:
                place = f"{where}, tanks '{tank.id}'"
                yield from _tag_fault(plant, f"{place}, level_tag", tank.level_tag or None, "level")
                yield from _tag_fault(
                    plant, f"{place}, valve_tag", tank.valve_tag or None, "valve_open"
                )
            if source.kind == "deaerator":
                yield from _not_water(plant, where)
    for number, liquid in enumerate(plant.liquids, start=1):
        where = f"liquid number {number}, temperature_tag"
        yield from _tag_fault(plant, where, liquid.temperature_tag, "temperature")


def _not_water(plant: Plant, where: str) -> Iterator[Fault]:
    for liquid in plant.liquids:
        if liquid.name != "water":
            yield Fault(
                f"{where}, kind",
                f"a deaerator, with the liquid '{liquid.name}'",
                "water, whose saturation is known",
                "Declare it as a pressurised_vessel.",
            )


def _lines(plant: Plant) -> Iterator[Fault]:
    for name, versions in plant.lines.items():
        for line in versions:
            where = f"suction_lines '{name}'"
            if line.source not in plant.sources:
                yield Fault(
                    f"{where}, source",
                    f"'{line.source}'",
                    _wanted("a suction source", plant.sources),
                    _near(line.source, plant.sources),
                )
            downstream: set[str] | None = None
            for segment in line.header:
                place = f"{where}, header '{segment.id}'"
                if not segment.carries:
                    yield Fault(place, "no pump in carries", "the pumps downstream of it")
                if downstream is not None and not set(segment.carries) <= downstream:
                    yield Fault(
                        place,
                        "pumps " + ", ".join(sorted(set(segment.carries) - downstream)),
                        "only pumps that the segment before it carries too",
                        "List header segments in order from the source.",
                    )
                downstream = set(segment.carries)
            for segment in (*line.header, *line.branches.values()):
                place = f"{where}, '{segment.id}'"
                yield from _tag_fault(plant, f"{place}, flow_tag", segment.flow_tag, "flow")
                yield from _tag_fault(
                    plant, f"{place}, strainer_tag", segment.strainer_tag, "pressure_loss"
                )
                for tag, _ in segment.side_streams:
                    yield from _tag_fault(plant, f"{place}, side_streams", tag, "flow")
                for pump in segment.carries:
                    if plant.pumps and pump not in plant.pumps:
                        yield Fault(
                            place,
                            f"pump '{pump}'",
                            _wanted("a pump", plant.pumps),
                            _near(pump, plant.pumps),
                        )


def _pumps(plant: Plant) -> Iterator[Fault]:
    for name, versions in plant.pumps.items():
        for pump in versions:
            where = f"pumps '{name}'"
            if pump.suction_line not in plant.lines:
                yield Fault(
                    f"{where}, suction_line",
                    f"'{pump.suction_line}'",
                    _wanted("a suction line", plant.lines),
                    _near(pump.suction_line, plant.lines),
                )
            elif not any(name in line.branches for line in plant.lines[pump.suction_line]):
                yield Fault(
                    f"{where}, suction_line",
                    f"line '{pump.suction_line}' without a branch to it",
                    "a [[suction_lines.branches]] with this pump",
                    "Add it, even if its pipe is unknown.",
                )
            yield from _suction_tap(plant, pump, where)
            for role, quantity in _ROLES.items():
                yield from _tag_fault(plant, f"{where}, {role}", getattr(pump, role), quantity)
            if pump.running_tag is None and pump.running_power is None and pump.power_tag is None:
                yield Fault(
                    where,
                    "no running_tag and no power_tag",
                    "something that tells whether the pump runs",
                )
            metered = any(name in m.serves for v in plant.flow_meters.values() for m in v)
            if pump.flow_tag is None and not metered:
                yield Fault(
                    where,
                    "no flow",
                    "a flow_tag, or a [[flow_meters]] that serves it",
                    "Without flow there is no efficiency.",
                )


def _suction_tap(plant: Plant, pump: Pump, where: str) -> Iterator[Fault]:
    """What a pump's suction tap must say, given the line it draws from."""
    lines = plant.lines.get(pump.suction_line, ())
    branches = [line.branches[pump.id] for line in lines if pump.id in line.branches]
    if any(branch.strainer_tag for branch in branches):
        position = pump.suction_tap.position
        if "position" in pump.suction_tap.unstated or position == "other":
            yield Fault(
                f"{where}, suction_tap, position",
                "nothing" if position != "other" else "'other'",
                "before_strainer, after_strainer or at_flange, as its branch has a strainer_tag",
                "Say on which side the tap is: the strainer's loss counts once.",
            )
    kinds = {v.kind for line in lines for v in plant.sources.get(line.source, ())}
    if kinds == {"wet_well"} and pump.suction_pressure_tag is not None:
        yield Fault(
            f"{where}, suction_pressure_tag",
            f"a suction gauge on a pump that hangs in wet well '{lines[0].source}'",
            "none",
            "Where a suction pipe leads to the pump, the source is an open_tank.",
        )


def _meters(plant: Plant) -> Iterator[Fault]:
    for name, versions in plant.flow_meters.items():
        for meter in versions:
            where = f"flow_meters '{name}'"
            yield from _tag_fault(plant, f"{where}, tag", meter.tag, "flow", "flow_total")
            for pump in meter.serves:
                if plant.pumps and pump not in plant.pumps:
                    yield Fault(
                        f"{where}, serves",
                        f"pump '{pump}'",
                        _wanted("a pump", plant.pumps),
                        _near(pump, plant.pumps),
                    )


def _dates(plant: Plant) -> Iterator[Fault]:
    """Find pumps that are older than the line, or lines older than the source, they need."""
    for pumps in plant.pumps.values():
        for pump in pumps:
            lines = plant.lines.get(pump.suction_line, ())
            yield from _too_young("pumps", pump, "suction line", pump.suction_line, lines)
    for lines in plant.lines.values():
        for line in lines:
            sources = plant.sources.get(line.source, ())
            yield from _too_young("suction_lines", line, "suction source", line.source, sources)


def _too_young(
    kind: str,
    item: Pump | SuctionLine,
    wanted: str,
    name: str,
    versions: Sequence[SuctionLine] | Sequence[SuctionSource],
) -> Iterator[Fault]:
    if versions and versions[0].valid_from > item.valid_from:
        since = "the beginning"
        if item.valid_from > BEGINNING:
            since = f"{item.valid_from:%Y-%m-%d}"
        yield Fault(
            f"{kind} '{item.id}'",
            f"{wanted} '{name}', valid only from {versions[0].valid_from:%Y-%m-%d}",
            f"one that is there from {since} on",
            "Leave valid_from out of the first entry, unless it was built then.",
        )
