"""Read pumps, their taps, drivers and curves, and flow meters from the plant file."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any, cast, get_args
from zoneinfo import ZoneInfo

from pipeline.errors import Fault, UnitError
from pipeline.plant.fields import Section
from pipeline.plant.files import file_beside
from pipeline.plant.machines import (
    Column,
    CurvePoint,
    Driver,
    FlowMeter,
    FlowRegion,
    Maintenance,
    Pump,
    Tap,
    TapPosition,
)
from pipeline.plant.read_suction import read_pipe_and_fittings
from pipeline.plant.wording import shown
from pipeline.quantities import parse_measure

_CURVE_COLUMNS = {
    "flow": "flow",
    "head": "total_head",
    "efficiency": "pump_efficiency",
    "npsh": "npsh_required",
}
_LEAST_CURVE_POINTS = 3
_USUAL_COLUMN_U = 0.25
"""Standard uncertainty of a declared loss, part of it, where it is not stated [-]: as of a
drawing."""


def read_pump(s: Section, zone: ZoneInfo, folder: Path, extra: bytearray) -> Pump:
    """Read one ``[[pumps]]`` table; the content of its curve file is appended to ``extra``."""
    begins = ends = None
    curve: tuple[CurvePoint, ...] = ()
    baseline = s.section("baseline")
    if baseline is not None:
        begins, ends = baseline.moment("from", zone), baseline.moment("to", zone)
        if begins and ends and begins >= ends:
            baseline.fault("to", str(ends), f"a date after {begins}")
        file = file_beside(baseline, "curve", folder)
        if file is not None:
            curve = _curve(baseline, folder / file, extra)
        baseline.done()
    pump = Pump(
        id=s.text("id"),
        suction_line=s.text("suction_line"),
        suction_tap=_tap(s, "suction_tap"),
        discharge_tap=_tap(s, "discharge_tap"),
        reference_elevation=s.measure("reference_elevation", "elevation", required=True) or 0.0,
        reference_speed=s.measure("reference_speed", "speed", None, low=0.1, high=1000.0),
        flow_tag=s.text("flow_tag", None),
        suction_pressure_tag=s.text("suction_pressure_tag", None),
        discharge_pressure_tag=s.text("discharge_pressure_tag", None),
        power_tag=s.text("power_tag", None),
        speed_tag=s.text("speed_tag", None),
        running_tag=s.text("running_tag", None),
        running_power=s.measure("running_power", "electrical_power", None, low=0.0),
        check_valve_leak_free=s.flag("check_valve_leak_free", False),
        driver=_driver(s.section("driver")),
        column=_column(s.section("column")),
        impeller=s.text("impeller", ""),
        baseline_curve=curve,
        baseline_from=begins,
        baseline_to=ends,
        flow_region=_flow_region(s.section("flow_region")),
        maintenance=_maintenance(s.section("maintenance")),
        valid_from=s.valid_from(zone),
    )
    s.done()
    return pump


def _tap(owner: Section, key: str) -> Tap:
    s = owner.section(key)
    if s is None:
        if not owner.has(key):
            owner.fault(
                key,
                "nothing",
                f"a table {key} with elevation and diameter",
                "Add it, even without a gauge: the pipe's diameter gives the velocity head.",
            )
        return Tap(elevation=0.0, diameter=1.0)
    positions = get_args(TapPosition)
    tap = Tap(
        elevation=s.measure("elevation", "elevation", required=True) or 0.0,
        diameter=s.measure("diameter", "diameter", required=True, low=0.005, high=10.0) or 1.0,
        gauge_elevation=s.measure("gauge_elevation", "elevation", None),
        sensing_line=cast(Any, s.choice("sensing_line", ("filled", "empty"), "filled")),
        position=cast(Any, s.choice("position", positions, "at_flange")),
        elevation_u=s.measure("elevation_u", "elevation", 0.0, low=0.0) or 0.0,
        unstated=s.unstated("gauge_elevation", "sensing_line", "position", "elevation_u"),
    )
    s.done()
    return tap


def _driver(s: Section | None) -> Driver:
    if s is None:
        return Driver()
    poles = s.whole("poles", None, low=2, high=32)
    if poles is not None and poles % 2:
        s.fault("poles", str(poles), "an even number of poles")
        poles = None
    driver = Driver(
        rated_power=s.measure("rated_power", "electrical_power", None, low=1.0),
        rated_efficiency=s.number("rated_efficiency", None, low=0.2, high=1.0),
        poles=poles,
        drive_efficiency=s.number("drive_efficiency", 1.0, low=0.2, high=1.0) or 1.0,
        transmission_efficiency=s.number("transmission_efficiency", 1.0, low=0.2, high=1.0) or 1.0,
        power_measured_at=cast(
            Any, s.choice("power_measured_at", ("motor_input", "drive_input"), "motor_input")
        ),
        efficiency_u=_or(s.number("efficiency_u", 0.01, low=0.0, high=0.5), 0.01),
        unstated=s.unstated("drive_efficiency", "power_measured_at", "efficiency_u"),
    )
    s.done()
    return driver


def _column(s: Section | None) -> Column | None:
    """Read a column: as drawn, or its loss at one flow."""
    if s is None:
        return None
    pipe, fittings = read_pipe_and_fittings(s)
    if s.has("pipe") == s.has("loss"):
        found = "both a pipe and a loss" if s.has("pipe") else "neither a pipe nor a loss"
        s.fault("loss", found, "one of them", "Draw the column, or give its loss at one flow.")
    needs_flow = s.has("loss")
    loss = s.measure("loss", "friction_loss", None, low=0.0, high=1000.0)
    column = Column(
        pipe=pipe,
        fittings=fittings,
        drawing_u=s.number("drawing_u", 0.25, low=0.01, high=2.0) or 0.25,
        loss=loss,
        at_flow=s.measure("at_flow", "flow", 1.0, required=needs_flow, low=1e-6, high=100.0) or 1.0,
        loss_u=_or(
            s.measure("loss_u", "friction_loss", None, low=0.0),
            _USUAL_COLUMN_U * (loss or 0.0),
        ),
        unstated=s.unstated("loss_u" if needs_flow else "drawing_u"),
    )
    s.done()
    return column


def _flow_region(s: Section | None) -> FlowRegion:
    if s is None:
        return FlowRegion()
    usual = FlowRegion()
    limits = {
        key: _or(s.number(key, None, low=0.0, high=3.0), getattr(usual, key))
        for key in ("allowable_low", "preferred_low", "preferred_high", "allowable_high")
    }
    ordered = list(limits.values())
    if not (ordered[0] <= ordered[1] < ordered[2] <= ordered[3]):
        s.fault(
            "preferred_low",
            ", ".join(f"{key} {value:g}" for key, value in limits.items()),
            "limits that rise in this order, as parts of the flow at best efficiency",
        )
        return usual
    s.done()
    return FlowRegion(**limits)


def _maintenance(s: Section | None) -> Maintenance:
    if s is None:
        return Maintenance()
    usual = Maintenance()
    found = Maintenance(
        overhaul_cost=s.number("overhaul_cost", None, low=1e-6, high=1e12),
        efficiency_loss_limit=_limit(s, "efficiency_loss_limit", usual.efficiency_loss_limit),
        head_loss_limit=_limit(s, "head_loss_limit", usual.head_loss_limit),
    )
    s.done()
    return found


def _limit(s: Section, key: str, usual: float) -> float:
    return _or(s.measure(key, "fraction", None, low=0.001, high=0.9), usual)


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def read_meter(s: Section, zone: ZoneInfo) -> FlowMeter:
    """Read one ``[[flow_meters]]`` table."""
    meter = FlowMeter(
        id=s.text("id"),
        tag=s.text("tag"),
        serves=s.words("serves"),
        valid_from=s.valid_from(zone),
    )
    if not meter.serves:
        s.fault("serves", "no pump", "the pumps whose flow passes through the meter")
    if len(set(meter.serves)) < len(meter.serves):
        s.fault("serves", ", ".join(meter.serves), "each pump once")
    s.done()
    return meter


def _curve(s: Section, file: Path, extra: bytearray) -> tuple[CurvePoint, ...]:
    """Read a curve: a CSV whose headers name quantity and unit, like ``flow [m3/h]``.

    Lines that start with ``#`` are comments. Faults name the line in the file.
    """
    try:
        raw = file.read_bytes()
        text = raw.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        found = error.strerror if isinstance(error, OSError) else "bytes that are not UTF-8"
        s.fault("curve", f"{file.name}: {found}", "a readable CSV file in UTF-8")
        return ()
    extra.extend(raw)
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    try:
        rows = [
            (number, row)
            for number, line in lines
            for row in csv.reader([line], skipinitialspace=True)
        ]
    except csv.Error as error:
        s.fault("curve", f"{file.name}: {error}", "a CSV file")
        return ()
    columns = _curve_columns(s, file.name, rows[0][1] if rows else [])
    if columns is None:
        return ()
    points = [_curve_point(s, file.name, number, row, columns) for number, row in rows[1:]]
    good = [p for p in points if p is not None]
    if len(points) < _LEAST_CURVE_POINTS:
        s.fault(
            "curve", f"{len(points)} point(s) in {file.name}", f"at least {_LEAST_CURVE_POINTS}"
        )
    elif len({p.flow for p in good}) < len(good):
        s.fault("curve", f"a flow that stands twice in {file.name}", "one head for each flow")
    return tuple(sorted(good, key=lambda p: p.flow))


def _curve_columns(s: Section, name: str, header: list[str]) -> dict[str, tuple[int, str]] | None:
    """Find the position and the unit of each known column."""
    columns: dict[str, tuple[int, str]] = {}
    for position, cell in enumerate(header):
        word, _, unit = cell.partition("[")
        word = word.strip().casefold()
        if word not in _CURVE_COLUMNS or word in columns:
            expected = (
                "columns 'flow [unit]', 'head [unit]' and perhaps 'efficiency [%]' and "
                "'npsh [unit]', once each"
            )
            s.fault("curve", f"{name} with a column {shown(cell)}", expected)
            return None
        columns[word] = (position, unit.strip().rstrip("]").strip())
    if "flow" not in columns or "head" not in columns:
        s.fault("curve", f"{name} without both", "columns 'flow [unit]' and 'head [unit]'")
        return None
    for word, (_, unit) in columns.items():
        try:
            parse_measure(f"0 {unit}", _CURVE_COLUMNS[word])
        except UnitError as error:
            place = f"{s.place('curve')} {name}, column {word}"
            s.faults.extend(
                Fault(place, f.found, f.expected, "Name it in the header, like 'flow [m3/h]'.")
                for f in error.faults
            )
            return None
    return columns


def _curve_point(
    s: Section, name: str, number: int, row: list[str], columns: dict[str, tuple[int, str]]
) -> CurvePoint | None:
    values: dict[str, float] = {}
    for word, (position, unit) in columns.items():
        cell = row[position].strip() if position < len(row) else ""
        try:
            value = parse_measure(f"{float(cell)} {unit}", _CURVE_COLUMNS[word])[0]
        except (UnitError, ValueError):
            value = float("nan")
        most = 1.0 if word == "efficiency" else 1e300
        if not 0.0 <= value <= most:
            wanted = "an efficiency from 0 to 100 %" if word == "efficiency" else f"a {word}"
            place = f"{s.place('curve')} {name} line {number}, {word}"
            s.faults.append(Fault(place, shown(cell) if cell else "nothing", wanted))
            return None
        values[word] = value
    return CurvePoint(**values)
