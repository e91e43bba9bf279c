"""A small station for quick runs of the whole job: two pumps on one header, four local days.

The days straddle a month end in a zone that is three hours behind UTC, so a file per UTC day
bears on two local months. Samples come every ten minutes but off the grid, so values near
midnight depend on the next file. Suction and pump heads follow quadratic laws of our own
choice; readings have noise, and pump B has no suction gauge.
"""

from __future__ import annotations

import json
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.tables.catalogue import BY_NAME, PUBLISHED

ZONE = "America/Sao_Paulo"
START = pd.Timestamp("2026-01-30T00:00Z")
DAYS = 4
FILES = tuple(f"day_{START + pd.Timedelta(days=d):%Y%m%d}.csv" for d in range(DAYS))
OF_ARRIVAL = ("runs", "late_arrivals")
"""Tables that tell when files came."""
DENSITY = 998.2
G = 9.80665

LEVEL_ZERO = 3.0
GAUGE_ELEVATION = 1.2
TAP_DIAMETER = 0.2
HEADER_LOSS, BRANCH_LOSS = 0.6e6, 1.5e6
"""Losses [Pa/(m3/s)2]."""

UNITS = {
    "LEVEL": ("level", "m"),
    "A.FLOW": ("flow", "l/s"),
    "A.SUCTION": ("suction_pressure", "kPa"),
    "A.DISCHARGE": ("discharge_pressure", "kPa"),
    "A.POWER": ("electrical_power", "kW"),
    "B.FLOW": ("flow", "l/s"),
    "B.DISCHARGE": ("discharge_pressure", "kPa"),
    "B.POWER": ("electrical_power", "kW"),
}


def _pump(flow: np.ndarray, suction: np.ndarray, running: np.ndarray) -> dict[str, np.ndarray]:
    velocity_head = (flow / (0.25 * np.pi * TAP_DIAMETER**2)) ** 2 / (2.0 * G)
    head = 38.0 - 2200.0 * flow**2
    efficiency = 0.72 - 60.0 * (flow - 0.06) ** 2
    # Taps, gauges and bores of both sides are alike: the head is the rise of pressure.
    rise = DENSITY * G * np.where(running, head, 0.0)
    power = np.where(running, DENSITY * G * flow * head / efficiency, 0.0)
    return {
        "suction": suction - DENSITY * G * velocity_head,
        "discharge": suction - DENSITY * G * velocity_head + rise,
        "power": power,
    }


@lru_cache(maxsize=2)
def samples(days: int = DAYS, gauge_of_b: bool = False) -> pd.DataFrame:
    """Samples of all tags: columns ``time`` (UTC) and one per tag, in the units of the tags."""
    rng = np.random.default_rng(20260130)
    n = days * 144
    time = START + pd.to_timedelta(600 * np.arange(n) + 200, unit="s")
    hour = np.asarray((time - START) / pd.Timedelta(hours=1))
    level = 2.5 + 0.8 * np.sin(hour / 9.0)
    a_on = (hour % 24 > 2.1) & (hour % 24 < 21.3)
    b_on = (hour % 24 < 9.2) | (hour % 24 > 14.4)
    a = np.where(a_on, 0.055 + 0.006 * np.sin(hour / 5.0), 0.0)
    b = np.where(b_on, 0.050 + 0.005 * np.cos(hour / 7.0), 0.0)
    static = DENSITY * G * (LEVEL_ZERO + level - GAUGE_ELEVATION)
    header = HEADER_LOSS * (a + b) ** 2
    pump_a = _pump(a, static - header - BRANCH_LOSS * a**2, a_on)
    pump_b = _pump(b, static - header - BRANCH_LOSS * b**2, b_on)
    noise = {name: rng.normal(0.0, 1.0, n) for name in UNITS}
    readings = pd.DataFrame(
        {
            "LEVEL": level + 0.002 * noise["LEVEL"],
            "A.FLOW": 1e3 * a * (1.0 + 0.003 * noise["A.FLOW"]),
            "A.SUCTION": (pump_a["suction"] + 80.0 * noise["A.SUCTION"]) / 1e3,
            "A.DISCHARGE": (pump_a["discharge"] + 300.0 * noise["A.DISCHARGE"]) / 1e3,
            "A.POWER": pump_a["power"] * (1.0 + 0.002 * noise["A.POWER"]) / 1e3,
            "B.FLOW": 1e3 * b * (1.0 + 0.003 * noise["B.FLOW"]),
            "B.DISCHARGE": (pump_b["discharge"] + 300.0 * noise["B.DISCHARGE"]) / 1e3,
            "B.POWER": pump_b["power"] * (1.0 + 0.002 * noise["B.POWER"]) / 1e3,
        }
    )
    if gauge_of_b:
        readings["B.SUCTION"] = (pump_b["suction"] + rng.normal(0.0, 80.0, n)) / 1e3
    frame = readings.round(5)
    frame.insert(0, "time", time)
    return frame


