"""Dates and times of day written out, and the order of day and month in them."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.errors import ExportError, Fault
from pipeline.exports.instants import FINE, FORM, NO_SUCH, SWAPPABLE, Parsed

__all__ = [
    "DAY",
    "DayOrder",
    "DayOrderProof",
    "could_swap_day_and_month",
    "integers",
    "parse_calendar",
]

DayOrder = Literal["day_first", "month_first"]
Int64 = NDArray[np.int64]

DAY = 86_400_000_000
"""A day [µs]."""

_CLOCK = (
    r"(?:(?:[T,]\s*|\s+,?\s*)(?P<hour>\d{1,2}):(?P<minute>\d{2})"
    r"(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,12}))?)?\s*(?P<half>[AaPp]\.?[Mm]\.?)?\s*"
    r"(?P<offset>Z|z|UTC|GMT|[+-]\d{2}(?::?\d{2})?)?)?"
)
# ISO 8601 lets a time of day end with the hour.
_YEAR_FIRST = (
    r"^\s*(?P<year>\d{4})[-/.](?P<month>\d{1,2})[-/.](?P<day>\d{1,2})"
    + _CLOCK.replace(r":(?P<minute>\d{2})(?:", r"(?::(?P<minute>\d{2}))?(?:", 1)
    + r"\s*$"
)
_COMPACT = (
    r"^\s*(?P<year>\d{4})(?P<month>\d{2})(?P<day>\d{2})(?:[T ](?P<hour>\d{2}):?(?P<minute>\d{2})"
    r"(?::?(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,12}))?)?(?P<half>)\s*"
    r"(?P<offset>Z|z|[+-]\d{2}(?::?\d{2})?)?)?\s*$"
)
_MONTH = (
    r"(?P<month>(?i:jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?"
    r"|aug(?:ust)?|sept?(?:ember)?|oct(?:ober)?|nov(?:ember)?|dec(?:ember)?))\.?"
)
_NAMED_MONTH = (
    r"^\s*(?P<day>\d{1,2})[-/. ]" + _MONTH + r"[-/. ](?P<year>\d{4}|\d{2})" + _CLOCK + r"\s*$"
)
_MONTH_THEN_DAY = (
    r"^\s*" + _MONTH + r"[-/. ]\s*(?P<day>\d{1,2})(?:,\s*|[-/. ])(?P<year>\d{4})" + _CLOCK + r"\s*$"
)
_OTHER_MONTH = r"^\s*\d{1,2}[-/. ]\p{L}{3,}\.?[-/. ](?:\d{4}|\d{2})(?:\D|$)"
_NUMERIC = r"^\s*(?P<one>\d{1,2})[-/.](?P<two>\d{1,2})[-/.](?P<year>\d{4}|\d{2})" + _CLOCK + r"\s*$"
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def integers(column: pa.Array) -> Int64:
    """Read texts of digits as numbers; nothing written is 0.

    Parameters
    ----------
    column : Array of string, shape (n,)
        Digits, blank or null.

    Returns
    -------
    ndarray of int64
    """
    filled = pc.if_else(pc.equal(pc.fill_null(column, ""), ""), "0", column)
    return pc.cast(filled, pa.int64()).to_numpy(zero_copy_only=False)


def _days_from_civil(year: Int64, month: Int64, day: Int64) -> Int64:
    # Days since 1970-01-01 in the proleptic Gregorian calendar, by NumPy's own calendar.
    months = (year - 1970) * 12 + (month - 1)
    first = months.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    return first + day - 1


def _month_lengths(year: Int64, month: Int64) -> Int64:
    one = np.ones_like(year)
    after = month + 1
    return _days_from_civil(
        year + (after > 12), np.where(after > 12, 1, after), one
    ) - _days_from_civil(year, month, one)


def _assemble(parts: pa.StructArray, year: Int64, month: Int64, day: Int64) -> Parsed:
    is_short = pc.equal(pc.utf8_length(parts.field("year")), 2).to_numpy(zero_copy_only=False)
    year = year + np.where(is_short, np.where(year < 69, 2000, 1900), 0)
    hour, minute = integers(parts.field("hour")), integers(parts.field("minute"))
    second = integers(parts.field("second"))
    fraction = integers(
        pc.utf8_slice_codeunits(pc.utf8_rpad(parts.field("fraction"), 6, "0"), 0, 6)
    )
    half = pc.utf8_lower(pc.fill_null(parts.field("half"), ""))
    is_pm = np.asarray(pc.starts_with(half, "p").to_numpy(zero_copy_only=False))
    is_am = np.asarray(pc.starts_with(half, "a").to_numpy(zero_copy_only=False))
    halved = is_am | is_pm
    bad = (month < 1) | (month > 12) | (day < 1) | (minute > 59) | (second > 59)
    safe = np.clip(month, 1, 12)
    bad |= day > _month_lengths(year, safe)
    bad |= halved & ((hour < 1) | (hour > 12))
    midnight_after = (hour == 24) & (minute == 0) & (second == 0) & (fraction == 0)
    bad |= (hour > 23) & ~midnight_after
    hour = np.where(halved, hour % 12 + 12 * is_pm, hour)
    offset = pc.fill_null(parts.field("offset"), "")
    has_offset = np.asarray(pc.not_equal(offset, "").to_numpy(zero_copy_only=False))
    signed = pc.match_substring_regex(offset, r"^[+-]")
    digits = pc.replace_substring(pc.if_else(signed, offset, ""), ":", "")
    ahead_h = integers(pc.utf8_slice_codeunits(digits, 1, 3))
    ahead_m = integers(pc.utf8_slice_codeunits(digits, 3, 5))
    bad |= (ahead_h > 23) | (ahead_m > 59)
    minus = np.asarray(pc.starts_with(digits, "-").to_numpy(zero_copy_only=False))
    ahead = np.where(minus, -1, 1) * (ahead_h * 60 + ahead_m) * 60_000_000
    time = _days_from_civil(year, safe, day) * DAY
    time += ((hour * 60 + minute) * 60 + second) * 1_000_000 + fraction - ahead
    return Parsed(time, has_offset, np.where(bad, NO_SUCH, FINE).astype(np.int8))


def _calendar(parts: pa.StructArray, kind: str, order: DayOrder | None) -> Parsed:
    year = integers(parts.field("year"))
    if kind == "named":
        name = pc.utf8_slice_codeunits(pc.utf8_lower(parts.field("month")), 0, 3)
        month = pc.index_in(name, pa.array(_MONTHS))
        number = pc.fill_null(pc.add(month, 1), 0)
        return _assemble(
            parts,
            year,
            number.to_numpy(zero_copy_only=False).astype(np.int64),
            integers(parts.field("day")),
        )
    if kind == "numeric":
        one, two = integers(parts.field("one")), integers(parts.field("two"))
        day, month = (one, two) if order == "day_first" else (two, one)
        return _assemble(parts, year, month, day)
    return _assemble(parts, year, integers(parts.field("month")), integers(parts.field("day")))


def parse_calendar(texts: pa.Array, order: DayOrder | None) -> Parsed:
    """Read dates with or without time of day and offset.

    Parameters
    ----------
    texts : Array of string, shape (n,)
        One timestamp each; null or blank where there is none.
    order : {"day_first", "month_first"} or None
        Order of numeric dates; None refuses them.

    Returns
    -------
    Parsed
        Arrays of shape (n,).
    """
    count = len(texts)
    time = np.zeros(count, dtype=np.int64)
    has_offset = np.zeros(count, dtype=bool)
    fault = np.full(count, FORM, dtype=np.int8)
    left = np.arange(count)
    forms = [
        ("year", _YEAR_FIRST),
        ("compact", _COMPACT),
        ("named", _NAMED_MONTH),
        ("named", _MONTH_THEN_DAY),
        ("numeric", _NUMERIC),
    ]
    if order is not None:
        forms.insert(0, forms.pop())
    for kind, pattern in forms:
        if not len(left):
            break
        parts = pc.extract_regex(texts.take(pa.array(left)), pattern)
        matched = np.asarray(parts.is_valid().to_numpy(zero_copy_only=False))
        if not matched.any():
            continue
        hits = left[matched]
        if kind == "numeric" and order is None:
            fault[hits] = SWAPPABLE
        else:
            found = _calendar(parts.filter(pa.array(matched)), kind, order)
            time[hits], has_offset[hits], fault[hits] = found.time, found.has_offset, found.fault
        left = left[~matched]
    strange = pc.match_substring_regex(pc.fill_null(texts.take(pa.array(left)), ""), _OTHER_MONTH)
    fault[left[np.asarray(strange.to_numpy(zero_copy_only=False), dtype=bool)]] = NO_SUCH
    return Parsed(time, has_offset, fault)


def could_swap_day_and_month(texts: pa.Array) -> bool:
    """Tell whether any text is a numeric date whose day and month might be swapped."""
    return bool(pc.any(pc.match_substring_regex(pc.fill_null(texts, ""), _NUMERIC)).as_py())


class DayOrderProof:
    """Collects dates of one file that only one order of day and month allows."""

    def __init__(self) -> None:
        self.day_first = 0
        self.month_first = 0

    def add(self, texts: pa.Array) -> None:
        """Count numeric dates with a first or a second number above twelve."""
        parts = pc.extract_regex(pc.fill_null(texts, ""), _NUMERIC)
        one, two = integers(parts.field("one")), integers(parts.field("two"))
        self.day_first += int(((one > 12) & (one <= 31) & (two <= 12)).sum())
        self.month_first += int(((two > 12) & (two <= 31) & (one <= 12)).sum())

    @property
    def order(self) -> DayOrder | None:
        """The proven order; None where nothing or both is proven."""
        if self.day_first and not self.month_first:
            return "day_first"
        if self.month_first and not self.day_first:
            return "month_first"
        return None

    def decide(self) -> tuple[DayOrder, str]:
        """Give the proven order and a sentence that says so.

        Raises
        ------
        ExportError
            If nothing or both is proven.
        """
        if self.order is None:
            fault = Fault(
                "time_format",
                "dates of both orders in one file"
                if self.day_first
                else "no date with a number above 12",
                "one order of day and month",
                "Declare time_format as day_first or month_first.",
            )
            raise ExportError("Day and month of the dates cannot be told apart.", [fault])
        name = "day" if self.order == "day_first" else "month"
        return (
            self.order,
            f"Dates have the {name} first, as dates with numbers above 12 prove.",
        )
