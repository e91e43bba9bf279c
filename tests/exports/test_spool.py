"""Exports laid down by month hold what reading them whole gives."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ExportError
from pipeline.exports import spool
from pipeline.exports.read import read_export
from pipeline.exports.reading import DISORDER_SCHEMA
from pipeline.exports.spool import spool_export
from pipeline.exports.streams import Text
from pipeline.plant.types import ExportFormat

TAGS = ["FLOW", "LEVEL", "ABSENT"]
LOCAL = ExportFormat(pattern="*", time_zone="Europe/Vienna")


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.setattr(Text.blocks, "__defaults__", (1 << 13,))
    monkeypatch.setattr(spool, "BUFFERED_ROWS", 500)
    (tmp_path / "parts").mkdir()
    return tmp_path


def write(path, is_shuffled: bool) -> None:
    rng = np.random.default_rng(9)
    times = pd.date_range("2024-08-20", "2024-11-10", freq="20min", tz="UTC")
    clocks = times.tz_convert("Europe/Vienna").strftime("%Y-%m-%d %H:%M:%S")
    rows = [f"{c},{TAGS[i % 2]},{i % 50}\n" for i, c in enumerate(clocks)]
    rows[100:100] = [*rows[90:95], rows[50].replace(",0", ",7"), "nonsense,FLOW,1\n"]
    if is_shuffled:
        rng.shuffle(rows)
    path.write_text("time,tag,value\n" + "".join(rows))


@pytest.mark.parametrize("is_shuffled", [False, True])
def test_parts_together_are_the_whole(place, is_shuffled: bool) -> None:
    path = place / "e.csv"
    write(path, is_shuffled)
    whole = read_export(path, LOCAL, TAGS)
    spooled = spool_export(path, LOCAL, TAGS, place / "parts")
    # August to November 2024, counted from January 1970.
    assert spooled.parts == tuple(54 * 12 + month for month in (7, 8, 9, 10))
    taken = [spooled.take(part) for part in spooled.parts]
    together = pa.concat_tables([t.samples for t in taken]).to_pandas()
    together = together.sort_values(["tag", "time"], ignore_index=True)
    pd.testing.assert_frame_equal(together, whole.samples.to_pandas())
    for name in ("identical_duplicates", "conflicting_duplicates"):
        assert sum(t.duplicates.total(name) for t in taken) == getattr(whole.counts, name)
    assert spooled.reading.counts.out_of_order == whole.counts.out_of_order > 0
    assert spooled.reading.rejected.equals(whole.rejected)
    assert spooled.reading.counts.rows == whole.counts.rows
    assert spooled.reading.counts.repeated_hour == whole.counts.repeated_hour
    pieces = [spooled.reading.disorder, *(t.duplicates.table(sorted(TAGS)) for t in taken)]
    keys = ["tag", "day"]
    disorder = pa.concat_tables(pieces).to_pandas().groupby(keys, as_index=False).sum()
    pd.testing.assert_frame_equal(disorder, whole.disorder.to_pandas())
    assert spooled.reading.disorder.schema == DISORDER_SCHEMA
    if not is_shuffled:
        assert whole.counts.repeated_hour == 6


def test_parts_of_ones_own(place) -> None:
    write(place / "e.csv", False)
    spooled = spool_export(
        place / "e.csv", LOCAL, TAGS, place / "parts", part_of=lambda time: time // 10**18
    )
    assert len(spooled.parts) == 1
    assert spooled.take(spooled.parts[0]).samples.equals(
        read_export(place / "e.csv", LOCAL, TAGS).samples
    )


def test_an_unfinished_file_has_no_parts(place) -> None:
    write(place / "e.csv", False)
    with (place / "e.csv").open("a") as file:
        file.write("2024-11-10 01:0")
    spooled = spool_export(place / "e.csv", LOCAL, TAGS, place / "parts")
    assert (spooled.reading.status, spooled.parts) == ("waiting", ())


def test_a_file_that_cannot_be_read_says_so(place) -> None:
    (place / "e.csv").write_text("a,b\n1,2\n")
    with pytest.raises(ExportError, match=r"^x: No line has the declared columns"):
        spool_export(place / "e.csv", LOCAL, TAGS, place / "parts", "x")


class InMemory:
    """Takes the rows of one part."""

    def __init__(self) -> None:
        self.pieces: list[pa.Table] = []

    def add(self, samples: pa.Table) -> None:
        self.pieces.append(samples)

    def take_back(self) -> pa.Table:
        return pa.concat_tables(self.pieces)


@pytest.mark.parametrize("disturbed", [None, 10, 650])
def test_rows_by_tag_and_time_go_straight_until_one_does_not(
    place, monkeypatch, disturbed: int | None
) -> None:
    monkeypatch.setattr(spool, "MOST_STRAIGHT", 3)
    clocks = pd.date_range("2024-07-30", "2024-11-10", freq="2h", tz="UTC").strftime("%FT%TZ")
    rows = [f"{c},{tag},{i % 50}\n" for tag in ("FLOW", "LEVEL") for i, c in enumerate(clocks)]
    if disturbed is not None:
        # A row of the 10th of September once more, after rows of other months.
        rows.insert(disturbed, "2024-09-10T00:00:00Z,FLOW,7\n")
    (place / "e.csv").write_text("time,tag,value\n" + "".join(rows))
    whole = read_export(place / "e.csv", LOCAL, TAGS)
    laid = spool_export(
        place / "e.csv", LOCAL, TAGS, place / "parts", straight=lambda _: InMemory()
    )
    # July to November 2024; the fourth to come does not fit, nor does what was disturbed.
    september = 54 * 12 + 8
    assert set(laid.straight) | set(laid.parts) == set(range(september - 2, september + 3))
    assert not set(laid.straight) & set(laid.parts)
    assert (september in laid.straight) == (disturbed is None)
    pieces = [one.take_back() for one in laid.straight.values()]
    pieces += [laid.take(part).samples for part in laid.parts]
    together = pa.concat_tables(pieces).to_pandas().sort_values(["tag", "time"], ignore_index=True)
    pd.testing.assert_frame_equal(together, whole.samples.to_pandas())


@settings(max_examples=60)
@given(
    st.lists(st.integers(0, 40), min_size=1, max_size=300),
    st.integers(1, 60),
    st.booleans(),
)
def test_cuts_between_parts_are_those_of_every_row(days, step: int, is_sorted: bool) -> None:
    time = np.repeat(np.array(sorted(days) if is_sorted else days), step)
    heads, part = spool._cuts(time, lambda t: t // 10)
    every = time // 10
    expected = np.flatnonzero(np.append(True, every[1:] != every[:-1]))
    assert heads.tolist() == expected.tolist()
    assert part.tolist() == every[expected].tolist()
