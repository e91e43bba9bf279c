"""From kept samples to the regular grid: ``measurements`` and ``data_quality``, by month."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.assembly import GridView
from pipeline.assembly.grid_view import WORD_OF_QUALITY
from pipeline.exports.conversion import to_si
from pipeline.exports.grid import TagSettings, grid_samples
from pipeline.exports.ledger import Entry, merge_samples
from pipeline.exports.quality import BAD
from pipeline.exports.tag_runs import tag_edges
from pipeline.hydraulics.pressure import atmospheric_pressure
from pipeline.jobs.context import Run
from pipeline.jobs.daily_quality import daily_quality
from pipeline.jobs.ingest import (
    cut_before,
    halo_us,
    kept_digests,
    read_disorder,
    read_kept,
    sources_by_month,
)
from pipeline.jobs.workers import MonthJob, MonthMade, Workers, build_months
from pipeline.months import Month, microseconds, month_bounds
from pipeline.plant import Tag
from pipeline.quantities import DisplayUnit, display_unit

OUTSIDE_RANGE_TOLERANCE = 0.02
"""A reading this far beyond the instrument's range, part of the span, still counts: zero and
full scale of real instruments are not exact [-]. Common practice, no source."""


def measure(run: Run, held: Workers, ledger: Sequence[Entry]) -> None:
    """Build every month of ``measurements`` and ``data_quality`` that is not up to date."""
    by_month = sources_by_month(ledger)
    wanted = [m for m in by_month if run.bounds(m)[0] < run.bounds(m)[1]]
    halo = pd.Timedelta(halo_us(run.plant), unit="us")
    jobs = []
    for month in wanted:
        sources = [e.sha256 for e in by_month[month]]
        # Samples of the halo after the month bear on it too, once they count as evidence.
        last = min(run.as_of, month_bounds(month, run.zone)[1] + halo)
        kept = kept_digests(run.stage, month, sources)
        parts = [run.fingerprints.measure, kept, last.isoformat()]
        inputs = {name: run.inputs(name, [name, *parts]) for name in _TABLES}
        jobs.append(MonthJob(month, inputs, sources))
    run.outcome.rebuilt += build_months(run, held, "measurements", jobs, make_month)
    for table in _TABLES:
        for month in set(run.stage.months(table)) - set(wanted):
            run.writable.remove(table, month)


_TABLES = ("measurements", "data_quality")


def make_month(run: Run, month: Month, sources: Sequence[str]) -> MonthMade:
    """Make both tables of a month from the kept samples of its sources, in ledger order."""
    start, end = run.bounds(month)
    samples = _samples(run, month, sources)
    disorder = read_disorder(run.stage, sources)
    # Both only look at the samples, which takes about the same time.
    with ThreadPoolExecutor(1, thread_name_prefix="quality") as beside:
        quality = beside.submit(daily_quality, run, samples, start, end, disorder)
        measurements = run.publish("measurements", _measurements(run, samples, start, end))
        days = run.publish("data_quality", quality.result())
    return MonthMade({"measurements": measurements, "data_quality": days})


def _samples(run: Run, month: Month, sources: Sequence[str]) -> pa.Table:
    """Samples of a month and its halo, later files first in rank, in SI, judged by range."""
    pieces = read_kept(run.stage, month, sources, halo_us(run.plant), run.zone)
    merged, _ = merge_samples([cut_before(p, run.as_of) for p in pieces])
    pressure = float(atmospheric_pressure(run.plant.station.altitude))
    si = to_si(merged, run.plant.tags, pressure)
    return _judge_range(si, run.plant.tags)


def _judge_range(samples: pa.Table, tags: Mapping[str, Sequence[Tag]]) -> pa.Table:
    """Count readings well outside the instrument's range as bad: it cannot have read them."""
    if samples.num_rows == 0:
        return samples
    table = samples.combine_chunks()
    labels = table.column("tag").combine_chunks()
    names = labels.dictionary.to_pylist()
    code = labels.indices.to_numpy()
    value = table.column("value").combine_chunks().to_numpy()
    judged = np.array(table.column("quality").combine_chunks().to_numpy())
    for start, end in itertools.pairwise(tag_edges(code).tolist()):
        versions = tags[names[code[start]]]
        span = max(v.high - v.low for v in versions)
        slack = OUTSIDE_RANGE_TOLERANCE * span if np.isfinite(span) else 0.0
        own = value[start:end]
        low = min(v.low for v in versions) - slack
        high = max(v.high for v in versions) + slack
        if low == -np.inf and high == np.inf:
            continue
        judged[start:end][(own < low) | (own > high)] = BAD
    return table.set_column(table.schema.get_field_index("quality"), "quality", pa.array(judged))


