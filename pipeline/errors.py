"""Every exception gaugeless raises on purpose.

::

    GaugelessError                 base of all; its text is one clear message for the user
    ├── PlantFileError             the plant file cannot be used; lists every fault
    ├── ExportError                a whole export file cannot be read
    ├── UnitError                  a unit is unknown or does not fit its quantity
    ├── RangeError                 a physical input lies outside the stated validity range
    ├── ContractError              a table does not meet its contract
    ├── StoreError                 the data folder cannot be used
    │   ├── StoreLockedError       another run holds the data folder
    │   └── RebuildNeededError     a change needs a full rebuild that was not asked for
    ├── PublishError               the tables could not be published to a database
    └── InsufficientEvidenceError  an estimate was asked for that the data cannot support

Estimates inside a run do not raise ``InsufficientEvidenceError``: they return a typed
status, so that one pump cannot stop a night. The class serves direct callers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

MOST_FAULTS_SHOWN = 10

__all__ = [
    "ContractError",
    "ExportError",
    "Fault",
    "GaugelessError",
    "InsufficientEvidenceError",
    "PlantFileError",
    "PublishError",
    "RangeError",
    "RebuildNeededError",
    "StoreError",
    "StoreLockedError",
    "UnitError",
]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong, in the user's words.

    Parameters
    ----------
    where : str
        File, line, tag or plant-file key the fault belongs to.
    found : str
        What was found there.
    expected : str
        What was expected instead.
    remedy : str
        What the user can do about it.
    """

    where: str
    found: str
    expected: str
    remedy: str = ""

    def __str__(self) -> str:
        text = f"{self.where}: found {self.found}; expected {self.expected}."
        return f"{text} {self.remedy}" if self.remedy else text


class GaugelessError(Exception):
    """Base of every error the project raises on purpose."""

    def __init__(self, message: str, faults: Sequence[Fault] = ()) -> None:
        # All arguments go to Exception.__init__ so that the error survives being sent
        # between processes, which rebuilds it from ``args``.
        super().__init__(message, tuple(faults))
        self.message = message
        self.faults = tuple(faults)

    def __str__(self) -> str:
        lines = [self.message]
        lines += [f"  - {fault}" for fault in self.faults[:MOST_FAULTS_SHOWN]]
        hidden = len(self.faults) - MOST_FAULTS_SHOWN
        if hidden > 0:
            lines.append(f"  +{hidden} more")
        return "\n".join(lines)


class PlantFileError(GaugelessError):
    """Raised when the plant file is missing, unreadable or holds faults."""


class ExportError(GaugelessError):
    """Raised when a whole export file cannot be read."""


class UnitError(GaugelessError):
    """Raised when a unit is unknown or measures another quantity."""


class RangeError(GaugelessError, ValueError):
    """Raised when a physical input lies outside the range a relation is valid for."""


class ContractError(GaugelessError):
    """Raised when a table does not meet its contract."""


class StoreError(GaugelessError):
    """Raised when the data folder cannot be read or written as needed."""


class StoreLockedError(StoreError):
    """Raised when another run already works on the data folder."""


class RebuildNeededError(StoreError):
    """Raised when a change needs a rebuild the user has not agreed to."""


class PublishError(GaugelessError):
    """Raised when tables cannot be published; the Parquet files are whole all the same."""


class InsufficientEvidenceError(GaugelessError):
    """Raised when a direct caller asks for an estimate the data cannot support."""
