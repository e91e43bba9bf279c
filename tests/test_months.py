"""Months and days of the station: clock changes and half-hour zones included."""

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.months import (
    MonthNumbers,
    day_starts,
    microseconds,
    month_bounds,
    months_between,
    months_of,
)

ZONES = ["UTC", "Europe/Lisbon", "America/New_York", "Asia/Kolkata", "Australia/Lord_Howe"]
HOUR = 3_600_000_000


def test_months_with_clock_changes_are_an_hour_off():
    """Clocks go forward in March and back in October (EU rule, 2000/84/EC)."""
    start, end = month_bounds("2026-03", "Europe/Lisbon")
    assert (end - start) == pd.Timedelta(days=31) - pd.Timedelta(hours=1)
    start, end = month_bounds("2026-10", "Europe/Lisbon")
    assert (end - start) == pd.Timedelta(days=31) + pd.Timedelta(hours=1)


@pytest.mark.parametrize("zone", ZONES)
def test_months_follow_each_other_without_gap(zone):
    """The end of a month is the start of the next, at local midnight."""
    names = [str(p) for p in pd.period_range("2024-01", "2026-12", freq="M")]
    for name, following in itertools.pairwise(names):
        end = month_bounds(name, zone)[1]
        assert end == month_bounds(following, zone)[0]
        local = end.tz_convert(zone)
        assert (local.day, local.hour, local.minute) == (1, 0, 0)


@given(st.sampled_from(ZONES), st.lists(st.integers(1_600_000_000, 1_800_000_000), max_size=20))
def test_month_numbers_agree_with_the_calendar(zone, seconds):
    """Against pandas' own conversion of each instant."""
    numbers = MonthNumbers(zone)
    times = np.array(seconds, dtype=np.int64) * 1_000_000
    found = [numbers.name(n) for n in numbers.of(times)]
    wanted = [f"{pd.Timestamp(s, unit='s', tz='UTC').tz_convert(zone):%Y-%m}" for s in seconds]
    assert found == wanted


@given(
    st.sampled_from(ZONES),
    st.lists(st.integers(1_700_000_000, 1_710_000_000), min_size=1, max_size=8),
    st.integers(0, 48),
)
def test_months_of_equals_asking_every_month(zone, seconds, halo_hours):
    """A month is touched if any sample lies in it or within the halo."""
    times, halo = np.array(seconds, dtype=np.int64) * 1_000_000, halo_hours * HOUR
    wanted = []
    for name in (str(p) for p in pd.period_range("2023-09", "2024-05", freq="M")):
        start, end = (microseconds(t) for t in month_bounds(name, zone))
        if any(start - halo <= t < end + halo for t in times.tolist()):
            wanted.append(name)
    assert months_of(times, halo, zone) == wanted


@pytest.mark.parametrize("zone", ZONES)
def test_days_start_at_local_midnight(zone):
    """Every instant of two years belongs to the local day that holds it."""
    times = pd.date_range("2025-01-01", "2026-12-31", freq="7h", tz="UTC").as_unit("us")
    starts = day_starts(times, zone)
    assert (starts <= times).all()
    assert (times - starts < pd.Timedelta(hours=25, minutes=1)).all()
    local = starts.tz_convert(zone)
    assert set(local.hour) == {0}
    assert (local.date == times.tz_convert(zone).date).all()


def test_months_between_counts_both_ends():
    """From the last minute of a month to the first of the one after next."""
    a, b = pd.Timestamp("2025-12-31 23:59", tz="UTC"), pd.Timestamp("2026-02-01", tz="UTC")
    assert months_between(a, b, "UTC") == ["2025-12", "2026-01", "2026-02"]
