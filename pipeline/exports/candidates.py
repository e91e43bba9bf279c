"""What a run has to read, and what the ledger says of it afterwards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd
import pyarrow.compute as pc

from pipeline.exports.entries import Entry, entry_of
from pipeline.exports.merge import months_touched
from pipeline.exports.read import FoundFile
from pipeline.exports.reading import Reading

__all__ = ["Candidate", "Plan", "record"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A file that must be read.

    Parameters
    ----------
    found : FoundFile
        The file.
    sha256 : str
        Hash of its content.
    sequence : int
        Its number in the ledger: a new one, or its own if it was waiting, failed, a
        duplicate whose original is gone, or of another tag by an earlier plant file.
    supersedes : int or None
        Number of the entry whose content it replaces.
    """

    found: FoundFile
    sha256: str
    sequence: int
    supersedes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What a run has to do, found by comparing the ledger with the files.

    Parameters
    ----------
    to_read : tuple of Candidate
        In the order of their numbers.
    entries : tuple of Entry
        The ledger as it will be, but for the candidates: superseded, vanished, moved and
        duplicate entries are marked already.
    dirty_months : tuple of str
        Months that change by what was superseded, vanished or came back; those of the
        candidates come on top when they have been read.
    notes : tuple of str
        Plain sentences for the run's log.
    changed : bool
        Whether ``entries`` differ from the ledger in anything but times of change.
    unreadable : tuple of (str, str)
        Files that could not even be hashed, and why; they stay as known before.
    """

    to_read: tuple[Candidate, ...]
    entries: tuple[Entry, ...]
    dirty_months: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    changed: bool = False
    unreadable: tuple[tuple[str, str], ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing new at all, so that no new generation is due."""
        return not self.to_read and not self.changed


def record(
    candidate: Candidate,
    reading: Reading | None,
    max_gap: Mapping[str, float] | float = 0.0,
    failure: str = "",
) -> Entry:
    """Make the ledger entry of a file that has been read, or could not be.

    Parameters
    ----------
    candidate : Candidate
        From the plan.
    reading : Reading or None
        What was read; None if reading failed.
    max_gap : mapping of str to float, or float
        Longest bridged gap per tag, or of all [s].
    failure : str
        Why it could not be read.

    Returns
    -------
    Entry
    """
    if reading is None:
        return entry_of(candidate.found, candidate.sha256, candidate.sequence, "failed", failure)
    if reading.status == "waiting":
        note = " ".join(reading.notes)
        return entry_of(candidate.found, candidate.sha256, candidate.sequence, "waiting", note)
    time = reading.samples.column("time")
    span = pc.min_max(time).as_py() if len(time) else {"min": None, "max": None}
    return Entry(
        sequence=candidate.sequence,
        path=candidate.found.path,
        size=candidate.found.size,
        mtime_ns=candidate.found.mtime_ns,
        sha256=candidate.sha256,
        status="accepted",
        rows=reading.counts.rows,
        accepted=reading.counts.samples,
        rejected=reading.counts.rejected,
        first_time=None if span["min"] is None else pd.Timestamp(span["min"]),
        last_time=None if span["max"] is None else pd.Timestamp(span["max"]),
        months=months_touched(reading.samples, max_gap),
        note=" ".join(reading.notes),
    )
