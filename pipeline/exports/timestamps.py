"""Timestamps as historians write them, read in bulk.

Nothing is guessed in silence. A timestamp without offset needs a declared zone; numeric
dates whose day and month could be swapped need ``day_first`` or ``month_first``, or a date in
the same file that only one of the two allows; the hour that clocks repeat is told apart by
row order where that decides and refused otherwise; the hour that clocks skip is refused.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.exports.zones import localise

__all__ = [
    "EPOCH_UNITS",
    "FAULTS",
    "REPEATED_HOUR",
    "DayOrder",
    "DayOrderProof",
    "Instants",
    "could_swap_day_and_month",
    "parse_times",
    "read_instants",
    "times_from_arrow",
]

DayOrder = Literal["day_first", "month_first"]
Int64 = NDArray[np.int64]

FAULTS: tuple[str, ...] = (
    "",
    "no timestamp",
    "the timestamp is not of the declared form",
    "there is no such date or time of day",
    "the timestamp has no offset and no time_zone is declared",
    "this clock time does not exist: clocks were put forward",
    "this clock time occurs twice (clocks put back) and row order does not tell which",
    "the timestamp lies before 1980 or after 2100",
    "day and month cannot be told apart",
)
"""What can be wrong with a timestamp, by code; 0 is nothing."""

(
    _FINE,
    _EMPTY,
    _FORM,
    _NO_SUCH,
    _NO_ZONE,
    _SKIPPED_HOUR,
    REPEATED_HOUR,
    _IMPLAUSIBLE,
    _SWAPPABLE,
) = range(len(FAULTS))

EPOCH_UNITS = {"epoch_s": 1_000_000, "epoch_ms": 1_000, "epoch_us": 1, "epoch_ns": -1_000}
"""Microseconds per unit; negative: units per microsecond."""

_DAY = 86_400_000_000
_ALWAYS_UTC = ("UTC", "Etc/UTC")
_EARLIEST = int(pd.Timestamp("1980-01-01", tz="UTC").value // 1000)
_LATEST = int(pd.Timestamp("2100-01-01", tz="UTC").value // 1000)

_CLOCK = (
    r"(?:(?:[T,]\s*|\s+,?\s*)(?P<hour>\d{1,2}):(?P<minute>\d{2})"
    r"(?::(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,12}))?)?\s*(?P<half>[AaPp]\.?[Mm]\.?)?\s*"
    r"(?P<offset>Z|z|UTC|GMT|[+-]\d{2}(?::?\d{2})?)?)?"
)
_YEAR_FIRST = r"^\s*(?P<year>\d{4})[-/.](?P<month>\d{1,2})[-/.](?P<day>\d{1,2})" + _CLOCK + r"\s*$"
_COMPACT = (
    r"^\s*(?P<year>\d{4})(?P<month>\d{2})(?P<day>\d{2})(?:[T ](?P<hour>\d{2}):?(?P<minute>\d{2})"
    r"(?::?(?P<second>\d{2})(?:[.,](?P<fraction>\d{1,12}))?)?(?P<half>)\s*"
    r"(?P<offset>Z|z|[+-]\d{2}(?::?\d{2})?)?)?\s*$"
)
_NAMED_MONTH = (
    r"^\s*(?P<day>\d{1,2})[-/. ](?P<month>[A-Za-z]{3})[a-z]*\.?[-/. ](?P<year>\d{4}|\d{2})"
    + _CLOCK
    + r"\s*$"
)
_NUMERIC = r"^\s*(?P<one>\d{1,2})[-/.](?P<two>\d{1,2})[-/.](?P<year>\d{4}|\d{2})" + _CLOCK + r"\s*$"
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_DIGITS = r"^\s*(?P<sign>[+-]?)(?P<whole>\d{1,19})(?:[.,](?P<fraction>\d{1,18}))?\s*$"


@dataclass(frozen=True, slots=True)
class Instants:
    """Timestamps in UTC.

    Parameters
    ----------
    utc : ndarray of int64
        Microseconds since 1970; without meaning where ``fault`` is set, except that of a
        repeated hour it is the first of the two instants.
    fault : ndarray of int8
        Index into ``FAULTS``; 0 where the timestamp is usable.
    transition, shift : ndarray of int64
        Of repeated hours, as in ``Localised``.
    """

    utc: Int64
    fault: NDArray[np.int8]
    transition: Int64
    shift: Int64


def _integers(column: pa.Array) -> Int64:
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


@dataclass(frozen=True, slots=True)
class _Parsed:
    time: Int64  # UTC where has_offset, otherwise clock time [µs]
    has_offset: NDArray[np.bool_]
    fault: NDArray[np.int8]


def _assemble(parts: pa.StructArray, year: Int64, month: Int64, day: Int64) -> _Parsed:
    year = np.where(year < 69, year + 2000, np.where(year < 100, year + 1900, year))
    hour, minute = _integers(parts.field("hour")), _integers(parts.field("minute"))
    second = _integers(parts.field("second"))
    fraction = _integers(
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
    ahead_h = _integers(pc.utf8_slice_codeunits(digits, 1, 3))
    ahead_m = _integers(pc.utf8_slice_codeunits(digits, 3, 5))
    bad |= (ahead_h > 18) | (ahead_m > 59)
    minus = np.asarray(pc.starts_with(digits, "-").to_numpy(zero_copy_only=False))
    ahead = np.where(minus, -1, 1) * (ahead_h * 60 + ahead_m) * 60_000_000
    time = _days_from_civil(year, safe, day) * _DAY
    time += ((hour * 60 + minute) * 60 + second) * 1_000_000 + fraction - ahead
    return _Parsed(time, has_offset, np.where(bad, _NO_SUCH, _FINE).astype(np.int8))


def _calendar(parts: pa.StructArray, kind: str, order: DayOrder | None) -> _Parsed:
    year = _integers(parts.field("year"))
    if kind == "named":
        month = pc.index_in(pc.utf8_lower(parts.field("month")), pa.array(_MONTHS))
        number = pc.fill_null(pc.add(month, 1), 0)
        return _assemble(
            parts,
            year,
            number.to_numpy(zero_copy_only=False).astype(np.int64),
            _integers(parts.field("day")),
        )
    if kind == "numeric":
        one, two = _integers(parts.field("one")), _integers(parts.field("two"))
        day, month = (one, two) if order == "day_first" else (two, one)
        return _assemble(parts, year, month, day)
    return _assemble(parts, year, _integers(parts.field("month")), _integers(parts.field("day")))


def _parse_calendar(texts: pa.Array, order: DayOrder | None) -> _Parsed:
    count = len(texts)
    time = np.zeros(count, dtype=np.int64)
    has_offset = np.zeros(count, dtype=bool)
    fault = np.full(count, _FORM, dtype=np.int8)
    left = np.arange(count)
    forms = [
        ("year", _YEAR_FIRST),
        ("compact", _COMPACT),
        ("named", _NAMED_MONTH),
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
            fault[hits] = _SWAPPABLE
        else:
            found = _calendar(parts.filter(pa.array(matched)), kind, order)
            time[hits], has_offset[hits], fault[hits] = found.time, found.has_offset, found.fault
        left = left[~matched]
    return _Parsed(time, has_offset, fault)


def _parse_epoch(texts: pa.Array, unit: int) -> _Parsed:
    parts = pc.extract_regex(texts, _DIGITS)
    matched = np.asarray(parts.is_valid().to_numpy(zero_copy_only=False))
    fault = np.where(matched, _FINE, _FORM).astype(np.int8)
    whole_text = pc.if_else(pa.array(matched), parts.field("whole"), "0")
    # 19 digits may exceed int64; such numbers are far outside the plausible years anyway.
    too_long = pc.greater(pc.utf8_length(whole_text), 18)
    long_ns = pc.and_(too_long, pc.greater(whole_text, "4102444800000000000"))
    whole = _integers(pc.if_else(long_ns, "0", whole_text))
    if unit < 0:
        time = whole // -unit
    else:
        padded = pc.utf8_slice_codeunits(
            pc.utf8_rpad(pc.fill_null(parts.field("fraction"), ""), 6, "0"), 0, 6
        )
        limit = np.iinfo(np.int64).max // unit - 1
        time = np.minimum(whole, limit) * unit + _integers(padded) * unit // 1_000_000
    minus = np.asarray(pc.equal(pc.fill_null(parts.field("sign"), ""), "-"))
    time = np.where(minus.astype(bool), -time, time)
    fault[np.asarray(long_ns.to_numpy(zero_copy_only=False)) & matched] = _IMPLAUSIBLE
    return _Parsed(time, np.ones(len(texts), dtype=bool), fault)


def _parse_serial(texts: pa.Array) -> _Parsed:
    parts = pc.extract_regex(texts, r"^\s*(?P<whole>\d{1,7})(?:[.,](?P<fraction>\d{1,15}))?\s*$")
    matched = np.asarray(parts.is_valid().to_numpy(zero_copy_only=False))
    whole = _integers(parts.field("whole"))
    fraction = pc.utf8_rpad(pc.fill_null(parts.field("fraction"), ""), 15, "0")
    # A serial of five whole and ten decimal digits resolves 10 µs: to the millisecond is honest.
    part_of_day = np.round(_integers(fraction) * (86_400_000 / 1e15)).astype(np.int64) * 1000
    fault = np.where(matched, _FINE, _FORM).astype(np.int8)
    # Serials below 61 differ between spreadsheet programs (29 February 1900); all are implausible.
    time = (whole - 25569) * _DAY + part_of_day
    return _Parsed(time, np.zeros(len(texts), dtype=bool), fault)


def _parse_pattern(texts: pa.Array, pattern: str) -> _Parsed:
    aware = "%z" in pattern or "%Z" in pattern
    series = pd.Series(texts.to_pandas(), dtype=object)
    parsed = pd.to_datetime(series, format=pattern, errors="coerce", utc=aware)
    if aware:
        parsed = parsed.dt.tz_localize(None)
    missing = np.array(parsed.isna(), dtype=bool)
    time = np.array(parsed.astype("datetime64[us]")).astype(np.int64)
    time[missing] = 0
    fault = np.where(missing, _FORM, _FINE).astype(np.int8)
    return _Parsed(time, np.full(len(texts), aware), fault)


def parse_times(
    texts: pa.Array, time_format: str, time_zone: str | None, order: DayOrder | None = None
) -> Instants:
    """Read timestamps written as text.

    Parameters
    ----------
    texts : Array of string, shape (n,)
        One timestamp each; null or blank where there is none.
    time_format : str
        As in ``ExportFormat.time_format``. With ``iso``, dates that start with the year or
        spell the month are read too, since they have one meaning only.
    time_zone : str or None
        Zone of timestamps without offset; None refuses them.
    order : {"day_first", "month_first"} or None
        Proven order of numeric dates where ``time_format`` does not declare it.

    Returns
    -------
    Instants
        Arrays of shape (n,), UTC.

    Notes
    -----
    Digits beyond the microsecond are cut off. Two-digit years are 1969 to 2068 (POSIX).
    24:00 is midnight of the day after (ISO 8601). A leap second (second 60) is refused.

    Examples
    --------
    >>> found = parse_times(pa.array(["2024-03-01T12:00:00+01:00"]), "iso", None)
    >>> str(np.datetime64(int(found.utc[0]), "us"))
    '2024-03-01T11:00:00.000000'
    """
    encoded = texts.dictionary_encode() if len(texts) > 1000 else None
    if encoded is not None and len(encoded.dictionary) < len(texts) // 2:
        # Long exports repeat an instant once per tag: each text is taken apart once.
        once = parse_times(encoded.dictionary, time_format, time_zone, order)
        index = encoded.indices.fill_null(len(once.utc)).to_numpy(zero_copy_only=False)
        return Instants(
            np.append(once.utc, 0)[index],
            np.append(once.fault, np.int8(_EMPTY))[index],
            np.append(once.transition, 0)[index],
            np.append(once.shift, 0)[index],
        )
    if time_format in EPOCH_UNITS:
        parsed = _parse_epoch(texts, EPOCH_UNITS[time_format])
    elif time_format == "spreadsheet":
        parsed = _parse_serial(texts)
    elif time_format in ("iso", "day_first", "month_first"):
        declared: dict[str, DayOrder] = {"day_first": "day_first", "month_first": "month_first"}
        parsed = _parse_calendar(texts, declared.get(time_format, order))
    else:
        parsed = _parse_pattern(texts, time_format)
    blank = pc.equal(pc.utf8_trim_whitespace(pc.fill_null(texts, "")), "")
    fault = np.where(np.asarray(blank.to_numpy(zero_copy_only=False)), _EMPTY, parsed.fault)
    return read_instants(parsed.time, parsed.has_offset, fault.astype(np.int8), time_zone)


def read_instants(
    time: Int64, has_offset: NDArray[np.bool_], fault: NDArray[np.int8], time_zone: str | None
) -> Instants:
    """Bring parsed times to UTC and mark what cannot be used.

    Parameters
    ----------
    time : ndarray of int64
        UTC where ``has_offset``, clock time elsewhere [µs].
    has_offset : ndarray of bool
        Whether the time is UTC already.
    fault : ndarray of int8
        Faults known so far.
    time_zone : str or None
        Zone of the clock times.

    Returns
    -------
    Instants
    """
    utc, fault = time.copy(), fault.copy()
    transition = np.zeros(len(time), dtype=np.int64)
    shift = np.zeros(len(time), dtype=np.int64)
    plausible = len(time) > 0 and bool(time.min() >= _EARLIEST and time.max() < _LATEST)
    if plausible and (time_zone in _ALWAYS_UTC or bool(has_offset.all())):
        return Instants(utc, fault, transition, shift)
    fault[(fault == _FINE) & ((time < _EARLIEST) | (time >= _LATEST))] = _IMPLAUSIBLE
    clock = (fault == _FINE) & ~has_offset
    if time_zone is None:
        fault[clock] = _NO_ZONE
    elif clock.any():
        everything = bool(clock.all())
        found = localise(time if everything else time[clock], time_zone)
        where: slice | NDArray[np.bool_] = slice(None) if everything else clock
        utc[where], transition[where], shift[where] = found.utc, found.transition, found.shift
        if found.is_ambiguous.any() or found.is_missing.any():
            codes = np.where(found.is_missing, _SKIPPED_HOUR, _FINE)
            fault[where] = np.where(found.is_ambiguous, REPEATED_HOUR, codes)
    return Instants(utc, fault, transition, shift)


def times_from_arrow(column: pa.Array, time_format: str, time_zone: str | None) -> Instants:
    """Read timestamps that are typed already: Arrow timestamps, dates or epoch numbers.

    Parameters
    ----------
    column : Array of timestamp, date or integer or floating point
        Any unit, with or without zone; numbers are epochs or spreadsheet serials as declared.
    time_format : str
        Declared format; counts for numbers only.
    time_zone : str or None
        Zone of timestamps without one.

    Returns
    -------
    Instants
    """
    kind = column.type
    count = len(column)
    if pa.types.is_timestamp(kind) and kind.unit == "us" and not column.null_count:
        # Bulk exports: instants as they are stored, with nothing to be said against them.
        stored = column.cast(pa.int64()).to_numpy(zero_copy_only=False)
        is_utc = kind.tz is not None or time_zone in _ALWAYS_UTC
        if is_utc and count and stored.min() >= _EARLIEST and stored.max() < _LATEST:
            nothing = np.zeros(count, dtype=np.int64)
            return Instants(stored, np.zeros(count, dtype=np.int8), nothing, nothing)
    null = np.zeros(count, dtype=bool)
    if column.null_count:
        null = np.asarray(column.is_null().to_numpy(zero_copy_only=False))
    fault = np.where(null, _EMPTY, _FINE).astype(np.int8)
    has_offset = np.ones(count, dtype=bool)
    if pa.types.is_date(kind):
        column, kind = column.cast(pa.timestamp("us")), pa.timestamp("us")
    if pa.types.is_timestamp(kind):
        number = column.cast(pa.int64())
        if number.null_count:
            number = number.fill_null(0)
        raw = number.to_numpy(zero_copy_only=False)
        factor = {"s": 1_000_000, "ms": 1000, "us": 1, "ns": -1000}[kind.unit]
        has_offset[:] = kind.tz is not None
    elif time_format == "spreadsheet":
        serial = column.cast(pa.float64()).fill_null(0.0).to_numpy(zero_copy_only=False)
        serial = np.where(np.isfinite(serial) & (np.abs(serial) < 1e7), serial, 0.0)
        raw = np.round((serial - 25569.0) * 86_400_000).astype(np.int64)
        factor, has_offset[:] = 1000, False
    else:
        factor = EPOCH_UNITS.get(time_format, 0)
        if not factor:
            fault[~null] = _FORM
            factor = 1
        if pa.types.is_floating(kind):
            number = column.cast(pa.float64()).fill_null(0.0).to_numpy(zero_copy_only=False)
            micro = number * factor if factor > 0 else number / -factor
            raw = np.where(np.isfinite(micro) & (np.abs(micro) < 9e18), micro, 0.0)
            raw, factor = np.round(raw).astype(np.int64), 1
        else:
            raw = column.cast(pa.int64(), safe=False).fill_null(0)
            raw = raw.to_numpy(zero_copy_only=False)
    if factor < 0:
        time = raw // -factor
    elif factor == 1:
        time = raw
    else:
        limit = np.iinfo(np.int64).max // factor
        time = np.clip(raw, -limit, limit) * factor
    return read_instants(time, has_offset, fault, time_zone)


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
        one, two = _integers(parts.field("one")), _integers(parts.field("two"))
        self.day_first += int(((one > 12) & (one <= 31) & (two <= 12)).sum())
        self.month_first += int(((two > 12) & (two <= 31) & (one <= 12)).sum())

    def add_all(self, blocks: Iterable[pa.Array]) -> None:
        """Look through blocks until one order is proven."""
        for block in blocks:
            self.add(block)
            if self.day_first or self.month_first:
                break

    @property
    def order(self) -> DayOrder | None:
        """The proven order; None where nothing or both is proven."""
        if self.day_first and not self.month_first:
            return "day_first"
        if self.month_first and not self.day_first:
            return "month_first"
        return None
