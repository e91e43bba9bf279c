"""Read and validate a plant file.

All faults are reported at once, in the user's words. Sections are read in the order of the
file format; what refers to something else (a pump to its suction line, a line to its source,
anything to a tag) is checked at the end, when all names are known.

An item that changes is written again with the same name and a ``valid_from``. A later version
of a pump or a suction line may be short: what it does not write stays as it was, what it
writes (a table or a list as a whole) replaces what was there, and ``without`` lists keys that
no longer hold. A pump that gets another driver, reference speed or impeller does not keep the
old baseline. Tags, sources and meters are short anyway and are written out in full.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar, cast
from zoneinfo import ZoneInfo

from pipeline.errors import Fault, PlantFileError
from pipeline.plant.fields import Section
from pipeline.plant.files import data_folder, file_beside
from pipeline.plant.machines import FlowMeter, Pump
from pipeline.plant.publication import read_publication
from pipeline.plant.read_pumps import read_meter, read_pump
from pipeline.plant.read_signals import read_export, read_tag
from pipeline.plant.read_sources import read_source
from pipeline.plant.read_suction import read_line, read_liquid
from pipeline.plant.references import check_references
from pipeline.plant.signals import Tag
from pipeline.plant.station import Plant, Station
from pipeline.plant.suction_side import SuctionLine, SuctionSource
from pipeline.plant.tariff import read_tariff

PLANT_FORMAT = 1

_NEW_MACHINE = dict.fromkeys(("driver", "reference_speed", "impeller"), "baseline")

Versioned = TypeVar("Versioned", Tag, SuctionSource, SuctionLine, Pump, FlowMeter)


def read_plant(path: str | Path) -> Plant:
    """Read a plant file.

    Parameters
    ----------
    path : str or Path
        The TOML file.

    Returns
    -------
    Plant

    Raises
    ------
    PlantFileError
        With every fault found: unreadable file, unknown keys, wrong units or values,
        references to things that are not there.
    """
    path = Path(path)
    raw = _bytes_of(path)
    content = _parsed(raw, path)
    faults: list[Fault] = []
    plant = _read(content, path, raw, faults)
    if plant is not None:
        faults.extend(check_references(plant))
    if faults or plant is None:
        faults = list(dict.fromkeys(faults))
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise PlantFileError(f"The plant file {path.name} has {count}.", faults)
    return plant


def _bytes_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except (OSError, ValueError) as error:
        found = (error.strerror if isinstance(error, OSError) else None) or "no usable path"
        fault = Fault(str(path), found, "a readable plant file", "Check the path.")
        raise PlantFileError("There is no plant file to read.", [fault]) from None


def _parsed(raw: bytes, path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(raw.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        fault = Fault(
            f"{path} line {line}",
            f"the byte 0x{raw[error.start]:02x}, which is not UTF-8",
            "a text file in UTF-8",
            "Save it in that encoding.",
        )
    except tomllib.TOMLDecodeError as error:
        fault = Fault(str(path), str(error), "a TOML file", "Correct that place.")
    except (ValueError, RecursionError):
        # Numbers of thousands of digits, brackets thousands deep.
        fault = Fault(str(path), "numbers or brackets beyond all measure", "a TOML file")
    raise PlantFileError(f"The plant file {path.name} cannot be read.", [fault])


def _read(content: dict[str, Any], path: Path, raw: bytes, faults: list[Fault]) -> Plant | None:
    top = Section(content, "", faults)
    version = top.number("plant_format", required=True)
    if version is not None and version != PLANT_FORMAT:
        top.fault("plant_format", f"{version:g}", str(PLANT_FORMAT), "Use a matching gaugeless.")
        return None
    station_section = top.section("station")
    if station_section is None:
        if not top.has("station"):
            top.fault("station", "no [station] table", "one with name and time_zone")
        return None
    station, zone = _station(station_section)
    folder = path.parent
    text = bytearray(raw)
    tags = _by_name(read_tag(s, zone) for s in top.sections("tags", "name"))
    lines = top.versions("suction_lines", zone, {})
    pumps = top.versions("pumps", zone, _NEW_MACHINE)
    plant = Plant(
        path=path,
        data_folder=data_folder(top, "data_folder", folder),
        station=station,
        exports=tuple(read_export(s) for s in top.sections("exports", "path")),
        tags=tags,
        sources=_by_name(read_source(s, zone) for s in top.sections("suction_sources")),
        lines=_by_name(read_line(s, zone) for s in lines),
        pumps=_by_name(read_pump(s, zone, folder, text) for s in pumps),
        flow_meters=_by_name(read_meter(s, zone) for s in top.sections("flow_meters")),
        liquids=tuple(read_liquid(s, zone) for s in _one_or_many(top, "liquid")),
        tariffs=tuple(read_tariff(s, zone) for s in _one_or_many(top, "tariff")),
        survey=file_beside(top, "survey", folder),
        events=file_beside(top, "events", folder),
        acknowledgements=file_beside(top, "acknowledgements", folder),
        text=bytes(text),
        publish=read_publication(top, folder),
    )
    if not top.has("exports"):
        top.fault("exports", "no [[exports]] table", "at least one, with the path of the files")
    if not top.has("pumps"):
        top.fault("pumps", "no [[pumps]] table", "at least one pump")
    if not top.has("liquid"):
        top.fault("liquid", "no [liquid] table", "one with the temperature of the water")
    top.done()
    return plant


def _one_or_many(top: Section, key: str) -> list[Section]:
    """Read ``[liquid]`` or several dated ``[[liquid]]``."""
    if top.is_list(key):
        return list(top.sections(key))
    one = top.section(key)
    return [one] if one is not None else []


def _by_name(items: Iterable[Versioned]) -> dict[str, tuple[Versioned, ...]]:
    found: dict[str, list[Versioned]] = {}
    for item in items:
        found.setdefault(item.name if isinstance(item, Tag) else item.id, []).append(item)
    return {
        name: tuple(sorted(versions, key=lambda v: v.valid_from))
        for name, versions in found.items()
    }


def _station(s: Section) -> tuple[Station, ZoneInfo]:
    name = s.text("name")
    if not s.has("time_zone"):
        s.text("time_zone")
    zone = s.zone("time_zone") or ZoneInfo("UTC")
    grid = s.measure("grid", "duration", 300.0, low=60.0, high=3600.0) or 300.0
    if 3600.0 % grid:
        s.fault("grid", f"{grid:g} s", "a duration that divides one hour, such as '5 min'")
    station = Station(
        name=name,
        time_zone=zone.key,
        altitude=s.measure("altitude", "altitude", 0.0, low=-500.0, high=6000.0) or 0.0,
        display=cast(Any, s.choice("display_units", ("SI", "US"), "SI")),
        grid=grid,
    )
    s.done()
    return station, zone
