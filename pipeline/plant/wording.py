"""How messages about the plant file name and show things."""

from __future__ import annotations

import difflib
import math
from collections.abc import Collection

from pipeline.quantities import quantity as look_up

_LONGEST_SHOWN = 60


def has_control_character(text: str) -> bool:
    """Whether a text holds a character that no name, path or unit can hold."""
    return any(ord(c) < 32 or ord(c) == 127 for c in text)


def did_you_mean(name: str, known: Collection[str]) -> str:
    """Suggest the nearest known name; empty where none is near."""
    near = difflib.get_close_matches(name, sorted(known), n=1)
    return f"Did you mean '{near[0]}'?" if near else ""


def a_or_an(noun: str) -> str:
    """Put the indefinite article before a noun, its underscores as blanks.

    Examples
    --------
    >>> a_or_an("elevation"), a_or_an("suction_pressure")
    ('an elevation', 'a suction pressure')
    """
    return f"{'an' if noun[:1] in 'aeiou' else 'a'} {noun.replace('_', ' ')}"


def shown(value: object) -> str:
    """Show a TOML value in a message, as the user wrote it and not at any length."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and abs(value) >= 10**_LONGEST_SHOWN:
        return f"a number of more than {_LONGEST_SHOWN} digits"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        parts = ", ".join(shown(v) for v in value[:3])
        return f"[{parts}, ...]" if len(value) > 3 else f"[{parts}]"
    text = "".join(c if c.isprintable() else "?" for c in str(value))
    if len(text) > _LONGEST_SHOWN:
        text = text[: _LONGEST_SHOWN - 3] + "..."
    return f"'{text}'" if isinstance(value, str) else text


def bounds(low: float, high: float, unit: str = "") -> str:
    """Say within which bounds a number must lie; infinite ones are left out."""
    unit = f" {unit}" if unit and unit != "1" else ""
    if math.isinf(low) and math.isinf(high):
        return "of ordinary size"
    if math.isinf(high):
        return f"of at least {low:g}{unit}"
    if math.isinf(low):
        return f"of at most {high:g}{unit}"
    return f"from {low:g} to {high:g}{unit}"


def measure_bounds(low: float, high: float, quantity: str) -> str:
    """Say within which bounds, in SI, a quantity must lie."""
    return f"{a_or_an(quantity)} {bounds(low, high, look_up(quantity).si_unit)}"
