"""Finding export files: patterns, folders, links, and what is passed over."""

from __future__ import annotations

import os

import pytest

from pipeline.exports.letter_case import missed_by_case
from pipeline.exports.read import find_exports, read_export
from pipeline.plant.types import ExportFormat

TEXT = "time,tag,value\n2024-03-01T00:00:00Z,FLOW,1\n"


def fill(folder, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(TEXT)


def paths(folder, *patterns: str, exclude=()) -> list[str]:
    exports = [ExportFormat(pattern=p) for p in patterns]
    return [f.path for f in find_exports(folder, exports, exclude)]


def test_file_folder_and_glob(tmp_path) -> None:
    fill(tmp_path, "in/a.csv", "in/deep/b.csv", "c.csv", "c.txt")
    assert paths(tmp_path, "c.csv") == ["c.csv"]
    assert paths(tmp_path, "in") == ["in/a.csv", "in/deep/b.csv"]
    assert paths(tmp_path, "*.csv") == ["c.csv"]
    assert paths(tmp_path, "**/*.csv") == ["c.csv", "in/a.csv", "in/deep/b.csv"]
    assert paths(tmp_path, "i*") == ["in/a.csv", "in/deep/b.csv"]
    assert paths(tmp_path, "nothing*", "nowhere") == []


def test_a_name_that_is_no_utf_8(tmp_path) -> None:
    """Linux file names are bytes; the ledger and the tables hold text."""
    (tmp_path / os.fsdecode(b"P\xff.csv")).write_text(TEXT)
    (found,) = find_exports(tmp_path, [ExportFormat(pattern="*.csv")])
    assert found.path == "P\\xff.csv"
    assert read_export(found.file, found.export, ["FLOW"], found.path).counts.samples == 1


@pytest.mark.parametrize(
    ("pattern", "there", "wider", "number"),
    [
        ("in/*.csv", ["in/A.CSV", "in/B.Csv", "in/c.csv"], "in/*.[cC][sS][vV]", 2),
        ("in/p[12]_*.csv", ["in/P1_03.csv", "in/P1_04.CSV", "in/P3_03.csv"],
         "in/[pP][12]_*.[cC][sS][vV]", 2),
        ("in", ["In/a.csv"], "[iI][nN]", 1),
        ("in/*/x.csv", ["IN/1/x.csv"], "[iI][nN]/*/[xX].[cC][sS][vV]", 1),
        ("**/*.csv", ["in/1/x.CSV"], "**/*.[cC][sS][vV]", 1),
    ],
)  # fmt: skip
def test_files_left_out_for_their_letters_alone(tmp_path, pattern, there, wider, number) -> None:
    fill(tmp_path, *there)
    exports = [ExportFormat(pattern=pattern)]
    found = find_exports(tmp_path, exports)
    said = missed_by_case(tmp_path, exports, found)[pattern]
    assert f"{number} file(s) are left out" in said
    assert f"write the path as '{wider}'." in said
    # What is proposed meets them.
    assert len(paths(tmp_path, wider)) == len(found) + number
    found = find_exports(tmp_path, [ExportFormat(pattern=wider)])
    assert missed_by_case(tmp_path, [ExportFormat(pattern=wider)], found) == {}


def test_letters_left_out_on_purpose(tmp_path) -> None:
    """Another group takes them; what is absolute is looked for in its own folder only."""
    fill(tmp_path, "in/a.csv", "in/B.CSV")
    two = [ExportFormat(pattern=p) for p in ("in/*.csv", "in/*.CSV")]
    assert missed_by_case(tmp_path, two, find_exports(tmp_path, two)) == {}
    fill(tmp_path, "IN/c.csv")
    absolute = [ExportFormat(pattern=f"{tmp_path}/in/*.[cC][sS][vV]")]
    assert missed_by_case(tmp_path, absolute, find_exports(tmp_path, absolute)) == {}


def test_first_group_takes_a_file(tmp_path) -> None:
    fill(tmp_path, "a.csv", "b.csv")
    exports = [ExportFormat(pattern="b.csv"), ExportFormat(pattern="*.csv")]
    found = find_exports(tmp_path, exports)
    assert [(f.path, f.export.pattern) for f in found] == [("b.csv", "b.csv"), ("a.csv", "*.csv")]


def test_hidden_unfinished_and_lock_files_are_passed_over(tmp_path) -> None:
    fill(tmp_path, "in/a.csv", "in/.a.csv", "in/a.csv.tmp", "in/a.csv.part", "in/~$a.csv")
    fill(tmp_path, "in/_SUCCESS", "in/.git/a.csv", "in/_delta/a.csv", "in/a.csv~", "in/A.CSV.PART")
    assert paths(tmp_path, "in") == ["in/a.csv"]
    assert paths(tmp_path, "in/*") == ["in/a.csv"]


def test_folder_of_our_own_tables_is_no_export(tmp_path) -> None:
    fill(tmp_path, "a.csv", "data/store/1/x.csv")
    assert paths(tmp_path, ".", exclude=[tmp_path / "data"]) == ["a.csv"]


def test_links_are_followed_once(tmp_path) -> None:
    fill(tmp_path, "in/a.csv")
    (tmp_path / "in" / "loop").symlink_to(tmp_path / "in")
    (tmp_path / "in" / "gone.csv").symlink_to(tmp_path / "nowhere.csv")
    (tmp_path / "in" / "again.csv").symlink_to(tmp_path / "in" / "a.csv")
    assert paths(tmp_path, "in") == ["in/a.csv", "in/again.csv"]
    assert "in/a.csv" in paths(tmp_path, "**/*.csv")


def test_folder_named_like_a_file_and_names_with_brackets(tmp_path) -> None:
    fill(tmp_path, "e.csv/a.csv", "b[1].csv", "b1.csv")
    assert paths(tmp_path, "*.csv") == ["b1.csv", "b[1].csv", "e.csv/a.csv"]
    assert paths(tmp_path, "b[1].csv") == ["b[1].csv"]


def test_pipes_and_sockets_do_not_block(tmp_path) -> None:
    fill(tmp_path, "a.csv")
    os.mkfifo(tmp_path / "pipe.csv")
    assert paths(tmp_path, "*.csv") == ["a.csv"]


def test_exports_outside_the_plant_folder(tmp_path) -> None:
    fill(tmp_path, "share/a.csv", "plant/x.csv")
    assert paths(tmp_path / "plant", "../share/*.csv") == ["../share/a.csv"]
    assert paths(tmp_path / "plant", str(tmp_path / "share" / "*.csv")) == ["../share/a.csv"]


def test_a_reading_carries_the_label_it_was_given(tmp_path) -> None:
    fill(tmp_path, "a.csv")
    reading = read_export(tmp_path / "a.csv", ExportFormat(pattern="*"), ["FLOW"], "in/a.csv")
    assert reading.file == "in/a.csv"
