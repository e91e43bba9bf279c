"""Samples kept in the data folder: one piece per file and month, and one of its ends.

A piece holds tag by tag, each in time order. Those near the ends of a month are kept once
more, since they bear on its neighbour.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable

import numpy as np
import pandas as pd
import pyarrow as pa

from pipeline.exports.reading import SAMPLES_SCHEMA
from pipeline.jobs.context import Run
from pipeline.jobs.late import count_late
from pipeline.months import Month, MonthNumbers, day_starts, microseconds, month_bounds
from pipeline.plant import Plant
from pipeline.tables.store import Generation

DISORDER = "disorder"
NEVER = np.iinfo(np.int64).min
_ALWAYS = np.iinfo(np.int64).max
CLOCK_ALLOWANCE = pd.Timedelta(minutes=10)
"""A clock so far ahead is not worth a word. Common practice, no source."""


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


@dataclasses.dataclass(frozen=True, slots=True)
class Limits:
    """Instants [µs] a file's samples are held against.

    Parameters
    ----------
    moment : int
        Now.
    late_before : int
        Start of the local day the run before ended in.
    """

    moment: int = _ALWAYS
    late_before: int = NEVER

    @classmethod
    def of(cls, run: Run, moment: pd.Timestamp | None, committed: pd.Timestamp | None) -> Limits:
        """Work them out from now and from the instant up to which a run published."""
        late = NEVER
        if committed is not None:
            late = microseconds(day_starts(pd.DatetimeIndex([committed]), run.zone)[0])
        return cls(_ALWAYS if moment is None else microseconds(moment), late)


@dataclasses.dataclass(slots=True)
class Kept:
    """What has been kept of a file, or of a month of it.

    Parameters
    ----------
    limits : Limits
        What its samples are held against.
    samples : int
        Samples kept.
    low, high : int
        Span [µs] of the samples that are not stamped later than now; the wrong way round
        where there is none.
    months : set of str
        Months they bear on.
    late : list of Table
        Samples of local days that an earlier run had published, new to it: ``LATE_SCHEMA``.
    ahead, latest : int
        Samples stamped so much later than now that a clock must be wrong, and the latest [µs].
    """

    limits: Limits
    samples: int = 0
    low: int = _ALWAYS
    high: int = NEVER
    months: set[Month] = dataclasses.field(default_factory=set)
    late: list[pa.Table] = dataclasses.field(default_factory=list)
    ahead: int = 0
    latest: int = NEVER

    @property
    def first(self) -> pd.Timestamp | None:
        """First of the samples that are not stamped later than now."""
        return None if self.low > self.high else pd.Timestamp(self.low, unit="us", tz="UTC")

    @property
    def last(self) -> pd.Timestamp | None:
        """Last of them."""
        return None if self.low > self.high else pd.Timestamp(self.high, unit="us", tz="UTC")

    def look(self, time: np.ndarray) -> None:
        """Count samples by their times [µs]."""
        if not len(time):
            return
        self.samples += len(time)
        low, high = int(time.min()), int(time.max())
        if high > self.limits.moment:
            allowed = self.limits.moment + CLOCK_ALLOWANCE // pd.Timedelta(microseconds=1)
            self.ahead += int((time > allowed).sum())
            self.latest = max(self.latest, high)
            time = time[time <= self.limits.moment]
            if not len(time):
                return
            high = int(time.max())
        self.low, self.high = min(self.low, low), max(self.high, high)

    def add(self, other: Kept) -> None:
        """Count what has been kept elsewhere, too."""
        self.samples += other.samples
        self.low, self.high = min(self.low, other.low), max(self.high, other.high)
        self.months |= other.months
        self.late += other.late
        self.ahead += other.ahead
        self.latest = max(self.latest, other.latest)


def times(samples: pa.Table) -> np.ndarray:
    """Give the times of samples [µs]."""
    return samples.column("time").combine_chunks().cast(pa.int64()).to_numpy()


class _MonthEnds:
    """The samples of a month near its ends, for its neighbours."""

    def __init__(self, run: Run, months: MonthNumbers, number: int) -> None:
        self.month = months.name(number)
        self._beside = months.name(number - 1), months.name(number + 1)
        halo = halo_us(run.plant)
        start, end = (microseconds(t) for t in month_bounds(self.month, run.zone))
        self._first, self._last = start + halo, end - halo
        self.touched = {self.month}
        self.samples: list[pa.Table] = []

    def look(self, samples: pa.Table, time: np.ndarray) -> None:
        """Take those out that are near."""
        first, last = time < self._first, time >= self._last
        if first.any():
            self.touched.add(self._beside[0])
        if last.any():
            self.touched.add(self._beside[1])
        if len(self.touched) > 1 and (near := first | last).any():
            self.samples.append(samples.filter(pa.array(near)))


def keep_month(
    run: Run, sha256: str, months: MonthNumbers, number: int, samples: pa.Table, limits: Limits
) -> Kept:
    """Keep the samples of one month, and once more those near its ends for its neighbours."""
    kept = Kept(limits)
    if samples.num_rows:
        time = times(samples)
        ends = _MonthEnds(run, months, number)
        ends.look(samples, time)
        kept.look(time)
        run.writable.put_blob(segment_folder(ends.month), sha256, samples)
        _finish(run, sha256, ends, kept, int(time.min()))
    return kept


class StraightMonth:
    """The samples of one month that come tag by tag: they are kept as they come.

    Parameters
    ----------
    run : Run
        The run.
    sha256 : str
        Of the file.
    months : MonthNumbers
        Of the station.
    number : int
        The month's.
    limits : Limits
        What its samples are held against.
    """

    def __init__(
        self, run: Run, sha256: str, months: MonthNumbers, number: int, limits: Limits
    ) -> None:
        self._run, self._sha256, self._limits = run, sha256, limits
        self._ends = _MonthEnds(run, months, number)
        self._kept = Kept(limits)
        self._earliest = _ALWAYS
        folder = segment_folder(self._ends.month)
        self._file = run.writable.open_blob(folder, sha256, SAMPLES_SCHEMA)

    def add(self, samples: pa.Table) -> None:
        """Take the next rows, of ``SAMPLES_SCHEMA``."""
        time = times(samples)
        self._ends.look(samples, time)
        self._kept.look(time)
        self._earliest = min(self._earliest, int(time.min()))
        self._file.add(samples)

    def take_back(self) -> pa.Table:
        """Give all rows back; nothing is kept."""
        return self._file.take_back()

    def discard(self) -> None:
        """Keep nothing; harmless once it is finished or taken back."""
        self._file.discard()

    def finish(self) -> Kept:
        """Keep them."""
        self._file.finish()
        _finish(self._run, self._sha256, self._ends, self._kept, self._earliest)
        return self._kept


def _finish(run: Run, sha256: str, ends: _MonthEnds, kept: Kept, earliest: int) -> None:
    kept.months |= ends.touched
    if ends.samples:
        near = pa.concat_tables(ends.samples)
        run.writable.put_blob(edge_folder(ends.month), sha256, near)
    if earliest < kept.limits.late_before:
        folder = segment_folder(ends.month)
        kept.late.append(count_late(run, folder, sha256, kept.limits.late_before))


def keep_disorder(run: Run, sha256: str, pieces: list[pa.Table]) -> None:
    """Keep what sorting hid, for the data quality of the days."""
    table = pa.concat_tables(pieces) if pieces else None
    if table is not None and table.num_rows:
        run.writable.put_blob(DISORDER, sha256, table)


def read_disorder(stage: Generation, sources: Iterable[str]) -> pa.Table | None:
    """Read what sorting hid in some files; None where it hid nothing."""
    found = [stage.read_blob(DISORDER, s) for s in sources if stage.has_blob(DISORDER, s)]
    return pa.concat_tables(found) if found else None


def read_kept(
    stage: Generation, month: Month, sources: Iterable[str], halo: int, zone: str
) -> list[pa.Table]:
    """Read the kept samples of a month and its halo, source by source.

    Parameters
    ----------
    stage : Generation
        Where they are kept.
    month : str
        The month.
    sources : iterable of str
        SHA-256 of the files, in the order in which later ones go before earlier ones.
    halo : int
        How far before and after the month samples still count [µs].
    zone : str
        Time zone of the station.

    Returns
    -------
    list of Table
        In that order; the pieces of one source do not overlap.
    """
    start, end = (microseconds(t) for t in month_bounds(month, zone))
    folders = _folders(month)
    before, _, after = folders
    found = []
    for sha256 in sources:
        for folder in folders:
            if not stage.has_blob(folder, sha256):
                continue
            samples = stage.read_blob(folder, sha256)
            if folder in (before, after):
                time = times(samples)
                near = (time >= start - halo) & (time < end + halo)
                samples = samples.filter(pa.array(near))
            found.append(samples)
    return found


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
