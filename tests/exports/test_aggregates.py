"""Conformance with the example tables of OPC 10000-13, and cases the tables do not reach."""

from __future__ import annotations

import csv
import itertools
import math
from collections import Counter
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from pipeline.errors import ContractError
from pipeline.exports.aggregates import (
    AGGREGATES,
    AggregateSettings,
    aggregate,
    interval_edges,
)
from pipeline.exports.grid_kernel import TagSettings, grid_tag, scaled_value

REFERENCE = Path(__file__).parents[1] / "reference"
SECOND = 1_000_000
REQUEST = (12 * 3600 * SECOND, (12 * 3600 + 100) * SECOND)
SEVERITY = {"Good": 0, "Uncertain": 1, "UncertainDataSubNormal": 1, "Bad": 2, "BadNoData": 2}


def read(name):
    with (REFERENCE / f"opc_10000_13_{name}.csv").open() as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def microseconds(clock):
    hours, minutes, seconds = clock.split(":")
    return (int(hours) * 3600 + int(minutes) * 60) * SECOND + round(float(seconds) * SECOND)


def number(text):
    words = {"": np.nan, "false": 0.0, "true": 1.0}
    return words[text] if text in words else float(text)


def historian(dataset):
    rows = [row for row in read("raw") if row["dataset"] == dataset]
    return (
        np.array([microseconds(row["timestamp"]) for row in rows]),
        np.array([number(row["value"]) for row in rows]),
        np.array([SEVERITY[row["status"]] for row in rows], np.int8),
    )


def historian_settings(dataset):
    (row,) = [row for row in read("settings") if row["dataset"] == dataset]
    return AggregateSettings(
        stepped=row["stepped"] == "true",
        treat_uncertain_as_bad=row["treat_uncertain_as_bad"] == "true",
        percent_data_bad=float(row["percent_data_bad"]),
        percent_data_good=float(row["percent_data_good"]),
        sloped_extrapolation=row["use_sloped_extrapolation"] == "true",
    )


def contradiction(row):
    """Which part of a published row contradicts the rest of the file, and why."""
    what = (row["aggregate"], row["dataset"])
    at = row["interval_start"].removesuffix(".000")
    if what == ("TimeAverage", "Historian3") and at < "12:01:30":
        return "value, status", "a stepped historian on a sloped line; its own Total is stepped"
    stepped = row["dataset"] in ("Historian3", "Historian4")
    if row["aggregate"] in ("DurationBad", "PercentBad") and at == "12:01:20" and stepped:
        return "value", "0 beside the 3000 ms of Historian2 with the same samples and settings"
    if row["aggregate"] in ("TimeAverage2", "Total2"):
        if (row["dataset"], at) == ("Historian2", "12:01:30"):
            return "value, status", "none where the same rule gives one for Historian1, 3 and 5"
        if row["dataset"] == "Historian3" and at in (
            "12:00:40",
            "12:00:45",
            "12:01:15",
            "12:01:20",
        ):
            return "status", "60 % bad is over its limit of 50 %, yet Uncertain and not Bad"
    return None


def published_value(row):
    if row["aggregate"] == "WorstQuality" and row["value"]:
        return float(SEVERITY[row["value"]])
    return number(row["value"])


def agrees(row, value, status, time, partial, left_out):
    """Which parts of a row differ."""
    differs = []
    expected = published_value(row)
    digits = len(row["value"].partition(".")[2])
    # Published with three or four decimals: half a unit of the last one.
    near = abs(value - expected) <= 0.5 * 10.0**-digits + 1e-9 if digits else value == expected
    if not near and not (np.isnan(value) and np.isnan(expected)) and "value" not in left_out:
        differs.append(f"value {value}")
    if status != SEVERITY[row["status"]] and "status" not in left_out:
        differs.append(f"status {status}")
    if time != microseconds(row["returned_timestamp"]):
        differs.append(f"time {time}")
    if row["value"] and partial != ("Partial" in row["info_bits"]):
        differs.append(f"partial {partial}")
    return differs


