"""Parquet exports: types, tag encodings, layouts, partition folders."""

from __future__ import annotations

import decimal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.errors import ExportError
from pipeline.exports import parquet_files
from pipeline.exports.parquet_layout import describe_parquet
from pipeline.exports.read import find_exports, read_export, stream_export
from pipeline.plant.types import ExportFormat

LONG = ExportFormat(pattern="*", status_column="status", time_zone="UTC")
TAGS = ["FLOW", "LEVEL"]
SECONDS = [1_709_251_200, 1_709_251_260, 1_709_251_200]  # 2024-03-01 00:00, 00:01, 00:00 UTC
EXPECTED = [
    ("FLOW", 1_709_251_200, 1.5, 0),
    ("FLOW", 1_709_251_260, 2.5, 1),
    ("LEVEL", 1_709_251_200, 3.5, 2),
]
TABLE = pa.table(
    {
        "time": pa.array(SECONDS).cast(pa.timestamp("s", "UTC")),
        "tag": ["FLOW", "FLOW", "LEVEL"],
        "value": [1.5, 2.5, 3.5],
        "status": ["Good", "Uncertain", "Bad"],
    }
)

WORDS = [pa.string(), pa.large_string(), pa.dictionary(pa.int32(), pa.string())]


def put(path, table: pa.Table, **options):
    path.parent.mkdir(parents=True, exist_ok=True)
    pq.write_table(table, path, **options)
    return path


def rows(samples: pa.Table) -> list[tuple]:
    return [
        (r["tag"], int(r["time"].timestamp()), r["value"], r["quality"])
        for r in samples.to_pylist()
    ]


def changed(**columns: pa.Array) -> pa.Table:
    table = TABLE
    for name, column in columns.items():
        table = table.set_column(table.column_names.index(name), name, column)
    return table


