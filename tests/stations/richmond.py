"""Pump 7F of the Richmond network, run by the EPANET engine and exported as plant tags.

The network is ``Richmond_skeleton.inp`` (J. E. van Zyl, University of Exeter benchmark
networks), carried by the PyPI package ``epyt``. It is read as published; only the duration,
the time steps and the amount of reporting are changed.

What carries what (read off the sections [PIPES], [PUMPS], [JUNCTIONS] of the file)::

    tank E --- pipe 1793 ---> node 745 --- pump 7F ---> node 753 --- pipe 1832 ---> tank F
    floor      444 m          177 m                     177 m        1216 m         floor
    203.01 m   102 mm           |                         |          76 mm          235.71 m
               C = 70           v                         v          C = 87.5
               check valve    1.42 L/s x domestic       0.10 L/s x domestic

* ``suction pipe flow`` is the flow of pipe 1793. Node 745, the pump's inlet, is also where
  customers draw water, so

      suction pipe flow = pump flow + side stream at 745

  and the pipe carries water, and has friction, while the pump stands. A model of the suction
  pressure needs the pipe's flow; efficiency needs the pump's.
* The pump's flow is the flow of link 7F. Pipe 1832 carries 0.10 L/s x domestic less than it.
* Nothing else joins pipe 1793. Tank E is filled through pipe 1783.

Pressures. The engine's node heads are hydraulic grade lines and the engine knows no velocity
head, so its pressures belong to a station with equal bores at both taps: the velocity heads
then cancel in the total head, and the suction reading has no velocity-head term. Both taps
are declared here with the bore ``TAP_DIAMETER`` and at the nodes' own elevation (177 m).

Density. The engine computes power as dH[ft] x q[ft3/s] / 8.814 hp, with 0.7457 kW to the hp,
28.317 L to the ft3 and 0.3048 m to the ft (constants in EPANET 2.2's ``types.h`` and
``hydraul.c``). Hence rho x g = 745.7 / 8.814 / (28.317e-3 x 0.3048) = 9802.32 N/m3, which is
62.40 lbf/ft3, and at g = 9.80665 m/s2 a density of 999.56 kg/m3 (water near 11 degC).
Pressures are exported with that same constant; a station file that declares ``DENSITY``
reproduces heads and efficiencies exactly.

Time. The engine's step is 10 minutes, shortened wherever a control or a full tank acts. Each
exported sample is the state at a whole 10 minutes; between samples the engine holds flows,
so a sample is true of all tags at once. Demand factors repeat every 24 h and change on the
hour; pump 7F starts and stops on the level of tank F.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet
from wntr.epanet.toolkit import ENepanet
from wntr.epanet.util import EN

G = 9.80665
SPECIFIC_WEIGHT = 745.7 / 8.814 / (28.317e-3 * 0.3048)
"""rho x g of the engine [N/m3] at specific gravity 1."""
DENSITY = SPECIFIC_WEIGHT / G
"""Density [kg/m3] that makes heads, pressures and the engine's kW agree."""
TAP_DIAMETER = 0.102
"""Bore at both taps [m]; equal, because the engine knows no velocity head."""

START = pd.Timestamp("2025-01-01T00:00:00Z")
STEP = pd.Timedelta(minutes=10)

TAG_UNITS = {
    "R7F.SUCTION_LINE_FLOW": "L/s",
    "R7F.PUMP_FLOW": "L/s",
    "R7F.TANK_E_LEVEL": "m",
    "R7F.SUCTION_PRESSURE": "kPa",
    "R7F.DISCHARGE_PRESSURE": "kPa",
    "R7F.POWER": "kW",
    "R7F.STATUS": "",
}
"""Tag name in the exports -> unit. Pressures are gauge. Status is 1 running, 0 stopped."""

EXPORT_FORMS = ("long-csv", "wide-csv", "parquet")


@dataclass(frozen=True)
class PipeData:
    """A pipe as the network file gives it, in SI."""

    name: str
    start: str
    end: str
    length: float
    diameter: float
    hazen_williams: float
    minor_loss: float


@dataclass(frozen=True)
class RichmondTruth:
    """What the network file and the engine say, in SI.

    Attributes
    ----------
    steps : DataFrame
        Every step the engine took, also the short ones before a control acts. Columns
        ``time`` (UTC), ``on_grid``, ``level``, ``suction_pipe_flow``, ``flow`` (pump),
        ``side_stream``, ``discharge_pipe_flow``, ``suction_head``, ``discharge_head``
        (elevations of the grade line), ``discharge_tank_level``, ``suction_pressure``,
        ``discharge_pressure`` (gauge, at the nodes), ``electrical_power``, ``running``.
    samples : DataFrame
        The rows of `steps` at whole 10 minutes, the end of the run left out.
    efficiency_curve_flow, efficiency_curve_value : ndarray
        The published points of pump 7F's overall efficiency [m3/s], [-]; the engine
        interpolates linearly between them.
    head_curve_flow, head_curve_head : ndarray
        The published head curve of pump 7F [m3/s], [m].
    """

    steps: pd.DataFrame
    samples: pd.DataFrame
    efficiency_curve_flow: np.ndarray
    efficiency_curve_value: np.ndarray
    head_curve_flow: np.ndarray
    head_curve_head: np.ndarray
    tank_floor_elevation: float
    suction_node_elevation: float
    discharge_node_elevation: float
    suction_pipe: PipeData
    discharge_pipe: PipeData
    specific_gravity: float
    specific_weight: float
    density: float
    tap_diameter: float


