"""Causes of flags in the whole stage: what the run knows beside head and power narrows them.

Operating points and hours at rest of a simulated hall (`pump_fleet`, truth by the EPANET engine)
are put into a stage; baselines, deviations and flags are the job's own.
"""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from pump_fleet import START, Case, Drawn, draw

from pipeline.jobs.baselines import less_unexplained
from pipeline.jobs.context import METERED, Fingerprints, Run
from pipeline.jobs.flag_circumstances import _on_level
from pipeline.jobs.flagging import find_flags
from pipeline.jobs.hours import HOURS
from pipeline.jobs.perform import compare, find_baselines
from pipeline.jobs.processes import workers
from pipeline.plant import read_plant
from pipeline.plant.side_files import Event
from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.store import Store

HEADER_LOSS = 4e5
"""What the header takes in front of a resting gauge [Pa/(m3/s)2]: our own choice."""


def plant_text(case: Case) -> str:
    """Describe the hall as its owner would."""
    position = "before_strainer" if case.tap_before_strainer else "at_flange"
    pumps, tags, branches = "", "", ""
    for p in ("P1", "P2"):
        own = "" if case.shared_meter else f'flow_tag = "{p}.F"\n'
        pumps += f"""
[[pumps]]
id = "{p}"
suction_line = "hall"
reference_elevation = "0 m"
{own}suction_pressure_tag = "{p}.S"
discharge_pressure_tag = "{p}.D"
power_tag = "{p}.W"
running_power = "1 kW"
check_valve_leak_free = true
suction_tap = {{ elevation = "0.2 m", diameter = "200 mm", position = "{position}" }}
discharge_tap = {{ elevation = "0.8 m", diameter = "150 mm", position = "before_check_valve" }}
baseline = {{ to = 2023-03-02 }}
"""
        branches += f'\n[[suction_lines.branches]]\npump = "{p}"\n'
        kinds = {"S": "suction_pressure", "D": "discharge_pressure"}
        for letter, quantity in kinds.items():
            tags += f'\n[[tags]]\nname = "{p}.{letter}"\nquantity = "{quantity}"\nunit = "kPa"\n'
            tags += 'reference = "gauge"\n'
        tags += f'\n[[tags]]\nname = "{p}.W"\nquantity = "electrical_power"\nunit = "kW"\n'
        if not case.shared_meter:
            tags += f'\n[[tags]]\nname = "{p}.F"\nquantity = "flow"\nunit = "l/s"\n'
    if case.shared_meter:
        tags += '\n[[tags]]\nname = "F"\nquantity = "flow"\nunit = "l/s"\n'
        tags += '\n[[flow_meters]]\nid = "main"\ntag = "F"\nserves = ["P1", "P2"]\n'
    return f"""
plant_format = 1
data_folder = "data"

[station]
name = "Hall of two"
time_zone = "UTC"
grid = "1 h"

[liquid]
density = "999.5 kg/m3"
name = "water"
temperature = "12 degC"

[[exports]]
path = "exports/*.csv"

[[suction_sources]]
id = "tank"
kind = "open_tank"
level_tag = "LEVEL"
level_zero_elevation = "0 m"

[[suction_lines]]
id = "hall"
source = "tank"

[[suction_lines.header]]
id = "header"
carries = ["P1", "P2"]
{branches}{pumps}{tags}
[[tags]]
name = "LEVEL"
quantity = "level"
unit = "m"
"""


def months_of(frame: pd.DataFrame):
    return frame.groupby(frame["time"].dt.strftime("%Y-%m"))


def resting_hours(drawn: Drawn) -> pd.DataFrame:
    """Hours of pump 1 at rest: static pressure, what the other pump takes, what the gauge does."""
    rest = drawn.rest
    rng = np.random.default_rng(3)
    static = 3e4 + 3e3 * rng.standard_normal(len(rest))
    flow = rng.uniform(0.03, 0.09, len(rest))
    seen = static - HEADER_LOSS * flow**2
    return pd.DataFrame(
        {
            "line": "hall",
            "pump": "P1",
            "time": rest["time"].to_numpy(),
            "spot": False,
            "state": "stopped",
            "steady": True,
            "static_pressure": static,
            "reading": seen + rest["suction_offset"].to_numpy(),
            "discharge": seen - 6e3 + rest["discharge_offset"].to_numpy(),
            "flow_header": flow,
            "flow_branch": 0.0,
        }
    )


def flags_of(
    folder: Path, case: Case, seed: int, events=(), both=False, spoil=lambda points: points
) -> pd.DataFrame:
    """Give the published flags of pump 1, after every change a day brought."""
    folder.mkdir()
    path = folder / "plant.toml"
    path.write_text(plant_text(case), "utf-8")
    plant = read_plant(path)
    drawn = draw(case, np.random.default_rng(seed), both=both)
    contract = BY_NAME["operating_points"]
    with Store.create(plant.data_folder).writer() as stage:
        run = Run(
            plant=plant,
            stage=stage,
            as_of=START + pd.Timedelta(days=case.days + 60),
            fingerprints=Fingerprints.of(plant),
        )
        points = pd.concat(
            [spoil(p).assign(pump=name) for name, p in drawn.points.items()], ignore_index=True
        ).reindex(columns=[c.name for c in contract.columns])
        for month, rows in months_of(points):
            table = run.publish("operating_points", rows)
            stage.write("operating_points", month, table)
            if case.shared_meter:
                stage.write(METERED, month, table)
        for month, rows in months_of(resting_hours(drawn)):
            stage.write(HOURS, month, pa.Table.from_pandas(rows, preserve_index=False))
        with workers(1) as held:
            baselines = find_baselines(run, held, events)
            compare(run, held, baselines)
            find_flags(run, baselines, events)
        flags = run.read("flags")
    return flags[flags["pump"] == "P1"].reset_index(drop=True)


