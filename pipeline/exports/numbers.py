"""Numbers as exports write them: decimal comma, thousands separators, and what is no number."""

from __future__ import annotations

import re
from contextlib import suppress

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.plant.types import ExportFormat

__all__ = [
    "NO_VALUE",
    "STATES",
    "looks_like_other_numbers",
    "read_numbers",
    "read_states",
    "says_nothing",
]

NO_VALUE = ("", "nan", "null", "none", "na", "n/a")
"""Texts, without case, that say there is no value."""

STATES = {
    **dict.fromkeys(("1", "true", "on", "yes", "run", "running", "started", "open", "opened"), 1.0),
    **dict.fromkeys(("0", "false", "off", "no", "stop", "stopped", "closed", "shut"), 0.0),
    **dict.fromkeys(("ja", "ein", "oui", "si", "sí", "sì", "sim"), 1.0),
    **dict.fromkeys(("nein", "aus", "non", "não", "nao"), 0.0),
}
"""Words, without case, for the two states of a switch."""

_BLANKS, _APOSTROPHES = " \u00a0\u2007\u2009\u202f", "'\u2019"
# Whichever blank or apostrophe is declared, its likes group digits too: they look the same.
_DIGIT_GROUPS = {
    **dict.fromkeys(_BLANKS, f"[{_BLANKS}]"),
    **dict.fromkeys(_APOSTROPHES, f"[{_APOSTROPHES}]"),
}
_NOT_A_NUMBER = r"^[+-]?nan(?:\([0-9a-z_]*\))?$"


def _pattern(decimal: str, thousands: str | None) -> str:
    point = re.escape(decimal)
    plain = r"\d+"
    if thousands:
        mark = _DIGIT_GROUPS.get(thousands, re.escape(thousands))
        # A group cannot follow a zero: "0,123" is a decimal comma, whatever was declared.
        plain = rf"(?:[1-9]\d{{0,2}}(?:{mark}\d{{3}})+|\d+)"
    return rf"^[+-]?(?:{plain}(?:{point}\d*)?|{point}\d+)(?:[eE][+-]?\d{{1,3}})?$"


def says_nothing(texts: pa.Array) -> NDArray[np.bool_]:
    """Tell texts that say there is no value: blank ones, and words such as ``NaN`` or ``null``.

    Parameters
    ----------
    texts : Array of string, shape (n,)
        As exported; null counts as blank.

    Returns
    -------
    ndarray of bool
    """
    lowered = pc.utf8_lower(pc.utf8_trim_whitespace(pc.fill_null(texts, "")))
    found = pc.or_(
        pc.is_in(lowered, pa.array(NO_VALUE, pa.string())),
        pc.match_substring_regex(lowered, _NOT_A_NUMBER),
    )
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype=bool)


