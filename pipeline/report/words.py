"""Numbers and findings put into words and short text for the page."""

from __future__ import annotations

import math

import pandas as pd

__all__ = [
    "NOTHING",
    "day_text",
    "interval",
    "moment_text",
    "money",
    "number",
    "plain",
    "points",
    "share",
    "signed",
    "time_text",
]

NOTHING = "–"
_THIN = "\N{NARROW NO-BREAK SPACE}"
_HARD = "\N{NO-BREAK SPACE}"


def _known(value: object) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def number(value: object, digits: int = 1, unit: str = "") -> str:
    """Write a number with its unit; a dash where there is none.

    Examples
    --------
    >>> number(71.234, 1, "%").replace(_HARD, " ")
    '71.2 %'
    >>> number(float("nan"))
    '–'
    """
    if not _known(value):
        return NOTHING
    text = f"{float(value):,.{digits}f}".replace(",", _THIN).replace("-", "−")  # type: ignore[arg-type]
    if text.strip("−0.") == "":
        text = text.replace("−", "")
    return f"{text}{_HARD}{unit}" if unit else text


def signed(value: object, digits: int = 1, unit: str = "") -> str:
    """Write a difference with its sign.

    Examples
    --------
    >>> signed(1.26), signed(-0.84), signed(0.0)
    ('+1.3', '−0.8', '0.0')
    """
    text = number(value, digits, unit)
    is_up = _known(value) and round(float(value), digits) > 0  # type: ignore[arg-type]
    return f"+{text}" if is_up else text


def interval(low: object, high: object, digits: int = 1, unit: str = "") -> str:
    """Write an interval of signed numbers; empty where an end is missing."""
    if not (_known(low) and _known(high)):
        return ""
    return f"{signed(low, digits)} to {signed(high, digits, unit)}"


def points(value: object, digits: int = 1) -> str:
    """Write a difference of two percentages, which is in points, not in percent."""
    return number(value, digits, "points")


def money(value: object, currency: str) -> str:
    """Write money to three figures: more would claim what nobody knows.

    Examples
    --------
    >>> money(12345.6, "EUR").replace(_THIN, " ").replace(_HARD, " ")
    '12 300 EUR'
    """
    if not _known(value):
        return NOTHING
    amount = float(value)  # type: ignore[arg-type]
    if amount:
        place = 2 - math.floor(math.log10(abs(amount)))
        amount = round(amount, min(place, 2))
    digits = 0 if abs(amount) >= 100 or amount == 0 else 1
    return number(amount, digits, currency)


def share(percent: object) -> str:
    """Write a part in percent so that nearly all never reads as all, nor nearly none as none.

    Examples
    --------
    >>> share(99.96).replace(_HARD, " "), share(100.0).replace(_HARD, " ")
    ('over 99 %', '100 %')
    """
    if not _known(percent):
        return NOTHING
    value = float(percent)  # type: ignore[arg-type]
    if 99.0 < value < 100.0:
        return f"over 99{_HARD}%"
    if 0.0 < value < 1.0:
        return f"under 1{_HARD}%"
    return number(value, 0, "%")


def plain(name: object) -> str:
    """Write a name from a table as words; a dash where there is none."""
    if not isinstance(name, str) or not name:
        return NOTHING
    return name.replace("_", " ")


def time_text(time: object, time_zone: str, form: str) -> str:
    """Write an instant on the station's clock; a dash where there is none."""
    if not isinstance(time, pd.Timestamp) or pd.isna(time):
        return NOTHING
    aware = time if time.tzinfo is not None else time.tz_localize("UTC")
    return aware.tz_convert(time_zone).strftime(form)


def day_text(time: object, time_zone: str) -> str:
    """Write the day of an instant on the station's calendar."""
    return time_text(time, time_zone, "%Y-%m-%d")


def moment_text(time: object, time_zone: str) -> str:
    """Write an instant to the minute on the station's clock."""
    return time_text(time, time_zone, "%Y-%m-%d %H:%M")
