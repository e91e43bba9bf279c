"""One timed run of the job's reading stages in a fresh process.

``python job_runs.py FILE FOLDER`` describes ten pumps on the tags of ``make_long_parquet.py``,
takes the export in and makes ``measurements`` and ``data_quality``, as a first night does before
anything is computed. Prints the seconds of each stage, then the processor seconds of each,
imports left out, then a digest of both tables.
"""

from __future__ import annotations

import hashlib
import itertools
import shutil
import sys
import time
from pathlib import Path

from make_long_parquet import PUMPS, TAGS

UNITS = {
    "FLOW": ("flow", "m3/s"),
    "SUCTION": ("suction_pressure", "Pa(g)"),
    "DISCHARGE": ("discharge_pressure", "Pa(g)"),
    "LEVEL": ("level", "m"),
    "POWER": ("electrical_power", "W"),
    "SPEED": ("speed", "rpm"),
    "CURRENT": ("current", "A"),
    "BEARING": ("temperature", "°C"),
}
STATION = """plant_format = 1
station = {{ name = "Speed", time_zone = "UTC", altitude = "85 m" }}
liquid = {{ temperature = "13 °C" }}
tariff = {{ currency = "EUR", energy_price = 0.15 }}

[[exports]]
path = "{file}"
time_column = "time"
time_zone = "UTC"
status_column = "status"
"""
TAG = """
[[tags]]
name = "{name}"
quantity = "{quantity}"
unit = "{unit}"
"""
PUMP = """
[[suction_sources]]
id = "{pump} tank"
kind = "open_tank"
level_tag = "{pump}.LEVEL"
level_zero_elevation = "3 m"

[[suction_lines]]
id = "{pump} line"
source = "{pump} tank"
branches = [{{ pump = "{pump}", pipe = {{ diameter = "0.2 m", length = "4 m" }} }}]

[[pumps]]
id = "{pump}"
suction_line = "{pump} line"
reference_elevation = "0.8 m"
reference_speed = "1480 rpm"
flow_tag = "{pump}.FLOW"
suction_pressure_tag = "{pump}.SUCTION"
discharge_pressure_tag = "{pump}.DISCHARGE"
power_tag = "{pump}.POWER"
speed_tag = "{pump}.SPEED"
suction_tap = {{ elevation = "1.2 m", diameter = "0.2 m" }}
discharge_tap = {{ elevation = "1.25 m", diameter = "0.15 m" }}
driver = {{ rated_power = "132 kW", rated_efficiency = 0.94 }}
"""


def plant_text(file: Path) -> str:
    """The plant file."""
    text = STATION.format(file=file.name)
    for tag in TAGS:
        quantity, unit = UNITS[tag.rpartition(".")[2]]
        text += TAG.format(name=tag, quantity=quantity, unit=unit)
    for pump in range(1, PUMPS + 1):
        text += PUMP.format(pump=f"STN1.P{pump:02d}")
    return text


def main(file: Path, folder: Path) -> None:
    """Run the stages."""
    import pandas as pd

    from pipeline.jobs.context import Fingerprints, Run
    from pipeline.jobs.evidence import last_sample
    from pipeline.jobs.ingest import ingest
    from pipeline.jobs.measure import measure
    from pipeline.jobs.processes import workers
    from pipeline.plant import read_plant
    from pipeline.tables.store import Store, open_tables

    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    (folder / file.name).hardlink_to(file)
    (folder / "plant.toml").write_text(plant_text(file), "utf-8")
    marks = [(time.perf_counter(), time.process_time())]
    plant = read_plant(folder / "plant.toml")
    with Store.create(plant.data_folder).writer() as stage, workers(1) as held:
        run = Run(
            plant=plant,
            stage=stage,
            as_of=pd.Timestamp.max.tz_localize("UTC"),
            fingerprints=Fingerprints.of(plant),
        )
        ledger = ingest(run)
        marks.append((time.perf_counter(), time.process_time()))
        latest = last_sample(ledger)
        assert latest is not None
        assert not run.outcome.failures
        run.as_of = latest + pd.Timedelta(seconds=1)
        measure(run, held, ledger)
        stage.commit()
        marks.append((time.perf_counter(), time.process_time()))
    tables = open_tables(plant.data_folder)
    digest = hashlib.sha256()
    for name in ("measurements", "data_quality"):
        digest.update(repr(sorted(tables.digests(name).items())).encode())
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in itertools.pairwise(marks)]
    print(*(wall for wall, _ in steps), *(cpu for _, cpu in steps), digest.hexdigest())


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
