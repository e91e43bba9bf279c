"""A suction line whose friction follows Colebrook's equation, for tests that plant a truth.

The friction factor comes from `fluids` (solution of Colebrook's equation), so the truth is not
of the form that is fitted. The line: open tank, header of 350 mm, two branches of 250 mm.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from fluids.friction import friction_factor

RHO = 998.2072  # water at 20 degC, IAPWS-95
MU = 1.001596e-3
G = 9.80665


@dataclass(frozen=True)
class Pipe:
    """A straight pipe with fittings."""

    diameter: float
    length: float
    roughness: float
    fittings: float

    def loss(self, flow):
        """Darcy-Weisbach loss [Pa] by interpolation in a dense table of Colebrook factors."""
        flow = np.asarray(flow, dtype=float)
        grid, table = _loss_table(self)
        return np.sign(flow) * np.interp(np.abs(flow), grid, table)

    def velocity_pressure(self, flow):
        """Velocity pressure [Pa]."""
        return RHO / 2 * (np.asarray(flow, dtype=float) / (np.pi * self.diameter**2 / 4)) ** 2


@lru_cache
def _loss_table(pipe):
    grid = np.linspace(1e-4, 0.4, 400)
    speed = grid / (np.pi * pipe.diameter**2 / 4)
    factor = np.array(
        [
            friction_factor(Re=RHO * v * pipe.diameter / MU, eD=pipe.roughness / pipe.diameter)
            for v in speed
        ]
    )
    table = (factor * pipe.length / pipe.diameter + pipe.fittings) * RHO * speed**2 / 2
    return np.r_[0, grid], np.r_[0, table]


HEADER = Pipe(0.35, 60.0, 1e-4, 3.0)
BRANCHES = {"P1": Pipe(0.25, 10.0, 1e-4, 4.0), "P2": Pipe(0.25, 14.0, 1e-4, 6.0)}


@dataclass(frozen=True)
class Truth:
    """True, error-free hourly rows of one line; index is the hour."""

    level: np.ndarray
    flow: dict[str, np.ndarray]
    others: np.ndarray = field(default_factory=lambda: np.zeros(0))

    @property
    def rows(self):
        return self.level.size

    @property
    def header_flow(self):
        return sum(self.flow.values())

    @property
    def static(self):
        return RHO * G * (self.level + 2.0)

    def pressure(self, pump, branch=None):
        """True wall pressure at a pump's tap [Pa]."""
        pipe = branch or BRANCHES[pump]
        own = self.flow[pump]
        return (
            self.static
            - HEADER.loss(self.header_flow)
            - pipe.loss(own)
            - pipe.velocity_pressure(own)
        )


def make_truth(
    days,
    rng,
    *,
    q1=(0.070, 0.095),
    q2=(0.040, 0.060),
    level=(1.5, 4.5),
    together=True,
    stops=True,
):
    """Draw a run of hourly rows: levels and flows within bounds, starts and stops."""
    n = int(days * 24)
    t = np.arange(n)

    def wander(low, high, period):
        wave = np.sin(2 * np.pi * t / period + rng.uniform(0, 6.28))
        slow = np.cumsum(rng.normal(0, 1, n))
        slow = (slow - slow.mean()) / (np.ptp(slow) + 1e-12)
        x = 0.5 + 0.25 * wave + 0.5 * slow
        return low + (high - low) * np.clip(x, 0, 1)

    def state(mean_run, share):
        change = rng.random(n) < 1 / mean_run
        block = np.cumsum(change)
        return (rng.random(block.max() + 1) < share)[block]

    on1 = state(30, 0.8) if stops else np.ones(n, bool)
    on2 = state(20, 0.4) if together else np.zeros(n, bool)
    if not stops and not together:
        on1 = np.ones(n, bool)
    return Truth(
        wander(*level, 24.0),
        {"P1": on1 * wander(*q1, 20.0), "P2": on2 * wander(*q2, 31.0)},
    )


def busy_truth(days, rng, **bounds):
    """Draw a run of hours in which each pump ran for a while, alone and with the other."""
    while True:
        truth = make_truth(days, rng, **bounds)
        one, two = truth.flow["P1"] > 0, truth.flow["P2"] > 0
        if (two & one).sum() > 10 and (two & ~one).sum() > 3 and (one & ~two).sum() > 10:
            return truth


@dataclass(frozen=True)
class Errors:
    """One draw of all instrument errors of the line."""

    datum: float = 0.0
    level_scale: float = 0.0
    tap: dict[str, float] = field(default_factory=dict)
    gauge: dict[str, float] = field(default_factory=dict)
    meter: dict[str, float] = field(default_factory=dict)
    noise: float = 0.0
    level_noise: float = 0.0


def draw_errors(rng, *, static_u=300.0, gauge_u=500.0, scale_u=0.002, tap_u=100.0, meter_u=0.01):
    return Errors(
        datum=rng.normal(0, static_u),
        level_scale=rng.normal(0, scale_u),
        tap={p: rng.normal(0, tap_u) for p in BRANCHES},
        gauge={p: rng.normal(0, gauge_u) for p in BRANCHES},
        meter={p: rng.normal(0, meter_u) for p in BRANCHES},
        noise=40.0,
        level_noise=30.0,
    )


def observe(truth, pump, errors, rng):
    """What the historian holds for one pump: a frame of model inputs, the reading, the truth."""
    n = truth.rows
    measured = {p: q * (1 + errors.meter.get(p, 0.0)) for p, q in truth.flow.items()}
    true = truth.pressure(pump)
    static = truth.static * (1 + errors.level_scale) - errors.datum - errors.tap.get(pump, 0.0)
    static = static + rng.normal(0, errors.level_noise, n)
    frame = pd.DataFrame(
        {
            "static_pressure": static,
            "velocity_pressure": BRANCHES[pump].velocity_pressure(measured[pump]),
            "flow_header": sum(measured.values()),
            "flow_branch": measured[pump],
        }
    )
    reading = true + errors.gauge.get(pump, 0.0) + rng.normal(0, errors.noise, n)
    return frame, reading, true


@pytest.fixture(scope="session")
def line():
    """Everything above, for tests (test folders are not packages)."""

    class Line:
        pass

    for item in (
        Pipe, Truth, Errors, make_truth, busy_truth, draw_errors, observe,
    ):  # fmt: skip
        setattr(Line, item.__name__, staticmethod(item) if callable(item) else item)
    Line.HEADER, Line.BRANCHES, Line.RHO, Line.G = HEADER, BRANCHES, RHO, G
    return Line
