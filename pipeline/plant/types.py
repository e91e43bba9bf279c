"""The plant as frozen, validated types.

All numbers are SI. Elevations of sources, pumps and pipes share one station datum; tap
elevations are relative to the pump's own reference plane, z up, as on a test sheet.

Everything carries ``valid_from``: an impeller, a gauge or a tag mapping may change while
history keeps what was true then. ``Plant`` holds all versions; ``Plant.eras`` cuts time
where anything changes and gives each piece as a ``Snapshot`` with one version of each item.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal, TypeVar

import pandas as pd

from pipeline.quantities import DisplaySystem, PressureReference

Interpolation = Literal["linear", "step"]
Layout = Literal["long", "wide"]
SourceKind = Literal["open_tank", "pressurised_main"]
TapPosition = Literal["at_flange", "before_strainer", "after_strainer", "other"]
SensingLine = Literal["filled", "empty"]
MeterPosition = Literal["pump", "suction_pipe"]
PowerSide = Literal["motor_input", "drive_input"]

BEGINNING = pd.Timestamp("1900-01-01", tz="UTC")
"""``valid_from`` of whatever the plant file does not date."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Accuracy:
    """What an instrument's readings are worth, as standard uncertainties.

    A stated limit ``±a`` of the systematic part is taken as rectangular, ``u = a/√3``
    (JCGM 100:2008, 4.3.7). The random part is the standard deviation of one reading.

    Parameters
    ----------
    systematic_absolute, random_absolute : float
        Parts that do not depend on the reading, in the tag's SI unit (k = 1).
    systematic_relative, random_relative : float
        Parts in proportion to the reading [-] (k = 1).
    assumed : bool
        True where the plant file says nothing and a usual figure stands in.
    """

    systematic_absolute: float = 0.0
    systematic_relative: float = 0.0
    random_absolute: float = 0.0
    random_relative: float = 0.0
    assumed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Tag:
    """One signal of the historian and how to read it.

    Parameters
    ----------
    name : str
        Name in the exports.
    quantity : str
        What it measures (see ``pipeline.quantities``).
    unit : str
        Unit as written in the plant file.
    scale, offset : float
        ``si = raw * scale + offset``.
    reference : {"gauge", "absolute"} or None
        Of a pressure; None for anything else.
    interpolation : {"linear", "step"}
        How the signal moves between two samples.
    max_gap : float
        Longest time between two samples that is still bridged [s].
    low, high : float
        Instrument range, SI; infinite where not stated.
    accuracy : Accuracy
        Standard uncertainties.
    measures : {"rate", "running_total", "interval_total"}
        A rate is used as it stands; totals are turned into rates.
    valid_from : Timestamp
        Since when this description holds.
    """

    name: str
    quantity: str
    unit: str
    scale: float = 1.0
    offset: float = 0.0
    reference: PressureReference | None = None
    interpolation: Interpolation = "linear"
    max_gap: float = 1800.0
    low: float = float("-inf")
    high: float = float("inf")
    accuracy: Accuracy = field(default_factory=Accuracy)
    measures: Literal["rate", "running_total", "interval_total"] = "rate"
    valid_from: pd.Timestamp = BEGINNING


