"""Plants and measurements in a few lines, for the assembly of pump frames."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.assembly import GridView
from pipeline.plant import (
    Accuracy,
    Driver,
    FlowMeter,
    Liquid,
    Pump,
    Segment,
    Snapshot,
    Station,
    SuctionLine,
    SuctionSource,
    Tag,
    Tap,
    Tariff,
)

START = pd.Timestamp("2026-05-01T00:00Z")
GRID = 600.0


def measurements(
    columns: Mapping[str, Sequence[float]],
    coverage: Mapping[str, Sequence[float]] | None = None,
) -> pa.Table:
    """Rows as the table of measurements holds them; NaN leaves the row out."""
    pieces = []
    for tag, values in columns.items():
        known = np.isfinite(np.asarray(values, dtype=float))
        n = len(values)
        time = START + pd.to_timedelta(GRID * np.arange(n), unit="s")
        covered = (coverage or {}).get(tag, np.ones(n))
        pieces.append(
            pd.DataFrame(
                {
                    "tag": tag,
                    "time": time.as_unit("us"),
                    "value": np.asarray(values, dtype=float),
                    "coverage": np.asarray(covered, dtype=float),
                    "worst_quality": "good",
                }
            )[known]
        )
    return pa.Table.from_pandas(pd.concat(pieces), preserve_index=False)


def view_of(
    columns: Mapping[str, Sequence[float]],
    coverage: Mapping[str, Sequence[float]] | None = None,
) -> GridView:
    """View of columns of equal length."""
    n = max(len(values) for values in columns.values())
    end = START + pd.Timedelta(seconds=GRID * n)
    return GridView(measurements(columns, coverage), START, end, GRID)


def a_tag(name: str, quantity: str, **accuracy: float) -> Tag:
    """A tag in SI."""
    return Tag(name=name, quantity=quantity, unit="", accuracy=Accuracy(**accuracy))


def a_pump(name: str = "P", **changes: object) -> Pump:
    """A pump whose tags carry its name: ``P.Q``, ``P.PS``, ``P.PD``, ``P.W``."""
    usual = {
        "id": name,
        "suction_line": "L",
        "suction_tap": Tap(elevation=0.2, diameter=0.3),
        "discharge_tap": Tap(elevation=0.5, diameter=0.25),
        "reference_elevation": 1.0,
        "flow_tag": f"{name}.Q",
        "suction_pressure_tag": f"{name}.PS",
        "discharge_pressure_tag": f"{name}.PD",
        "power_tag": f"{name}.W",
        "driver": Driver(rated_power=40e3),
    }
    return Pump(**{**usual, **changes})  # type: ignore[arg-type]


def a_plant(
    *pumps: Pump,
    source: SuctionSource | None = None,
    line: SuctionLine | None = None,
    tags: Sequence[Tag] = (),
    meters: Sequence[FlowMeter] = (),
    liquid: Liquid | None = None,
    **more: object,
) -> Snapshot:
    """A plant of pumps on one line."""
    names = [p.id for p in pumps]
    branches = {n: Segment(id=f"{n} branch", carries=(n,)) for n in names}
    header = (Segment(id="common", carries=tuple(names)),)
    line = line or SuctionLine(id="L", source="S", header=header, branches=branches)
    source = source or SuctionSource(
        id="S", kind="open_tank", level_tag="LT", level_zero_elevation=3.0
    )
    shown = {
        "start": START,
        "end": START + pd.Timedelta(days=1),
        "station": Station(name="Weir", time_zone="UTC", grid=GRID),
        "liquid": liquid or Liquid(name="test liquid", density=1000.0, vapour_pressure=2000.0),
        "tariff": Tariff(),
        "tags": {t.name: t for t in tags},
        "sources": {"S": source},
        "lines": {"L": line},
        "pumps": {p.id: p for p in pumps},
        "flow_meters": {m.id: m for m in meters},
    }
    return Snapshot(**{**shown, **more})  # type: ignore[arg-type]
