"""Files that go wrong: each gives one clear sentence, and no neighbour of the bad part is lost.

The files are what exports look like after full disks, spreadsheets, mail gateways and
half-finished copies (common practice, no source). The expected samples are the rows that were
written, and what each sentence must name was decided by hand, case by case.
"""

from __future__ import annotations

import gzip
import io
import re
import zipfile
from dataclasses import dataclass, field, replace

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import ExportError
from pipeline.exports.read import read_export, stream_export
from pipeline.plant.types import ExportFormat

LONG = ExportFormat(pattern="*", status_column="status")
PLAIN = ExportFormat(pattern="*")
WIDE = ExportFormat(pattern="*", layout="wide", time_zone="UTC")
TAGS = ("FLOW", "LEVEL")
HEAD = "time,tag,value,status\n"
GOOD = [
    "2024-03-01T00:00:00Z,FLOW,10.5,192\n",
    "2024-03-01T00:01:00Z,FLOW,11.5,192\n",
    "2024-03-01T00:02:00Z,FLOW,12.5,192\n",
]
MINUTE = 60_000_000
START = 1_709_251_200_000_000  # 2024-03-01 00:00 UTC
EXPECTED = {START: 10.5, START + MINUTE: 11.5, START + 2 * MINUTE: 12.5}


def between(bad: str, head: str = HEAD) -> bytes:
    return (head + GOOD[0] + GOOD[1] + bad + GOOD[2]).encode()


@dataclass(frozen=True)
class Case:
    content: bytes
    says: str
    export: ExportFormat = LONG
    samples: dict[int, float] = field(default_factory=lambda: dict(EXPECTED))
    name: str = "export.csv"


@dataclass(frozen=True)
class Refused(Case):
    """The whole file cannot be read."""


@dataclass(frozen=True)
class Waiting(Case):
    """The file is left for the next run."""


def parquet(table: pa.Table, **options: object) -> bytes:
    sink = io.BytesIO()
    pq.write_table(table, sink, **options)
    return sink.getvalue()


def zipped(**files: bytes) -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        for name, content in files.items():
            archive.writestr(name.replace("__", "/"), content)
    return sink.getvalue()


GOOD_FILE = (HEAD + "".join(GOOD)).encode()
TIMES = pa.array(list(EXPECTED), pa.int64()).cast(pa.timestamp("us", tz="UTC"))
GOOD_TABLE = pa.table(
    {
        "time": TIMES,
        "tag": ["FLOW"] * 3,
        "value": list(EXPECTED.values()),
        "status": pa.array([192] * 3, pa.uint8()),
    }
)
GOOD_PARQUET = parquet(GOOD_TABLE)
WIDE_HEAD = "time,FLOW,LEVEL\n"
WIDE_GOOD = [
    "2024-03-01 00:00:00,10.5,\n",
    "2024-03-01 00:01:00,11.5,\n",
    "2024-03-01 00:02:00,12.5,\n",
]


def wide(bad: str) -> bytes:
    return (WIDE_HEAD + WIDE_GOOD[0] + WIDE_GOOD[1] + bad + WIDE_GOOD[2]).encode()


