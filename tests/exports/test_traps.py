"""Traps met in real exports (common practice, no source), one test each, read end to end.

Each test writes a file whose true content is known and asks for exactly that content back.
Contradictions between names and values are in ``test_inspect_exports``, stuck gauges in
``test_checks``.
"""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.exports.checks import Neighbour, is_flatlined, is_repeated
from pipeline.exports.conversion import to_si
from pipeline.exports.merge import MergeCounts, merge_samples
from pipeline.exports.read import read_export
from pipeline.exports.reading import Reading
from pipeline.exports.streams import Text
from pipeline.plant.types import ExportFormat, Tag
from pipeline.quantities import conversion

TAGS = ["FLOW", "LEVEL"]
PLAIN = ExportFormat(pattern="*")
LOCAL = ExportFormat(pattern="*", time_zone="Europe/Vienna")
LOCAL_WIDE = ExportFormat(pattern="*", layout="wide", time_zone="Europe/Vienna")


@pytest.fixture
def read(tmp_path):
    def go(text: str, export: ExportFormat = PLAIN, encoding: str = "utf-8") -> Reading:
        (tmp_path / "export.csv").write_bytes(text.encode(encoding))
        return read_export(tmp_path / "export.csv", export, TAGS)

    return go


def times_of(reading: Reading, tag: str = "FLOW") -> pd.DatetimeIndex:
    frame = reading.samples.to_pandas()
    return pd.DatetimeIndex(frame.loc[frame["tag"] == tag, "time"])


def values_of(reading: Reading, tag: str = "FLOW") -> list[float]:
    frame = reading.samples.to_pandas()
    return frame.loc[frame["tag"] == tag, "value"].tolist()


def tag(unit: str, quantity: str, **more) -> dict[str, tuple[Tag, ...]]:
    found = conversion(unit, quantity)
    return {
        "FLOW": (
            Tag(
                name="FLOW",
                quantity=quantity,
                unit=unit,
                scale=found.scale,
                offset=found.offset,
                **more,
            ),
        )
    }


AUTUMN = pd.date_range("2024-10-26 22:00", "2024-10-27 04:00", freq="5min", tz="UTC")


def clock_texts(times: pd.DatetimeIndex) -> list[str]:
    return [t.strftime("%Y-%m-%d %H:%M:%S") for t in times.tz_convert(ZoneInfo("Europe/Vienna"))]


def test_clock_times_through_the_repeated_hour_long(read) -> None:
    rows = [f"{t},{name},{i}" for i, t in enumerate(clock_texts(AUTUMN)) for name in TAGS]
    reading = read("time,tag,value\n" + "\n".join(rows) + "\n", LOCAL)
    for name in TAGS:
        assert (times_of(reading, name) == AUTUMN).all()
        assert values_of(reading, name) == list(range(len(AUTUMN)))
    assert reading.counts.repeated_hour == 2 * 24
    assert reading.counts.rejected == reading.counts.out_of_order == 0


def test_clock_times_through_the_repeated_hour_wide_with_blanks(read) -> None:
    # The second column has a value in the first pass only; the other rows show which pass.
    rows = [f"{t},{i},{i if i == 28 else ''}" for i, t in enumerate(clock_texts(AUTUMN))]
    reading = read("time,FLOW,LEVEL\n" + "\n".join(rows) + "\n", LOCAL_WIDE)
    assert (times_of(reading) == AUTUMN).all()
    assert times_of(reading, "LEVEL").tolist() == [AUTUMN[28]]


def test_clock_times_through_the_repeated_hour_newest_first(read) -> None:
    rows = [f"{t},FLOW,{i}" for i, t in enumerate(clock_texts(AUTUMN))][::-1]
    reading = read("time,tag,value\n" + "\n".join(rows) + "\n", LOCAL)
    assert (times_of(reading) == AUTUMN).all()
    assert values_of(reading) == list(range(len(AUTUMN)))


def test_repeated_hour_across_blocks_of_a_large_file(read, monkeypatch) -> None:
    monkeypatch.setattr(Text.blocks, "__defaults__", (256,))
    rows = [f"{t},FLOW,{i}" for i, t in enumerate(clock_texts(AUTUMN))]
    reading = read("time,tag,value\n" + "\n".join(rows) + "\n", LOCAL)
    assert (times_of(reading) == AUTUMN).all()


def put_backs(zone: str, year: int) -> list[pd.Timestamp]:
    """Days of a year on which a zone puts its clocks back, by the standard library."""
    days = pd.date_range(f"{year}-01-01", f"{year}-12-31", freq="D", tz="UTC")
    offsets = [day.to_pydatetime().astimezone(ZoneInfo(zone)).utcoffset() for day in days]
    return [a for a, b, c in zip(days, offsets, offsets[1:], strict=False) if c < b]