@dataclass(frozen=True)
class RichmondStation:
    """Exports of pump 7F (`tags`: column ``time`` and one column per tag) and the truth."""

    tags: pd.DataFrame
    tag_units: dict[str, str]
    truth: RichmondTruth


def network_text() -> str:
    """Return the published network file."""
    path = resources.files("epyt") / "networks" / "exeter-benchmarks" / "Richmond_skeleton.inp"
    return path.read_text(encoding="utf-8")


def section(text: str, name: str) -> list[list[str]]:
    """Return the rows of one section of a network file, split into words, comments dropped."""
    rows, inside = [], False
    for line in text.splitlines():
        words = line.split(";")[0].split()
        if words and words[0].startswith("["):
            inside = words[0].upper() == f"[{name.upper()}]"
        elif inside and words:
            rows.append(words)
    return rows


def _pipe(text: str, name: str) -> PipeData:
    row = next(r for r in section(text, "PIPES") if r[0] == name)
    return PipeData(
        name=name,
        start=row[1],
        end=row[2],
        length=float(row[3]),
        diameter=float(row[4]) / 1000,
        hazen_williams=float(row[5]),
        minor_loss=float(row[6]),
    )


def _curve(text: str, name: str) -> tuple[np.ndarray, np.ndarray]:
    points = np.array([[float(r[1]), float(r[2])] for r in section(text, "CURVES") if r[0] == name])
    return points[:, 0], points[:, 1]


def _elevation(text: str, kind: str, name: str) -> float:
    return float(next(r for r in section(text, kind) if r[0] == name)[1])


def _simulate(text: str, days: float, step: pd.Timedelta) -> np.ndarray:
    """Run the engine and return one row per step it took; columns as `_ENGINE_COLUMNS`."""
    with tempfile.TemporaryDirectory() as folder:
        inp = Path(folder) / "network.inp"
        # A full status report of 30 days is tens of megabytes that nobody reads.
        inp.write_text(text.replace("Status             \tFull", "Status             \tNo"))
        engine = ENepanet()
        engine.ENopen(str(inp), str(inp.with_suffix(".rpt")), str(inp.with_suffix(".bin")))
        try:
            engine.ENsettimeparam(EN.DURATION, int(days * 86400))
            engine.ENsettimeparam(EN.HYDSTEP, int(step.total_seconds()))
            engine.ENsettimeparam(EN.REPORTSTEP, int(step.total_seconds()))
            pump, suction, discharge = map(engine.ENgetlinkindex, ("7F", "1793", "1832"))
            tank_e, inlet, outlet, tank_f = map(engine.ENgetnodeindex, ("E", "745", "753", "F"))
            link, node = engine.ENgetlinkvalue, engine.ENgetnodevalue
            rows = []
            engine.ENopenH()
            engine.ENinitH(0)
            remaining = 1
            while remaining > 0:
                seconds = engine.ENrunH()
                rows.append(
                    (
                        seconds,
                        node(tank_e, EN.HEAD),
                        link(suction, EN.FLOW),
                        link(pump, EN.FLOW),
                        node(inlet, EN.DEMAND),
                        link(discharge, EN.FLOW),
                        node(inlet, EN.HEAD),
                        node(outlet, EN.HEAD),
                        node(tank_f, EN.HEAD),
                        node(inlet, EN.PRESSURE),
                        node(outlet, EN.PRESSURE),
                        link(pump, EN.ENERGY),
                        link(pump, EN.STATUS),
                    )
                )
                remaining = engine.ENnextH()
            engine.ENcloseH()
        finally:
            engine.ENclose()
    return np.array(rows)


