"""What has been read, once and for all: the ledger of export files.

Path, size and time of change decide only whether a file is hashed again; the SHA-256 of its
content, with the tag its path gives, is its identity. Numbers in the ledger (``sequence``)
never change, and the later number wins where two files speak of the same tag and time. Months
are UTC calendar months.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

import pyarrow as pa

from pipeline.exports.candidates import Candidate, Plan, record
from pipeline.exports.entries import (
    EVIDENCE,
    LEDGER_SCHEMA,
    REPLACED,
    Entry,
    changed,
    empty_ledger,
    entries,
    entry_of,
    frozen_months,
    ledger_table,
)
from pipeline.exports.identity import bytes_hash, content_hash, with_tag
from pipeline.exports.merge import MergeCounts, merge_samples, months_touched
from pipeline.exports.path_tags import tag_of_path
from pipeline.exports.read import FoundFile

__all__ = [
    "LEDGER_SCHEMA",
    "Candidate",
    "Entry",
    "MergeCounts",
    "Plan",
    "content_hash",
    "empty_ledger",
    "entries",
    "frozen_months",
    "ledger_table",
    "merge_samples",
    "months_touched",
    "record",
    "scan",
]


def scan(
    ledger: pa.Table,
    found: Sequence[FoundFile],
    verify: bool = False,
    hasher: Callable[[FoundFile], str] = content_hash,
    settled_before_ns: int | None = None,
) -> Plan:
    """Compare the ledger with the files there are.

    Parameters
    ----------
    ledger : Table
        ``LEDGER_SCHEMA``.
    found : sequence of FoundFile
        Files on disk, in the order in which new ones get their numbers.
    verify : bool
        Hash every file, even where size and time of change are as known.
    hasher : callable
        Gives the SHA-256 of a file.
    settled_before_ns : int or None
        Files changed at this instant or later [ns since 1970] may still be in the writing and
        are left for the next run, as they were known before; None takes every file.

    Returns
    -------
    Plan

    Notes
    -----
    - Known content under its path changes nothing, whatever its time of change.
    - New content under a known path supersedes the old wholly, once it has been read
      (``settle_replaced``).
    - Content known from another path that is still there is a duplicate: noted, not read. If
      the other path is gone, the file was moved and keeps its number.
    - A file whose path names another tag than before was renamed if its bytes and its time of
      change are those of a path that is gone: what that held no longer counts. A path that is
      gone otherwise keeps what it held.
    - Where the plant file now says otherwise what tag a path names, the file is read again
      with its own number.
    - A duplicate whose original is superseded or gone is read with its own number.
    - A waiting or failed file is tried again when its content has changed.
    """
    work = _Scan(entries(ledger), found, verify, hasher)
    if settled_before_ns is not None:
        work.leave_unsettled(settled_before_ns)
    return work.plan()


class _Scan:
    def __init__(
        self,
        rows: list[Entry],
        found: Sequence[FoundFile],
        verify: bool,
        hasher: Callable[[FoundFile], str],
    ) -> None:
        self._rows = {row.sequence: row for row in rows}
        self._current = {row.path: row for row in rows if row.status != "superseded"}
        self._found = found
        self._verify = verify
        self._hasher = hasher
        self._next = max(self._rows, default=0) + 1
        self._to_read: dict[int, Candidate] = {}
        self._dirty: set[str] = set()
        self._notes: list[str] = []
        self._changed = False
        self._left: set[str] = set()
        self._unreadable: list[tuple[str, str]] = []

    def leave_unsettled(self, before_ns: int) -> None:
        self._left = {f.path for f in self._found if f.mtime_ns >= before_ns}
        for path in sorted(self._left):
            self._notes.append(f"{path}: changed a moment ago; left for the next run.")

    def plan(self) -> Plan:
        present = {f.path for f in self._found}
        self._name_anew()
        for file in self._found:
            if file.path in self._left:
                continue
            known = self._current.get(file.path)
            try:
                if known is None:
                    self._meet_new(file, present)
                elif known.sequence not in self._to_read:
                    self._meet_known(file, known)
            except OSError as error:
                # As known before; a file that may not be read must not stop the others.
                reason = error.strerror or type(error).__name__
                self._unreadable.append((file.path, f"The file cannot be read: {reason}."))
        self._mark_vanished(present)
        self._promote_duplicates()
        kept = [row for n, row in self._rows.items() if n not in self._to_read]
        return Plan(
            to_read=tuple(self._to_read[n] for n in sorted(self._to_read)),
            entries=tuple(sorted(kept, key=lambda row: row.sequence)),
            dirty_months=tuple(sorted(self._dirty)),
            notes=tuple(self._notes),
            changed=self._changed,
            unreadable=tuple(self._unreadable),
        )

    def _name_anew(self) -> None:
        """Follow a plant file that says otherwise what tags the paths name."""
        told: list[tuple[Entry, FoundFile]] = []
        for file in self._found:
            known = self._current.get(file.path)
            if known is None or known.status == "vanished" or file.path in self._left:
                continue
            if (file.size, file.mtime_ns) != (known.size, known.mtime_ns):
                continue
            sha256 = with_tag(file, bytes_hash(known.sha256))
            if sha256 != known.sha256:
                told.append((self._set(known, sha256=sha256), file))
        for row, file in sorted(told, key=lambda pair: pair[0].sequence):
            self._dirty.update(row.months)
            if row.status == "duplicate":
                continue
            twin = self._same_content(row.sha256, row.path)
            if twin is not None and twin.sequence < row.sequence:
                note = f"Same content as {twin.path}; not read again."
                self._set(entry_of(file, row.sha256, row.sequence, "duplicate", note))
            else:
                self._to_read[row.sequence] = Candidate(
                    found=file, sha256=row.sha256, sequence=row.sequence
                )

    def _set(self, row: Entry, **change: object) -> Entry:
        new = changed(row, **change)
        self._rows[row.sequence] = new
        if new.status == "superseded":
            if self._current.get(new.path) is row:
                del self._current[new.path]
        else:
            self._current[new.path] = new
        self._changed = True
        return new

    def _number(self) -> int:
        self._next += 1
        return self._next - 1

    def _same_content(self, sha256: str, but: str) -> Entry | None:
        alike = [
            row
            for row in self._rows.values()
            if row.sha256 == sha256 and row.path != but and row.status in EVIDENCE
        ]
        queued = [c for c in self._to_read.values() if c.sha256 == sha256 and c.found.path != but]
        if alike:
            return min(alike, key=lambda row: row.sequence)
        if queued:
            return _waiting_entry(queued[0])
        return None

    def _meet_new(
        self, file: FoundFile, present: Collection[str], old: Entry | None = None
    ) -> None:
        sha256 = self._hasher(file)
        twin = self._same_content(sha256, file.path)
        if twin is not None and twin.path not in present and twin.sequence in self._rows:
            # The other path is gone: the file was moved.
            self._current.pop(twin.path, None)
            note = f"Moved from {twin.path}."
            self._set(
                twin,
                path=file.path,
                size=file.size,
                mtime_ns=file.mtime_ns,
                status="accepted",
                note=note,
            )
            self._notes.append(f"{file.path}: moved from {twin.path}.")
            return
        self._let_go_of_old_name(file, sha256, present)
        number = self._number()
        if twin is not None:
            note = f"Same content as {twin.path}; not read again."
            row = entry_of(file, sha256, number, "duplicate", note)
            self._rows[number] = self._current[file.path] = row
            self._changed = True
            self._notes.append(f"{file.path}: same content as {twin.path}; not read again.")
            return
        self._to_read[number] = Candidate(
            found=file,
            sha256=sha256,
            sequence=number,
            supersedes=None if old is None else old.sequence,
        )

    def _let_go_of_old_name(self, file: FoundFile, sha256: str, present: Collection[str]) -> None:
        """Take back what was read under a name that the file no longer has."""
        if file.export.tag_in_path and tag_of_path(file.export, file.path) is None:
            return
        for row in list(self._current.values()):
            is_gone = row.status == "accepted" and row.path not in present
            same = (row.size, row.mtime_ns) == (file.size, file.mtime_ns)
            if not (is_gone and same) or row.sha256 == sha256:
                continue
            if bytes_hash(row.sha256) == bytes_hash(sha256):
                note = f"Renamed to {file.path}, which names another tag."
                self._dirty.update(row.months)
                self._set(row, status="superseded", note=note)
                self._notes.append(
                    f"{file.path}: renamed from {row.path}; what it holds is now of another tag, "
                    "and no longer counts for the one before."
                )
                return

    def _meet_known(self, file: FoundFile, known: Entry) -> None:
        same = file.size == known.size and file.mtime_ns == known.mtime_ns
        if same and not self._verify and known.status != "vanished":
            return
        sha256 = self._hasher(file)
        if sha256 == known.sha256:
            if known.status == "vanished":
                self._set(known, status="accepted", note="", size=file.size, mtime_ns=file.mtime_ns)
                self._dirty.update(known.months)
                self._notes.append(f"{file.path}: is there again.")
            else:
                # Spares the next run the hashing; by itself no reason to write anything.
                new = changed(known, size=file.size, mtime_ns=file.mtime_ns)
                self._rows[known.sequence] = self._current[file.path] = new
            return
        if known.status in EVIDENCE:
            self._dirty.update(known.months)
            self._notes.append(f"{file.path}: its content has changed.")
        self._set(known, status="superseded", note=REPLACED)
        present = {f.path for f in self._found}
        self._meet_new(file, present, known)

    def _mark_vanished(self, present: Collection[str]) -> None:
        for row in list(self._current.values()):
            if row.path in present or row.sequence in self._to_read:
                continue
            if row.status == "accepted":
                if self._stand_in(row, present):
                    continue
                months = f" ({row.months[0]} to {row.months[-1]})" if row.months else ""
                note = f"The file is gone; its months{months} are kept as they are."
                self._set(row, status="vanished", note=note)
                self._notes.append(f"{row.path}: {note[0].lower()}{note[1:]}")
            elif row.status in ("duplicate", "waiting", "failed"):
                self._set(row, status="superseded", note="The file is gone; it was never used.")

    def _stand_in(self, row: Entry, present: Collection[str]) -> bool:
        """Let a duplicate that is still there take the place of a file that is gone."""
        twins = [
            twin
            for twin in self._current.values()
            if twin.status == "duplicate" and twin.sha256 == row.sha256 and twin.path in present
        ]
        if not twins:
            return False
        twin = min(twins, key=lambda entry: entry.sequence)
        self._set(twin, status="superseded", note=f"Took the place of {row.path}.")
        del self._current[row.path]
        self._set(
            row,
            path=twin.path,
            size=twin.size,
            mtime_ns=twin.mtime_ns,
            note=f"Moved from {row.path}.",
        )
        self._notes.append(f"{twin.path}: takes the place of {row.path}, which is gone.")
        return True

    def _promote_duplicates(self) -> None:
        by_path = {f.path: f for f in self._found}
        for row in sorted(self._current.values(), key=lambda r: r.sequence):
            if row.status != "duplicate" or row.path not in by_path:
                continue
            if self._same_content(row.sha256, row.path) is None:
                self._to_read[row.sequence] = Candidate(
                    found=by_path[row.path], sha256=row.sha256, sequence=row.sequence
                )
                self._notes.append(f"{row.path}: read now, since its twin is gone.")


def _waiting_entry(candidate: Candidate) -> Entry:
    return entry_of(candidate.found, candidate.sha256, candidate.sequence, "accepted", "")
