"""Templates that say where a path names its tag.

What fits is held against the standard library's ``fnmatch``, tried at every place.
"""

from __future__ import annotations

import fnmatch

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.plant.path_template import TAG, tag_in_path, template_fault


@pytest.mark.parametrize(
    ("template", "path", "tag"),
    [
        ("{tag}.csv", "in/P1.FLOW.csv", "P1.FLOW"),
        ("{tag}_*.csv", "in/P1_FLOW_2025-06.csv", "P1_FLOW"),
        ("{tag}_*_*.csv", "in/P1_FLOW_2025-06_2025-07.csv", "P1_FLOW"),
        ("{tag}_[0-9]*.csv", "P1_FLOW.csv", None),
        ("{tag}_????-??.csv", "P1_FLOW_2025-06.csv", "P1_FLOW"),
        ("export_{tag}.csv", "in/EXPORT_P1 FLOW.CSV", "P1 FLOW"),
        ("export_{tag}.csv", "in/P1.FLOW.csv", None),
        ("{tag}/*.csv", "in/LT 1/2025-06.csv", "LT 1"),
        ("{tag}/*/*.csv", "in/LT1/2025/06.csv", "LT1"),
        ("{tag}/*.csv", "LT1.csv", None),
        ("{tag}/*.csv", "in/LT1/06.txt", None),
        ("tag-{tag}/part-*", "in/tag-LT1/part-0.parquet", "LT1"),
        # Escapes of RFC 3986; what makes no UTF-8 is left as it is.
        ("{tag}.csv", "FT%201%2FA.csv", "FT 1/A"),
        ("{tag}.csv", "valve %ff.csv", "valve %ff"),
        ("{tag}_*.csv", "_2025.csv", None),
        ("{tag}_*.csv", " _2025.csv", None),
        ("{tag}[[]*", "a[1].csv", "a"),
        ("{tag}.csv", "..%2F..%2Fetc.csv", "../../etc"),
    ],
)
def test_what_a_path_names(template: str, path: str, tag: str | None) -> None:
    assert template_fault(template) is None
    assert tag_in_path(template, path) == tag


NAMES = st.text("ab_1.", min_size=1, max_size=9)
PIECES = st.lists(st.sampled_from(["a", "_", "1", ".", "*", "?", "[ab]", "[!1]"]), max_size=4)


@settings(max_examples=100, deadline=None)
@given(head=PIECES, tail=PIECES, name=NAMES)
def test_the_longest_text_that_fits(head, tail, name) -> None:
    before, after = "".join(head), "".join(tail)
    places = [
        (end - start, name[start:end])
        for start in range(len(name))
        for end in range(start + 1, len(name) + 1)
        if fnmatch.fnmatchcase(name[:start], before) and fnmatch.fnmatchcase(name[end:], after)
    ]
    found = tag_in_path(before + TAG + after, name)
    longest = max(places, default=(0, None))[0]
    assert (0 if found is None else len(found)) == longest
    if found is not None:
        assert (longest, found) in places


def test_no_template_takes_long() -> None:
    """A backtracking expression would try more ways than there are atoms on Earth."""
    assert tag_in_path("*_" * 100 + "{tag}", "_" * 250 + "a") == "_" * 150 + "a"
    assert tag_in_path("{tag}" + "_*" * 100 + "b", "a" + "_" * 5000) is None


@pytest.mark.parametrize(
    ("template", "found"),
    [
        ("*_*.csv", "'*_*.csv'"),
        ("{tag}/{tag}.csv", "'{tag}/{tag}.csv'"),
        ("{tag}*.csv", "'{tag}*.csv', where nothing tells where the tag ends"),
        ("*{tag}.csv", "'*{tag}.csv', where nothing tells where the tag begins"),
        ("/data/{tag}.csv", "'/data/{tag}.csv'"),
        ("../{tag}.csv", "'../{tag}.csv'"),
        ("**/{tag}.csv", "'**/{tag}.csv'"),
        ("~/{tag}.csv", "'~/{tag}.csv'"),
    ],
)
def test_templates_that_say_nothing(template: str, found: str) -> None:
    wrong = template_fault(template)
    assert wrong is not None
    assert wrong[0] == found
