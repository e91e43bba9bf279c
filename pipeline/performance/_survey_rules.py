"""Which facts of a pump are open, and what each leaves in its efficiencies."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.hydraulics.drivers import motor_efficiency_u
from pipeline.hydraulics.head import velocity_head
from pipeline.hydraulics.pipes import Fitting
from pipeline.hydraulics.suction_line import PipeRun, line_loss
from pipeline.performance import _survey_lever as limits
from pipeline.performance._survey_lever import ROOT3, Lever, instrument, no_instrument
from pipeline.performance._survey_suction import modelled_suction, suction_side
from pipeline.performance._survey_types import Fact, TypicalPoint
from pipeline.plant import Column, Pump, Snapshot, Tap


def open_facts(
    snapshot: Snapshot,
    pump: Pump,
    point: TypicalPoint,
    surveyed: bool = False,
    without_gauge: bool = False,
) -> Iterator[Fact]:
    """Go through the open facts of one pump.

    Parameters
    ----------
    snapshot : Snapshot
        The plant as it is.
    pump : Pump
        The pump.
    point : TypicalPoint
        Complete: no value missing.
    surveyed : bool
        Whether its suction pressure has been read with a portable gauge.
    without_gauge : bool
        Whether its suction pressure is modelled although it has a gauge.

    Yields
    ------
    Fact
    """
    measured = pump.suction_pressure_tag in snapshot.tags and not without_gauge
    suction = None if measured else modelled_suction(snapshot, pump, point)
    lever = Lever(pump, point, 0.0 if suction is None else suction.slope)
    if suction is None:
        yield from _tap(lever, snapshot, "suction", pump.suction_tap, pump.suction_pressure_tag)
    else:
        yield from suction_side(lever, snapshot, suction, surveyed)
    yield from _strainers(lever, snapshot)
    yield from _column(lever, snapshot)
    yield from _tap(lever, snapshot, "discharge", pump.discharge_tap, pump.discharge_pressure_tag)
    yield from _flow(lever, snapshot)
    yield from _power(lever, snapshot)
    yield from _driver(lever)
    yield from _comparison(lever)


def _tap(
    lever: Lever, snapshot: Snapshot, side: str, tap: Tap, tag_name: str | None
) -> Iterator[Fact]:
    """Height, sensing line, place and pipe of a tap with a gauge, and the gauge itself."""
    tag = snapshot.tags.get(tag_name or "")
    if tag is None:
        yield no_instrument(lever, f"{side} pressure gauge", f"{side}_pressure_tag")
        return
    record = f"pumps '{lever.pump.id}', {side}_tap"
    height = f"height of the {side} gauge above the pump centreline"
    if tap.gauge_elevation is None and tap.sensing_line == "filled":
        u = limits.GAUGE_HEIGHT_LIMIT / ROOT3
        yield lever.fact(
            f"{side}_gauge_height",
            height,
            "missing",
            u,
            head=u,
            stands_in="the height of the tap",
            quantity="elevation",
            u_quantity="elevation",
            action="Level the tap and the middle of its gauge or transmitter against the pump "
            "centreline, and see whether its line is full of liquid.",
            record_in=f"{record}, gauge_elevation and elevation_u",
            minutes=15,
        )
    elif tap.elevation_u == 0.0:
        u = limits.ELEVATION_LIMIT / ROOT3
        yield lever.fact(
            f"{side}_gauge_height",
            height,
            "unchecked",
            u,
            head=u,
            stands_in="the stated height",
            quantity="elevation",
            u_quantity="elevation",
            action="Level the tap and the middle of its gauge or transmitter against the pump "
            "centreline, and see whether its line is full of liquid.",
            record_in=f"{record}, elevation_u",
            minutes=15,
        )
    if tap.gauge_elevation is not None and "sensing_line" in tap.unstated:
        u = abs(tap.gauge_elevation - tap.elevation) / ROOT3
        yield lever.fact(
            f"{side}_sensing_line",
            f"whether the sensing line of the {side} gauge is full of liquid",
            "assumed",
            u,
            head=u,
            is_nominal=False,
            stands_in="a filled line",
            u_quantity="elevation",
            action="Vent the line of the gauge until liquid comes, or see that it is meant to "
            "hold air.",
            record_in=f"{record}, sensing_line",
            minutes=10,
        )
    yield from _tap_place(lever, side, tap, record)
    kinetic = float(velocity_head(lever.point.flow, tap.diameter))
    u = 4.0 * kinetic * limits.DIAMETER_LIMIT / ROOT3
    yield lever.fact(
        f"{side}_diameter",
        f"inside diameter of the pipe at the {side} tap",
        "unchecked",
        limits.DIAMETER_LIMIT / ROOT3,
        head=u,
        stands_in="the stated diameter",
        quantity="diameter",
        u_quantity="fraction",
        action="Tape the circumference and measure the wall with an ultrasonic gauge, or read "
        "the pipe schedule.",
        record_in=f"{record}, diameter",
        minutes=15,
    )
    reading = getattr(lever.point, f"{side}_pressure")
    yield from instrument(lever, f"{side}_gauge", f"{side} gauge", tag, reading, side)


def _tap_place(lever: Lever, side: str, tap: Tap, record: str) -> Iterator[Fact]:
    if "position" not in tap.unstated:
        return
    limit, between = limits.STRAINER_LIMIT, "strainer"
    if side == "discharge":
        limit, between = limits.CHECK_VALVE_LOSS, "check valve"
    u = limit / ROOT3 * float(velocity_head(lever.point.flow, tap.diameter))
    yield lever.fact(
        f"{side}_tap_place",
        f"whether a {between} or valve lies between the {side} tap and the pump",
        "assumed",
        u,
        head=u,
        stands_in="a tap at the flange",
        u_quantity="elevation",
        action="Follow the pipe from the pump to the tap and sketch what lies between.",
        record_in=f"{record}, position",
        minutes=5,
    )


def _strainers(lever: Lever, snapshot: Snapshot) -> Iterator[Fact]:
    """Transmitters whose reading goes into the suction pressure as it stands."""
    pump = lever.pump
    for segment in snapshot.lines[pump.suction_line].segments(pump.id):
        tag = snapshot.tags.get(segment.strainer_tag or "")
        if tag is not None:
            what = f"transmitter across the strainer of {segment.id}"
            place = pump.suction_line if len(segment.carries) > 1 else pump.id
            yield from instrument(
                lever, f"strainer_{segment.id}", what, tag, 0.0, "suction", place=place
            )


def _column(lever: Lever, snapshot: Snapshot) -> Iterator[Fact]:
    """What is lost between the bowl of a vertical pump and its discharge tap."""
    pump = lever.pump
    hangs = snapshot.sources[snapshot.lines[pump.suction_line].source].kind == "wet_well"
    column = pump.column
    if column is None and not hangs:
        return
    flow = lever.point.flow
    u, stands_in = 0.0, "the stated loss, to a quarter of it"
    if column is None:
        kinetic = float(velocity_head(flow, pump.discharge_tap.diameter))
        u, stands_in = limits.COLUMN_LIMIT / ROOT3 * kinetic, "a column without loss"
    elif column.unstated:
        u = column.relative_u * _column_loss(column, lever)
    else:
        return
    yield lever.fact(
        "column",
        "loss in the column between bowl and discharge tap",
        "missing" if column is None else "assumed",
        u,
        head=u,
        stands_in=stands_in,
        quantity="friction_loss",
        u_quantity="friction_loss",
        action="Copy length and bore of the column, the shaft in it and the discharge head from "
        "the pump's drawing, or its loss at one flow from the maker's curve.",
        record_in=f"pumps '{pump.id}', column",
        minutes=15,
    )


def _column_loss(column: Column, lever: Lever) -> float:
    flow, density = lever.point.flow, lever.point.density
    if column.loss is not None:
        return column.loss * (flow / column.at_flow) ** 2
    if column.pipe is None:
        return 0.0
    fittings = tuple(Fitting(f.name, f.k, f.count) for f in column.fittings)
    run = PipeRun(column.pipe.diameter, column.pipe.length, column.pipe.roughness, fittings)
    return float(line_loss(flow, [run], density, limits.VISCOSITY)) / (density * limits.G)


def _flow(lever: Lever, snapshot: Snapshot) -> Iterator[Fact]:
    pump, flow = lever.pump, lever.point.flow
    meter = None if pump.flow_tag else snapshot.meter_of(pump.id)
    tag = snapshot.tags.get(pump.flow_tag or (meter.tag if meter else ""))
    if tag is None:
        yield no_instrument(lever, "flow meter", "flow_tag")
        return
    place = meter.id if meter else pump.id
    yield from instrument(lever, "flow_meter", "flow meter", tag, flow, "flow", place=place)
    u = limits.LEAK_LIMIT / ROOT3
    yield lever.fact(
        "bypass",
        "whether a by-pass or minimum-flow line takes water between pump and meter",
        "unchecked",
        u,
        flow=u * flow,
        stands_in="all flow of the pump passes the meter",
        u_quantity="fraction",
        action="Follow the pipe from pump to meter, and feel or listen at each line that leaves.",
        record_in="events file, kind 'other'",
        minutes=10,
    )
    idle = [
        name
        for name in (meter.serves if meter else ())
        if name != pump.id
        and name in snapshot.pumps
        and not snapshot.pumps[name].check_valve_leak_free
    ]
    if idle:
        named = ", ".join(idle)
        yield lever.fact(
            "check_valve",
            f"whether the check valves of {named} are tight while {pump.id} runs",
            "assumed",
            u,
            flow=u * flow,
            stands_in="tight check valves",
            u_quantity="fraction",
            action="While the pump runs, see whether the shaft of an idle pump turns back, and "
            "listen at its check valve.",
            record_in=f"pumps {named}: check_valve_leak_free",
            minutes=10,
        )


def _power(lever: Lever, snapshot: Snapshot) -> Iterator[Fact]:
    tag = snapshot.tags.get(lever.pump.power_tag or "")
    if tag is None:
        yield no_instrument(lever, "electrical power meter", "power_tag")
        return
    power = lever.point.electrical_power
    yield from instrument(lever, "power_meter", "power meter", tag, power, "power")


def _driver(lever: Lever) -> Iterator[Fact]:
    """Motor and drive: they stand between overall and pump efficiency, and touch only that."""
    driver, record = lever.pump.driver, f"pumps '{lever.pump.id}', driver"
    u, state, stands_in = driver.efficiency_u, "assumed", "the usual 1 % of a known plate"
    nominal = True
    if lever.motor is None:
        u, state, stands_in = limits.NO_PLATE_U, "missing", "nothing: no pump efficiency without it"
    elif driver.rated_efficiency is None:
        efficiency = lever.motor.full_load_efficiency
        u = float(motor_efficiency_u(efficiency)) / efficiency
        stands_in = f"the legal minimum of its size, {efficiency:.1%}"
    elif "efficiency_u" not in driver.unstated:
        u = 0.0
    if u > 0.0:
        yield lever.fact(
            "motor_plate",
            "rating and efficiency of the motor",
            "missing" if state == "missing" else "assumed",
            u,
            driver=u,
            is_nominal=nominal,
            stands_in=stands_in,
            u_quantity="fraction",
            action="Copy the whole motor plate: power, efficiency, poles, speed, current, year; "
            "ask whether it was rewound.",
            record_in=f"{record}: rated_power, rated_efficiency, poles, efficiency_u",
            minutes=5,
        )
    if lever.pump.speed_tag and "drive_efficiency" in driver.unstated:
        u = limits.DRIVE_LIMIT / ROOT3
        yield lever.fact(
            "drive",
            "the variable-speed drive, and on which side of it power is measured",
            "missing",
            u,
            driver=u,
            stands_in="a drive without loss",
            u_quantity="fraction",
            action="Copy the drive's plate and see whether the power signal is taken before or "
            "after it.",
            record_in=f"{record}: drive_efficiency, power_measured_at",
            minutes=10,
        )


def _comparison(lever: Lever) -> Iterator[Fact]:
    """What absolute efficiency does not need, but a comparison with the past does."""
    pump = lever.pump
    if pump.speed_tag and pump.reference_speed is None:
        yield lever.fact(
            "reference_speed",
            "reference speed",
            "missing",
            0.0,
            stands_in="nothing: points at different speeds are not comparable",
            quantity="speed",
            u_quantity="speed",
            action="Copy the rated speed from the pump plate.",
            record_in=f"pumps '{pump.id}', reference_speed",
            minutes=5,
        )
    if not pump.baseline_curve and pump.baseline_from is None:
        yield lever.fact(
            "baseline",
            "pump curve by the maker or an acceptance test",
            "missing",
            0.0,
            stands_in="the first good months of the record: wear before them does not show",
            u_quantity="fraction",
            action="Copy the pump plate (type, serial number, impeller diameter) and look for the "
            "curve in the site file.",
            record_in=f"pumps '{pump.id}', baseline",
            minutes=15,
        )
