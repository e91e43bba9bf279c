"""Read liquid and suction lines from the plant file."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from pipeline.plant.fields import Section
from pipeline.plant.suction_side import (
    Fitting,
    Liquid,
    Pipe,
    Segment,
    SuctionLine,
)
from pipeline.plant.wording import shown


def read_liquid(s: Section, zone: ZoneInfo) -> Liquid:
    """Read a ``[liquid]`` table."""
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
    is_water = name == "water"
    if is_water and not s.has("temperature") and not s.has("temperature_tag"):
        s.fault("temperature", "nothing", "a temperature or a temperature_tag for water")
    if not is_water and not s.has("density"):
        s.fault("density", "nothing", f"the density of {shown(name)}", "Add it, like '0.84 g/cm3'.")
    s.done()
    return liquid


def read_line(s: Section, zone: ZoneInfo) -> SuctionLine:
    """Read one ``[[suction_lines]]`` table."""
    header: list[Segment] = []
    for part in s.sections("header"):
        segment = _segment(part, part.words("carries"), part.text("id"))
        if segment.id and segment.id in {other.id for other in header}:
            part.fault("id", f"a second segment {shown(segment.id)}", "a name of its own")
        header.append(segment)
    branches: dict[str, Segment] = {}
    for part in s.sections("branches", "pump"):
        pump = part.text("pump")
        if pump in branches:
            part.fault("pump", f"a second branch to {shown(pump)}", "one branch per pump")
        branches[pump] = _segment(part, (pump,), f"{pump} branch")
    line = SuctionLine(
        id=s.text("id"),
        source=s.text("source"),
        header=tuple(header),
        branches=branches,
        exponent=s.number("exponent", None, low=1.5, high=2.2),
        valid_from=s.valid_from(zone),
    )
    s.done()
    return line


def _segment(s: Section, carries: tuple[str, ...], name: str) -> Segment:
    if len(set(carries)) < len(carries):
        s.fault("carries", ", ".join(carries), "each pump once")
    pipe, fittings = read_pipe_and_fittings(s)
    strainer_tag = s.text("strainer_tag", None)
    drawn = [f.name for f in fittings if "strainer" in f.name.casefold()]
    if strainer_tag is not None and drawn:
        s.fault(
            "fittings",
            f"{shown(drawn[0])} beside a strainer_tag",
            "the strainer's loss once",
            "Remove the fitting: its loss is measured.",
        )
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
        strainer_tag=strainer_tag,
    )
    s.done()
    return segment


def read_pipe_and_fittings(s: Section) -> tuple[Pipe | None, tuple[Fitting, ...]]:
    """Read ``pipe`` and ``fittings`` of a segment of the suction line or of a column."""
    pipe = _pipe(s.section("pipe"))
    fittings = tuple(_fitting(part) for part in s.sections("fittings", "name"))
    if fittings and not s.has("pipe"):
        s.fault("fittings", "fittings without a pipe", "the pipe whose velocity K refers to")
    return pipe, fittings


def _pipe(s: Section | None) -> Pipe | None:
    if s is None:
        return None
    diameter = s.measure("diameter", "diameter", required=True, low=0.005, high=10.0)
    length = s.measure("length", "length", required=True, low=0.0, high=1e6)
    roughness = s.measure("roughness", "roughness", 4.5e-5, low=0.0, high=0.05)
    s.done()
    if diameter is None or length is None:
        return None
    return Pipe(diameter=diameter, length=length, roughness=roughness or 0.0)


def _fitting(s: Section) -> Fitting:
    fitting = Fitting(
        name=s.text("name"),
        k=s.number("k", required=True, low=0.0, high=1e4) or 0.0,
        count=s.whole("count", 1, low=1, high=1000) or 1,
        source=s.text("source", ""),
    )
    s.done()
    return fitting
