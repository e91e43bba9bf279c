"""Parquet exports in any order and any cut give the grid of the whole, bit for bit."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ContractError, ExportError
from pipeline.exports import grid_parquet as driver
from pipeline.exports import grid_rows, grid_stream
from pipeline.exports.grid import TagSettings, grid_samples
from pipeline.exports.grid_parquet import GridCounts, LongColumns, grid_parquet
from pipeline.exports.grid_rows import parquet_time_span
from pipeline.exports.quality import classic_quality

SECOND = 1_000_000
US = pa.timestamp("us")
TAGS = {
    "a.flow": TagSettings(max_gap_us=50 * SECOND),
    "b.speed": TagSettings(max_gap_us=400 * SECOND, interpolation="step", scale=0.5),
    "c.total": TagSettings(max_gap_us=90 * SECOND, aggregate="delta", uncertain_is_usable=False),
}
INTERVAL = 30 * SECOND
WINDOWS = {
    "one": (0, 300 * SECOND),
    "two": (300 * SECOND, 600 * SECOND),
    "four": (900 * SECOND, 1200 * SECOND),  # the third is not wanted
}


def long_table(rows):
    """Table of (tag, seconds, value, quality) rows in the order given."""
    tags, seconds, values, qualities = zip(*rows, strict=True) if rows else ((), (), (), ())
    return pa.table(
        {
            "tag": pa.array(tags, pa.string()),
            "time": pa.array([None if s is None else s * SECOND for s in seconds], US),
            "value": pa.array(values, pa.float64()),
            "status": pa.array(qualities, pa.int32()),
        }
    )


def expected(rows):
    """Grid of the whole, from the in-memory path, for the rows that stand."""
    standing = {(tag, s): (tag, s, v, q) for tag, s, v, q in rows if s is not None and tag in TAGS}
    table = long_table([standing[key] for key in sorted(standing)])
    table = table.rename_columns(["tag", "time", "value", "quality"])
    return {
        name: grid_samples(table, TAGS, INTERVAL, low, high)
        for name, (low, high) in WINDOWS.items()
    }


def run(paths, folder, **options):
    counts = GridCounts()
    scratch = folder / "scratch"
    scratch.mkdir(exist_ok=True)
    made = dict(
        grid_parquet(
            paths, LongColumns(), TAGS, INTERVAL, WINDOWS, scratch, counts=counts, **options
        )
    )
    assert list(scratch.iterdir()) == []
    return made, counts


def assert_same(made, wanted):
    assert list(made) == list(wanted)
    for name, table in made.items():
        assert table.schema == wanted[name].schema
        for column in table.column_names:
            if column == "value":  # NaN equals NaN, and every bit counts
                ours, theirs = (t[column].to_numpy().tobytes() for t in (table, wanted[name]))
                assert ours == theirs, (name, column)
            else:
                assert table[column].equals(wanted[name][column]), (name, column)


def write(rows, path, row_group=7):
    pq.write_table(long_table(rows), path, row_group_size=row_group)
    return path


@pytest.fixture
def history():
    """Three tags for twenty minutes: irregular, with gaps, bad values and a dead spell."""
    rng = np.random.default_rng(11)
    rows = []
    for tag in TAGS:
        seconds = np.unique(rng.integers(-40, 1260, 300))
        seconds = seconds[(seconds < 350) | (seconds > 480)]
        value = rng.normal(10, 3, seconds.size).round(2).cumsum()
        quality = rng.choice([0, 0, 0, 0, 0, 1, 2], seconds.size)
        rows += list(zip([tag] * seconds.size, seconds.tolist(), value, quality, strict=True))
    return rows


ORDERS = {
    "sorted by tag": lambda rows: sorted(rows, key=lambda row: (row[0], row[1])),
    "interleaved in time": lambda rows: sorted(rows, key=lambda row: (row[1], row[0])),
    "shuffled": lambda rows: [rows[i] for i in np.random.default_rng(3).permutation(len(rows))],
}


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("row_group", [3, 64, 10_000])
def test_any_order_and_row_group_gives_the_grid_of_the_whole(history, order, row_group, tmp_path):
    rows = ORDERS[order](history)
    path = write(rows, tmp_path / "export.parquet", row_group)
    made, counts = run(path, tmp_path)
    assert_same(made, expected(history))
    assert counts.rows == len(rows)
    assert counts.sorted_on_disk == (order == "shuffled" and row_group < len(rows))


@pytest.mark.parametrize("order", ORDERS)
def test_pieces_far_smaller_than_an_interval_change_nothing(history, order, tmp_path, monkeypatch):
    monkeypatch.setattr(grid_stream, "ROWS_AT_ONCE", 3)
    monkeypatch.setattr(grid_rows, "LARGEST_READ", 50)
    monkeypatch.setattr(driver, "ROWS_SORTED_AT_ONCE", 40)
    path = write(ORDERS[order](history), tmp_path / "export.parquet", 200)
    made, _ = run(path, tmp_path, threads=1)
    assert_same(made, expected(history))


rows_of_history = st.lists(
    st.tuples(
        st.sampled_from([*TAGS, "d.unknown"]),
        st.one_of(st.none(), st.integers(-100, 1400)),
        st.one_of(st.none(), st.floats(-1e6, 1e6)),
        st.sampled_from([0, 0, 0, 1, 2]),
    ),
    max_size=60,
)


@settings(max_examples=40, deadline=None)
@given(rows_of_history, st.integers(1, 20), st.lists(st.integers(0, 60), max_size=3))
def test_samples_split_between_files_give_the_same_grid(tmp_path_factory, rows, row_group, cuts):
    """Any rows, any order, any files: the grid of the later of equal rows, all else counted."""
    folder = tmp_path_factory.mktemp("split")
    bounds = sorted({0, len(rows), *(min(cut, len(rows)) for cut in cuts)})
    paths = [
        write(rows[low:high], folder / f"{low}.parquet", row_group)
        for low, high in pairwise(bounds)
    ]
    if not paths:
        paths = [write([], folder / "empty.parquet")]
    made, counts = run(paths, folder)
    assert_same(made, expected(rows))
    assert counts.rows == len(rows)
    wanted = [row for row in rows if row[0] in TAGS]
    known = [row for row in wanted if row[1] is not None]
    assert counts.rows_superseded == len(known) - len({row[:2] for row in known})


def test_rows_that_carry_nothing_are_counted(tmp_path):
    rows = [
        ("a.flow", 10, 1.0, 0),
        ("a.flow", None, 2.0, 0),
        ("z.other", 20, 3.0, 0),
        ("a.flow", 20, 4.0, 0),
        ("a.flow", 20, 5.0, 0),
        ("a.flow", 99_999, 6.0, 0),
    ]
    made, counts = run(write(rows, tmp_path / "export.parquet", 100), tmp_path)
    assert (counts.rows, counts.rows_without_time, counts.rows_of_other_tags) == (6, 1, 1)
    assert (counts.rows_outside, counts.rows_superseded) == (1, 1)
    assert counts.other_tags == {"z.other"}
    # From 10 s to 20 s a rise from 1 to the later reading of 5, by hand.
    assert made["one"]["value"].to_pylist()[0] == 3.0
    assert made["one"]["sample_count"].to_pylist()[0] == 2


def test_a_tag_without_any_row_and_a_null_tag(tmp_path):
    rows = [("a.flow", 0, 1.0, 0), (None, 10, 1.0, 0), ("a.flow", 30, 1.0, 0)]
    made, counts = run(write(rows, tmp_path / "export.parquet"), tmp_path)
    assert counts.rows_of_other_tags == 1
    assert counts.other_tags == set()
    table = made["one"].filter(pa.compute.equal(made["one"]["tag"].cast("string"), "b.speed"))
    assert table.num_rows == 10
    assert set(table["worst_quality"].to_pylist()) == {2}


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("tag_type", [pa.string(), pa.large_string(), "dictionary"])
def test_types_of_the_columns_do_not_matter(history, unit, tag_type, tmp_path):
    rows = ORDERS["sorted by tag"](history)
    table = long_table(rows)
    tag = table["tag"].dictionary_encode() if tag_type == "dictionary" else None
    table = table.set_column(0, "tag", tag or table["tag"].cast(tag_type))
    table = table.set_column(1, "time", table["time"].cast(pa.timestamp(unit, "Asia/Tokyo")))
    # Version 2.6 keeps every unit; one of the pieces has no statistics.
    pq.write_table(table, tmp_path / "x.parquet", row_group_size=90, write_statistics=unit != "ms")
    made, _ = run(tmp_path / "x.parquet", tmp_path)
    assert_same(made, expected(history))


def test_status_is_read_as_told_and_may_be_absent(history, tmp_path):
    rows = ORDERS["sorted by tag"](history)
    classic = [(*row[:3], (192, 64, 0)[row[3]]) for row in rows]
    path = write(classic, tmp_path / "x.parquet", 100)
    made, _ = run(path, tmp_path, quality_of=lambda status: classic_quality(status.to_numpy()))
    assert_same(made, expected(history))

    scratch = tmp_path / "scratch"
    without = dict(grid_parquet(path, LongColumns(status=None), TAGS, INTERVAL, WINDOWS, scratch))
    assert_same(without, expected([(*row[:3], 0) for row in rows]))


def test_row_groups_far_from_every_window_are_not_read(tmp_path, monkeypatch):
    rows = [("a.flow", s, 1.0, 0) for s in range(0, 100_000, 10)]
    path = write(rows, tmp_path / "x.parquet", 100)
    read = []
    original = grid_rows.LongReader._rows
    monkeypatch.setattr(
        grid_rows.LongReader, "_rows", lambda self, t: read.append(t) or original(self, t)
    )
    made, counts = run(path, tmp_path)
    assert_same(made, expected(rows))
    assert counts.rows == 10_000
    assert len(read) == 2  # 0 s to 1200 s and the longest gap of 400 s lie in two of 100


def test_time_span_with_and_without_statistics(tmp_path):
    rows = [("a", 30, 1.0, 0), ("a", None, 1.0, 0), ("b", 5, 1.0, 0)]
    columns = LongColumns()
    pq.write_table(long_table(rows), tmp_path / "with.parquet")
    pq.write_table(long_table(rows), tmp_path / "without.parquet", write_statistics=False)
    low, high = parquet_time_span(tmp_path / "with.parquet", columns)
    assert 0 <= 5 * SECOND - low <= 1
    assert 0 <= high - 30 * SECOND <= 1
    assert parquet_time_span(tmp_path / "without.parquet", columns) == (5 * SECOND, 30 * SECOND)
    pq.write_table(long_table([]), tmp_path / "empty.parquet")
    assert parquet_time_span(tmp_path / "empty.parquet", columns) is None


def test_an_abandoned_read_leaves_no_files(history, tmp_path):
    path = write(history, tmp_path / "x.parquet")
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    tables = grid_parquet(path, LongColumns(), TAGS, INTERVAL, WINDOWS, scratch)
    assert next(tables)[0] == "one"
    tables.close()
    assert list(scratch.iterdir()) == []


def spoil_bytes(path: Path) -> None:
    """Overwrite the data of the first column chunk, footer untouched."""
    column = pq.read_metadata(path).row_group(0).column(2)
    with path.open("r+b") as file:
        file.seek(column.data_page_offset or column.dictionary_page_offset)
        file.write(b"\xff" * 30)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda t: t.drop_columns("value"), "found no column 'value'; expected one of tag, time"),
        (lambda t: t.drop_columns(["tag", "status"]), r"no column 'tag'.*\n.*no column 'status'"),
        (lambda t: t.set_column(1, "time", t["value"]), "column 'time': found double; expected a"),
        (
            lambda t: t.set_column(2, "value", t["tag"]),
            "column 'value': found string; expected a n",
        ),
        (lambda t: t.set_column(0, "tag", t["value"]), "column 'tag': found double; expected text"),
    ],
)
def test_an_export_of_another_shape_is_refused(history, change, match, tmp_path):
    pq.write_table(change(long_table(history)), tmp_path / "x.parquet")
    with pytest.raises(ExportError, match=match):
        run(tmp_path / "x.parquet", tmp_path)


def test_a_broken_file_is_named(history, tmp_path):
    path = write(history, tmp_path / "whole.parquet", 1000)
    cut = tmp_path / "cut.parquet"
    cut.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(ExportError, match=r"cut\.parquet: found .*; expected a whole Parquet"):
        run(cut, tmp_path)
    with pytest.raises(ExportError, match=r"absent\.parquet"):
        run(tmp_path / "absent.parquet", tmp_path)
    spoil_bytes(path)
    with pytest.raises(ExportError, match=r"whole\.parquet: found .*; expected a whole Parquet"):
        run(path, tmp_path)


@pytest.mark.parametrize(
    "windows",
    [
        {"one": (0, 45 * SECOND)},
        {"one": (0, 60 * SECOND), "two": (70 * SECOND, 130 * SECOND)},
        {"two": (60 * SECOND, 120 * SECOND), "one": (0, 60 * SECOND)},
        {"one": (60 * SECOND, 60 * SECOND)},
    ],
)
def test_windows_off_the_grid_are_refused(windows, tmp_path):
    path = write([], tmp_path / "x.parquet")
    with pytest.raises(ContractError, match=r"window (one|two): found"):
        list(grid_parquet(path, LongColumns(), TAGS, INTERVAL, windows, tmp_path))


def test_windows_of_calendar_months(tmp_path):
    march, april, may = (datetime(2024, month, 1, tzinfo=UTC) for month in (3, 4, 5))
    seconds = int(april.timestamp())
    rows = [("a.flow", seconds - 20, 2.0, 0), ("a.flow", seconds + 20, 4.0, 0)]
    windows = {"2024-03": (march, april), "2024-04": (april, may)}
    path = write(rows, tmp_path / "x.parquet")
    made = dict(grid_parquet(path, LongColumns(), TAGS, INTERVAL, windows, tmp_path))
    assert [table.num_rows for table in made.values()] == [3 * 31 * 2880, 3 * 30 * 2880]
    # The segment over midnight is shared: 2 to 3 before it, 3 to 4 after it.
    assert made["2024-03"]["value"].to_pylist()[31 * 2880 - 1] == 2.5
    assert made["2024-04"]["value"].to_pylist()[0] == 3.5
    assert made["2024-04"]["coverage"].to_pylist()[0] == pytest.approx(20 / 30)
