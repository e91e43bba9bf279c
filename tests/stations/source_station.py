"""A station with one pump on every kind of suction source, and what is true of each.

One day of our own invention in UTC, without noise: whatever the job gets wrong stands out. Every
pump has the same head and efficiency; what differs is where its water comes from. Losses are
fittings alone, K rho v^2 / 2, so that the truth needs no friction formula.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

START = pd.Timestamp("2026-03-10T00:00Z")
HOURS = 24
SAMPLE, GRID = 300, 600
"""Seconds between samples, and of the grid."""
ATMOSPHERE = 101325.0
"""At sea level: the station's altitude is 0 m."""

G = 9.80665
COLD = 999.5
"""Density of water at 12 °C, 999.50 kg/m3 (IAPWS tables, from memory)."""

DIAMETER = 0.25
LOSS_K = 4.0
"""Fittings of every branch, in velocity heads."""
EFFICIENCY = 0.68
PUMP_Z, GAUGE_Z = 1.0, 0.4
"""Centreline above the station datum, and suction gauge above the centreline [m]."""

B, C = 60.0, 900.0
"""Drawdown of the well: [s/m2], [s2/m5]."""
STATIC_LEVEL = 4.0
SETTLING = 1800.0
COLUMN_LOSS, COLUMN_FLOW = 0.9, 0.06
BELL_DIAMETER = 0.4
VESSEL_DENSITY = 983.2
"""Of water at 60 °C, 983.2 kg/m3 (steam tables, from memory)."""
DEAERATOR_DENSITY = 942.9
"""Of saturated water at 0.2 MPa: 1.0605 dm3/kg (steam tables, from memory)."""
DEAERATOR_PRESSURE = 2.0e5


def hour_of(time: pd.DatetimeIndex) -> np.ndarray:
    """Hours since the start."""
    return np.asarray((time - START) / pd.Timedelta(hours=1))


def flow_at(hour: np.ndarray) -> np.ndarray:
    """Flow of a running pump [m3/s]."""
    return np.asarray(0.06 + 0.006 * np.sin(hour / 3.0))


def head_at(flow: np.ndarray) -> np.ndarray:
    """Head of every pump [m]."""
    return np.asarray(24.0 - 1500.0 * flow**2)


def velocity_pressure(flow: np.ndarray, density: float, diameter: float = DIAMETER) -> np.ndarray:
    """Dynamic pressure in a pipe [Pa]."""
    return np.asarray(0.5 * density * (flow / (0.25 * np.pi * diameter**2)) ** 2)


@dataclass(frozen=True)
class Branch:
    """A pump with its source: what it draws, and how the plant file says so.

    Parameters
    ----------
    name : str
        Of the pump, and of its source.
    surface : callable
        Gauge pressure on the surface [Pa] and its elevation [m], from hours and flow.
    source : str
        The plant file's keys of the source.
    tags : dict of str to tuple
        Further tags: quantity, unit, reference, and values from hours and flow.
    density : float
        [kg/m3]
    running : callable
        Whether it runs, from hours.
    """

    name: str
    surface: Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]
    source: str
    tags: dict[str, tuple[str, str, Callable[[np.ndarray, np.ndarray], np.ndarray]]]
    density: float = COLD
    running: Callable[[np.ndarray], np.ndarray] = field(default=lambda hour: hour >= 0.0)
    diameter: float = DIAMETER
    loss_k: float = LOSS_K
    strainer_k: float = 0.0
    column_loss: float = 0.0
    pump: str = ""
    branch: str = ""
    has_gauge: bool = False
    position: str = "at_flange"

    def flow(self, hour: np.ndarray) -> np.ndarray:
        """Flow [m3/s]."""
        return np.where(self.running(hour), flow_at(hour), 0.0)

    def truth(self, hour: np.ndarray) -> pd.DataFrame:
        """What is true: static, tap reading, total head, NPSH available, power."""
        flow = self.flow(hour)
        rho = self.density
        surface, elevation = self.surface(hour, flow)
        static = surface + rho * G * (elevation - PUMP_Z - GAUGE_Z)
        dynamic = velocity_pressure(flow, rho, self.diameter)
        strainer = self.strainer_k * velocity_pressure(flow, rho)
        before = self.position == "before_strainer"
        tap = static - dynamic - self.loss_k * dynamic - (0.0 if before else strainer)
        at_pump = tap - (strainer if before else 0.0)
        head = np.where(self.running(hour), head_at(flow), 0.0)
        column = self.column_loss * (flow / COLUMN_FLOW) ** 2
        # Both taps and gauges at one height; the discharge pipe has the width of the suction.
        discharge = at_pump + rho * G * (head - column)
        kinetic = velocity_pressure(flow, rho) - dynamic
        discharge = discharge - kinetic
        power = rho * G * flow * head / EFFICIENCY
        return pd.DataFrame(
            {
                "flow": flow,
                "static": static,
                "tap": tap,
                "strainer": strainer,
                "total_head": head,
                "discharge": discharge,
                "power": power,
                # Absolute pressure over vapour pressure at the pump, with the velocity head.
                "suction_head": (at_pump + dynamic) / (rho * G) + GAUGE_Z,
            }
        )


