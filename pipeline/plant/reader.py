"""Read and validate a plant file.

All faults are reported at once, in the user's words. Sections are read in the order of the
file format; what refers to something else (a pump to its suction line, a line to its source,
anything to a tag) is checked at the end, when all names are known.
"""

from __future__ import annotations

import csv
import tomllib
from pathlib import Path
from typing import Any, TypeVar, cast
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.errors import Fault, PlantFileError, UnitError
from pipeline.plant.fields import Section, tag_conversion
from pipeline.plant.instruments import read_accuracy
from pipeline.plant.references import check_references
from pipeline.plant.types import (
    CurvePoint,
    Driver,
    ExportFormat,
    Fitting,
    FlowMeter,
    Liquid,
    Pipe,
    Plant,
    Pump,
    Segment,
    Station,
    SuctionLine,
    SuctionSource,
    Tag,
    Tap,
    Tariff,
)
from pipeline.quantities import QUANTITIES, parse_measure

PLANT_FORMAT = 1
_MEASURABLE = tuple(name for name, entry in QUANTITIES.items() if entry.measurable)
_COMING_SOURCES = ("switched_tanks", "pressurised_vessel", "deaerator", "well", "wet_well")

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
    text = _text_of(path)
    try:
        content = tomllib.loads(text.decode("utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        fault = Fault(str(path), str(error), "a TOML file in UTF-8", "Correct that place.")
        raise PlantFileError(f"The plant file {path.name} cannot be read.", [fault]) from None
    faults: list[Fault] = []
    plant = _read(content, path, text, faults)
    if plant is not None:
        faults.extend(check_references(plant))
    if faults or plant is None:
        raise PlantFileError(f"The plant file {path.name} has {len(faults)} fault(s).", faults)
    return plant


def _text_of(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        fault = Fault(
            str(path), error.strerror or "an error", "a readable plant file", "Check the path."
        )
        raise PlantFileError("There is no plant file to read.", [fault]) from None


def _read(content: dict[str, Any], path: Path, text: bytes, faults: list[Fault]) -> Plant | None:
    top = Section(content, "", faults)
    version = top.number("plant_format", required=True)
    if version is not None and version != PLANT_FORMAT:
        top.fault("plant_format", f"{version:g}", str(PLANT_FORMAT), "Use a matching gaugeless.")
        return None
    station_section = top.section("station")
    if station_section is None:
        top.fault("station", "no [station] table", "one with name and time_zone")
        return None
    station, zone = _station(station_section)
    extra = bytearray(text)
    tags = _versions(_tag(s, zone) for s in top.sections("tags", "name"))
    plant = Plant(
        path=path,
        data_folder=_inside_or_absolute(path, top.text("data_folder", "gaugeless_data")),
        station=station,
        exports=tuple(_export(s) for s in top.sections("exports", "path")),
        tags=tags,
        sources=_versions(_source(s, zone) for s in top.sections("suction_sources")),
        lines=_versions(_line(s, zone) for s in top.sections("suction_lines")),
        pumps=_versions(_pump(s, zone, path, extra) for s in top.sections("pumps")),
        flow_meters=_versions(_meter(s, zone) for s in top.sections("flow_meters")),
        liquids=tuple(_liquid(s, zone) for s in _one_or_many(top, "liquid")),
        tariffs=tuple(_tariff(s, zone) for s in _one_or_many(top, "tariff")),
        survey=top.text("survey", None),
        events=top.text("events", None),
        text=bytes(extra),
    )
    if not plant.exports:
        top.fault("exports", "no [[exports]] table", "at least one, with the path of the files")
    if not plant.pumps:
        top.fault("pumps", "no [[pumps]] table", "at least one pump")
    top.done()
    return plant


def _inside_or_absolute(path: Path, folder: str) -> Path:
    return (path.parent / folder).resolve()


def _one_or_many(top: Section, key: str) -> list[Section]:
    """Read ``[liquid]`` or several dated ``[[liquid]]``."""
    if isinstance(top._content.get(key), list):
        return list(top.sections(key))
    one = top.section(key)
    return [one] if one is not None else []


def _versions(items: Any) -> dict[str, tuple[Any, ...]]:
    found: dict[str, list[Any]] = {}
    for item in items:
        found.setdefault(item.name if isinstance(item, Tag) else item.id, []).append(item)
    return {
        name: tuple(sorted(versions, key=lambda v: cast(pd.Timestamp, v.valid_from)))
        for name, versions in found.items()
    }


def _station(s: Section) -> tuple[Station, ZoneInfo]:
    name = s.text("name")
    zone_name = s.text("time_zone")
    try:
        zone = ZoneInfo(zone_name or "UTC")
    except (OSError, ValueError, KeyError):
        s.fault("time_zone", f"'{zone_name}'", "an IANA name such as 'Europe/Lisbon'")
        zone = ZoneInfo("UTC")
    grid = s.measure("grid", "duration", 300.0, low=60.0, high=3600.0) or 300.0
    if 3600.0 % grid:
        s.fault("grid", f"{grid:g} s", "a duration that divides one hour, such as '5 min'")
    station = Station(
        name=name,
        time_zone=zone_name,
        altitude=s.measure("altitude", "altitude", 0.0, low=-500.0, high=6000.0) or 0.0,
        display=cast(Any, s.choice("display_units", ("SI", "US"), "SI")),
        grid=grid,
    )
    s.done()
    return station, zone


def _tag(s: Section, zone: ZoneInfo) -> Tag:
    name = s.text("name")
    quantity = s.choice("quantity", _MEASURABLE)
    unit = s.text("unit", "1") if quantity in ("running", "valve_open") else s.text("unit")
    scale, offset, reference = tag_conversion(s, quantity, unit) if unit else (1.0, 0.0, None)
    declared = s.choice("reference", ("gauge", "absolute"), "gauge") if s.has("reference") else None
    is_pressure = QUANTITIES[quantity].dimension == "pressure" and quantity != "pressure_loss"
    if declared and not is_pressure:
        s.fault("reference", f"'{declared}' on {quantity}", "no reference", "Remove it.")
    if declared and reference and declared != reference:
        s.fault(
            "reference",
            f"'{declared}' with unit '{unit}'",
            f"'{reference}', which that unit says",
            "Correct one of them.",
        )
    if is_pressure and not (declared or reference):
        s.fault(
            "reference",
            "nothing",
            "'gauge' or 'absolute', here or in the unit (such as barg, psia)",
            "Look at the gauge's plate; never guess.",
        )
    low, high = _range(s, quantity, unit)
    tag = Tag(
        name=name,
        quantity=quantity,
        unit=unit,
        scale=scale,
        offset=offset,
        reference=cast(Any, (declared or reference) if is_pressure else None),
        interpolation=cast(
            Any,
            s.choice(
                "interpolation",
                ("linear", "step"),
                "step" if quantity in ("running", "valve_open") else "linear",
            ),
        ),
        max_gap=s.measure("max_gap", "duration", 1800.0, low=1.0, high=86400.0) or 1800.0,
        low=low,
        high=high,
        accuracy=read_accuracy(s.section("accuracy"), quantity, unit, low, high),
        measures=cast(
            Any, s.choice("measures", ("rate", "running_total", "interval_total"), "rate")
        ),
        valid_from=s.valid_from(zone),
    )
    s.done()
    return tag


def _range(s: Section, quantity: str, unit: str) -> tuple[float, float]:
    """Read ``range = ["0 m", "6 m"]``; bare numbers are in the tag's own unit."""
    texts = s.words("range")
    if not texts:
        return float("-inf"), float("inf")
    if len(texts) != 2:
        s.fault("range", f"{len(texts)} value(s)", "two: the lowest and the highest reading")
        return float("-inf"), float("inf")
    values = []
    for text in texts:
        whole = text if any(c.isalpha() or c == "%" for c in text) else f"{text} {unit}"
        try:
            values.append(parse_measure(whole, quantity)[0])
        except UnitError as error:
            s.faults.extend(
                Fault(f"{s.where}, range", f.found, f.expected, f.remedy) for f in error.faults
            )
            return float("-inf"), float("inf")
    low, high = min(values), max(values)
    if low == high:
        s.fault("range", f"{texts[0]} and {texts[1]}", "two different readings")
    return low, high


def _export(s: Section) -> ExportFormat:
    layout = s.choice("layout", ("long", "wide"), "long")
    status = s.section("status_words")
    if status is not None:
        words = {k: status.words(k) for k in ("good", "uncertain", "bad")}
        status.done()
    else:
        words = {"good": (), "uncertain": (), "bad": ()}
    found = ExportFormat(
        pattern=s.text("path"),
        layout=cast(Any, layout),
        time_column=s.text("time_column", "time"),
        tag_column=s.text("tag_column", "tag") if layout == "long" else None,
        value_column=s.text("value_column", "value") if layout == "long" else None,
        status_column=s.text("status_column", None),
        time_zone=s.text("time_zone", None),
        time_format=s.text("time_format", "iso"),
        delimiter=s.text("delimiter", None) if s._content.get("delimiter") != "\t" else "\t",
        decimal=s.choice("decimal", (".", ","), "."),
        thousands=s.text("thousands", None) if s._content.get("thousands") != " " else " ",
        encoding=s.text("encoding", None),
        skip_rows=int(s.number("skip_rows", 0.0, low=0, high=1000) or 0),
        unit_row=s.flag("unit_row", False),
        comment=s.text("comment", None),
        good=words["good"],
        uncertain=words["uncertain"],
        bad=words["bad"],
    )
    s._asked.update(("delimiter", "thousands"))
    if found.time_zone is not None:
        try:
            ZoneInfo(found.time_zone)
        except (OSError, ValueError, KeyError):
            s.fault("time_zone", f"'{found.time_zone}'", "an IANA name such as 'Europe/Lisbon'")
    s.done()
    return found


def _source(s: Section, zone: ZoneInfo) -> SuctionSource:
    kind = s._content.get("kind")
    if kind in _COMING_SOURCES:
        s.text("kind")
        s.fault(
            "kind",
            f"'{kind}', which this version cannot compute yet",
            "open_tank or pressurised_main",
            "Leave its pumps out until then: a wrong source gives wrong suction pressures.",
        )
        kind = "open_tank"
    else:
        kind = s.choice("kind", ("open_tank", "pressurised_main"))
    tank = kind == "open_tank"
    source = SuctionSource(
        id=s.text("id"),
        kind=cast(Any, kind),
        level_tag=s.text("level_tag") if tank else None,
        level_zero_elevation=(
            s.measure("level_zero_elevation", "elevation", required=True) if tank else 0.0
        )
        or 0.0,
        level_zero_u=(s.measure("level_zero_u", "elevation", 0.0, low=0.0) if tank else 0.0) or 0.0,
        pressure_tag=None if tank else s.text("pressure_tag"),
        pressure_elevation=(
            0.0 if tank else s.measure("pressure_elevation", "elevation", required=True)
        )
        or 0.0,
        valid_from=s.valid_from(zone),
    )
    s.done()
    return source


def _pipe_and_fittings(s: Section) -> tuple[Pipe | None, tuple[Fitting, ...]]:
    pipe_section = s.section("pipe")
    pipe = None
    if pipe_section is not None:
        diameter = pipe_section.measure("diameter", "diameter", required=True, low=0.005, high=10.0)
        length = pipe_section.measure("length", "length", required=True, low=0.0)
        roughness = pipe_section.measure("roughness", "roughness", 4.5e-5, low=0.0, high=0.05)
        pipe_section.done()
        if diameter is not None and length is not None:
            pipe = Pipe(diameter=diameter, length=length, roughness=roughness or 0.0)
    fittings = []
    for part in s.sections("fittings", "name"):
        k = part.number("k", required=True, low=0.0, high=1e4)
        fittings.append(
            Fitting(
                name=part.text("name"),
                k=k or 0.0,
                count=int(part.number("count", 1.0, low=1, high=1000) or 1),
                source=part.text("source", ""),
            )
        )
        part.done()
    if fittings and pipe is None:
        s.fault("fittings", "fittings without a pipe", "the pipe whose velocity K refers to")
    return pipe, tuple(fittings)


def _segment(s: Section, carries: tuple[str, ...], name: str) -> Segment:
    pipe, fittings = _pipe_and_fittings(s)
    streams: list[tuple[str, int]] = []
    for text in s.words("side_streams"):
        sign = -1 if text.startswith("-") else 1
        streams.append((text.lstrip("+-").strip(), sign))
    segment = Segment(
        id=name,
        carries=carries,
        side_streams=tuple(streams),
        flow_tag=s.text("flow_tag", None),
        pipe=pipe,
        fittings=fittings,
        drawing_u=s.number("drawing_u", 0.25, low=0.01, high=2.0) or 0.25,
    )
    s.done()
    return segment


def _line(s: Section, zone: ZoneInfo) -> SuctionLine:
    name = s.text("id")
    header = []
    for part in s.sections("header"):
        header.append(_segment(part, part.words("carries"), part.text("id")))
    branches: dict[str, Segment] = {}
    for part in s.sections("branches", "pump"):
        pump = part.text("pump")
        if pump in branches:
            part.fault("pump", f"a second branch to '{pump}'", "one branch per pump")
        branches[pump] = _segment(part, (pump,), f"{pump} branch")
    line = SuctionLine(
        id=name,
        source=s.text("source"),
        header=tuple(header),
        branches=branches,
        exponent=s.number("exponent", None, low=1.5, high=2.2),
        valid_from=s.valid_from(zone),
    )
    s.done()
    return line


def _tap(s: Section | None, owner: Section, key: str) -> Tap:
    if s is None:
        owner.fault(key, "nothing", f"a table {key} with elevation and diameter")
        return Tap(elevation=0.0, diameter=1.0)
    tap = Tap(
        elevation=s.measure("elevation", "elevation", required=True) or 0.0,
        diameter=s.measure("diameter", "diameter", required=True, low=0.005, high=10.0) or 1.0,
        gauge_elevation=s.measure("gauge_elevation", "elevation", None),
        sensing_line=cast(Any, s.choice("sensing_line", ("filled", "empty"), "filled")),
        position=cast(
            Any,
            s.choice(
                "position", ("at_flange", "before_strainer", "after_strainer", "other"), "at_flange"
            ),
        ),
        elevation_u=s.measure("elevation_u", "elevation", 0.0, low=0.0) or 0.0,
    )
    s.done()
    return tap


def _driver(s: Section | None) -> Driver:
    if s is None:
        return Driver()
    driver = Driver(
        rated_power=s.measure("rated_power", "electrical_power", None, low=1.0),
        rated_efficiency=s.number("rated_efficiency", None, low=0.2, high=1.0),
        poles=int(p) if (p := s.number("poles", None, low=2, high=32)) else None,
        drive_efficiency=s.number("drive_efficiency", 1.0, low=0.2, high=1.0) or 1.0,
        transmission_efficiency=s.number("transmission_efficiency", 1.0, low=0.2, high=1.0) or 1.0,
        power_measured_at=cast(
            Any, s.choice("power_measured_at", ("motor_input", "drive_input"), "motor_input")
        ),
        efficiency_u=s.number("efficiency_u", 0.01, low=0.0, high=0.5) or 0.0,
    )
    s.done()
    return driver


def _pump(s: Section, zone: ZoneInfo, path: Path, extra: bytearray) -> Pump:
    baseline = s.section("baseline")
    begins = ends = None
    curve: tuple[CurvePoint, ...] = ()
    if baseline is not None:
        begins, ends = baseline.moment("from", zone), baseline.moment("to", zone)
        file = baseline.text("curve", None)
        if file is not None:
            curve = _curve(baseline, path.parent / file, extra)
        if begins and ends and begins >= ends:
            baseline.fault("to", str(ends), f"a date after {begins}")
        baseline.done()
    pump = Pump(
        id=s.text("id"),
        suction_line=s.text("suction_line"),
        suction_tap=_tap(s.section("suction_tap"), s, "suction_tap"),
        discharge_tap=_tap(s.section("discharge_tap"), s, "discharge_tap"),
        reference_elevation=s.measure("reference_elevation", "elevation", required=True) or 0.0,
        reference_speed=s.measure("reference_speed", "speed", None, low=0.1, high=1000.0),
        flow_tag=s.text("flow_tag", None),
        suction_pressure_tag=s.text("suction_pressure_tag", None),
        discharge_pressure_tag=s.text("discharge_pressure_tag", None),
        power_tag=s.text("power_tag", None),
        speed_tag=s.text("speed_tag", None),
        running_tag=s.text("running_tag", None),
        running_power=s.measure("running_power", "electrical_power", None, low=0.0),
        driver=_driver(s.section("driver")),
        baseline_curve=curve,
        baseline_from=begins,
        baseline_to=ends,
        valid_from=s.valid_from(zone),
    )
    s.done()
    return pump


def _curve(s: Section, file: Path, extra: bytearray) -> tuple[CurvePoint, ...]:
    """Read a curve: a CSV whose headers name quantity and unit, like ``flow [m3/h]``."""
    root = s.where
    try:
        raw = file.read_bytes()
    except OSError as error:
        s.fault("curve", f"{file.name}: {error.strerror}", "a readable CSV file")
        return ()
    extra.extend(raw)
    rows = list(csv.reader(raw.decode("utf-8-sig", "replace").splitlines()))
    rows = [row for row in rows if row and not row[0].lstrip().startswith("#")]
    wanted = {"flow": "flow", "head": "total_head", "efficiency": "pump_efficiency"}
    columns: dict[str, tuple[int, str, str]] = {}
    for position, header in enumerate(rows[0] if rows else []):
        word, _, unit = header.partition("[")
        if word.strip() in wanted:
            columns[word.strip()] = (position, wanted[word.strip()], unit.rstrip("] "))
    if "flow" not in columns or "head" not in columns:
        s.fault("curve", f"{file.name} without both", "columns 'flow [unit]' and 'head [unit]'")
        return ()
    points = []
    for number, row in enumerate(rows[1:], start=2):
        values = {}
        for word, (position, quantity, unit) in columns.items():
            try:
                values[word] = parse_measure(f"{row[position]} {unit}", quantity)[0]
            except (UnitError, IndexError):
                s.faults.append(
                    Fault(f"{root}, curve {file.name} row {number}", str(row), "a full row")
                )
                return ()
        points.append(CurvePoint(**values))
    if len(points) < 3:
        s.fault("curve", f"{len(points)} point(s) in {file.name}", "at least 3")
    return tuple(sorted(points, key=lambda p: p.flow))


def _meter(s: Section, zone: ZoneInfo) -> FlowMeter:
    meter = FlowMeter(
        id=s.text("id"),
        tag=s.text("tag"),
        serves=s.words("serves"),
        valid_from=s.valid_from(zone),
    )
    if not meter.serves:
        s.fault("serves", "no pump", "the pumps whose flow passes through the meter")
    s.done()
    return meter


def _liquid(s: Section, zone: ZoneInfo) -> Liquid:
    name = s.text("name", "water")
    liquid = Liquid(
        name=name,
        temperature=s.measure("temperature", "temperature", None, low=233.15, high=623.15),
        temperature_tag=s.text("temperature_tag", None),
        density=s.measure("density", "density", None, low=200.0, high=3000.0),
        vapour_pressure=s.measure("vapour_pressure", "vapour_pressure", None, low=0.0),
        viscosity=s.measure("viscosity", "viscosity", None, low=1e-5, high=10.0),
        valid_from=s.valid_from(zone),
    )
    if name == "water" and liquid.temperature is None and liquid.temperature_tag is None:
        s.fault("temperature", "nothing", "a temperature or a temperature_tag for water")
    if name != "water" and liquid.density is None:
        s.fault("density", "nothing", f"the density of '{name}'", "Add it, like '0.84 g/cm3'.")
    s.done()
    return liquid


def _tariff(s: Section, zone: ZoneInfo) -> Tariff:
    price = s.number("energy_price", None, low=0.0)
    tariff = Tariff(
        currency=s.text("currency", "EUR"),
        price=None if price is None else price / 3.6e6,
        valid_from=s.valid_from(zone),
    )
    if not (tariff.currency.isalpha() and tariff.currency.isascii() and len(tariff.currency) == 3):
        s.fault("currency", f"'{tariff.currency}'", "three letters, such as EUR")
    s.done()
    return tariff
