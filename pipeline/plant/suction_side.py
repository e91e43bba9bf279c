"""The suction side: the liquid, what it is drawn from, and the pipes up to the pumps."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import pandas as pd

from pipeline.plant.validity import BEGINNING

SourceKind = Literal[
    "open_tank",
    "switched_tanks",
    "pressurised_main",
    "pressurised_vessel",
    "deaerator",
    "well",
    "wet_well",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Liquid:
    """The pumped liquid: water, or declared constant properties.

    Parameters
    ----------
    name : str
        ``water`` or the user's own name.
    temperature : float or None
        Constant temperature [K].
    temperature_tag : str or None
        Tag that measures it instead.
    density, vapour_pressure, viscosity : float or None
        Declared properties [kg/m³], [Pa absolute], [Pa·s]; None for water means the library's.
    """

    name: str = "water"
    temperature: float | None = None
    temperature_tag: str | None = None
    density: float | None = None
    vapour_pressure: float | None = None
    viscosity: float | None = None
    valid_from: pd.Timestamp = BEGINNING


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """One of several open tanks that valves put on a suction line.

    Parameters
    ----------
    id : str
        The user's name for it.
    level_tag : str
        Its level transmitter.
    valve_tag : str
        Status of the valve between it and the line: one while open, zero while shut.
    level_zero_elevation : float
        Station elevation at which the transmitter reads zero [m].
    level_zero_u : float
        Standard uncertainty of that elevation [m].
    """

    id: str
    level_tag: str
    valve_tag: str
    level_zero_elevation: float = 0.0
    level_zero_u: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawdown:
    """How far the water in a well falls while it is pumped: ``B Q + C Q²``.

    Parameters
    ----------
    aquifer_loss : float
        B, the part in proportion to the flow [s/m²].
    aquifer_loss_u : float
        Its standard uncertainty [s/m²].
    well_loss : float
        C, the part with the square of the flow [s²/m⁵].
    well_loss_u : float
        Its standard uncertainty [s²/m⁵].
    settling_time : float
        How long after a pump of the well starts or stops the level is not known [s].
    unstated : tuple of str
        Keys for which a usual value stands in.
    """

    aquifer_loss: float = 0.0
    aquifer_loss_u: float = 0.0
    well_loss: float = 0.0
    well_loss_u: float = 0.0
    settling_time: float = 3600.0
    unstated: tuple[str, ...] = field(default=(), repr=False, compare=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class SuctionSource:
    """What the suction line draws from.

    Parameters
    ----------
    id : str
        The user's name for it.
    kind : str
        ``open_tank``, ``wet_well``: a level under the atmosphere; in a wet well the pump hangs
        in the water. ``switched_tanks``: the level of the tank whose valve is open.
        ``pressurised_main``: an upstream pressure. ``pressurised_vessel``: a level and the
        pressure on it. ``deaerator``: the same, with water at saturation. ``well``: a static
        level less the drawdown.
    level_tag : str or None
        Level transmitter; of a well, of the level that pumping does not draw down.
    level_zero_elevation : float
        Station elevation at which the transmitter reads zero [m]; rarely the floor.
    level_zero_u : float
        Standard uncertainty of that elevation [m].
    pressure_tag : str or None
        Pressure gauge of a main, or of the pressure on the liquid in a vessel.
    pressure_elevation : float
        Station elevation of the gauge of a main [m].
    pressure_elevation_u : float
        Standard uncertainty of that elevation [m].
    temperature_tag : str or None
        Temperature of the liquid in a vessel; without it, that of the plant's liquid, or
        saturation in a deaerator.
    static_level : float or None
        Station elevation of the water in a well at rest [m], where no tag follows it.
    static_level_u : float
        Its standard uncertainty [m].
    drawdown : Drawdown or None
        Of a well.
    tanks : tuple of Tank
        Of switched tanks.
    """

    id: str
    kind: SourceKind
    level_tag: str | None = None
    level_zero_elevation: float = 0.0
    level_zero_u: float = 0.0
    pressure_tag: str | None = None
    pressure_elevation: float = 0.0
    pressure_elevation_u: float = 0.0
    temperature_tag: str | None = None
    static_level: float | None = None
    static_level_u: float = 0.0
    drawdown: Drawdown | None = None
    tanks: tuple[Tank, ...] = ()
    valid_from: pd.Timestamp = BEGINNING

    def tags(self) -> dict[str, str]:
        """Give the tags the source is read from, and what each measures."""
        roles: list[tuple[str | None, str]] = [(self.level_tag, "level")]
        words = "upstream pressure" if self.kind == "pressurised_main" else "surface pressure"
        roles += [(self.pressure_tag, words), (self.temperature_tag, "temperature")]
        for tank in self.tanks:
            roles += [(tank.level_tag, "level"), (tank.valve_tag, "valve open")]
        found: dict[str, str] = {}
        for tag, role in roles:
            if tag:
                found.setdefault(tag, role)
        return found


@dataclass(frozen=True, slots=True, kw_only=True)
class Pipe:
    """A straight pipe: inside diameter [m], length [m], equivalent roughness [m]."""

    diameter: float
    length: float
    roughness: float = 4.5e-5


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """A minor loss: coefficient K [-] in velocity heads of the pipe, and where K is from."""

    name: str
    k: float
    count: int = 1
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A piece of suction pipe that carries one flow.

    Parameters
    ----------
    id : str
        Name, unique in its line.
    carries : tuple of str
        Pumps whose flow passes through it.
    side_streams : tuple of (str, int)
        Flow tags drawn from it besides the pumps, with +1, or fed into it, with -1.
    flow_tag : str or None
        A meter in this very segment; its reading goes before the sum over pumps.
    pipe : Pipe or None
        From drawings; None where unknown.
    fittings : tuple of Fitting
        From drawings.
    drawing_u : float
        Standard uncertainty of the drawing-based loss, part of the loss [-].
    strainer_tag : str or None
        Differential pressure across the strainer of this segment: a loss that is measured.
    """

    id: str
    carries: tuple[str, ...]
    side_streams: tuple[tuple[str, int], ...] = ()
    flow_tag: str | None = None
    pipe: Pipe | None = None
    fittings: tuple[Fitting, ...] = ()
    drawing_u: float = 0.25
    strainer_tag: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SuctionLine:
    """Header segments in order from the source, then one branch per pump.

    Parameters
    ----------
    id : str
        The user's name for it.
    source : str
        Suction source it starts from.
    header : tuple of Segment
        In order of flow.
    branches : dict of str to Segment
        By pump.
    exponent : float or None
        Declared exponent n of the loss; None leaves it to the prior.
    """

    id: str
    source: str
    header: tuple[Segment, ...] = ()
    branches: dict[str, Segment] = field(default_factory=dict)
    exponent: float | None = None
    valid_from: pd.Timestamp = BEGINNING

    def segments(self, pump: str) -> tuple[Segment, ...]:
        """Give the segments between the source and a pump, in order of flow."""
        header = tuple(s for s in self.header if pump in s.carries)
        return (*header, self.branches[pump]) if pump in self.branches else header
