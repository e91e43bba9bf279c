"""A two-pump station built in code and run by the EPANET engine for a year at 5 minutes.

::

    mains --fill valve--> tank S ---header---> junction --branch 1--> pump 1 --> tank T1
                                                   |                   (low head, about 8 m)
                                                   +------branch 2--> pump 2 --> tank T2
                                                                       (about 46 m)

Darcy-Weisbach friction throughout. Customers draw from the rising mains, so each pump's flow
follows demand, the level of S, the level of its own tank and whether the other pump runs.
Pumps and fill valve are switched by tank levels; one, both or no pump runs.

What the engine gives, and what is added here
    The engine's node heads are read as *total* heads: it knows no velocity head, and its minor
    losses are losses of total head. A wall tap reads static pressure, so

        pressure = rho g (head - tap elevation) - rho v^2 / 2

    with v from the pump's delivered flow and the bore at the tap (`PumpData`). Level, flows,
    heads and electrical power (link energy, from the overall efficiency curves) are the
    engine's; no hydraulics are computed here.

Internal leakage
    A small pipe joins each pump's discharge to its suction inside the two taps. At rest it
    lets the discharge tap read the suction side's static head, as through a standing pump
    behind a tight check valve; running, it passes 0.01 % of the flow. Wear is that pipe
    opening up: the pump curve then shifts along the flow axis by an amount going as the square
    root of the head. `flow_k` is what is delivered; the engine's power follows what passes the
    impeller.

Constants: rho g = 9802.32 N/m3 x specific gravity (see `richmond`), g = 9.80665 m/s2. The
friction factor is the engine's (Swamee-Jain above Re 4000), relative viscosity 1.2 x
1.022e-6 m2/s.

Every row is the state at its time stamp, held by the engine until its next step; all columns
of a row belong to the same state. `is_transition` marks rows whose 5 minutes contain a start
or a stop later than the stamp.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
import wntr
from richmond import SPECIFIC_WEIGHT, G
from wntr.epanet.toolkit import ENepanet
from wntr.epanet.util import EN

START = pd.Timestamp("2024-01-01T00:00:00Z")
STEP = pd.Timedelta(minutes=5)
YEAR_DAYS = 365.0
KINEMATIC_VISCOSITY = 1.2 * 1.1e-5 * 0.3048**2
"""The engine's viscosity [m2/s]: 1.2 x 1.1e-5 ft2/s."""
LEVEL_ZERO_ELEVATION = 2.65
"""Elevation where the level transmitter of tank S reads 0; the floor is at 2.50 m."""
TANK_FLOOR_ELEVATION = 2.50
TANK_DIAMETER = 14.0
DELIVERY_FLOOR_ELEVATION = {1: 8.3, 2: 43.0}
PUMPS = (1, 2)
CACHE_FILES = 24


@dataclass(frozen=True)
class LineData:
    """A suction-side pipe as built, in SI; `fittings` is the sum of its loss coefficients."""

    length: float
    diameter: float
    roughness: float
    fittings: float


@dataclass(frozen=True)
class PumpData:
    """What a plant file would say of a pump; elevations in the station's datum [m]."""

    reference_plane_elevation: float
    suction_tap_elevation: float
    suction_tap_diameter: float
    discharge_tap_elevation: float
    discharge_tap_diameter: float
    shutoff_head: float
    head_drop_at_duty: float
    duty_flow: float
    efficiency_flow: tuple[float, ...]
    efficiency_value: tuple[float, ...]

    @property
    def duty_head(self) -> float:
        """Head at the duty flow [m]."""
        return self.shutoff_head - self.head_drop_at_duty