@pytest.mark.parametrize("unit", ["ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "America/New_York"])
@pytest.mark.parametrize("words", WORDS)
def test_units_zones_and_tag_encodings(tmp_path, unit, zone, words) -> None:
    table = changed(
        time=pa.array(SECONDS).cast(pa.timestamp("s")).cast(pa.timestamp(unit, zone)),
        tag=TABLE["tag"].cast(words),
    )
    path = put(tmp_path / "e.parquet", table)
    assert rows(read_export(path, LONG, TAGS).samples) == EXPECTED
    layout = describe_parquet(path, LONG, TAGS)
    assert (layout.time_unit, layout.time_zone) == (unit, zone)
    assert (layout.is_streamable, layout.why_not) == (True, "")


@pytest.mark.parametrize(
    ("time_format", "column"),
    [
        ("epoch_s", pa.array(SECONDS)),
        ("epoch_s", pa.array(SECONDS, pa.float64())),
        ("epoch_ms", pa.array([s * 1000 for s in SECONDS])),
        ("spreadsheet", pa.array([45352.0, 45352 + 60 / 86400, 45352.0])),
        ("iso", pa.array(["2024-03-01T00:00:00Z", "2024-03-01T00:01:00Z", "2024-03-01"])),
        ("day_first", pa.array(["01.03.2024", "01.03.2024 00:01", "01.03.2024"])),
        ("iso", pa.array(SECONDS).cast(pa.timestamp("s")).cast(pa.timestamp("us"))),
    ],
)
def test_times_that_are_numbers_or_text(tmp_path, time_format, column) -> None:
    export = ExportFormat(
        pattern="*", status_column="status", time_zone="UTC", time_format=time_format
    )
    path = put(tmp_path / "e.parquet", changed(time=column))
    assert rows(read_export(path, export, TAGS).samples) == EXPECTED


@pytest.mark.parametrize(
    "values",
    [
        pa.array([1.5, 2.5, 3.5], pa.float32()),
        pa.array(["1.5", "2.5", "3.5"]),
        pa.array(["1.5", "2.5", "3.5"]).dictionary_encode(),
        pa.array([decimal.Decimal("1.5"), decimal.Decimal("2.5"), decimal.Decimal("3.5")]),
    ],
)
def test_types_of_values(tmp_path, values) -> None:
    path = put(tmp_path / "e.parquet", changed(value=values))
    assert rows(read_export(path, LONG, TAGS).samples) == EXPECTED


@pytest.mark.parametrize(
    "status",
    [
        pa.array([192, 64, 0], pa.uint8()),
        pa.array([192, 64, 0], pa.float64()),
        pa.array([0, 0x40000000, 0x80000000], pa.uint32()),
        pa.array([0, 0x40000000, -0x80000000], pa.int32()),
        pa.array(["Good", "Uncertain", None]),
    ],
)
def test_types_of_status(tmp_path, status) -> None:
    path = put(tmp_path / "e.parquet", changed(status=status))
    assert rows(read_export(path, LONG, TAGS).samples) == EXPECTED


@pytest.mark.parametrize("kind", [pa.decimal128(38, 24), pa.decimal256(60, 30)])
def test_decimals_to_the_last_digit(tmp_path, kind: pa.DataType) -> None:
    written = ["-0.1", "1234.567890123456", "0.000000000000000000000123"]
    values = pa.array([decimal.Decimal(text) for text in written], kind)
    path = put(tmp_path / "e.parquet", changed(value=values))
    found = read_export(path, LONG, TAGS).samples.column("value").to_pylist()
    assert sorted(found) == sorted(float(text) for text in written)


@pytest.mark.parametrize("kind", [pa.binary(), pa.large_binary()])
@pytest.mark.parametrize("is_dictionary", [True, False])
def test_tags_and_statuses_stored_as_bytes(tmp_path, kind, is_dictionary: bool) -> None:
    # Writers that leave the text annotation out give bytes.
    def as_bytes(column: pa.ChunkedArray) -> pa.Array:
        words = pa.array([text.encode() for text in column.to_pylist()], kind)
        return words.dictionary_encode() if is_dictionary else words

    words = pa.chunked_array([pa.array(["Good", "Uncertain", "Bad"])])
    table = changed(tag=as_bytes(TABLE.column("tag")), status=as_bytes(words))
    path = put(tmp_path / "e.parquet", table)
    assert rows(read_export(path, LONG, TAGS).samples) == EXPECTED


def test_text_among_the_values(tmp_path) -> None:
    path = put(tmp_path / "e.parquet", changed(value=pa.array(["1.5", "No Data", "3.5"])))
    reading = read_export(path, LONG, TAGS)
    assert reading.samples["quality"].to_pylist() == [0, 2, 2]
    assert reading.rejected["text"].to_pylist() == ["No Data"]


def test_wide_with_a_pandas_index(tmp_path) -> None:
    frame = pd.DataFrame(
        {"FLOW": [1.5, 2.5], "LEVEL": [3.5, np.nan], "OTHER": [1, 1]},
        index=pd.DatetimeIndex(["2024-03-01T00:00Z", "2024-03-01T00:01Z"], name="when"),
    )
    frame.to_parquet(tmp_path / "e.parquet")
    export = ExportFormat(pattern="*", layout="wide", time_column="when")
    reading = read_export(tmp_path / "e.parquet", export, TAGS)
    assert [r[:3] for r in rows(reading.samples)] == [r[:3] for r in EXPECTED]
    assert reading.unknown_tags == {"OTHER": 2}
    layout = describe_parquet(tmp_path / "e.parquet", export, TAGS)
    assert (layout.tag_encoding, layout.tag_columns) == ("columns", ("FLOW", "LEVEL"))
    assert layout.why_not == "one column per tag"


def test_partition_folder_names_the_tag(tmp_path) -> None:
    export = ExportFormat(pattern="history", time_zone="UTC")
    for tag, name in (("FLOW", "FLOW"), ("P 1/2", "P%201%2F2")):
        put(
            tmp_path / f"history/tag={name}/part-0.parquet",
            TABLE.select(["time", "value"]).slice(0, 2),
        )
        assert tag
    found = find_exports(tmp_path, [export])
    assert [f.path for f in found] == [
        "history/tag=FLOW/part-0.parquet",
        "history/tag=P%201%2F2/part-0.parquet",
    ]
    tags = {read_export(f.file, export, ["FLOW", "P 1/2"]).samples["tag"][0].as_py() for f in found}
    assert tags == {"FLOW", "P 1/2"}
    assert describe_parquet(found[0].file, export).path_tag == "FLOW"


def test_what_stands_in_the_way_of_streaming(tmp_path) -> None:
    path = put(
        tmp_path / "e.parquet", changed(time=pa.array(SECONDS), value=pa.array(["1", "2", "3"]))
    )
    layout = describe_parquet(path, ExportFormat(pattern="*", time_format="epoch_s"), TAGS)
    assert not layout.is_streamable
    assert layout.why_not == "timestamps are stored as int64; values are stored as text"
    naive = put(tmp_path / "n.parquet", changed(time=TABLE["time"].cast(pa.timestamp("us"))))
    export = ExportFormat(pattern="*", time_zone="Europe/Oslo")
    assert describe_parquet(naive, export, TAGS).why_not == "timestamps are clock times of a zone"


def test_a_row_group_too_large_comes_in_pieces(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(parquet_files, "LARGE", 400)
    n = 2000
    table = pa.table(
        {
            "time": pa.array(np.arange(n) + 1_709_251_200).cast(pa.timestamp("s", "UTC")),
            "tag": ["FLOW"] * n,
            "value": np.arange(n, dtype=float),
        }
    )
    path = put(tmp_path / "e.parquet", table)
    *pieces, last = stream_export(path, ExportFormat(pattern="*"), TAGS)
    assert len(pieces) == 20
    assert pa.concat_tables(pieces)["value"].to_pylist() == list(range(n))
    assert last.counts.rows == n


def test_missing_columns_are_all_named(tmp_path) -> None:
    path = put(tmp_path / "e.parquet", TABLE.rename_columns(["when", "what", "value", "q"]))
    with pytest.raises(ExportError) as caught:
        read_export(path, LONG, TAGS)
    text = str(caught.value)
    assert all(f"column '{name}'" in text for name in ("time", "tag", "status"))
    assert "'when', 'what'" in text


@pytest.mark.parametrize("is_dictionary", [False, True])
def test_tags_that_are_no_utf_8(tmp_path, is_dictionary: bool) -> None:
    tags = pa.array([b"FLOW", b"FLOW", b"L\xf6"], pa.binary()).view(pa.string())
    if is_dictionary:
        tags = pa.DictionaryArray.from_arrays(
            pa.array([0, 0, 1], pa.int32()), pa.array([b"FLOW", b"L\xf6"]).view(pa.string())
        )
    reading = read_export(put(tmp_path / "e.parquet", changed(tag=tags)), LONG, TAGS)
    assert rows(reading.samples) == EXPECTED[:2]
    assert reading.unknown_tags == {"L\ufffd": 1}


@pytest.mark.parametrize("pattern", ["{tag}.q", "q"])
def test_statuses_of_a_wide_file(tmp_path, pattern: str) -> None:
    times = pa.array(SECONDS[:2]).cast(pa.timestamp("s", "UTC"))
    columns = {"time": times, "FLOW": [1.5, 2.5], "LEVEL": [3.5, None]}
    names = [pattern.replace("{tag}", tag) for tag in TAGS]
    columns |= dict(zip(names, [["Good", "Uncertain"], ["Bad", None]], strict=True))
    path = put(tmp_path / "e.parquet", pa.table(columns))
    export = ExportFormat(pattern="*", layout="wide", time_column="time", status_column=pattern)
    found = rows(read_export(path, export, TAGS).samples)
    # One column for the whole row: the second of the two above is all there is.
    in_common = [("FLOW", SECONDS[0], 1.5, 2), ("FLOW", SECONDS[1], 2.5, 2), EXPECTED[2]]
    assert found == (EXPECTED if "{" in pattern else in_common)


@pytest.mark.parametrize("kind", [pa.uint32(), pa.int64(), pa.string()])
def test_a_status_that_tells_the_kind_late_counts_for_the_whole_file(tmp_path, kind) -> None:
    # OPC 10000-4, 7.39: 0 is good, 0x80050000 bad, in a file that holds both.
    status = pa.array([0, 0, 0x80050000]).cast(kind)
    path = put(tmp_path / "e.parquet", changed(status=status), row_group_size=1)
    reading = read_export(path, LONG, TAGS)
    assert reading.samples["quality"].to_pylist() == [0, 0, 2]
    assert reading.rejected.num_rows == 0


def test_columns_of_one_name(tmp_path) -> None:
    wide = pa.table([TABLE["time"][:2], [1.0, 2.0], [3.0, 4.0], [5.0, 6.0]],
                    names=["time", "FLOW", "FLOW", "LEVEL"])  # fmt: skip
    export = ExportFormat(pattern="*", layout="wide")
    reading = read_export(put(tmp_path / "w.parquet", wide), export, TAGS)
    assert [(tag, value) for tag, _, value, _ in rows(reading.samples)] == [
        ("LEVEL", 5.0),
        ("LEVEL", 6.0),
    ]
    assert reading.rejected["tag"].to_pylist() == ["FLOW"]
    assert "heads several columns" in reading.rejected["reason"][0].as_py()
    assert reading.unknown_tags == {}
    twice = TABLE.append_column("value", TABLE["value"])
    with pytest.raises(ExportError, match="'value': found 2 columns of this name; expected one"):
        read_export(put(tmp_path / "l.parquet", twice), LONG, TAGS)


@pytest.mark.parametrize("name", ["time", "value", "status"])
def test_nested_columns_are_named(tmp_path, name: str) -> None:
    nested = changed(**{name: pa.array([{"a": 1}] * 3)})
    with pytest.raises(ExportError, match=f"column '{name}': found type struct.*; expected"):
        read_export(put(tmp_path / "e.parquet", nested), LONG, TAGS)


def test_statuses_that_are_numbers_with_gaps_or_fractions(tmp_path) -> None:
    table = changed(status=pa.array([192.0, float("nan"), 64.0]))
    reading = read_export(put(tmp_path / "gap.parquet", table), LONG, TAGS)
    assert reading.samples["quality"].to_pylist() == [0, 2, 1]
    assert reading.rejected["reason"].to_pylist() == ["the status is empty"]
    table = changed(status=pa.array([192.0, 64.5, 64.0]))
    reading = read_export(put(tmp_path / "part.parquet", table), LONG, TAGS)
    assert reading.rejected["text"].to_pylist() == ["64.5"]


def test_epochs_that_are_decimals_or_no_number(tmp_path) -> None:
    seconds = [decimal.Decimal(s) + decimal.Decimal("0.5") for s in SECONDS]
    export = ExportFormat(pattern="*", time_format="epoch_s")
    table = changed(time=pa.array(seconds, pa.decimal128(18, 3)))
    reading = read_export(put(tmp_path / "d.parquet", table), export, TAGS)
    assert sorted(t.microsecond for t in reading.samples["time"].to_pylist()) == [500_000] * 3
    table = changed(time=pa.array([*map(float, SECONDS[:2]), float("nan")]))
    reading = read_export(put(tmp_path / "f.parquet", table), export, TAGS)
    assert reading.rejected["reason"].to_pylist() == ["no timestamp"]
