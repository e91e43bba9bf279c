"""A valid plant of two pumps as plain data, and a way to write it as a plant file."""

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pipeline.errors import PlantFileError
from pipeline.plant import Plant, read_plant

CURVE = "# by the maker\nflow [m3/h],head [m],efficiency [%]\n100,30,60\n200,25,75\n300,15,62\n"

TAP = {"elevation": "0.4 m", "diameter": "200 mm"}

VALID: dict[str, Any] = {
    "plant_format": 1,
    "station": {"name": "Weir", "time_zone": "Europe/Lisbon", "grid": "5 min"},
    "liquid": {"temperature": "12 °C"},
    "tariff": {"currency": "EUR", "energy_price": 0.36},
    "exports": [{"path": "exports/*.csv", "status_column": "status"}],
    "tags": [
        {"name": "LT1", "quantity": "level", "unit": "m", "range": ["0 m", "6 m"]},
        {"name": "FT1", "quantity": "flow", "unit": "m3/h"},
        {"name": "FT2", "quantity": "flow", "unit": "GPM"},
        {
            "name": "PT1",
            "quantity": "discharge_pressure",
            "unit": "bar",
            "reference": "gauge",
            "range": [0, 10],
            "accuracy": {"systematic": "0.5 % of span", "random": "0.1 % of span"},
        },
        {"name": "PT2", "quantity": "discharge_pressure", "unit": "psig"},
        {"name": "PS1", "quantity": "suction_pressure", "unit": "inHg vac"},
        {"name": "JT1", "quantity": "electrical_power", "unit": "kW"},
        {"name": "JT2", "quantity": "electrical_power", "unit": "kW"},
        {"name": "ST2", "quantity": "speed", "unit": "rpm"},
        {"name": "VS1", "quantity": "valve_open"},
        {"name": "VS2", "quantity": "valve_open"},
        {"name": "DP1", "quantity": "pressure_loss", "unit": "kPa"},
    ],
    "suction_sources": [
        {"id": "T1", "kind": "open_tank", "level_tag": "LT1", "level_zero_elevation": "2.5 m"}
    ],
    "suction_lines": [
        {
            "id": "S",
            "source": "T1",
            "header": [
                {
                    "id": "common",
                    "carries": ["P1", "P2"],
                    "pipe": {"diameter": "300 mm", "length": "20 m"},
                    "fittings": [{"name": "bend", "k": 0.3, "count": 2}],
                }
            ],
            "branches": [{"pump": "P1"}, {"pump": "P2"}],
        }
    ],
    "pumps": [
        {
            "id": "P1",
            "suction_line": "S",
            "reference_elevation": "0 m",
            "suction_tap": TAP,
            "discharge_tap": {**TAP, "diameter": "150 mm"},
            "flow_tag": "FT1",
            "suction_pressure_tag": "PS1",
            "discharge_pressure_tag": "PT1",
            "power_tag": "JT1",
            "driver": {"rated_power": "30 kW", "rated_efficiency": 0.93},
            "baseline": {"curve": "curve.csv"},
        },
        {
            "id": "P2",
            "suction_line": "S",
            "reference_elevation": "0.1 m",
            "suction_tap": TAP,
            "discharge_tap": TAP,
            "flow_tag": "FT2",
            "discharge_pressure_tag": "PT2",
            "power_tag": "JT2",
            "speed_tag": "ST2",
            "reference_speed": "1480 rpm",
        },
    ],
}


def toml_of(value: Any) -> str:
    """Write a value inline. A JSON text without surrogates is a TOML text."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {toml_of(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_of(v) for v in value) + "]"
    if isinstance(value, bool | str):
        return json.dumps(value, ensure_ascii=True).replace("\\u007f", "\\u007F")
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    return repr(value)


def toml_file(content: dict[str, Any]) -> str:
    """Write a whole file, every key at the top with an inline value."""
    return "".join(f"{json.dumps(k)} = {toml_of(v)}\n" for k, v in content.items())


class Desk:
    """A folder with a plant file that tests edit and read."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        # Copies of shared parts are shared too, unless they are written out first.
        self.content = json.loads(json.dumps(VALID))
        (folder / "curve.csv").write_text(CURVE, "utf-8")

    def put(self, *path_and_value: Any) -> "Desk":
        """Set the value at a path of keys and positions; ``...`` removes it."""
        *path, last, value = path_and_value
        place: Any = self.content
        for key in path:
            place = place[key]
        if value is ...:
            del place[last]
        elif last == "+":
            place.append(value)
        else:
            place[last] = value
        return self

    def read(self) -> Plant:
        """Write the file and read it."""
        file = self.folder / "plant.toml"
        file.write_text(toml_file(self.content), "utf-8")
        return read_plant(file)

    def faults(self) -> list[str]:
        """Read a file that must be refused; give every fault as text."""
        with pytest.raises(PlantFileError) as caught:
            self.read()
        return [str(fault) for fault in caught.value.faults]


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    """A folder with the valid plant file."""
    return Desk(tmp_path)


@pytest.fixture(scope="session")
def valid_plant() -> dict[str, Any]:
    """The valid plant as plain data; not to be changed."""
    return VALID


@pytest.fixture(scope="session")
def as_toml() -> Callable[[dict[str, Any]], str]:
    """A writer of plant files."""
    return toml_file
