"""Two unequal pumps in parallel on one flow meter, computed by the EPANET engine.

::

                +-- branch A --> pump A --+
    sump --header--> J                    +--> D --rising main (meter)--> reservoir
                +-- branch B --> pump B --+

The sump's level and the reservoir's follow patterns, so that the duty moves. Every six hours
the combination changes: A, both, B, none. Hazen-Williams friction and the pumps' head curves
(three points each) are the engine's; electrical power is hydraulic power over an efficiency
law of our own. The engine's heads are total heads; a wall tap reads the velocity head less.
"""

from __future__ import annotations

import tempfile
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
from richmond import SPECIFIC_WEIGHT, G
from wntr.epanet.toolkit import ENepanet
from wntr.epanet.util import EN

START = pd.Timestamp("2025-03-03T00:00:00Z")
STEP = pd.Timedelta(minutes=10)
DENSITY = SPECIFIC_WEIGHT / G
SUMP_LEVEL_ZERO = 4.0
TAP_DIAMETER = 0.25
PUMPS = ("A", "B")
CURVES = {"A": ((0, 42.0), (110, 34.0), (170, 22.0)), "B": ((0, 46.0), (70, 35.0), (120, 18.0))}
"""Flow [l/s] and head [m]."""
PATTERN_HOURS = 24 * 7
ORDER = (("A",), ("A", "B"), ("B",), ())


def _network(days: int) -> str:
    hours = np.arange(PATTERN_HOURS)
    sump = 1.0 + 0.15 * np.sin(hours / 5.0)
    high = 1.0 + 0.10 * np.sin(hours / 17.0) + 0.05 * np.sin(hours / 3.3)
    patterns = {"SUMP": sump, "HIGH": high}
    for pump in PUMPS:
        patterns[f"ON_{pump}"] = np.array(
            [float(pump in ORDER[(h // 6) % len(ORDER)]) for h in hours]
        )
    rows = "\n".join(
        f"{name} " + " ".join(f"{v:.5f}" for v in values[i : i + 6])
        for name, values in patterns.items()
        for i in range(0, len(values), 6)
    )
    curves = "\n".join(f"C{p} {q} {h}" for p, points in CURVES.items() for q, h in points)
    return f"""
[JUNCTIONS]
J 1.0 0
SA 1.0 0
SB 1.0 0
DA 1.0 0
DB 1.0 0
D 1.0 0
[RESERVOIRS]
SUMP 6.0 SUMP
HIGH 28.0 HIGH
[PIPES]
HEADER SUMP J 40 400 110 1.5
BRA J SA 8 300 110 1.2
BRB J SB 8 300 110 1.2
DISA DA D 10 300 110 2.5
DISB DB D 10 300 110 2.5
MAIN D HIGH 600 400 110 2.0
[PUMPS]
A SA DA HEAD CA PATTERN ON_A
B SB DB HEAD CB PATTERN ON_B
[CURVES]
{curves}
[PATTERNS]
{rows}
[TIMES]
Duration {24 * days}:00
Hydraulic Timestep 0:10
Pattern Timestep 1:00
[OPTIONS]
Units LPS
Headloss H-W
Accuracy 0.00001
[END]
"""


_LINKS = ("A", "B", "HEADER", "MAIN")
_NODES = ("SUMP", "SA", "SB", "DA", "DB")


@lru_cache(maxsize=2)
def parallel_truth(days: int) -> pd.DataFrame:
    """States every ten minutes.

    Columns ``time`` (UTC), ``level`` [m], ``metered_flow`` [m3/s] and, per pump, ``running_A``,
    ``flow_A`` [m3/s], ``total_head_A`` [m], ``suction_pressure_A`` and
    ``discharge_pressure_A`` [Pa], ``electrical_power_A`` [W].
    """
    rows = _engine_rows(_network(days))
    raw = pd.DataFrame(rows, columns=["seconds", *_LINKS, *(f"head_{n}" for n in _NODES)])
    raw = raw[raw["seconds"] % STEP.total_seconds() == 0].iloc[:-1].reset_index(drop=True)
    columns: dict[str, object] = {
        "time": (START + pd.to_timedelta(raw["seconds"], unit="s")).astype("datetime64[us, UTC]"),
        "level": raw["head_SUMP"] - SUMP_LEVEL_ZERO,
        "metered_flow": raw["MAIN"] / 1000.0,
    }
    for pump in PUMPS:
        running = raw[pump] > 0.01
        flow = (raw[pump] / 1000.0).where(running, 0.0)
        kinetic = 0.5 * DENSITY * (flow / (np.pi * TAP_DIAMETER**2 / 4)) ** 2
        head = raw[f"head_D{pump}"] - raw[f"head_S{pump}"]
        efficiency = 0.74 - 20.0 * (flow - 0.09) ** 2
        columns |= {
            f"running_{pump}": running,
            f"flow_{pump}": flow,
            f"total_head_{pump}": head.where(running),
            f"suction_pressure_{pump}": SPECIFIC_WEIGHT * (raw[f"head_S{pump}"] - 1.0) - kinetic,
            f"discharge_pressure_{pump}": SPECIFIC_WEIGHT * (raw[f"head_D{pump}"] - 1.0) - kinetic,
            f"electrical_power_{pump}": (SPECIFIC_WEIGHT * flow * head / efficiency).where(
                running, 0.0
            ),
        }
    return pd.DataFrame(columns)


def _engine_rows(text: str) -> list[tuple[float, ...]]:
    with tempfile.TemporaryDirectory() as folder:
        inp = Path(folder) / "parallel.inp"
        inp.write_text(text)
        engine = ENepanet()
        engine.ENopen(str(inp), str(inp.with_suffix(".rpt")), str(inp.with_suffix(".bin")))
        try:
            links = [engine.ENgetlinkindex(name) for name in _LINKS]
            nodes = [engine.ENgetnodeindex(name) for name in _NODES]
            rows = []
            engine.ENopenH()
            engine.ENinitH(0)
            remaining = 1
            while remaining > 0:
                now = engine.ENrunH()
                rows.append(
                    (
                        now,
                        *(engine.ENgetlinkvalue(i, EN.FLOW) for i in links),
                        *(engine.ENgetnodevalue(i, EN.HEAD) for i in nodes),
                    )
                )
                remaining = engine.ENnextH()
            engine.ENcloseH()
        finally:
            engine.ENclose()
    return rows