def _swing(mean: float, size: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda hour: np.asarray(mean + size * np.sin(hour / 5.0))


NORTH, SOUTH = _swing(2.0, 0.3), _swing(4.5, 0.3)


def water_of_wet_well(hour: np.ndarray) -> np.ndarray:
    """Elevation of the water [m]; from 20:00 to 23:30 the well is drawn down by 3.6 m."""
    return np.asarray(5.0 + 0.3 * np.sin(hour / 5.0) - 3.6 * np.clip((hour - 20.0) / 3.5, 0.0, 1.0))


def _tank_of(hour: np.ndarray) -> np.ndarray:
    """North until 8:00, both until 9:00, then south; nothing is known from 15:00 to 16:00."""
    return np.where(hour < 8.5, 3.0 + NORTH(hour), 2.0 + SOUTH(hour))


def _status(opens: float, shuts: float) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    def values(hour: np.ndarray, flow: np.ndarray) -> np.ndarray:
        is_open = (hour >= opens) & (hour < shuts)
        return np.where((hour >= 15.0) & (hour < 16.0), np.nan, is_open.astype(float))

    return values


def _cycles(hour: np.ndarray) -> np.ndarray:
    """Six hours on, two off, from 1:00 on."""
    return np.asarray((hour >= 1.0) & ((hour - 1.0) % 8.0 < 6.0))


def _well(hour: np.ndarray, flow: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return np.zeros_like(hour), STATIC_LEVEL - (B * flow + C * flow**2)


BRANCHES = (
    Branch(
        "SWITCHED",
        lambda h, q: (np.zeros_like(h), _tank_of(h)),
        """kind = "switched_tanks"
tanks = [
  { id = "north", level_tag = "N.LEVEL", level_zero_elevation = "3 m", valve_tag = "N.OPEN" },
  { id = "south", level_tag = "S.LEVEL", level_zero_elevation = "2 m", valve_tag = "S.OPEN" },
]""",
        {
            "N.LEVEL": ("level", "m", lambda h, q: NORTH(h)),
            "S.LEVEL": ("level", "m", lambda h, q: SOUTH(h)),
            "N.OPEN": ("valve_open", "", _status(0.0, 9.0)),
            "S.OPEN": ("valve_open", "", _status(8.0, 99.0)),
        },
    ),
    Branch(
        "VESSEL",
        lambda h, q: (_swing(60e3, 5e3)(h), 2.0 + _swing(1.5, 0.2)(h)),
        """kind = "pressurised_vessel"
level_tag = "V.LEVEL"
level_zero_elevation = "2 m"
pressure_tag = "V.PRESSURE"
temperature_tag = "V.TEMP" """,
        {
            "V.LEVEL": ("level", "m", lambda h, q: _swing(1.5, 0.2)(h)),
            "V.PRESSURE": ("pressure", "kPa g", lambda h, q: _swing(60.0, 5.0)(h)),
            "V.TEMP": ("temperature", "°C", lambda h, q: np.full_like(h, 60.0)),
        },
        density=VESSEL_DENSITY,
    ),
    Branch(
        "DEAERATOR",
        lambda h, q: (
            np.full_like(h, DEAERATOR_PRESSURE - ATMOSPHERE),
            6.0 + _swing(1.5, 0.2)(h),
        ),
        """kind = "deaerator"
level_tag = "D.LEVEL"
level_zero_elevation = "6 m"
pressure_tag = "D.PRESSURE" """,
        {
            "D.LEVEL": ("level", "m", lambda h, q: _swing(1.5, 0.2)(h)),
            "D.PRESSURE": ("pressure", "bara", lambda h, q: np.full_like(h, 2.0)),
        },
        density=DEAERATOR_DENSITY,
    ),
    Branch(
        "WELL",
        _well,
        f"""kind = "well"
static_level = "{STATIC_LEVEL} m"
static_level_u = "0.05 m"
drawdown = {{ aquifer_loss = "{B} s/m2", aquifer_loss_u = "3 s/m2", well_loss = "{C} s2/m5", \
settling_time = "30 min" }}""",
        {},
        running=_cycles,
    ),
    Branch(
        "WET WELL",
        lambda h, q: (np.zeros_like(h), water_of_wet_well(h)),
        """kind = "wet_well"
level_tag = "W.LEVEL"
level_zero_elevation = "3 m" """,
        {"W.LEVEL": ("level", "m", lambda h, q: water_of_wet_well(h) - 3.0)},
        diameter=BELL_DIAMETER,
        loss_k=0.0,
        column_loss=COLUMN_LOSS,
        pump=f"""column = {{ loss = "{COLUMN_LOSS} m", at_flow = "{COLUMN_FLOW} m3/s", \
loss_u = "0.2 m" }}
""",
    ),
    Branch(
        "TAP BEFORE",
        lambda h, q: (np.zeros_like(h), 3.0 + _swing(3.0, 0.3)(h)),
        """kind = "open_tank"
level_tag = "B.LEVEL"
level_zero_elevation = "3 m" """,
        {
            "B.LEVEL": ("level", "m", lambda h, q: _swing(3.0, 0.3)(h)),
            "B.STRAINER": ("pressure_loss", "kPa", lambda h, q: np.full_like(h, np.nan)),
        },
        strainer_k=12.0,
        branch='strainer_tag = "B.STRAINER"',
        has_gauge=True,
        position="before_strainer",
    ),
    Branch(
        "TAP AFTER",
        lambda h, q: (np.zeros_like(h), 3.0 + _swing(3.0, 0.3)(h)),
        """kind = "open_tank"
level_tag = "A.LEVEL"
level_zero_elevation = "3 m" """,
        {
            "A.LEVEL": ("level", "m", lambda h, q: _swing(3.0, 0.3)(h)),
            "A.STRAINER": ("pressure_loss", "kPa", lambda h, q: np.full_like(h, np.nan)),
        },
        strainer_k=12.0,
        branch='strainer_tag = "A.STRAINER"',
        position="after_strainer",
    ),
)
BY_NAME = {branch.name: branch for branch in BRANCHES}

NO_STRAINER = (10.0, 12.0)
"""Hours in which both strainer transmitters report a bad status."""


def _pump_tags(branch: Branch) -> dict[str, tuple[str, str]]:
    tags = {
        f"{branch.name}.FLOW": ("flow", "l/s"),
        f"{branch.name}.DISCHARGE": ("discharge_pressure", "kPa g"),
        f"{branch.name}.POWER": ("electrical_power", "kW"),
    }
    if branch.has_gauge:
        tags[f"{branch.name}.SUCTION"] = ("suction_pressure", "kPa g")
    return tags


def _samples() -> pd.DataFrame:
    time = pd.date_range(START, START + pd.Timedelta(hours=HOURS), freq=f"{SAMPLE}s")
    hour = hour_of(time)
    # Between samples a straight line is drawn: what jumps is sampled on both sides.
    columns: dict[str, np.ndarray] = {}
    for branch in BRANCHES:
        truth = branch.truth(hour)
        columns[f"{branch.name}.FLOW"] = 1e3 * truth["flow"].to_numpy()
        columns[f"{branch.name}.DISCHARGE"] = 1e-3 * truth["discharge"].to_numpy()
        columns[f"{branch.name}.POWER"] = 1e-3 * truth["power"].to_numpy()
        if branch.has_gauge:
            columns[f"{branch.name}.SUCTION"] = 1e-3 * truth["tap"].to_numpy()
        for tag, (quantity, _, values) in branch.tags.items():
            columns[tag] = values(hour, truth["flow"].to_numpy())
            if quantity == "pressure_loss":
                columns[tag] = 1e-3 * truth["strainer"].to_numpy()
    frame = pd.DataFrame(columns).assign(time=time.strftime("%Y-%m-%dT%H:%M:%SZ"), hour=hour)
    long = frame.melt(id_vars=["time", "hour"], var_name="tag").assign(status="Good")
    lost = long["tag"].str.endswith(".STRAINER") & long["hour"].between(*NO_STRAINER)
    unknown = long["value"].isna()
    long.loc[lost | unknown, "status"] = "Bad"
    long["value"] = long["value"].fillna(0.0).round(6)
    return long[["tag", "time", "value", "status"]]


def _tag_text(name: str, quantity: str, unit: str) -> str:
    text = f'\n[[tags]]\nname = "{name}"\nquantity = "{quantity}"\n'
    text += f'unit = "{unit}"\n' if unit else ""
    if quantity == "level":
        text += 'accuracy = { systematic = "0.02 m", random = "0.004 m" }\n'
    return text


def _branch_text(branch: Branch) -> str:
    tap = f'elevation = "0 m", gauge_elevation = "{GAUGE_Z} m", elevation_u = "0.01 m"'
    suction = f'{{ {tap}, diameter = "{branch.diameter} m", position = "{branch.position}" }}'
    discharge = f'{{ {tap}, diameter = "{DIAMETER} m" }}'
    gauge = f'suction_pressure_tag = "{branch.name}.SUCTION"\n' if branch.has_gauge else ""
    drawn = ""
    if branch.loss_k:
        drawn = f"""pipe = {{ diameter = "{branch.diameter} m", length = "0 m" }}
fittings = [{{ name = "all", k = {branch.loss_k} }}]
"""
    return f"""
[[suction_sources]]
id = "{branch.name}"
{branch.source}

[[suction_lines]]
id = "{branch.name} line"
source = "{branch.name}"

[[suction_lines.branches]]
pump = "{branch.name}"
{drawn}{branch.branch}

[[pumps]]
id = "{branch.name}"
suction_line = "{branch.name} line"
reference_elevation = "{PUMP_Z} m"
flow_tag = "{branch.name}.FLOW"
{gauge}discharge_pressure_tag = "{branch.name}.DISCHARGE"
power_tag = "{branch.name}.POWER"
running_power = "1 kW"
suction_tap = {suction}
discharge_tap = {discharge}
driver = {{ rated_power = "30 kW", rated_efficiency = 0.93 }}
{branch.pump}"""


def plant_text() -> str:
    """Give the plant file."""
    tags = {tag: words for branch in BRANCHES for tag, words in _pump_tags(branch).items()}
    tags |= {t: (q, u) for branch in BRANCHES for t, (q, u, _) in branch.tags.items()}
    return f"""
plant_format = 1
data_folder = "data"

[station]
name = "Seven sources"
time_zone = "UTC"
grid = "{GRID} s"

[liquid]
temperature = "12 °C"

[[exports]]
path = "exports/*.csv"
status_column = "status"
{"".join(_branch_text(b) for b in BRANCHES)}{"".join(_tag_text(t, *w) for t, w in tags.items())}"""


def write_station(folder: Path) -> Path:
    """Write plant file and exports; give the path of the plant file."""
    (folder / "exports").mkdir(parents=True)
    _samples().to_csv(folder / "exports" / "day.csv", index=False, lineterminator="\n")
    plant = folder / "plant.toml"
    plant.write_text(plant_text(), "utf-8")
    return plant


def truth_of(name: str, time: pd.Series) -> pd.DataFrame:
    """What is true in the middle of grid intervals, by their start."""
    middle = pd.DatetimeIndex(time) + pd.Timedelta(seconds=GRID / 2)
    return BY_NAME[name].truth(hour_of(middle)).set_index(time.index)
