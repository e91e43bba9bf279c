"""Timestamps as historians write them, read in bulk.

Nothing is guessed in silence. A timestamp without offset needs a declared zone; numeric
dates whose day and month could be swapped need ``day_first`` or ``month_first``, or a date in
the same file that only one of the two allows; the hour that clocks repeat is told apart by
row order where that decides and refused otherwise; the hour that clocks skip is refused.
"""

from __future__ import annotations

from contextlib import suppress

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.exports.date_texts import DAY, DayOrder, integers, parse_calendar
from pipeline.exports.instants import (
    ALWAYS_UTC,
    EARLIEST,
    EMPTY,
    FINE,
    FORM,
    IMPLAUSIBLE,
    LATEST,
    Instants,
    Parsed,
    read_instants,
)

__all__ = ["EPOCH_UNITS", "iso_instants", "parse_times", "times_from_arrow"]

Int64 = NDArray[np.int64]

EPOCH_UNITS = {"epoch_s": 1_000_000, "epoch_ms": 1_000, "epoch_us": 1, "epoch_ns": -1_000}
"""Microseconds per unit; negative: units per microsecond."""
SERIALS = {"spreadsheet": -25569, "spreadsheet_1904": -24107}
"""Day of serial 0, counted from 1970 (ECMA-376 Part 1, 18.17.4.1: date bases 1900 and 1904)."""

_ISO_KINDS = (pa.timestamp("us", "UTC"), pa.timestamp("us"))
"""With an offset each, or without any."""

_DIGITS = r"^\s*(?P<sign>[+-]?)(?P<whole>\d{1,19})(?:[.,](?P<fraction>\d{1,18}))?\s*$"


def _parse_epoch(texts: pa.Array, unit: int) -> Parsed:
    parts = pc.extract_regex(texts, _DIGITS)
    matched = np.asarray(parts.is_valid().to_numpy(zero_copy_only=False))
    fault = np.where(matched, FINE, FORM).astype(np.int8)
    whole_text = pc.if_else(pa.array(matched), parts.field("whole"), "0")
    # 19 digits may exceed int64; such numbers are far outside the plausible years anyway.
    too_long = pc.greater(pc.utf8_length(whole_text), 18)
    long_ns = pc.and_(too_long, pc.greater(whole_text, "4102444800000000000"))
    whole = integers(pc.if_else(long_ns, "0", whole_text))
    if unit < 0:
        time = whole // -unit
    else:
        padded = pc.utf8_slice_codeunits(
            pc.utf8_rpad(pc.fill_null(parts.field("fraction"), ""), 6, "0"), 0, 6
        )
        limit = np.iinfo(np.int64).max // unit - 1
        time = np.minimum(whole, limit) * unit + integers(padded) * unit // 1_000_000
    minus = np.asarray(pc.equal(pc.fill_null(parts.field("sign"), ""), "-"))
    time = np.where(minus.astype(bool), -time, time)
    fault[np.asarray(long_ns.to_numpy(zero_copy_only=False)) & matched] = IMPLAUSIBLE
    return Parsed(time, np.ones(len(texts), dtype=bool), fault)


def _parse_serial(texts: pa.Array, first_day: int) -> Parsed:
    parts = pc.extract_regex(texts, r"^\s*(?P<whole>\d{1,7})(?:[.,](?P<fraction>\d{1,15}))?\s*$")
    matched = np.asarray(parts.is_valid().to_numpy(zero_copy_only=False))
    whole = integers(parts.field("whole"))
    written = pc.fill_null(parts.field("fraction"), "")
    digits = pc.utf8_length(written).to_numpy(zero_copy_only=False)
    # Ten decimals of a day resolve 10 µs, but binary rounding makes the millisecond honest; five
    # decimals resolve 0.9 s, so that a whole second stands for what was written.
    step = 10.0 ** np.clip(8 - digits, 0, 3)
    fraction = integers(pc.utf8_rpad(written, 15, "0")) * (86_400_000 / 1e15)
    part_of_day = (np.round(fraction / step) * step).astype(np.int64) * 1000
    fault = np.where(matched, FINE, FORM).astype(np.int8)
    # Serials below 61 differ between spreadsheet programs (29 February 1900); all are implausible.
    time = (whole + first_day) * DAY + part_of_day
    return Parsed(time, np.zeros(len(texts), dtype=bool), fault)


