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
from contextlib import ExitStack, closing
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
from pipeline.exports.read import FoundFile, read_export
from pipeline.exports.reading import DISORDER_SCHEMA, Reading
from pipeline.exports.spool import spool_export
from pipeline.exports.threads import in_turn
from pipeline.jobs.context import Run
from pipeline.jobs.evidence import (
    EVIDENCE,
    LEDGER,
    files_left_out,
    find_files,
    switch_tags,
    unknown_tags_of_paths,
)
from pipeline.jobs.kept import (
    DISORDER,
    NEVER,
    Kept,
    Limits,
    StraightMonth,
    edge_folder,
    keep_disorder,
    keep_month,
    segment_folder,
    times,
)
from pipeline.jobs.late import keep_late
from pipeline.jobs.refused import keep_refused, refused_rows, whole_file
from pipeline.months import MonthNumbers

LARGE_FILE = 48_000_000
"""A file of more bytes is read block by block."""


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
    before = {e.sequence: e for e in entries_of(ledger)}
    found = find_files(run.plant)
    for sentence in files_left_out(run.plant, found).values():
        run.outcome.note(sentence)
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
    late: list[tuple[str, list[pa.Table]]] = []
    limits = Limits.of(run, moment, committed)
    counted = {e.sequence for e in before.values() if e.status in EVIDENCE}
    unread = {c.sequence for c in plan.to_read} - counted
    for done, candidate in enumerate(candidates):
        run.progress("reading exports", done, len(candidates))
        # What is only read once more has not arrived now.
        is_news = candidate.sequence in unread
        own = limits if is_news else dataclasses.replace(limits, late_before=NEVER)
        entry, rejected, came_late = _take_in(run, candidate, own)
        new.append(entry)
        late.append((candidate.found.path, came_late))
        if rejected is not None:
            refused.append(rejected)
    kept = settle_replaced(before.values(), kept, new)
    for path in sorted({e.path for e in kept if e.note == UNREADABLE_NOW} & {e.path for e in new}):
        run.outcome.note(f"{path}: what it held before still counts.")
    for sentence in unknown_tags_of_paths(run.plant, [c.found for c in candidates]):
        run.outcome.note(sentence)
    result = sorted([*kept, *new], key=lambda e: e.sequence)
    # Content that was replaced and put back is in evidence again.
    in_use = {e.sha256 for e in result if e.status in EVIDENCE}
    known = [(before[e.sequence], e) for e in result if e.sequence in before]
    named_anew = [was for was, now in known if was.sha256 != now.sha256]
    replaced = [e for e in kept if e.status == "superseded"]
    for old in (*replaced, *named_anew):
        if old.sha256 not in in_use:
            _forget(run, old)
    if candidates or plan.changed:
        stage.write(LEDGER, None, ledger_table(result))
        keep_refused(run, result, {c.found.path for c in candidates}, refused)
        keep_late(run, late)
    return result


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


def _take_in(
    run: Run, candidate: Candidate, limits: Limits
) -> tuple[Entry, pa.Table | None, list[pa.Table]]:
    """Read one file; whatever is wrong with it stops nothing else."""
    path = candidate.found.path
    read = _take_in_large if candidate.found.size > LARGE_FILE else _take_in_small
    try:
        reading, kept = read(run, candidate, limits)
    except ExportError as error:
        text = " ".join(str(error).split())
        run.outcome.fail(text)
        return record(candidate, None, failure=text), whole_file(path, text), []
    if reading.status == "waiting":
        note = " ".join(reading.notes)
        run.outcome.note(f"{path}: {note}")
        return record(candidate, reading), whole_file(path, note), []
    run.outcome.new_files += 1
    run.outcome.rejected_rows += sum(reading.rejected.column("count").to_pylist())
    run.outcome.late_rows += sum(pc.sum(t.column("samples")).as_py() or 0 for t in kept.late)
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
    return entry, refused_rows(reading), kept.late


def _take_in_small(run: Run, candidate: Candidate, limits: Limits) -> tuple[Reading, Kept]:
    """Read a file whole."""
    found, tags = candidate.found, run.plant.tags
    states = switch_tags(run.plant)
    reading = read_export(found.file, found.export, list(tags), found.path, states, run.zone)
    kept = Kept(limits)
    if reading.status == "accepted":
        months = MonthNumbers(run.zone)
        number = months.of(times(reading.samples))
        for one in np.unique(number):
            rows = reading.samples.filter(pa.array(number == one))
            kept.add(keep_month(run, candidate.sha256, months, int(one), rows, limits))
        keep_disorder(run, candidate.sha256, [reading.disorder])
    return reading, kept


def _take_in_large(run: Run, candidate: Candidate, limits: Limits) -> tuple[Reading, Kept]:
    """Read a file block by block, memory staying that of one.

    Months whose rows come tag by tag, in time order, are kept as they come; others are laid
    down on disk and sorted one after the other.
    """
    found, tags, sha256 = candidate.found, run.plant.tags, candidate.sha256
    months = MonthNumbers(run.zone)
    kept = Kept(limits)
    with (
        tempfile.TemporaryDirectory(prefix="spool-", dir=run.writable.scratch) as folder,
        ExitStack() as begun,
    ):

        def straight(number: int) -> StraightMonth:
            month = StraightMonth(run, sha256, months, number, limits)
            begun.callback(month.discard)
            return month

        spool = spool_export(
            found.file,
            found.export,
            list(tags),
            Path(folder),
            found.path,
            months.of,
            switch_tags(run.plant),
            straight,
            run.zone,
        )
        if spool.reading.status == "accepted":
            disorder = [spool.reading.disorder]

            def take(part: int) -> tuple[Kept, pa.Table]:
                if part in spool.straight:
                    return spool.straight[part].finish(), DISORDER_SCHEMA.empty_table()
                tidy = spool.take(part)
                month = keep_month(run, sha256, months, part, tidy.samples, limits)
                return month, tidy.duplicates.table(list(spool.tags))

            # Two months at a time: one is sorted while the other is compressed.
            parts = sorted([*spool.parts, *spool.straight])
            with closing(in_turn(take, parts, 2)) as taken:
                for done, (month, events) in enumerate(taken):
                    run.progress(f"reading {found.file.name}", done, len(parts))
                    kept.add(month)
                    disorder.append(events)
            keep_disorder(run, sha256, disorder)
    return spool.reading, kept