CLEANED = Event(time=pd.Timestamp("2023-07-20T09:00Z"), pump="P1", kind="cleaning")
SINGLE = {
    "suction gauge at rest": (Case(fault="suction_gauge", rate=0.08, days=200), "suction gauge"),
    "discharge gauge at rest": (
        Case(fault="discharge_gauge", rate=0.08, days=200), "discharge gauge",
    ),
    "shared meter": (
        Case(fault="flow_meter", rate=0.08, days=200, shared_meter=True), "flow meter",
    ),
    "shared level": (
        Case(fault="level", rate=0.08, days=200, gauge="drawing", shared_level=True),
        "suction gauge",
    ),
    "cleaning": (
        Case(
            fault="suction_restriction", rate=0.12, days=200, tap_before_strainer=True,
            cleaned_day=140.4,
        ),
        "suction restriction",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", SINGLE)
def test_where_the_run_can_tell_the_cause_is_single(tmp_path: Path, name: str):
    case, cause = SINGLE[name]
    both = case.shared_meter or case.shared_level
    flags = flags_of(tmp_path / "hall", case, 7, (CLEANED,), both)
    assert len(flags) == 1
    assert flags.loc[0, "causes"] == cause


def test_a_loss_that_went_by_itself_is_no_wear_unless_somebody_worked_on_the_pump(tmp_path: Path):
    case = Case(fault="reversible", step=0.05, step_day=60.0, clears_after=45.0, days=160)
    flags = flags_of(tmp_path / "alone", case, 8)
    assert pd.notna(flags.loc[0, "closed"])
    causes = flags.loc[0, "causes"].split(", ")
    assert "reversible" in causes
    assert not {"internal wear", "impeller damage"} & set(causes)
    work = Event(time=START + pd.Timedelta(days=165), pump="P1", kind="other")
    worked = flags_of(tmp_path / "worked", case, 8, (work,))
    assert "impeller damage" in worked.loc[0, "causes"].split(", ")


def test_wear_stays_in_the_set_and_gauges_that_stood_leave_it(tmp_path: Path):
    flags = flags_of(tmp_path / "hall", Case(fault="internal_wear", rate=0.08, days=200), 9)
    causes = flags.loc[0, "causes"].split(", ")
    assert "internal wear" in causes
    assert not {"suction gauge", "discharge gauge", "suction restriction"} & set(causes)
    assert causes != ["internal wear"]  # the meter is its own, and nothing clears it


@pytest.mark.parametrize(("gauged", "alike"), [(True, False), (False, True)])
def test_a_level_is_not_blamed_for_what_gauged_pumps_do_as_well(gauged: bool, alike: bool):
    """Three pumps of one clear well: what a pump with its own gauge shows is not the level's."""

    class Sisters:
        pump = "P2"

        def compare(self, others, *, modelled=False, measured=False):
            moved = gauged and others == ["P1"] if measured else others == ["P1", "P3"]
            return {"shared": True, "alike": moved, "stood": False}

    line = SimpleNamespace(source="well", branches={"P1": 0, "P2": 0, "P3": 0})
    other = SimpleNamespace(source="basin", branches={"P4": 0})
    now = SimpleNamespace(lines={"a": line, "b": other})
    assert _on_level(now, Sisters(), "a")["alike"] == alike


def test_a_loss_does_not_hide_itself_in_the_uncertainty_it_causes(tmp_path: Path):
    """A pump that wears after its gauge was lost: all of the loss may have been before it."""
    case = Case(fault="internal_wear", rate=0.08, gauge="lost", days=200)

    def unexplained(points: pd.DataFrame) -> pd.DataFrame:
        years = (points["time"] - START).dt.total_seconds() / 86400.0 / 365.25
        weight = points["density"] * 9.81 * points["total_head"]
        short = (case.rate * years * weight).where(
            points["suction_pressure_source"] != "measured", 0.0
        )
        wide = np.hypot(points["suction_pressure_u_systematic"], short)
        return points.assign(
            suction_pressure_u_systematic=wide, suction_pressure_u_unexplained=short
        )

    flags = flags_of(tmp_path / "hall", case, 7, spoil=unexplained)
    assert len(flags) == 1
    assert "internal wear" in flags.loc[0, "causes"].split(", ")
    assert "suction gauge" in flags.loc[0, "causes"].split(", ")


def test_what_is_left_without_the_unexplained_part():
    """By hand: of 5 (a 3-4-5 triangle) 4 is what is missing from the pump's own rise."""
    rest = less_unexplained(pd.Series([5.0, 5.0, np.nan, 1.0]), pd.Series([4.0, np.nan, 0.0, 2.0]))
    np.testing.assert_allclose(rest, [3.0, 5.0, np.nan, 0.0])
