"""One unit of a back-test: one suction line as it would have been judged from one date on.

A finished unit is two small Parquet files named by the digest of its inputs, so that a back-test
that was stopped goes on where it was.
"""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.assembly import pump_frames
from pipeline.backtest.assumptions import Known
from pipeline.backtest.designs import Span, known_rows
from pipeline.backtest.replay import (
    MEASURED,
    POINT_COLUMNS,
    Question,
    learn_all,
    model_inputs,
    month_errors,
)
from pipeline.errors import StoreError
from pipeline.jobs.backtest_plan import Plan, Unit, evidence_months
from pipeline.jobs.context import Run
from pipeline.jobs.hours import header_columns, less_strainers, read_hours
from pipeline.jobs.line_checks import (
    barred,
    check_discharge,
    check_suction,
    check_swapped_tags,
)
from pipeline.jobs.line_epochs import LineEpoch, cleanings_of, line_epochs, rise_since
from pipeline.jobs.line_friction import rise_rows
from pipeline.jobs.line_priors import early_rows, model_parameters
from pipeline.jobs.measure import grid_view
from pipeline.months import Month, months_between
from pipeline.performance.operating_points import STEADY
from pipeline.plant import Snapshot
from pipeline.suction import SuctionLineModel, expected_reading
from pipeline.suction.evidence import RUNNING
from pipeline.suction.replay import OWN_FLOW, replay_month, usable_rows
from pipeline.tables.catalogue import BY_NAME

SUMS, SAMPLE = "sums", "sample"
_POINTS = (*POINT_COLUMNS, "pump", "status", "suction_pressure_source")


def unit_file(plan: Plan, unit: Unit, kind: str) -> Path:
    """Name the file of a finished unit; the digest alone makes the name."""
    return plan.folder / f"{unit.digest}.{kind}.parquet"


def is_done(plan: Plan, unit: Unit) -> bool:
    """Tell whether a unit was finished before."""
    return unit_file(plan, unit, SUMS).exists() and unit_file(plan, unit, SAMPLE).exists()


def run_unit(plan: Plan, unit: Unit) -> bool:
    """Do one unit unless it was done before.

    Parameters
    ----------
    plan : Plan
        The back-test.
    unit : Unit
        One of its units.

    Returns
    -------
    bool
        Whether there was anything to do.
    """
    if is_done(plan, unit):
        return False
    run = plan.run()
    sums: list[pd.DataFrame] = []
    samples: list[pd.DataFrame] = []
    for span, questions in _questions(plan, run, unit):
        start, end = max(unit.start, span.start), min(unit.end, span.end)
        for month in months_between(start, end, run.zone):
            low, high = run.bounds(month)
            made = _month(run, span, month, max(low, start), min(high, end), questions)
            for frame, kept in zip(made, (sums, samples), strict=True):
                if len(frame):
                    kept.append(frame.assign(pump=span.pump, span=span.start))
    # The sums come last: where they are, the unit is whole.
    _write(plan, unit, SAMPLE, samples)
    _write(plan, unit, SUMS, sums)
    return True


def _write(plan: Plan, unit: Unit, kind: str, pieces: Sequence[pd.DataFrame]) -> None:
    path = unit_file(plan, unit, kind)
    frame = pd.concat(pieces, ignore_index=True) if pieces else pd.DataFrame({"pump": []})
    waiting = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        pq.write_table(
            pa.Table.from_pandas(frame, preserve_index=False), waiting, compression="zstd"
        )
        waiting.replace(path)
    except OSError as error:
        raise StoreError(
            f"Could not keep a finished unit of the back-test in {path.parent}: {error}. "
            "Free space or mend the folder, then run it again: finished units are kept."
        ) from error


# ---------------------------------------------------------------- evidence


