"""Take in what is new among the exports: ledger, kept samples, and what was refused.

The samples of a file are kept in the data folder, sorted, one piece per month, and once more
those near the ends of a month, which bear on its neighbour. A month is rebuilt from its pieces
alone, so that one night costs what one night brings, and a source that vanishes later takes
nothing away.
"""

from __future__ import annotations

import dataclasses
import tempfile
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.errors import ExportError
from pipeline.exports.entries import UNREADABLE_NOW, settle_replaced
from pipeline.exports.ledger import Candidate, Entry, ledger_table, record, scan
from pipeline.exports.ledger import empty_ledger as no_ledger
from pipeline.exports.ledger import entries as entries_of
from pipeline.exports.merge import merge_samples
from pipeline.exports.read import FoundFile, find_exports, read_export
from pipeline.exports.reading import Reading
from pipeline.exports.spool import spool_export
from pipeline.exports.threads import in_turn
from pipeline.jobs.context import Run
from pipeline.months import Month, MonthNumbers, day_starts, microseconds, month_bounds
from pipeline.plant import Plant
from pipeline.tables.store import Generation

LEDGER = "ledger"
DISORDER = "disorder"
LARGE_FILE = 48_000_000
"""A file of more bytes is read block by block."""
EVIDENCE = ("accepted", "vanished")


def ledger_of(generation: Generation) -> list[Entry]:
    """Read the ledger of a generation."""
    if not generation.has(LEDGER):
        return []
    return entries_of(generation.read_arrow(LEDGER))


def find_files(plant: Plant) -> list[FoundFile]:
    """Find the export files of a plant."""
    return find_exports(plant.path.parent, plant.exports, exclude=[plant.data_folder])


def segment_folder(month: Month) -> str:
    """Name the folder of kept samples of a month."""
    return "samples_" + month.replace("-", "_")


def edge_folder(month: Month) -> str:
    """Name the folder of the samples near the ends of a month."""
    return "edges_" + month.replace("-", "_")


def halo_us(plant: Plant) -> int:
    """Longest gap any tag bridges [µs]: samples so near a month still bear on it."""
    gaps = [version.max_gap for versions in plant.tags.values() for version in versions]
    return round(max(gaps, default=0.0) * 1e6)


def ingest(
    run: Run,
    verify: bool = False,
    read_again: bool = False,
    *,
    moment: pd.Timestamp | None = None,
    committed: pd.Timestamp | None = None,
) -> list[Entry]:
    """Read what is new and bring the ledger up to date.

    Parameters
    ----------
    run : Run
        The run; its outcome is told of new and failed files.
    verify : bool
        Hash every file, even where size and time of change are as known.
    read_again : bool
        Read every file that is still there once more, because the plant file now says
        otherwise how to; numbers in the ledger stay.
    moment : Timestamp, optional
        Now. Samples stamped later are kept, but the ledger's last time does not follow them: a
        wrong clock must not move what the tables are made as of. Default: no limit.
    committed : Timestamp, optional
        Instant up to which an earlier run published. Rows for local days that ended by then
        are counted as late, unless an earlier file said the same.

    Returns
    -------
    list of Entry
        The ledger as it will be.
    """
    stage = run.writable
    ledger = stage.read_arrow(LEDGER) if stage.has(LEDGER) else no_ledger()
    found = find_files(run.plant)
    _note_empty_patterns(run, found)
    plan = scan(ledger, found, verify)
    for note in plan.notes:
        run.outcome.note(note)
    for path, reason in plan.unreadable:
        run.outcome.fail(f"{path}: {reason}")
    candidates = list(plan.to_read)
    kept = list(plan.entries)
    if read_again:
        again = _again(kept, found, {c.sequence for c in candidates})
        candidates = sorted([*candidates, *again], key=lambda c: c.sequence)
        for old in kept:
            # Read otherwise, its samples may lie in other months.
            if old.sequence in {c.sequence for c in again}:
                _forget(run, old)
        kept = [e for e in kept if e.sequence not in {c.sequence for c in again}]
    new = []
    refused: list[pa.Table] = []
    limits = _Limits.of(run, moment, committed)
    unread = {c.sequence for c in plan.to_read}
    for done, candidate in enumerate(candidates):
        run.progress("reading exports", done, len(candidates))
        # What is only read once more has not arrived now.
        is_news = candidate.sequence in unread
        own = limits if is_news else dataclasses.replace(limits, late_before=_NEVER)
        entry, rejected = _take_in(run, candidate, own)
        new.append(entry)
        if rejected is not None:
            refused.append(rejected)
    kept = settle_replaced(entries_of(ledger), kept, new)
    for path in sorted({e.path for e in kept if e.note == UNREADABLE_NOW} & {e.path for e in new}):
        run.outcome.note(f"{path}: what it held before still counts.")
    result = sorted([*kept, *new], key=lambda e: e.sequence)
    # Content that was replaced and put back is in evidence again.
    in_use = {e.sha256 for e in result if e.status in EVIDENCE}
    for old in kept:
        if old.status == "superseded" and old.sha256 not in in_use:
            _forget(run, old)
    if candidates or plan.changed:
        stage.write(LEDGER, None, ledger_table(result))
        _keep_refused(run, result, {c.found.path for c in candidates}, refused)
    return result


