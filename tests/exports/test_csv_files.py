"""CSV exports in all their forms; the samples written are the samples expected back."""

from __future__ import annotations

import gzip
import io
import zipfile
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest

from pipeline.errors import ExportError
from pipeline.exports import csv_files
from pipeline.exports.read import read_export, stream_export
from pipeline.exports.reading import REJECTED_SCHEMA, SAMPLES_SCHEMA
from pipeline.exports.streams import Text
from pipeline.plant.types import ExportFormat

TAGS = ["P1.FLOW", "P1.LEVEL"]
LONG = ExportFormat(pattern="*", status_column="status")
TEXT = (
    "time,tag,value,status\n"
    "2024-03-01T00:00:00Z,P1.FLOW,10.5,Good\n"
    "2024-03-01T00:01:00Z,P1.LEVEL,2.25,Uncertain\n"
    "2024-03-01T00:02:00Z,P1.FLOW,-11,Bad\n"
    "2024-03-01T00:02:00Z,OTHER,1,Good\n"
)
ROWS = [
    ("P1.FLOW", "2024-03-01T00:00", 10.5, 0),
    ("P1.FLOW", "2024-03-01T00:02", -11.0, 2),
    ("P1.LEVEL", "2024-03-01T00:01", 2.25, 1),
]


def rows(samples: pa.Table) -> list[tuple]:
    assert samples.schema == SAMPLES_SCHEMA
    return [
        (r["tag"], r["time"].strftime("%Y-%m-%dT%H:%M"), r["value"], r["quality"])
        for r in samples.to_pylist()
    ]


@pytest.fixture
def put(tmp_path):
    def write(content: str | bytes, name: str = "export.csv", encoding: str = "utf-8"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return path

    return write


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("is_declared", [True, False])
def test_delimiters_and_line_ends(put, delimiter: str, end: str, is_declared: bool) -> None:
    path = put(TEXT.replace(",", delimiter).replace("\n", end))
    export = replace(LONG, delimiter=delimiter if is_declared else None)
    reading = read_export(path, export, TAGS)
    assert rows(reading.samples) == ROWS
    assert reading.unknown_tags == {"OTHER": 1}
    assert (reading.counts.rows, reading.counts.samples, reading.counts.rejected) == (4, 3, 0)


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1"]
)
@pytest.mark.parametrize("is_declared", [True, False])
def test_encodings(put, encoding: str, is_declared: bool) -> None:
    tag = "Kühlwasser.Zufluß"
    text = TEXT.replace("P1.FLOW", tag)
    if not is_declared and encoding == "utf-16-be":
        assert text.encode(encoding)[:1] == b"\0"
    export = replace(LONG, encoding=encoding if is_declared else None)
    reading = read_export(put(text, encoding=encoding), export, [tag])
    assert [r[2] for r in rows(reading.samples)] == [10.5, -11.0]
    assumed = not is_declared and encoding in ("utf-16-le", "utf-16-be", "latin-1")
    assert len(reading.notes) == (1 if assumed else 0)


def test_packings(put) -> None:
    content = TEXT.encode()
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        archive.writestr("one/a.csv", content)
        archive.writestr("__MACOSX/a.csv", b"junk")
        archive.writestr("one/.hidden", b"junk")
    packed = {
        "export.csv.gz": gzip.compress(content),
        "export.csv.zst": pa.compress(content, "zstd", asbytes=True),
        "export.zip": sink.getvalue(),
        "name without meaning": gzip.compress(content),
        "two parts.gz": gzip.compress(content[:60]) + gzip.compress(content[60:]),
    }
    for name, content in packed.items():
        assert rows(read_export(put(content, name), LONG, TAGS).samples) == ROWS, name


def test_archive_of_several_files(put) -> None:
    sink = io.BytesIO()
    lines = TEXT.splitlines(keepends=True)
    with zipfile.ZipFile(sink, "w") as archive:
        archive.writestr("b.csv", lines[0] + "".join(lines[3:]))
        archive.writestr("a.csv", "".join(lines[:3]))
    assert rows(read_export(put(sink.getvalue(), "e.zip"), LONG, TAGS).samples) == ROWS


