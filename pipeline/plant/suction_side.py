"""The suction side: the liquid, what it is drawn from, and the pipes up to the pumps."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import pandas as pd

from pipeline.plant.validity import BEGINNING

SourceKind = Literal["open_tank", "pressurised_main"]


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
class SuctionSource:
    """What the suction line draws from.

    Parameters
    ----------
    id : str
        The user's name for it.
    kind : {"open_tank", "pressurised_main"}
        Open tank: a level. Pressurised main: an upstream pressure.
    level_tag : str or None
        Level transmitter of a tank.
    level_zero_elevation : float
        Station elevation at which the transmitter reads zero [m]; rarely the floor.
    level_zero_u : float
        Standard uncertainty of that elevation [m].
    pressure_tag : str or None
        Pressure gauge of a main.
    pressure_elevation : float
        Station elevation of that gauge [m].
    """

    id: str
    kind: SourceKind
    level_tag: str | None = None
    level_zero_elevation: float = 0.0
    level_zero_u: float = 0.0
    pressure_tag: str | None = None
    pressure_elevation: float = 0.0
    valid_from: pd.Timestamp = BEGINNING


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
    """

    id: str
    carries: tuple[str, ...]
    side_streams: tuple[tuple[str, int], ...] = ()
    flow_tag: str | None = None
    pipe: Pipe | None = None
    fittings: tuple[Fitting, ...] = ()
    drawing_u: float = 0.25


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
