"""Samples taken up tag by tag are those of all tags together."""

from __future__ import annotations

import itertools

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.exports.checks import _is_held, _runs
from pipeline.exports.checks_daily import _longest_gaps
from pipeline.exports.reading import samples_table
from pipeline.exports.tag_samples import TagPieces, TagSamples

ROW = st.tuples(st.sampled_from("AB"), st.integers(0, 30))


def table(rows: dict[tuple[str, int], float]) -> pa.Table:
    tags = sorted({tag for tag, _ in rows})
    keys = sorted(rows)
    return samples_table(
        tags,
        np.array([tags.index(tag) for tag, _ in keys], dtype=np.int32),
        np.array([time for _, time in keys], dtype=np.int64),
        np.array([rows[key] for key in keys]),
        np.zeros(len(keys), dtype=np.int8),
    )


@settings(max_examples=100)
@given(
    st.lists(st.dictionaries(ROW, st.sampled_from([0.0, 1.5, 9.0]), max_size=20), max_size=4),
    st.integers(0, 30),
    st.integers(0, 30),
)
def test_the_last_piece_wins_and_only_the_span_counts(
    files: list[dict[tuple[str, int], float]], low: int, high: int
) -> None:
    pieces = TagPieces(table(rows) for rows in files)
    # By hand: a dictionary keeps what was said last.
    last = {key: value for rows in files for key, value in rows.items()}
    assert pieces.tags == sorted({tag for tag, _ in last})
    for tag in "AB":
        found = pieces.of(tag, low, high)
        own = sorted((t, v) for (name, t), v in last.items() if name == tag and low <= t < high)
        assert list(zip(found.time.tolist(), found.value.tolist(), strict=True)) == own
        said: dict[int, set[float]] = {}
        for rows in files:
            for (name, time), value in rows.items():
                if name == tag and low <= time < high:
                    said.setdefault(time, set()).add(value)
        told = pieces.merged(tag, low, high).contradicted.tolist()
        assert told == sorted(time for time, values in said.items() if len(values) > 1)


@pytest.mark.parametrize(
    ("value", "quality", "told"),
    [
        ((7.0, 7.0), (0, 0), []),
        ((7.0, 7.5), (0, 0), [5]),
        ((7.0, 7.0), (0, 1), [5]),
        ((np.nan, np.nan), (2, 2), []),
        ((np.nan, 7.0), (2, 0), [5]),
        ((7.0, 7.5, 7.0), (0, 0, 0), [5]),
    ],
)
def test_files_contradict_each_other_by_value_or_by_quality(value, quality, told) -> None:
    pieces = TagPieces(
        samples_table(["A"], np.zeros(1), np.array([5]), np.array([v]), np.array([q]))
        for v, q in zip(value, quality, strict=True)
    )
    assert pieces.merged("A", 0, 10).contradicted.tolist() == told


def test_bad_values_are_not_usable_and_stay_as_they_are() -> None:
    value = np.array([1.0, 2.0, 3.0])
    samples = TagSamples(np.arange(3), value, np.array([0, 2, 1], np.int8))
    np.testing.assert_array_equal(samples.usable, [1.0, np.nan, 3.0])
    assert value.tolist() == [1.0, 2.0, 3.0]


@settings(max_examples=200)
@given(
    st.lists(st.tuples(st.integers(1, 40), st.integers(0, 1)), min_size=1, max_size=60),
    st.integers(1, 60),
)
def test_a_long_hold_is_never_passed_over(steps: list[tuple[int, int]], least: int) -> None:
    time = np.cumsum([step for step, _ in steps]) * 1_000_000
    value = np.array([v for _, v in steps], dtype=float)
    _, _, held = _runs(time, value)
    assert _is_held(time, value, float(least)) or not (held > least).any()


@settings(max_examples=200)
@given(st.sets(st.integers(-5, 45), max_size=30))
def test_longest_gaps_are_those_of_every_day(times: set[int]) -> None:
    bounds = np.array([0, 10, 20, 40])
    expected = []
    for start, end in itertools.pairwise(bounds.tolist()):
        marks = [start, *sorted(t for t in times if start <= t < end), end]
        expected.append(max(b - a for a, b in itertools.pairwise(marks)))
    found = _longest_gaps(np.array(sorted(times), dtype=np.int64), bounds)
    assert found.tolist() == expected
