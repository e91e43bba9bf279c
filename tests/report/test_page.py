"""The page as a file: whole, harmless, small, and honest about what is missing."""

import json
import zlib
from base64 import b64decode
from html.parser import HTMLParser

import pytest

from pipeline.report import write_page
from pipeline.tables.store import open_tables

HOSTILE = "<script>alert(1)</script>"
HOSTILE_TEXT = "</script><img src=x onerror=\"document.title='broken'\">"


class Page(HTMLParser):
    """Elements, texts and attributes of a page."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.tags, self.attributes, self.texts, self.scripts = [], [], [], []
        self.inside = ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += [(tag, *pair) for pair in attrs]
        self.inside = tag
        if tag == "script":
            self.scripts.append((dict(attrs), []))

    def handle_endtag(self, tag):
        self.inside = ""

    def handle_data(self, data):
        if self.inside == "script":
            self.scripts[-1][1].append(data)
        elif self.inside != "style":
            self.texts.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.texts).split())


@pytest.fixture(scope="module")
def page(page_path):
    return Page(page_path.read_text("utf-8"))


def test_names_and_sentences_are_text_only(page):
    """What looks like an element in a pump's name or a flag stays text."""
    assert page.text.count(HOSTILE) >= 3
    assert HOSTILE_TEXT in page.text
    for said in ("shift leader", "spares ordered", "strainer"):
        assert f"{said} {HOSTILE_TEXT}" in page.text
    assert "img" not in page.tags
    assert not [a for a in page.attributes if a[1].startswith("on")]
    running = [s for s in page.scripts if s[0].get("type") != "text/plain"]
    assert len(running) == 1
    assert "alert" not in "".join(running[0][1])
    assert "Works <b>& more</b>" in page.text


def test_packed_figures_are_whole_and_cannot_leave_their_element(page):
    """Base64 alone inside, and the same figures come out."""
    packed = [s for s in page.scripts if s[0].get("class") == "figures"]
    assert [s[0]["data-pump"] for s in packed] == ["pump-1", "pump-2", "pump-3"]
    for _, parts in packed:
        held = json.loads(zlib.decompress(b64decode("".join(parts), validate=True)))
        assert set(held) == {
            "efficiency",
            "deviation",
            "curve",
            "suction",
            "level_only",
            "cost",
            "quality",
        }


def test_nothing_is_fetched(page):
    """No address outside the page, and a policy that forbids any."""
    for tag, name, value in page.attributes:
        if name in ("src", "href", "action", "data", "poster", "srcset"):
            assert (value or "").startswith(("#", "data:,")), (tag, name, value)
    (policy,) = [v for t, n, v in page.attributes if t == "meta" and n == "content" and "src" in v]
    assert "default-src 'none'" in policy
    assert "script-src 'sha256-" in policy
    assert "unsafe-eval" not in policy


def test_every_part_is_on_the_page(page):
    """Flags with sentence and check, cautions, units, run information."""
    for words in (
        "Read near shut-off head.",
        "internal leakage, flow meter error",
        "Do not use them for trips or alarms",
        "isolation, lock-out and the site's permit",
        "m³/h",
        "could not be read",
        "Evidence up to",
        "text where a number belongs",
        "ISO 9906",
        "JCGM 100",
    ):
        assert words in page.text, words


def test_overview_says_what_the_tables_say(page):
    """First pump of the fixture: 70.0 %, sure to 2.0 points, 900 EUR a year, measured."""
    start = page.text.index("Open flags P1 70.0")
    row = page.text[start : start + 160].replace("\N{NO-BREAK SPACE}", " ")
    assert "70.0 % ± 2.0 points −2.0 % −1.3 %" in row
    assert "900 EUR ± 100 EUR measured 100 % of points measured" in row


def test_ids_are_unique_and_links_lead_somewhere(page):
    ids = [v for _, n, v in page.attributes if n == "id"]
    assert len(ids) == len(set(ids))
    for _, name, value in page.attributes:
        if name == "href" and value.startswith("#"):
            assert value[1:] in ids
        if name == "aria-labelledby":
            assert value in ids


def test_same_tables_give_the_same_bytes(tables, plant, page_path, tmp_path):
    again = write_page(tables, plant, tmp_path / "again.html")
    assert again.read_bytes() == page_path.read_bytes()


def test_an_older_page_is_replaced_whole(bare_tables, plant, tmp_path):
    """Nothing but the page is left behind."""
    target = tmp_path / "page.html"
    target.write_text("old")
    assert write_page(bare_tables, plant, target) == target
    assert target.read_text("utf-8").rstrip().endswith("</html>")
    assert [p.name for p in tmp_path.iterdir()] == ["page.html"]


def test_missing_tables_are_named_not_drawn(bare_tables, plant, tmp_path):
    """No flags table is not the same as no flag, and no plot is drawn empty."""
    page = Page(write_page(bare_tables, plant, tmp_path / "page.html").read_text("utf-8"))
    assert "The table of pumps has not been made yet" in page.text
    assert "That is not the same as no flag." in page.text
    assert "No run is recorded" in page.text
    assert "No flag is open" not in page.text
    assert not [a for a in page.attributes if a[1] == "class" and a[2] == "canvas"]
    assert not [s for s in page.scripts if s[0].get("class") == "figures"]


def test_page_of_two_years_is_small(page_path):
    """Most of it is the plotting library, 1.9 MB."""
    assert page_path.stat().st_size < 3_500_000


@pytest.mark.slow
def test_page_of_ten_pumps_over_five_years_is_small(make_data, make_plant, tmp_path):
    """Stated bound for a big station: 8 MB."""
    pumps = tuple(f"Pump {i}" for i in range(1, 11))
    tables = open_tables(make_data(tmp_path / "data", pumps, years=5, hours_between=3))
    path = write_page(tables, make_plant(tmp_path, pumps), tmp_path / "page.html")
    page = Page(path.read_text("utf-8"))
    assert len([s for s in page.scripts if s[0].get("class") == "figures"]) == 10
    assert path.stat().st_size < 8_000_000
