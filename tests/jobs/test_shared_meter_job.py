"""The whole job on two unequal pumps behind one meter; the EPANET engine knows the split."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from parallel_station import (
    DENSITY,
    PUMPS,
    START,
    SUMP_LEVEL_ZERO,
    TAP_DIAMETER,
    parallel_truth,
)

from pipeline.jobs.nightly import run_plant

DAYS = 6
ACCURACY = {
    "level": ("level", "m", '{ systematic = "0.01 m", random = "0.003 m" }'),
    "flow": ("flow", "l/s", '{ systematic = "1 % of reading", random = "0.3 % of reading" }'),
    "suction": ("suction_pressure", "kPa", '{ systematic = "0.5 kPa", random = "0.1 kPa" }'),
    "discharge": ("discharge_pressure", "kPa", '{ systematic = "1 kPa", random = "0.3 kPa" }'),
    "power": ("electrical_power", "kW", '{ systematic = "0.5 % of reading" }'),
}


def tag(name: str, kind: str) -> str:
    quantity, unit, accuracy = ACCURACY[kind]
    gauge = 'reference = "gauge"\n' if quantity.endswith("pressure") else ""
    return (
        f'\n[[tags]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\n'
        f'interpolation = "step"\naccuracy = {accuracy}\n{gauge}'
    )


def plant_text() -> str:
    tap = f'{{ elevation = "0 m", diameter = "{TAP_DIAMETER} m" }}'
    branches = "".join(f'\n[[suction_lines.branches]]\npump = "{p}"\n' for p in PUMPS)
    pumps = "".join(
        f"""
[[pumps]]
id = "{p}"
suction_line = "suction"
reference_elevation = "1 m"
suction_pressure_tag = "{p}.SUCTION"
discharge_pressure_tag = "{p}.DISCHARGE"
power_tag = "{p}.POWER"
running_power = "1 kW"
suction_tap = {tap}
discharge_tap = {tap}
"""
        for p in PUMPS
    )
    tags = tag("LEVEL", "level") + tag("METER", "flow")
    tags += "".join(tag(f"{p}.{k.upper()}", k) for p in PUMPS for k in list(ACCURACY)[2:])
    return f"""
plant_format = 1
data_folder = "data"

[station]
name = "Two on one meter"
time_zone = "UTC"
grid = "10 min"

[liquid]
name = "water of the engine"
density = "{DENSITY!r} kg/m3"

[[exports]]
path = "exports/*.csv"
layout = "wide"

[[suction_sources]]
id = "sump"
kind = "open_tank"
level_tag = "LEVEL"
level_zero_elevation = "{SUMP_LEVEL_ZERO} m"

[[suction_lines]]
id = "suction"
source = "sump"