def _parse_pattern(texts: pa.Array, pattern: str) -> Parsed:
    aware = "%z" in pattern or "%Z" in pattern
    series = pd.Series(texts.to_pandas(), dtype=object)
    parsed = pd.to_datetime(series, format=pattern, errors="coerce", utc=aware)
    if aware:
        parsed = parsed.dt.tz_localize(None)
    missing = np.array(parsed.isna(), dtype=bool)
    time = np.array(parsed.astype("datetime64[us]")).astype(np.int64)
    time[missing] = 0
    fault = np.where(missing, FORM, FINE).astype(np.int8)
    return Parsed(time, np.full(len(texts), aware), fault)


def iso_instants(texts: pa.Array) -> pa.Array | None:
    """Read timestamps of one plain ISO 8601 form by Arrow's parser, many times as fast.

    Parameters
    ----------
    texts : Array of string, shape (n,)
        Timestamps.

    Returns
    -------
    Array of timestamp or None
        With a zone if all have an offset, without if none has; None for any other texts.
    """
    for kind in _ISO_KINDS:
        with suppress(pa.ArrowInvalid):
            return texts.cast(kind)
    return None


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
    if time_format == "iso" and len(texts) > 1000:
        typed = iso_instants(texts)
        if typed is not None:
            return times_from_arrow(typed, time_format, time_zone)
    encoded = texts.dictionary_encode() if len(texts) > 1000 else None
    if encoded is not None and len(encoded.dictionary) < len(texts) // 2:
        # Long exports repeat an instant once per tag: each text is taken apart once.
        once = parse_times(encoded.dictionary, time_format, time_zone, order)
        index = encoded.indices.fill_null(len(once.utc)).to_numpy(zero_copy_only=False)
        return Instants(
            np.append(once.utc, 0)[index],
            np.append(once.fault, np.int8(EMPTY))[index],
            np.append(once.transition, 0)[index],
            np.append(once.shift, 0)[index],
        )
    if time_format in EPOCH_UNITS:
        parsed = _parse_epoch(texts, EPOCH_UNITS[time_format])
    elif time_format in SERIALS:
        parsed = _parse_serial(texts, SERIALS[time_format])
    elif time_format in ("iso", "day_first", "month_first"):
        declared: dict[str, DayOrder] = {"day_first": "day_first", "month_first": "month_first"}
        parsed = parse_calendar(texts, declared.get(time_format, order))
    else:
        parsed = _parse_pattern(texts, time_format)
    blank = pc.equal(pc.utf8_trim_whitespace(pc.fill_null(texts, "")), "")
    fault = np.where(np.asarray(blank.to_numpy(zero_copy_only=False)), EMPTY, parsed.fault)
    return read_instants(parsed.time, parsed.has_offset, fault.astype(np.int8), time_zone)


def times_from_arrow(column: pa.Array, time_format: str, time_zone: str | None) -> Instants:
    """Read timestamps that are typed already: Arrow timestamps, dates or epoch numbers.

    Parameters
    ----------
    column : Array of timestamp, date, integer, decimal or floating point
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
        is_utc = kind.tz is not None or time_zone in ALWAYS_UTC
        if is_utc and count and stored.min() >= EARLIEST and stored.max() < LATEST:
            nothing = np.zeros(count, dtype=np.int64)
            return Instants(stored, np.zeros(count, dtype=np.int8), nothing, nothing)
    if pa.types.is_decimal(kind):
        column, kind = column.cast(pa.float64()), pa.float64()
    if pa.types.is_floating(kind):
        column = pc.if_else(pc.is_nan(column), None, column)
    null = np.zeros(count, dtype=bool)
    if column.null_count:
        null = np.asarray(column.is_null().to_numpy(zero_copy_only=False))
    fault = np.where(null, EMPTY, FINE).astype(np.int8)
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
    elif time_format in SERIALS:
        serial = column.cast(pa.float64()).fill_null(0.0).to_numpy(zero_copy_only=False)
        serial = np.where(np.isfinite(serial) & (np.abs(serial) < 1e7), serial, 0.0)
        raw = np.round((serial + SERIALS[time_format]) * 86_400_000).astype(np.int64)
        factor, has_offset[:] = 1000, False
    else:
        factor = EPOCH_UNITS.get(time_format, 0)
        if not factor:
            fault[~null] = FORM
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
