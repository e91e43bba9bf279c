"""Pump 7F of the Richmond network as a plant file, for the whole job to be run on."""

from __future__ import annotations

from richmond import DENSITY, TAG_UNITS, TAP_DIAMETER, load_richmond

TRUTH = load_richmond().truth

QUANTITIES = {
    "R7F.SUCTION_LINE_FLOW": "flow",
    "R7F.PUMP_FLOW": "flow",
    "R7F.TANK_E_LEVEL": "level",
    "R7F.SUCTION_PRESSURE": "suction_pressure",
    "R7F.DISCHARGE_PRESSURE": "discharge_pressure",
    "R7F.POWER": "electrical_power",
    "R7F.STATUS": "running",
}

# The engine holds every state until its next step, so samples count until the next one.
PLANT = f"""
plant_format = 1
data_folder = "data"

[station]
name = "Richmond 7F"
time_zone = "Europe/London"
grid = "10 min"

[liquid]
name = "water of the engine"
density = "{DENSITY!r} kg/m3"

[[exports]]
path = "exports/*.csv"
status_column = "status"

[[suction_sources]]
id = "tank E"
kind = "open_tank"
level_tag = "R7F.TANK_E_LEVEL"
level_zero_elevation = "{TRUTH.tank_floor_elevation} m"

[[suction_lines]]
id = "from E"
source = "tank E"

[[suction_lines.header]]
id = "pipe 1793"
carries = ["7F"]
flow_tag = "R7F.SUCTION_LINE_FLOW"     # customers draw from it before the pump

[[suction_lines.branches]]
pump = "7F"

[[pumps]]
id = "7F"
suction_line = "from E"
reference_elevation = "{TRUTH.suction_node_elevation} m"
flow_tag = "R7F.PUMP_FLOW"
suction_pressure_tag = "R7F.SUCTION_PRESSURE"
discharge_pressure_tag = "R7F.DISCHARGE_PRESSURE"
power_tag = "R7F.POWER"
running_tag = "R7F.STATUS"
suction_tap = {{ elevation = "0 m", diameter = "{TAP_DIAMETER} m" }}
discharge_tap = {{ elevation = "0 m", diameter = "{TAP_DIAMETER} m" }}
"""


def plant_text() -> str:
    tags = []
    for name, quantity in QUANTITIES.items():
        tags.append(f'\n[[tags]]\nname = "{name}"\nquantity = "{quantity}"\n')
        if quantity != "running":
            tags.append(f'unit = "{TAG_UNITS[name]}"\ninterpolation = "step"\n')
        if quantity.endswith("pressure"):
            tags.append('reference = "gauge"\n')
    return PLANT + "".join(tags)