[[suction_lines.header]]
id = "header"
carries = ["A", "B"]
{branches}
[[flow_meters]]
id = "rising main"
tag = "METER"
serves = ["A", "B"]
{pumps}{tags}"""


def readings() -> pd.DataFrame:
    truth = parallel_truth(DAYS)
    truth = truth[truth["time"] < START + pd.Timedelta(days=DAYS)]
    rng = np.random.default_rng(5)

    def noise(size: float) -> np.ndarray:
        return size * rng.normal(size=len(truth))

    columns: dict[str, object] = {
        "time": truth["time"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
        "LEVEL": truth["level"] + noise(0.003),
        "METER": 1e3 * truth["metered_flow"] * (1.0 + noise(0.003)),
    }
    for p in PUMPS:
        columns |= {
            f"{p}.SUCTION": truth[f"suction_pressure_{p}"] / 1e3 + noise(0.1),
            f"{p}.DISCHARGE": truth[f"discharge_pressure_{p}"] / 1e3 + noise(0.3),
            f"{p}.POWER": truth[f"electrical_power_{p}"] / 1e3,
        }
    return pd.DataFrame(columns).round(4)


class Made:
    """What a run made of the station, and the engine's states beside its points."""

    def __init__(self, folder: Path, nights: int = 1) -> None:
        self.folder = folder
        (folder / "exports").mkdir(parents=True)
        (folder / "plant.toml").write_text(plant_text(), "utf-8")
        rows = readings()
        for night in range(nights):
            part = rows.iloc[night * len(rows) // nights : (night + 1) * len(rows) // nights]
            part.to_csv(folder / "exports" / f"part{night}.csv", index=False)
            self.result = run_plant(folder / "plant.toml")

    def table(self, name: str) -> pd.DataFrame:
        return pd.read_parquet(self.folder / "data" / "tables" / name)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    return Made(tmp_path_factory.mktemp("shared") / "station")


@pytest.fixture(scope="module")
def points(made: Made) -> pd.DataFrame:
    found = made.table("operating_points")
    found["flow"] = found["flow_m3_h"] / 3600.0
    truth = parallel_truth(DAYS)
    pieces = []
    for p in PUMPS:
        true = truth[["time", f"flow_{p}"]].rename(columns={f"flow_{p}": "true_flow"})
        pieces.append(found[found["pump"] == p].merge(true, on="time"))
    return pd.concat(pieces, ignore_index=True)


def test_intervals_of_one_pump_are_points_and_of_two_are_allocated(made: Made, points):
    assert made.result.outcome.failures == []
    truth = parallel_truth(DAYS).set_index("time")
    both = truth.index[truth["running_A"] & truth["running_B"]]
    steady, allocated = (points[points["status"] == s] for s in ("steady", "allocated"))
    assert not steady["time"].isin(both).any()
    assert allocated["time"].isin(both).all()
    assert set(allocated["flow_source"]) == {"allocated"}
    assert set(steady["flow_source"]) == {"measured"}
    # Six days in which each combination runs a quarter of the time: 216 intervals of both,
    # the first and last of each spell of six hours being no steady running.
    assert 0.85 * 216 <= len(allocated) / 2 <= 216


def test_allocated_flows_meet_the_meter_and_the_engine(points):
    allocated = points[points["status"] == "allocated"]
    total = allocated.groupby("time")["flow"].sum()
    metered = readings().assign(time=lambda r: pd.to_datetime(r["time"], utc=True))
    metered = metered.set_index("time")["METER"].reindex(total.index) / 1e3
    assert (total - metered).abs().max() < 1e-9
    error = allocated["flow"] - allocated["true_flow"]
    # Two pumps of unlike size: sharing by halves would be 17 and 25 % off.
    assert (error.abs() / allocated["true_flow"]).groupby(allocated["pump"]).mean().max() < 0.015
    covered = error.abs() <= allocated["flow_u95_m3_h"] / 3600.0
    assert covered.mean() > 0.9
    assert (allocated["flow_u95_m3_h"] / allocated["flow_m3_h"]).max() < 0.3


def test_what_was_allocated_trains_and_trends_nothing(made: Made, points):
    single = points[points["status"] == "steady"]
    baselines = made.table("baselines").set_index("pump")
    for p in PUMPS:
        assert baselines.loc[p, "points"] <= (single["pump"] == p).sum()
        # The engine's flows of the pump running alone bound what the baseline speaks for.
        alone = single[single["pump"] == p]["true_flow"] * 3600.0
        assert baselines.loc[p, "flow_low_m3_h"] > 0.98 * alone.min()
    compared = made.table("daily_deviations").groupby("pump")["points"].sum()
    assert (compared <= single["pump"].value_counts()[compared.index]).all()


def test_volume_and_duty_count_what_was_allocated(made: Made):
    truth = parallel_truth(DAYS)
    truth = truth[truth["time"] < START + pd.Timedelta(days=DAYS)]
    daily = made.table("rolling_performance").query("period == 'day'")
    duty = made.table("duty_profile")
    for p in PUMPS:
        true = 600.0 * truth[f"flow_{p}"].sum()
        volume = daily.loc[daily["pump"] == p, "volume_m3"].sum()
        # Starts and stops are not allocated: at most two of the 36 intervals of a spell.
        assert 0.93 * true < volume < 1.01 * true
        # A bin that ends at zero holds what could not be shared out, as at starts.
        flowing = duty[(duty["pump"] == p) & (duty["flow_high_m3_h"] > 0.0)]
        both = flowing[flowing["combination"] == "A + B"]
        together = truth[truth["running_A"] & truth["running_B"]]
        specific = together[f"electrical_power_{p}"].sum() / together[f"flow_{p}"].sum() / 3.6e6
        found = both["electrical_energy_kwh"].sum() / both["volume_m3"].sum()
        assert found == pytest.approx(specific, rel=0.02)


@pytest.mark.slow
def test_nights_and_one_backfill_agree(made: Made, tmp_path: Path):
    """What was allocated with a young baseline is allocated again with the one learned later."""
    other = Made(tmp_path / "nights", nights=3)
    for name in ("operating_points", "energy_cost", "duty_profile", "baselines", "flags"):
        key = [c for c in ("pump", "time", "month", "combination", "flow_low_m3_h", "start")
               if c in made.table(name)]  # fmt: skip
        left, right = (
            m.table(name).sort_values(key, ignore_index=True).astype({"pump": "str"})
            for m in (made, other)
        )
        pd.testing.assert_frame_equal(left, right, rtol=1e-9, check_categorical=False)
