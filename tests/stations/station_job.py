"""The EPANET station as a plant file and exports, for the whole job to be run on.

Pump 1 and 2 are ``A`` and ``B``. Drawings and accuracies go into the plant file as an engineer
would state them; readings come from `station_scenarios`, spoilt as the scenario says.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from epanet_station import (
    BRANCHES,
    HEADER,
    LEVEL_ZERO_ELEVATION,
    PUMP_DATA,
    PUMPS,
    LineData,
)
from richmond import SPECIFIC_WEIGHT, G
from station_scenarios import INSTRUMENTS

from pipeline.jobs.nightly import RunResult, run_plant

DENSITY = SPECIFIC_WEIGHT / G
NAMES = {1: "A", 2: "B"}
AS_BUILT = {"header": HEADER, **{f"branch_{k}": BRANCHES[k] for k in PUMPS}}

_UNITS = {
    "flow": ("flow", "l/s", 1e3),
    "suction_pressure": ("suction_pressure", "kPa", 1e-3),
    "discharge_pressure": ("discharge_pressure", "kPa", 1e-3),
    "electrical_power": ("electrical_power", "kW", 1e-3),
}
ROOT3 = 3.0**0.5
PER_GRID = 2
"""Samples in an interval of the grid; the random part of an accuracy is that of the interval."""


def write_exports(readings: pd.DataFrame, folder: Path) -> None:
    """Write all samples as one long Parquet file, OPC status codes as words."""
    folder.mkdir(parents=True, exist_ok=True)
    columns = {"LEVEL": readings["level"].to_numpy()}
    good = {"LEVEL": np.ones(len(readings), dtype=bool)}
    for k in PUMPS:
        for name, (_, _, scale) in _UNITS.items():
            tag = f"{NAMES[k]}.{name.upper()}"
            columns[tag] = readings[f"{name}_{k}"].to_numpy() * scale
            known = readings.get(f"{name}_{k}_good")
            good[tag] = columns[tag] == columns[tag] if known is None else known.to_numpy()
    tags = np.array(list(columns))
    n = len(readings)
    table = pa.table(
        {
            "tag": pa.DictionaryArray.from_arrays(np.repeat(np.arange(len(tags)), n), tags),
            "time": pa.array(np.tile(readings["time"].to_numpy(), len(tags))),
            "value": np.nan_to_num(np.concatenate(list(columns.values()))).round(5),
            "status": np.where(np.concatenate(list(good.values())), "Good", "Bad"),
        }
    )
    pq.write_table(table, folder / "station.parquet", compression="zstd")


def _tag(name: str, quantity: str, unit: str, accuracy: str) -> str:
    reference = 'reference = "gauge"\n' if quantity.endswith("pressure") else ""
    return f"""
[[tags]]
name = "{name}"
quantity = "{quantity}"
unit = "{unit}"
interpolation = "step"
accuracy = {{ {accuracy} }}
{reference}"""


def _pipe(line: LineData) -> str:
    return (
        f'{{ diameter = "{1e3 * line.diameter} mm", length = "{line.length} m", '
        f'roughness = "{1e3 * line.roughness} mm" }}'
    )


def plant_text(
    drawn: dict[str, LineData] | None = AS_BUILT,
    *,
    gauges: tuple[int, ...] = PUMPS,
    instead: dict[str, str] | None = None,
) -> str:
    """Give the plant file; `drawn` None leaves the drawing out, `instead` replaces text."""
    level = INSTRUMENTS["level"]
    tags = [
        _tag(
            "LEVEL", "level", "m",
            f'systematic = "{level.systematic * ROOT3:.4f} m", '
            f'random = "{level.random / PER_GRID**0.5:.4f} m"',
        )
    ]  # fmt: skip
    pumps = []
    for k in PUMPS:
        data = PUMP_DATA[k]
        for name, (quantity, unit, scale) in _UNITS.items():
            if name == "suction_pressure" and k not in gauges:
                continue
            a = INSTRUMENTS[f"{name}_{k}"]
            said, size = ("% of reading", 100.0) if a.relative else (unit, scale)
            tags.append(
                _tag(
                    f"{NAMES[k]}.{name.upper()}", quantity, unit,
                    f'systematic = "{a.systematic * ROOT3 * size:.4f} {said}", '
                    f'random = "{a.random * size / PER_GRID**0.5:.4f} {said}"',
                )
            )  # fmt: skip
        suction, discharge = (
            f'{{ elevation = "{z - data.reference_plane_elevation:.3f} m", diameter = "{d} m", '
            'elevation_u = "0.002 m" }'
            for z, d in (
                (data.suction_tap_elevation, data.suction_tap_diameter),
                (data.discharge_tap_elevation, data.discharge_tap_diameter),
            )
        )
        gauge = f'suction_pressure_tag = "{NAMES[k]}.SUCTION_PRESSURE"' if k in gauges else ""
        pumps.append(f"""
