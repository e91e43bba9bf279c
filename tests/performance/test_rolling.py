"""Hours and days by hand: ratios of sums, parts of the uncertainty, sources."""

import numpy as np
import pandas as pd
import pytest

from pipeline.performance.rolling import ROLLING_COLUMNS, rolling_performance

GRID = 1800.0


def points(**columns):
    """Four half hours of one pump from 10:00, the third unsteady."""
    frame = {
        "pump": "P1",
        "time": pd.date_range("2026-01-01T10:00Z", periods=4, freq="30min").as_unit("us"),
        "status": ["steady", "steady", "unsteady", "steady"],
        "flow": [0.10, 0.20, 0.15, 0.10],
        "total_head": [30.0, 20.0, 25.0, 30.0],
        "electrical_power": [40e3, 80e3, 60e3, 40e3],
        "hydraulic_power": [28e3, 40e3, 30e3, 28e3],
        "shaft_power": [36e3, 72e3, 54e3, 36e3],
        "overall_efficiency_u_systematic": [0.01, 0.02, 0.5, 0.01],
        "overall_efficiency_u_random": [0.03, 0.03, 0.5, 0.04],
        "pump_efficiency_u_systematic": [0.012, 0.024, 0.5, 0.012],
        "pump_efficiency_u_random": [0.03, 0.03, 0.5, 0.04],
        "suction_pressure_source": ["measured", "modelled", "level_only", "measured"],
        "suction_pressure_u_systematic": [100.0, 400.0, 9e9, 100.0],
        "level_only_hydraulic_power": [26e3, 34e3, 1.0, 26e3],
        **columns,
    }
    return pd.DataFrame(frame)[list(ROLLING_COLUMNS)]


def row(period, start="2026-01-01T10:00Z", zone="UTC", **columns):
    found = rolling_performance(points(**columns), GRID, zone)
    mine = (found["period"] == period) & (found["start"] == pd.Timestamp(start))
    assert mine.sum() == 1
    return found[mine].iloc[0]


def test_efficiency_of_an_hour_is_a_ratio_of_sums():
    """By hand: (28 + 40) / (40 + 80) is 0.5667; the mean of 0.7 and 0.5 is 0.6, and wrong."""
    hour = row("hour")
    assert hour["overall_efficiency"] == pytest.approx(68 / 120)
    assert hour["pump_efficiency"] == pytest.approx(68 / 108)
    assert hour["level_only_overall_efficiency"] == pytest.approx(60 / 120)
    # 120 kW over 0.30 m3/s; flow is the mean of two, head weighted by volume: (3 + 4) / 0.3.
    assert hour["specific_energy"] == pytest.approx(120e3 / 0.30)
    assert hour["flow"] == pytest.approx(0.15)
    assert hour["total_head"] == pytest.approx(7.0 / 0.30)


def test_volume_and_energy_count_unsteady_running_too():
    """Second hour: 0.15 and 0.10 m3/s, 60 and 40 kW, for half an hour each; one point."""
    hour = row("hour", "2026-01-01T11:00Z")
    assert hour["volume"] == pytest.approx(0.25 * 1800)
    assert hour["electrical_energy"] == pytest.approx(100e3 * 1800)
    assert hour["hydraulic_energy"] == pytest.approx(28e3 * 1800)
    assert (hour["intervals"], hour["points"], hour["running_time"]) == (2, 1, 3600.0)
    assert hour["overall_efficiency"] == pytest.approx(0.7)


def test_systematic_part_stays_and_random_part_shrinks():
    """By hand, weighted by power: (0.01 * 40 + 0.02 * 80) / 120, and the root of the squares
    of 0.03 * 40 and 0.03 * 80 over 120."""
    hour = row("hour")
    assert hour["overall_efficiency_u_systematic"] == pytest.approx(2.0 / 120)
    random = np.sqrt(1.2**2 + 2.4**2) / 120
    assert hour["overall_efficiency_u_random"] == pytest.approx(random)
    assert hour["suction_pressure_u_systematic"] == pytest.approx(250.0)


def test_a_period_names_its_least_certain_source():
    hour, later = row("hour"), row("hour", "2026-01-01T11:00Z")
    assert (hour["suction_pressure_source"], hour["measured_suction"]) == ("modelled", 0.5)
    # The unsteady interval is no point, so its source does not count.
    assert (later["suction_pressure_source"], later["measured_suction"]) == ("measured", 1.0)


def test_a_day_is_the_stations_own():
    """In Kiritimati, 14 h ahead of UTC, 10:00 UTC is the start of the next day."""
    day = row("day", "2026-01-01T10:00Z", "Pacific/Kiritimati")
    assert day["overall_efficiency"] == pytest.approx(96 / 160)
    assert day["points"] == 3


def test_without_points_nothing_is_claimed():
    hour = row("hour", status="unsteady")
    assert hour["volume"] == pytest.approx(0.30 * 1800)
    assert hour[["overall_efficiency", "flow", "total_head", "specific_energy"]].isna().all()
    assert np.isnan(hour["overall_efficiency_u_systematic"])
    assert hour["suction_pressure_source"] is None or pd.isna(hour["suction_pressure_source"])


def test_unknown_shaft_power_has_no_uncertainty_either():
    hour = row("hour", shaft_power=np.nan)
    assert np.isnan(hour["pump_efficiency"])
    assert np.isnan(hour["pump_efficiency_u_random"])
    assert np.isfinite(hour["overall_efficiency_u_random"])


def test_input_is_left_alone():
    frame = points()
    copy = frame.copy(deep=True)
    rolling_performance(frame, GRID, "UTC")
    pd.testing.assert_frame_equal(frame, copy)


def test_what_is_known_of_no_interval_is_unknown_and_no_running_time():
    """A pump without a power meter has not used nothing, and nobody's time is not running time."""
    time = pd.date_range("2026-03-01", periods=12, freq="10min", tz="UTC").as_unit("us")
    nothing = dict.fromkeys(ROLLING_COLUMNS, np.nan)
    points = pd.DataFrame([nothing] * 12).assign(
        pump="A", time=time, status=["no_power"] * 6 + ["unknown_state"] * 6, flow=0.05,
        suction_pressure_source="missing",
    )  # fmt: skip
    found = rolling_performance(points, 600.0, "UTC").set_index(["period", "start"])
    day = found.loc["day"].iloc[0]
    assert np.isnan(day["electrical_energy"])
    assert day["volume"] == pytest.approx(12 * 600.0 * 0.05)
    assert (day["running_time"], day["intervals"]) == (3600.0, 6)
    still = points.assign(status="unknown_state", flow=0.0)
    assert rolling_performance(still, 600.0, "UTC").empty