@lru_cache(maxsize=8)
def day_text(day: int, power_factor: float = 1.0) -> str:
    """Content of the export file of one UTC day, long form; `power_factor` changes pump A."""
    frame = samples()
    start = START + pd.Timedelta(days=day)
    inside = (frame["time"] >= start) & (frame["time"] < start + pd.Timedelta(days=1))
    mine = frame[inside].assign(**{"A.POWER": frame["A.POWER"] * power_factor})
    return long_text(mine)


def long_text(frame: pd.DataFrame) -> str:
    """Write samples as an export of long form."""
    dated = frame.assign(time=frame["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"))
    long = dated.melt(id_vars="time", var_name="tag").assign(status="Good")
    return long[["tag", "time", "value", "status"]].to_csv(index=False, lineterminator="\n")


def _tag(name: str, quantity: str, unit: str) -> str:
    text = f'\n[[tags]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\n'
    return text + ('reference = "gauge"\n' if quantity.endswith("pressure") else "")


def _pump_text(name: str, gauge: bool) -> str:
    tap = f'{{ elevation = "0 m", diameter = "{TAP_DIAMETER} m", elevation_u = "0.01 m" }}'
    suction = f'suction_pressure_tag = "{name}.SUCTION"\n' if gauge else ""
    return f"""
[[pumps]]
id = "{name}"
suction_line = "suction"
reference_elevation = "{GAUGE_ELEVATION} m"
flow_tag = "{name}.FLOW"
{suction}discharge_pressure_tag = "{name}.DISCHARGE"
power_tag = "{name}.POWER"
running_power = "2 kW"
suction_tap = {tap}
discharge_tap = {tap}
driver = {{ rated_power = "45 kW", rated_efficiency = 0.94 }}
"""


def plant_text(
    *, level_zero: float = LEVEL_ZERO, price: float = 0.2, gauge_of_b: bool = False
) -> str:
    """Give the plant file."""
    pumps = "".join(_pump_text(n, g) for n, g in (("A", True), ("B", gauge_of_b)))
    units = UNITS | ({"B.SUCTION": UNITS["A.SUCTION"]} if gauge_of_b else {})
    tags = "".join(_tag(name, *words) for name, words in units.items())
    branch = '{ diameter = "200 mm", length = "5 m" }'
    fittings = '[{ name = "tee", k = 1.2 }, { name = "strainer", k = 1.3 }]'
    return f"""
plant_format = 1
data_folder = "data"

[station]
name = "Small station"
time_zone = "{ZONE}"
grid = "10 min"

[liquid]
density = "{DENSITY} kg/m3"
name = "water at 20 °C"

[tariff]
currency = "EUR"
energy_price = {price}

[[exports]]
path = "exports/*.csv"
status_column = "status"

[[suction_sources]]
id = "tank"
kind = "open_tank"
level_tag = "LEVEL"
level_zero_elevation = "{level_zero} m"

[[suction_lines]]
id = "suction"
source = "tank"

[[suction_lines.header]]
id = "header"
carries = ["A", "B"]
pipe = {{ diameter = "250 mm", length = "30 m" }}
fittings = [{{ name = "tank outlet", k = 0.5 }}, {{ name = "bend", k = 0.3 }}]

[[suction_lines.branches]]
pump = "A"
pipe = {branch}
fittings = {fittings}

[[suction_lines.branches]]
pump = "B"
pipe = {branch}
fittings = {fittings}
{pumps}{tags}"""