CASES: dict[str, Case] = {
    # Rows.
    "text as value": Case(between("2024-03-01T00:01:30Z,LEVEL,I/O Timeout,0\n"), "text where"),
    "spreadsheet error as value": Case(between("2024-03-01T00:01:30Z,LEVEL,#DIV/0!,0\n"), "#DIV"),
    "infinite value": Case(between("2024-03-01T00:01:30Z,LEVEL,inf,192\n"), "text where"),
    "value beyond double precision": Case(
        between("2024-03-01T00:01:30Z,LEVEL,1e999,192\n"), "text where"
    ),
    "hexadecimal value": Case(between("2024-03-01T00:01:30Z,LEVEL,0x1F,192\n"), "text where"),
    "two points in a number": Case(between("2024-03-01T00:01:30Z,LEVEL,1.2.3,192\n"), "1.2.3"),
    "number with its unit": Case(between("2024-03-01T00:01:30Z,LEVEL,4.2 m,192\n"), "4.2 m"),
    "number with underscore": Case(between("2024-03-01T00:01:30Z,LEVEL,1_000,192\n"), "1_000"),
    "quoted thousands, undeclared": Case(
        between('2024-03-01T00:01:30Z,LEVEL,"1,234.5",192\n'), "text where"
    ),
    "decimal comma between commas": Case(
        between("2024-03-01T00:01:30Z,LEVEL,4,2,192\n"), "5 fields where the header has 4"
    ),
    "too few fields": Case(between("2024-03-01T00:01:30Z,LEVEL\n"), "2 fields where the header"),
    "too many fields": Case(
        between("2024-03-01T00:01:30Z,LEVEL,1,192,spare\n"), "5 fields where the header has 4"
    ),
    "a sentence in the middle": Case(between("connection lost, retrying\n"), "2 fields where"),
    "SQL footer": Case((HEAD + "".join(GOOD) + "\n(3 rows affected)\n").encode(), "1 fields where"),
    "no time": Case(between(",LEVEL,4.2,192\n"), "no timestamp"),
    "words as time": Case(between("yesterday,LEVEL,4.2,192\n"), "not of the declared form"),
    "30 February": Case(between("2024-02-30T00:00:00Z,LEVEL,4.2,192\n"), "no such date"),
    "29 February of a common year": Case(
        between("2023-02-29T00:00:00Z,LEVEL,4.2,192\n"), "no such date"
    ),
    "hour 25": Case(between("2024-03-01T25:00:00Z,LEVEL,4.2,192\n"), "no such date"),
    "leap second": Case(between("2016-12-31T23:59:60Z,LEVEL,4.2,192\n"), "no such date"),
    "year 0001": Case(between("0001-01-01T00:00:00Z,LEVEL,4.2,192\n"), "before 1980"),
    "year 9999": Case(between("9999-12-31T23:59:59Z,LEVEL,4.2,192\n"), "after 2100"),
    "time without offset": Case(
        between("2024-03-01T00:01:30,LEVEL,4.2,192\n"), "no offset and no time_zone"
    ),
    "epoch among ISO times": Case(between("1709251290,LEVEL,4.2,192\n"), "not of the declared"),
    "unknown status": Case(between("2024-03-01T00:01:30Z,LEVEL,4.2,Perhaps\n"), "Perhaps"),
    "empty status": Case(between("2024-03-01T00:01:30Z,LEVEL,4.2,\n"), "status is empty"),
    "row without a tag": Case(between("2024-03-01T00:01:30Z,,4.2,192\n"), "names no tag"),
    "header repeated": Case(between(HEAD), "not of the declared form"),
    "unclosed quote": Case(between('2024-03-01T00:01:30Z,"LEVEL,4.2,192\n'), "quote is opened"),
    "line break inside quotes": Case(
        between('2024-03-01T00:01:30Z,"LE\nVEL",4.2,192\n'), "unknown tag LE\nVEL"
    ),
    "two stray quotes around good rows": Case(
        (HEAD + '2024-03-01T00:00:00Z,"LEVEL,4.2,192\n' + "".join(GOOD)).encode()
        + b'2024-03-01T00:00:00Z,LEVEL",4.2,192\n',
        "quote is opened",
    ),
    "archive in an archive, beside an export": Case(
        zipped(**{"a.zip": zipped(a=GOOD_FILE), "b.csv": GOOD_FILE}),
        "It is a zip archive inside a zip archive",
    ),
    "a word to the reader beside an export": Case(
        zipped(**{"README.txt": b"Exports of pump hall A.\n", "b.csv": GOOD_FILE}), "README.txt"
    ),
    "an empty file beside an export": Case(
        zipped(**{"a.csv": b"", "b.csv": GOOD_FILE}), "the file is empty (in 'a.csv')"
    ),
    "an export of an archive that breaks off": Case(
        zipped(**{"a.csv": GOOD_FILE, "b.csv": GOOD_FILE + b"2024-03-01T00:03"}),
        "1 fields where the header has 4 (in 'b.csv')",
    ),
    "control characters where the header should be": Refused(
        b"\x1b[2Jtime\x07;tag\n", "'?[2Jtime?', 'tag'"
    ),
    "zero bytes after a power cut": Case(GOOD_FILE + b"\0" * 512 + b"\n", "zero bytes"),
    "zero byte inside a line": Case(between("2024-03-01T00:01:30Z,LE\0VEL,4,192\n"), "zero bytes"),
    "merge-conflict lines": Case(between("<<<<<<< HEAD\n"), "1 fields where"),
    "formula injection": Case(between("=cmd|'/c calc'!A1,LEVEL,4.2,192\n"), "not of the declared"),
    "markup in a tag": Case(
        between("2024-03-01T00:01:30Z,<script>alert(1)</script>,4.2,x\n"), "unknown tag <script>"
    ),
    "very long line": Case(between("x" * 300_000 + "\n"), "1 fields where"),
    "very many fields": Case(between("," * 5000 + "\n"), "no timestamp"),
    "bytes that are no UTF-8 after some that are": Case(
        between("2024-03-01T00:01:30Z,P\u00e9gase,4.2,192\n")
        + b"2024-03-01T00:03:00Z,FLOW,\xb0,0\n",
        "Some bytes of the text are not UTF-8",
    ),
    "bytes that are no UTF-8": Case(
        between("2024-03-01T00:01:30Z,LEVEL,4.2 \u00b0,192\n").replace("\u00b0".encode(), b"\xb0"),
        "not UTF-8",
    ),
    "conflicting duplicate": Case(
        (HEAD + GOOD[0] + "2024-03-01T00:01:00Z,FLOW,99,192\n" + GOOD[1] + GOOD[2]).encode(),
        "1 conflicting",
    ),
    "identical duplicate": Case((HEAD + GOOD[0] * 2 + GOOD[1] + GOOD[2]).encode(), "1 identical"),
    "out of order": Case((HEAD + GOOD[1] + GOOD[0] + GOOD[2]).encode(), "1 out of order"),
    # Wide rows.
    "wide: text in a cell": Case(wide("2024-03-01 00:01:30,,Bad Input\n"), "Bad Input", WIDE),
    "wide: short row": Case(wide("2024-03-01 00:01:30\n"), "1 fields where", WIDE),
    "wide: long row": Case(wide("2024-03-01 00:01:30,1,2,3\n"), "4 fields where", WIDE),
    "wide: unit row not declared": Case(
        (
            WIDE_HEAD + ";".join(["", "m3/h", "m"]).replace(";", ",") + "\n" + "".join(WIDE_GOOD)
        ).encode(),
        "no timestamp",
        WIDE,
    ),
    "wide: tag in two columns": Case(
        wide("").replace(b"LEVEL\n", b"LEVEL,LEVEL\n").replace(b",\n", b",,\n"),
        "heads several columns",
        WIDE,
    ),
    "wide: hour skipped by the clocks": Case(
        wide("2024-03-31 02:30:00,1,2\n"),
        "clocks were put forward",
        replace(WIDE, time_zone="Europe/Paris"),
        {key - 60 * MINUTE: value for key, value in EXPECTED.items()},
    ),
    "wide: hour repeated, told once": Case(
        wide("2024-10-27 02:30:00,1,2\n"),
        "occurs twice",
        replace(WIDE, time_zone="Europe/Paris"),
        {key - 60 * MINUTE: value for key, value in EXPECTED.items()},
    ),
    # Whole files.
    "no header": Refused("".join(GOOD).encode(), "declared columns"),
    "wrong delimiter declared": Refused(
        GOOD_FILE, "declared columns", replace(LONG, delimiter=";")
    ),
    "a page instead of data": Refused(
        b"<!DOCTYPE html><html><body>Please log in</body></html>\n", "declared columns"
    ),
    "JSON instead of data": Refused(b'{"error": "unauthorised"}\n', "declared columns"),
    "time column twice": Refused(b"time,time,tag,value,status\n1,2,3,4,5\n", "more than once"),
    "old workbook": Refused(b"\xd0\xcf\x11\xe0" + b"\0" * 512, "spreadsheet"),
    "new workbook": Refused(
        zipped(xl__workbook_xml=b"").replace(b"xl/workbook_xml", b"xl/workbook.xml"), "workbook"
    ),
    "bzip2": Refused(b"BZh91AY&SY" + b"\0" * 64, "bzip2"),
    "PDF": Refused(b"%PDF-1.7\n", "PDF"),
    "random bytes": Refused(
        bytes(np.random.default_rng(5).integers(0, 256, 4096, np.uint8)), "columns"
    ),
    "empty zip": Refused(zipped(), "holds no file"),
    "unknown zone": Refused(
        wide(""), "no time zone 'Mars/Olympus'", replace(WIDE, time_zone="Mars/Olympus")
    ),
    "unknown encoding": Refused(GOOD_FILE, "no encoding", replace(LONG, encoding="klingon")),
    "day and month cannot be told apart": Refused(
        b"time,tag,value\n03/04/2024 10:00,FLOW,1\n05/06/2024 10:00,FLOW,2\n",
        "cannot be told apart",
        replace(PLAIN, time_zone="UTC"),
    ),
    "both orders of day and month": Refused(
        b"time,tag,value\n13/04/2024 10:00,FLOW,1\n05/16/2024 10:00,FLOW,2\n",
        "both orders",
        replace(PLAIN, time_zone="UTC"),
    ),
    "empty file": Waiting(b"", "empty"),
    "blank lines only": Waiting(b"\n\n\n", "empty"),
    "zero bytes only": Waiting(b"\0" * 4096, "empty"),
    "last row short": Waiting(GOOD_FILE + b"2024-03-01T00:03:00Z,FLO", "breaks off"),
    "last row ends inside quotes": Waiting(
        GOOD_FILE + b'2024-03-01T00:03:00Z,FLOW,13,"19', "breaks off"
    ),
    "gz breaks off": Waiting(gzip.compress(GOOD_FILE * 500)[:-9], "breaks off"),
    "zst breaks off": Waiting(pa.compress(GOOD_FILE * 50, "zstd", asbytes=True)[:-5], "breaks off"),
    "zip without directory": Waiting(zipped(a=GOOD_FILE)[:-30], "no directory"),
    "zip with a damaged entry": Refused(
        zipped(a=GOOD_FILE).replace(b"PK\x03\x04", b"PK\x03\x05"), "packed content cannot"
    ),
    "zip with damaged content": Refused(
        zipped(a=GOOD_FILE).replace(b"11.5", b"99.5"), "packed content cannot"
    ),
    "status number of no kind": Case(
        between("2024-03-01T00:01:30Z,LEVEL,4.2,99999999999999999999\n"), "unknown status"
    ),
    "Parquet without footer": Waiting(GOOD_PARQUET[:-20], "no footer", name="e.parquet"),
    "empty Parquet": Waiting(b"", "no footer", name="e.parquet"),
    "text named Parquet": Refused(GOOD_FILE, "no Parquet file", name="e.parquet"),
    "Parquet with a broken footer": Refused(
        GOOD_PARQUET[:-40] + b"\xff" * 32 + GOOD_PARQUET[-8:], "footer cannot be read"
    ),
    "Parquet with a broken page": Refused(
        GOOD_PARQUET[:4] + b"\xff" * 60 + GOOD_PARQUET[64:], "cannot be read"
    ),
    "Parquet without the tag column": Refused(
        parquet(GOOD_TABLE.drop_columns(["tag"])), "lacks a declared column"
    ),
    "Parquet with lists as values": Refused(
        parquet(GOOD_TABLE.set_column(2, "value", pa.array([[1.0]] * 3))), "holds no numbers"
    ),
    "Parquet with numbers as tags": Refused(
        parquet(GOOD_TABLE.set_column(1, "tag", pa.array([1, 2, 3]))), "holds no text"
    ),
    "Parquet with clock times and no zone": Case(
        parquet(GOOD_TABLE.set_column(0, "time", TIMES.cast(pa.timestamp("us")))),
        "no offset and no time_zone",
        samples={},
    ),
    "Parquet with gaps in time": Case(
        parquet(
            pa.concat_tables(
                [
                    GOOD_TABLE,
                    GOOD_TABLE.slice(0, 1).set_column(
                        0, "time", TIMES[:0].take(pa.array([None], pa.int64()))
                    ),
                ]
            )
        ),
        "no timestamp",
    ),
    "Parquet with text values": Case(
        parquet(
            GOOD_TABLE.set_column(2, "value", pa.array(["10.5", "11.5", "12.5"])).take(
                pa.array([0, 1, 2])
            )
        ),
        "0 rejected",
    ),
}