@settings(max_examples=25, deadline=None)
@given(
    zone=st.sampled_from(
        ["America/New_York", "Australia/Lord_Howe", "America/Sao_Paulo", "Africa/Casablanca",
         "Asia/Tehran", "Europe/London", "America/St_Johns"]
    ),
    year=st.integers(1995, 2026),
    newest_first=st.booleans(),
    block=st.integers(80, 4000),
)  # fmt: skip
def test_any_put_back_of_any_zone_is_resolved(zone, year, newest_first, block, tmp_path_factory):
    for day in put_backs(zone, year):
        times = pd.date_range(day - pd.Timedelta("6h"), periods=40 * 6, freq="10min")
        clocks = [t.strftime("%Y-%m-%d %H:%M") for t in times.tz_convert(ZoneInfo(zone))]
        rows = [f"{c},FLOW,{i}\n" for i, c in enumerate(clocks)]
        path = tmp_path_factory.mktemp("zone") / "e.csv"
        path.write_text("time,tag,value\n" + "".join(rows[::-1] if newest_first else rows))
        export = ExportFormat(pattern="*", time_zone=zone)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(Text.blocks, "__defaults__", (block,))
            reading = read_export(path, export, TAGS)
        assert (times_of(reading) == times).all()
        assert values_of(reading) == list(range(len(times)))
        assert reading.counts.repeated_hour in (6, 12)


def test_repeated_hour_told_once_is_refused_with_its_neighbours_kept(read) -> None:
    # Hourly samples that skip one of the two passes: which one cannot be known.
    hours = pd.DatetimeIndex([t for t in AUTUMN if t.minute == 0 and t.hour != 1])
    rows = [f"{t},FLOW,1" for t in clock_texts(hours)]
    reading = read("time,tag,value\n" + "\n".join(rows) + "\n", LOCAL)
    assert times_of(reading).tolist() == [t for t in hours if t.hour != 0 or t.day != 27]
    assert reading.rejected["reason"].to_pylist() == [
        "this clock time occurs twice (clocks put back) and row order does not tell which"
    ]
    # Clock time and value, to be found in the file.
    assert reading.rejected["text"].to_pylist() == ["2024-10-27 02:00:00, 1"]


@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("block", [70, 1 << 20])
@pytest.mark.parametrize(
    ("zone", "start", "step"),
    [
        ("Europe/Vienna", "2024-10-26T22:00Z", "1h"),  # a day's file
        ("America/New_York", "2024-11-03T04:00Z", "1h"),
        ("Australia/Lord_Howe", "2024-04-06T12:00Z", "30min"),  # clocks go back by half an hour
        ("Antarctica/Troll", "2024-10-26T22:00Z", "2h"),  # and here by two
    ],
)
def test_one_row_an_hour_through_the_repeated_hour(
    read, monkeypatch, zone, start, step, block, newest_first
) -> None:
    # Two rows of one clock time, all others an hour apart: were one a duplicate, an hour would
    # be missing. Values may be equal, as those of FLOW are.
    monkeypatch.setattr(Text.blocks, "__defaults__", (block,))
    times = pd.date_range(start, periods=25, freq=step)
    clock = [t.strftime("%Y-%m-%d %H:%M") for t in times.tz_convert(ZoneInfo(zone))]
    assert len(set(clock)) == 24
    rows = [f"{t},FLOW,7\n{t},LEVEL,{i}\n" for i, t in enumerate(clock)]
    export = replace(LOCAL, time_zone=zone)
    reading = read("time,tag,value\n" + "".join(rows[::-1] if newest_first else rows), export)
    for name in ("FLOW", "LEVEL"):
        assert (times_of(reading, name) == times).all()
    assert values_of(reading, "LEVEL") == list(range(25))
    assert (reading.counts.repeated_hour, reading.counts.rejected) == (4, 0)