HEADER = LineData(length=120.0, diameter=0.300, roughness=0.5e-3, fittings=2.5)
BRANCHES = {
    1: LineData(length=20.0, diameter=0.200, roughness=0.3e-3, fittings=4.0),
    2: LineData(length=15.0, diameter=0.150, roughness=0.3e-3, fittings=3.5),
}
PUMP_DATA = {
    1: PumpData(
        reference_plane_elevation=0.0,
        suction_tap_elevation=0.45,
        suction_tap_diameter=0.200,
        discharge_tap_elevation=1.10,
        discharge_tap_diameter=0.150,
        shutoff_head=12.0,
        head_drop_at_duty=4.0,
        duty_flow=0.060,
        efficiency_flow=(0.0, 0.020, 0.040, 0.055, 0.065, 0.075, 0.090),
        efficiency_value=(0.0, 0.38, 0.64, 0.73, 0.74, 0.70, 0.55),
    ),
    2: PumpData(
        reference_plane_elevation=0.30,
        suction_tap_elevation=-0.20,
        suction_tap_diameter=0.150,
        discharge_tap_elevation=1.35,
        discharge_tap_diameter=0.125,
        shutoff_head=56.0,
        head_drop_at_duty=10.0,
        duty_flow=0.040,
        efficiency_flow=(0.0, 0.012, 0.025, 0.035, 0.042, 0.050, 0.060),
        efficiency_value=(0.0, 0.35, 0.60, 0.69, 0.70, 0.66, 0.54),
    ),
}
LEAK_DIAMETER = 0.050
LEAK_FRACTION = 1e-4


@dataclass(frozen=True)
class Fouling:
    """A strainer in one branch, fouling and then cleaned at once.

    Its loss coefficient (on the velocity in the branch) grows as
    ``coefficient * (days / growth_days) ** shape`` from `start_day` and is zero again after
    ``start_day + growth_days``.
    """

    pump: int = 1
    start_day: float = 150.0
    growth_days: float = 60.0
    coefficient: float = 8.0
    shape: float = 1.0

    def at(self, day: float) -> float:
        """Loss coefficient of the strainer above clean [-]."""
        share = (day - self.start_day) / self.growth_days
        return self.coefficient * share**self.shape if 0 < share <= 1 else 0.0


@dataclass(frozen=True)
class Wear:
    """Internal leakage growing evenly to `fraction` of the duty flow between two days."""

    pump: int = 1
    start_day: float = 0.0
    end_day: float = YEAR_DAYS
    fraction: float = 0.05

    def at(self, day: float) -> float:
        """Leakage at the duty head as a share of the duty flow [-]."""
        share = np.clip((day - self.start_day) / (self.end_day - self.start_day), 0, 1)
        return max(LEAK_FRACTION, self.fraction * float(share))


def _leak_coefficient(pump: int, fraction: float) -> float:
    data = PUMP_DATA[pump]
    velocity = fraction * data.duty_flow / (np.pi * LEAK_DIAMETER**2 / 4)
    return data.duty_head * 2 * G / velocity**2