def everything_said(reading) -> str:
    """All that a reader of the run's log would see of one file."""
    counts = reading.counts
    lines = [
        *reading.notes,
        *(f"{r['reason']}: {r['text']}" for r in reading.rejected.to_pylist()),
        *(f"unknown tag {name}" for name in reading.unknown_tags),
        f"{counts.identical_duplicates} identical, {counts.conflicting_duplicates} conflicting, ",
        f"{counts.out_of_order} out of order, {counts.rejected} rejected",
    ]
    return "\n".join(lines)


def flow_of(samples: pa.Table) -> dict[int, float]:
    rows = samples.filter(pa.compute.equal(samples["tag"].cast(pa.string()), "FLOW"))
    time = rows["time"].cast(pa.int64()).to_pylist()
    return {
        t: v for t, v in zip(time, rows["value"].to_pylist(), strict=True) if t < START + 3 * MINUTE
    }


def test_the_corpus_is_large_enough() -> None:
    assert len(CASES) >= 60


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_hostile_file(case: Case, tmp_path) -> None:
    path = tmp_path / case.name
    path.write_bytes(case.content)
    if isinstance(case, Refused):
        with pytest.raises(ExportError, match=re.escape(case.says)) as caught:
            read_export(path, case.export, TAGS)
        assert str(caught.value).startswith(f"{case.name}: ")
        assert len(str(caught.value).splitlines()) <= 4
        return
    reading = read_export(path, case.export, TAGS)
    assert case.says in everything_said(reading)
    if isinstance(case, Waiting):
        assert (reading.status, reading.samples.num_rows) == ("waiting", 0)
        assert len(reading.notes) == 1
        return
    assert reading.status == "accepted"
    assert flow_of(reading.samples) == case.samples


