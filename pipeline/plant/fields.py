"""Take typed values out of a parsed TOML table and collect every fault on the way.

A ``Section`` hands out one key at a time. Whatever is wrong becomes a ``Fault`` that names
the key as the user wrote it, and reading goes on, so that all faults come at once. Keys that
nobody asked for are faults too: a misspelt setting must not silently do nothing.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection, Iterator, Sequence
from typing import Any, overload
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.errors import Fault, UnitError
from pipeline.plant.validity import BEGINNING
from pipeline.plant.wording import (
    a_or_an,
    bounds,
    did_you_mean,
    has_control_character,
    measure_bounds,
    shown,
)
from pipeline.quantities import Conversion, conversion, parse_measure

_MISSING: Any = object()
_YEARS = (1900, 2200)


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
    inherited : collection of str
        Keys that come from an earlier version of the item. Their faults are not reported
        again: the earlier version has done so.
    """

    def __init__(
        self,
        content: dict[str, Any],
        where: str,
        faults: list[Fault],
        inherited: Collection[str] = (),
    ) -> None:
        self._content = content
        self._asked: set[str] = set()
        self._inherited = frozenset(inherited)
        self.where = where
        self.faults = faults

    def place(self, key: str) -> str:
        """Name a key of this table for a message."""
        return f"{self.where}, {key}" if self.where else key

    def fault(self, key: str, found: str, expected: str, remedy: str = "") -> None:
        """Note that the value of a key is wrong."""
        if key not in self._inherited:
            self.faults.append(Fault(self.place(key), found, expected, remedy))

    def refuse(self, key: str, error: UnitError) -> None:
        """Note what is wrong with a unit under the key that holds it."""
        for fault in error.faults:
            self.fault(key, fault.found, fault.expected, fault.remedy)

    def has(self, key: str) -> bool:
        """Whether the user wrote the key."""
        return key in self._content

    def holds(self, key: str, values: Collection[str]) -> bool:
        """Whether the key holds one of some texts."""
        value = self._content.get(key)
        return isinstance(value, str) and value in values

    def is_list(self, key: str) -> bool:
        """Whether the key holds a list."""
        return isinstance(self._content.get(key), list)

    def unstated(self, *keys: str) -> tuple[str, ...]:
        """Give those of some optional keys for which a usual value stands in."""
        return tuple(key for key in keys if key not in self._content)

    def _take(self, key: str, required: str | None) -> Any:
        self._asked.add(key)
        value = self._content.get(key, _MISSING)
        if value is _MISSING and required is not None:
            self.fault(key, "nothing", required, f"Add '{key}'.")
        return value

    @overload
    def text(self, key: str, *, expected: str = ...) -> str: ...
    @overload
    def text(self, key: str, default: str) -> str: ...
    @overload
    def text(self, key: str, default: None) -> str | None: ...
    def text(self, key: str, default: Any = _MISSING, *, expected: str = "a text") -> str | None:
        """Take a non-empty text; `expected` says of a missing one what should be there."""
        required = expected if default is _MISSING else None
        value = self._take(key, required)
        stand_in = "" if default is _MISSING else default
        if value is _MISSING:
            return stand_in
        if not isinstance(value, str) or not value.strip():
            self.fault(key, shown(value), "a text in quotes")
            return stand_in
        if has_control_character(value):
            self.fault(key, shown(value), "a text without control characters")
            return stand_in
        return value

    def mark(self, key: str, allowed: str) -> str | None:
        """Take a single character that separates something, such as a delimiter."""
        value = self._take(key, None)
        if value is _MISSING:
            return None
        if not isinstance(value, str) or len(value) != 1 or value not in allowed:
            listed = ", ".join(shown(c) for c in allowed)
            self.fault(key, shown(value), f"one of {listed}")
            return None
        return value

    def one_of(self, key: str, options: Sequence[str]) -> str | None:
        """Take a word that must be there; None where it is none of the options."""
        value = self.text(key, expected="one of " + ", ".join(options))
        if value and value not in options:
            hint = did_you_mean(value, options)
            self.fault(key, shown(value), "one of " + ", ".join(options), hint)
        return value if value in options else None

    def choice(self, key: str, options: Sequence[str], default: str) -> str:
        """Take one of several words, or the default."""
        return (self.one_of(key, options) if self.has(key) else None) or self._default(key, default)

    def _default(self, key: str, default: str) -> str:
        self._asked.add(key)
        return default

    def pass_over(self) -> None:
        """Accept all keys unseen: another fault keeps them from being judged."""
        self._asked.update(self._content)

    def zone(self, key: str) -> ZoneInfo | None:
        """Take the IANA name of a time zone; None where there is none or it is unknown."""
        name = self.text(key, None)
        if name is None:
            return None
        try:
            return ZoneInfo(name)
        except (OSError, ValueError, KeyError):
            self.fault(key, shown(name), "an IANA name such as 'Europe/Lisbon'")
            return None

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
            self.fault(key, shown(value), "a number without unit")
            return default
        # An integer of TOML may be too large for a float.
        if not (abs(value) < 1e300 and low <= value <= high):
            self.fault(key, shown(value), f"a number {bounds(low, high)}".strip())
            return default
        return float(value)

    def whole(self, key: str, default: int | None = None, *, low: int, high: int) -> int | None:
        """Take a whole number within bounds."""
        value = self.number(key, None, low=low, high=high)
        if value is None:
            return default
        if value != int(value):
            self.fault(key, shown(value), f"a whole number {bounds(low, high)}")
            return default
        return int(value)

    def flag(self, key: str, default: bool) -> bool:
        """Take true or false."""
        value = self._take(key, None)
        if value is _MISSING:
            return default
        if not isinstance(value, bool):
            self.fault(key, shown(value), "true or false")
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
        value = self._take(key, f"{a_or_an(quantity)} with its unit" if required else None)
        if value is _MISSING:
            return default
        if not isinstance(value, str):
            self.fault(key, shown(value), "a number with its unit, in quotes, like '2.5 m'")
            return default
        try:
            number, _ = parse_measure(value, quantity)
        except UnitError as error:
            self.refuse(key, error)
            return default
        if not (math.isfinite(number) and low <= number <= high):
            self.fault(key, shown(value), measure_bounds(low, high, quantity))
            return default
        return number

    def moment(self, key: str, zone: ZoneInfo) -> pd.Timestamp | None:
        """Take a date or a date with time; without offset it is local to the station."""
        value = self._take(key, None)
        if value is _MISSING:
            return None
        moment = as_moment(value, zone)
        if moment is None:
            years = f"in the years {_YEARS[0]} to {_YEARS[1]}"
            self.fault(key, shown(value), f"a date such as 2025-03-01, {years}")
        return moment

    def valid_from(self, zone: ZoneInfo) -> pd.Timestamp:
        """Take the date since when the item is as described."""
        return self.moment("valid_from", zone) or BEGINNING

    def words(self, key: str) -> tuple[str, ...]:
        """Take a list of texts, or a single one; numbers are taken as they are written."""
        value = self._take(key, None)
        if value is _MISSING:
            return ()
        items = value if isinstance(value, list) else [value]
        good = all(isinstance(v, str | int | float) and not isinstance(v, bool) for v in items)
        if not good or any(isinstance(v, str) and has_control_character(v) for v in items):
            self.fault(key, shown(value), "a list of texts")
            return ()
        return tuple(str(v) for v in items)

    def section(self, key: str) -> Section | None:
        """Take a table."""
        value = self._take(key, None)
        if value is _MISSING:
            return None
        if not isinstance(value, dict):
            self.fault(key, shown(value), f"a table [{key}]")
            return None
        return Section(value, self.place(key), self._faults_of(key))

    def sections(self, key: str, named_by: str = "id") -> Iterator[Section]:
        """Take an array of tables, naming each by its identifying key in messages."""
        for number, content in enumerate(self._tables(key), start=1):
            label = _label(content, named_by, number)
            yield Section(content, f"{self.place(key)} {label}", self._faults_of(key))

    def versions(self, key: str, zone: ZoneInfo, renewed: dict[str, str]) -> Iterator[Section]:
        """Take an array of tables in which a later version of an item may be short.

        A table with the ``id`` of an earlier one (by ``valid_from``) takes over every key it
        does not write itself. A list or table that is written replaces the earlier one whole.
        ``without`` lists keys that no longer hold.

        Parameters
        ----------
        key : str
            Key of the array.
        zone : ZoneInfo
            Of dates without offset.
        renewed : dict of str to str
            Keys that are not taken over once the key named beside it is written anew.

        Yields
        ------
        Section
            Each with all its keys, in the order of the dates.
        """
        groups: dict[Any, list[dict[str, Any]]] = {}
        for number, content in enumerate(self._tables(key), start=1):
            name = content.get("id")
            groups.setdefault(name if isinstance(name, str) else number, []).append(content)
        for number, group in enumerate(groups.values(), start=1):
            label = f"{self.place(key)} {_label(group[0], 'id', number)}"
            earlier: dict[str, Any] = {}
            for content in sorted(group, key=lambda c: _date_of(c, zone)):
                where = label
                if earlier and "valid_from" in content:
                    where = f"{label} from {shown(content['valid_from'])}"
                written = Section(content, where, self.faults)
                kept = written._kept_from(earlier, renewed)
                own = {k: v for k, v in content.items() if k != "without"}
                earlier = {**kept, **own}
                yield Section(earlier, where, self.faults, kept)

    def _kept_from(self, earlier: dict[str, Any], renewed: dict[str, str]) -> dict[str, Any]:
        """Give what this version takes over from the one before it."""
        dropped = {"valid_from", *self._content}
        dropped |= {old for new, old in renewed.items() if new in self._content}
        for gone in self.words("without"):
            if gone not in earlier or gone in self._content:
                known = sorted(set(earlier) - {"id", "valid_from", *self._content})
                expected = "a key of the version before it: " + (", ".join(known) or "none")
                self.fault("without", shown(gone), expected, did_you_mean(gone, known))
            dropped.add(gone)
        return {k: v for k, v in earlier.items() if k not in dropped}

    def _tables(self, key: str) -> list[dict[str, Any]]:
        value = self._take(key, None)
        if value is _MISSING:
            return []
        if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
            self.fault(key, shown(value), f"tables [[{key}]]")
            return []
        return value

    def _faults_of(self, key: str) -> list[Fault]:
        # What is wrong in an inherited table has been said of the version it comes from.
        return [] if key in self._inherited else self.faults

    def done(self) -> None:
        """Refuse the keys that nobody asked for."""
        for key in self._content:
            if key not in self._asked:
                known = ", ".join(sorted(self._asked))
                hint = did_you_mean(key, self._asked) or "Remove it."
                self.fault(key, "an unknown key", f"one of {known}", hint)


