"""Spoilt gauges in the whole job: which points are lost, which are modelled, and what is said."""

from __future__ import annotations

import io

import pandas as pd
import pytest
from small_station import DAYS, FILES, SmallStation, day_text

from pipeline.jobs.nightly import run_plant

FROM = pd.Timestamp("2026-01-31T12:00Z")


def spoilt(day: int) -> str:
    """A day's file: suction and discharge of A exchanged, B's discharge frozen from a moment on."""
    frame = pd.read_csv(io.StringIO(day_text(day)))
    turned = {"A.SUCTION": "A.DISCHARGE", "A.DISCHARGE": "A.SUCTION"}
    frame["tag"] = frame["tag"].replace(turned)
    late = (frame["tag"] == "B.DISCHARGE") & (pd.to_datetime(frame["time"]) >= FROM)
    frame.loc[late, "value"] = 395.0
    return frame.to_csv(index=False, lineterminator="\n")


@pytest.fixture(scope="module")
def faulty(tmp_path_factory: pytest.TempPathFactory) -> SmallStation:
    """All days read in one run."""
    station = SmallStation(tmp_path_factory.mktemp("faulty") / "station")
    for day in range(DAYS):
        station.put(FILES[day], spoilt(day))
    assert run_plant(station.plant).outcome.failures == []
    return station


def test_faults_of_both_gauges_are_told_with_the_gauge_they_are_of(faulty: SmallStation):
    checks = faulty.table("gauge_checks").astype({"pump": str, "gauge": str, "check": str})
    told = set(zip(checks["pump"], checks["gauge"], checks["check"], strict=True))
    assert {("A", "suction", "swapped"), ("A", "discharge", "swapped")} <= told
    assert ("B", "discharge", "stuck") in told
    assert checks.loc[checks["check"] == "swapped", "excludes"].all()
    frozen = checks[(checks["pump"] == "B") & (checks["check"] == "stuck")].iloc[0]
    assert abs(frozen["start"] - FROM) <= pd.Timedelta(hours=2)


def test_a_bad_discharge_gauge_gives_no_operating_points_and_the_status_says_why(
    faulty: SmallStation,
):
    points = faulty.table("operating_points").astype({"pump": str, "status": str})
    a, b = points[points["pump"] == "A"], points[points["pump"] == "B"]
    assert "steady" not in set(a["status"])
    assert (a["status"] == "discharge_gauge").mean() > 0.8
    late = b["time"] >= FROM
    assert "steady" in set(b.loc[b["time"] < FROM - pd.Timedelta(hours=1), "status"])
    assert "steady" not in set(b.loc[late, "status"])
    assert (b.loc[late, "status"] == "discharge_gauge").mean() > 0.8
    assert b.loc[b["status"] == "discharge_gauge", "total_head_m"].isna().all()


def test_exchanged_suction_readings_are_never_measured_pressure(faulty: SmallStation):
    points = faulty.table("operating_points")
    mine = points[points["pump"] == "A"]
    assert "measured" not in set(mine["suction_pressure_source"].astype(str))
