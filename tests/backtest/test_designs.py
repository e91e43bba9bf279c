"""What each way of hiding a gauge leaves, and where gauges count as trusted."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest

from pipeline.backtest.designs import (
    DESIGNS,
    MOST_WINDOWS,
    Span,
    known_rows,
    survey_rows,
    trusted_spans,
    window_cuts,
)
from pipeline.months import months_between

START = pd.Timestamp("2025-01-01", tz="UTC")
BY_NAME = {d.name: d for d in DESIGNS}


def rows_of(days, pumps=("A", "B")):
    pieces = []
    for pump in pumps:
        time = pd.date_range(START, periods=days * 24, freq="h").as_unit("us")
        pieces.append(
            pd.DataFrame(
                {
                    "pump": pump,
                    "time": time,
                    "spot": False,
                    "state": np.where(time.hour % 2 == 0, "running", "stopped"),
                    "steady": True,
                    "reading": 1.0,
                    "flow_branch": time.hour / 100.0,
                    "month": time.strftime("%Y-%m"),
                }
            )
        )
    spot = pieces[0].iloc[[10]].assign(spot=True, reading=2.0)
    return pd.concat([pieces[0], spot, *pieces[1:]], ignore_index=True)


@pytest.fixture
def windows():
    edges = [START + pd.Timedelta(days=10 * k) for k in range(5)]
    return list(itertools.pairwise(edges))


def left(design, windows, window):
    rows = rows_of(40)
    before = rows[rows["time"] < windows[window][0]]
    kept = known_rows(before, "A", BY_NAME[design], windows, window)
    # Sisters stay whole under every way of hiding.
    assert (kept["pump"] == "B").sum() == 240 * window
    return kept[kept["pump"] == "A"]


def test_the_whole_span_leaves_surveys_only(windows):
    own = left("whole_span", windows, 2)
    assert own["spot"].tolist() == [True]


def test_sisters_only_leave_nothing_of_its_own(windows):
    assert left("sister_only", windows, 2).empty


def test_a_growing_window_leaves_all_before(windows):
    own = left("growing_window", windows, 3)
    assert (~own["spot"]).sum() == 720
    assert own["time"].max() < windows[3][0]


def test_blocks_leave_every_other_window(windows):
    own = left("blocks", windows, 3)
    gauge = own[~own["spot"]]
    assert len(gauge) == 480
    inside = (gauge["time"] >= windows[1][0]) & (gauge["time"] < windows[1][1])
    assert not inside.any()


def test_a_survey_leaves_three_readings_of_the_first_window(windows):
    own = left("survey_only", windows, 3)
    taken = own[own["time"] != START + pd.Timedelta(hours=10)]
    assert taken["spot"].all()
    assert len(taken) == 3
    assert (taken["time"] < windows[0][1]).all()
    assert (taken["state"] == "running").all()
    # Low, usual and high flow: running hours have 0, 2 ... 22 hundredths.
    assert sorted(taken["flow_branch"]) == pytest.approx([0.02, 0.10, 0.20], abs=0.021)


def test_scored_windows():
    scored = {name: [d.is_scored(w) for w in range(4)] for name, d in BY_NAME.items()}
    assert scored == {
        "whole_span": [True] * 4,
        "sister_only": [True] * 4,
        "blocks": [False, True, False, True],
        "growing_window": [False, True, True, True],
        "survey_only": [False, True, True, True],
    }


def test_survey_of_a_pump_that_stood():
    rows = rows_of(2).assign(state="stopped")
    assert survey_rows(rows).empty


def spans(rows, bad):
    return trusted_spans(rows, bad, line="L", epoch=START, end=START + pd.Timedelta(days=400))


def test_a_fault_ends_a_span():
    rows = rows_of(90, pumps=("A",))
    day = (rows["time"] - START) / pd.Timedelta("1D")
    found = spans(rows, (day >= 30) & (day < 35))
    assert [(s.start, s.end) for s in found] == [
        (START, START + pd.Timedelta(days=29, hours=23)),
        (START + pd.Timedelta(days=35), START + pd.Timedelta(days=89, hours=23)),
    ]
    assert found[0].hours == 30 * 12


def test_a_short_stop_does_not_end_a_span_and_a_long_one_does():
    rows = rows_of(200, pumps=("A",))
    day = (rows["time"] - START) / pd.Timedelta("1D")
    good = pd.Series(False, index=rows.index)
    for length, count in ((30, 1), (80, 2)):
        silent = rows.assign(reading=rows["reading"].where((day < 50) | (day >= 50 + length)))
        assert len(spans(silent, good)) == count


def test_a_gauge_in_fault_gives_no_span():
    rows = rows_of(90, pumps=("A",))
    assert spans(rows, pd.Series(True, index=rows.index)) == []


@pytest.mark.parametrize(("years", "least"), [(0.1, 4), (1, 12), (5, 15)])
def test_windows_are_few_and_cover_everything(years, least):
    end = START + pd.Timedelta(days=round(365.25 * years))
    cuts = window_cuts(months_between(START, end, "UTC"), START, end, "UTC")
    assert least <= len(cuts) - 1 <= MOST_WINDOWS + 1
    assert (cuts[0], cuts[-1]) == (START, end)
    assert cuts == sorted(cuts)
    span = Span(pump="A", line="L", epoch=START, start=START, end=end, hours=100)
    pieces = span.windows(cuts)
    assert pieces[0][0] == START
    assert pieces[-1][1] == end
    assert all(a[1] == b[0] for a, b in itertools.pairwise(pieces))
