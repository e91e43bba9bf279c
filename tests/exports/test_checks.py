"""Checks of samples: what is a fault, and what only looks like one.

The series are made so that the answer is known; nothing here comes from the code under test.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.exports.checks import (
    Neighbour,
    is_flatlined,
    is_out_of_range,
    is_repeated,
    is_spike,
    usual_hold,
)
from pipeline.exports.checks_daily import DAILY_SCHEMA, daily_checks, neighbour_tags, sample_faults
from pipeline.exports.reading import DISORDER_SCHEMA, empty_samples, samples_table
from pipeline.plant import read_plant
from pipeline.plant.types import Tag

MINUTE = 60_000_000
START = 1_709_251_200_000_000  # 2024-03-01 00:00 UTC
NAN = float("nan")


def minutes(*numbers: float) -> np.ndarray:
    return (START + MINUTE * np.array(numbers)).astype(np.int64)


def every_minute(count: int) -> np.ndarray:
    return START + MINUTE * np.arange(count, dtype=np.int64)


def wave(count: int, amplitude: float = 1.0) -> np.ndarray:
    """A daily wave with a little noise."""
    noise = np.random.default_rng(3).normal(0, 0.01, count)
    return amplitude * (np.sin(2 * np.pi * np.arange(count) / 1440) + noise)


def test_range_and_repeats() -> None:
    value = np.array([1.0, 1.0, NAN, 1.0, 9.0, 9.5])
    assert is_out_of_range(value, 2.0, 9.2).tolist() == [True, True, False, True, False, True]
    assert is_repeated(value).tolist() == [False, True, False, True, False, False]
    nothing = np.zeros(0)
    assert is_repeated(nothing).tolist() == []


@settings(max_examples=60)
@given(
    st.lists(st.one_of(st.just(0.0), st.floats(-3, 3), st.floats(-60, 60)), max_size=60),
    st.sampled_from([2.0, 10.0]),
)
def test_spikes_are_judged_by_the_median_change(changes: list[float], factor: float) -> None:
    """The definition, change by change, against what looks at the median only when it must."""
    value = np.cumsum(np.array([0.0, *changes]))
    step = np.diff(value)
    moves = np.abs(step[step != 0])
    expected = np.zeros(len(value), dtype=bool)
    if len(moves) >= 10:
        limit = factor * float(np.median(moves))
        for row in range(1, len(value) - 1):
            there, back = step[row - 1], step[row]
            small = min(abs(there), abs(back))
            expected[row] = small > limit and there * back < 0 and abs(there + back) < 0.2 * small
    assert is_spike(every_minute(len(value)), value, factor).tolist() == expected.tolist()


def test_spike_but_no_start_or_stop() -> None:
    value = wave(500)
    value[200] += 5.0
    value[350:] += 8.0  # a pump starts
    assert np.flatnonzero(is_spike(every_minute(500), value)).tolist() == [200]
    with_gap = value.copy()
    with_gap[199] = NAN
    assert np.flatnonzero(is_spike(every_minute(500), with_gap)).tolist() == [200]
    assert not is_spike(every_minute(500), value, floor=10.0).any()
    assert not is_spike(every_minute(3), np.array([0.0, 9.0, 0.0])).any()


def test_slow_transmitter_is_not_stuck() -> None:
    """99 % repeated values, since the transmitter renews its value every 100 minutes."""
    count = 20 * 1440
    slow = np.repeat(wave(count)[::100], 100)[:count]
    assert is_repeated(slow).mean() > 0.98
    beside = [Neighbour(every_minute(count), wave(count, 7.0))]
    assert usual_hold(every_minute(count), slow) == 6000.0
    assert not is_flatlined(every_minute(count), slow, beside).any()


def test_gauge_stuck_at_a_plausible_value() -> None:
    count = 20 * 1440
    value = wave(count)
    value[10_000:25_000] = value[10_000]
    beside = [Neighbour(every_minute(count), wave(count, 7.0))]
    mask = is_flatlined(every_minute(count), value, beside)
    assert np.flatnonzero(mask).tolist() == list(range(10_000, 25_000))
    assert not is_flatlined(every_minute(count), value, []).any()


def test_stuck_slow_transmitter_is_found_too() -> None:
    count = 20 * 1440
    slow = np.repeat(wave(count)[::100], 100)[:count]
    slow[10_000:25_000] = slow[10_000]
    beside = [Neighbour(every_minute(count), wave(count, 7.0))]
    mask = is_flatlined(every_minute(count), slow, beside)
    assert mask[10_000:25_000].all()
    assert mask.sum() <= 15_000 + 200


def test_gauge_stuck_at_zero_against_a_true_zero() -> None:
    """A flow of zero is true while the pump stands and a fault while its motor draws power."""
    count = 20 * 1440
    running = (np.arange(count) // 1440) % 2 == 0
    noise = np.random.default_rng(4).normal(0, 0.05, count)
    power = np.where(running, 50.0 + noise * 100, 0.0)
    flow = np.where(running, 100.0 + noise, 0.0)
    beside = [Neighbour(every_minute(count), power)]
    assert not is_flatlined(every_minute(count), flow, beside).any()
    dead = flow.copy()
    dead[5 * 1440 + 600 : 9 * 1440] = 0.0
    mask = is_flatlined(every_minute(count), dead, beside)
    # The stuck zero begins in a standstill, from which it cannot be told apart.
    assert mask[6 * 1440 : 9 * 1440].all()
    assert not mask[: 5 * 1440].any()


def test_hardly_any_history_leaves_the_shortest_flat_line_to_decide() -> None:
    count = 1440
    flat = np.full(count, 3.0)
    assert np.isnan(usual_hold(every_minute(count), flat))
    beside = [Neighbour(every_minute(count), wave(count))]
    assert is_flatlined(every_minute(count), flat, beside).all()
    assert not is_flatlined(every_minute(count), flat, beside, least=2 * 86400.0).any()


def test_a_hold_known_from_longer_history_goes_before() -> None:
    count = 1440
    flat = np.full(count, 3.0)
    beside = [Neighbour(every_minute(count), wave(count))]
    assert not is_flatlined(every_minute(count), flat, beside, hold=86400.0).any()


VALUES = st.lists(st.sampled_from([0.0, 1.0, 5.0, NAN]), max_size=40)


@settings(max_examples=60, deadline=None)
@given(values=VALUES)
def test_masks_have_the_shape_of_their_input_and_change_nothing(values: list[float]) -> None:
    value = np.array(values, dtype=float)
    time = every_minute(len(value))
    before = (value.copy(), time.copy())
    beside = [Neighbour(time, value[::-1].copy())]
    for mask in (
        is_out_of_range(value, 0.5, 2.0),
        is_repeated(value),
        is_spike(time, value),
        is_flatlined(time, value, beside, least=60.0),
    ):
        assert mask.dtype == bool
        assert mask.shape == value.shape
    assert np.array_equal(before[0], value, equal_nan=True)
    assert np.array_equal(before[1], time)


def one_tag(time: np.ndarray, value: np.ndarray, quality: np.ndarray | None = None):
    n = len(time)
    grades = np.zeros(n, dtype=np.int8) if quality is None else quality
    return samples_table(["T"], np.zeros(n, dtype=np.int32), time, value, grades)


def span(first: str, last: str, zone: str = "UTC") -> tuple[pd.Timestamp, pd.Timestamp]:
    return (
        pd.Timestamp(first, tz=zone).tz_convert("UTC"),
        pd.Timestamp(last, tz=zone).tz_convert("UTC"),
    )


def days(samples, zone: str = "UTC", max_gap: float = 1800.0, **more) -> pd.DataFrame:
    tags = {"T": Tag(name="T", quantity="flow", unit="m3/s", max_gap=max_gap, high=8.0)}
    bounds = more.pop("bounds", span("2024-03-01", "2024-04-01", zone))
    table = daily_checks(samples, tags, zone, *bounds, more.pop("neighbours", {}), **more)
    assert table.schema.equals(DAILY_SCHEMA)
    return table.to_pandas()


def test_a_full_day_is_covered() -> None:
    frame = days(one_tag(every_minute(1441), wave(1441)))
    assert frame["samples"].tolist() == [1440, 1]
    assert frame["coverage"].tolist() == [1.0, 0.0]
    assert frame["longest_gap"].tolist() == [60.0, 86400.0]


def test_coverage_by_hand() -> None:
    # 00:00 to 00:20 covered, an hour's gap is not bridged, the bad sample covers nothing,
    # 01:20 to 01:30 and 01:40 to 02:00 covered: 50 minutes of 1440.
    quality = np.array([0, 0, 0, 2, 0, 1], dtype=np.int8)
    time = minutes(0, 20, 80, 90, 100, 120)
    frame = days(one_tag(time, np.array([1.0, 2, 3, NAN, 9, 5]), quality))
    assert frame["coverage"].tolist() == [pytest.approx(50 / 1440)]
    assert frame["longest_gap"].tolist() == [pytest.approx((1440 - 120) * 60)]
    row = frame.iloc[0]
    assert (row["samples"], row["bad"], row["uncertain"], row["out_of_range"]) == (6, 1, 1, 1)


def test_cover_across_midnight_and_days_without_a_sample() -> None:
    time = minutes(1430, 1450, 5 * 1440)
    frame = days(one_tag(time, np.arange(3.0)))
    assert frame["samples"].tolist() == [1, 1, 0, 0, 0, 1]
    assert frame["coverage"].tolist() == pytest.approx([10 / 1440, 10 / 1440, 0, 0, 0, 0])
    assert frame["longest_gap"].tolist()[2:5] == [86400.0] * 3


def test_halo_gives_cover_but_no_day() -> None:
    time = minutes(-10, 10)
    frame = days(one_tag(time, np.arange(2.0)))
    assert frame["samples"].tolist() == [1]
    assert frame["coverage"].tolist() == pytest.approx([10 / 1440])


def test_days_are_local_and_as_long_as_they_are() -> None:
    # Directive 2000/84/EC: 31 March 2024 has 23 hours in the Union.
    zone = "Europe/Lisbon"
    first = int(pd.Timestamp("2024-03-30", tz=zone).tz_convert("UTC").value // 1000)
    time = first + MINUTE * np.arange(24 * 60 + 23 * 60 + 1, dtype=np.int64)
    frame = days(
        one_tag(time, wave(len(time))), zone, bounds=span("2024-03-01", "2024-05-01", zone)
    )
    assert frame["samples"].tolist() == [24 * 60, 23 * 60, 1]
    assert frame["coverage"].tolist() == [1.0, 1.0, 0.0]
    assert [str(d) for d in frame["day"].dt.tz_convert(zone).dt.date] == [
        "2024-03-30", "2024-03-31", "2024-04-01",
    ]  # fmt: skip


@settings(max_examples=40, deadline=None)
@given(steps=st.lists(st.integers(1, 3000), min_size=2, max_size=60), bad=st.integers(0, 59))
def test_covered_time_adds_up(steps: list[int], bad: int) -> None:
    time = START + MINUTE * np.cumsum(steps)
    time = time[time < START + 31 * 1440 * MINUTE]
    if len(time) < 2:
        return
    quality = np.zeros(len(time), dtype=np.int8)
    quality[bad % len(time)] = 2
    frame = days(one_tag(time, np.arange(len(time), dtype=float), quality), max_gap=36_000.0)
    expected = sum(
        int(b - a)
        for a, b, q in zip(time[:-1], time[1:], quality[:-1], strict=True)
        if b - a <= 600 * MINUTE and q < 2
    )
    assert (frame["coverage"] * 1440 * MINUTE).sum() == pytest.approx(expected, rel=1e-12, abs=1)
    assert (frame["coverage"] <= 1.0).all()


@pytest.mark.parametrize("zone", ["UTC", "Pacific/Auckland", "America/Sao_Paulo"])
def test_disorder_joins_the_days(zone: str) -> None:
    disorder = pa.table(
        {
            "tag": ["T", "OTHER"],
            "day": pa.array([19783, 19783], pa.int32()).cast(pa.date32()),  # 2024-03-01
            "out_of_order": [2, 9],
            "identical_duplicates": [3, 9],
            "conflicting_duplicates": [1, 9],
            "clock_set_back": [4, 9],
        },
        schema=DISORDER_SCHEMA,
    )
    noon = int(pd.Timestamp("2024-03-01T12:00", tz=zone).value // 1000)
    frame = days(one_tag(every_minute(10) - START + noon, wave(10)), zone, disorder=disorder)
    names = ["out_of_order", "identical_duplicates", "conflicting_duplicates", "clock_set_back"]
    assert frame[names].to_numpy().tolist() == [[2, 3, 1, 4]]


def test_no_samples_no_days() -> None:
    assert days(empty_samples(["T"])).empty
    assert days(empty_samples()).empty


def test_faults_of_several_tags_stand_at_their_rows() -> None:
    count = 10 * 1440
    time = np.tile(every_minute(count), 2)
    stuck = wave(count)
    stuck[5000:] = stuck[5000]
    table = samples_table(
        ["A", "B"], np.repeat([0, 1], count), time, np.concatenate([stuck, wave(count, 5)]),
        np.zeros(2 * count),
    )  # fmt: skip
    faults = sample_faults(table, {}, {"A": ("B", "absent")})
    assert np.flatnonzero(faults["flatlined"]).tolist() == list(range(5000, count))


def test_neighbours_come_from_the_plant() -> None:
    plant = read_plant(Path(__file__).parents[2] / "sample_exports" / "plant.toml")
    found = neighbour_tags(plant.at(pd.Timestamp("2025-06-01", tz="UTC")))
    pump = next(p for p in plant.pumps["P1"])
    assert "CW.LEVEL" in found[pump.suction_pressure_tag]
    assert pump.power_tag in found[pump.discharge_pressure_tag]
    assert all(tag not in others for tag, others in found.items())