def _note_empty_patterns(run: Run, found: Iterable[FoundFile]) -> None:
    seen = {f.export.pattern for f in found}
    for export in run.plant.exports:
        if export.pattern not in seen:
            run.outcome.note(f"exports '{export.pattern}': no file there yet.")


def _again(kept: Iterable[Entry], found: Iterable[FoundFile], queued: set[int]) -> list[Candidate]:
    files = {f.path: f for f in found}
    return [
        Candidate(found=files[e.path], sha256=e.sha256, sequence=e.sequence)
        for e in kept
        if e.status in ("accepted", "failed", "waiting")
        and e.path in files
        and e.sequence not in queued
    ]


def _forget(run: Run, entry: Entry) -> None:
    for month in entry.months:
        for folder in (segment_folder(month), edge_folder(month), DISORDER):
            if run.stage.has_blob(folder, entry.sha256):
                run.writable.remove_blob(folder, entry.sha256)


_NEVER = np.iinfo(np.int64).min
_ALWAYS = np.iinfo(np.int64).max
CLOCK_ALLOWANCE = pd.Timedelta(minutes=10)
"""A clock so far ahead is not worth a word. Common practice, no source."""


@dataclasses.dataclass(frozen=True, slots=True)
class _Limits:
    """Instants [µs] a file's samples are held against.

    Parameters
    ----------
    moment : int
        Now.
    late_before : int
        Start of the local day the run before ended in.
    """

    moment: int = _ALWAYS
    late_before: int = _NEVER

    @classmethod
    def of(cls, run: Run, moment: pd.Timestamp | None, committed: pd.Timestamp | None) -> _Limits:
        late = _NEVER
        if committed is not None:
            late = microseconds(day_starts(pd.DatetimeIndex([committed]), run.zone)[0])
        return cls(_ALWAYS if moment is None else microseconds(moment), late)


def _take_in(run: Run, candidate: Candidate, limits: _Limits) -> tuple[Entry, pa.Table | None]:
    """Read one file; whatever is wrong with it stops nothing else."""
    path = candidate.found.path
    read = _take_in_large if candidate.found.size > LARGE_FILE else _take_in_small
    try:
        reading, kept = read(run, candidate, limits)
    except ExportError as error:
        text = " ".join(str(error).split())
        run.outcome.fail(text)
        return record(candidate, None, failure=text), _whole_file(path, text)
    if reading.status == "waiting":
        note = " ".join(reading.notes)
        run.outcome.note(f"{path}: {note}")
        return record(candidate, reading), _whole_file(path, note)
    run.outcome.new_files += 1
    run.outcome.rejected_rows += sum(reading.rejected.column("count").to_pylist())
    run.outcome.late_rows += kept.late
    for note in reading.notes:
        run.outcome.note(f"{path}: {note}")
    if kept.ahead:
        run.outcome.note(
            f"{path}: {kept.ahead} sample(s) are stamped later than now, up to "
            f"{pd.Timestamp(kept.latest, unit='us', tz='UTC').isoformat()}: a clock or the "
            "declared time zone is wrong. They are kept, and count once samples of a later "
            "file have passed that time."
        )
    entry = dataclasses.replace(
        record(candidate, reading),
        accepted=kept.samples,
        first_time=kept.first,
        last_time=kept.last,
        months=tuple(sorted(kept.months)),
    )
    return entry, _refused_rows(reading)


def _take_in_small(run: Run, candidate: Candidate, limits: _Limits) -> tuple[Reading, Kept]:
    """Read a file whole."""
    found, tags = candidate.found, run.plant.tags
    reading = read_export(found.file, found.export, list(tags), found.path, switch_tags(run.plant))
    kept = Kept(limits)
    if reading.status == "accepted":
        months = MonthNumbers(run.zone)
        number = months.of(_times(reading.samples))
        for one in np.unique(number):
            rows = reading.samples.filter(pa.array(number == one))
            kept.add(_keep_month(run, candidate.sha256, months, int(one), rows, limits))
        _keep_disorder(run, candidate.sha256, [reading.disorder])
    return reading, kept