[[pumps]]
id = "{NAMES[k]}"
suction_line = "suction"
reference_elevation = "{data.reference_plane_elevation} m"
flow_tag = "{NAMES[k]}.FLOW"
{gauge}
discharge_pressure_tag = "{NAMES[k]}.DISCHARGE_PRESSURE"
power_tag = "{NAMES[k]}.ELECTRICAL_POWER"
running_power = "1 kW"
suction_tap = {suction}
discharge_tap = {discharge}
""")
    branches = []
    header = ""
    for k in PUMPS:
        line = None if drawn is None else drawn[f"branch_{k}"]
        how = "" if line is None else (
            f'pipe = {_pipe(line)}\nfittings = [{{ name = "all", k = {line.fittings} }}]'
        )  # fmt: skip
        branches.append(f'\n[[suction_lines.branches]]\npump = "{NAMES[k]}"\n{how}\n')
    if drawn is not None:
        line = drawn["header"]
        header = f'pipe = {_pipe(line)}\nfittings = [{{ name = "all", k = {line.fittings} }}]\n'
    text = f"""
plant_format = 1
data_folder = "data"

[station]
name = "Two tanks"
time_zone = "UTC"
grid = "10 min"

[liquid]
name = "water of the engine"
density = "{DENSITY!r} kg/m3"

[tariff]
currency = "EUR"
energy_price = 0.2

[[exports]]
path = "exports/*.parquet"
status_column = "status"

[[suction_sources]]
id = "tank S"
kind = "open_tank"
level_tag = "LEVEL"
level_zero_elevation = "{LEVEL_ZERO_ELEVATION} m"

[[suction_lines]]
id = "suction"
source = "tank S"

[[suction_lines.header]]
id = "header"
carries = ["A", "B"]
{header}
{"".join(branches)}{"".join(pumps)}{"".join(tags)}"""
    for old, new in (instead or {}).items():
        assert text.count(old) == 1, f"{old} is {text.count(old)} times in the plant file"
        text = text.replace(old, new)
    return text


@dataclass(frozen=True)
class StationRun:
    """What one run made of the station, and what is true."""

    folder: Path
    result: RunResult
    readings: pd.DataFrame

    def table(self, name: str) -> pd.DataFrame:
        """A published table, labels as text."""
        frame = pd.read_parquet(self.folder / "data" / "tables" / name)
        labels = {n: "str" for n, t in frame.dtypes.items() if isinstance(t, pd.CategoricalDtype)}
        return frame.astype(labels)

    def points(self, k: int) -> pd.DataFrame:
        """Steady points of a pump with the true means of their interval, SI: ``true_*``."""
        points = self.table("operating_points")
        points = points[(points["pump"] == NAMES[k]) & (points["status"] == "steady")]
        names = ["suction_pressure", "flow", "electrical_power"]
        true = self.readings.set_index("time")[
            [*(f"{n}_{k}_true" for n in names), f"total_head_{k}_true"]
        ]
        true.columns = [f"true_{n}" for n in (*names, "total_head")]
        means = true.resample("10min").mean()
        return points.merge(means, left_on="time", right_index=True, how="left")


def run_station(folder: Path, readings: pd.DataFrame, plant: str) -> StationRun:
    """Write plant file and exports, and run the job once."""
    write_exports(readings, folder / "exports")
    (folder / "plant.toml").write_text(plant, "utf-8")
    return StationRun(folder, run_plant(folder / "plant.toml"), readings)