def _questions(plan: Plan, run: Run, unit: Unit) -> Iterator[tuple[Span, list[Question]]]:
    """Everything that was learned for each span of the unit, as of the start of its window."""
    epochs = {e.start: e for e in line_epochs(run, unit.line, plan.events)}
    hours = read_hours(run, unit.line, evidence_months(plan, unit.spans, unit.start))
    cleanings = cleanings_of(plan.events)
    usable: dict[tuple[pd.Timestamp, pd.Timestamp], pd.DataFrame] = {}
    rises: dict[tuple[pd.Timestamp, pd.Timestamp], Mapping[str, pd.DataFrame]] = {}
    for span in unit.spans:
        epoch = epochs[span.epoch]
        windows = span.windows(plan.cuts)
        as_of = max(unit.start, span.start)
        window = next(i for i, (a, b) in enumerate(windows) if a <= as_of < b)
        inside = hours[(hours["time"] >= epoch.start) & (hours["time"] < windows[window][1])]
        inside = inside.reset_index(drop=True)
        before = inside[inside["time"] < as_of].reset_index(drop=True)
        key = epoch.start, as_of
        if key not in usable:
            usable[key] = _usable(run, epoch, before, cleanings)
        if key not in rises:
            rises[key] = _rises(run, epoch, inside, as_of)
        since = rise_since(run, span.pump, plan.events, windows[window][1])
        rise = rises[key].get(span.pump, inside.iloc[:0])
        rise = rise[(rise["time"] >= since) & (rise["time"] < windows[window][1])]
        designs = [d for d in plan.designs if d.is_scored(window)]
        told = {}
        for blind in (True, False):
            told[blind] = _parameters(epoch, span.pump, before, inside, blind)
        facts = _gauge(epoch, span.pump, inside)
        known = {}
        for design in designs:
            rows = known_rows(usable[key], span.pump, design, windows, window, facts[1])
            blind = not (rows["pump"] == span.pump).any()
            known[design.name] = Known(
                pump=span.pump,
                as_of=as_of,
                rows=rows,
                parameters=told[blind],
                static_u=float(told[blind]["static_u"]),
                gauge_u=facts[0],
                gauge_noise_u=facts[1],
                until=windows[window][1],
                cleanings=cleanings,
                rise=_rise_seen(rise, rows, span.pump),
                stretches=_stretches(run, as_of, windows[window][1]),
            )
        yield span, learn_all(plan.assumptions, designs, known)


def _usable(
    run: Run,
    epoch: LineEpoch,
    before: pd.DataFrame,
    cleanings: Mapping[str, Sequence[pd.Timestamp]],
) -> pd.DataFrame:
    """Rows that may teach, by the gauge checks as they would have come out on that date.

    As in a run: checks against drawings, a fit of what they leave, checks against the fit.
    """
    if before.empty:
        return before.assign(month=pd.Series(dtype=object)) if "month" not in before else before
    parameters = model_parameters(epoch, early_rows(before))
    swapped = check_swapped_tags(run, epoch, before)
    nothing = before.iloc[:0]
    drawing = model = SuctionLineModel(**parameters).fit(nothing, nothing["reading"])
    flows = [*header_columns(epoch.snapshot, epoch.line), OWN_FLOW]
    bad = pd.Series(False, index=before.index)
    for last in (False, True):
        expected = pd.DataFrame(np.nan, index=before.index, columns=["expected", "losses_u"])
        mine = before["pump"].isin(model.pumps_)
        if mine.any():
            due = expected_reading(before[mine], flows, model, drawing=drawing)
            expected.loc[mine] = due[["expected", "losses_u"]]
        bad = barred(check_suction(run, epoch, before, expected, swapped), before)
        rows = usable_rows(before, bad)
        if last or rows.empty:
            break
        model = replay_month(rows, "9999-12", None, parameters, nothing, cleanings).model
    return usable_rows(before, bad)


def _rises(
    run: Run, epoch: LineEpoch, inside: pd.DataFrame, as_of: pd.Timestamp
) -> Mapping[str, pd.DataFrame]:
    """Steady running hours with a discharge reading, by pump, up to the end of the window.

    The pump's other instruments go on working; only faults found before the window count, so
    that no day rests on a later one.
    """
    before = inside[inside["time"] < as_of]
    bad = pd.Series(False, index=inside.index)
    if len(before):
        checks = check_discharge(run, epoch, before, pd.DataFrame())
        bad.loc[before.index] = barred(checks, before)
    return rise_rows(inside, pd.Series(False, index=inside.index), bad)


def _rise_seen(rise: pd.DataFrame, rows: pd.DataFrame, pump: str) -> pd.DataFrame:
    """Leave of the suction readings beside a pump's rise those a design does not hide."""
    if rise.empty:
        return rise
    own = rows[(rows["pump"] == pump) & ~rows["spot"].astype(bool)]
    seen = rise["time"].isin(own["time"])
    return rise.assign(is_trusted=seen, reading=rise["reading"].where(seen))


def _stretches(
    run: Run, start: pd.Timestamp, end: pd.Timestamp
) -> tuple[tuple[pd.Timestamp, pd.Timestamp], ...]:
    """Cut a window at the months of the station."""
    bounds = [run.bounds(month) for month in months_between(start, end, run.zone)]
    return tuple(
        (max(low, start), min(high, end)) for low, high in bounds if low < end and high > start
    )


def _parameters(
    epoch: LineEpoch, pump: str, before: pd.DataFrame, inside: pd.DataFrame, blind: bool
) -> dict[str, Any]:
    """What the line model is told before any reading, the hidden gauge being hidden there too.

    Priors are stated at usual flows. Before a pump first ran those of the window itself serve:
    flows, never readings.
    """
    rows = before
    ran = (before["pump"] == pump) & (before["state"] == RUNNING)
    if not ran.any():
        rows = inside.assign(reading=np.nan)
    if blind:
        own = (rows["pump"] == pump) & ~rows["spot"].astype(bool)
        rows = rows.assign(reading=rows["reading"].where(~own))
    return model_parameters(epoch, early_rows(rows))