def read_numbers(
    values: pa.Array, export: ExportFormat
) -> tuple[NDArray[np.float64], NDArray[np.bool_], NDArray[np.bool_]]:
    """Read values that are numbers or texts.

    Parameters
    ----------
    values : Array of number, bool or string, shape (n,)
        As exported.
    export : ExportFormat
        Its ``decimal`` and ``thousands`` say how numbers are written.

    Returns
    -------
    value : ndarray of float64
        NaN where there is no finite number.
    is_text : ndarray of bool
        True where something else than a number is written; infinities count as text.
    is_empty : ndarray of bool
        True where nothing is written, or a word for nothing.
    """
    if not _is_text(values.type):
        if pa.types.is_boolean(values.type):
            values = values.cast(pa.int8())
        number = values.cast(pa.float64(), safe=False)
        if number.null_count:
            number = number.fill_null(np.nan)
        value = number.to_numpy(zero_copy_only=False)
        if np.isfinite(value).all():
            return value, np.zeros(len(value), dtype=bool), np.zeros(len(value), dtype=bool)
        is_text = np.isinf(value)
        if is_text.any():
            value = np.where(is_text, np.nan, value)
        return value, is_text, np.isnan(value) & ~is_text
    if export.decimal == "." and not export.thousands and not values.null_count:
        # Plain numbers throughout, as a rule: Arrow's parser reads them many times as fast.
        with suppress(pa.ArrowInvalid):
            value = values.cast(pa.float64()).to_numpy(zero_copy_only=False)
            if np.isfinite(value).all():
                nothing = np.zeros(len(value), dtype=bool)
                return value, nothing, nothing
    texts = pc.utf8_trim_whitespace(pc.fill_null(values.cast(pa.string()), ""))
    is_number = pc.match_substring_regex(texts, _pattern(export.decimal, export.thousands))
    number = pc.if_else(is_number, texts, "nan")
    if export.thousands in _DIGIT_GROUPS:
        number = pc.replace_substring_regex(number, _DIGIT_GROUPS[export.thousands], "")
    elif export.thousands:
        number = pc.replace_substring(number, export.thousands, "")
    if export.decimal != ".":
        number = pc.replace_substring(number, export.decimal, ".")
    if pc.any(pc.starts_with(number, "+")).as_py():  # Arrow's cast takes none
        number = pc.replace_substring_regex(number, r"^\+", "")
    value = pc.cast(number, pa.float64()).to_numpy(zero_copy_only=False)
    is_empty = ~np.asarray(is_number.to_numpy(zero_copy_only=False), dtype=bool)
    others = np.flatnonzero(is_empty)
    is_empty[others] = says_nothing(texts.take(pa.array(others)))
    overflow = np.isinf(value)
    is_text = overflow.copy()
    is_text[others] = ~is_empty[others]
    return np.where(overflow, np.nan, value), is_text, is_empty


def read_states(values: pa.Array) -> NDArray[np.float64]:
    """Read the words of a tag of two states, such as whether a pump runs.

    Parameters
    ----------
    values : Array of string, shape (n,)
        As exported.

    Returns
    -------
    ndarray of float64
        1 or 0; NaN for any other text.

    Examples
    --------
    >>> read_states(pa.array(["On", "STOPPED", "perhaps"])).tolist()
    [1.0, 0.0, nan]
    """
    words = pc.utf8_lower(pc.utf8_trim_whitespace(values.cast(pa.string())))
    position = pc.index_in(words, pa.array(list(STATES), pa.string())).fill_null(len(STATES))
    return np.array([*STATES.values(), np.nan])[position.to_numpy(zero_copy_only=False)]


def looks_like_other_numbers(texts: pa.Array, export: ExportFormat) -> list[str]:
    """Say which declaration would make refused texts numbers.

    Parameters
    ----------
    texts : Array of string
        Values that were not numbers as the export is declared.
    export : ExportFormat
        The declaration.

    Returns
    -------
    list of str
        Hints for the user; empty if there is none.
    """
    hints = []
    other = "," if export.decimal == "." else "."
    texts = pc.utf8_trim_whitespace(texts)
    if _any_number(texts, other, None):
        hints.append(f"Some values would be numbers with decimal = '{other}'.")
    for mark in (other, " ", "'"):
        if export.thousands is None and _any_number(texts, export.decimal, mark):
            quoted = f'"{mark}"' if mark == "'" else f"'{mark}'"
            hints.append(f"Some values would be numbers with thousands = {quoted}.")
    return hints


def _any_number(texts: pa.Array, decimal: str, thousands: str | None) -> bool:
    """Tell whether any text is a number only by the marks that are tried."""
    mark = thousands or decimal
    is_marked = pc.match_substring_regex(texts, _DIGIT_GROUPS.get(mark, re.escape(mark)))
    found = pc.match_substring_regex(texts.filter(is_marked), _pattern(decimal, thousands))
    return bool(pc.any(found).as_py())


def _is_text(kind: pa.DataType) -> bool:
    return bool(
        pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_string_view(kind)
    )