@dataclass(frozen=True, slots=True, kw_only=True)
class ExportFormat:
    """One group of export files and how they are written.

    Parameters
    ----------
    pattern : str
        Glob relative to the plant file, or a folder.
    layout : {"long", "wide"}
        Long: a row is one sample of one tag. Wide: a row is one instant of many tags.
    time_column, tag_column, value_column, status_column : str or None
        Header names; the tag, value and status columns belong to the long layout.
    time_zone : str or None
        Zone of timestamps without offset. None: such timestamps are refused.
    time_format : str
        ``iso``, ``epoch_s``, ``epoch_ms``, ``epoch_us``, ``epoch_ns``, ``spreadsheet``,
        ``day_first``, ``month_first``, or a strptime pattern.
    delimiter, decimal, thousands : str or None
        CSV details; None lets the file decide where it is provable.
    encoding : str or None
        Text encoding; None lets a byte-order mark decide, otherwise UTF-8.
    skip_rows : int
        Lines before the header.
    unit_row : bool
        Whether the line after the header holds units.
    comment : str or None
        Lines that start with this are passed over.
    good, uncertain, bad : tuple of str
        Status words of this export, besides the standard codes.
    """

    pattern: str
    layout: Layout = "long"
    time_column: str = "time"
    tag_column: str | None = "tag"
    value_column: str | None = "value"
    status_column: str | None = None
    time_zone: str | None = None
    time_format: str = "iso"
    delimiter: str | None = None
    decimal: str = "."
    thousands: str | None = None
    encoding: str | None = None
    skip_rows: int = 0
    unit_row: bool = False
    comment: str | None = None
    good: tuple[str, ...] = ()
    uncertain: tuple[str, ...] = ()
    bad: tuple[str, ...] = ()


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """A pressure tap and its gauge.

    Parameters
    ----------
    elevation : float
        Of the tap, above the pump reference plane [m].
    diameter : float
        Inside diameter of the pipe at the tap [m].
    gauge_elevation : float
        Of the gauge, above the pump reference plane [m].
    sensing_line : {"filled", "empty"}
        A filled line makes the gauge read at its own elevation, an empty one at the tap's.
    position : str
        Relative to the strainer.
    elevation_u : float
        Standard uncertainty of the elevation that counts [m].
    """

    elevation: float
    diameter: float
    gauge_elevation: float | None = None
    sensing_line: SensingLine = "filled"
    position: TapPosition = "at_flange"
    elevation_u: float = 0.0

    @property
    def reading_elevation(self) -> float:
        """Elevation at which the gauge reads, above the pump reference plane [m]."""
        if self.sensing_line == "filled" and self.gauge_elevation is not None:
            return self.gauge_elevation
        return self.elevation


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """Motor and drive between the power meter and the pump shaft.

    Parameters
    ----------
    rated_power : float or None
        Motor rating, shaft side [W].
    rated_efficiency : float or None
        Full-load motor efficiency [-].
    poles : int or None
        Number of poles.
    drive_efficiency : float
        Of a variable-speed drive [-]; one without.
    transmission_efficiency : float
        Of a belt or gear [-]; one for direct coupling.
    power_measured_at : {"motor_input", "drive_input"}
        Which side of the drive the power meter is on.
    efficiency_u : float
        Standard uncertainty of the whole driver efficiency [-], relative.
    """

    rated_power: float | None = None
    rated_efficiency: float | None = None
    poles: int | None = None
    drive_efficiency: float = 1.0
    transmission_efficiency: float = 1.0
    power_measured_at: PowerSide = "motor_input"
    efficiency_u: float = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """A point of a declared baseline: flow [m³/s], head [m], shaft power [W] or efficiency [-]."""

    flow: float
    head: float
    efficiency: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pump:
    """One pump with its taps, driver and tags.

    Parameters
    ----------
    id : str
        The user's name for it.
    suction_line : str
        Line it draws from.
    reference_elevation : float
        Station elevation of the pump reference plane [m].
    suction_tap, discharge_tap : Tap
        Where the pressures are (or would be) read.
    reference_speed : float or None
        Speed to which points are brought [1/s].
    flow_tag : str or None
        Meter of the flow through this pump alone.
    suction_pressure_tag, discharge_pressure_tag, power_tag, speed_tag, running_tag : str or None
        Tags by role; None where there is no instrument.
    running_power : float or None
        Above this electrical power the pump counts as running [W].
    check_valve_leak_free : bool
        Whether the idle pump is known not to pass water backwards.
    driver : Driver
        Motor and drive.
    baseline_curve : tuple of CurvePoint
        Maker's or acceptance points at reference speed; empty: learned from good operation.
    baseline_from, baseline_to : Timestamp or None
        Declared good period to learn the baseline from.
    """

    id: str
    suction_line: str
    suction_tap: Tap
    discharge_tap: Tap
    reference_elevation: float = 0.0
    reference_speed: float | None = None
    flow_tag: str | None = None
    suction_pressure_tag: str | None = None
    discharge_pressure_tag: str | None = None
    power_tag: str | None = None
    speed_tag: str | None = None
    running_tag: str | None = None
    running_power: float | None = None
    driver: Driver = field(default_factory=Driver)
    baseline_curve: tuple[CurvePoint, ...] = ()
    baseline_from: pd.Timestamp | None = None
    baseline_to: pd.Timestamp | None = None
    valid_from: pd.Timestamp = BEGINNING


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowMeter:
    """A flow meter and the pumps it serves.

    Parameters
    ----------
    id : str
        The user's name for it.
    tag : str
        Its tag.
    serves : tuple of str
        Pumps whose flow passes through it.
    """

    id: str
    tag: str
    serves: tuple[str, ...]
    valid_from: pd.Timestamp = BEGINNING


@dataclass(frozen=True, slots=True, kw_only=True)
class Tariff:
    """Price of electrical energy: currency code and money per joule."""

    currency: str = "EUR"
    price: float | None = None
    valid_from: pd.Timestamp = BEGINNING