def _gauge(epoch: LineEpoch, pump: str, rows: pd.DataFrame) -> tuple[float, float]:
    """Systematic and random standard uncertainty of the hidden gauge, as declared [Pa]."""
    tag = epoch.snapshot.tags[epoch.snapshot.pumps[pump].suction_pressure_tag or ""]
    static = rows.loc[rows["pump"] == pump, "static_pressure"].abs().median()
    size = 0.0 if np.isnan(static) else float(static)
    return float(tag.accuracy.systematic_u(size)), float(tag.accuracy.random_u(size))


# ---------------------------------------------------------------- rows


def _month(
    run: Run,
    span: Span,
    month: Month,
    start: pd.Timestamp,
    end: pd.Timestamp,
    questions: Sequence[Question],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Errors on the part of a month inside the window."""
    nothing = pd.DataFrame(), pd.DataFrame()
    if not start < end or not run.stage.has("operating_points", month):
        return nothing
    points = _points(run, month, span.pump, start, end)
    taken = pd.DataFrame(
        {
            "design": [MEASURED],
            "assumption": [MEASURED],
            "day": [start],
            "points": [float(len(points))],
            "energy": [float(np.nansum(points["electrical_power"])) * run.plant.station.grid],
        }
    )
    good = points["status"].eq(STEADY) & points["suction_pressure_source"].eq("measured")
    points = points[good].sort_values("time", kind="stable").reset_index(drop=True)
    pieces, samples = [taken], []
    for era in run.plant.eras(start, end):
        time = points["time"]
        mine = points[(time >= era.start) & (time < era.end)].reset_index(drop=True)
        if mine.empty or span.pump not in era.pumps:
            continue
        near = _neighbourhood(era, span.pump)
        frames = pump_frames(near, grid_view(run, month, era.start, era.end, _tags(near)))
        inputs, held = model_inputs(
            less_strainers(frames[span.pump]), span.pump, pd.DatetimeIndex(mine["time"])
        )
        sums, sample = month_errors(
            mine[held].reset_index(drop=True), inputs, questions,
            zone=run.zone, grid=run.plant.station.grid,
        )  # fmt: skip
        pieces.append(sums)
        samples.append(sample)
    return (
        pd.concat([p for p in pieces if len(p)], ignore_index=True),
        pd.concat(samples, ignore_index=True) if samples else nothing[1],
    )


def _points(
    run: Run, month: Month, pump: str, start: pd.Timestamp, end: pd.Timestamp
) -> pd.DataFrame:
    """Operating points of one pump in SI, read by column and pump."""
    contract = BY_NAME["operating_points"]
    display, currency = run.plant.station.display, run.currency
    columns = [c.published_name(display, currency) for c in contract.columns if c.name in _POINTS]
    rows = run.stage.read_arrow(
        "operating_points", [month], columns, filters=[("pump", "==", pump)]
    )
    found = contract.restore(rows, display, currency)
    return found[(found["time"] >= start) & (found["time"] < end)]


def _neighbourhood(era: Snapshot, pump: str) -> Snapshot:
    """Leave of the plant the pump's line, whoever shares a meter with it, and their lines."""
    near = {pump}
    while True:
        lines = {era.pumps[p].suction_line for p in near}
        more = {p for p, other in era.pumps.items() if other.suction_line in lines}
        for meter in era.flow_meters.values():
            if more & set(meter.serves):
                more |= set(meter.serves) & set(era.pumps)
        if more == near:
            break
        near = more
    return dataclasses.replace(
        era,
        pumps={p: era.pumps[p] for p in era.pumps if p in near},
        lines={line: era.lines[line] for line in era.lines if line in lines},
    )


def _tags(era: Snapshot) -> list[str]:
    """Tags from which the frames of the pumps of a snapshot are assembled."""
    tags: set[str | None] = {era.liquid.temperature_tag}
    for pump in era.pumps.values():
        tags |= {
            pump.flow_tag, pump.suction_pressure_tag, pump.discharge_pressure_tag,
            pump.power_tag, pump.speed_tag, pump.running_tag,
        }  # fmt: skip
        line = era.lines[pump.suction_line]
        tags |= set(era.sources[line.source].tags())
        for segment in (*line.header, *line.branches.values()):
            tags |= {
                segment.flow_tag,
                segment.strainer_tag,
                *(tag for tag, _ in segment.side_streams),
            }
    tags |= {m.tag for m in era.flow_meters.values() if set(m.serves) & set(era.pumps)}
    return sorted(tag for tag in tags if tag is not None)
