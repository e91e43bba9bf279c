"""What the static pressure of each kind of source rests on, and which of it is open."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

from pipeline.performance import _survey_lever as limits
from pipeline.performance._survey_lever import ROOT3, G, systematic
from pipeline.performance._survey_types import FactState, TypicalPoint
from pipeline.plant import Snapshot, SuctionSource, Tag

_LEVEL_ACTION = (
    "Level from the pump centreline to the water in the tank, and note what the "
    "transmitter shows at that moment."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFact:
    """A stated figure of a source and what its uncertainty does to the suction pressure.

    ``is_open`` where the plant file does not say how well it is known; ``counts`` where it
    enters the uncertainty of the whole (of several tanks one feeds at a time).
    """

    key: str
    subject: str
    u: float
    u_quantity: str
    pressure_u: float
    is_open: bool
    stands_in: str
    quantity: str
    action: str
    record_in: str
    state: FactState = "unchecked"
    minutes: int = 30
    counts: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceInstrument:
    """An instrument of a source: its reading, and what one unit of it does to the pressure."""

    key: str
    what: str
    tag: Tag
    reading: float
    scale: float
    counts: bool = True

    @property
    def pressure_u(self) -> float:
        """Standard uncertainty it leaves in the suction pressure [Pa]."""
        return systematic(self.tag, self.reading) * self.scale


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceSide:
    """All that a source's static pressure rests on; ``slope`` is its fall with flow [Pa s/m³]."""

    facts: tuple[SourceFact, ...]
    instruments: tuple[SourceInstrument, ...] = field(default=())
    slope: float = 0.0

    @property
    def u(self) -> float:
        """Standard uncertainty of the static pressure [Pa]."""
        facts = [fact.pressure_u for fact in self.facts if fact.counts]
        return math.hypot(*facts, *(i.pressure_u for i in self.instruments if i.counts))

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys of all it rests on."""
        return (*(fact.key for fact in self.facts), *(i.key for i in self.instruments))


def source_side(
    source: SuctionSource, snapshot: Snapshot, point: TypicalPoint, pump: str
) -> SourceSide:
    """Take apart what the static pressure of a pump's source rests on.

    Parameters
    ----------
    source : SuctionSource
        The source.
    snapshot : Snapshot
        For tags.
    point : TypicalPoint
        Complete: no value missing.
    pump : str
        The pump, for the wording.

    Returns
    -------
    SourceSide
    """
    weight = point.density * G
    read = max(point.suction_pressure, 0.0)
    if source.kind == "switched_tanks":
        return _tanks(source, snapshot, weight, pump)
    if source.kind == "pressurised_main":
        datum = _datum(source, source.pressure_elevation_u, weight, pump, "pressure gauge")
        gauge = _instruments(
            snapshot, ("source_instrument", "gauge of the main", source.pressure_tag, read, 1.0)
        )
        return SourceSide(facts=(datum,), instruments=gauge)
    if source.kind == "well":
        return _well(source, snapshot, point, pump)
    datum = _datum(source, source.level_zero_u, weight, pump, "level zero")
    found = _instruments(
        snapshot,
        ("source_instrument", "level transmitter", source.level_tag, 0.0, weight),
        ("surface_gauge", "gauge of the surface pressure", source.pressure_tag, read, 1.0),
    )
    return SourceSide(facts=(datum,), instruments=found)


def _instruments(
    snapshot: Snapshot, *rows: tuple[str, str, str | None, float, float]
) -> tuple[SourceInstrument, ...]:
    return tuple(
        SourceInstrument(key=key, what=what, tag=snapshot.tags[tag], reading=reading, scale=scale)
        for key, what, tag, reading, scale in rows
        if tag in snapshot.tags
    )


def _datum(
    source: SuctionSource, stated_u: float, weight: float, pump: str, zero: str
) -> SourceFact:
    u = stated_u if stated_u > 0.0 else limits.ELEVATION_LIMIT / ROOT3
    is_level = zero == "level zero"
    keys = "level_zero_elevation and level_zero_u"
    if not is_level:
        keys = "pressure_elevation and pressure_elevation_u"
    return SourceFact(
        key="datum",
        subject=f"height of the {zero} of {source.id} above the centreline of {pump}",
        u=u,
        u_quantity="elevation",
        pressure_u=weight * u,
        is_open=stated_u == 0.0,
        stands_in="the stated elevations",
        quantity="elevation",
        action=_LEVEL_ACTION
        if is_level
        else "Level from the pump centreline to the gauge of the main.",
        record_in=f"suction_sources '{source.id}', {keys}",
    )


def _tanks(source: SuctionSource, snapshot: Snapshot, weight: float, pump: str) -> SourceSide:
    facts, instruments = [], []
    stated = [tank.level_zero_u or limits.ELEVATION_LIMIT / ROOT3 for tank in source.tanks]
    worst = stated.index(max(stated))
    for place, (tank, u) in enumerate(zip(source.tanks, stated, strict=True)):
        facts.append(
            SourceFact(
                key=f"datum_{tank.id}",
                subject=f"height of the level zero of tank {tank.id} of {source.id} above the "
                f"centreline of {pump}",
                u=u,
                u_quantity="elevation",
                pressure_u=weight * u,
                is_open=tank.level_zero_u == 0.0,
                stands_in="the stated elevations",
                quantity="elevation",
                action=_LEVEL_ACTION,
                record_in=f"suction_sources '{source.id}', tanks '{tank.id}', "
                "level_zero_elevation and level_zero_u",
                counts=place == worst,
            )
        )
        if tank.level_tag in snapshot.tags:
            instruments.append(
                SourceInstrument(
                    key=f"source_instrument_{tank.id}",
                    what=f"level transmitter of tank {tank.id}",
                    tag=snapshot.tags[tank.level_tag],
                    reading=0.0,
                    scale=weight,
                    counts=place == worst,
                )
            )
    return SourceSide(facts=tuple(facts), instruments=tuple(instruments))


def _well(source: SuctionSource, snapshot: Snapshot, point: TypicalPoint, pump: str) -> SourceSide:
    """Static level, both coefficients of the drawdown, and how long it settles."""
    weight, flow = point.density * G, point.flow
    facts: list[SourceFact] = []
    if source.static_level is None:
        facts.append(_datum(source, source.level_zero_u, weight, pump, "level zero"))
    else:
        facts.append(_static_level(source, weight))
    slope = 0.0
    if source.drawdown is not None:
        slope = -weight * (source.drawdown.aquifer_loss + 2.0 * source.drawdown.well_loss * flow)
        facts += _drawdown(source, weight, flow)
    level = _instruments(
        snapshot, ("source_instrument", "level transmitter", source.level_tag, 0.0, weight)
    )
    return SourceSide(facts=tuple(facts), instruments=level, slope=slope)


def _static_level(source: SuctionSource, weight: float) -> SourceFact:
    u = source.static_level_u or limits.STATIC_LEVEL_LIMIT / ROOT3
    return SourceFact(
        key="static_level",
        subject=f"static water level of {source.id}",
        u=u,
        u_quantity="elevation",
        pressure_u=weight * u,
        is_open=source.static_level_u == 0.0,
        stands_in="the stated level, all year round",
        quantity="elevation",
        action="Dip the well after the pumps have stood as long as they may, and find out how "
        "the level moves with the seasons.",
        record_in=f"suction_sources '{source.id}', static_level and static_level_u, or a "
        "level_tag that follows it",
    )


def _drawdown(source: SuctionSource, weight: float, flow: float) -> Iterator[SourceFact]:
    drawdown = source.drawdown
    if drawdown is None:
        return
    record = f"suction_sources '{source.id}', drawdown"
    for key, words, u, lever in (
        ("aquifer_loss", "part of the drawdown in proportion to flow (B)",
         drawdown.aquifer_loss_u, flow),
        ("well_loss", "part of the drawdown with the square of flow (C)",
         drawdown.well_loss_u, flow**2),
    ):  # fmt: skip
        if not u > 0.0:
            continue
        yield SourceFact(
            key=key,
            subject=f"{words} of {source.id}",
            u=u,
            u_quantity=key,
            pressure_u=weight * u * lever,
            is_open=f"{key}_u" in drawdown.unstated,
            stands_in="the stated figure, to a fifth of it",
            quantity=key,
            action="Find the record of the last step test, or dip the well at rest and at two "
            "steady flows, each held until the level stands.",
            record_in=f"{record}: {key} and {key}_u",
            minutes=60,
        )
    if "settling_time" in drawdown.unstated:
        # What is still to come after the settling time, as part of the drawdown.
        fall = drawdown.aquifer_loss * flow + drawdown.well_loss * flow**2
        u = limits.SETTLING_LIMIT / ROOT3 * fall
        yield SourceFact(
            key="settling_time",
            subject=f"how long {source.id} settles after a start",
            u=u,
            u_quantity="elevation",
            pressure_u=weight * u,
            is_open=True,
            state="assumed",
            stands_in="one hour",
            quantity="duration",
            action="Dip the well every few minutes after a start, until the level stands.",
            record_in=f"{record}: settling_time",
        )