def test_quoted_fields(put) -> None:
    text = (
        '"time","tag","value","status"\n'
        '"2024-03-01T00:00:00Z","P1 ""north"", flow","10.5","Good"\n'
        '2024-03-01T00:01:00Z,12" main,1,Good\n'
    )
    tags = ['P1 "north", flow', '12" main']
    assert [r[:1] + r[2:] for r in rows(read_export(put(text), LONG, tags).samples)] == [
        ('12" main', 1.0, 0),
        ('P1 "north", flow', 10.5, 0),
    ]


NOTED = (
    "time,tag,value,status,note\r\n"
    '2024-03-01T00:00:00Z,P1.FLOW,10.5,Good,"seal, leaking\r\n\r\nmended ""at night"""\r\n'
    '2024-03-01T00:01:00Z,P1.LEVEL,2.25,Uncertain,"on the 1st;\r\nagain"\r\n'
    '2024-03-01T00:02:00Z,P1.FLOW,-11,Bad,"last\r\nword"'
)


@pytest.mark.parametrize("block", [40, 1 << 20])
@pytest.mark.parametrize("end", ["", "\r\n"])
def test_line_breaks_in_quoted_fields(put, block: int, end: str, monkeypatch) -> None:
    # RFC 4180, 2.6: fields with line breaks stand in double quotes.
    monkeypatch.setattr(Text.blocks, "__defaults__", (block,))
    monkeypatch.setattr(csv_files, "SMALL", 60)
    reading = read_export(put(NOTED + end), LONG, TAGS)
    assert (rows(reading.samples), reading.counts.rejected) == (ROWS, 0)
    assert reading.counts.rows == 3


def test_line_breaks_in_the_header(put) -> None:
    text = 'time;"P1.FLOW\n [m3/h]";"a\nb"\n2024-03-01T00:00:00Z;10.5;1\n'
    export = ExportFormat(pattern="*", layout="wide", time_column="time")
    assert rows(read_export(put(text), export, ["P1.FLOW [m3/h]"]).samples) == [
        ("P1.FLOW [m3/h]", "2024-03-01T00:00", 10.5, 0)
    ]


@pytest.mark.parametrize("encoding", ["cp1252", "utf-8"])
def test_letters_beyond_ascii_that_come_late(put, encoding: str) -> None:
    filler = "2024-03-01T00:00:00Z,OTHER,1,Good\n" * 3000
    text = TEXT + filler + "2024-03-01T00:03:00Z,F\u00fcllstand,7,Good\n"
    assert len(text) > 1 << 16
    reading = read_export(put(text, encoding=encoding), LONG, [*TAGS, "F\u00fcllstand"])
    assert rows(reading.samples) == [("F\u00fcllstand", "2024-03-01T00:03", 7.0, 0), *ROWS]
    assert ["cp1252" in note for note in reading.notes] == [True] * (encoding == "cp1252")


def test_archives_of_packed_files_and_of_names_that_climb(put) -> None:
    files = {
        "../../a.csv": TEXT.encode(),
        "b.csv.gz": gzip.compress(TEXT.encode()),
        "c.csv.zst": pa.compress(TEXT.encode(), "zstd", asbytes=True),
    }
    for name, content in files.items():
        sink = io.BytesIO()
        with zipfile.ZipFile(sink, "w") as archive:
            archive.writestr(name, content)
        assert rows(read_export(put(sink.getvalue(), "e.zip"), LONG, TAGS).samples) == ROWS, name


WIDE_TEXT = (
    "# exported at night\n"
    "Zeitstempel;P1.FLOW;Other;P1.LEVEL\n"
    ";m3/h;bar;m\n"
    "01.03.2024 01:00:00;1.010,5;1;2,25\n"
    "# a remark\n"
    "15.03.2024 01:01:00;11,5;1;\n"
)
WIDE = ExportFormat(
    pattern="*",
    layout="wide",
    time_column="Zeitstempel",
    time_zone="Europe/Berlin",
    time_format="day_first",
    decimal=",",
    thousands=".",
    unit_row=True,
    comment="#",
)
WIDE_ROWS = [
    ("P1.FLOW", "2024-03-01T00:00", 1010.5, 0),
    ("P1.FLOW", "2024-03-15T00:01", 11.5, 0),
    ("P1.LEVEL", "2024-03-01T00:00", 2.25, 0),
]


