"""Raw samples to SI: unit, gauge or absolute, and totals to rates, by what was true then."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from pipeline.errors import ExportError, Fault
from pipeline.exports.quality import BAD
from pipeline.exports.reading import samples_table
from pipeline.exports.tag_runs import tag_edges
from pipeline.exports.tag_samples import TagSamples
from pipeline.plant.types import Tag

__all__ = [
    "check_convertible",
    "interval_total_to_rate",
    "running_total_to_rate",
    "tag_to_si",
    "to_si",
]

Int64 = NDArray[np.int64]
Float = NDArray[np.float64]
Int8 = NDArray[np.int8]


def to_si(
    samples: pa.Table,
    tag_versions: Mapping[str, Sequence[Tag]],
    atmospheric_pressure: float | None = None,
) -> pa.Table:
    """Convert raw samples to SI.

    Parameters
    ----------
    samples : Table
        ``SAMPLES_SCHEMA``, sorted by tag and time, raw units.
    tag_versions : mapping of str to sequence of Tag
        Versions of each tag; each sample follows the version in force at its time. Samples
        before the first version are bad.
    atmospheric_pressure : float or None
        Local atmospheric pressure [Pa]; takes absolute pressures to gauge.

    Returns
    -------
    Table
        ``SAMPLES_SCHEMA``, SI, pressures gauge, totals as rates, sorted by tag and time. A
        sample outside any version keeps its row with NaN and quality bad.

    Raises
    ------
    ExportError
        If a tag is absolute and no atmospheric pressure is given, or has no version at all.

    Notes
    -----
    Rates made of totals hold from one sample to the next: grid them as steps
    (``interpolation="step"``). See ``running_total_to_rate``.
    """
    table = samples.combine_chunks()
    if not table.num_rows:
        return table
    tag = table.column("tag").combine_chunks()
    names = tag.dictionary.to_pylist()
    code = tag.indices.to_numpy(zero_copy_only=False)
    time = table.column("time").combine_chunks().cast(pa.int64()).to_numpy()
    value = np.array(table.column("value").combine_chunks().to_numpy())
    quality = np.array(table.column("quality").combine_chunks().to_numpy())
    edges = tag_edges(code)
    present = [names[c] for c in code[edges[:-1]]]
    check_convertible(present, tag_versions, atmospheric_pressure)
    for name, (start, end) in zip(present, itertools.pairwise(edges), strict=True):
        rows = slice(start, end)
        own = TagSamples(time[rows], value[rows], quality[rows])
        _, value[rows], quality[rows] = tag_to_si(own, tag_versions[name], atmospheric_pressure)
    return samples_table(names, code, time, value, quality)


def tag_to_si(
    samples: TagSamples, versions: Sequence[Tag], atmospheric_pressure: float | None = None
) -> TagSamples:
    """Convert the raw samples of one tag to SI; see `to_si`.

    Parameters
    ----------
    samples : TagSamples
        In time order, raw units.
    versions : sequence of Tag
        Versions of the tag.
    atmospheric_pressure : float or None
        Local atmospheric pressure [Pa]; takes absolute pressures to gauge.

    Returns
    -------
    TagSamples
        New values and qualities at the same times.
    """
    time = samples.time
    value, quality = np.empty(len(time)), np.empty(len(time), np.int8)
    versions = sorted(versions, key=lambda v: v.valid_from)
    since = np.array([v.valid_from.value // 1000 for v in versions], dtype=np.int64)
    cuts = np.searchsorted(time, since, side="left").tolist()
    value[: cuts[0]], quality[: cuts[0]] = np.nan, BAD
    for version, low, high in zip(versions, cuts, [*cuts[1:], len(time)], strict=True):
        rows = slice(low, high)
        value[rows], quality[rows] = _convert(
            time[rows],
            samples.value[rows],
            samples.quality[rows],
            version,
            atmospheric_pressure,
        )
    return TagSamples(time, value, quality)


def check_convertible(
    present: Iterable[str],
    tag_versions: Mapping[str, Sequence[Tag]],
    atmospheric_pressure: float | None,
) -> None:
    """Refuse tags that cannot be converted to SI.

    Parameters
    ----------
    present : iterable of str
        Tags that have samples.
    tag_versions, atmospheric_pressure
        As for `to_si`.

    Raises
    ------
    ExportError
        If a tag is absolute and no atmospheric pressure is given, or has no version at all.
    """
    faults = []
    for name in present:
        versions = tag_versions.get(name, ())
        if not versions:
            faults.append(Fault(f"tag '{name}'", "no description", "an entry in the plant file"))
        elif atmospheric_pressure is None and any(v.reference == "absolute" for v in versions):
            faults.append(
                Fault(
                    f"tag '{name}'",
                    "absolute pressure without atmospheric pressure",
                    "the station's altitude or atmospheric pressure",
                )
            )
    if faults:
        raise ExportError("Some tags cannot be converted to SI.", faults)


def _convert(
    time: Int64, value: Float, quality: Int8, tag: Tag, atmospheric_pressure: float | None
) -> tuple[Float, Int8]:
    if tag.measures == "running_total":
        value, quality = running_total_to_rate(time, value, quality, tag.max_gap)
    elif tag.measures == "interval_total":
        value, quality = interval_total_to_rate(time, value, quality)
    si = value * tag.scale
    si += tag.offset if tag.measures == "rate" else 0.0
    if tag.reference == "absolute" and atmospheric_pressure is not None:
        si = si - atmospheric_pressure
    return si, quality


def running_total_to_rate(
    time: Int64, total: Float, quality: Int8, max_gap: float = np.inf
) -> tuple[Float, Int8]:
    """Turn a counter into the rates between its samples.

    Parameters
    ----------
    time : ndarray of int64
        Ascending [µs].
    total : ndarray of float64
        Counter readings.
    quality : ndarray of int8
        0 good, 1 uncertain, 2 bad.
    max_gap : float
        Longest time between two samples that is still bridged [s].

    Returns
    -------
    rate : ndarray of float64
        Per second; the mean from this sample to the next. NaN at the last sample, before a
        gap longer than ``max_gap``, and where the counter falls (reset or roll-over: how far
        it had counted is not known).
    quality : ndarray of int8
        The worse of both ends; bad where the rate is NaN.

    Notes
    -----
    The rate stands at the start of the time it holds for, as a step. Differences of a counter
    keep the total: the integral of the steps is the counter's advance.
    """
    rate = np.full(len(total), np.nan)
    worst = np.full(len(total), BAD, dtype=np.int8)
    if len(total) > 1:
        elapsed = np.diff(time) / 1e6
        advance = np.diff(total)
        worse = np.maximum(quality[:-1], quality[1:])
        usable = (advance >= 0) & (elapsed > 0) & (elapsed <= max_gap) & (worse < BAD)
        safe = np.where(elapsed > 0, elapsed, 1.0)
        rate[:-1] = np.where(usable, advance / safe, np.nan)
        worst[:-1] = np.where(usable, worse, BAD)
    return rate, worst


def interval_total_to_rate(time: Int64, total: Float, quality: Int8) -> tuple[Float, Int8]:
    """Turn totals per interval into the rates of the intervals.

    Parameters
    ----------
    time : ndarray of int64
        Ends of the intervals, ascending [µs].
    total : ndarray of float64
        Total of the interval that ends there.
    quality : ndarray of int8
        0 good, 1 uncertain, 2 bad.

    Returns
    -------
    rate : ndarray of float64
        Per second; at a sample, the rate until the next one. NaN at the last sample and
        before an interval that was left out.
    quality : ndarray of int8
        That of the total; bad where the rate is NaN.

    Notes
    -----
    The length of an interval is the usual distance of two samples (their median). Where the
    next sample is more than half an interval late, one was left out and nothing is known.
    """
    rate = np.full(len(total), np.nan)
    worst = np.full(len(total), BAD, dtype=np.int8)
    if len(total) > 1:
        elapsed = np.diff(time) / 1e6
        usual = float(np.median(elapsed))
        usable = (elapsed > 0) & (elapsed <= 1.5 * usual) & (quality[1:] < BAD)
        usable &= ~np.isnan(total[1:])
        rate[:-1] = np.where(usable, total[1:] / np.where(elapsed > 0, elapsed, 1.0), np.nan)
        worst[:-1] = np.where(usable, quality[1:], BAD)
    return rate, worst
