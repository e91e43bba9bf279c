"""Samples of several files together."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.exports.merge import MergeCounts, merge_samples, months_touched
from pipeline.exports.reading import SAMPLES_SCHEMA, empty_samples, samples_table

Row = tuple[str, int, float, int]
START = 1_709_251_200_000_000


def table(rows: list[Row]) -> pa.Table:
    rows = sorted({(r[0], r[1]): r for r in rows}.values())
    names = sorted({r[0] for r in rows})[::-1]
    code = np.array([names.index(r[0]) for r in rows], dtype=np.int64)
    time = np.array([START + r[1] for r in rows], dtype=np.int64)
    value = np.array([r[2] for r in rows], dtype=float)
    return samples_table(names, code, time, value, np.array([r[3] for r in rows], dtype=np.int64))


def rows_of(samples: pa.Table) -> list[Row]:
    return [
        (r["tag"], int(r["time"].timestamp() * 1e6) - START, r["value"], r["quality"])
        for r in samples.to_pylist()
    ]


def test_later_table_wins_and_both_are_counted() -> None:
    one = table([("B", 0, 1.0, 0), ("B", 1, 2.0, 0), ("A", 0, 3.0, 0), ("A", 5, np.nan, 2)])
    two = table([("B", 1, 9.0, 0), ("A", 0, 3.0, 0), ("A", 5, np.nan, 2), ("C", 1, 1.0, 0)])
    merged, counts = merge_samples([one, two])
    assert merged.schema == SAMPLES_SCHEMA
    assert counts == MergeCounts(agreeing=2, overridden=1)
    kept = rows_of(merged)
    assert [r[:2] for r in kept] == [("A", 0), ("A", 5), ("B", 0), ("B", 1), ("C", 1)]
    assert [r[2] for r in kept if r[0] != "A"] == [1.0, 9.0, 1.0]


def test_nothing_merged_is_nothing() -> None:
    assert merge_samples([])[0].num_rows == 0
    assert merge_samples([empty_samples(["A"]), empty_samples()])[0].schema == SAMPLES_SCHEMA


ROWS = st.lists(
    st.tuples(
        st.sampled_from(["A", "B", "ä"]),
        st.integers(0, 8),
        st.sampled_from([1.0, 2.0]),
        st.sampled_from([0, 1, 2]),
    ),
    max_size=12,
)


@settings(max_examples=80, deadline=None)
@given(files=st.lists(ROWS, max_size=4))
def test_merging_is_the_last_word_per_tag_and_time(files: list[list[Row]]) -> None:
    expected: dict[tuple[str, int], Row] = {}
    for rows in files:
        for row in {(r[0], r[1]): r for r in rows}.values():
            expected[row[:2]] = row
    merged, counts = merge_samples([table(rows) for rows in files])
    assert rows_of(merged) == sorted(expected.values())
    total = sum(len({r[:2] for r in rows}) for rows in files)
    assert counts.agreeing + counts.overridden == total - len(expected)


@settings(max_examples=60, deadline=None)
@given(rows=ROWS, cut=st.integers(0, 12))
def test_splitting_a_file_changes_nothing(rows: list[Row], cut: int) -> None:
    rows = list({(r[0], r[1]): r for r in rows}.values())
    whole, _ = merge_samples([table(rows)])
    parts, counts = merge_samples([table(rows[:cut]), table(rows[cut:])])
    assert rows_of(parts) == rows_of(whole)
    assert counts == MergeCounts()


def month_case(text: str, gap: float | dict) -> tuple[str, ...]:
    time = np.array([text], dtype="datetime64[us]").astype(np.int64)
    one = np.zeros(1, dtype=np.int64)
    return months_touched(samples_table(["A"], one, time, one.astype(float), one), gap)


def test_months_with_their_halo() -> None:
    assert month_case("2024-02-29T23:50", 0.0) == ("2024-02",)
    assert month_case("2024-02-29T23:50", 600.0) == ("2024-02", "2024-03")
    assert month_case("2024-02-29T23:50", {"A": 599.0}) == ("2024-02",)
    assert month_case("2024-03-01T00:05", {"A": 600.0, "B": 1e9}) == ("2024-02", "2024-03")
    assert month_case("2024-12-31T23:59", {"B": 1e9}) == ("2024-12",)
    assert month_case("2024-02-15", 45 * 86400.0) == ("2024-01", "2024-02", "2024-03")
    assert months_touched(empty_samples()) == ()