def test_wide_with_comments_units_decimal_commas_and_thousands(put) -> None:
    reading = read_export(put(WIDE_TEXT), WIDE, TAGS)
    assert rows(reading.samples) == WIDE_ROWS
    assert reading.rejected.num_rows == 0
    assert reading.unknown_tags == {"Other": 2}


def test_order_of_day_and_month_proven_by_the_file(put) -> None:
    reading = read_export(put(WIDE_TEXT), replace(WIDE, time_format="iso"), TAGS)
    assert rows(reading.samples) == WIDE_ROWS
    assert "day first" in " ".join(reading.notes)


def test_lines_before_the_header(put) -> None:
    noted = read_export(put("Station North\n\nReport, 2024\n" + TEXT), LONG, TAGS)
    assert rows(noted.samples) == ROWS
    assert noted.notes == ("2 lines before the header were passed over.",)
    declared = read_export(put("Station North\n" + TEXT), replace(LONG, skip_rows=1), TAGS)
    assert (rows(declared.samples), declared.notes) == (ROWS, ())
    hinted = read_export(put("sep=;\n" + TEXT.replace(",", ";")), LONG, TAGS)
    assert (rows(hinted.samples), hinted.notes) == (ROWS, ())


def test_header_in_other_case_and_with_blanks(put) -> None:
    text = TEXT.replace("time,tag,value,status", " Time , TAG,Value, Status")
    assert rows(read_export(put(text), LONG, TAGS).samples) == ROWS


def test_a_delimiter_at_the_end_of_every_row(put) -> None:
    text = TEXT.replace("\n", ",\n")
    assert rows(read_export(put(text), LONG, TAGS).samples) == ROWS
    head, body = TEXT.split("\n", 1)
    text = head + "\n" + body.replace("\n", ",\n")
    assert rows(read_export(put(text), LONG, TAGS).samples) == ROWS


def test_empty_values(put) -> None:
    text = "time,tag,value\n2024-03-01T00:00:00Z,P1.FLOW,\n2024-03-01T00:01:00Z,P1.FLOW,NaN\n"
    reading = read_export(put(text), ExportFormat(pattern="*"), TAGS)
    assert reading.samples["quality"].to_pylist() == [2, 2]
    assert np.isnan(reading.samples["value"].to_numpy()).all()
    assert reading.counts.empty_values == 2
    # In a wide export a blank cell only says that this tag has no sample at that instant.
    text = "time,P1.FLOW,P1.LEVEL\n2024-03-01T00:00:00Z,,1\n2024-03-01T00:01:00Z,2,\n"
    wide = read_export(put(text), ExportFormat(pattern="*", layout="wide"), TAGS)
    assert [r[0] for r in rows(wide.samples)] == TAGS


@pytest.mark.parametrize("beside", ["1.5", "Bad"])
@pytest.mark.parametrize("cell", ["", " ", "NaN", "nan", "-nan", "nan(ind)", "NULL", "None", "n/a"])
def test_cells_of_wide_files_that_say_nothing(put, cell: str, beside: str) -> None:
    # Whatever else stands in the column, and so whichever way the block is read.
    text = f"t,P1.FLOW\n2024-03-01T00:00:00Z,{cell}\n2024-03-01T00:01:00Z,{beside}\n"
    export = ExportFormat(pattern="*", layout="wide", time_column="t")
    assert len(rows(read_export(put(text), export, TAGS).samples)) == 1


@pytest.mark.parametrize("cell", ["inf", "-Infinity", "1e309", "+1e999"])
def test_values_beyond_any_number_are_kept_as_written(put, cell: str) -> None:
    text = "time,tag,value\n2024-03-01T00:00:00Z,P1.FLOW,1\n2024-03-01T00:01:00Z,P1.FLOW,"
    reading = read_export(put(f"{text}{cell}\n"), ExportFormat(pattern="*"), TAGS)
    assert reading.rejected.column("text").to_pylist() == [cell]
    assert [r[3] for r in rows(reading.samples)] == [0, 2]


