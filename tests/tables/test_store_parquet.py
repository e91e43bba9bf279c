"""Equal rows give equal bytes; other rows do not; nothing is lost on the way."""

import hashlib
from itertools import pairwise

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.tables.parquet_io import ROWS_PER_GROUP, Content, canonical_schema, write_parquet


def written(path, table, schema=None) -> tuple[bytes, Content]:
    path.unlink(missing_ok=True)
    content = write_parquet(path, table, schema)
    return path.read_bytes(), content


@pytest.fixture(scope="module")
def big() -> pa.Table:
    """More rows than two row groups, of every kind of column the tables use."""
    rng = np.random.default_rng(3)
    count = 2 * ROWS_PER_GROUP + 1234
    flow = np.round(rng.normal(100, 5, count), 2)
    flow[::17] = np.nan
    times = 1_740_787_200_000_000 + 60_000_000 * np.arange(count)
    return pa.table(
        {
            "time": pa.array(times, pa.timestamp("us", "UTC")),
            "pump": pa.array(np.array(["p1", "p2", "p3"])[rng.integers(0, 3, count)]),
            "flow": pa.array(flow, from_pandas=True),
            "count": pa.array(rng.integers(0, 9, count)),
            "running": pa.array(rng.random(count) > 0.5),
        }
    )


def test_digest_and_size_are_those_of_the_file(tmp_path, big):
    data, content = written(tmp_path / "a", big)
    assert content == Content(hashlib.sha256(data).hexdigest(), len(data))


def test_rows_come_back_unchanged(tmp_path, big):
    written(tmp_path / "a", big)
    assert pq.ParquetFile(tmp_path / "a").read().equals(big)
    assert pq.ParquetFile(tmp_path / "a").num_row_groups == 3


def test_chunks_in_memory_do_not_show_in_the_file(tmp_path, big):
    data, _ = written(tmp_path / "a", big)
    edges = [0, 1, 7, 100_000, ROWS_PER_GROUP - 1, ROWS_PER_GROUP + 1, 200_000, big.num_rows]
    chunked = pa.concat_tables([big.slice(a, b - a) for a, b in pairwise(edges)])
    assert chunked.column("flow").num_chunks > 3
    assert written(tmp_path / "b", chunked)[0] == data


def test_dictionaries_in_memory_do_not_show_in_the_file(tmp_path, big):
    data, _ = written(tmp_path / "a", big)
    coded = big.set_column(1, "pump", big.column("pump").dictionary_encode())
    assert written(tmp_path / "b", coded, big.schema)[0] == data
    # Two dictionaries that say the same in another order.
    schema = pa.schema([pa.field("s", pa.dictionary(pa.int32(), pa.string()))])
    one = pa.DictionaryArray.from_arrays(pa.array([0, 1], pa.int32()), ["a", "b"])
    two = pa.DictionaryArray.from_arrays(pa.array([2, 1], pa.int32()), ["c", "b", "a"])
    first, _ = written(tmp_path / "c", pa.table({"s": one}, schema=schema))
    assert written(tmp_path / "d", pa.table({"s": two}, schema=schema))[0] == first
    assert pq.ParquetFile(tmp_path / "d").read()["s"].to_pylist() == ["a", "b"]


def test_a_frame_from_pandas_gives_the_same_file(tmp_path, big):
    data, _ = written(tmp_path / "a", big)
    frame = big.to_pandas()
    again = pa.Table.from_pandas(frame[frame.columns[::-1]], preserve_index=False)
    assert b"pandas" in again.schema.metadata
    assert written(tmp_path / "b", again, big.schema)[0] == data
    assert b"pandas" not in (pq.read_schema(tmp_path / "b").metadata or {})


def test_bit_patterns_of_not_a_number_do_not_show(tmp_path):
    patterns = np.array([0x7FF8000000000000, 0xFFF8000000000001], np.uint64).view(float)
    files = [written(tmp_path / "a", pa.table({"x": [value]}))[0] for value in patterns]
    assert files[0] == files[1]
    back = pq.ParquetFile(tmp_path / "a").read()["x"]
    assert back.null_count == 0
    assert np.isnan(back.to_numpy()).all()


