"""From columns to samples: the rules that all forms of export share.

Readers of every form feed a ``Collector`` column by column; it maps tags, judges statuses,
keeps text found where a number belongs, settles the repeated hour, sorts, and resolves
duplicates.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.exports.disorder import DisorderCells, OrderWatch
from pipeline.exports.instants import ALWAYS_UTC, FAULTS, REPEATED_HOUR, Instants
from pipeline.exports.numbers import (
    looks_like_other_numbers,
    read_numbers,
    read_states,
    says_nothing,
)
from pipeline.exports.ordering import tidy
from pipeline.exports.quality import BAD, StatusReader
from pipeline.exports.reading import (
    Counts,
    Reading,
    Refusals,
    empty_samples,
    samples_table,
)
from pipeline.exports.repeated_hours import Batch, Held, NearRows, as_written, settle_repeated
from pipeline.plant.types import ExportFormat

__all__ = ["Collector"]

Int64 = NDArray[np.int64]
Mask = NDArray[np.bool_]


class Collector:
    """Turns columns of one export into samples.

    Parameters
    ----------
    file : str
        Label of the file.
    export : ExportFormat
        How it is written.
    tag_names : collection of str
        Tags of the plant file; others are counted only.
    switch_tags : collection of str
        Tags of two states, whose values may be words such as ``On`` and ``Off``.
    day_zone : str
        Zone of the days by which disorder is counted.
    """

    def __init__(
        self,
        file: str,
        export: ExportFormat,
        tag_names: Collection[str],
        switch_tags: Collection[str] = (),
        day_zone: str = "UTC",
    ) -> None:
        self.day_zone = day_zone
        self.refusals = Refusals(file)
        self.notes: list[str] = []
        self._file = file
        self._export = export
        self.tags = sorted(tag_names)
        self._code_of = {name: code for code, name in enumerate(self.tags)}
        self._tag_values = pa.array(self.tags, pa.string())
        self._is_switch = np.array([name in switch_tags for name in self.tags], dtype=bool)
        self._status = StatusReader(export.good, export.uncertain, export.bad)
        self._batches: list[Batch] = []
        self._held: list[Held] = []
        has_clock = export.time_zone not in (None, *ALWAYS_UTC)  # else no hour is ever repeated
        self._near = NearRows(export.time_zone or "UTC") if has_clock else None
        self._unknown: dict[str, int] = {}
        self._plain = np.zeros(len(self.tags), dtype=np.int64)
        self._watch = OrderWatch(len(self.tags), day_zone)
        self._wide_run: Int64 | None = None
        self._wide_plain = 0
        self.counts = Counts()

    def knows(self, tag: str) -> bool:
        """Tell whether the plant file names a tag."""
        return tag in self._code_of

    def count_rows(self, rows: int) -> None:
        """Count data rows."""
        self._count(rows=rows)

    def _count(self, **more: int) -> None:
        changed = {name: getattr(self.counts, name) + number for name, number in more.items()}
        self.counts = replace(self.counts, **changed)

    def refuse_rows(self, lines: Int64, texts: pa.Array | None, reason: str) -> None:
        """Count rows that give no sample, with what they said."""
        self._count(rejected=len(lines))
        self.refusals.add(lines, None, texts, reason)

    def unknown(self, tag: str, count: int) -> None:
        """Count values of a tag that the plant file does not name."""
        if count:
            self._unknown[tag] = self._unknown.get(tag, 0) + count
            self._count(unknown_tags=count)

    def look_at_status(self, words: pa.Array) -> None:
        """Let the status reader see distinct statuses before any is judged."""
        self._status.look(words.to_pylist())

    @property
    def is_status_open(self) -> bool:
        """Whether no number seen so far tells what the statuses of this file mean."""
        return self._status.is_open

    def refuse_times(self, instants: Instants, lines: Int64, texts: pa.Array | None) -> None:
        """Count rows whose timestamp is at fault; those of a repeated hour wait.

        To be called once for every block of rows, before its columns are added.
        """
        if not instants.fault.any():
            self._wide_run = None
            self._wide_plain += len(lines)
            return
        self._wide_run = self._wide_plain + np.cumsum(instants.fault == 0)
        self._wide_plain += int((instants.fault == 0).sum())
        for code in range(1, len(FAULTS)):
            if code == REPEATED_HOUR:
                continue
            rows = np.flatnonzero(instants.fault == code)
            if len(rows):
                shown = None if texts is None else texts.take(pa.array(rows)).cast(pa.string())
                self.refuse_rows(lines[rows], shown, FAULTS[code])

    def add_long(
        self,
        instants: Instants,
        tags: pa.DictionaryArray,
        values: pa.Array,
        status: pa.DictionaryArray | None,
        lines: Int64,
    ) -> None:
        """Add rows that each hold one sample of one tag.

        Parameters
        ----------
        instants : Instants
            Time of each row; faulty ones have been counted by ``refuse_times``.
        tags : DictionaryArray of string
            Tag of each row.
        values : Array of float64 or string
            Value of each row.
        status : DictionaryArray of string or None
            Status of each row; None if the export has none.
        lines : ndarray of int64
            Line of each row in the file.
        """
        names = [name.strip() if name else "" for name in tags.dictionary.to_pylist()]
        lookup = np.array([self._code_of.get(name, -1) for name in names] + [-1], dtype=np.int32)
        index = _indices(tags, len(names))
        code = lookup[index]
        if tags.indices.null_count or (lookup[:-1] < 0).any() or instants.fault.any():
            code, instants, values, status, lines = self._known(
                code, index, names, instants, values, status, lines
            )
        value, quality = self._judge(values, status, code, lines, is_wide=False)
        self._append(instants, Batch(code, instants.utc, value, quality), lines, code)

    def _known(
        self,
        code: NDArray[np.int32],
        index: NDArray[np.integer],
        names: list[str],
        instants: Instants,
        values: pa.Array,
        status: pa.DictionaryArray | None,
        lines: Int64,
    ) -> tuple[NDArray[np.int32], Instants, pa.Array, pa.DictionaryArray | None, Int64]:
        """Leave rows without a known tag or a usable time out, counted."""
        is_unknown = code < 0
        if is_unknown.any():
            # A row without a usable time is refused already.
            told = is_unknown & ((instants.fault == 0) | (instants.fault == REPEATED_HOUR))
            number = np.bincount(index[told], minlength=len(names) + 1)
            for position in np.flatnonzero(number[:-1]):
                if names[position]:
                    self.unknown(names[position], int(number[position]))
            nameless = is_unknown & np.array([not name for name in [*names, ""]])[index]
            rows = np.flatnonzero(nameless & (instants.fault == 0))
            if len(rows):
                self.refuse_rows(lines[rows], None, "the row names no tag")
        keep = ~is_unknown & ((instants.fault == 0) | (instants.fault == REPEATED_HOUR))
        if not keep.all():
            rows = pa.array(np.flatnonzero(keep))
            instants = _take_instants(instants, keep)
            code, values, lines = code[keep], values.take(rows), lines[keep]
            status = None if status is None else status.take(rows)
        return code, instants, values, status, lines

    def add_column(
        self,
        instants: Instants,
        tag: str,
        values: pa.Array,
        lines: Int64,
        status: pa.DictionaryArray | None = None,
        *,
        is_own: bool = False,
    ) -> None:
        """Add one tag's column of a wide export; cells that say nothing are no samples.

        Parameters
        ----------
        instants : Instants
            Time of each row.
        tag : str
            A tag that the plant file names.
        values : Array of float64 or string
            Its values; null where the cell is blank.
        lines : ndarray of int64
            Line of each row in the file.
        status : DictionaryArray of string, optional
            Status of each row.
        is_own : bool
            Whether the status is this tag's own: a status beside a blank cell is a bad sample.
        """
        present = np.asarray(values.is_valid().to_numpy(zero_copy_only=False))
        if not pa.types.is_floating(values.type):
            present &= ~says_nothing(values)
        else:
            values = values.cast(pa.float64())
            number = values.fill_null(np.nan).to_numpy(zero_copy_only=False)
            present &= ~np.isnan(number)
        if status is not None and is_own:
            present |= _is_filled(status)
        keep = present & ((instants.fault == 0) | (instants.fault == REPEATED_HOUR))
        run = self._wide_run
        if not keep.all():
            instants, run = _take_instants(instants, keep), None if run is None else run[keep]
            rows = pa.array(np.flatnonzero(keep))
            values, lines = values.take(rows), lines[keep]
            status = None if status is None else status.take(rows)
        code = np.full(len(lines), self._code_of[tag], dtype=np.int32)
        value, quality = self._judge(values, status, code, lines, is_wide=True)
        batch = Batch(code, instants.utc, value, quality)
        self._append(instants, batch, lines, np.zeros_like(code), run)

    def _judge(
        self,
        values: pa.Array,
        status: pa.DictionaryArray | None,
        code: NDArray[np.int32],
        lines: Int64,
        *,
        is_wide: bool,
    ) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
        value, is_text, is_empty = read_numbers(values, self._export)
        if is_text.any() and self._is_switch.any():
            states = np.flatnonzero(is_text & self._is_switch[code])
            value = value.copy()
            value[states] = read_states(values.take(pa.array(states)))
            is_text = is_text & np.isnan(value)
        quality = np.isnan(value).astype(np.int8)
        quality *= BAD  # GOOD is 0
        if is_text.any():
            rows = np.flatnonzero(is_text)
            names = self._tag_values.take(pa.array(code[rows]))
            self._count(text_values=len(rows))
            texts = values.take(pa.array(rows)).cast(pa.string())
            self.refusals.add(lines[rows], names, texts, "text where a number belongs")
            self.notes.extend(looks_like_other_numbers(texts, self._export))
        if is_empty.any() and not is_wide:
            self._count(empty_values=int(is_empty.sum()))
        if status is not None:
            words = [*status.dictionary.to_pylist(), None]
            codes, reasons = self._status.read(words)
            index = _indices(status, len(words) - 1)
            quality = np.maximum(quality, codes[index])
            for position, reason in enumerate(reasons):
                rows = np.flatnonzero(index == position) if reason else np.zeros(0, dtype=int)
                if len(rows):
                    self._count(unknown_status=len(rows))
                    names = self._tag_values.take(pa.array(code[rows]))
                    texts = pa.array([words[position]] * len(rows), pa.string())
                    self.refusals.add(lines[rows], names, texts, reason)
        return value, quality

    def _append(
        self,
        instants: Instants,
        batch: Batch,
        lines: Int64,
        series: NDArray[np.int32],
        run: Int64 | None = None,
    ) -> None:
        # What is left of faults are repeated hours.
        if instants.fault.any():
            held = instants.fault == REPEATED_HOUR
            self._held.append(
                Held(
                    batch.take(held),
                    lines[held],
                    instants.transition[held],
                    instants.shift[held],
                    series[held],
                    self._runs(batch.code, held) if run is None else run[held],
                )
            )
            batch, lines = batch.take(~held), lines[~held]
        if self._near is not None:
            self._plain += np.bincount(batch.code, minlength=len(self.tags))
            self._near.look(batch.code, batch.time, lines)
        if not len(batch.time):
            return
        self._watch.look(batch.code, batch.time)
        self._batches.append(batch)

    def _runs(self, code: NDArray[np.int32], held: Mask) -> Int64:
        """Count, for each held row, the rows of other hours of its tag before it."""
        run = np.zeros(len(code), dtype=np.int64)
        for tag in np.unique(code[held]):
            own = code == tag
            run[own] = self._plain[tag] + np.cumsum(~held[own])
        return run[held]

    def _settle(self) -> None:
        """Resolve repeated hours once the whole file has been seen."""
        if not self._held or self._near is None:
            return
        batch, line, utc, is_undecided = settle_repeated(self._held, self.descending, self._near)
        self._held = []
        rows = np.flatnonzero(is_undecided)
        if len(rows):
            names = self._tag_values.take(pa.array(batch.code[rows]))
            self._count(rejected=len(rows))
            texts = as_written(batch.take(rows), self._export.time_zone)
            self.refusals.add(line[rows], names, texts, FAULTS[REPEATED_HOUR])
        self._count(repeated_hour=int((~is_undecided).sum()))
        settled = Batch(batch.code, utc, batch.value, batch.quality).take(~is_undecided)
        if len(settled.time):
            self._batches.append(settled)

    def drain(self) -> Iterator[pa.Table]:
        """Hand over what has been gathered so far, in file order, and forget it."""
        for batch in self._batches:
            yield samples_table(self.tags, batch.code, batch.time, batch.value, batch.quality)
        self._batches = []

    def settle_and_drain(self) -> Iterator[pa.Table]:
        """Hand over the rest, with the repeated hours resolved, at the end of the file."""
        self._settle()
        yield from self.drain()

    def finish(self) -> Reading:
        """Sort, resolve duplicates and hand everything over."""
        self._settle()
        parts = self._batches
        self._batches = []
        samples, duplicates = empty_samples(self.tags), DisorderCells(self.day_zone)
        if parts:
            batch = Batch.joined(parts)
            del parts
            columns = (batch.code, batch.time, batch.value, batch.quality)
            found = tidy(self.tags, *columns, self.day_zone)
            samples, duplicates = found.samples, found.duplicates
        return self.report(samples, duplicates)

    def report(self, samples: pa.Table, duplicates: DisorderCells) -> Reading:
        """Make the reading of this file."""
        disorder = self._watch.cells()
        disorder.update(duplicates)
        names = ("out_of_order", "identical_duplicates", "conflicting_duplicates")
        self._count(samples=samples.num_rows, **{n: disorder.total(n) for n in names})
        most = sorted(self._unknown.items(), key=lambda item: (-item[1], item[0]))[:100]
        return Reading(
            file=self._file,
            samples=samples,
            rejected=self.refusals.table(),
            disorder=disorder.table(self.tags),
            counts=self.counts,
            unknown_tags=dict(most),
            notes=tuple(dict.fromkeys(self.notes)),
        )

    @property
    def descending(self) -> Mask:
        """Tags whose rows stand newest first, by what has been seen so far."""
        return self._watch.descending


def _is_filled(words: pa.DictionaryArray) -> Mask:
    filled = [bool(word and word.strip()) for word in words.dictionary.to_pylist()]
    return np.array([*filled, False])[_indices(words, len(filled))]


def _indices(words: pa.DictionaryArray, for_null: int) -> NDArray[np.integer]:
    indices = words.indices
    if indices.null_count:
        indices = indices.fill_null(for_null)
    return indices.to_numpy(zero_copy_only=False)


def _take_instants(instants: Instants, keep: Mask) -> Instants:
    return Instants(
        instants.utc[keep], instants.fault[keep], instants.transition[keep], instants.shift[keep]
    )