def test_text_values_are_kept(put) -> None:
    text = TEXT.replace("10.5", "Bad Input")
    reading = read_export(put(text), LONG, TAGS)
    assert reading.rejected.schema == REJECTED_SCHEMA
    assert reading.rejected.to_pylist() == [
        {
            "file": "export.csv",
            "line": 2,
            "tag": "P1.FLOW",
            "text": "Bad Input",
            "reason": "text where a number belongs",
            "count": 1,
        }
    ]
    assert rows(reading.samples)[0][3] == 2


def test_words_of_a_switch(put) -> None:
    text = "time,tag,value\n2024-03-01T00:00:00Z,RUN,On\n2024-03-01T00:01:00Z,RUN,Off\n"
    export = ExportFormat(pattern="*")
    switched = read_export(put(text), export, ["RUN"], switch_tags=["RUN"])
    assert switched.samples["value"].to_pylist() == [1.0, 0.0]
    assert switched.rejected.num_rows == 0
    assert read_export(put(text), export, ["RUN"]).samples["quality"].to_pylist() == [2, 2]


def test_line_numbers_count_every_line_of_the_file(put) -> None:
    text = "# remark\n" + TEXT.replace("P1.LEVEL,2.25", "P1.LEVEL,?").replace(
        "2024-03-01T00:01:00Z", "\n# remark\n\n2024-03-01T00:01:00Z"
    )
    reading = read_export(put(text), replace(LONG, comment="#"), TAGS)
    wanted = next(i for i, line in enumerate(text.split("\n"), 1) if "?" in line)
    assert reading.rejected["line"].to_pylist() == [wanted]


def many(count: int, bad_every: int = 0) -> tuple[str, np.ndarray]:
    values = np.round(np.random.default_rng(1).normal(50, 5, count), 4)
    start = np.datetime64("2024-01-01T00:00:00", "s")
    lines = [
        f"{start + i}Z,{TAGS[i % 2]},{'oops' if bad_every and i % bad_every == 0 else v},Good\n"
        for i, v in enumerate(values)
    ]
    return "time,tag,value,status\n" + "".join(lines), values


def test_the_tolerant_way_reads_what_the_bulk_way_reads(put, monkeypatch) -> None:
    text, values = many(3000)
    path = put(text)
    bulk = read_export(path, LONG, TAGS)
    monkeypatch.setattr(csv_files.CsvFile, "_fast", lambda self, block: None)
    tolerant = read_export(path, LONG, TAGS)
    assert bulk.samples.equals(tolerant.samples)
    assert bulk.counts == tolerant.counts
    assert sorted(bulk.samples["value"].to_pylist()) == sorted(values.tolist())


def test_bad_rows_in_many_blocks_cost_only_themselves(put, monkeypatch) -> None:
    monkeypatch.setattr(csv_files, "SMALL", 1 << 12)
    monkeypatch.setattr(Text.blocks, "__defaults__", (1 << 14,))
    text, values = many(20_000, bad_every=997)
    reading = read_export(put(text), LONG, TAGS)
    assert reading.counts.rows == 20_000
    bad = len(range(0, 20_000, 997))
    assert reading.counts.text_values == bad
    good = reading.samples.filter(pa.compute.equal(reading.samples["quality"], 0))
    assert good.num_rows == 20_000 - bad
    keep = np.arange(20_000) % 997 != 0
    assert sorted(good["value"].to_pylist()) == sorted(values[keep].tolist())
    # One entry per tag, with its first line: rows 0 and 997 stand on lines 2 and 999.
    assert reading.rejected["line"].to_pylist() == [2, 999]


def test_streaming_hands_over_the_same_samples_in_pieces(put) -> None:
    text, values = many(5000)
    *tables, last = stream_export(put(text), LONG, TAGS)
    merged = pa.concat_tables(tables)
    assert merged["value"].to_pylist() == values.tolist()
    assert last.samples.num_rows == 0
    assert last.counts.rows == 5000


def test_wide_file_without_any_known_tag(put) -> None:
    export = ExportFormat(pattern="*", layout="wide")
    reading = read_export(put("time,A,B\n2024-03-01T00:00:00Z,1,2\n"), export, TAGS)
    assert reading.samples.num_rows == 0
    assert "No column is a tag of the plant file." in reading.notes
    assert reading.unknown_tags == {"A": 1, "B": 1}