def test_every_row_of_the_standards_tables_but_those_that_contradict_themselves(capsys):
    rows = read("expected")
    ours = [row for row in rows if row["aggregate"] in AGGREGATES]
    count, left_out, wrong = Counter(), Counter(), []
    for name, dataset, interval in dict.fromkeys(
        (row["aggregate"], row["dataset"], row["interval_ms"]) for row in ours
    ):
        table = [r for r in ours if (r["aggregate"], r["dataset"]) == (name, dataset)]
        edges = interval_edges(*REQUEST, int(interval) * 1000)
        settings = historian_settings(dataset)
        got = aggregate(name, *historian(dataset), edges, settings)
        assert [microseconds(r["interval_start"]) for r in table] == edges[:-1].tolist()
        for row, value, status, time, partial in zip(table, *got, strict=True):
            known = contradiction(row)
            if known:
                left_out[known] += 1
            differs = agrees(row, value, status, time, partial, known[0] if known else "")
            wrong += [(row, differs)] if differs else []
            count[name] += not differs and not known
    assert wrong == []
    with capsys.disabled():
        matched = count.total()
        print(
            f"\nOPC 10000-13: {matched} of the {len(ours)} rows of {len(count)} aggregates match "
            f"({len(rows)} rows of all aggregates); {left_out.total()} left out:"
        )
        for (part, why), n in left_out.items():
            print(f"  {n:3} rows, {part}: {why}")
    assert (matched, left_out.total(), len(ours)) == (len(ours) - 32, 32, len(ours))


def test_sloped_and_stepped_interpolation_and_extrapolation():
    """OPC 10000-13, clause 3.1.6, Table 1."""
    rows = read("steps")
    raw = [row for row in rows if row["raw"]]
    time = np.array([microseconds(row["timestamp"]) for row in raw])
    value = np.array([float(row["raw"]) for row in raw])
    wanted = [row for row in rows if not row["raw"]]
    at = np.array([microseconds(row["timestamp"]) for row in wanted] + [REQUEST[1]])
    good = np.zeros(3, np.int8)
    for column, settings in (
        ("sloped", AggregateSettings(sloped_extrapolation=True)),
        ("stepped", AggregateSettings(stepped=True)),
    ):
        got = aggregate("Interpolative", time, value, good, at, settings)
        assert got.value.tolist() == [float(row[column]) for row in wanted]
        assert got.status.tolist() == [int(row["kind"] == "extrapolated") for row in wanted]


@pytest.mark.parametrize("dataset", ["Historian1", "Historian3", "Historian5"])
def test_the_jobs_grid_gives_the_standards_time_average_2(dataset):
    """The published values, wherever two samples bound the interval.

    Historian2 is left to the aggregates: the grid keeps the value held before a sample that is
    not usable, the standard drops it past an interval's edge. The interval that starts at the
    last sample is published with one millisecond of data; the grid holds nothing there.
    """
    settings = historian_settings(dataset)
    tag = TagSettings(
        max_gap_us=100 * SECOND,
        interpolation="step" if settings.stepped else "linear",
        uncertain_is_usable=not settings.treat_uncertain_as_bad,
    )
    got = grid_tag(*historian(dataset), tag, 5 * SECOND, REQUEST[0], 20)
    value = scaled_value(got, tag)
    checked = 0
    for row, ours in zip(
        [
            r
            for r in read("expected")
            if (r["aggregate"], r["dataset"]) == ("TimeAverage2", dataset)
        ],
        value,
        strict=True,
    ):
        if row["interval_start"] == "12:01:30.000":
            assert np.isnan(ours)
            continue
        np.testing.assert_allclose(ours, number(row["value"]), atol=5.1e-4)
        checked += 1
    assert checked == 19


TIMES = np.array([0, 10, 20, 30, 40, 50]) * SECOND
ONE_TO_SIX = np.arange(1.0, 7.0)
GOOD = np.zeros(6, np.int8)


@pytest.mark.parametrize("name", AGGREGATES)
def test_no_samples_give_no_value_and_bad(name):
    none = np.zeros(0)
    edges = np.array([0, 10, 20])
    got = aggregate(
        name, none.astype(np.int64), none, none.astype(np.int8), edges, AggregateSettings()
    )
    assert np.isnan(got.value).all()
    assert got.status.tolist() == [2, 2]
    assert not got.partial.any()


@pytest.mark.parametrize("name", AGGREGATES)
def test_only_bad_samples_give_no_measured_value(name):
    got = aggregate(name, TIMES, ONE_TO_SIX, np.full(6, 2, np.int8), TIMES[:3], AggregateSettings())
    expected = {
        "DurationGood": 0.0,
        "DurationBad": 10_000.0,
        "PercentGood": 0.0,
        "PercentBad": 100.0,
        "WorstQuality": 2.0,
    }
    np.testing.assert_array_equal(got.value, [expected.get(name, np.nan)] * 2)