@pytest.mark.parametrize(
    ("minutes", "what"),
    [
        ([*range(0, 180, 60), 180, 180, 300, 360, 420], "an hour is missing"),
        ([t for t in range(0, 420, 60) for _ in (0, 1)], "every row stands twice"),
        ([*range(0, 180, 30), 180, 180, *range(240, 420, 30)], "two rows an hour"),
        ([120, 180, 180, 240], "too few rows around"),
        ([*range(0, 180, 60), 180, *range(240, 420, 60), 180], "one stands at the end"),
    ],
)
def test_two_rows_of_one_clock_time_that_may_be_a_duplicate(read, minutes, what) -> None:
    midnight = pd.Timestamp("2024-10-27") - pd.Timedelta(hours=1)
    rows = [f"{midnight + pd.Timedelta(minutes=m)},FLOW,{i}" for i, m in enumerate(minutes)]
    reading = read("time,tag,value\n" + "\n".join(rows) + "\n", LOCAL)
    doubtful = pd.to_datetime(["2024-10-27T00:00Z", "2024-10-27T01:00Z"])
    assert not set(times_of(reading)) & set(doubtful), what
    assert reading.counts.rejected >= 2


def test_late_row_of_the_repeated_hour_is_not_taken_for_a_second_pass(read) -> None:
    once = AUTUMN[(AUTUMN < "2024-10-27T00:30Z") | (AUTUMN >= "2024-10-27T02:00Z")]
    rows = [f"{t},FLOW,1" for t in clock_texts(once)]
    late = "2024-10-27 02:00:00,FLOW,2"
    reading = read("time,tag,value\n" + "\n".join([*rows, late]) + "\n", LOCAL)
    in_doubt = once[(once >= "2024-10-27T00:00Z") & (once < "2024-10-27T01:00Z")]
    assert not set(times_of(reading)) & set(in_doubt)
    assert reading.counts.rejected == len(in_doubt) + 1


def test_the_hour_that_clocks_skip_is_refused(read) -> None:
    text = "time,tag,value\n2024-03-31 01:59:00,FLOW,1\n2024-03-31 02:30:00,FLOW,2\n"
    reading = read(text + "2024-03-31 03:00:00,FLOW,3\n", LOCAL)
    assert [str(t) for t in times_of(reading)] == [
        "2024-03-31 00:59:00+00:00",
        "2024-03-31 01:00:00+00:00",
    ]
    assert reading.rejected["line"].to_pylist() == [3]
    assert "clocks were put forward" in reading.rejected["reason"][0].as_py()


def test_decimal_comma_semicolon_thousands_and_byte_order_mark(read) -> None:
    export = ExportFormat(pattern="*", decimal=",", thousands=".")
    text = "time;tag;value\n2024-03-01T00:00:00Z;FLOW;1.234,5\n2024-03-01T00:01:00Z;FLOW;0,5\n"
    for encoding in ("utf-8-sig", "utf-16"):
        assert values_of(read(text, export, encoding)) == [1234.5, 0.5]


def test_decimal_comma_not_declared_gives_bad_samples_and_a_hint(read) -> None:
    text = "time;tag;value\n2024-03-01T00:00:00Z;FLOW;12,5\n2024-03-01T00:01:00Z;FLOW;13\n"
    reading = read(text)
    assert reading.samples["quality"].to_pylist() == [2, 0]
    assert reading.notes == ("Some values would be numbers with decimal = ','.",)


def test_row_of_units_below_the_header(read) -> None:
    text = "time,FLOW,LEVEL\n,m3/h,m\n2024-03-01T00:00:00Z,1,2\n"
    wide = ExportFormat(pattern="*", layout="wide")
    undeclared = read(text, wide)
    assert (values_of(undeclared), undeclared.counts.rejected) == ([1.0], 1)
    declared = read(text, ExportFormat(pattern="*", layout="wide", unit_row=True))
    assert (values_of(declared), declared.counts.rejected) == ([1.0], 0)


def test_text_in_a_value_column(read) -> None:
    text = "time,tag,value\n2024-03-01T00:00:00Z,FLOW,Bad Input\n2024-03-01T00:01:00Z,FLOW,2\n"
    reading = read(text)
    assert reading.samples["quality"].to_pylist() == [2, 0]
    assert reading.rejected["text"].to_pylist() == ["Bad Input"]


def test_duplicated_and_out_of_order_rows(read) -> None:
    rows = ["00:00,1", "00:02,3", "00:01,2", "00:02,3", "00:03,4", "00:03,5"]
    text = "time,tag,value\n" + "".join(
        f"2024-03-01T{clock}:00Z,FLOW,{value}\n" for clock, value in (r.split(",") for r in rows)
    )
    reading = read(text)
    # Of rows that contradict each other the last one written stands.
    assert values_of(reading) == [1, 2, 3, 5]
    counts = reading.counts
    assert (counts.out_of_order, counts.identical_duplicates, counts.conflicting_duplicates) == (
        1,
        1,
        1,
    )
    assert reading.disorder.to_pylist() == [
        {
            "tag": "FLOW",
            "day": pd.Timestamp("2024-03-01").date(),
            "out_of_order": 1,
            "identical_duplicates": 1,
            "conflicting_duplicates": 1,
            "clock_set_back": 0,
        }
    ]


