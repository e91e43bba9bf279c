"""From the truth to what a historian keeps: gauge errors, faults, reporting by exception."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .clock import Clock
from .simulate import Truth
from .water import Array

GOOD, UNCERTAIN, BAD = 0, 1, 2
HEARTBEAT = 3600
"""A tag that does not move reports at least this often [s]."""
JUMP = 4.0
"""Deadbands in one step that make the historian keep the sample before it, too."""
IN_PROPORTION = ("flow", "electrical_power")
"""Quantities whose noise is part of the reading."""


@dataclass(frozen=True)
class Outage:
    """When an instrument fails: it sticks at a value with good status, or its status is bad."""

    begins: dt.datetime
    ends: dt.datetime | None
    stuck_at: float | None = None


@dataclass(frozen=True)
class Instrument:
    """One tag.

    Parameters
    ----------
    tag, owner, quantity : str
        Name in the exports; pump or source it belongs to; what it measures.
    unit : float
        SI value of one unit of the tag.
    resolution : float
        Of the exported number.
    bias, gain : float
        Calibration error: offset in the tag's unit, and part of the reading.
    drift, white : float
        Standard deviation of correlated and uncorrelated noise.
    deadband : float
        Change that is reported.
    factor : float
        Value at full speed, for a speed.
    idle : float or None
        Reading of a power meter while the pump stands.
    absolute : bool
        Whether a pressure is reported above vacuum.
    """

    tag: str
    owner: str
    quantity: str
    unit: float
    resolution: float
    bias: float = 0.0
    gain: float = 0.0
    drift: float = 0.0
    white: float = 0.0
    deadband: float = 0.0
    factor: float = 1.0
    idle: float | None = None
    absolute: bool = False
    outages: tuple[Outage, ...] = ()


@dataclass(frozen=True)
class Samples:
    """What one tag reported: seconds since 1970, values, status codes."""

    time: Array
    value: Array
    status: Array

    def between(self, start: int, stop: int) -> Samples:
        """Give the samples of ``[start, stop)``."""
        a, b = np.searchsorted(self.time, (start, stop))
        return Samples(self.time[a:b], self.value[a:b], self.status[a:b])


def readings(
    instruments: Sequence[Instrument], truth: Truth, clock: Clock, noise: Array
) -> tuple[Array, Array]:
    """Give what every instrument shows at every step, and its status.

    Parameters
    ----------
    instruments : sequence of Instrument
        Tags.
    truth : Truth
        The station.
    clock : Clock
        Of the truth.
    noise : ndarray of shape (2 * tags, steps)
        Standard normal numbers.

    Returns
    -------
    value, status : ndarray of shape (tags, steps)
    """
    value = np.empty((len(instruments), truth.time.size))
    status = np.zeros(value.shape, dtype=np.int8)
    for i, tag in enumerate(instruments):
        shown = _true_value(tag, truth) / tag.unit
        scatter = tag.white * noise[2 * i + 1]
        if tag.drift:
            scatter = scatter + tag.drift * clock.correlated(noise[2 * i], 12.0)
        if tag.quantity in IN_PROPORTION:
            shown = shown * (1.0 + tag.gain + scatter)
            if tag.idle is not None:
                shown = np.where(truth.pump[tag.owner]["running"], shown, tag.idle)
        elif tag.quantity == "speed":
            shown = np.where(shown > 0.0, shown + scatter, 0.0)
        elif tag.quantity != "running":
            shown = shown * (1.0 + tag.gain) + tag.bias + scatter
        shown = np.round(shown / tag.resolution) * tag.resolution
        for outage in tag.outages:
            _fail(outage, truth.time, shown, status[i])
        value[i] = shown
    return value, status


def _true_value(tag: Instrument, truth: Truth) -> Array:
    if tag.quantity == "celsius":
        return truth.celsius
    if tag.quantity in ("level", "pressure"):
        shown = truth.source[tag.owner]
        return shown + truth.atmosphere if tag.absolute else shown
    pump = truth.pump[tag.owner]
    if tag.quantity == "speed":
        return pump["speed_ratio"] * tag.factor
    return pump[tag.quantity].astype(float)


def _fail(outage: Outage, time: Array, shown: Array, status: Array) -> None:
    ends = np.inf if outage.ends is None else outage.ends.timestamp()
    a, b = np.searchsorted(time, (outage.begins.timestamp(), ends))
    if outage.stuck_at is None:
        status[a:b] = BAD
    else:
        shown[a:b] = outage.stuck_at


def keep_by_exception(
    instruments: Sequence[Instrument], clock: Clock, value: Array, status: Array
) -> list[Samples]:
    """Keep only the samples that an exception-reporting historian keeps.

    A sample is kept when it has moved from the last kept one by more than the deadband, when
    the status changes, after an hour without, and at the start of each UTC day. A jump of
    several deadbands also keeps the sample before it, so that starts and stops stay steep.
    """
    tags, n = value.shape
    per_day = clock.per_day
    lanes = np.ascontiguousarray(value.reshape(-1, per_day).T)
    codes = np.ascontiguousarray(status.reshape(-1, per_day).T)
    band = np.repeat([tag.deadband for tag in instruments], n // per_day)
    beats = max(HEARTBEAT // clock.step, 1)
    kept = np.zeros(lanes.shape, dtype=bool)
    jump = np.zeros(lanes.shape, dtype=bool)
    last, code = lanes[0].copy(), codes[0].copy()
    since = np.zeros(last.size, dtype=np.int64)
    kept[0] = True
    for k in range(1, per_day):
        move = np.abs(lanes[k] - last)
        since += 1
        report = (move > band) | (codes[k] != code) | (since >= beats)
        kept[k] = report
        jump[k] = report & (move > JUMP * band)
        last = np.where(report, lanes[k], last)
        code = np.where(report, codes[k], code)
        since[report] = 0
    kept[:-1] |= jump[1:]
    chosen = kept.T.reshape(tags, n)
    time = clock.time
    return [Samples(time[c], value[i, c], status[i, c]) for i, c in enumerate(chosen)]


def lose_some(
    samples: Samples, draw: np.random.Generator, share: float, lost: tuple[float, ...]
) -> Samples:
    """Mark a few samples bad or uncertain, and all of a time without communication."""
    hit = draw.random(samples.status.size)
    worse = np.select([hit < share, hit < 1.5 * share], [BAD, UNCERTAIN], GOOD).astype(np.int8)
    status = np.maximum(samples.status, worse)
    a, b = np.searchsorted(samples.time, lost)
    status[a:b] = BAD
    return Samples(samples.time, samples.value, status)
