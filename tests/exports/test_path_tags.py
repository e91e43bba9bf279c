"""Exports whose rows name no tag: the plant file, the file's name or its folder does.

Names with escapes follow RFC 3986; folders such as ``tag=NAME`` are what Spark and Hive write
(common practice, no source).
"""

from __future__ import annotations

import gzip
import io
import zipfile
from dataclasses import replace
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.errors import ExportError
from pipeline.exports.merge import merge_samples
from pipeline.exports.read import find_exports, read_export, stream_export
from pipeline.exports.reading import Reading
from pipeline.exports.spool import spool_export
from pipeline.plant.types import ExportFormat

TAGS = ["FLOW", "P 1/2"]
TEXT = "time;value;q\n2024-03-01T00:01:00Z;2.5;64\n2024-03-01T00:00:00Z;1.5;192\n"
VALUES = [1.5, 2.5]
COLUMNS = ExportFormat(pattern="in", status_column="q", tag_column=None)
BY_NAME = replace(COLUMNS, tag_in_path="{tag}_*")
BY_FOLDER = replace(COLUMNS, tag_in_path="{tag}/*")
IN_FOLDER = replace(COLUMNS, tag_column="tag")
CONSTANT = replace(COLUMNS, tag="P 1/2")


def packed(text: str, form: str, member: str = "data.csv") -> bytes:
    if form == "gz":
        return gzip.compress(text.encode())
    if form == "zst":
        return pa.Codec("zstd").compress(text.encode(), asbytes=True)
    if form == "zip":
        sink = io.BytesIO()
        with zipfile.ZipFile(sink, "w") as archive:
            archive.writestr(member, text)
        return sink.getvalue()
    if form == "parquet":
        rows = [line.split(";") for line in text.splitlines()[1:]]
        columns = {"time": [r[0] for r in rows], "value": [float(r[1]) for r in rows]}
        sink = io.BytesIO()
        pq.write_table(pa.table(columns | {"q": [int(r[2]) for r in rows]}), sink)
        return sink.getvalue()
    return text.encode()


def put(path: Path, content: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def rows(samples: pa.Table) -> list[tuple]:
    return [(r["tag"], r["time"].minute, r["value"], r["quality"]) for r in samples.to_pylist()]


@pytest.mark.parametrize("form", ["csv", "gz", "zst", "zip", "parquet"])
@pytest.mark.parametrize(
    ("export", "path"),
    [
        (IN_FOLDER, "in/tag=P%201%2F2/part-0"),
        (BY_NAME, "in/P 1%2F2_2024-03"),
        (BY_FOLDER, "in/P 1%2F2/2024-03"),
        (CONSTANT, "in/whatever"),
    ],
)
def test_every_form_whole_streamed_and_by_parts(tmp_path, form, export, path) -> None:
    put(tmp_path / f"{path}.{form}", packed(TEXT, form))
    (found,) = find_exports(tmp_path, [export])
    expected = [("P 1/2", 0, 1.5, 0), ("P 1/2", 1, 2.5, 1)]
    whole = read_export(found.file, export, TAGS, found.path)
    assert rows(whole.samples) == expected
    *pieces, last = stream_export(found.file, export, TAGS, found.path)
    assert isinstance(last, Reading)
    assert rows(merge_samples([p for p in pieces if isinstance(p, pa.Table)])[0]) == expected
    (tmp_path / "parts").mkdir()
    spool = spool_export(found.file, export, TAGS, tmp_path / "parts", found.path)
    assert [row for part in spool.parts for row in rows(spool.take(part).samples)] == expected
    strange = read_export(found.file, export, ["FLOW"], found.path)
    assert (strange.samples.num_rows, strange.unknown_tags) == (0, {"P 1/2": 2})


def test_a_column_of_tags_goes_before_the_folder(tmp_path) -> None:
    text = TEXT.replace("time", "tag;time").replace("\n2024", "\nFLOW;2024")
    path = put(tmp_path / "tag=P 1/e.csv", text.encode())
    assert [r[0] for r in rows(read_export(path, IN_FOLDER, TAGS).samples)] == ["FLOW"] * 2


def test_broken_rows_beside_others(tmp_path) -> None:
    broken = TEXT + "2024-03-01T00:02:00Z;3.5;192;surplus\n2024-03-01T00:03:00Z;see log;192\n"
    path = put(tmp_path / "FLOW_1.csv", broken.encode())
    reading = read_export(path, BY_NAME, TAGS)
    assert [r[:2] for r in rows(reading.samples)] == [("FLOW", 0), ("FLOW", 1), ("FLOW", 3)]
    refused = {(r["line"], r["tag"]) for r in reading.rejected.to_pylist()}
    assert refused == {(4, None), (5, "FLOW")}


@pytest.mark.parametrize("form", ["csv", "parquet", "zip"])
def test_a_path_that_names_no_tag_is_one_sentence(tmp_path, form) -> None:
    name = f"readme.{form}"
    put(tmp_path / name, packed(TEXT, form, "inside.csv"))
    with pytest.raises(ExportError) as caught:
        read_export(tmp_path / name, BY_NAME, TAGS, f"in/{name}")
    said = " ".join(str(caught.value).split())
    found = "inside.csv" if form == "zip" else name
    assert f"in/{name}: The path does not name the tag." in said
    assert f"tag_in_path: found '{found}'; expected a path that ends like '{{tag}}_*'" in said


def test_a_missing_column_is_named_without_the_tag(tmp_path) -> None:
    path = put(tmp_path / "tag=FLOW/e.csv", TEXT.replace("value", "reading").encode())
    with pytest.raises(ExportError, match="value_column") as caught:
        read_export(path, IN_FOLDER, TAGS)
    assert "tag_column" not in str(caught.value)


@pytest.mark.parametrize(
    ("export", "names"),
    [
        (replace(BY_NAME, tag_in_path="{tag}_*.csv"), ("FLOW_03.csv", "P 1%2F2_03.csv", "x.csv")),
        (IN_FOLDER, ("tag=FLOW/a.csv", "sub\\tag=P%201%2F2\\a.csv", "a.csv")),
    ],
)
def test_files_of_an_archive_name_their_tags(tmp_path, export, names) -> None:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w") as archive:
        for number, name in enumerate(names):
            archive.writestr(name, TEXT.replace("1.5", f"{number}.5"))
    path = put(tmp_path / "june.zip", sink.getvalue())
    reading = read_export(path, export, TAGS, "in/june.zip")
    assert [r[0] for r in rows(reading.samples)] == ["FLOW", "FLOW", "P 1/2", "P 1/2"]
    assert [r[2] for r in rows(reading.samples)] == [0.5, 2.5, 1.5, 2.5]
    (refused,) = reading.rejected.to_pylist()
    assert names[-1] in refused["reason"]


def test_a_folder_above_the_plant_names_nothing(tmp_path) -> None:
    """Tables must not depend on where the plant's folder stands."""
    path = put(tmp_path / "tag=FLOW" / "FLOW" / "e.csv", TEXT.encode())
    with pytest.raises(ExportError, match="tag_column"):
        read_export(path, IN_FOLDER, TAGS, "e.csv")
    with pytest.raises(ExportError, match="does not name the tag"):
        read_export(path, BY_FOLDER, TAGS, "e.csv")