def demand_factors(hours: int, seed: int = 7) -> tuple[np.ndarray, np.ndarray]:
    """Hourly demand factors of the two zones: day, week, season and correlated noise.

    A shorter run has the first hours of a longer one.
    """
    hour = np.arange(hours)
    day = 1 + 0.45 * np.sin(2 * np.pi * (hour % 24 - 6) / 24)
    day += 0.25 * np.sin(4 * np.pi * (hour % 24 - 7) / 24)
    season = 1 + 0.15 * np.cos(2 * np.pi * (hour / 24 - 200) / 365)
    weekend = (hour // 24) % 7 >= 5

    def factors(zone: int, weekend_drop: float) -> np.ndarray:
        white = np.random.default_rng([seed, zone]).normal(0, 0.036, hours + 23)
        noise = np.convolve(white, 0.8 ** np.arange(24), mode="valid")
        return np.clip(day * season * (1 - weekend_drop * weekend) + noise, 0.2, None)

    return factors(1, 0.10), factors(2, -0.05)


def _pattern(name: str, factors: np.ndarray) -> str:
    rows = [factors[i : i + 12] for i in range(0, len(factors), 12)]
    return "\n".join(name + " " + " ".join(f"{v:.4f}" for v in row) for row in rows)


def _pipe(name: str, start: str, end: str, line: LineData, status: str = "Open") -> str:
    return (
        f"{name} {start} {end} {line.length} {line.diameter * 1000} "
        f"{line.roughness * 1000} {line.fittings} {status}"
    )


def network(days: float = YEAR_DAYS, specific_gravity: float = 1.0) -> str:
    """Return the station as a network file (flow in L/s, lengths in m, bores in mm)."""
    factors = demand_factors(int(np.ceil(days * 24)))
    pipes = [
        _pipe("fill", "R", "W", LineData(400, 0.25, 0.3e-3, 0)),
        _pipe("inlet", "W", "S", LineData(5, 0.25, 0.3e-3, 3.6)),
        _pipe("header", "S", "J", HEADER),
        _pipe("main1", "D1", "M1", LineData(150, 0.25, 0.2e-3, 3), "CV"),
        _pipe("rise1", "M1", "T1", LineData(250, 0.25, 0.2e-3, 1)),
        _pipe("main2", "D2", "M2", LineData(300, 0.20, 0.2e-3, 4), "CV"),
        _pipe("rise2", "M2", "T2", LineData(500, 0.20, 0.2e-3, 1)),
    ]
    curves, energy = [], []
    for k in PUMPS:
        data = PUMP_DATA[k]
        leak = LineData(1, LEAK_DIAMETER, 0.1e-3, _leak_coefficient(k, LEAK_FRACTION))
        pipes += [
            _pipe(f"branch{k}", "J", f"S{k}", BRANCHES[k]),
            _pipe(f"leak{k}", f"D{k}", f"S{k}", leak),
        ]
        for flow in np.linspace(0, 1.5 * data.duty_flow, 25):
            head = data.shutoff_head - data.head_drop_at_duty * (flow / data.duty_flow) ** 2
            curves.append(f"head{k} {flow * 1000:.4f} {head:.6f}")
        for flow, value in zip(data.efficiency_flow, data.efficiency_value, strict=True):
            curves.append(f"eff{k} {flow * 1000:.4f} {value * 100:.4f}")
        energy.append(f"Pump P{k} Efficiency eff{k}")
    return "\n".join(
        [
            "[JUNCTIONS]",
            *("W 6 0", "J 2 0", "S1 0 0", "S2 0 0", "D1 0 0", "D2 0 0"),
            *("M1 0 36 zone1", "M2 0 22 zone2"),
            "[RESERVOIRS]",
            "R 20",
            "[TANKS]",
            f"S {TANK_FLOOR_ELEVATION} 3.0 0.2 5.0 {TANK_DIAMETER} 0",
            f"T1 {DELIVERY_FLOOR_ELEVATION[1]} 1.5 0.1 4 16 0",
            f"T2 {DELIVERY_FLOOR_ELEVATION[2]} 1.5 0.1 4 12 0",
            "[PIPES]",
            *pipes,
            "[PUMPS]",
            *("P1 S1 D1 HEAD head1", "P2 S2 D2 HEAD head2"),
            "[CURVES]",
            *curves,
            "[PATTERNS]",
            _pattern("zone1", factors[0]),
            _pattern("zone2", factors[1]),
            "[CONTROLS]",
            "LINK fill OPEN IF NODE S BELOW 1.2",
            "LINK fill CLOSED IF NODE S ABOVE 4.4",
            "LINK P1 OPEN IF NODE T1 BELOW 1.0",
            "LINK P1 CLOSED IF NODE T1 ABOVE 2.8",
            "LINK P2 OPEN IF NODE T2 BELOW 0.8",
            "LINK P2 CLOSED IF NODE T2 ABOVE 3.2",
            "[ENERGY]",
            *energy,
            "[TIMES]",
            f"Duration {int(days * 86400)} SEC",
            f"Hydraulic Timestep {int(STEP.total_seconds())} SEC",
            f"Report Timestep {int(STEP.total_seconds())} SEC",
            "Pattern Timestep 1:00",
            "[REPORT]",
            "Status No",
            "[OPTIONS]",
            "Units LPS",
            "Headloss D-W",
            f"Specific Gravity {specific_gravity}",
            "Viscosity 1.2",
            "Accuracy 0.00001",
            "Trials 100",
            "Unbalanced Continue 10",
            "[END]",
            "",
        ]
    )


_LINKS = ("branch1", "branch2", "header", "P1", "P2", "fill")
_NODES = ("S", "J", "S1", "S2", "D1", "D2", "T1", "T2")


def _run(text: str, change: Callable[[ENepanet, float], None] | None) -> pd.DataFrame:
    """Run the engine; one row per step it took, in the engine's units.

    `change` may set link values before each step; it gets the engine and the day.
    """
    with tempfile.TemporaryDirectory() as folder:
        inp = Path(folder) / "network.inp"
        inp.write_text(text)
        engine = ENepanet()
        engine.ENopen(str(inp), str(inp.with_suffix(".rpt")), str(inp.with_suffix(".bin")))
        try:
            links = [engine.ENgetlinkindex(name) for name in _LINKS]
            nodes = [engine.ENgetnodeindex(name) for name in _NODES]
            pumps = [engine.ENgetlinkindex(f"P{k}") for k in PUMPS]
            link, node = engine.ENgetlinkvalue, engine.ENgetnodevalue
            rows = []
            engine.ENopenH()
            engine.ENinitH(0)
            seconds, remaining = 0, 1
            while remaining > 0:
                if change is not None:
                    change(engine, seconds / 86400)
                now = engine.ENrunH()
                rows.append(
                    (
                        now,
                        *(link(i, EN.FLOW) for i in links),
                        *(node(i, EN.HEAD) for i in nodes),
                        *(link(i, EN.ENERGY) for i in pumps),
                        *(link(i, EN.STATUS) for i in pumps),
                    )
                )
                remaining = engine.ENnextH()
                seconds = now + remaining
            engine.ENcloseH()
        finally:
            engine.ENclose()
    names = ["seconds", *_LINKS, *(f"head_{n}" for n in _NODES)]
    return pd.DataFrame(rows, columns=[*names, "kw1", "kw2", "status1", "status2"])


def _simulate(
    days: float, fouling: Fouling | None, wear: Wear | None, specific_gravity: float
) -> pd.DataFrame:
    def change(engine: ENepanet, day: float) -> None:
        if fouling is not None:
            branch = engine.ENgetlinkindex(f"branch{fouling.pump}")
            loss = BRANCHES[fouling.pump].fittings + fouling.at(day)
            engine.ENsetlinkvalue(branch, EN.MINORLOSS, loss)
        if wear is not None:
            leak = engine.ENgetlinkindex(f"leak{wear.pump}")
            loss = _leak_coefficient(wear.pump, wear.at(day))
            engine.ENsetlinkvalue(leak, EN.MINORLOSS, loss)

    changing = fouling is not None or wear is not None
    raw = _run(network(days, specific_gravity), change if changing else None)

    step = STEP.total_seconds()
    on_grid = raw["seconds"] % step == 0
    switched = (raw[["status1", "status2"]].diff().abs() > 0).any(axis="columns") & ~on_grid
    transitions = (raw.loc[switched, "seconds"] // step).unique()
    raw = raw[on_grid].iloc[:-1].reset_index(drop=True)

    weight = SPECIFIC_WEIGHT * specific_gravity
    density = weight / G
    columns: dict[str, object] = {
        "time": (START + pd.to_timedelta(raw["seconds"], unit="s")).astype("datetime64[us, UTC]"),
        "level": raw["head_S"] - LEVEL_ZERO_ELEVATION,
        "surface_pressure": 0.0,
        "inflow": raw["fill"] / 1000,
        "header_flow": raw["header"] / 1000,
        "header_end_head": raw["head_J"],
    }
    for k in PUMPS:
        data = PUMP_DATA[k]
        running = raw[f"status{k}"] > 0
        # The solver leaves some 1e-9 m3/s in a closed line; the check valve passes nothing.
        flow = (raw[f"branch{k}"] / 1000).where(running, 0.0)
        columns[f"running_{k}"] = running
        columns[f"flow_{k}"] = flow
        for side, node in (("suction", "S"), ("discharge", "D")):
            diameter = getattr(data, f"{side}_tap_diameter")
            elevation = getattr(data, f"{side}_tap_elevation")
            velocity = flow / (np.pi * diameter**2 / 4)
            head = raw[f"head_{node}{k}"]
            columns[f"{side}_head_{k}"] = head
            columns[f"{side}_pressure_{k}"] = (
                weight * (head - elevation) - density * velocity**2 / 2
            )
        columns[f"total_head_{k}"] = raw[f"head_D{k}"] - raw[f"head_S{k}"]
        columns[f"electrical_power_{k}"] = raw[f"kw{k}"] * 1000
        columns[f"delivery_level_{k}"] = raw[f"head_T{k}"] - DELIVERY_FLOOR_ELEVATION[k]
        columns[f"leakage_flow_{k}"] = ((raw[f"P{k}"] - raw[f"branch{k}"]) / 1000).where(
            running, 0.0
        )
    columns["is_transition"] = np.isin(raw["seconds"] // step, transitions)
    return pd.DataFrame(columns)


def _cache_file(*arguments: object) -> Path:
    """A file that changes with the code, the engine's package and the arguments."""
    key = hashlib.sha256(Path(__file__).read_bytes())
    key.update(repr((wntr.__version__, SPECIFIC_WEIGHT, arguments)).encode())
    folder = Path(tempfile.gettempdir()) / f"gaugeless-test-stations-{os.getuid()}"
    folder.mkdir(mode=0o700, exist_ok=True)
    return folder / f"{key.hexdigest()[:20]}.parquet"


@lru_cache(maxsize=8)
def station_truth(
    days: float = YEAR_DAYS,
    *,
    fouling: Fouling | None = None,
    wear: Wear | None = None,
    specific_gravity: float = 1.0,
) -> pd.DataFrame:
    """Return what the engine says of the station, in SI, one row per 5 minutes.

    The hydraulics are solved once and kept in the system's folder for temporary files. The
    frame is shared between callers: copy before changing.

    Returns
    -------
    DataFrame
        ``time`` (datetime64[us, UTC]), ``level``, ``surface_pressure`` (gauge, 0),
        ``inflow``, ``header_flow``, ``header_end_head``, ``is_transition`` and, for k = 1, 2,
        ``running_k``, ``flow_k`` (delivered), ``suction_pressure_k``,
        ``discharge_pressure_k`` (gauge, static, at the tap), ``suction_head_k``,
        ``discharge_head_k``, ``total_head_k`` (total heads), ``electrical_power_k``,
        ``leakage_flow_k``, ``delivery_level_k`` (tank the pump delivers to).
    """
    path = _cache_file(days, fouling, wear, specific_gravity)
    if path.exists():
        return pd.read_parquet(path)
    frame = _simulate(days, fouling, wear, specific_gravity)
    handle, temporary = tempfile.mkstemp(dir=path.parent, suffix=".part")
    os.close(handle)
    frame.to_parquet(temporary, index=False, compression="zstd")
    Path(temporary).replace(path)
    # Files of older code would pile up; readers that hold one open are not disturbed.
    kept = sorted(path.parent.glob("*.parquet"), key=lambda p: p.stat().st_mtime)
    for old in kept[:-CACHE_FILES]:
        old.unlink(missing_ok=True)
    return frame