def _take_in_large(run: Run, candidate: Candidate, limits: _Limits) -> tuple[Reading, Kept]:
    """Read a file block by block, laying its months down on disk: memory stays that of one."""
    found, tags = candidate.found, run.plant.tags
    months = MonthNumbers(run.zone)
    kept = Kept(limits)
    with tempfile.TemporaryDirectory(prefix="spool-", dir=run.plant.data_folder) as folder:
        spool = spool_export(
            found.file,
            found.export,
            list(tags),
            Path(folder),
            found.path,
            months.of,
            switch_tags(run.plant),
        )
        if spool.reading.status == "accepted":
            disorder = [spool.reading.disorder]

            def take(part: int) -> tuple[_KeptMonth | None, pa.Table]:
                tidy = spool.take(part)
                month = _keep_month(run, candidate.sha256, months, part, tidy.samples, limits)
                return month, tidy.duplicates.table(list(spool.tags))

            # Two months at a time: one is sorted while the other is compressed.
            with closing(in_turn(take, spool.parts, 2)) as taken:
                for done, (month, events) in enumerate(taken):
                    run.progress(f"reading {found.file.name}", done, len(spool.parts))
                    kept.add(month)
                    disorder.append(events)
            _keep_disorder(run, candidate.sha256, disorder)
    return spool.reading, kept


def _keep_disorder(run: Run, sha256: str, pieces: list[pa.Table]) -> None:
    """Keep what sorting hid, for the data quality of the days."""
    table = pa.concat_tables(pieces) if pieces else None
    if table is not None and table.num_rows:
        run.writable.put_blob(DISORDER, sha256, table)


def read_disorder(stage: Generation, sources: Iterable[str]) -> pa.Table | None:
    """Read what sorting hid in some files; None where it hid nothing."""
    found = [stage.read_blob(DISORDER, s) for s in sources if stage.has_blob(DISORDER, s)]
    return pa.concat_tables(found) if found else None


def switch_tags(plant: Plant) -> list[str]:
    """Name the tags whose words may be on and off."""
    return [
        name
        for name, versions in plant.tags.items()
        if any(v.quantity in ("running", "valve_open") for v in versions)
    ]


@dataclasses.dataclass(slots=True)
class Kept:
    """What has been kept of a file so far.

    Parameters
    ----------
    limits : _Limits
        What its samples are held against.
    samples : int
        Samples kept.
    first, last : Timestamp or None
        Span of the samples that are not stamped later than now.
    months : set of str
        Months they bear on.
    late : int
        Samples of local days that an earlier run had published, new to it.
    ahead, latest : int
        Samples stamped so much later than now that a clock must be wrong, and the latest [µs].
    """

    limits: _Limits
    samples: int = 0
    first: pd.Timestamp | None = None
    last: pd.Timestamp | None = None
    months: set[Month] = dataclasses.field(default_factory=set)
    late: int = 0
    ahead: int = 0
    latest: int = _NEVER

    def add(self, month: _KeptMonth | None) -> None:
        """Count what has been kept of a month; None where there was nothing."""
        if month is None:
            return
        self.months |= month.months
        time = month.time
        self.samples += len(time)
        self.late += month.late
        low, high = int(time.min()), int(time.max())
        if high > self.limits.moment:
            allowed = self.limits.moment + CLOCK_ALLOWANCE // pd.Timedelta(microseconds=1)
            self.ahead += int((time > allowed).sum())
            self.latest = max(self.latest, high)
            time = time[time <= self.limits.moment]
            if not len(time):
                return
            high = int(time.max())
        first, last = (pd.Timestamp(t, unit="us", tz="UTC") for t in (low, high))
        self.first = first if self.first is None else min(self.first, first)
        self.last = last if self.last is None else max(self.last, last)


def _times(samples: pa.Table) -> np.ndarray:
    return samples.column("time").combine_chunks().cast(pa.int64()).to_numpy()


@dataclasses.dataclass(frozen=True, slots=True)
class _KeptMonth:
    """Times [µs] of the samples kept for one month, and the months they bear on.

    ``late`` counts those that came late.
    """

    time: np.ndarray
    months: frozenset[Month]
    late: int


def _keep_month(
    run: Run, sha256: str, months: MonthNumbers, number: int, samples: pa.Table, limits: _Limits
) -> _KeptMonth | None:
    """Keep the samples of one month, and once more those near its ends for its neighbours."""
    if samples.num_rows == 0:
        return None
    time = _times(samples)
    halo = halo_us(run.plant)
    month = months.name(number)
    start, end = (microseconds(t) for t in month_bounds(month, run.zone))
    is_late = time < limits.late_before
    number_late = 0
    if is_late.any():
        late = samples.filter(pa.array(is_late))
        number_late = _count_news(run, segment_folder(month), sha256, late)
    run.writable.put_blob(segment_folder(month), sha256, samples)
    first, last = time < start + halo, time >= end - halo
    if first.any() or last.any():
        run.writable.put_blob(edge_folder(month), sha256, samples.filter(pa.array(first | last)))
    touched = {month}
    touched |= {months.name(number - 1)} if first.any() else set()
    touched |= {months.name(number + 1)} if last.any() else set()
    return _KeptMonth(time, frozenset(touched), number_late)


