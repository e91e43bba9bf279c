"""Measurements as arrays on the grid: what is there, what is too thin, what lies outside."""

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from small_plant import GRID, START, measurements, view_of

from pipeline.assembly import GridView


def test_values_stand_at_their_intervals():
    view = view_of({"A": [1.0, np.nan, 3.0], "B": [4.0, 5.0, 6.0]})
    assert len(view) == 3
    assert view.grid == GRID
    np.testing.assert_array_equal(view.value("A"), [1.0, np.nan, 3.0])
    np.testing.assert_array_equal(view.value("B"), [4.0, 5.0, 6.0])
    assert view.times[0] == START
    assert str(view.times.dtype) == "datetime64[us, UTC]"
    assert (np.diff(view.times) == pd.Timedelta(seconds=GRID)).all()


@pytest.mark.parametrize("tag", ["unknown", None])
def test_a_tag_without_rows_is_missing_throughout(tag):
    view = view_of({"A": [1.0, 2.0]})
    assert np.isnan(view.value(tag)).all()
    assert (view.coverage(tag) == 0.0).all()
    assert tag not in view
    assert "A" in view


def test_thin_coverage_is_no_value():
    """Four fifths of an interval are needed, or what the caller says."""
    view = view_of({"A": [1.0, 2.0, 3.0]}, {"A": [1.0, 0.8, 0.79]})
    np.testing.assert_array_equal(view.value("A"), [1.0, 2.0, np.nan])
    np.testing.assert_array_equal(view.value("A", least_coverage=0.5), [1.0, 2.0, 3.0])
    np.testing.assert_array_equal(view.coverage("A"), [1.0, 0.8, 0.79])


def test_rows_outside_the_span_are_left_out():
    table = measurements({"A": [1.0, 2.0, 3.0, 4.0]})
    step = pd.Timedelta(seconds=GRID)
    view = GridView(table, START + step, START + 3 * step, GRID)
    np.testing.assert_array_equal(view.value("A"), [2.0, 3.0])


def test_a_span_that_begins_within_an_interval_begins_with_the_next():
    """The interval that was half another plant's belongs to neither."""
    table = measurements({"A": [1.0, 2.0, 3.0]})
    begin = START + pd.Timedelta(seconds=90)
    view = GridView(table, begin, START + pd.Timedelta(seconds=3 * GRID), GRID)
    np.testing.assert_array_equal(view.value("A"), [2.0, 3.0])
    assert view.times[0] == START + pd.Timedelta(seconds=GRID)


def test_order_of_rows_and_kind_of_labels_do_not_matter():
    table = measurements({"A": [1.0, 2.0, 3.0], "B": [4.0, np.nan, 6.0]})
    shuffled = table.take(np.random.default_rng(7).permutation(table.num_rows))
    coded = shuffled.set_column(
        shuffled.schema.get_field_index("tag"),
        "tag",
        shuffled.column("tag").dictionary_encode(),
    )
    end = START + pd.Timedelta(seconds=3 * GRID)
    halves = pa.concat_tables([coded.slice(0, 2), coded.slice(2)])
    for rows in (shuffled, coded, halves):
        view = GridView(rows, START, end, GRID)
        np.testing.assert_array_equal(view.value("A"), [1.0, 2.0, 3.0])
        np.testing.assert_array_equal(view.value("B"), [4.0, np.nan, 6.0])


def test_an_empty_span():
    view = GridView(measurements({"A": [1.0]}), START, START, GRID)
    assert len(view) == 0
    assert view.value("A").shape == (0,)