def test_the_message_says_what_was_found_and_expected(put) -> None:
    with pytest.raises(ExportError) as caught:
        read_export(put("when;what;how much\n1;2;3\n"), LONG, TAGS, "folder/export.csv")
    text = str(caught.value)
    assert text.startswith("folder/export.csv: No line has the declared columns.")
    assert "'when'" in text
    assert "'time' (time_column)" in text


STATED = """time;P1.FLOW;P1.FLOW q;P1.LEVEL;P1.LEVEL q
2024-03-01T00:00:00Z;10.5;Good;;
2024-03-01T00:01:00Z;;;2.25;Uncertain
2024-03-01T00:02:00Z;-11;Bad;;
"""
BY_TAG = ExportFormat(
    pattern="*", layout="wide", time_column="time", status_column="{tag} q", good=("Fine",)
)


@pytest.mark.parametrize("remark", ["", '"said ""so"""'])
def test_a_status_column_beside_each_tag_of_a_wide_export(put, remark: str) -> None:
    text = STATED.replace("\n", ";\n").replace("Bad;;;", f"Bad;;;{remark}")
    reading = read_export(put(text), BY_TAG, TAGS)
    assert (rows(reading.samples), reading.unknown_tags) == (ROWS, {})


def test_a_status_beside_a_blank_cell_is_a_bad_sample(put) -> None:
    text = "time;P1.FLOW;P1.FLOW q\n2024-03-01T00:00:00Z;;Bad\n2024-03-01T00:01:00Z;;\n"
    samples = read_export(put(text), BY_TAG, TAGS).samples
    assert [(r[1][-5:], r[3]) for r in rows(samples)] == [("00:00", 2)]


@pytest.mark.parametrize("name", ["q", "P1.FLOW q"])
def test_one_status_for_a_whole_row_or_one_name_over_many_columns(put, name: str) -> None:
    text = STATED.replace("P1.FLOW q", "q").replace("P1.LEVEL q", "q")
    export = replace(BY_TAG, status_column="q")
    if name != "q":
        text = "time;P1.FLOW;P1.LEVEL;q\n2024-03-01T00:00:00Z;10.5;;Good\n"
        text += "2024-03-01T00:01:00Z;;2.25;Uncertain\n2024-03-01T00:02:00Z;-11;;Bad\n"
    assert rows(read_export(put(text), export, TAGS).samples) == ROWS


def test_status_columns_that_are_not_there(put) -> None:
    with pytest.raises(ExportError, match=r"(?s)No tag has a status.*'P1.FLOW st'"):
        read_export(put(STATED), replace(BY_TAG, status_column="{tag} st"), TAGS)
    with pytest.raises(ExportError, match=r"'st' \(status_column\)"):
        read_export(put(STATED), replace(BY_TAG, status_column="st"), TAGS)
    fewer = STATED.replace("P1.LEVEL q", "other")
    (note,) = read_export(put(fewer), BY_TAG, TAGS).notes
    assert note == "1 tag(s) have no status column, such as 'P1.LEVEL'."


@pytest.mark.parametrize("line", ["\n", "  \n", "\r\n"])
def test_blank_lines_are_no_rows(put, line: str) -> None:
    rows = [f"2024-03-01T00:0{i}:00Z,P1.FLOW,{i},Good\n{line}" for i in (1, 2)]
    text = "time,tag,value,status\n" + "".join(rows) + "yesterday,P1.FLOW,3,Good\n"
    reading = read_export(put(text), LONG, TAGS)
    assert reading.samples["value"].to_pylist() == [1.0, 2.0]
    assert (reading.counts.rows, reading.counts.rejected) == (3, 1)
    assert reading.rejected["line"].to_pylist() == [6]


