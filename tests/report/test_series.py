"""Series put into weeks: sums of energy, never means of ratios, and kinds kept apart."""

import numpy as np
import pandas as pd
import pytest

from pipeline.report import series
from pipeline.report.readings import Readings


class Given(Readings):
    """Readings of one frame, in place of tables."""

    def __init__(self, frame):
        self.frame = frame

    def of_pump(self, name, pump, columns=None, *, where=(), months=None):
        return self.frame.copy()


def days(n, **columns):
    start = pd.date_range("2020-01-06", periods=n, freq="D", tz="UTC", unit="us")
    rows = {
        "start": start,
        "points": 100,
        "hydraulic_energy": 100.0,
        "overall_efficiency": 50.0,
        "overall_efficiency_u95": 2.0,
        "overall_efficiency_u_systematic": 0.8,
        "overall_efficiency_u_random": 0.6,
        "suction_pressure_source": "measured",
        "measured_suction": 100.0,
        "level_only_overall_efficiency": 45.0,
    }
    return pd.DataFrame({**rows, **columns})


def test_short_history_stays_daily():
    rows = series.daily_efficiency(Given(days(700)), "P1", "UTC")
    assert len(rows) == 700
    assert rows["u95"].tolist() == [2.0] * 700


def test_week_is_a_ratio_of_sums():
    """By hand: 1 kWh at 50 % and 3 kWh at 25 % electrical give 1.25 of 4, not 37.5 %."""
    n = 7 * 150
    odd = np.arange(n) % 7 == 0
    # Six days of a week without points leave one pair of days.
    frame = days(
        n,
        overall_efficiency=np.where(odd, 50.0, 25.0),
        hydraulic_energy=np.where(odd, 0.5, 0.75),
    )
    frame = frame[np.arange(n) % 7 < 2].reset_index(drop=True)
    rows = series.daily_efficiency(Given(frame), "P1", "UTC")
    assert len(rows) == 150
    assert rows["overall_efficiency"].to_numpy() == pytest.approx(100 * 1.25 / 4.0)


def test_only_the_random_part_shrinks_over_a_week():
    """JCGM 100: seven equal days keep 0.8 systematic, and 0.6 random becomes 0.6 / sqrt 7."""
    rows = series.daily_efficiency(Given(days(7 * 150)), "P1", "UTC")
    expected = 2.0 * np.hypot(0.8, 0.6 / np.sqrt(7.0))
    assert rows["u95"].to_numpy() == pytest.approx(expected)


def test_kinds_are_never_put_together():
    """Within one week measured and modelled days give two points."""
    n = 7 * 150
    source = np.where(np.arange(n) % 7 < 3, "measured", "sister")
    efficiency = np.where(source == "measured", 60.0, 70.0)
    frame = days(n, suction_pressure_source=source, overall_efficiency=efficiency)
    rows = series.daily_efficiency(Given(frame), "P1", "UTC")
    assert rows.groupby("kind")["overall_efficiency"].agg(["min", "max"]).round(
        9
    ).to_numpy().tolist() == [
        [60.0, 60.0],
        [70.0, 70.0],
    ]
    assert rows["kind"].value_counts().to_dict() == {"measured": 150, "modelled": 150}


def test_days_are_the_stations_own():
    """A local day that starts at 23:00 UTC the evening before is drawn on its own date."""
    frame = days(1, start=pd.DatetimeIndex(["2025-06-30T23:00Z"]).as_unit("us"))
    rows = series.daily_efficiency(Given(frame), "P1", "Europe/Lisbon")
    assert rows["time"].iloc[0] == pd.Timestamp("2025-07-01")


def test_a_line_breaks_between_kinds_and_over_gaps():
    times = pd.to_datetime(["2025-01-01", "2025-01-02", "2025-01-04", "2025-01-20"])
    other = pd.to_datetime(["2025-01-03"])
    rows = pd.DataFrame(
        {
            "time": [*times[:2], *other, *times[2:]],
            "kind": ["measured", "measured", "modelled", "measured", "measured"],
            "value": [1.0, 2.0, 9.0, 3.0, 4.0],
        }
    )
    part = series.contiguous(rows, "measured", ["value"])
    assert part["value"].fillna(-1).tolist() == [1.0, 2.0, -1, 3.0, -1, 4.0]


def test_spaced_keeps_first_and_last():
    rows = pd.DataFrame({"a": range(1000)})
    kept = series.spaced(rows, 10)["a"].tolist()
    assert len(kept) == 10
    assert (kept[0], kept[-1]) == (0, 999)
