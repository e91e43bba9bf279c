"""The grid against hand calculations and a scalar reference written here from the rules."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ContractError
from pipeline.exports.grid import TagSettings, grid_samples
from pipeline.exports.grid_kernel import grid_tag

SECOND = 1_000_000
MINUTE = 60 * SECOND
US = pa.timestamp("us", "UTC")


def table(rows, tag=1):
    """Samples table of one tag from (seconds, value, quality) rows."""
    seconds, values, qualities = zip(*rows, strict=True) if rows else ((), (), ())
    return pa.table(
        {
            "tag": pa.array([tag] * len(rows), pa.int32()),
            "time": pa.array([round(s * SECOND) for s in seconds], US),
            "value": pa.array(values, pa.float64()),
            "quality": pa.array(qualities, pa.int8()),
        }
    )


def grid_of(rows, interval_s, end_s, start_s=0, **options):
    tag = TagSettings(**{"max_gap_us": 3600 * SECOND, **options})
    made = grid_samples(
        table(rows), {1: tag}, interval_s * SECOND, start_s * SECOND, end_s * SECOND
    )
    return made.drop_columns(["tag", "time"]).to_pydict()


def scalar_reference(rows, interval, start, n, tag):
    """One interval and one segment at a time, in exact fractions."""
    most = 1 if tag.uncertain_is_usable else 0
    clean = [(t, 0 if bad else v, 2 if bad else q) for t, v, q in rows for bad in [math.isnan(v)]]
    out = []
    for j in range(n):
        low, high = start + j * interval, start + (j + 1) * interval
        amount, covered, worst = Fraction(0), 0, None
        inside = [s for s in clean if low <= s[0] < high]
        for (t0, v0, q0), (t1, v1, q1) in pairwise(clean):
            a, b = max(t0, low), min(t1, high)
            if b <= a or t1 - t0 > tag.max_gap_us:
                continue
            if t0 < low:
                worst = q0
            if q0 > most:
                continue
            v0, v1 = Fraction(v0), Fraction(v1)
            if tag.aggregate == "delta":
                if q1 > most or v1 < v0:
                    continue
                amount += (v1 - v0) * Fraction(b - a, t1 - t0)
            else:
                if tag.interpolation == "step" or q1 > most:
                    v1 = v0
                at_a = v0 + (v1 - v0) * Fraction(a - t0, t1 - t0)
                at_b = v0 + (v1 - v0) * Fraction(b - t0, t1 - t0)
                amount += (at_a + at_b) / 2 * (b - a)
            covered += b - a
        seen = [s[2] for s in inside] + ([] if worst is None else [worst])
        out.append((float(amount), covered, len(inside), max(seen, default=2)))
    return out


sample_rows = st.lists(
    st.tuples(
        st.integers(-50, 250),
        st.one_of(st.integers(-1000, 1000).map(float), st.just(math.nan)),
        st.sampled_from([0, 0, 0, 1, 2]),
    ),
    max_size=30,
).map(lambda rows: sorted(rows, key=lambda row: row[0]))

tag_options = st.builds(
    TagSettings,
    max_gap_us=st.sampled_from([3, 20, 1000]),
    interpolation=st.sampled_from(["linear", "step"]),
    aggregate=st.sampled_from(["time_average", "delta"]),
    uncertain_is_usable=st.booleans(),
)


def columns(rows):
    return (
        np.array([r[0] for r in rows], np.int64),
        np.array([r[1] for r in rows], np.float64),
        np.array([r[2] for r in rows], np.int8),
    )


@settings(max_examples=120, deadline=None)
@given(sample_rows, tag_options, st.integers(1, 40), st.integers(-60, 20))
def test_grid_equals_a_scalar_calculation_in_exact_fractions(rows, tag, interval, start):
    n = 200 // interval + 1
    expected = scalar_reference(rows, interval, start, n, tag)
    made = grid_tag(*columns(rows), tag, interval, start, n)
    np.testing.assert_allclose(made.integral, [e[0] for e in expected], rtol=1e-12, atol=1e-9)
    np.testing.assert_array_equal(made.covered, [e[1] for e in expected])
    np.testing.assert_array_equal(made.sample_count, [e[2] for e in expected])
    np.testing.assert_array_equal(made.worst, [e[3] for e in expected])


@settings(max_examples=60, deadline=None)
@given(sample_rows, tag_options, st.integers(1, 12), st.integers(2, 7))
def test_integral_and_coverage_are_conserved_when_the_grid_is_refined(rows, tag, fine, factor):
    n_coarse = 240 // (fine * factor)
    coarse = grid_tag(*columns(rows), tag, fine * factor, 0, n_coarse)
    refined = grid_tag(*columns(rows), tag, fine, 0, n_coarse * factor)
    shape = (n_coarse, factor)
    np.testing.assert_allclose(
        refined.integral.reshape(shape).sum(axis=1), coarse.integral, rtol=1e-12, atol=1e-9
    )
    np.testing.assert_array_equal(refined.covered.reshape(shape).sum(axis=1), coarse.covered)
    np.testing.assert_array_equal(
        refined.sample_count.reshape(shape).sum(axis=1), coarse.sample_count
    )


@settings(max_examples=50, deadline=None)
@given(sample_rows, tag_options, st.sampled_from([1, 2, 3, 6, 24]))
def test_sum_of_value_coverage_and_time_is_conserved_in_the_table(rows, tag, factor):
    def integral(interval_us):
        grid = grid_samples(table(rows), {1: tag}, interval_us, 0, 240 * SECOND)
        value, share = grid["value"].to_numpy(), grid["coverage"].to_numpy().astype(float)
        if tag.aggregate == "delta":
            return np.nansum(value)
        return np.nansum(value * share) * interval_us / SECOND

    tag = replace(tag, max_gap_us=tag.max_gap_us * SECOND, scale=0.25)
    # The coverage column holds single precision: seven digits of up to 250 x 240 unit seconds.
    fine, coarse = integral(6 * SECOND // factor), integral(30 * SECOND)
    np.testing.assert_allclose(fine, coarse, rtol=1e-6, atol=0.01)


@settings(max_examples=60, deadline=None)
@given(sample_rows, tag_options, st.integers(1, 12), st.integers(0, 20))
def test_a_window_alone_equals_its_part_of_one_run_bit_for_bit(rows, tag, interval, first):
    n = 20
    whole = grid_tag(*columns(rows), tag, interval, 0, n + first)
    low, high = first * interval, (first + n) * interval
    halo = tag.max_gap_us
    near = [r for r in rows if low - halo <= r[0] <= high + halo]
    alone = grid_tag(*columns(near), tag, interval, low, n)
    for one, all_ in zip(alone, whole, strict=True):
        assert one.tobytes() == all_[first:].tobytes()


def test_trapezoid_by_hand():
    # 0-60 s rises 10 to 20 (mean 15), 60-120 s stays at 20: (15 + 20) / 2.
    made = grid_of([(0, 10.0, 0), (60, 20.0, 0), (180, 20.0, 0)], 120, 240)
    assert made["value"] == [17.5, 20.0]
    assert made["coverage"] == [1.0, 0.5]
    assert made["sample_count"] == [2, 1]
    assert made["worst_quality"] == [0, 0]


def test_step_holds_the_last_value():
    made = grid_of([(0, 10.0, 0), (90, 20.0, 0), (240, 0.0, 0)], 120, 240, interpolation="step")
    assert made["value"] == [(90 * 10 + 30 * 20) / 120, 20.0]


def test_no_value_inside_a_gap_longer_than_stated():
    rows = [(0, 10.0, 0), (60, 10.0, 0), (400, 50.0, 0), (460, 50.0, 0)]
    made = grid_of(rows, 120, 480, max_gap_us=300 * SECOND)
    np.testing.assert_array_equal(made["value"], [10.0, np.nan, np.nan, 50.0])
    np.testing.assert_allclose(made["coverage"], [0.5, 0, 0, 0.5])
    assert made["worst_quality"] == [0, 2, 2, 0]


def test_a_gap_of_exactly_the_longest_length_is_bridged():
    made = grid_of([(0, 1.0, 0), (300, 4.0, 0)], 300, 300, max_gap_us=300 * SECOND)
    assert made["value"] == [2.5]


def test_a_bad_sample_ends_the_value_before_it_and_starts_none():
    rows = [(0, 10.0, 0), (60, 99.0, 2), (120, 30.0, 0), (240, 30.0, 0)]
    made = grid_of(rows, 120, 240)
    assert made["value"] == [10.0, 30.0]
    assert made["coverage"] == [0.5, 1.0]
    assert made["worst_quality"] == [2, 0]


def test_a_missing_value_counts_as_bad_whatever_its_status():
    made = grid_of([(0, 10.0, 0), (60, None, 0), (120, 30.0, 0)], 120, 120)
    assert (made["value"], made["coverage"], made["worst_quality"]) == ([10.0], [0.5], [2])


@pytest.mark.parametrize("filler", [math.inf, -math.inf, 1.7976931348623157e308, -1e300])
def test_a_filler_for_no_value_counts_as_bad(filler):
    made = grid_of([(0, 10.0, 0), (60, filler, 0), (120, 30.0, 0)], 120, 120)
    assert (made["value"], made["coverage"], made["worst_quality"]) == ([10.0], [0.5], [2])


@pytest.mark.parametrize(("usable", "value", "coverage"), [(True, 20.0, 1.0), (False, 10.0, 0.5)])
def test_uncertain_samples_count_only_when_declared_usable(usable, value, coverage):
    rows = [(0, 10.0, 0), (60, 20.0, 1), (120, 30.0, 0)]
    made = grid_of(rows, 120, 120, uncertain_is_usable=usable)
    assert (made["value"], made["coverage"]) == ([value], [coverage])
    assert made["worst_quality"] == [1]


def test_worst_quality_includes_the_sample_in_force_at_the_start():
    made = grid_of([(60, 10.0, 1), (180, 20.0, 0), (240, 20.0, 0)], 120, 240)
    assert made["worst_quality"] == [1, 1]
    # A sample exactly at the start is itself the value in force there.
    made = grid_of([(60, 10.0, 1), (120, 20.0, 0), (240, 20.0, 0)], 120, 240)
    assert made["worst_quality"] == [1, 0]


def test_total_is_the_integral_in_seconds_and_scale_and_offset_apply():
    rows = [(0, 10.0, 0), (60, 10.0, 0)]
    made = grid_of(rows, 120, 120, aggregate="total", scale=2.0, offset=1.0)
    assert made["value"] == [(10 * 2 + 1) * 60]
    made = grid_of(rows, 120, 120, scale=2.0, offset=1.0)
    assert made["value"] == [21.0]


def test_delta_shares_a_counters_rise_and_skips_its_reset():
    rows = [(0, 100.0, 0), (180, 130.0, 0), (240, 136.0, 0), (300, 2.0, 0), (360, 5.0, 0)]
    made = grid_of(rows, 120, 360, aggregate="delta", scale=0.5, offset=7.0)
    assert made["value"] == [10.0, (10 + 6) * 0.5, 1.5]
    assert made["coverage"] == [1.0, 1.0, 0.5]


def test_a_constant_signal_averages_to_itself_however_irregular():
    rng = np.random.default_rng(5)
    seconds = np.sort(rng.uniform(0, 7200, 500))
    made = grid_of([(s, 0.1, 0) for s in [0, *seconds, 7200]], 300, 7200)
    np.testing.assert_allclose(made["value"], 0.1, rtol=1e-14)
    assert made["coverage"] == [1.0] * 24


def test_every_declared_tag_has_every_interval_sorted_by_name():
    samples = pa.table(
        {
            "tag": pa.array(["b", "b", "a"]).dictionary_encode(),
            "time": pa.array([0, MINUTE, 0], US),
            "value": [1.0, 1.0, 5.0],
            "quality": pa.array([0, 0, 0], pa.int8()),
        }
    )
    tag = TagSettings(max_gap_us=MINUTE)
    made = grid_samples(samples, {"c": tag, "b": tag, "a": tag}, MINUTE, 0, 2 * MINUTE)
    assert made["tag"].to_pylist() == ["a", "a", "b", "b", "c", "c"]
    assert made["time"].cast(pa.int64()).to_pylist() == [0, MINUTE] * 3
    assert made.schema.types == [
        pa.dictionary(pa.int32(), pa.string()),
        US,
        pa.float64(),
        pa.float32(),
        pa.int32(),
        pa.int8(),
    ]
    assert made["sample_count"].to_pylist() == [1, 0, 1, 1, 0, 0]


def test_windows_given_as_datetimes_or_in_other_time_units_agree():
    start = datetime(2023, 3, 1, tzinfo=UTC)
    at = [start + timedelta(seconds=s) for s in (-30, 30, 90, 150)]
    base = {"tag": pa.array([1] * 4, pa.int32()), "value": [1.0, 2.0, 4.0, 8.0]}
    base["quality"] = pa.array([0] * 4, pa.int8())
    tags = {1: TagSettings(max_gap_us=MINUTE)}
    made = [
        grid_samples(
            pa.table({**base, "time": pa.array(at, pa.timestamp(unit, "UTC"))}),
            tags,
            MINUTE,
            first,
            first + length,
        )
        for unit, first, length in [
            ("s", start, timedelta(minutes=2)),
            ("ns", np.datetime64("2023-03-01"), np.timedelta64(2, "m")),
            ("ms", int(start.timestamp()) * SECOND, 2 * MINUTE),
        ]
    ]
    assert made[0].equals(made[1])
    assert made[0].equals(made[2])
    assert made[0]["time"].to_pylist() == [start, start + timedelta(minutes=1)]


def test_inputs_are_not_changed():
    rows = columns([(0, 1.0, 0), (5, math.nan, 0), (9, 4.0, 2)])
    before = [column.copy() for column in rows]
    grid_tag(*rows, TagSettings(max_gap_us=100), 4, 0, 3)
    for column, copy in zip(rows, before, strict=True):
        np.testing.assert_array_equal(column, copy)


def test_no_samples_at_all():
    made = grid_of([], 60, 120)
    assert np.isnan(made["value"]).all()
    assert made["coverage"] == [0.0, 0.0]
    assert made["worst_quality"] == [2, 2]


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"time": pa.array([0, None, 2], US)}, "without a time"),
        ({"tag": pa.array([1, None, 1], pa.int32())}, "without a tag"),
        ({"time": pa.array([5, 4, 6], US)}, "tag 1: found rows out of order"),
        ({"tag": pa.array([1, 2, 1], pa.int32())}, "tag 1: found rows out of order"),
        ({"tag": pa.array([1, 2, 3], pa.int32())}, "tag 3: found samples; expected settings"),
    ],
)
def test_unusable_samples_are_refused(change, match):
    good = {
        "tag": pa.array([1, 1, 2], pa.int32()),
        "time": pa.array([0, 1, 2], US),
        "value": [1.0, 2.0, 3.0],
        "quality": pa.array([0, 0, 0], pa.int8()),
    }
    tag = TagSettings(max_gap_us=100)
    assert grid_samples(pa.table(good), {1: tag, 2: tag}, 10, 0, 10).num_rows == 2
    with pytest.raises(ContractError, match=match):
        grid_samples(pa.table({**good, **change}), {1: tag, 2: tag}, 10, 0, 10)


def test_a_broken_window_or_setting_is_refused():
    tag = {1: TagSettings(max_gap_us=100)}
    with pytest.raises(ContractError, match="not a whole number of intervals"):
        grid_samples(table([]), tag, 60, 0, 100)
    with pytest.raises(ContractError, match="no time zone"):
        grid_samples(table([]), tag, 60, datetime(2023, 1, 1), 0)
    with pytest.raises(ContractError, match="found 'cubic'; expected 'linear' or 'step'"):
        TagSettings(max_gap_us=1, interpolation="cubic")
    with pytest.raises(ContractError, match="max_gap_us: found 0"):
        TagSettings(max_gap_us=0)
    with pytest.raises(ContractError, match="found 'mean'"):
        TagSettings(max_gap_us=1, aggregate="mean")
