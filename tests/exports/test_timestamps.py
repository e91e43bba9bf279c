"""Timestamps as text, numbers and typed columns; zones and their clock changes."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ExportError
from pipeline.exports.date_texts import DayOrderProof, could_swap_day_and_month
from pipeline.exports.instants import FAULTS
from pipeline.exports.timestamps import parse_times, times_from_arrow
from pipeline.exports.zones import localise, resolve_repeated


def us(text: str) -> int:
    """Microseconds of an ISO time, by the standard library."""
    moment = datetime.fromisoformat(text)
    return round((moment - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds() * 1e6)


def one(text: str, time_format: str = "iso", zone: str | None = None, order=None) -> int | str:
    found = parse_times(pa.array([text], pa.string()), time_format, zone, order)
    return FAULTS[found.fault[0]] or int(found.utc[0])


NOON = us("2024-03-01T12:00:00+00:00")


@pytest.mark.parametrize(
    "text",
    [
        "2024-03-01T12:00:00Z",
        "2024-03-01T12:00:00+00:00",
        "2024-03-01 12:00:00Z",
        "2024-03-01T12:00Z",
        "2024-03-01T14:00:00+02:00",
        "2024-03-01T14:00:00+0200",
        "2024-03-01T14:00:00+02",
        "2024-03-01T06:30:00-05:30",
        "2024-03-01T12:00:00.000Z",
        "2024-03-01T12:00:00,000000000Z",
        "20240301T120000Z",
        "2024/03/01 12:00:00 UTC",
        "01-Mar-2024 12:00:00 Z",
        "01-MAR-24 12:00:00 Z",
        "1 March 2024, 12:00 GMT",
        " 2024-03-01T12:00:00Z ",
        "2024-03-01 12:00:00 PM Z",
    ],
)
def test_one_instant_in_many_forms(text: str) -> None:
    # ISO 8601:2004 for the numeric forms; the others are common practice, no source.
    assert one(text) == NOON


def test_digits_beyond_the_microsecond_are_cut_off() -> None:
    assert one("2024-03-01T12:00:00.1234569Z") == NOON + 123456


def test_midnight_as_24_is_the_next_day() -> None:
    # ISO 8601:2004, 4.2.3: 24:00 is the end of the calendar day.
    assert one("2024-02-29T24:00:00Z") == us("2024-03-01T00:00:00+00:00")


@pytest.mark.parametrize(("text", "hour"), [("12:05 AM", 0), ("1:05 am", 1), ("12:05 PM", 12)])
def test_half_days(text: str, hour: int) -> None:
    assert one(f"03/01/2024 {text}", "month_first", "UTC") == us(
        f"2024-03-01T{hour:02d}:05:00+00:00"
    )


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "no timestamp"),
        ("   ", "no timestamp"),
        ("2024-13-01T00:00:00Z", "no such date"),
        ("2024-02-30T00:00:00Z", "no such date"),
        ("2100-02-29T00:00:00Z", "no such date"),
        ("2024-03-01T24:00:01Z", "no such date"),
        ("2024-03-01T12:60:00Z", "no such date"),
        ("2024-03-01T13:00:00 PM Z", "no such date"),
        ("2024-03-01T12:00:00+25:00", "no such date"),
        ("01-Foo-2024 12:00", "no such date"),
        ("2024-03-01T12:00:00", "no offset"),
        ("2024-03-01", "no offset"),
        ("03/04/2024 12:00Z", "cannot be told apart"),
        ("12:00:00", "declared form"),
        ("2024-03-01T12:00:00Z and more", "declared form"),
        ("1970-01-01T00:00:00Z", "before 1980"),
    ],
)
def test_what_is_refused(text: str, reason: str) -> None:
    answer = one(text)
    assert isinstance(answer, str)
    assert reason in answer


@settings(max_examples=100, deadline=None)
@given(
    moment=st.datetimes(datetime(1980, 1, 3), datetime(2099, 12, 29)),
    minutes=st.integers(-14 * 60, 14 * 60),
)
def test_agrees_with_the_standard_library(moment: datetime, minutes: int) -> None:
    sign = "-" if minutes < 0 else "+"
    text = f"{moment.isoformat()}{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    assert one(text) == us(text)


def test_repeated_texts_are_read_alike() -> None:
    texts = ["2024-03-01T12:00:00Z", None, "2024-10-27 02:30:00", "nonsense"]
    few = parse_times(pa.array(texts), "iso", "Europe/Berlin")
    many = parse_times(pa.array(texts * 400), "iso", "Europe/Berlin")
    for name in ("fault", "transition", "shift"):
        assert np.array_equal(getattr(many, name), np.tile(getattr(few, name), 400))
    assert np.array_equal(many.utc[0::4], np.tile(few.utc[0:1], 400))
    assert np.array_equal(many.utc[2::4], np.tile(few.utc[2:3], 400))


EPOCH = 1_709_294_400  # 2024-03-01 12:00 UTC: `date -u -d @1709294400`


@pytest.mark.parametrize(
    ("time_format", "text"),
    [
        ("epoch_s", "1709294400"),
        ("epoch_s", "1709294400.0"),
        ("epoch_ms", "1709294400000"),
        ("epoch_us", "1709294400000000"),
        ("epoch_ns", "1709294400000000999"),
    ],
)
def test_epochs(time_format: str, text: str) -> None:
    assert one(text, time_format) == EPOCH * 1_000_000 == NOON


def test_epoch_in_another_unit_than_declared_is_refused() -> None:
    assert "before 1980" in str(one("1709294400", "epoch_ms"))
    assert "after 2100" in str(one("1709294400000", "epoch_s"))
    assert "after 2100" in str(one("9999999999999999999", "epoch_ns"))


def test_fraction_of_an_epoch_second() -> None:
    assert one("1709294400.25", "epoch_s") == NOON + 250_000


def test_spreadsheet_serials() -> None:
    # ECMA-376 Part 1, 18.17.4.1 (1900 date base): serial 45352 is 2024-03-01 and a
    # quarter of a day is six hours.
    assert one("45352.5", "spreadsheet", "UTC") == NOON
    assert one("45352,25", "spreadsheet", "UTC") == us("2024-03-01T06:00:00+00:00")
    assert one("45352.3333333333", "spreadsheet", "UTC") == us("2024-03-01T08:00:00+00:00")
    typed = times_from_arrow(pa.array([45352.3333333333]), "spreadsheet", "UTC")
    assert typed.utc.tolist() == [us("2024-03-01T08:00:00+00:00")]


def test_spreadsheet_serials_counted_from_1904() -> None:
    # ECMA-376 Part 1, 18.17.4.1 (1904 date base): both bases differ by 1462 days.
    assert one("43890.5", "spreadsheet_1904", "UTC") == NOON
    typed = times_from_arrow(pa.array([43890.5]), "spreadsheet_1904", "UTC")
    assert typed.utc.tolist() == [NOON]


def test_spreadsheet_serials_of_few_digits_mean_whole_seconds() -> None:
    # 12:05 is 145/288 of a day: 0.50347 to five digits, which alone would be 12:04:59.808.
    assert one("45352.50347", "spreadsheet", "UTC") == NOON + 300_000_000
    assert one("45352.50347222", "spreadsheet", "UTC") == NOON + 300_000_000


@pytest.mark.parametrize(
    "text",
    ["Mar 1, 2024 12:00:00 PM", "March 1 2024 12:00", "1 march 2024 12:00", "Mar-01-2024 12:00"],
)
def test_months_by_name(text: str) -> None:
    assert one(text, "iso", "UTC") == NOON


@pytest.mark.parametrize("text", ["01-Marvellous-2024 12:00", "01-M\u00e4r-2024", "01-Dez-2024"])
def test_months_that_are_no_english_ones_are_refused(text: str) -> None:
    assert "no such date" in str(one(text, "iso", "UTC"))


def test_declared_pattern() -> None:
    assert one("01.03.2024_12h00", "%d.%m.%Y_%Hh%M", "UTC") == NOON
    assert one("2024061 1200 +0000", "%Y%j %H%M %z") == NOON
    assert "declared form" in str(one("2024-03-01", "%d.%m.%Y", "UTC"))


def test_day_first_and_month_first() -> None:
    assert one("03/04/2024 00:00", "day_first", "UTC") == us("2024-04-03T00:00:00+00:00")
    assert one("03/04/2024 00:00", "month_first", "UTC") == us("2024-03-04T00:00:00+00:00")
    assert "no such date" in str(one("13/14/2024 00:00", "month_first", "UTC"))
    assert one("2024-03-01T12:00:00Z", "day_first") == NOON


def test_proof_of_the_order_of_day_and_month() -> None:
    proof = DayOrderProof()
    proof.add(pa.array(["03/04/2024", "05/06/2024", "2024-13-13", None]))
    assert proof.order is None
    proof.add(pa.array(["31/01/2024"]))
    assert proof.order == "day_first"
    proof.add(pa.array(["01/31/2024"]))
    assert proof.order is None
    assert could_swap_day_and_month(pa.array([None, "03.04.24 10:00"]))
    assert not could_swap_day_and_month(pa.array(["2024-04-03", "3 Apr 2024"]))


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
@pytest.mark.parametrize("zone", [None, "UTC", "Asia/Tokyo"])
def test_typed_timestamps_of_any_unit(unit: str, zone: str | None) -> None:
    # With a zone, Arrow stores UTC whatever the zone's name (Arrow columnar format, Timestamp).
    column = pa.array([EPOCH, None]).cast(pa.timestamp("s")).cast(pa.timestamp(unit, zone))
    found = times_from_arrow(column, "iso", "UTC")
    assert int(found.utc[0]) == NOON
    assert [FAULTS[f] for f in found.fault] == ["", "no timestamp"]


def test_typed_clock_times_need_a_zone() -> None:
    column = pa.array([EPOCH]).cast(pa.timestamp("s"))
    assert "no offset" in FAULTS[times_from_arrow(column, "iso", None).fault[0]]
    vienna = times_from_arrow(column, "iso", "Europe/Vienna")
    assert int(vienna.utc[0]) == NOON - 3600_000_000


def test_numbers_without_a_declared_epoch_are_refused() -> None:
    assert "declared form" in FAULTS[times_from_arrow(pa.array([EPOCH]), "iso", "UTC").fault[0]]


ZONES = [
    "Europe/Vienna",
    "America/St_Johns",
    "Australia/Lord_Howe",  # half an hour
    "Asia/Tehran",
    "Africa/Casablanca",
    "America/Sao_Paulo",
    "Pacific/Apia",  # skipped a whole day in 2011
    "Asia/Kathmandu",
    "UTC",
]


@settings(max_examples=100, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    moment=st.datetimes(datetime(1981, 1, 1), datetime(2099, 1, 1), timezones=st.just(UTC)),
)
def test_clock_times_agree_with_zoneinfo(zone: str, moment: datetime) -> None:
    local = moment.astimezone(ZoneInfo(zone))
    clock = local.replace(tzinfo=None, fold=0)
    number = round((clock - datetime(1970, 1, 1)).total_seconds() * 1e6)
    found = localise(np.array([number]), zone)
    assert not found.is_missing[0]
    again = local.replace(fold=1 - local.fold).astimezone(UTC)
    assert bool(found.is_ambiguous[0]) == (again != moment)
    candidates = {int(found.utc[0]), int(found.utc[0] + found.shift[0])}
    assert us(moment.isoformat()) in candidates
    assert us(again.isoformat()) in candidates


def clock(*texts: str) -> np.ndarray:
    return np.array(texts, dtype="datetime64[us]").astype(np.int64)


def test_the_hour_that_clocks_skip_and_the_hour_they_repeat() -> None:
    # Directive 2000/84/EC: summer time in 2024 from 31 March to 27 October, 01:00 UTC.
    local = clock(
        "2024-03-31T01:59:59", "2024-03-31T02:00", "2024-03-31T02:59:59", "2024-03-31T03:00",
        "2024-10-27T01:59:59", "2024-10-27T02:00", "2024-10-27T02:59:59", "2024-10-27T03:00",
    )  # fmt: skip
    found = localise(local, "Europe/Berlin")
    assert found.is_missing.tolist() == [False, True, True, False] + [False] * 4
    assert found.is_ambiguous.tolist() == [False] * 4 + [False, True, True, False]
    assert int(found.utc[3]) == us("2024-03-31T01:00:00+00:00")
    assert int(found.utc[7]) == us("2024-10-27T02:00:00+00:00")


def test_a_fall_back_in_row_order_shows_the_second_pass() -> None:
    local = clock("2024-10-27T02:10", "2024-10-27T02:50", "2024-10-27T02:20", "2024-10-27T02:40")
    found = localise(local, "Europe/Berlin")
    arguments = (found.utc, found.shift, found.transition)
    tag, run = np.zeros(4, dtype=np.int32), np.zeros(4, dtype=np.int64)
    forward = np.zeros(4, dtype=bool)
    utc, undecided = resolve_repeated(*arguments, tag, run, forward)
    assert utc.tolist() == [
        us(f"2024-10-27T{t}:00+00:00") for t in ("00:10", "00:50", "01:20", "01:40")
    ]
    assert not undecided.any()
    # Newest first: the first rows are the second pass.
    turned = [a[::-1] for a in arguments]
    utc, undecided = resolve_repeated(*turned, tag, run, ~forward)
    assert utc.tolist() == [
        us(f"2024-10-27T{t}:00+00:00") for t in ("01:40", "01:20", "00:50", "00:10")
    ]
    assert not undecided.any()


def test_without_a_fall_back_or_with_two_the_order_does_not_decide() -> None:
    local = clock("2024-10-27T02:10", "2024-10-27T02:50", "2024-10-27T02:50")
    found = localise(local, "Europe/Berlin")
    zeros = np.zeros(3, dtype=np.int32)
    _, undecided = resolve_repeated(
        found.utc, found.shift, found.transition, zeros, zeros.astype(np.int64), zeros > 0
    )
    assert undecided.all()


def test_unknown_zone() -> None:
    with pytest.raises(ExportError, match="no time zone 'Mars/Olympus'"):
        localise(clock("2024-01-01T00:00"), "Mars/Olympus")


def test_inputs_stay_as_they_are() -> None:
    local = clock("2024-10-27T02:10", "2024-03-31T02:30")
    before = local.copy()
    localise(local, "Europe/Berlin")
    assert np.array_equal(local, before)


@pytest.mark.parametrize("zone", [None, "UTC", "Europe/Lisbon"])
@pytest.mark.parametrize(
    "text",
    [
        "2024-03-01T12:00:00Z",
        "2024-03-01 12:00",
        "2024-03-01T12",
        "2024-03-01",
        "2024-03-01T12:00:00.1234567Z",
        "2024-03-01T12:00:00,5Z",
        "2024-03-01T24:00:00Z",
        "2024-03-31 01:30",
        "2024-10-27 01:30",
        " 2024-03-01T12:00Z",
        "2024-03-01T12:00:60Z",
        "2024-02-30T00:00Z",
        "0001-01-01T00:00:00Z",
        "9999-12-31T00:00:00Z",
        "2024-03-01T12:00:00+0130",
        "2024-03-01T12:00:00-19:00",
        "2024-03-01T12:00:00-24:00",
        "20240301T120000Z",
        "03/04/2024 12:00Z",
        "",
        None,
    ],
)
def test_many_rows_are_read_as_one_is(text, zone):
    """Long columns go through another parser first."""
    one = parse_times(pa.array([text], pa.string()), "iso", zone)
    many = parse_times(pa.array([text] * 1500, pa.string()), "iso", zone)
    for name in ("utc", "fault", "transition", "shift"):
        alone, first = getattr(one, name)[0], getattr(many, name)[0]
        assert alone == first or one.fault[0]
    assert one.fault[0] == many.fault[0]
    assert len(set(many.utc.tolist())) == 1


def test_a_year_of_four_digits_is_that_year():
    found = parse_times(pa.array(["0024-03-01T00:00Z", "01-Mar-24 00:00Z"]), "iso", None)
    assert FAULTS[found.fault[0]] != ""
    assert not found.fault[1]
    assert np.datetime64(int(found.utc[1]), "us") == np.datetime64("2024-03-01T00:00")