class SmallStation:
    """A folder with the plant file; export files come when they are put there."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.plant = folder / "plant.toml"
        self.data = folder / "data"
        (folder / "exports").mkdir(parents=True)
        self.describe()

    @classmethod
    def at(cls, folder: Path) -> SmallStation:
        """Take up a station that is there already."""
        station = cls.__new__(cls)
        station.folder = folder
        station.plant = folder / "plant.toml"
        station.data = folder / "data"
        return station

    def describe(self, *, level_zero: float = LEVEL_ZERO, price: float = 0.2) -> SmallStation:
        """Write the plant file."""
        self.plant.write_text(plant_text(level_zero=level_zero, price=price), "utf-8")
        return self

    def bring(self, *days: int, power_factor: float = 1.0) -> SmallStation:
        """Put the files of some days there."""
        for day in days:
            self.put(FILES[day], day_text(day, power_factor))
        return self

    def put(self, name: str, text: str) -> Path:
        """Put a file among the exports, complete at once as a copying tool would."""
        path = self.folder / "exports" / name
        part = path.with_suffix(".part")
        part.write_text(text, "utf-8")
        return part.replace(path)

    def table(self, name: str) -> pd.DataFrame:
        """Read a published table as a user would."""
        return pd.read_parquet(self.data / "tables" / name)

    def bytes_of_tables(self, but: tuple[str, ...] = OF_ARRIVAL) -> dict[str, bytes]:
        """Every file of the published tables by its path, but for some tables."""
        root = (self.data / "tables").resolve()
        wanted = {contract.name for contract in PUBLISHED} - set(but)
        return {
            str(p.relative_to(root)): p.read_bytes()
            for p in sorted(root.rglob("*.parquet"))
            if p.relative_to(root).parts[0] in wanted
        }


def assert_same_tables(one: SmallStation, other: SmallStation) -> None:
    """Compare all that must not depend on the order in which files arrived.

    Every published table but those of ``OF_ARRIVAL``: keys, text and integers equal, floats to
    1e-9.
    """
    names = {p.name for p in (one.data / "tables").resolve().iterdir()}
    assert names == {p.name for p in (other.data / "tables").resolve().iterdir()}
    compared = sorted(names & {contract.name for contract in PUBLISHED} - set(OF_ARRIVAL))
    assert len(compared) > 10
    for name in compared:
        contract = BY_NAME[name]
        keys = [c.published_name("SI", "EUR") for c in contract.columns if c.name in contract.key]
        left, right = (
            s.table(name).sort_values(keys, ignore_index=True).astype(_plain(s.table(name)))
            for s in (one, other)
        )
        pd.testing.assert_frame_equal(left, right, rtol=1e-9, atol=1e-12, obj=name)


def _plain(frame: pd.DataFrame) -> dict[str, str]:
    """Labels as text: which labels a file happens to list is no content."""
    return {n: "str" for n, t in frame.dtypes.items() if isinstance(t, pd.CategoricalDtype)}


def read_json(text: str) -> dict[str, object]:
    """Read JSON strictly: NaN and Infinity are no JSON."""

    def refuse(word: str) -> float:
        raise ValueError(word)

    return dict(json.loads(text, parse_constant=refuse))