@lru_cache(maxsize=4)
def load_richmond(days: float = 30) -> RichmondStation:
    """Run the network for `days` and return pump 7F's tags and the truth.

    The frames are shared between callers: copy before changing.
    """
    text = network_text()
    raw = _simulate(text, days, STEP)
    floor_e = _elevation(text, "TANKS", "E")
    specific_gravity = float(
        next(r for r in section(text, "OPTIONS") if r[:2] == ["Specific", "Gravity"])[2]
    )
    weight = SPECIFIC_WEIGHT * specific_gravity
    steps = pd.DataFrame(
        {
            "time": (START + pd.to_timedelta(raw[:, 0], unit="s")).astype("datetime64[us, UTC]"),
            "on_grid": raw[:, 0] % STEP.total_seconds() == 0,
            "level": raw[:, 1] - floor_e,
            "suction_pipe_flow": raw[:, 2] / 1000,
            "flow": raw[:, 3] / 1000,
            "side_stream": raw[:, 4] / 1000,
            "discharge_pipe_flow": raw[:, 5] / 1000,
            "suction_head": raw[:, 6],
            "discharge_head": raw[:, 7],
            "discharge_tank_level": raw[:, 8] - _elevation(text, "TANKS", "F"),
            # With flow in L/s the engine gives pressure in metres of water at SG 1.
            "suction_pressure": raw[:, 9] * SPECIFIC_WEIGHT,
            "discharge_pressure": raw[:, 10] * SPECIFIC_WEIGHT,
            "electrical_power": raw[:, 11] * 1000,
            "running": raw[:, 12] > 0,
        }
    )
    samples = steps[steps["on_grid"]].iloc[:-1].reset_index(drop=True)
    efficiency_name = next(
        r[3] for r in section(text, "ENERGY") if r[:3] == ["Pump", "7F", "Efficiency"]
    )
    head_name = next(r[4] for r in section(text, "PUMPS") if r[0] == "7F")
    efficiency_flow, efficiency = _curve(text, efficiency_name)
    head_flow, head = _curve(text, head_name)
    truth = RichmondTruth(
        steps=steps,
        samples=samples,
        efficiency_curve_flow=efficiency_flow / 1000,
        efficiency_curve_value=efficiency / 100,
        head_curve_flow=head_flow / 1000,
        head_curve_head=head,
        tank_floor_elevation=floor_e,
        suction_node_elevation=_elevation(text, "JUNCTIONS", "745"),
        discharge_node_elevation=_elevation(text, "JUNCTIONS", "753"),
        suction_pipe=_pipe(text, "1793"),
        discharge_pipe=_pipe(text, "1832"),
        specific_gravity=specific_gravity,
        specific_weight=weight,
        density=weight / G,
        tap_diameter=TAP_DIAMETER,
    )
    tags = pd.DataFrame(
        {
            "time": samples["time"],
            "R7F.SUCTION_LINE_FLOW": samples["suction_pipe_flow"] * 1000,
            "R7F.PUMP_FLOW": samples["flow"] * 1000,
            "R7F.TANK_E_LEVEL": samples["level"],
            "R7F.SUCTION_PRESSURE": samples["suction_pressure"] / 1000,
            "R7F.DISCHARGE_PRESSURE": samples["discharge_pressure"] / 1000,
            "R7F.POWER": samples["electrical_power"] / 1000,
            "R7F.STATUS": samples["running"].astype("int64"),
        }
    )
    return RichmondStation(tags=tags, tag_units=dict(TAG_UNITS), truth=truth)


def write_exports(
    folder: str | Path,
    form: str = "long-csv",
    *,
    tags: pd.DataFrame | None = None,
    hide_suction_from: pd.Timestamp | None = None,
) -> list[Path]:
    """Write export files such as a historian gives and return their paths.

    Parameters
    ----------
    folder : path
        Made if missing.
    form : {'long-csv', 'wide-csv', 'parquet'}
        ``long-csv``: columns ``tag,time,value,status``, one file. ``wide-csv``: ``time`` and
        one column per tag. ``parquet``: long, with ``time`` as a UTC timestamp. Times in CSV
        are ISO 8601 with Z.
    tags : DataFrame, optional
        Default: 30 days.
    hide_suction_from : Timestamp, optional
        From this time on the suction gauge gives nothing: no rows in the long forms, empty
        cells in the wide one.
    """
    if form not in EXPORT_FORMS:
        raise ValueError(f"form must be one of {EXPORT_FORMS}, got {form!r}")
    frame = (load_richmond().tags if tags is None else tags).copy()
    if hide_suction_from is not None:
        frame["R7F.SUCTION_PRESSURE"] = frame["R7F.SUCTION_PRESSURE"].where(
            frame["time"] < hide_suction_from
        )
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    iso = frame["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
    if form == "wide-csv":
        path = folder / "richmond_7f_wide.csv"
        frame.assign(time=iso).to_csv(path, index=False, lineterminator="\n")
        return [path]
    long = frame.assign(time=iso if form == "long-csv" else frame["time"]).melt(
        id_vars="time", var_name="tag", value_name="value"
    )
    long = long.dropna(subset="value").assign(status="Good")[["tag", "time", "value", "status"]]
    long["value"] = long["value"].astype("float64")
    if form == "long-csv":
        path = folder / "richmond_7f_long.csv"
        long.to_csv(path, index=False, lineterminator="\n")
    else:
        path = folder / "richmond_7f.parquet"
        pa.parquet.write_table(pa.Table.from_pandas(long, preserve_index=False), path)
    return [path]
