"""What sorting hides is counted alike however a file is cut into blocks."""

from __future__ import annotations

import itertools
from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.exports import spool
from pipeline.exports.disorder import OrderWatch
from pipeline.exports.read import read_export
from pipeline.exports.spool import spool_export
from pipeline.exports.streams import Text
from pipeline.plant.types import ExportFormat

MINUTE = 60_000_000


@st.composite
def files(draw) -> tuple[np.ndarray, np.ndarray]:
    """Tags and times in file order: stretches of rows a minute apart, each starting anywhere."""
    code, time = [], []
    for _ in range(draw(st.integers(1, 6))):
        start, rows = draw(st.integers(0, 40)), draw(st.integers(1, 12))
        tags = draw(st.sampled_from([[0], [1], [0, 1], [2, 0, 1]]))
        for row, tag in itertools.product(range(rows), tags):
            code.append(tag)
            time.append((start + row) * MINUTE)
    return np.array(code, np.int32), np.array(time)


def clock_set_back(time: np.ndarray) -> list[int]:
    """The definition, row by row, for one tag: steps back by more than two minutes from which
    five rows go forward, all below the time reached before."""
    found = []
    for row in range(1, len(time) - 4):
        ahead = time[row : row + 5]
        far = time[row - 1] - time[row] > 2 * MINUTE
        if far and (np.diff(ahead) >= 0).all() and ahead[-1] < time[:row].max():
            found.append(row)
    return found


def test_a_clock_set_back_is_not_one_late_row() -> None:
    set_back = np.array([*range(60), *range(30, 80)]) * MINUTE
    one_late = np.array([*range(60), 30, *range(60, 110)]) * MINUTE
    for time, back, clocks in ((set_back, 1, 1), (one_late, 1, 0), (np.sort(set_back), 0, 0)):
        watch = OrderWatch(1)
        watch.look(np.zeros(len(time), np.int32), time)
        assert watch.cells().total("out_of_order") == back
        assert watch.cells().total("clock_set_back") == clocks


@settings(max_examples=150, deadline=None)
@given(files(), st.lists(st.integers(0, 200), max_size=8))
def test_blocks_do_not_show(file: tuple[np.ndarray, np.ndarray], cuts: list[int]) -> None:
    code, time = file
    watch = OrderWatch(3)
    edges = sorted({0, len(time), *(c for c in cuts if c < len(time))})
    for low, high in itertools.pairwise(edges):
        watch.look(code[low:high], time[low:high])
    found = watch.cells()
    back = set_back = 0
    for tag in range(3):
        own = time[code == tag]
        falls = int((np.diff(own) < 0).sum())
        if falls and own[-1] < own[0] and 4 * falls >= 3 * (len(own) - 1):
            continue  # newest first
        back += falls
        set_back += len(clock_set_back(own))
    assert found.total("out_of_order") == back
    assert found.total("clock_set_back") == set_back


def test_newest_first_is_an_order_too() -> None:
    watch = OrderWatch(2)
    for start in (80, 60):
        watch.look(
            np.tile([0, 1], 20).astype(np.int32), np.repeat(start - np.arange(20), 2) * MINUTE
        )
    assert watch.descending.tolist() == [True, True]
    assert watch.cells().total("out_of_order") == 0


def test_rows_in_no_order_are_not_newest_first_because_they_end_on_an_old_one() -> None:
    watch = OrderWatch(3)
    watch.look(np.zeros(6, np.int32), np.array([5, 1, 6, 7, 8, 2]) * MINUTE)
    assert watch.descending.tolist() == [True, False, False]
    assert watch.cells().total("out_of_order") == 2


def test_rows_that_jump_over_the_turn_of_a_month_are_counted_once_and_alike(
    tmp_path, monkeypatch
) -> None:
    """One row of January stands after February's, and a logger goes back over the border."""
    stamps = [f"2026-01-31T23:{m:02d}:00Z" for m in range(40, 60)]
    stamps += [f"2026-02-01T00:{m:02d}:00Z" for m in range(20)]
    stamps += ["2026-01-31T23:00:00Z", "2026-02-01T00:20:00Z", "2026-02-01T00:21:00Z"]
    stamps += [f"2026-01-31T23:{m:02d}:30Z" for m in range(50, 60)]
    path = tmp_path / "e.csv"
    path.write_text("time,tag,value\n" + "".join(f"{s},FLOW,{i}\n" for i, s in enumerate(stamps)))
    export = ExportFormat(pattern="*")
    whole = read_export(path, export, ["FLOW"])
    monkeypatch.setattr(Text.blocks, "__defaults__", (256,))
    monkeypatch.setattr(spool, "BUFFERED_ROWS", 7)
    (tmp_path / "parts").mkdir()
    laid = spool_export(path, export, ["FLOW"], tmp_path / "parts")
    assert len(laid.parts) == 2
    assert whole.counts.out_of_order == laid.reading.counts.out_of_order == 2
    assert laid.reading.disorder.equals(whole.disorder)
    assert whole.disorder.column("clock_set_back").to_pylist() == [1]
    assert whole.disorder.column("out_of_order").to_pylist() == [2]
    samples = pa.concat_tables([laid.take(part).samples for part in laid.parts])
    assert samples.equals(whole.samples)


@pytest.mark.parametrize("zone", ["UTC", "Pacific/Auckland", "America/Sao_Paulo", "Asia/Kathmandu"])
def test_disorder_is_counted_by_days_of_the_station(tmp_path, monkeypatch, zone: str) -> None:
    monkeypatch.setattr(spool, "BUFFERED_ROWS", 2)
    clock = pd.Timestamp("2026-03-01T23:50", tz=zone)
    minutes = [0, 5, 5, 2, 11, 15, 15]  # out of order on the first day, doubled on both
    stamps = [(clock + pd.Timedelta(minutes=m)).isoformat() for m in minutes]
    path = tmp_path / "e.csv"
    path.write_text("time,tag,value\n" + "".join(f"{t},A,{i}\n" for i, t in enumerate(stamps)))
    whole = read_export(path, ExportFormat(pattern="*"), ["A"], day_zone=zone).disorder
    names = ["out_of_order", "identical_duplicates", "conflicting_duplicates"]
    assert whole.select(["day", *names]).to_pylist() == [
        {"day": date(2026, 3, day), **dict(zip(names, counts, strict=True))}
        for day, counts in ((1, (1, 0, 1)), (2, (0, 0, 1)))
    ]
    laid = spool_export(path, ExportFormat(pattern="*"), ["A"], tmp_path, day_zone=zone)
    parts = [laid.take(part).duplicates.table(list(laid.tags)) for part in laid.parts]
    pieces = pa.concat_tables([laid.reading.disorder, *parts])
    summed = pieces.group_by(["tag", "day"]).aggregate([(n, "sum") for n in names])
    assert summed.sort_by("day")["conflicting_duplicates_sum"].to_pylist() == [1, 1]
    assert summed.sort_by("day")["out_of_order_sum"].to_pylist() == [1, 0]
