"""The sample station: small, reproducible, physically right, and with its planted faults."""

import ast
import datetime as dt
import importlib
import json
import math
import sys
import tomllib
from pathlib import Path

import iapws
import numpy as np
import pandas as pd
import pyarrow.compute as pc
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest
from fluids.friction import friction_factor

from pipeline.plant import read_plant

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_exports"
EXPORTS = SAMPLE / "exports"
G = 9.80665
MONTH = (dt.date(2026, 2, 1), dt.date(2026, 2, 28))


@pytest.fixture(scope="module")
def generate():
    sys.path.insert(0, str(SAMPLE))
    try:
        yield importlib.import_module("generate")
    finally:
        sys.path.remove(str(SAMPLE))


@pytest.fixture(scope="module")
def one_month(generate, tmp_path_factory):
    folder = tmp_path_factory.mktemp("month")
    generate.write_sample(folder, generate.SEED, *MONTH)
    return folder


@pytest.fixture(scope="module")
def planted():
    return json.loads((SAMPLE / "truth" / "planted.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def daily():
    return pd.read_parquet(SAMPLE / "truth" / "daily.parquet")


@pytest.fixture(scope="module")
def five_minutes():
    return pd.read_parquet(SAMPLE / "truth" / "five_minutes.parquet")


def history(folder, *tags, start=None, end=None):
    """Samples of some tags, sorted by tag and time."""
    chosen = pc.field("tag").isin(list(tags)) if tags else None
    if start is not None:
        span = (pc.field("timestamp") >= start) & (pc.field("timestamp") < end)
        chosen = span if chosen is None else chosen & span
    table = ds.dataset(folder / "exports" / "history").to_table(filter=chosen).to_pandas()
    table["tag"], table["status"] = table["tag"].astype(str), table["status"].astype(str)
    return table.sort_values(["tag", "timestamp"], ignore_index=True)


def instants(first, last):
    return pd.Timestamp(first, tz="UTC"), pd.Timestamp(last, tz="UTC") + pd.Timedelta(days=1)


# ---------------------------------------------------------------- form


def test_shipped_files_stay_below_8_megabytes():
    files = [f for f in SAMPLE.rglob("*") if f.is_file() and f.suffix != ".pyc"]
    assert sum(f.stat().st_size for f in files) < 8_000_000


def test_history_has_between_1_and_4_million_rows():
    rows = sum(pq.read_metadata(f).num_rows for f in (EXPORTS / "history").iterdir())
    assert 1_000_000 < rows < 4_000_000


def test_the_plant_file_is_accepted():
    plant = read_plant(SAMPLE / "plant.toml")
    assert sorted(plant.pumps) == ["P1", "P2", "P3", "P4", "P5", "P6"]
    assert plant.pumps["P3"][0].suction_pressure_tag is None
    assert len(plant.pumps["P3"][0].baseline_curve) == 10
    assert plant.tags["TM.PRESSURE"][0].reference == "absolute"


def test_every_exported_tag_is_declared_and_every_declared_tag_exported():
    declared = {t["name"] for t in tomllib.loads(plant_text())["tags"]}
    assert (
        set(
            history(
                SAMPLE,
                start=pd.Timestamp("2026-10-01", tz="UTC"),
                end=pd.Timestamp("2026-10-02", tz="UTC"),
            )["tag"]
        )
        == declared
    )
    wide = pd.read_csv(EXPORTS / "hall_b" / "day_20261012.csv", sep=";", skiprows=1, nrows=0)
    nights = pd.concat(
        [
            pd.read_csv(EXPORTS / "nightly" / "night_2026-10-12.csv")["Tag"],
            pd.read_csv(EXPORTS / "field" / "booster_20261012.csv")["tag"],
            pd.Series(wide.columns[1:]),
        ]
    )
    assert set(nights) == declared


def plant_text():
    return (SAMPLE / "plant.toml").read_text(encoding="utf-8")


def test_the_generator_shares_no_code_with_the_tool():
    for file in SAMPLE.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            assert not [n for n in names if n.split(".")[0] in ("pipeline", "flows")], file


# ---------------------------------------------------------------- the same seed, the same content


def test_a_month_made_alone_is_the_month_that_is_shipped(one_month):
    start, end = instants(*MONTH)
    pd.testing.assert_frame_equal(
        history(one_month), history(SAMPLE, start=start, end=end), rtol=1e-9, atol=0.0
    )


@pytest.mark.parametrize("name", ["daily", "hourly", "five_minutes"])
def test_the_truth_of_a_month_made_alone_is_the_truth_that_is_shipped(one_month, name):
    start, end = instants(*MONTH)
    shipped = pd.read_parquet(SAMPLE / "truth" / f"{name}.parquet")
    shipped = shipped[(shipped["time"] >= start) & (shipped["time"] < end)]
    made = pd.read_parquet(one_month / "truth" / f"{name}.parquet")
    # The last digit of a rounded number may turn with another maths library.
    pd.testing.assert_frame_equal(made, shipped.reset_index(drop=True), rtol=1e-5, atol=1e-5)


def test_the_nights_of_october_are_made_again(generate, tmp_path):
    generate.write_sample(tmp_path, generate.SEED, dt.date(2026, 10, 1), dt.date(2026, 10, 31))
    for folder in ("nightly", "hall_b", "field"):
        shipped = sorted((EXPORTS / folder).iterdir())
        made = sorted((tmp_path / "exports" / folder).iterdir())
        assert [f.name for f in made] == [f.name for f in shipped]
        for a, b in zip(made, shipped, strict=True):
            assert a.read_text(encoding="utf-8") == b.read_text(encoding="utf-8"), b.name


def test_another_seed_gives_other_values(generate, tmp_path, one_month):
    generate.write_sample(tmp_path, 7, MONTH[0], MONTH[0] + dt.timedelta(days=1))
    other = history(tmp_path, "P1.FLOW")["value"]
    same = history(one_month, "P1.FLOW")["value"]
    assert not np.array_equal(other.head(200), same.head(200))


# ---------------------------------------------------------------- physics, by other means


def geometry():
    """Elevations at which gauges read and bores at the taps, from the plant file."""
    found = {}
    for pump in tomllib.loads(plant_text())["pumps"]:
        reads = []
        for key in ("suction_tap", "discharge_tap"):
            tap = pump[key]
            filled = tap.get("sensing_line", "filled") == "filled"
            place = tap.get("gauge_elevation", tap["elevation"]) if filled else tap["elevation"]
            reads += [float(place.split()[0]), float(tap["diameter"].split()[0]) / 1000.0]
        found[pump["id"]] = reads
    return found


@pytest.mark.parametrize("pump", ["P1", "P2", "P3", "P4", "P5", "P6"])
def test_head_and_efficiency_follow_from_pressures_flow_and_power(five_minutes, pump):
    """Total head as in ISO 9906 (from memory), density from IAPWS-95 through ``iapws``."""
    zs, ds_, zd, dd = geometry()[pump]
    rows = five_minutes[five_minutes["pump"] == pump].astype({"flow_m3_s": float})
    # Water between 6 and 20 °C; its density differs by 0.16 % at most, hence the tolerances.
    rho = iapws.IAPWS95(T=273.15 + 13.0, P=0.101325).rho
    flow = rows["flow_m3_s"].to_numpy()
    pressure = (rows["discharge_pressure_pa"] - rows["suction_pressure_pa"]).to_numpy(float)
    speed = [flow / (math.pi / 4.0 * d**2) for d in (ds_, dd)]
    head = pressure / (rho * G) + zd - zs + (speed[1] ** 2 - speed[0] ** 2) / (2.0 * G)
    np.testing.assert_allclose(head, rows["total_head_m"], rtol=0.0013, atol=0.001)
    # Power from the pressure terms alone hardly depends on density.
    power = flow * (pressure + rho * G * (head - pressure / (rho * G)))
    overall = power / rows["electrical_power_w"].to_numpy(float)
    np.testing.assert_allclose(overall, rows["overall_efficiency"], rtol=4e-4)
    shaft = power / rows["shaft_power_w"].to_numpy(float)
    np.testing.assert_allclose(shaft, rows["pump_efficiency"], rtol=4e-4)
    assert (rows["electrical_power_w"] > rows["shaft_power_w"]).all()


@pytest.fixture(scope="module")
def a_day(generate):
    from waterworks.clock import WARM_UP_DAYS, Clock
    from waterworks.simulate import simulate, streams_needed
    from waterworks.station import ZONE, sample_station

    station = sample_station()
    first = dt.date(2026, 7, 15) - dt.timedelta(days=WARM_UP_DAYS)
    clock = Clock(generate.SEED, first, WARM_UP_DAYS + 1, 60, ZONE)
    return station, simulate(station, clock, clock.innovations(streams_needed(station)))


@pytest.mark.parametrize("pump", ["P1", "P2", "P3", "P4", "P6"])
def test_suction_pressure_is_the_tank_less_pipe_losses(a_day, pump):
    """Static head less Darcy-Weisbach with Colebrook, one pipe after the other.

    Friction factor and viscosity from ``fluids`` and ``iapws``: other code and another
    equation for the water than the generator's.
    """
    station, truth = a_day
    group = next(g for g in station.groups if pump in [p.id for p in g.pumps])
    place = [p.id for p in group.pumps].index(pump)
    unit = group.pumps[place]
    values = truth.pump[pump]
    running = np.flatnonzero(values["running"])
    steps = running[np.linspace(0, running.size - 1, 12).astype(int)]
    for k in steps:
        water = iapws.IAPWS95(T=273.15 + truth.celsius[k], P=0.101325)

        def loss(pipe, flow, water=water):
            v = flow / (math.pi / 4.0 * pipe.diameter**2)
            factor = friction_factor(
                water.rho * v * pipe.diameter / water.mu, pipe.roughness / pipe.diameter
            )
            return (pipe.k + factor * pipe.length / pipe.diameter) * water.rho * v**2 / 2.0

        flow = values["flow"][k]
        lost = loss(unit.branch, flow) + values["strainer_loss"][k]
        for pipe, first in group.header:
            if place >= first:
                lost += loss(pipe, sum(truth.pump[p.id]["flow"][k] for p in group.pumps[first:]))
        surface = station.sources[group.source].zero + truth.source[group.source][k]
        depth = surface - unit.elevation - unit.suction.elevation
        dynamic = water.rho / 2.0 * (flow / (math.pi / 4.0 * unit.suction.diameter**2)) ** 2
        expected = water.rho * G * depth - lost - dynamic
        # 0.1 % of the loss (viscosity equation) and 0.01 % of the static pressure (density).
        assert values["suction_pressure"][k] == pytest.approx(
            expected, abs=0.002 * lost + 1e-4 * water.rho * G * depth
        )


def test_leakage_grows_with_time_and_with_the_square_root_of_head(daily):
    worn = daily[daily["pump"] == "P5"]
    years = (worn["time"] - pd.Timestamp("2025-04-01", tz="UTC")).dt.days + 0.5
    constant = worn["leakage_m3_s"] / np.sqrt(worn["total_head_m"]) / years
    assert constant[30:].std() / constant[30:].mean() < 0.002


# ---------------------------------------------------------------- what was planted


def test_p5_loses_about_4_percent_of_head_a_year_and_needs_more_power(daily):
    worn = daily[daily["pump"] == "P5"]
    years = (worn["time"] - worn["time"].iloc[0]).dt.total_seconds() / (365.25 * 86400.0)
    head = np.polyfit(years, worn["head_deviation"], 1)[0]
    power = np.polyfit(years, worn["power_deviation"], 1)[0]
    assert head == pytest.approx(-0.040, abs=0.003)
    # Leakage moves the flow axis: power follows the slope of its own curve (0.40 to 0.60).
    assert power == pytest.approx(0.040 * 0.40 / 0.60, abs=0.003)


def test_the_gauge_of_p2_sticks_at_a_plausible_value_with_good_status(planted):
    dies = pd.Timestamp(planted["p2_gauge_dies"])
    gauge = history(SAMPLE, "P2.SUCTION")
    ok = gauge[gauge["status"] == "Good"]
    before, after = ok[ok["timestamp"] < dies], ok[ok["timestamp"] >= dies]
    assert set(after["value"].dropna()) == {planted["p2_stuck_at_bar"]}
    assert before["value"].quantile(0.01) < planted["p2_stuck_at_bar"]
    assert before["value"].quantile(0.99) > planted["p2_stuck_at_bar"]
    assert before["value"].nunique() > 200


def test_the_strainer_of_p4_fouls_and_is_cleaned(daily, planted):
    pump = daily[daily["pump"] == "P4"].set_index("time")
    at_bep = pump["strainer_loss_pa"] / 9800.0 * (250.0 / 3600.0 / pump["flow_m3_s"]) ** 2
    for episode in planted["p4_fouling"]:
        begins = pd.Timestamp(episode["begins"])
        assert at_bep[begins - pd.Timedelta(days=1)] == 0.0
        if episode["cleaned"] is not None:
            day = pd.Timestamp(episode["cleaned"]).normalize()
            assert at_bep[day - pd.Timedelta(days=1)] == pytest.approx(
                episode["loss_m_at_bep_after_90_days"], rel=0.04
            )
            assert at_bep[day + pd.Timedelta(days=1)] == 0.0
    assert at_bep.iloc[-1] > 1.0


def test_the_gauge_of_p6_is_bad_for_weeks(planted):
    start, end = (pd.Timestamp(t) for t in planted["p6_gauge_bad"])
    status = history(SAMPLE, "P6.SUCTION", start=start, end=end)["status"]
    assert set(status) == {"Bad"}
    assert len(status) > 1000


def test_level_only_errs_hugely_on_the_low_head_pump_and_little_on_the_high_head_one(daily):
    """Suction with the pump standing less suction while it runs, against the total head."""

    def error(pump, static):
        running = daily[daily["pump"] == pump]
        return ((static - running["suction_pressure_pa"]) / 9800.0 / running["total_head_m"]).mean()

    # Declared zero + usual level - pump - gauge: 2.0 + 1.7 - 0.4 - 0.6 m; main 25.5 + 0.1 m.
    assert 0.15 < error("P6", 2.7 * 9800.0) < 0.30
    assert 0.002 < error("P5", 25.6 * 9800.0) < 0.02


def test_no_pump_runs_outside_its_curve(daily, planted):
    for pump, rows in daily.groupby("pump"):
        days = rows[rows["running_fraction"] > 0.0]
        q = days["flow_m3_s"] * 3600.0 / planted["best_efficiency"][pump]["flow_m3_h"]
        assert q.between(0.6, 1.3).all(), pump
        assert len(days) > 200, pump
        # Every pump stands for a part of every day: there are readings at rest.
        assert (rows["running_fraction"] < 1.0).all(), pump


def test_readings_agree_with_the_truth_within_declared_accuracy():
    """Hourly flow and suction pressure of P1 in one month, by plain interpolation."""
    start, end = instants(*MONTH)
    truth = pd.read_parquet(SAMPLE / "truth" / "hourly.parquet")
    mine = (truth["pump"] == "P1") & (truth["time"] >= start) & (truth["time"] < end)
    truth = truth[mine]
    kept = history(SAMPLE, "P1.SUCTION", start=start, end=end)
    kept = kept[kept["status"] == "Good"]
    seconds = kept["timestamp"].astype("datetime64[s, UTC]").astype("int64").to_numpy()
    hours = truth["time"].astype("datetime64[s, UTC]").astype("int64").to_numpy()
    minutes = hours[:, None] + np.arange(0, 3600, 60)
    shown = np.interp(minutes, seconds, kept["value"].to_numpy()).mean(axis=1)
    error = shown - truth["suction_pressure_pa"].to_numpy(float) / 1000.0
    assert error.size > 100
    # Declared: 0.4 % of 250 kPa; planted: 0.45 kPa.
    assert np.abs(error).max() < 1.0
    assert np.median(error) == pytest.approx(0.45, abs=0.1)


# ---------------------------------------------------------------- oddities of the nightly files


def test_the_day_the_clocks_go_back_has_25_hours():
    lines = (EXPORTS / "hall_b" / "day_20261025.csv").read_text(encoding="utf-8-sig").splitlines()
    clock = [line.split(";")[0] for line in lines[3:]]
    assert len(clock) == 25 * 12
    assert clock.count("25/10/2026 01:30") == 2
    assert "," in lines[3].split(";")[1]


def test_late_rows_are_missing_in_their_night_and_come_later():
    night = pd.read_csv(EXPORTS / "nightly" / "night_2026-10-20.csv")
    late = pd.read_csv(EXPORTS / "nightly" / "late_2026-10-24.csv")
    hours = pd.to_datetime(night[night["Tag"] == "P1.FLOW"]["Timestamp"]).dt.hour
    assert not hours.isin(range(6, 14)).any()
    assert len(late) > 50
    assert set(pd.to_datetime(late["Timestamp"]).dt.hour) == set(range(6, 14))
    assert set(late["Tag"]) == {"P1.FLOW", "P1.SUCTION", "P1.DISCHARGE", "P1.POWER"}


def test_there_are_repeated_and_disordered_rows_and_words_for_values():
    repeated = pd.read_csv(EXPORTS / "nightly" / "night_2026-10-18.csv")
    assert repeated.duplicated(["Timestamp", "Tag"]).sum() == 40
    assert repeated["Timestamp"].str.startswith("2026-10-17T23:").any()
    shuffled = pd.read_csv(EXPORTS / "nightly" / "night_2026-10-22.csv")
    assert not shuffled["Timestamp"].is_monotonic_increasing
    words = pd.concat(
        [pd.read_csv(f, dtype=str)["Value"] for f in (EXPORTS / "nightly").glob("*.csv")]
    )
    assert {"I/O Timeout", "Bad"} <= set(words)


def test_the_wide_reports_have_empty_cells_and_words():
    cells = [
        cell
        for file in (EXPORTS / "hall_b").iterdir()
        for line in file.read_text(encoding="utf-8-sig").splitlines()[3:]
        for cell in line.split(";")[1:]
    ]
    assert len(cells) == 9 * 12 * (20 * 24 + 1)
    assert 10 < cells.count("") < 200
    assert 5 < cells.count("Bad") < 100


def test_a_small_fleet_is_made_with_a_plant_file_that_reads(generate, tmp_path):
    assert (
        generate.main(
            ["--output", str(tmp_path), "--fleet", "3", "--years", "0.02", "--minutes", "5"]
        )
        == 0
    )
    plant = read_plant(tmp_path / "plant.toml")
    rows = ds.dataset(tmp_path / "exports" / "history").to_table()
    assert len(plant.pumps) == 3
    assert rows.num_rows == 3 * 8 * 7 * 288
    flow = rows.filter(pc.equal(pc.cast(rows["tag"], "string"), "F001.FLOW"))["value"].to_numpy()
    # A variant of a pump with its best efficiency at 300 m³/h.
    assert 200.0 < np.median(flow[flow > 0.0]) < 400.0
