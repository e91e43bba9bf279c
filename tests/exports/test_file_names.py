"""Tags guessed from the names of files: what is taken off, and what is not.

The names are of our own invention, in the forms that historians and spreadsheets give files
(common practice, no source).
"""

from __future__ import annotations

import fnmatch

import numpy as np
import pytest

from pipeline.exports.file_names import Span, name_tags
from pipeline.plant.path_template import tag_in_path

JUNE = Span(np.datetime64("2025-06-01"), np.datetime64("2025-06-30T23:59"))


def guessed(*paths: str, span: Span | None = JUNE) -> dict[str, str]:
    found = name_tags(dict.fromkeys(paths, span))
    for path, one in found.items():
        # The draft holds for the files it was made from.
        assert one.template is None or tag_in_path(one.template, path) == one.tag
        assert fnmatch.fnmatchcase(path, one.pattern)
    return {path: one.tag for path, one in found.items()}


@pytest.mark.parametrize(
    ("name", "tag"),
    [
        ("P1.FLOW.csv", "P1.FLOW"),
        ("P1.FLOW_2025-06.csv", "P1.FLOW"),
        ("P1_FLOW_2025_06.csv", "P1_FLOW"),
        ("P1 FLOW 20250601.csv", "P1 FLOW"),
        ("P1.FLOW_20250601T0000.csv.gz", "P1.FLOW"),
        ("P1.FLOW-01.06.2025.csv", "P1.FLOW"),
        ("P1.FLOW_2025-06-01_2025-06-30.csv", "P1.FLOW"),
        ("P1_FLOW_20250601_to_20250630.txt", "P1_FLOW"),
        ("2025-06_P1_FLOW.parquet", "P1_FLOW"),
        ("P1_FLOW_202506.csv", "P1_FLOW"),
        ("P1_FLOW_2025.csv", "P1_FLOW"),
        ("P1_FLOW_06.2025.csv", "P1_FLOW"),
        ("FT_06.2024.csv", "FT_06.2024"),
        ("P1%2FFLOW_2025.csv", "P1/FLOW"),
        # Numbers that are no time of the samples: an instrument, a part, a second tag.
        ("FT_2001.csv", "FT_2001"),
        ("FT_200112.csv", "FT_200112"),
        ("FT_2001_2025-06.csv", "FT_2001"),
        ("P1.FLOW_1.csv", "P1.FLOW_1"),
        ("P1.FLOW (2).csv", "P1.FLOW (2)"),
        ("P12025-06.csv", "P12025-06"),
        ("a[1]_2025-06.csv", "a[1]"),
        # Nothing but a date, or a word that names nothing.
        ("2025-06.csv", None),
        ("export.csv", None),
        ("data_2025-06.csv", None),
        ("trend 1.csv", None),
    ],
)
def test_one_name(name: str, tag: str | None) -> None:
    assert guessed(name) == ({} if tag is None else {name: tag})


def test_a_year_counts_only_where_the_samples_are_of_it() -> None:
    assert guessed("FT_2025.csv", span=None) == {"FT_2025.csv": "FT_2025"}
    (one,) = name_tags({"FT_2001.csv": JUNE}).values()
    assert "'2001' in it was kept, since its samples are of another time" in one.why


def test_a_word_goes_only_where_all_have_it() -> None:
    both = guessed("in/export_P1.FLOW_2025-06.csv", "in/export_P2.FLOW_2025-06.csv")
    assert list(both.values()) == ["P1.FLOW", "P2.FLOW"]
    one = guessed("in/export_P1.FLOW.csv", "in/P2.FLOW.csv")
    assert list(one.values()) == ["export_P1.FLOW", "P2.FLOW"]
    # What tags have in common is theirs.
    assert list(guessed("P1.FLOW.csv", "P1.LEVEL.csv").values()) == ["P1.FLOW", "P1.LEVEL"]


def test_folders_that_name_the_tag() -> None:
    dates = guessed("in/P1.FLOW/2025-06.csv", "in/P1.FLOW/2025-07.csv", "in/LT 1/2025-06.csv")
    assert list(dates.values()) == ["P1.FLOW", "P1.FLOW", "LT 1"]
    assert list(guessed("P1/trend.csv", "P2/trend.csv").values()) == ["P1", "P2"]
    assert list(guessed("P1/curve_2025-06.csv", "P2/curve_2025-06.csv").values()) == ["P1", "P2"]


def test_folders_of_a_date_part_no_tags() -> None:
    paths = ["in/2025/06/P1.FLOW.csv", "in/2025/07/P1.FLOW.csv", "in/2025/07/P2.FLOW.csv"]
    assert list(guessed(*paths).values()) == ["P1.FLOW", "P1.FLOW", "P2.FLOW"]
    found = name_tags(dict.fromkeys(paths, JUNE))
    assert {one.pattern for one in found.values()} == {"in/*/*/*.csv"}


def test_one_name_in_several_folders_is_several_tags() -> None:
    """Two stations with a FLOW each: one name would mix them."""
    paths = ["N/FLOW_2025-06.csv", "N/LEVEL_2025-06.csv", "S/FLOW_2025-06.csv"]
    found = name_tags(dict.fromkeys(paths, JUNE))
    assert [found[p].tag for p in paths] == ["N/FLOW", "LEVEL", "S/FLOW"]
    assert found[paths[0]].template is None
    assert fnmatch.fnmatchcase("N/FLOW_2025-07.csv", found[paths[0]].pattern)
    assert not fnmatch.fnmatchcase("S/FLOW_2025-07.csv", found[paths[0]].pattern)


def test_one_folder_name_in_several_places_is_several_tags() -> None:
    found = guessed("N/FLOW/2025-06.csv", "S/FLOW/2025-06.csv", "S/LEVEL/2025-06.csv")
    assert list(found.values()) == ["N/FLOW", "S/FLOW", "LEVEL"]


def test_names_of_any_length_take_no_time() -> None:
    assert guessed("_" * 250 + "2025-06-") == {"_" * 250 + "2025-06-": "_" * 250 + "2025-06-"}
    assert list(guessed("2025_" * 50 + "x.csv").values()) != [None]
