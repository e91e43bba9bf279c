"""Solve the flows of the station and give the truth, minute by minute."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from . import clock as c
from .clock import Clock, Run
from .machines import TrueCurve, TrueMotor, TrueTap
from .water import GRAVITY, Array, TruePipe, density, viscosity


@dataclass(frozen=True)
class Fouling:
    """A strainer that clogs: loss at best-efficiency flow [m] reached after some days.

    ``cleaned`` is None while it is still in service.
    """

    begins: dt.datetime
    days: float
    loss: float
    cleaned: dt.datetime | None


@dataclass(frozen=True)
class TruePump:
    """A pump as it really is.

    Parameters
    ----------
    id : str
        Name.
    curve, motor : TrueCurve, TrueMotor
        As new.
    elevation : float
        Of the reference plane, station datum [m].
    suction, discharge : TrueTap
        Where the gauges read.
    branch : TruePipe
        Own suction pipe, strainer included.
    discharge_loss : float
        Loss of its own discharge pipe at best-efficiency flow [m].
    head_loss_per_year : float
        Loss of head at best-efficiency flow by leakage that grows from the first day [1/a].
    roles, shift : sequence of sequences of Run, int
        Schedule; several roles rotate weekly.
    fouling : tuple of Fouling
        Of its strainer.
    """

    id: str
    curve: TrueCurve
    motor: TrueMotor
    elevation: float
    suction: TrueTap
    discharge: TrueTap
    branch: TruePipe
    discharge_loss: float
    roles: Sequence[Sequence[Run]]
    shift: int = 0
    head_loss_per_year: float = 0.0
    fouling: tuple[Fouling, ...] = ()


@dataclass(frozen=True)
class Tank:
    """An open tank whose inlet valve follows the level.

    Parameters
    ----------
    zero : float
        True elevation of the transmitter's zero [m].
    level : float
        Usual level above it [m].
    area : float
        Water surface [m²].
    hours : float
        Time constant of the inlet control [h].
    usual_draw : float
        Flow at which it settles at the usual level [m³/s].
    """

    zero: float
    level: float
    area: float
    hours: float
    usual_draw: float


@dataclass(frozen=True)
class Main:
    """A pressurised main: elevation of its gauge [m] and usual gauge head there [m]."""

    elevation: float
    head: float


@dataclass(frozen=True)
class Group:
    """Pumps that share a suction header and a discharge main.

    Parameters
    ----------
    id, source : str
        Names; pumps of several groups may draw from one source.
    pumps : tuple of TruePump
        In order along the header.
    header : tuple of (TruePipe, int)
        Header segments in order of flow, each with the index of its first downstream pump.
    lift : float
        Head between the source at rest and the delivery point [m].
    main_loss : float
        Loss of the common discharge main when one pump's best-efficiency flow passes [m].
    demand_head : float
        How much the lift moves with demand [m].
    demand_valve : float
        How much the pumps' own discharge loss falls with demand [-].
    """

    id: str
    source: str
    pumps: tuple[TruePump, ...]
    header: tuple[tuple[TruePipe, int], ...]
    lift: float
    main_loss: float
    demand_head: float
    demand_valve: float


@dataclass(frozen=True)
class TrueStation:
    """Everything that is simulated."""

    zone: str
    first_day: dt.date
    altitude: float
    sources: dict[str, Tank | Main]
    groups: tuple[Group, ...]
    speed: dict[str, Callable[[Array, Array, Array], Array]] = field(default_factory=dict)

    @property
    def pumps(self) -> list[TruePump]:
        """All pumps, in order."""
        return [p for g in self.groups for p in g.pumps]


@dataclass
class Truth:
    """The station step by step; arrays of one value per step.

    ``pump[id][name]`` holds running, flow, total_head, suction_pressure,
    discharge_pressure, shaft_power, electrical_power, leakage, strainer_loss, speed_ratio,
    new_head, new_power (of the unworn pump at the same flow). ``source[id]`` holds the level [m]
    or the gauge pressure [Pa].
    """

    time: Array
    pump: dict[str, dict[str, Array]]
    source: dict[str, Array]
    celsius: Array
    rho: Array
    atmosphere: Array


PROCESS_STREAMS = 4
"""Noise streams per group and per source used by the process itself."""


def simulate(station: TrueStation, clock: Clock, noise: Array) -> Truth:
    """Run the station over a clock.

    Parameters
    ----------
    station : TrueStation
        What to run.
    clock : Clock
        When.
    noise : ndarray of shape (streams, steps)
        Standard normal numbers; ``streams_needed(station)`` of them.
    """
    time = clock.time
    seed = clock.seed
    celsius = 13.0 + 5.5 * c.season(time, 225) + 0.6 * c.weather(seed, 1, time, (9.3, 15.7, 23.1))
    rho, mu = density(celsius), viscosity(celsius)
    normal = 101325.0 * (1.0 - 2.25577e-5 * station.altitude) ** 5.25588
    atmosphere = normal + 650.0 * c.weather(seed, 2, time, (3.7, 6.1, 11.9))
    frequency = 1.0 + 0.0004 * clock.correlated(noise[0], 8.0)
    wanted = c.demand(clock, clock.correlated(noise[1], 45.0))
    row = 2
    on = {p.id: c.running(clock, i, p.roles, p.shift) for i, p in enumerate(station.pumps)}
    truth = Truth(time, {}, {}, celsius, rho, atmosphere)
    for i, (name, source) in enumerate(station.sources.items()):
        swing = c.weather(seed, 10 + i, time, (2.3, 5.9, 16.3))
        ripple = clock.correlated(noise[row], 30.0)
        row += 1
        if isinstance(source, Main):
            head = source.head + 0.8 * swing - 4.0 * (wanted - 1.0) + 0.25 * ripple
            truth.source[name] = head * rho * GRAVITY
            continue
        draw = np.zeros(time.size)
        for group in station.groups:
            for pump in group.pumps if group.source == name else ():
                draw += on[pump.id] * pump.curve.flow_bep
        target = source.level + 0.22 * swing
        target = target + source.hours * 3600.0 / source.area * (source.usual_draw - draw)
        truth.source[name] = clock.lag(target, source.hours) + 0.004 * ripple
    for group in station.groups:
        lift = group.lift + 0.5 * c.weather(seed, 40 + row, time, (1.7, 4.3, 8.9))
        lift = lift + group.demand_head * (wanted - 1.0) + 0.15 * clock.correlated(noise[row], 20.0)
        valve = (
            1.0
            - group.demand_valve * (wanted - 1.0)
            + 0.02 * clock.correlated(noise[row + 1], 25.0)
        )
        _run_group(
            station,
            group,
            truth,
            on,
            lift,
            np.maximum(valve, 0.3),
            frequency,
            mu,
            wanted,
            clock.correlated(noise[row + 2], 15.0),
        )
        row += 3
    return truth


def streams_needed(station: TrueStation) -> int:
    """Noise streams that ``simulate`` uses."""
    return 2 + len(station.sources) + 3 * len(station.groups)


def _run_group(
    station: TrueStation,
    group: Group,
    truth: Truth,
    on: dict[str, Array],
    lift: Array,
    valve: Array,
    frequency: Array,
    mu: Array,
    wanted: Array,
    wobble: Array,
) -> None:
    rho, time = truth.rho, truth.time
    years = (time - _seconds(dt.datetime.combine(station.first_day, dt.time(), dt.UTC))) / c.YEAR
    state = np.array([on[p.id] for p in group.pumps])
    count = state.sum(axis=0)
    ratio = np.array(
        [
            station.speed[p.id](count, wanted, wobble) if p.id in station.speed else frequency
            for p in group.pumps
        ]
    )
    clog = np.array([_clogging(p, time) for p in group.pumps])
    leak = np.array(
        [
            p.curve.flow_bep * p.head_loss_per_year / -p.curve.head_slope * np.maximum(years, 0.0)
            for p in group.pumps
        ]
    )
    flow, head, losses, header = _solve(group, state, ratio, leak, clog, lift, valve, rho, mu)
    source = station.sources[group.source]
    if isinstance(source, Main):
        surface = source.elevation + truth.source[group.source] / (rho * GRAVITY)
    else:
        surface = source.zero + truth.source[group.source]
    for i, pump in enumerate(group.pumps):
        static = surface - pump.elevation
        ps = (
            rho
            * GRAVITY
            * (
                static
                - pump.suction.elevation
                - header[i]
                - losses[i]
                - pump.suction.velocity_head(flow[i])
            )
        )
        rise = head[i] - (pump.discharge.elevation - pump.suction.elevation)
        rise = rise - pump.discharge.velocity_head(flow[i]) + pump.suction.velocity_head(flow[i])
        pd = ps + rho * GRAVITY * rise
        inner = flow[i] + leak[i] * np.sqrt(np.maximum(head[i], 0.0) / pump.curve.head_bep)
        shaft = np.where(state[i], pump.curve.power(inner, ratio[i], rho), 0.0)
        electrical = np.where(state[i], pump.motor.input_power(shaft), 0.0)
        truth.pump[pump.id] = {
            "running": state[i],
            "flow": flow[i],
            "total_head": head[i],
            "suction_pressure": ps,
            "discharge_pressure": pd,
            "shaft_power": shaft,
            "electrical_power": electrical,
            "leakage": np.where(state[i], inner - flow[i], 0.0),
            "strainer_loss": rho * GRAVITY * clog[i] * flow[i] ** 2,
            "speed_ratio": np.where(state[i], ratio[i], 0.0),
            "new_head": np.where(state[i], pump.curve.head(flow[i], ratio[i])[0], 0.0),
            "new_power": np.where(state[i], pump.curve.power(flow[i], ratio[i], rho), 0.0),
        }


def _solve(
    group: Group,
    state: Array,
    ratio: Array,
    leak: Array,
    clog: Array,
    lift: Array,
    valve: Array,
    rho: Array,
    mu: Array,
) -> tuple[Array, Array, Array, Array]:
    """Newton's method for the flows of a group at every step at once.

    Returns flows, heads, branch losses and header losses up to each branch, all of shape
    (pumps, steps). Friction factors and leakage follow from the previous round.
    """
    pumps = group.pumps
    m, n = state.shape
    active = np.flatnonzero(state.any(axis=0))
    flow, head = np.zeros((m, n)), np.zeros((m, n))
    running, speed = state[:, active], ratio[:, active]
    r, u, up = rho[active], mu[active], lift[active]
    bep = np.array([p.curve.flow_bep for p in pumps])
    own = np.array([p.discharge_loss / p.curve.flow_bep**2 for p in pumps])[:, None] * valve[active]
    own = own + clog[:, active]
    common = group.main_loss / bep[0] ** 2
    downstream = np.array([[i >= first for i in range(m)] for _, first in group.header])
    q = np.where(running, 0.9 * bep[:, None], 0.0)
    h = np.array([p.curve.head_bep for p in pumps])[:, None] * np.ones_like(q)
    for _ in range(40):
        value = np.empty_like(q)
        slopes = np.zeros((active.size, m, m))
        total = q.sum(axis=0)
        parts = []
        for (pipe, _), carried in zip(group.header, downstream, strict=True):
            part = q[carried].sum(axis=0)
            resistance = pipe.resistance(part, r, u)
            parts.append((resistance * part**2, 2.0 * resistance * part, carried))
        for i, pump in enumerate(pumps):
            lost = leak[i, active] * np.sqrt(np.maximum(h[i], 0.0) / pump.curve.head_bep)
            h[i], slope = pump.curve.head(q[i] + lost, speed[i])
            branch = pump.branch.resistance(q[i], r, u) + own[i]
            value[i] = h[i] - up - common * total**2 - branch * q[i] ** 2
            slopes[:, i, i] += slope - 2.0 * branch * q[i]
            slopes[:, i, :] -= (2.0 * common * total)[:, None]
            for loss, derivative, carried in parts:
                if carried[i]:
                    value[i] -= loss
                    slopes[:, i, carried] -= derivative[:, None]
            stopped = ~running[i]
            value[i, stopped] = 0.0
            slopes[stopped, i, :] = 0.0
            slopes[stopped, i, i] = -1.0
        if np.abs(value).max(initial=0.0) < 1e-7:
            break
        step = np.linalg.solve(slopes, value.T[:, :, None])[:, :, 0].T
        q = np.where(running, np.maximum(q - step, 0.05 * bep[:, None]), 0.0)
    else:
        raise RuntimeError(f"no operating point found for the pumps of {group.id}")
    flow[:, active] = q
    head[:, active] = np.where(running, h, 0.0)
    losses = np.array([p.branch.resistance(flow[i], rho, mu) for i, p in enumerate(pumps)])
    losses = (losses + clog) * flow**2
    header = np.zeros((m, n))
    for (pipe, _), carried in zip(group.header, downstream, strict=True):
        part = flow[carried].sum(axis=0)
        header[carried] += pipe.resistance(part, rho, mu) * part**2
    return flow, head, losses, header


def _clogging(pump: TruePump, time: Array) -> Array:
    """Extra resistance of the strainer [s²/m⁵]."""
    extra = np.zeros(time.size)
    for episode in pump.fouling:
        age = (time - _seconds(episode.begins)) / (episode.days * c.DAY)
        grown = np.maximum(age, 0.0) ** 2 * episode.loss / pump.curve.flow_bep**2
        if episode.cleaned is not None:
            grown = np.where(time >= _seconds(episode.cleaned), 0.0, grown)
        extra += grown
    return extra


def _seconds(moment: dt.datetime) -> float:
    return moment.timestamp()
