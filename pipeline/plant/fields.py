"""Take typed values out of a parsed TOML table and collect every fault on the way.

A ``Section`` hands out one key at a time. Whatever is wrong becomes a ``Fault`` that names
the key as the user wrote it, and reading goes on, so that all faults come at once. Keys that
nobody asked for are faults too: a misspelt setting must not silently do nothing.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Iterator, Sequence
from typing import Any, overload
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.errors import Fault, UnitError
from pipeline.plant.types import BEGINNING
from pipeline.quantities import conversion, parse_measure

_MISSING: Any = object()


class Section:
    """One TOML table while it is being read.

    Parameters
    ----------
    content : dict
        The parsed table.
    where : str
        How messages name it, such as ``pumps 'P1'``.
    faults : list of Fault
        Shared by the whole file; faults are appended.
    """

    def __init__(self, content: dict[str, Any], where: str, faults: list[Fault]) -> None:
        self._content = content
        self._asked: set[str] = set()
        self.where = where
        self.faults = faults

    def fault(self, key: str, found: str, expected: str, remedy: str = "") -> None:
        """Note that the value of a key is wrong."""
        where = f"{self.where}, {key}" if self.where else key
        self.faults.append(Fault(where, found, expected, remedy))

    def has(self, key: str) -> bool:
        """Whether the user wrote the key."""
        return key in self._content

    def _take(self, key: str, required: str | None) -> Any:
        self._asked.add(key)
        value = self._content.get(key, _MISSING)
        if value is _MISSING and required is not None:
            self.fault(key, "nothing", required, f"Add '{key}'.")
        return value

    @overload
    def text(self, key: str) -> str: ...
    @overload
    def text(self, key: str, default: str) -> str: ...
    @overload
    def text(self, key: str, default: None) -> str | None: ...
    def text(self, key: str, default: Any = _MISSING) -> str | None:
        """Take a non-empty text."""
        required = "a text" if default is _MISSING else None
        value = self._take(key, required)
        if value is _MISSING:
            return "" if default is _MISSING else default
        if not isinstance(value, str) or not value.strip():
            self.fault(key, _shown(value), "a text in quotes")
            return "" if default is _MISSING else default
        return value

    def choice(self, key: str, options: Sequence[str], default: str | None = None) -> str:
        """Take one of several words."""
        value = self.text(key) if default is None else self.text(key, default)
        if value and value not in options:
            near = difflib.get_close_matches(value, options, n=1)
            hint = f"Did you mean '{near[0]}'?" if near else ""
            self.fault(key, f"'{value}'", "one of " + ", ".join(options), hint)
            return default if default is not None else options[0]
        return value or options[0]

    def number(
        self,
        key: str,
        default: float | None = None,
        *,
        low: float = float("-inf"),
        high: float = float("inf"),
        required: bool = False,
    ) -> float | None:
        """Take a plain number within bounds."""
        value = self._take(key, "a number" if required else None)
        if value is _MISSING:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.fault(key, _shown(value), "a number without unit")
            return default
        if not low <= value <= high:
            self.fault(key, str(value), f"a number from {low:g} to {high:g}")
            return default
        return float(value)

    def flag(self, key: str, default: bool) -> bool:
        """Take true or false."""
        value = self._take(key, None)
        if value is _MISSING:
            return default
        if not isinstance(value, bool):
            self.fault(key, _shown(value), "true or false")
            return default
        return value

    def measure(
        self,
        key: str,
        quantity: str,
        default: float | None = None,
        *,
        required: bool = False,
        low: float = float("-inf"),
        high: float = float("inf"),
    ) -> float | None:
        """Take a number with its unit, such as ``"250 mm"``, into SI."""
        value = self._take(key, f"a {quantity} with its unit" if required else None)
        if value is _MISSING:
            return default
        if not isinstance(value, str):
            self.fault(key, _shown(value), "a number with its unit, in quotes, like '2.5 m'")
            return default
        try:
            number, _ = parse_measure(value, quantity)
        except UnitError as error:
            self.faults.extend(
                Fault(f"{self.where}, {key}", f.found, f.expected, f.remedy) for f in error.faults
            )
            return default
        if not low <= number <= high:
            self.fault(key, f"'{value}'", _bounds_text(low, high, quantity))
            return default
        return number

    def moment(self, key: str, zone: ZoneInfo) -> pd.Timestamp | None:
        """Take a date or a date with time; without offset it is local to the station."""
        value = self._take(key, None)
        if value is _MISSING:
            return None
        if isinstance(value, str):
            try:
                value = dt.datetime.fromisoformat(value)
            except ValueError:
                self.fault(key, f"'{value}'", "a date such as 2025-03-01")
                return None
        if isinstance(value, dt.datetime):
            aware = value if value.tzinfo else value.replace(tzinfo=zone)
        elif isinstance(value, dt.date):
            aware = dt.datetime(value.year, value.month, value.day, tzinfo=zone)
        else:
            self.fault(key, _shown(value), "a date such as 2025-03-01")
            return None
        return pd.Timestamp(aware).tz_convert("UTC").as_unit("us")

    def valid_from(self, zone: ZoneInfo) -> pd.Timestamp:
        """Take the date since when the item is as described."""
        return self.moment("valid_from", zone) or BEGINNING

    def words(self, key: str) -> tuple[str, ...]:
        """Take a list of texts, or a single one; numbers are taken as they are written."""
        value = self._take(key, None)
        if value is _MISSING:
            return ()
        if isinstance(value, str):
            return (value,)
        if not isinstance(value, list) or not all(isinstance(v, str | int) for v in value):
            self.fault(key, _shown(value), "a list of texts")
            return ()
        return tuple(str(v) for v in value)

    def section(self, key: str) -> Section | None:
        """Take a table."""
        value = self._take(key, None)
        if value is _MISSING:
            return None
        if not isinstance(value, dict):
            self.fault(key, _shown(value), f"a table [{key}]")
            return None
        return Section(value, f"{self.where}, {key}" if self.where else key, self.faults)

    def sections(self, key: str, named_by: str = "id") -> Iterator[Section]:
        """Take an array of tables, naming each by its identifying key in messages."""
        value = self._take(key, None)
        if value is _MISSING:
            return
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            self.fault(key, _shown(value), f"tables [[{key}]]")
            return
        for number, content in enumerate(value, start=1):
            name = content.get(named_by)
            label = f"'{name}'" if isinstance(name, str) else f"number {number}"
            prefix = f"{self.where}, {key}" if self.where else key
            yield Section(content, f"{prefix} {label}", self.faults)

    def done(self) -> None:
        """Refuse the keys that nobody asked for."""
        for key in self._content:
            if key not in self._asked:
                near = difflib.get_close_matches(key, self._asked, n=1)
                known = ", ".join(sorted(self._asked))
                hint = f"Did you mean '{near[0]}'?" if near else "Remove it."
                self.fault(key, "an unknown key", f"one of {known}", hint)


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"'{value}'"
    return str(value)


def _bounds_text(low: float, high: float, quantity: str) -> str:
    from pipeline.quantities import quantity as look_up

    unit = look_up(quantity).si_unit
    if high == float("inf"):
        return f"at least {low:g} {unit}"
    if low == float("-inf"):
        return f"at most {high:g} {unit}"
    return f"from {low:g} to {high:g} {unit}"


def tag_conversion(section: Section, quantity: str, unit: str) -> tuple[float, float, Any]:
    """Give scale, offset and pressure reference of a tag's unit, noting a fault if unknown."""
    try:
        found = conversion(unit, quantity)
    except UnitError as error:
        for fault in error.faults:
            section.fault("unit", fault.found, fault.expected, fault.remedy)
        return 1.0, 0.0, None
    return found.scale, found.offset, found.reference
