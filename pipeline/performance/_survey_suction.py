"""What a modelled suction pressure rests on, and which of it is open."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.hydraulics.head import velocity_head
from pipeline.hydraulics.pipes import Fitting
from pipeline.hydraulics.suction_line import PipeRun, line_loss
from pipeline.performance import _survey_lever as limits
from pipeline.performance._survey_lever import ROOT3, G, Lever, instrument
from pipeline.performance._survey_source import SourceSide, source_side
from pipeline.performance._survey_types import Fact, TypicalPoint
from pipeline.plant import Pump, Segment, Snapshot
from pipeline.suction import typical_loss


@dataclass(frozen=True, slots=True)
class ModelledSuction:
    """A modelled suction pressure: its parts and how it falls with flow."""

    side: SourceSide
    segments: tuple[tuple[Segment, float, bool], ...]
    slope: float

    @property
    def u(self) -> float:
        """Standard uncertainty of the whole [Pa]."""
        return math.hypot(self.side.u, *(u for _, u, _ in self.segments))


def modelled_suction(snapshot: Snapshot, pump: Pump, point: TypicalPoint) -> ModelledSuction:
    line = snapshot.lines[pump.suction_line]
    source = snapshot.sources[line.source]
    weight = point.density * G
    side = source_side(source, snapshot, point, pump.id)
    kinetic = weight * float(velocity_head(point.flow, pump.suction_tap.diameter))
    usual = typical_loss(point.flow, kinetic)
    loss, segments = 0.0, []
    hangs = source.kind == "wet_well"
    for segment in line.segments(pump.id):
        if hangs and segment.pipe is None:
            # A bell in the water has no line; what it loses is less than anything else here.
            continue
        if segment.pipe is None:
            part, u = usual.loss, usual.loss_u
        else:
            pipe = segment.pipe
            fittings = tuple(Fitting(f.name, f.k, f.count) for f in segment.fittings)
            run = PipeRun(pipe.diameter, pipe.length, pipe.roughness, fittings)
            viscosity = snapshot.liquid.viscosity or limits.VISCOSITY
            part = float(line_loss(point.flow, [run], point.density, viscosity))
            u = segment.drawing_u * part
            if not fittings:
                own = weight * float(velocity_head(point.flow, pipe.diameter))
                u = math.hypot(u, typical_loss(point.flow, own).loss_u)
        loss += part
        segments.append((segment, u, segment.pipe is not None and bool(segment.fittings)))
    return ModelledSuction(
        side=side,
        segments=tuple(segments),
        # Both friction and the velocity head at the tap go with the square of the flow.
        slope=-2.0 * (loss + kinetic) / point.flow + side.slope,
    )


def suction_side(
    lever: Lever, snapshot: Snapshot, suction: ModelledSuction, surveyed: bool
) -> Iterator[Fact]:
    """What a modelled suction pressure rests on."""
    pump, point = lever.pump, lever.point
    line = snapshot.lines[pump.suction_line]
    source = snapshot.sources[line.source]
    for fact in suction.side.facts:
        if not fact.is_open:
            continue
        yield lever.fact(
            fact.key,
            fact.subject,
            fact.state,
            fact.u,
            suction=fact.pressure_u,
            stands_in=fact.stands_in,
            quantity=fact.quantity,
            u_quantity=fact.u_quantity,
            action=fact.action,
            record_in=fact.record_in,
            minutes=fact.minutes,
            # A height is levelled at each pump; the rest is looked up once for the source.
            place=pump.id if fact.key.startswith("datum") else source.id,
        )
    for part in suction.side.instruments:
        yield from instrument(
            lever,
            part.key,
            part.what,
            part.tag,
            part.reading,
            "suction",
            scale=part.scale,
            place=source.id,
        )
    for segment, u, drawn in suction.segments:
        yield lever.fact(
            f"friction_{segment.id}",
            f"pipe and fittings of the suction line, {segment.id}",
            "assumed" if drawn else "missing",
            u,
            suction=u,
            is_nominal=not drawn,
            stands_in="the drawing" if drawn else "a usual loss of 5 velocity heads",
            u_quantity="pressure",
            action="Walk the line from source to pump: bores, lengths, bends, valves, strainer, "
            "and what the drawing does not show.",
            record_in=f"suction_lines '{line.id}', {segment.id}: pipe, fittings, drawing_u",
            minutes=20,
            place=line.id if len(segment.carries) > 1 else pump.id,
        )
    if source.kind == "wet_well":
        return
    u = (
        limits.VALVE_LIMIT
        / ROOT3
        * point.density
        * G
        * float(velocity_head(point.flow, pump.suction_tap.diameter))
    )
    yield lever.fact(
        "suction_valve",
        "whether the valves of the suction line are fully open",
        "unchecked",
        u,
        suction=u,
        stands_in="open valves",
        u_quantity="pressure",
        action="Look at every valve from source to pump, count the turns left, and note which "
        "are not fully open; do not operate them without the operator.",
        record_in="events file, kind 'other'",
        minutes=10,
    )
    friction = tuple(f"friction_{segment.id}" for segment, _, _ in suction.segments)
    if not surveyed:
        whole = math.hypot(suction.u, u)
        yield lever.fact(
            "spot_reading",
            "suction pressure with a portable gauge, standing and running",
            "missing",
            whole,
            suction=whole,
            stands_in="level and friction, as modelled",
            quantity="suction_pressure",
            u_quantity="pressure",
            action="Fit a calibrated portable gauge to a suction test point, and note reading, "
            "gauge height, flow and level once standing and at two flows.",
            record_in="survey file: time, pump, reading, unit, accuracy",
            minutes=45,
            covers=(*suction.side.keys, "suction_valve", *friction),
        )
