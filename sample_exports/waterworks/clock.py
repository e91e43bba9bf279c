"""Time, seasons, schedules and correlated noise.

Everything random is drawn per calendar day from a generator seeded with (seed, day), so any
month can be made on its own and is the same as in a longer run.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from scipy.signal import lfilter

from .water import Array

DAY = 86400
YEAR = 365.25 * DAY
WARM_UP_DAYS = 2
"""Days simulated before a month and thrown away, so that levels and noise join up."""


@dataclass(frozen=True)
class Clock:
    """A run of equal steps.

    Parameters
    ----------
    seed : int
        Of the whole station.
    first_day : date
        First UTC day, warm-up included.
    days : int
        Number of days.
    step : int
        Seconds; divides a day.
    zone : str
        Local time of schedules and demand.
    """

    seed: int
    first_day: dt.date
    days: int
    step: int
    zone: str

    @property
    def per_day(self) -> int:
        """Steps in a day."""
        return DAY // self.step

    @property
    def time(self) -> Array:
        """Seconds since 1970, UTC."""
        start = (self.first_day - dt.date(1970, 1, 1)).days * DAY
        return start + self.step * np.arange(self.days * self.per_day, dtype=np.int64)

    def dates(self) -> list[dt.date]:
        """UTC days."""
        return [self.first_day + dt.timedelta(days=i) for i in range(self.days)]

    def local_offset(self) -> Array:
        """Local time less UTC at each step [s]."""
        zone = ZoneInfo(self.zone)
        hours = np.arange(self.days * 24) * 3600 + int(self.time[0])
        offsets = [
            zone.utcoffset(dt.datetime.fromtimestamp(int(h), dt.UTC).astimezone(zone))
            for h in hours
        ]
        seconds = np.array([o.total_seconds() if o else 0.0 for o in offsets])
        return np.repeat(seconds, 3600 // self.step)

    def innovations(self, streams: int) -> Array:
        """Standard normal numbers of shape (streams, steps)."""
        drawn = [
            np.random.default_rng([self.seed, day.toordinal()]).standard_normal(
                (streams, self.per_day), dtype=np.float32
            )
            for day in self.dates()
        ]
        return np.concatenate(drawn, axis=1)

    def correlated(self, innovations: Array, minutes: float) -> Array:
        """AR(1) noise of unit variance with a correlation time."""
        a = float(np.exp(-self.step / (60.0 * minutes)))
        return lfilter([np.sqrt(1.0 - a * a)], [1.0, -a], innovations, axis=-1)

    def lag(self, target: Array, hours: float) -> Array:
        """First-order lag behind a target, started at its first value."""
        a = float(np.exp(-self.step / (3600.0 * hours)))
        state = np.array([a * target[0]])
        return lfilter([1.0 - a], [1.0, -a], target, zi=state)[0]


def season(time: Array, peak_day: float) -> Array:
    """Yearly sine, 1 at the given day of the year."""
    return np.cos(2.0 * np.pi * (time - peak_day * DAY) / YEAR)


def weather(seed: int, stream: int, time: Array, days: Sequence[float]) -> Array:
    """Slow irregular swing of about unit size: sines of odd periods [days], seeded phases."""
    phases = np.random.default_rng([seed, 7, stream]).uniform(0.0, 2.0 * np.pi, len(days))
    waves = [np.sin(2.0 * np.pi * time / (d * DAY) + p) for d, p in zip(days, phases, strict=True)]
    return np.sum(waves, axis=0) / np.sqrt(0.5 * len(days))


def demand(clock: Clock, noise: Array) -> Array:
    """Demand on the network, mean about 1: day, week and season, with correlated noise."""
    local = clock.time + clock.local_offset()
    hour = (local % DAY) / 3600.0
    weekend = ((local // DAY + 3) % 7) >= 5
    morning = np.exp(-0.5 * ((hour - 8.0) / 1.6) ** 2)
    evening = np.exp(-0.5 * ((hour - 19.5) / 2.2) ** 2)
    night = np.exp(-0.5 * (((hour - 3.0 + 12.0) % 24.0 - 12.0) / 2.5) ** 2)
    shape = 0.95 + 0.32 * morning + 0.40 * evening - 0.40 * night
    shape = shape * np.where(weekend, 0.94, 1.0) * (1.0 + 0.12 * season(clock.time, 205))
    return shape * (1.0 + 0.04 * noise)


@dataclass(frozen=True)
class Run:
    """A daily run: local hours from and to, how likely, on which weekdays and months."""

    start: float
    stop: float
    chance: float = 0.95
    weekdays: tuple[int, ...] = (0, 1, 2, 3, 4, 5, 6)
    months: tuple[int, ...] = tuple(range(1, 13))


JITTER_HOURS = 0.3
MOST_RUNS = 4


def running(clock: Clock, pump_index: int, roles: Sequence[Sequence[Run]], shift: int) -> Array:
    """Whether a pump runs at each step.

    Roles rotate weekly: in week w the pump has role (w + shift) modulo the number of roles.
    """
    zone = ZoneInfo(clock.zone)
    time = clock.time
    on = np.zeros(time.size, dtype=bool)
    days = [clock.first_day - dt.timedelta(days=1), *clock.dates()]
    for day in days:
        draw = np.random.default_rng([clock.seed, day.toordinal(), 100 + pump_index])
        chances = draw.random(MOST_RUNS)
        jitter = np.clip(draw.standard_normal((MOST_RUNS, 2)), -2.0, 2.0) * JITTER_HOURS
        role = roles[(day.toordinal() // 7 + shift) % len(roles)]
        midnight = dt.datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()
        for i, run in enumerate(role):
            if day.weekday() not in run.weekdays or day.month not in run.months:
                continue
            if chances[i] > run.chance:
                continue
            first, last = np.searchsorted(
                time,
                (
                    midnight + 3600.0 * (run.start + jitter[i, 0]),
                    midnight + 3600.0 * (run.stop + jitter[i, 1]),
                ),
            )
            on[first:last] = True
    return on