def tag_settings(versions: Sequence[Tag]) -> TagSettings:
    """How a tag's samples become grid values, by its latest description."""
    tag = versions[-1]
    step = tag.interpolation == "step" or tag.measures != "rate"
    return TagSettings(
        max_gap_us=round(tag.max_gap * 1e6), interpolation="step" if step else "linear"
    )


def _measurements(
    run: Run, samples: pa.Table, start: pd.Timestamp, end: pd.Timestamp
) -> pd.DataFrame:
    step = round(run.plant.station.grid * 1e6)
    first = microseconds(start)
    # The open month ends on a whole interval; the rest of it is covered in part.
    last = first + -(-(microseconds(end) - first) // step) * step
    present = set(samples.column("tag").combine_chunks().dictionary.to_pylist())
    settings = {n: tag_settings(v) for n, v in run.plant.tags.items() if n in present}
    if not settings:
        return run.contract("measurements").empty()
    grid = grid_samples(samples, settings, step, first, last)
    used = pc.or_(
        pc.greater(grid.column("coverage"), 0), pc.greater(grid.column("sample_count"), 0)
    )
    grid = grid.filter(used).combine_chunks()
    labels = grid.column("tag").combine_chunks()
    code = labels.indices.to_numpy()
    names = labels.dictionary.to_pylist()
    units = [shown_unit(run, name) for name in names]
    scale = np.array([u.scale for u in units])[code]
    offset = np.array([u.offset for u in units])[code]
    value = grid.column("value").to_numpy() * scale + offset
    return pd.DataFrame(
        {
            "tag": _categorical(code, names),
            "time": grid.column("time").to_pandas(),
            "value": value,
            "unit": _unit_labels([u.text or "1" for u in units], code),
            "coverage": grid.column("coverage").to_numpy().astype(np.float64),
            "sample_count": grid.column("sample_count").to_numpy().astype(np.int64),
            "worst_quality": _categorical(grid.column("worst_quality").to_numpy(), WORD_OF_QUALITY),
        }
    )


def _unit_labels(texts: Sequence[str], code: np.ndarray) -> pd.Categorical[str]:
    distinct = sorted(set(texts))
    position = {text: i for i, text in enumerate(distinct)}
    return _categorical(np.array([position[t] for t in texts])[code], distinct)


def _categorical(code: np.ndarray, names: Sequence[str]) -> pd.Categorical[str]:
    return pd.Categorical.from_codes(code, pd.Index(names))


def shown_unit(run: Run, tag: str) -> DisplayUnit:
    """Give the unit in which a tag's measurements are published."""
    version = run.plant.tags[tag][-1]
    name = version.quantity
    # Totals are published as the rates they were turned into.
    if version.measures != "rate" and name == "flow_total":
        name = "flow"
    elif version.measures != "rate" and name == "energy_total":
        name = "electrical_power"
    return display_unit(name, run.plant.station.display)


def grid_view(
    run: Run,
    month: Month,
    start: pd.Timestamp,
    end: pd.Timestamp,
    tags: Sequence[str] | None = None,
) -> GridView:
    """Read the measurements of (part of) a month back, in SI; of some tags where they are named."""
    table = run.stage.read_arrow(
        "measurements",
        [month],
        ["tag", "time", "value", "coverage", "worst_quality"],
        filters=None if tags is None else [("tag", "in", list(tags))],
    )
    labels = table.column("tag").combine_chunks()
    if isinstance(labels, pa.ChunkedArray):
        labels = labels.unify_dictionaries().combine_chunks()
    units = [shown_unit(run, name) for name in labels.dictionary.to_pylist()]
    code = labels.indices.to_numpy()
    scale = np.array([u.scale for u in units])[code]
    offset = np.array([u.offset for u in units])[code]
    value = table.column("value").to_numpy(zero_copy_only=False)
    si = pa.array((value - offset) / scale)
    table = table.set_column(table.schema.get_field_index("value"), "value", si)
    return GridView(table, start, end, run.plant.station.grid)
