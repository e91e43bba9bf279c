"""Gauge and level that disagree at rest, through the whole job: what is told, and how widely.

Eight days of the small station. The truth is the station's own, worked out there by the plain
equations before anything is spoilt; what is spoilt is spoilt in the plant file or in one tag.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from small_station import DENSITY, START, G, SmallStation, long_text, plant_text, samples

from pipeline.jobs.nightly import run_plant

DAYS = 8


def result_of(folder: Path, readings: pd.DataFrame, plant: str) -> SmallStation:
    """Run the job once over all days."""
    station = SmallStation(folder / "station")
    station.plant.write_text(plant, "utf-8")
    station.put("all.csv", long_text(readings))
    assert run_plant(station.plant).outcome.failures == []
    return station


def about_suction(station: SmallStation, pump: str) -> pd.DataFrame:
    """Findings about the suction gauge of a pump."""
    checks = station.table("gauge_checks").astype(
        {"pump": str, "gauge": str, "check": str, "verdict": str}
    )
    return checks[(checks["pump"] == pump) & (checks["gauge"] == "suction")]


def modelled(station: SmallStation, pump: str) -> tuple[pd.DataFrame, np.ndarray]:
    """Points of a running pump without measured suction, and the true pressure at its tap."""
    points = station.table("operating_points")
    points = points[(points["pump"] == pump) & points["suction_pressure_kpa"].notna()]
    source = points["suction_pressure_source"].astype(str)
    points = points[(source != "measured") & (points["flow_m3_h"] > 0.0)]
    true = samples(DAYS, True).set_index("time")[f"{pump}.SUCTION"]
    at = pd.DatetimeIndex(points["time"]) + pd.Timedelta(seconds=200)
    return points.reset_index(drop=True), true.reindex(at).to_numpy()


def inside(points: pd.DataFrame, true: np.ndarray) -> float:
    """Share of the points whose stated 95 % interval holds the truth."""
    width = 1.96 * np.hypot(
        points["suction_pressure_u_systematic_kpa"], points["suction_pressure_u_random_kpa"]
    )
    return float((np.abs(points["suction_pressure_kpa"] - true) <= width).mean())


def test_an_elevation_of_the_wrong_sign_leaves_its_pump_wide(tmp_path: Path):
    """Pump A is entered 1.2 m below the datum instead of above: 23.5 kPa of static head."""
    readings = samples(DAYS, True).drop(columns="B.SUCTION")
    text = plant_text().replace(
        'reference_elevation = "1.2 m"', 'reference_elevation = "-1.2 m"', 1
    )
    station = result_of(tmp_path, readings, text)
    found = about_suction(station, "A")
    assert set(found["check"]) == {"elevation_sign"}
    assert set(found["verdict"]) == {"suspect"}
    assert found["evidence"].str.contains("No other gauge settles").all()
    apart = 2.0 * 1.2 * DENSITY * G / 1e3
    points, true = modelled(station, "A")
    assert len(points) > 850
    off = points["suction_pressure_kpa"] - true
    assert float(np.median(off)) == np.clip(float(np.median(off)), 0.8 * apart, 1.2 * apart)
    assert inside(points, true) > 0.92
    assert points["suction_reason"].astype(str).str.endswith("level or gauge: elevation_sign").all()


def test_the_level_of_another_tank_leaves_all_pumps_of_the_line_wide(tmp_path: Path):
    """The level tag shows another tank, which fills and empties at a time of its own."""
    readings = samples(DAYS, True).drop(columns="B.SUCTION")
    hour = np.asarray((readings["time"] - START) / pd.Timedelta(hours=1))
    readings["LEVEL"] = np.round(2.5 + 0.8 * np.sin(hour / 14.0 + 1.0), 5)
    station = result_of(tmp_path, readings, plant_text())
    found = about_suction(station, "A")
    assert "level_of_other_tank" in set(found["check"])
    assert set(found["verdict"]) == {"suspect"}
    for pump in ("A", "B"):
        points, true = modelled(station, pump)
        assert len(points) > 850
        # Taken at its word the level is wrong by up to 1.6 m.
        assert np.abs(points["suction_pressure_kpa"] - true).max() > 10.0
        assert inside(points, true) > 0.92


def test_another_gauge_that_agrees_with_the_level_settles_it(tmp_path: Path):
    """The gauge of A reads 6 kPa high; that of B is right."""
    readings = samples(DAYS, True).copy()
    readings["A.SUCTION"] += 6.0
    station = result_of(tmp_path, readings, plant_text(gauge_of_b=True))
    found = about_suction(station, "A")
    assert set(found["check"]) == {"offset"}
    assert set(found["verdict"]) == {"fault"}
    assert found["evidence"].str.contains("gauge of B agrees").all()
    points, true = modelled(station, "A")
    assert len(points) > 850
    assert inside(points, true) > 0.92
    # What is left open is the branch of A, drawn to 60 %; not which of two 6 kPa apart is right.
    assert points["suction_pressure_u_systematic_kpa"].median() < 6.0 / np.sqrt(2.0)
    assert not points["suction_reason"].astype(str).str.contains("level or gauge").any()


@pytest.mark.parametrize("off", [6.0, 25.0])
def test_no_other_gauge_leaves_an_offset_open(tmp_path: Path, off: float):
    """The gauge of A reads high, or the level zero is wrong: nobody can tell.

    6 kPa show once a fit knows the header; 25 kPa stand above static head while running.
    """
    readings = samples(DAYS, True).drop(columns="B.SUCTION")
    readings["A.SUCTION"] += off
    station = result_of(tmp_path, readings, plant_text())
    found = about_suction(station, "A")
    assert set(found["verdict"]) == {"suspect"}
    points, _ = modelled(station, "A")
    # Both are inside: the modelled pressure, and one so far above it.
    width = 1.96 * points["suction_pressure_u_systematic_kpa"]
    assert width.min() > off
    # The offset is the gauge's own; pump B has the level alone, and no gauge against it.
    other, true = modelled(station, "B")
    assert inside(other, true) > 0.92


def test_a_level_that_stood_still_for_days_accuses_no_gauge(tmp_path: Path):
    """From day 2 to day 6 the transmitter keeps its value while the tank goes on."""
    readings = samples(DAYS, True).drop(columns="B.SUCTION")
    still = readings["time"].between(START + pd.Timedelta("2D"), START + pd.Timedelta("6D"))
    readings.loc[still, "LEVEL"] = readings.loc[still, "LEVEL"].iloc[0]
    station = result_of(tmp_path, readings, plant_text())
    checks = station.table("gauge_checks").astype({"pump": str, "gauge": str, "check": str})
    told = set(zip(checks["pump"], checks["gauge"], checks["check"], strict=True))
    assert told == {("A", "level", "stuck"), ("B", "level", "stuck")}
    assert (checks["start"] <= START + pd.Timedelta("2D")).all()
    assert (checks["end"] >= START + pd.Timedelta("6D")).all()
    points = station.table("operating_points")
    meanwhile = points[points["time"].between(checks["start"][0], START + pd.Timedelta("6D"))]
    of_a = meanwhile[(meanwhile["pump"] == "A") & (meanwhile["status"] == "steady")]
    assert len(of_a) > 300
    assert set(of_a["suction_pressure_source"].astype(str)) == {"measured"}
    # B has no gauge, and no level: no value beats a wrong one.
    of_b = meanwhile[(meanwhile["pump"] == "B") & (meanwhile["flow_m3_h"] > 0.0)]
    assert of_b["suction_pressure_kpa"].isna().all()
    assert of_b["suction_reason"].astype(str).str.contains("source: level_stuck").all()
