"""Flow of pumps that run together on one meter, allocated by their baseline curves."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.assembly import GridView, pump_frames
from pipeline.assembly.grid_view import Floats
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.jobs.baselines import Baseline, deviation_from, steady_points
from pipeline.jobs.context import Run
from pipeline.months import Month
from pipeline.performance.allocation import MOST_U, SharedPump, allocate_flow
from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.operating_points import ALLOCATED_U, instrument_uncertainty
from pipeline.plant import FlowMeter, Plant, Snapshot

ROUNDS = 2
"""A head needs the suction pressure, which a model makes of the flow: the second round takes
the flow of the first."""

LEAST_ALONE = 20
"""Points of a pump running alone that tell how far its head is from its curve."""

LOOK_BACK = 3
"""Months, this one included, in which such points are looked for."""

_STANDING, _UNKNOWN = -1, -2

HeadOf = Callable[[str, pd.DataFrame], tuple[Floats, Uncertainty, Floats]]
"""Total head, its uncertainty and the speed ratio of a pump in the rows of its frame."""


def shares_meter(plant: Plant) -> bool:
    """Whether some meter serves several pumps, not all of which have one of their own."""
    own = {name for name, versions in plant.pumps.items() if all(v.flow_tag for v in versions)}
    meters = (meter for versions in plant.flow_meters.values() for meter in versions)
    return any(len(m.serves) > 1 and not set(m.serves) <= own for m in meters)


def head_since(run: Run, month: Month, baselines: Sequence[Baseline]) -> list[float]:
    """How far each pump's head is from its baseline by now, where it runs alone.

    A worn pump passes less at the same head than its curve says, and would be given too much of
    the meter. What it did alone, with the meter to itself, tells; nothing that was allocated
    enters.

    Parameters
    ----------
    run : Run
        With the points before allocation.
    month : str
        The month whose flows are to be allocated.
    baselines : sequence of Baseline
        That may hold in it.

    Returns
    -------
    list of float
        Head over the baseline's at the same flow, of the latest month with enough points under
        the same baseline; one where there is none [-].
    """
    return [_head_since(run, month, b) for b in baselines]


def months_alone(run: Run, month: Month) -> list[Month]:
    """Months in which `head_since` looks, the latest first."""
    stored = [m for m in run.stage.months(run.learning_points) if m <= month]
    return stored[: -LOOK_BACK - 1 : -1]


def _head_since(run: Run, month: Month, b: Baseline) -> float:
    curve, pump = b.curve, b.epoch.pump
    if pump.flow_tag is not None or curve is None or curve.status_ != "ok":
        return 1.0
    for one in months_alone(run, month):
        first, last = run.bounds(one)
        start, end = max(first, b.epoch.start), min(last, b.epoch.end)
        points = steady_points(run, pump.id, start, end) if start < end else pd.DataFrame()
        if len(points) < LEAST_ALONE:
            continue
        found = deviation_from(points, b)["head_deviation"]
        if found.notna().sum() >= LEAST_ALONE:
            return 1.0 + float(found.mean())
    return 1.0


def allocated_frames(
    era: Snapshot,
    view: GridView,
    frames: Mapping[str, pd.DataFrame],
    baselines: Sequence[Baseline],
    moved: Sequence[float],
    head_of: HeadOf,
) -> dict[str, pd.DataFrame]:
    """Allocate the flow of every interval that allows it.

    Parameters
    ----------
    era : Snapshot
        The plant.
    view : GridView
        Measurements.
    frames : mapping of str to DataFrame
        As from ``assembly.pump_frames`` without allocation.
    baselines : sequence of Baseline
        That may hold here.
    moved : sequence of float
        Head of each over that of its curve by now, from `head_since` [-].
    head_of : callable
        Works out the heads of a pump in some rows of its frame.

    Returns
    -------
    dict of str to DataFrame
        Frames with ``flow_source`` ``allocated`` where a flow was, and two more columns with
        its uncertainty, missing elsewhere.
    """
    curves = _curves(baselines, moved)
    meters = [_Meter(era, view, frames, m, curves) for m in era.flow_meters.values()]
    meters = [m for m in meters if m.users]
    current = dict(frames)
    uncertainty: dict[str, Uncertainty] = {}
    for number in range(ROUNDS + 1):
        # The first guess goes by the pumps' sizes: there is no head without a suction pressure,
        # and no modelled suction pressure without a flow.
        flows: dict[str, Floats] = {}
        for meter in meters:
            for name, (flow, u) in meter.allocate(current, head_of if number else None).items():
                flows[name], uncertainty[name] = flow, u
        current = pump_frames(era, view, flows)
    return {
        name: frame.assign(**dict(zip(ALLOCATED_U, uncertainty[name], strict=True)))
        if name in uncertainty
        else frame
        for name, frame in current.items()
    }


@dataclass(frozen=True, slots=True)
class _InForce:
    start: pd.Timestamp
    end: pd.Timestamp
    curve: BaselineCurve
    moved: float


def _curves(baselines: Sequence[Baseline], moved: Sequence[float]) -> dict[str, list[_InForce]]:
    """The usable curves of each pump."""
    found: dict[str, list[_InForce]] = {}
    for b, part in zip(baselines, moved, strict=True):
        if b.curve is not None and b.curve.status_ == "ok":
            one = _InForce(b.epoch.start, b.epoch.end, b.curve, part)
            found.setdefault(b.epoch.pump.id, []).append(one)
    return found


class _Meter:
    """A meter, the pumps whose flow only it knows, and the intervals they share it in."""

    def __init__(
        self,
        era: Snapshot,
        view: GridView,
        frames: Mapping[str, pd.DataFrame],
        meter: FlowMeter,
        curves: Mapping[str, list[_InForce]],
    ) -> None:
        serves = [name for name in meter.serves if name in era.pumps]
        own = era.pumps
        self.users = [n for n in serves if own[n].flow_tag is None and era.meter_of(n) == meter]
        if len(serves) < 2:
            self.users = []
        if not self.users:
            return
        self._curves = {name: curves.get(name, []) for name in self.users}
        # What pumps with a meter of their own pass is taken off first.
        value = view.value(meter.tag)
        u = instrument_uncertainty(era.tags.get(meter.tag), value)
        systematic, random = u.systematic**2, u.random**2
        for name in serves:
            if name not in self.users:
                passed = frames[name]["flow"].to_numpy()
                of_own = instrument_uncertainty(era.tags.get(own[name].flow_tag or ""), passed)
                value = value - passed
                systematic = systematic + of_own.systematic**2
                random = random + of_own.random**2
        self._left, self._left_u = value, Uncertainty(np.sqrt(systematic), np.sqrt(random))
        self._pattern = np.stack([_pattern(frames[n], self._curves[n]) for n in self.users])
        shared = [frames[n]["flow_source"].to_numpy() == "shared" for n in self.users]
        usable = np.any(shared, axis=0) & (self._pattern != _UNKNOWN).all(axis=0)
        self._usable = usable & np.isfinite(value)

    def allocate(
        self, current: Mapping[str, pd.DataFrame], head_of: HeadOf | None
    ) -> dict[str, tuple[Floats, Uncertainty]]:
        """Give flow and uncertainty of each user; NaN where none is allocated."""
        n = len(self._usable)
        found = {name: np.full((3, n), np.nan) for name in self.users}
        kinds, kind = np.unique(self._pattern, axis=1, return_inverse=True)
        for number, choice in enumerate(kinds.T):
            rows = np.flatnonzero(self._usable & (np.ravel(kind) == number))
            running = [(n, int(k)) for n, k in zip(self.users, choice, strict=True) if k >= 0]
            if not len(rows) or not running:
                continue
            pumps = [
                _shared_pump(self._curves[name][k], name, current[name].iloc[rows], head_of)
                for name, k in running
            ]
            result = allocate_flow(
                pumps,
                self._left[rows],
                Uncertainty(self._left_u.systematic[rows], self._left_u.random[rows]),
                MOST_U if head_of else np.inf,
            )
            for i, (name, _) in enumerate(running):
                u = result.flow_u
                found[name][:, rows] = result.flow[i], u.systematic[i], u.random[i]
        return {name: (f[0], Uncertainty(f[1], f[2])) for name, f in found.items()}


def _pattern(frame: pd.DataFrame, curves: Sequence[_InForce]) -> NDArray[np.int64]:
    """Tell for each interval which curve holds, or that the pump stands or may not be judged."""
    time, state = frame["time"], frame["state"].to_numpy()
    found = np.full(len(frame), _UNKNOWN)
    for number, one in enumerate(curves):
        holds = ((time >= one.start) & (time < one.end)).to_numpy()
        found[holds & (state == "running")] = number
    found[state == "standing"] = _STANDING
    return found


def _shared_pump(
    holds: _InForce, name: str, rows: pd.DataFrame, head_of: HeadOf | None
) -> SharedPump:
    nothing, one = np.full(len(rows), np.nan), np.ones(len(rows))
    heads = (nothing, Uncertainty(nothing, nothing), one)
    if head_of is not None:
        heads = head_of(name, rows.reset_index(drop=True))
    head, u, speed = heads
    # The curve stays as it was learned; the head is put back to what it would be on it.
    return SharedPump(
        curve=holds.curve,
        total_head=head / holds.moved,
        total_head_u=Uncertainty(u.systematic / holds.moved, u.random / holds.moved),
        speed_ratio=speed,
    )
