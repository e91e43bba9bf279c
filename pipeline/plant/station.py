"""The station as a whole: every dated version of every item, and how it stood at a time."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

import pandas as pd

from pipeline.plant.machines import FlowMeter, Pump
from pipeline.plant.publication import Publication
from pipeline.plant.signals import ExportFormat, Tag
from pipeline.plant.suction_side import Liquid, SuctionLine, SuctionSource
from pipeline.plant.tariff import Tariff
from pipeline.quantities import DisplaySystem, DisplayUnit, display_unit


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

    def unit(self, quantity: str) -> DisplayUnit:
        """Give the unit in which this station shows a quantity."""
        return display_unit(quantity, self.display)


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
    survey, events, acknowledgements : str or None
        Names of the files of spot readings, of events and of flags people have seen, beside
        the plant file.
    text : bytes
        Content of the plant file (and the curve files it names), for fingerprints.
    publish : Publication or None
        Where the tables are published at the end of each run; None for nowhere.
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
    acknowledgements: str | None = None
    text: bytes = b""
    publish: Publication | None = None

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

    @property
    def survey_path(self) -> Path | None:
        """File of spot readings."""
        return None if self.survey is None else self.path.parent / self.survey

    @property
    def events_path(self) -> Path | None:
        """File of events."""
        return None if self.events is None else self.path.parent / self.events

    def _snapshot(self, start: pd.Timestamp, end: pd.Timestamp) -> Snapshot:
        pumps = _all_current(self.pumps, start)
        lines = _all_current(self.lines, start)
        return Snapshot(
            start=start,
            end=end,
            station=self.station,
            liquid=_current(self.liquids, start) or Liquid(),
            tariff=_current(self.tariffs, start) or Tariff(),
            tags=_all_current(self.tags, start),
            sources=_all_current(self.sources, start),
            lines={name: _without_absent(line, pumps) for name, line in lines.items()},
            pumps=pumps,
            flow_meters=_all_current(self.flow_meters, start),
        )


def _without_absent(line: SuctionLine, pumps: dict[str, Pump]) -> SuctionLine:
    """Leave out the pumps that are not built yet: nothing flows to them."""
    header = tuple(
        replace(segment, carries=tuple(p for p in segment.carries if p in pumps))
        for segment in line.header
    )
    branches = {name: segment for name, segment in line.branches.items() if name in pumps}
    return replace(line, header=header, branches=branches)


def _current(versions: Iterable[Item], time: pd.Timestamp) -> Item | None:
    holding = [v for v in versions if v.valid_from <= time]
    return max(holding, key=lambda v: v.valid_from, default=None)


def _all_current(group: dict[str, tuple[Item, ...]], time: pd.Timestamp) -> dict[str, Item]:
    found = {name: _current(versions, time) for name, versions in group.items()}
    return {name: item for name, item in found.items() if item is not None}
