"""The plant as frozen, validated types.

All numbers are SI. Elevations of sources, pumps and pipes share one station datum; tap
elevations are relative to the pump's own reference plane, z up, as on a test sheet.

Everything carries ``valid_from``: an impeller, a gauge or a tag mapping may change while
history keeps what was true then. ``Plant`` holds all versions; ``Plant.eras`` cuts time
where anything changes and gives each piece as a ``Snapshot`` with one version of each item.
"""

from __future__ import annotations

from pipeline.plant.machines import (
    Column,
    CurvePoint,
    Driver,
    FlowMeter,
    FlowRegion,
    Maintenance,
    MeterPosition,
    PowerSide,
    Pump,
    SensingLine,
    Tap,
    TapPosition,
)
from pipeline.plant.signals import Accuracy, ExportFormat, Interpolation, Layout, Measures, Tag
from pipeline.plant.station import Dated, Item, Plant, Snapshot, Station
from pipeline.plant.suction_side import (
    Drawdown,
    Fitting,
    Liquid,
    Pipe,
    Segment,
    SourceKind,
    SuctionLine,
    SuctionSource,
    Tank,
)
from pipeline.plant.tariff import Tariff
from pipeline.plant.validity import BEGINNING

__all__ = [
    "BEGINNING",
    "Accuracy",
    "Column",
    "CurvePoint",
    "Dated",
    "Drawdown",
    "Driver",
    "ExportFormat",
    "Fitting",
    "FlowMeter",
    "FlowRegion",
    "Interpolation",
    "Item",
    "Layout",
    "Liquid",
    "Maintenance",
    "Measures",
    "MeterPosition",
    "Pipe",
    "Plant",
    "PowerSide",
    "Pump",
    "Segment",
    "SensingLine",
    "Snapshot",
    "SourceKind",
    "Station",
    "SuctionLine",
    "SuctionSource",
    "Tag",
    "Tank",
    "Tap",
    "TapPosition",
    "Tariff",
]