def as_moment(value: object, zone: ZoneInfo) -> pd.Timestamp | None:
    """Read a TOML date, or one in quotes; None if it is none or far from any plant's life.

    Parameters
    ----------
    value : object
        As parsed from TOML.
    zone : ZoneInfo
        Of a date without offset.

    Returns
    -------
    Timestamp or None
        UTC.
    """
    if isinstance(value, str):
        try:
            value = dt.datetime.fromisoformat(value)
        except ValueError:
            return None
    if isinstance(value, dt.date) and not isinstance(value, dt.datetime):
        value = dt.datetime(value.year, value.month, value.day)
    if not isinstance(value, dt.datetime) or not _YEARS[0] <= value.year <= _YEARS[1]:
        return None
    aware = value if value.tzinfo else value.replace(tzinfo=zone)
    return pd.Timestamp(aware).tz_convert("UTC").as_unit("us")


def _date_of(content: dict[str, Any], zone: ZoneInfo) -> pd.Timestamp:
    return as_moment(content.get("valid_from"), zone) or BEGINNING


def _label(content: dict[str, Any], named_by: str, number: int) -> str:
    name = content.get(named_by)
    return shown(name) if isinstance(name, str) else f"number {number}"


def tag_conversion(section: Section, quantity: str, unit: str) -> Conversion | None:
    """Give the conversion of a tag's unit; None, and a fault noted, if it is unknown."""
    try:
        return conversion(unit, quantity)
    except UnitError as error:
        section.refuse("unit", error)
        return None