# Whatever stands between the good rows: any text without a line break.
JUNK = st.text(
    st.characters(blacklist_categories=("Cs",), blacklist_characters="\r\n"), max_size=60
)


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(junk=st.lists(JUNK, max_size=4), encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]))
def test_any_junk_line_leaves_its_neighbours_alone(junk, encoding, tmp_path) -> None:
    path = tmp_path / "export.csv"
    path.write_bytes((HEAD + GOOD[0] + GOOD[1] + "\n".join([*junk, ""]) + GOOD[2]).encode(encoding))
    reading = read_export(path, LONG, TAGS)
    assert flow_of(reading.samples) == EXPECTED


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(cut=st.integers(0, len(GOOD_FILE)), packing=st.sampled_from(["plain", "gz", "zst", "zip"]))
def test_a_file_cut_anywhere_is_read_left_or_refused(cut, packing, tmp_path) -> None:
    pack = {
        "plain": lambda b: b,
        "gz": gzip.compress,
        "zst": lambda b: pa.compress(b, "zstd", asbytes=True),
        "zip": lambda b: zipped(a=b),
    }[packing]
    content = pack(GOOD_FILE)
    path = tmp_path / "export.csv"
    path.write_bytes(content[: int(cut / len(GOOD_FILE) * len(content))])
    try:
        reading = read_export(path, LONG, TAGS)
    except ExportError as error:
        assert str(error).startswith("export.csv: ")  # noqa: PT017
        return
    # A number cut short is not recognisable as such; everything before it is whole.
    got = flow_of(reading.samples)
    times = sorted(got)
    assert times == sorted(EXPECTED)[: len(times)]
    assert all(got[t] == EXPECTED[t] for t in times[:-1])


@pytest.mark.parametrize("case", [c for c in CASES.values() if type(c) is Case][:10])
def test_streaming_gives_the_same_samples(case: Case, tmp_path) -> None:
    path = tmp_path / case.name
    path.write_bytes(case.content)
    *tables, reading = stream_export(path, case.export, TAGS)
    whole = read_export(path, case.export, TAGS)
    assert sum(t.num_rows for t in tables) == whole.samples.num_rows
    assert everything_said(reading) == everything_said(whole)