def test_a_missing_value_and_not_a_number_stay_apart(tmp_path):
    table = pa.table({"x": pa.array([None, float("nan"), 1.0])})
    written(tmp_path / "a", table)
    back = pq.ParquetFile(tmp_path / "a").read()["x"]
    assert [value is None for value in back.to_pylist()] == [True, False, False]


def test_order_of_metadata_does_not_show_and_units_survive(tmp_path):
    field = pa.field("flow_m3_h", pa.float64(), metadata={"unit": "m3/h", "meaning": "Flow"})
    swapped = field.with_metadata({"meaning": "Flow", "unit": "m3/h"})
    files = []
    for one, tags in ((field, {"a": "1", "b": "2"}), (swapped, {"b": "2", "a": "1"})):
        table = pa.table({"flow_m3_h": [1.0]}, schema=pa.schema([one], metadata=tags))
        files.append(written(tmp_path / "a", table)[0])
    assert files[0] == files[1]
    schema = pq.read_schema(tmp_path / "a")
    assert schema.field("flow_m3_h").metadata[b"unit"] == b"m3/h"
    assert schema.metadata[b"a"] == b"1"


def test_types_are_cast_to_the_schema_where_nothing_is_lost(tmp_path):
    times = pd.to_datetime(["2025-01-01"], utc=True).as_unit("ns")
    table = pa.Table.from_pandas(pd.DataFrame({"time": times, "n": [3]}))
    schema = pa.schema([("time", pa.timestamp("us", "UTC")), ("n", pa.int32())])
    written(tmp_path / "a", table, schema)
    assert pq.read_schema(tmp_path / "a").equals(schema)


def test_an_empty_table_keeps_its_columns(tmp_path, big):
    data, _ = written(tmp_path / "a", big.slice(0, 0))
    assert pq.ParquetFile(tmp_path / "a").read().schema.equals(big.schema)
    assert written(tmp_path / "b", big.schema.empty_table())[0] == data


def test_canonical_schema_leaves_its_input_alone():
    schema = pa.schema([pa.field("x", pa.int64())], metadata={"pandas": "{}", "b": "1"})
    assert canonical_schema(schema).metadata == {b"b": b"1"}
    assert schema.metadata == {b"pandas": b"{}", b"b": b"1"}


values = st.lists(
    st.tuples(st.one_of(st.none(), st.floats()), st.one_of(st.none(), st.text(max_size=3))),
    max_size=8,
)


@settings(max_examples=60, deadline=None)
@given(one=values, two=values)
def test_files_are_equal_exactly_when_rows_are(tmp_path_factory, one, two):
    folder = tmp_path_factory.mktemp("rows")

    def table(rows):
        xs, words = [list(c) for c in zip(*rows, strict=True)] or ([], [])
        return pa.table({"x": pa.array(xs, pa.float64()), "s": pa.array(words, pa.string())})

    def text(rows):
        # repr tells -0.0 from 0.0 and writes every not-a-number as nan.
        return [repr(row) for row in rows]

    same = written(folder / "a", table(one))[0] == written(folder / "b", table(two))[0]
    assert same == (text(one) == text(two))
    assert written(folder / "c", table(list(one)))[0] == (folder / "a").read_bytes()


@pytest.mark.parametrize("kept", [False, True])
@pytest.mark.parametrize("is_sorted", [False, True])
def test_how_words_were_encoded_does_not_show_in_the_file(tmp_path, kept: bool, is_sorted: bool):
    words = np.array(["b", "a", "c"])[np.random.default_rng(2).integers(0, 3, 5000)]
    words = np.sort(words) if is_sorted else words
    kind = pa.dictionary(pa.int32(), pa.string())
    spare = pa.array(["z", "c", "a", "unused", "b"])
    codes = pa.array([spare.to_pylist().index(w) for w in words], pa.int32())
    twice = pa.array(["a", "b", "c", "a"])
    other = pa.array([twice.to_pylist().index(w) for w in words], pa.int32())
    forms = [
        pa.array(words).dictionary_encode().cast(kind),
        pa.DictionaryArray.from_arrays(codes, spare),
        pa.DictionaryArray.from_arrays(other, twice),
    ]
    found = set()
    for number, form in enumerate(forms):
        path = tmp_path / str(number)
        write_parquet(path, pa.table({"tag": form}), kept=kept)
        found.add(path.read_bytes())
        assert pq.ParquetFile(path).read().column(0).to_pylist() == words.tolist()
    assert len(found) == 1