def test_rows_that_arrive_days_late(read) -> None:
    head = "time,tag,value\n"
    first = read(head + "2024-03-01T00:00:00Z,FLOW,1\n2024-03-05T00:00:00Z,FLOW,5\n")
    late = read(head + "2024-03-02T00:00:00Z,FLOW,2\n2024-03-05T00:00:00Z,FLOW,6\n")
    merged, counts = merge_samples([first.samples, late.samples])
    assert merged["value"].to_pylist() == [1, 2, 6]
    assert counts == MergeCounts(agreeing=0, overridden=1)


def test_a_logger_whose_clock_was_set_back(read) -> None:
    clocks = [*range(60), *range(30, 60)]
    rows = [f"2024-03-01T00:{m:02d}:00Z,FLOW,{i}\n" for i, m in enumerate(clocks)]
    reading = read("time,tag,value\n" + "".join(rows))
    assert reading.disorder["clock_set_back"].to_pylist() == [1]
    assert reading.counts.conflicting_duplicates == 30


def test_a_file_still_being_written(read) -> None:
    text = "time,tag,value\n2024-03-01T00:00:00Z,FLOW,1\n2024-03-01T00:01:00Z,FL"
    reading = read(text)
    assert (reading.status, reading.samples.num_rows) == ("waiting", 0)
    assert "left for the next run" in reading.notes[0]
    assert read(text + "OW,2\n").counts.samples == 2


def test_flow_totals_per_quarter_hour_beside_rates_per_hour(read) -> None:
    # 90 m3/h throughout: a quarter of an hour carries 22.5 m3.
    times = pd.date_range("2024-03-01", periods=6, freq="15min", tz="UTC")
    head = "time,tag,value\n"
    totals = read(head + "".join(f"{t.isoformat()},FLOW,22.5\n" for t in times))
    rates = read(head + "".join(f"{t.isoformat()},FLOW,90\n" for t in times))
    as_total = to_si(totals.samples, tag("m3", "volume", measures="interval_total"))
    as_rate = to_si(rates.samples, tag("m3/h", "flow"))
    expected = [90 / 3600] * 5
    assert as_total["value"].to_pylist()[:5] == pytest.approx(expected)
    assert as_rate["value"].to_pylist()[:5] == pytest.approx(expected)


def test_absolute_and_gauge_pressure_of_one_place_agree(read) -> None:
    head = "time,tag,value\n2024-03-01T00:00:00Z,FLOW,"
    gauge = to_si(read(head + "0.5\n").samples, tag("barg", "suction_pressure"), 101_325.0)
    absolute = to_si(
        read(head + "1.51325\n").samples,
        tag("bara", "suction_pressure", reference="absolute"),
        101_325.0,
    )
    assert absolute["value"][0].as_py() == pytest.approx(gauge["value"][0].as_py(), abs=1e-6)


def test_vacuum_in_inches_of_mercury_counted_downwards(read) -> None:
    reading = read("time,tag,value\n2024-03-01T00:00:00Z,FLOW,12\n")
    si = to_si(reading.samples, tag("inHg vac", "suction_pressure", reference="gauge"))
    # 12 inHg below the atmosphere, 3386.389 Pa each (NIST SP 811, B.8).
    assert si["value"][0].as_py() == pytest.approx(-12 * 3386.389, rel=1e-6)


def test_repeats_of_a_slow_transmitter_are_not_a_stuck_gauge(read) -> None:
    times = pd.date_range("2024-03-01", periods=3000, freq="min", tz="UTC")
    level = np.round(np.repeat(np.random.default_rng(8).normal(3, 1, 150), 20), 3)
    neighbour = np.sin(np.arange(3000) / 50)
    text = "time,FLOW,LEVEL\n" + "".join(
        f"{t.isoformat()},{v},{n:.4f}\n" for t, v, n in zip(times, level, neighbour, strict=True)
    )
    frame = read(text, ExportFormat(pattern="*", layout="wide")).samples.to_pandas()
    own = frame[frame["tag"] == "FLOW"]
    time = own["time"].dt.tz_localize(None).to_numpy().astype("datetime64[us]").astype(np.int64)
    value = own["value"].to_numpy()
    assert is_repeated(value).mean() == pytest.approx(0.95, abs=0.01)
    assert not is_flatlined(time, value, [Neighbour(time, neighbour)]).any()