def _count_news(run: Run, folder: str, sha256: str, samples: pa.Table) -> int:
    """Count the samples that no other kept file holds as they are.

    A file that grows night by night, or overlaps the one before, repeats what is known.
    """
    others = [run.stage.read_blob(folder, o) for o in run.stage.blobs(folder) if o != sha256]
    known, _ = merge_samples(others)
    _, counts = merge_samples([known, samples])
    return samples.num_rows - counts.agreeing


def read_kept(stage: Generation, month: Month, sources: Iterable[str]) -> list[pa.Table]:
    """Read the kept samples of a month and those near it, source by source.

    Parameters
    ----------
    stage : Generation
        Where they are kept.
    month : str
        The month.
    sources : iterable of str
        SHA-256 of the files, in the order in which later ones go before earlier ones.

    Returns
    -------
    list of Table
        In that order; the pieces of one source do not overlap. Those of the months beside
        hold what bears on their other neighbours too.
    """
    folders = _folders(month)
    return [
        stage.read_blob(folder, sha256)
        for sha256 in sources
        for folder in folders
        if stage.has_blob(folder, sha256)
    ]


def _folders(month: Month) -> tuple[str, str, str]:
    """Name the folders that bear on a month, in time order: merging finds nothing to sort."""
    before, after = (edge_folder(str(pd.Period(month, freq="M") + step)) for step in (-1, 1))
    return before, segment_folder(month), after


def kept_digests(stage: Generation, month: Month, sources: Iterable[str]) -> list[list[str]]:
    """Give what a month is made from: the digest of every kept piece, source by source.

    A file that grew or was corrected is other content, yet its pieces of most months are what
    they were.
    """
    folders = (*_folders(month), DISORDER)
    return [[stage.blob_digest(folder, sha256) for folder in folders] for sha256 in sources]


def _whole_file(path: str, reason: str) -> pa.Table:
    return pa.table(
        {
            "file": [path],
            "line": pa.array([0], pa.int64()),
            "tag": [""],
            "reason": [reason],
            "text": [""],
            "rows": pa.array([0], pa.int64()),
        }
    )


def _refused_rows(reading: Reading) -> pa.Table | None:
    table = reading.rejected
    if table.num_rows == 0:
        return None
    return pa.table(
        {
            "file": table.column("file"),
            "line": pc.fill_null(table.column("line"), 0),
            "tag": pc.fill_null(table.column("tag"), ""),
            "reason": table.column("reason"),
            "text": pc.fill_null(table.column("text"), ""),
            "rows": table.column("count"),
        }
    )


def _keep_refused(
    run: Run, ledger: Iterable[Entry], read_now: set[str], refused: list[pa.Table]
) -> None:
    """Bring ``rejected_input`` up to date: drop what was read anew or replaced, add the new."""
    before = run.read("rejected_input")
    current = {e.path for e in ledger if e.status not in ("superseded", "duplicate")}
    stays = before["file"].isin(current) & ~before["file"].isin(read_now)
    pieces = [before[stays], *(t.to_pandas() for t in refused)]
    filled = [p for p in pieces if len(p)]
    frame = pd.concat(filled, ignore_index=True) if filled else before.iloc[:0]
    keys = ["file", "line", "tag", "reason", "text"]
    frame = frame.groupby(keys, sort=True)["rows"].sum().reset_index()
    contract = run.contract("rejected_input")
    table = contract.publish(frame, run.plant.station.display)
    run.writable.write("rejected_input", None, table)


def last_sample(ledger: Iterable[Entry]) -> pd.Timestamp | None:
    """Give the time of the latest sample in evidence."""
    times = [e.last_time for e in ledger if e.status in EVIDENCE and e.last_time is not None]
    return max(times, default=None)


def first_sample(ledger: Iterable[Entry]) -> pd.Timestamp | None:
    """Give the time of the earliest sample in evidence."""
    times = [e.first_time for e in ledger if e.status in EVIDENCE and e.first_time is not None]
    return min(times, default=None)


def sources_by_month(ledger: Iterable[Entry]) -> dict[Month, list[Entry]]:
    """Group the entries in evidence by the months they bear on, in ledger order."""
    found: dict[Month, list[Entry]] = {}
    for entry in sorted(ledger, key=lambda e: e.sequence):
        if entry.status in EVIDENCE:
            for month in entry.months:
                found.setdefault(month, []).append(entry)
    return dict(sorted(found.items()))