@dataclass(frozen=True, slots=True, kw_only=True)
class Station:
    """Name, place and conventions of the station.

    Parameters
    ----------
    name : str
        As printed on reports.
    time_zone : str
        IANA name; days and months are counted in it.
    altitude : float
        Above sea level [m].
    display : {"SI", "US"}
        Units of the published tables.
    grid : float
        Interval of the regular grid [s].
    """

    name: str
    time_zone: str
    altitude: float = 0.0
    display: DisplaySystem = "SI"
    grid: float = 300.0


Dated = Tag | Liquid | SuctionSource | SuctionLine | Pump | FlowMeter | Tariff
Item = TypeVar("Item", Tag, Liquid, SuctionSource, SuctionLine, Pump, FlowMeter, Tariff)


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """The plant as it was during one era: one version of each item, by name.

    Parameters
    ----------
    start, end : Timestamp
        The era, ``[start, end)``.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    station: Station
    liquid: Liquid
    tariff: Tariff
    tags: dict[str, Tag]
    sources: dict[str, SuctionSource]
    lines: dict[str, SuctionLine]
    pumps: dict[str, Pump]
    flow_meters: dict[str, FlowMeter]

    def meter_of(self, pump: str) -> FlowMeter | None:
        """Find the meter that serves a pump, the one serving fewest pumps first."""
        serving = [m for m in self.flow_meters.values() if pump in m.serves]
        return min(serving, key=lambda m: (len(m.serves), m.id), default=None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """A whole plant file: every version of every item, and where its exports are.

    Parameters
    ----------
    path : Path
        The plant file.
    data_folder : Path
        Where the store lives.
    exports : tuple of ExportFormat
        In the order of the file.
    tags, sources, lines, pumps, flow_meters : dict of str to tuple
        Versions of each item, oldest first.
    liquids, tariffs : tuple
        Versions, oldest first.
    text : bytes
        Content of the plant file (and the curve files it names), for fingerprints.
    """

    path: Path
    data_folder: Path
    station: Station
    exports: tuple[ExportFormat, ...]
    tags: dict[str, tuple[Tag, ...]]
    sources: dict[str, tuple[SuctionSource, ...]]
    lines: dict[str, tuple[SuctionLine, ...]]
    pumps: dict[str, tuple[Pump, ...]]
    flow_meters: dict[str, tuple[FlowMeter, ...]]
    liquids: tuple[Liquid, ...]
    tariffs: tuple[Tariff, ...]
    survey: str | None = None
    events: str | None = None
    text: bytes = b""

    def eras(self, start: pd.Timestamp, end: pd.Timestamp) -> list[Snapshot]:
        """Cut a span of time where any item changes.

        Parameters
        ----------
        start, end : Timestamp
            The span, ``[start, end)``, UTC.

        Returns
        -------
        list of Snapshot
            In order, covering the span without overlap; empty if the span is.
        """
        dates = {v.valid_from for v in self.versions()}
        cuts = [start, *sorted(d for d in dates if start < d < end), end]
        return [self._snapshot(a, b) for a, b in itertools.pairwise(cuts) if a < b]

    def versions(self) -> Iterator[Dated]:
        """Go through every version of every item."""
        yield from itertools.chain(
            *self.tags.values(),
            *self.sources.values(),
            *self.lines.values(),
            *self.pumps.values(),
            *self.flow_meters.values(),
            self.liquids,
            self.tariffs,
        )

    def at(self, time: pd.Timestamp) -> Snapshot:
        """Give the plant as it is at one instant."""
        return replace(self._snapshot(time, time), end=pd.Timestamp.max.tz_localize("UTC"))

    def _snapshot(self, start: pd.Timestamp, end: pd.Timestamp) -> Snapshot:
        return Snapshot(
            start=start,
            end=end,
            station=self.station,
            liquid=_current(self.liquids, start) or Liquid(),
            tariff=_current(self.tariffs, start) or Tariff(),
            tags=_all_current(self.tags, start),
            sources=_all_current(self.sources, start),
            lines=_all_current(self.lines, start),
            pumps=_all_current(self.pumps, start),
            flow_meters=_all_current(self.flow_meters, start),
        )


def _current(versions: Iterable[Item], time: pd.Timestamp) -> Item | None:
    holding = [v for v in versions if v.valid_from <= time]
    return max(holding, key=lambda v: v.valid_from, default=None)


def _all_current(group: dict[str, tuple[Item, ...]], time: pd.Timestamp) -> dict[str, Item]:
    found = {name: _current(versions, time) for name, versions in group.items()}
    return {name: item for name, item in found.items() if item is not None}