def test_an_interval_without_samples_inside_the_archive():
    edges = np.array([11, 19, 31]) * SECOND
    results = {
        name: aggregate(name, TIMES, ONE_TO_SIX, GOOD, edges, AggregateSettings())
        for name in AGGREGATES
    }
    # On the line 1 + t / 10 s from 11 s to 19 s, by hand.
    assert results["Interpolative"].value[0] == pytest.approx(2.1)
    assert results["TimeAverage"].value[0] == pytest.approx(2.5)
    assert results["TimeAverage2"].value[0] == pytest.approx(2.5)
    assert results["Total2"].value[0] == pytest.approx(20.0)
    assert results["Count"].value[0] == 0
    assert results["PercentGood"].value[0] == 100
    for name in ("Average", "Minimum", "Maximum", "Range", "Delta", "Start", "End"):
        assert np.isnan(results[name].value[0])
        assert results[name].status[0] == 2
    # And the interval after it holds the samples at 20 s and 30 s.
    assert results["Average"].value[1] == 3.5
    assert results["Start"].time[1] == 20 * SECOND
    assert results["End"].time[1] == 30 * SECOND


def test_samples_outside_the_request_count_nowhere():
    edges = np.array([20, 40]) * SECOND
    for name, value in {
        "Count": 2,
        "Average": 3.5,
        "Minimum": 3,
        "Maximum": 4,
        "Range": 1,
        "Delta": 1,
        "VariancePopulation": 0.25,
        "StandardDeviationPopulation": 0.5,
        "VarianceSample": 0.5,
        "TimeAverage": 4,
        "TimeAverage2": 4,
        "WorstQuality": 0,
    }.items():
        quality = np.array([2, 0, 0, 0, 0, 2], np.int8)
        got = aggregate(name, TIMES, ONE_TO_SIX, quality, edges, AggregateSettings())
        assert got.value.tolist() == [value], name


def test_variance_is_taken_about_each_intervals_own_mean():
    """Large level, small spread: a difference of squares would lose every digit."""
    value = 1e9 + np.array([0.0, 1.0, 2.0, 0.0, 1.0, 2.0])
    edges = np.array([0, 30, 60]) * SECOND
    got = aggregate("VarianceSample", TIMES, value, GOOD, edges, AggregateSettings())
    assert got.value.tolist() == [1.0, 1.0]


def test_wrong_requests_are_refused():
    run = (TIMES, ONE_TO_SIX, GOOD)
    with pytest.raises(ContractError, match="found 'Mean'; expected one of Interpolative"):
        aggregate("Mean", *run, TIMES, AggregateSettings())
    with pytest.raises(ContractError, match="not sorted"):
        aggregate("Count", TIMES[::-1], ONE_TO_SIX, GOOD, TIMES, AggregateSettings())
    with pytest.raises(ContractError, match="not sorted"):
        aggregate("Count", *run, TIMES[::-1], AggregateSettings())
    with pytest.raises(ContractError, match="percent_data_bad: found 120"):
        AggregateSettings(percent_data_bad=120)
    with pytest.raises(ContractError, match="percent_data_good: found 20; expected at least"):
        AggregateSettings(percent_data_bad=50, percent_data_good=20)
    with pytest.raises(ContractError, match="resolution_us: found 0"):
        AggregateSettings(resolution_us=0)


