"""Readings of a portable gauge beside intervals of the grid, by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.jobs.hours import static_at

START = pd.Timestamp("2026-04-01T10:00Z")


def rising(minutes: list[int]) -> pd.DataFrame:
    """Ten-minute means of static pressure that rises by 300 Pa a minute."""
    time = START + pd.to_timedelta(minutes, unit="min")
    middle = np.array(minutes) + 5.0
    return pd.DataFrame({"time": time, "static_pressure": 20e3 + 300.0 * middle})


@pytest.mark.parametrize("minute", [10.0, 12.5, 15.0, 19.9])
def test_static_pressure_is_that_of_the_moment(minute: float):
    frame = rising([0, 10, 20, 30])
    at = pd.DatetimeIndex([START + pd.Timedelta(minutes=minute)])
    value, moved = static_at(frame, np.array([1]), at)
    assert value[0] == pytest.approx(20e3 + 300.0 * minute)
    assert moved[0] == pytest.approx(3000.0)


def test_beside_a_gap_the_other_neighbour_tells_how_it_moves():
    frame = rising([0, 10, 60, 70])
    at = pd.DatetimeIndex(START + pd.to_timedelta([12.0, 18.0, 62.0], unit="min"))
    value, moved = static_at(frame, np.array([1, 1, 2]), at)
    # Before the middle towards the interval before; after it, towards the gap, nothing is known.
    assert value[0] == pytest.approx(20e3 + 300.0 * 12.0)
    assert value[1] == pytest.approx(20e3 + 300.0 * 15.0)
    assert moved.tolist() == pytest.approx([3000.0, 3000.0, 3000.0])


def test_a_single_interval_stands_for_itself():
    value, moved = static_at(rising([0]), np.array([0]), pd.DatetimeIndex([START]))
    assert value.tolist() == [20e3 + 1500.0]
    assert moved.tolist() == [0.0]
