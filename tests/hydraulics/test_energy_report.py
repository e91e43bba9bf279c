"""Head, power, efficiency and specific energy against EPANET's own energy accounts.

A pump with an efficiency curve lifts water between two reservoirs. EPANET 2.2 (US EPA)
solves the network and writes its energy report; from its node pressures and flow alone our
functions must find the same efficiency, kW and kWh/m3.
"""

import re

import numpy as np
import pytest
from wntr.epanet.toolkit import ENepanet

from pipeline.hydraulics.head import (
    head_to_pressure,
    hydraulic_power,
    overall_efficiency,
    pressure_to_head,
    specific_energy,
    total_head,
)
from pipeline.hydraulics.pipes import fitting_loss, pipe_loss

# The engine's water weighs 62.4 lbf/ft3 and its horsepower is 0.7457 kW.
DENSITY = 62.4 * 0.45359237 / 0.3048**3
SUCTION_ELEVATION, DISCHARGE_ELEVATION = -1.0, 2.0
EFFICIENCY_CURVE = ([20.0, 60.0, 100.0, 140.0], [40.0, 72.0, 80.0, 70.0])
ENERGY, PUMP_EFFICIENCY, FLOW, HEAD_LOSS, PRESSURE = 13, 17, 8, 10, 11

NETWORK = """
[TITLE]
one pump between two reservoirs
[JUNCTIONS]
 S {z_s} 0
 D {z_d} 0
[RESERVOIRS]
 LOW 10
 HIGH {high}
[PIPES]
 SUCTION LOW S 12 300 0.046 1.9 Open
 RISING D HIGH 800 250 0.05 2 Open
[PUMPS]
 PUMP S D HEAD H
[CURVES]
 H 0 60
 H 80 50
 H 140 30
{efficiency}
[ENERGY]
 Global Price 0.12
 PUMP PUMP EFFIC E
[TIMES]
 Duration 2:00
 Hydraulic Timestep 1:00
[REPORT]
 Status No
 Summary No
 Energy Yes
[OPTIONS]
 Units LPS
 Headloss D-W
 Viscosity 1.0
 Specific Gravity 1.0
 Accuracy 1e-9
 Trials 200
[END]
"""


@pytest.fixture(params=[20.0, 50.0, 58.0], ids=["far right", "near best", "far left"])
def engine(request, tmp_path):
    """Run EPANET at one static head; give its flow, pressures, power and report line."""
    curve = "\n".join(f" E {q} {e}" for q, e in zip(*EFFICIENCY_CURVE, strict=True))
    network = tmp_path / "pump.inp"
    network.write_text(
        NETWORK.format(
            z_s=SUCTION_ELEVATION, z_d=DISCHARGE_ELEVATION, high=request.param, efficiency=curve
        )
    )
    report = tmp_path / "pump.rpt"
    toolkit = ENepanet()
    toolkit.ENopen(str(network), str(report), str(tmp_path / "pump.bin"))
    toolkit.ENopenH()
    toolkit.ENinitH(0)
    toolkit.ENrunH()
    pump, suction = (toolkit.ENgetlinkindex(n) for n in ("PUMP", "SUCTION"))
    nodes = [toolkit.ENgetnodeindex(n) for n in ("S", "D")]
    found = {
        "flow": toolkit.ENgetlinkvalue(pump, FLOW) / 1000.0,
        "power": toolkit.ENgetlinkvalue(pump, ENERGY) * 1000.0,
        "efficiency": toolkit.ENgetlinkvalue(pump, PUMP_EFFICIENCY),
        "head": -toolkit.ENgetlinkvalue(pump, HEAD_LOSS),
        "suction_loss": toolkit.ENgetlinkvalue(suction, HEAD_LOSS),
        "pressures": [
            head_to_pressure(toolkit.ENgetnodevalue(n, PRESSURE), DENSITY) for n in nodes
        ],
    }
    toolkit.ENcloseH()
    toolkit.ENsolveH()
    toolkit.ENsaveH()
    toolkit.ENreport()
    toolkit.ENclose()
    line = re.search(r"^\s*PUMP\s+(.*)$", report.read_text(), flags=re.MULTILINE)
    numbers = [float(x) for x in line.group(1).split()]
    found["report"] = dict(
        zip(("usage", "efficiency", "kwh_per_m3", "kw", "peak_kw", "cost"), numbers, strict=True)
    )
    return found


def ours(engine):
    # Infinitely wide taps: the engine knows no velocity heads.
    head = total_head(
        *engine["pressures"], engine["flow"], DENSITY,
        SUCTION_ELEVATION, DISCHARGE_ELEVATION, np.inf, np.inf,
    )  # fmt: skip
    return head, hydraulic_power(engine["flow"], head, DENSITY)


def test_total_head_from_pressures_is_the_engine_s(engine):
    head, _ = ours(engine)
    assert head == pytest.approx(engine["head"], rel=1e-5)


def test_efficiency_is_the_curve_s_at_that_flow(engine):
    _, useful = ours(engine)
    efficiency = overall_efficiency(useful, engine["power"])
    assert efficiency == pytest.approx(engine["efficiency"], rel=3e-5)
    by_curve = np.interp(engine["flow"] * 1000.0, *EFFICIENCY_CURVE) / 100.0
    assert efficiency == pytest.approx(by_curve, rel=3e-5)


def test_energy_report(engine):
    # The report prints two decimals.
    _, useful = ours(engine)
    drawn = useful / engine["efficiency"]
    report = engine["report"]
    assert drawn / 1e3 == pytest.approx(report["kw"], abs=0.006)
    assert overall_efficiency(useful, report["kw"] * 1e3) * 100 == pytest.approx(
        report["efficiency"], rel=1e-3
    )
    energy = specific_energy(drawn, engine["flow"]) / 3.6e6
    assert energy == pytest.approx(report["kwh_per_m3"], abs=0.0051)
    assert 24.0 * drawn / 1e3 * 0.12 == pytest.approx(report["cost"], rel=3e-4)


def test_suction_line_loss(engine):
    # The engine uses the explicit formula of Swamee and Jain, up to 3.5 % from Colebrook;
    # friction is about a quarter of this loss, and the fittings agree exactly.
    viscosity = 1.1e-5 * 0.3048**2 * DENSITY  # its water: 1.1e-5 ft2/s
    flow = engine["flow"]
    loss = pipe_loss(flow, 0.3, 12.0, 4.6e-5, DENSITY, viscosity) + fitting_loss(
        flow, 0.3, 1.9, DENSITY
    )
    assert pressure_to_head(loss, DENSITY) == pytest.approx(engine["suction_loss"], rel=0.01)