@pytest.mark.parametrize("remark", ["", "# exported\n"])
def test_a_status_that_tells_the_kind_late_counts_for_the_whole_file(put, remark, monkeypatch):
    # OPC 10000-4, 7.39: 0 is good, 0x80050000 bad, in a file that holds both.
    monkeypatch.setattr(Text.blocks, "__defaults__", (2000,))
    rows = [f"2024-03-01T00:{i // 60:02}:{i % 60:02}Z,P1.FLOW,{i},0\n" for i in range(900)]
    rows.append(f"2024-03-01T00:15:00Z,P1.FLOW,900,{0x80050000}\n")
    text = "time,tag,value,status\n" + remark + "".join(rows)
    reading = read_export(put(text), replace(LONG, comment="#"), TAGS)
    assert reading.samples["quality"].to_pylist() == [0] * 900 + [2]
    assert reading.rejected.num_rows == 0


SIDE_BY_SIDE = ExportFormat(pattern="*", layout="wide", time_zone="UTC")
JOINED = (
    "time,P1.FLOW\n2024-03-01 00:00,1\n"
    "time,P1.LEVEL,P1.FLOW\n2024-03-01 00:01,20,2\n2024-03-01 00:02,30,3\n"
    "time,P1.FLOW\n2024-03-01 00:03,4\n"
)


@pytest.mark.parametrize("block", [40, 1 << 20])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_files_put_together_with_columns_in_another_order(put, block, mark, monkeypatch) -> None:
    monkeypatch.setattr(Text.blocks, "__defaults__", (block,))
    text = JOINED.replace("time", mark + "time") + "later,9\n"
    reading = read_export(put(text), SIDE_BY_SIDE, TAGS)
    assert rows(reading.samples) == [
        *((TAGS[0], f"2024-03-01T00:0{i}", float(i + 1), 0) for i in range(4)),
        *((TAGS[1], f"2024-03-01T00:0{i}", 10.0 * (i + 1), 0) for i in (1, 2)),
    ]
    assert reading.rejected["line"].to_pylist() == [8]
    assert [note for note in reading.notes if "Line 3 is a header with other columns" in note]


def test_long_files_put_together_with_columns_in_another_order(put) -> None:
    text = TEXT + "status,tag,value,time\nBad,P1.LEVEL,7,2024-03-01T00:05:00Z\n"
    reading = read_export(put(text), LONG, TAGS)
    assert rows(reading.samples) == [*ROWS, ("P1.LEVEL", "2024-03-01T00:05", 7.0, 2)]
    assert reading.unknown_tags == {"OTHER": 1}


def test_a_header_repeated_is_refused_and_names_no_unknown_tag(put) -> None:
    reading = read_export(put(TEXT + TEXT.replace("T00", "T01")), LONG, TAGS)
    assert reading.samples.num_rows == 6
    assert (reading.counts.rejected, reading.unknown_tags) == (1, {"OTHER": 2})


@pytest.mark.parametrize("before", ["", "# made by a script\n", "\n"])
@pytest.mark.parametrize("units", ["", ",m3/h,m\n", "UTC,m3/h,m\n"])
def test_a_row_of_units_that_is_missing_or_comes_late(put, before: str, units: str) -> None:
    text = f"time,P1.FLOW,P1.LEVEL\n{before}{units}2024-03-01 00:00,1,2\n2024-03-01 00:01,3,4\n"
    reading = read_export(put(text), replace(SIDE_BY_SIDE, unit_row=True, comment="#"), TAGS)
    assert reading.samples["value"].to_pylist() == [1.0, 3.0, 2.0, 4.0]
    assert reading.counts.rejected == 0
    assert ["unit_row is declared" in note for note in reading.notes] == [True] * (not units)


def test_no_thousands_follow_a_zero(put) -> None:
    # A zero before a comma is a decimal comma; it must not become 123.
    text = TEXT.replace("10.5", '"0,123"').replace("-11", '"1,234"')
    reading = read_export(put(text), replace(LONG, thousands=","), TAGS)
    assert [repr(v) for v in reading.samples["value"].to_pylist()] == ["nan", "1234.0", "2.25"]
    assert any("decimal = ','" in note for note in reading.notes)


def test_an_end_of_file_character_of_old_loggers(put) -> None:
    reading = read_export(put(TEXT + "\x1a"), LONG, TAGS)
    assert (reading.status, rows(reading.samples)) == ("accepted", ROWS)