class ByDefinition:
    """The definitions of OPC 10000-13, 3.1 and 5.4.3, one sample and one piece at a time.

    Exact fractions, and only what the definitions say without their example tables: values of
    intervals that lie between the first and the last sample of the archive.
    """

    def __init__(self, rows, start, end, settings):
        self.settings = settings
        self.rows = rows
        self.inside = [row for row in rows if start <= row[0] < end]
        self.good = [Fraction(v) for _, v, q in self.inside if q == 0]
        # Pieces of the interval, each within two neighbouring samples of any quality.
        self.pieces = []
        for left, right in itertools.pairwise(rows):
            low, high = max(left[0], start), min(right[0], end)
            if low < high:
                self.pieces.append((left, right, low, high))

    def _quality(self, left, right, low):
        """Quality of a piece: its sample's, or at an interval's edge that of a simple bound."""
        if low > left[0] and left[2] < 2 and right[2] > 0 and not self.settings.stepped:
            return 1  # between two samples of which the second is not good
        return left[2]

    def _carries(self, quality):
        return quality == 0 or (quality == 1 and not self.settings.treat_uncertain_as_bad)

    def _at(self, left, right, time):
        """Value of a piece: straight to the next usable sample, else held."""
        if self.settings.stepped or not self._carries(right[2]):
            return Fraction(left[1])
        rise = Fraction(right[1] - left[1]) * (time - left[0]) / (right[0] - left[0])
        return left[1] + rise

    def total_2(self):
        usable = [piece for piece in self.pieces if self._carries(self._quality(*piece[:3]))]
        parts = [
            (self._at(left, right, low) + self._at(left, right, high)) / 2 * (high - low)
            for left, right, low, high in usable
        ]
        length = sum(high - low for _, _, low, high in usable)
        return (sum(parts), length) if length else (None, 0)

    def value(self, name):
        total, length = self.total_2()
        whole = sum(high - low for _, _, low, high in self.pieces)
        lasted = {
            "Good": sum(p[3] - p[2] for p in self.pieces if self._quality(*p[:3]) == 0),
            "Bad": sum(
                p[3] - p[2] for p in self.pieces if not self._carries(self._quality(*p[:3]))
            ),
        }
        if name == "Total2":
            return total
        if name == "TimeAverage2":
            return total / length if length else None
        if name.startswith("Duration"):
            return 1000 * lasted[name.removeprefix("Duration")]
        if name.startswith("Percent"):
            return Fraction(100 * lasted[name.removeprefix("Percent")], whole)
        if name == "Count":
            only_bad = self.inside and all(q == 2 for _, _, q in self.inside)
            return None if only_bad else len(self.good)
        if name == "WorstQuality":
            return max((q for _, _, q in self.inside), default=None)
        return self._of_good(name)

    def _of_good(self, name):
        n = len(self.good)
        if not n:
            return None
        mean = sum(self.good) / n
        squares = sum((v - mean) ** 2 for v in self.good)
        return {
            "Minimum": min(self.good),
            "Maximum": max(self.good),
            "Range": max(self.good) - min(self.good),
            "Average": mean,
            "Delta": self.good[-1] - self.good[0],
            "VariancePopulation": squares / n,
            "VarianceSample": squares / max(n - 1, 1),
            "StandardDeviationPopulation": math.sqrt(squares / n),
            "StandardDeviationSample": math.sqrt(squares / max(n - 1, 1)),
        }[name]


NAMES = ("Total2", "TimeAverage2", "Count", "WorstQuality", "Minimum", "Maximum", "Range")
NAMES += ("Average", "Delta", "VariancePopulation", "VarianceSample")
NAMES += ("StandardDeviationPopulation", "StandardDeviationSample")
NAMES += ("DurationGood", "DurationBad", "PercentGood", "PercentBad")


@examples(max_examples=30, deadline=None)
@given(
    steps=st.lists(st.integers(1, 25), min_size=3, max_size=25),
    data=st.data(),
    stepped=st.booleans(),
    uncertain_is_bad=st.booleans(),
    interval=st.integers(1, 40),
)
def test_irregular_samples_against_the_definitions(
    steps, data, stepped, uncertain_is_bad, interval
):
    times = np.cumsum([0, *steps])
    n = len(times)
    values = data.draw(st.lists(st.integers(-1000, 1000), min_size=n, max_size=n))
    qualities = data.draw(st.lists(st.sampled_from([0, 0, 0, 1, 2]), min_size=n, max_size=n))
    first = data.draw(st.integers(0, int(times[-1]) - 1))
    last = data.draw(st.integers(first + 1, int(times[-1])))
    chosen = AggregateSettings(stepped=stepped, treat_uncertain_as_bad=uncertain_is_bad)
    edges = interval_edges(first * SECOND, last * SECOND, interval * SECOND)
    rows = list(zip(times.tolist(), values, qualities, strict=True))
    bounds = list(itertools.pairwise((edges // SECOND).tolist()))
    for name in NAMES:
        expected = [ByDefinition(rows, *one, chosen).value(name) for one in bounds]
        got = aggregate(
            name,
            times * SECOND,
            np.array(values, dtype=float),
            np.array(qualities, np.int8),
            edges,
            chosen,
        )
        wanted = [np.nan if v is None else float(v) for v in expected]
        np.testing.assert_allclose(got.value, wanted, rtol=1e-12, atol=1e-9, err_msg=name)
