"""A hall of two pumps, solved by the EPANET engine once and redrawn with noise many times.

::

    tank S ---header--- J --branch 1 (strainer 1)--> pump 1 --check valve--+
                        |                                                  +-- M --main--> tank T
                        +--branch 2 (strainer 2)--> pump 2 --check valve--+   (demand at M)

The engine solves the steady state over a grid of tank level, demand, which pumps run, and the
size of one hydraulic fault of pump 1: some thousand solutions, a second or two. Between them a
Chebyshev polynomial of degree four interpolates (`test_pump_fleet` holds it against direct
solutions). A case then draws two years of two-hourly duty, a path of the fault, calibration
errors, noise and what happens to gauges, and sends the readings through the same functions as
the nightly job: suction fit and fill, operating points, baseline, deviation, trend, flags and
causes.

Faults
    ``internal_wear``: a small pipe joins discharge to suction inside the taps, so that leakage
    goes with the root of the head. ``impeller_damage``: another head curve, and power reduced by
    four fifths as much. ``suction_restriction``: a loss coefficient in branch 1. Instruments
    that drift are drawn, not solved: ``flow_meter``, ``suction_gauge``, ``discharge_gauge``,
    ``power_meter_or_motor``. ``reversible``: damage that clears after some days.

Sizes are fractions of the baseline's head (or power) at `REFERENCE_FLOW`; rates are per year
of 365.25 days, negative rates do not occur.

Constants: rho g = 9802.32 N/m3 (see `richmond`), g = 9.80665 m/s2.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.polynomial.chebyshev import chebvander3d
from richmond import SPECIFIC_WEIGHT, G
from scipy.signal import lfilter
from wntr.epanet.toolkit import ENepanet
from wntr.epanet.util import EN

from pipeline.performance.operating_points import operating_points
from pipeline.plant import Accuracy, Pump, Tag, Tap
from pipeline.suction import SuctionLineModel, estimate_with, fill_suction
from pipeline.suction.priors import LossPrior

YEAR = 365.25
START = pd.Timestamp("2023-01-01", tz="UTC")
DENSITY = SPECIFIC_WEIGHT / G
STATIC_U = 100.0  # of the level, as declared [Pa]
PER_DAY = 12
GRID = 86400.0 / PER_DAY
LEARNED_DAYS = 60

DUTY_FLOW, DUTY_HEAD = 0.060, 20.0
REFERENCE_FLOW = 0.061
CURVE_FLOW = np.linspace(0.0, 0.108, 73)
TAP = {"suction": (0.2, 0.200), "discharge": (0.8, 0.150)}  # elevation, bore [m]
HEADER = (40.0, 0.300, 0.0005, 1.5)  # length, bore, roughness [m], fittings [-]
BRANCH = (8.0, 0.200, 0.0003, 2.5)
MAIN = (900.0, 0.300, 0.0003, 6.0)
DELIVERY_HEAD = 18.5
LEAK_BORE = 0.050
NO_LEAK = 1e-4

LEVELS = np.linspace(2.0, 5.0, 5)
DEMANDS = np.linspace(0.0, 0.050, 5)
COMBINATIONS = {"first": (1, 0), "second": (0, 1), "both": (1, 1)}
SIZES = {
    "none": np.zeros(1),
    "internal_wear": np.linspace(0.0, 0.16, 6),
    "impeller_damage": np.linspace(0.0, 0.16, 5),
    "suction_restriction": np.linspace(0.0, 0.16, 6),
}
DEGREE = 4
OUTPUTS = (
    "flow_1", "flow_2", "suction_head_1", "suction_head_2", "discharge_head_1",
    "discharge_head_2", "power_1", "power_2",
)  # fmt: skip


def pump_head(flow: np.ndarray | float) -> np.ndarray:
    """Head of the sound pump, straight between the points the engine is given [m]."""
    return np.interp(flow, CURVE_FLOW, _head(CURVE_FLOW))


def _head(flow: np.ndarray) -> np.ndarray:
    return 28.0 - 8.0 * (flow / DUTY_FLOW) ** 2


def _efficiency(flow: np.ndarray) -> np.ndarray:
    x = flow / (1.05 * DUTY_FLOW)
    return np.clip(0.74 * x * (2.0 - x), 0.0, None)


def pump_power(flow: np.ndarray | float) -> np.ndarray:
    """Electrical power of the sound pump [W]."""
    flow = np.asarray(flow, dtype=float)
    efficiency = np.interp(flow, CURVE_FLOW, _efficiency(CURVE_FLOW))
    return SPECIFIC_WEIGHT * flow * pump_head(flow) / efficiency


# ------------------------------------------------------------------- the engine


def _pipe(name: str, start: str, end: str, line: tuple[float, ...], status: str = "Open") -> str:
    length, bore, roughness, fittings = line
    return f"{name} {start} {end} {length} {1e3 * bore} {1e3 * roughness} {fittings} {status}"


def network(damage: float = 0.0) -> str:
    """Return the hall as a network file; pump 1 has lost a share of its head."""
    pipes = [_pipe("header", "S", "J", HEADER), _pipe("main", "M", "T", MAIN)]
    curves, energy = [], []
    for k, lost in ((1, damage), (2, 0.0)):
        pipes += [
            _pipe(f"branch{k}", "J", f"S{k}", BRANCH),
            _pipe(f"valve{k}", f"D{k}", "M", (5.0, 0.200, 0.0003, 3.0), "CV"),
            _pipe(f"leak{k}", f"D{k}", f"S{k}", (1.0, LEAK_BORE, 1e-4, leak_coefficient(NO_LEAK))),
        ]
        # Power lost is four fifths of head lost, so efficiency falls by the rest.
        worse = (1.0 - lost) / (1.0 - 0.8 * lost)
        for flow in CURVE_FLOW:
            curves.append(f"head{k} {1e3 * flow:.4f} {(1.0 - lost) * _head(flow):.6f}")
            curves.append(f"eff{k} {1e3 * flow:.4f} {100.0 * worse * _efficiency(flow):.6f}")
        energy.append(f"Pump P{k} Efficiency eff{k}")
    return "\n".join(
        [
            "[JUNCTIONS]",
            *("J 0 0", "S1 0 0", "S2 0 0", "D1 0 0", "D2 0 0", "M 0 10"),
            "[RESERVOIRS]",
            *("S 3", f"T {DELIVERY_HEAD}"),
            "[PIPES]",
            *pipes,
            "[PUMPS]",
            *("P1 S1 D1 HEAD head1", "P2 S2 D2 HEAD head2"),
            "[CURVES]",
            *sorted(curves, key=lambda row: row.split()[0]),
            "[ENERGY]",
            *energy,
            "[TIMES]",
            "Duration 0",
            "[REPORT]",
            "Status No",
            "[OPTIONS]",
            *("Units LPS", "Headloss D-W", "Viscosity 1.2", "Accuracy 0.000001", "Trials 200"),
            "[END]",
            "",
        ]
    )


def leak_coefficient(fraction: float) -> float:
    """Loss coefficient of the pipe that leaks a fraction of the duty flow at the duty head."""
    velocity = fraction * DUTY_FLOW / (np.pi * LEAK_BORE**2 / 4)
    return DUTY_HEAD * 2.0 * G / velocity**2


def leakage_for(loss: np.ndarray | float) -> np.ndarray:
    """Leakage at the duty head, over duty flow, that takes a share of head at `REFERENCE_FLOW`."""
    loss = np.asarray(loss, dtype=float)
    head = (1.0 - loss) * pump_head(REFERENCE_FLOW)
    through = np.interp(-head, -_head(CURVE_FLOW), CURVE_FLOW)
    return (through - REFERENCE_FLOW) / (DUTY_FLOW * np.sqrt(head / DUTY_HEAD))


def strainer_for(loss: np.ndarray | float) -> np.ndarray:
    """Loss coefficient of a strainer that takes a share of the pump's head at `REFERENCE_FLOW`."""
    velocity = REFERENCE_FLOW / (np.pi * BRANCH[1] ** 2 / 4)
    return np.asarray(loss) * pump_head(REFERENCE_FLOW) * 2.0 * G / velocity**2


class Engine:
    """The hall in the engine, one steady state at a time."""

    def __init__(self, damage: float = 0.0) -> None:
        self._folder = tempfile.TemporaryDirectory()
        file = Path(self._folder.name) / "hall.inp"
        file.write_text(network(damage))
        self._en = ENepanet()
        self._en.ENopen(str(file), str(file.with_suffix(".rpt")), str(file.with_suffix(".bin")))
        self._en.ENopenH()

    def close(self) -> None:
        """Leave the engine."""
        self._en.ENcloseH()
        self._en.ENclose()
        self._folder.cleanup()

    def solve(
        self,
        level: float,
        demand: float,
        running: tuple[int, int],
        *,
        leakage: float = 0.0,
        strainer: float = 0.0,
    ) -> tuple[float, ...]:
        """Return `OUTPUTS` in SI for one steady state."""
        en = self._en
        en.ENsetnodevalue(en.ENgetnodeindex("S"), EN.ELEVATION, level)
        en.ENsetnodevalue(en.ENgetnodeindex("M"), EN.BASEDEMAND, 1e3 * demand)
        for k, on in zip((1, 2), running, strict=True):
            en.ENsetlinkvalue(en.ENgetlinkindex(f"P{k}"), EN.INITSTATUS, on)
        leak = leak_coefficient(max(leakage, NO_LEAK))
        en.ENsetlinkvalue(en.ENgetlinkindex("leak1"), EN.MINORLOSS, leak)
        en.ENsetlinkvalue(en.ENgetlinkindex("branch1"), EN.MINORLOSS, BRANCH[3] + strainer)
        en.ENinitH(0)
        en.ENrunH()

        def link(name: str, what: int) -> float:
            return float(en.ENgetlinkvalue(en.ENgetlinkindex(name), what))

        def head(name: str) -> float:
            return float(en.ENgetnodevalue(en.ENgetnodeindex(name), EN.HEAD))

        flows = [
            link(f"branch{k}", EN.FLOW) / 1e3 * on for k, on in zip((1, 2), running, strict=True)
        ]
        power = [link(f"P{k}", EN.ENERGY) * 1e3 for k in (1, 2)]
        return (
            *flows, head("S1"), head("S2"), head("D1"), head("D2"), *power
        )  # fmt: skip


@cache
def solutions(fault: str) -> dict[str, np.ndarray]:
    """Solve the grid of one fault.

    Returns
    -------
    dict of str to ndarray of shape (sizes, levels, demands, outputs)
        By which pumps run.
    """
    found = {
        name: np.empty((len(SIZES[fault]), len(LEVELS), len(DEMANDS), len(OUTPUTS)))
        for name in COMBINATIONS
    }
    engine = None
    for i, size in enumerate(SIZES[fault]):
        if engine is None or fault == "impeller_damage":
            if engine is not None:
                engine.close()
            engine = Engine(size if fault == "impeller_damage" else 0.0)
        for name, running in COMBINATIONS.items():
            for j, level in enumerate(LEVELS):
                for k, demand in enumerate(DEMANDS):
                    found[name][i, j, k] = engine.solve(
                        level,
                        demand,
                        running,
                        leakage=float(leakage_for(size)) if fault == "internal_wear" else 0.0,
                        strainer=(
                            float(strainer_for(size)) if fault == "suction_restriction" else 0.0
                        ),
                    )
    if engine is not None:
        engine.close()
    return found


def _unit(value: np.ndarray, axis: np.ndarray) -> np.ndarray:
    span = axis[-1] - axis[0]
    return 2.0 * (value - axis[0]) / span - 1.0 if span > 0 else np.zeros(np.shape(value))


@cache
def _surface(fault: str, combination: str) -> tuple[tuple[int, int, int], np.ndarray]:
    """Polynomial of the solved states of one fault and combination."""
    axes = (SIZES[fault], LEVELS, DEMANDS)
    degrees = tuple(min(DEGREE, len(axis) - 1) for axis in axes)
    grids = np.meshgrid(*axes, indexing="ij")
    mesh = [_unit(a, axis).ravel() for a, axis in zip(grids, axes, strict=True)]
    values = solutions(fault)[combination].reshape(-1, len(OUTPUTS))
    basis = chebvander3d(*mesh, degrees)
    return degrees, np.linalg.lstsq(basis, values, rcond=None)[0]


def states(
    fault: str, size: np.ndarray, level: np.ndarray, demand: np.ndarray, combination: np.ndarray
) -> pd.DataFrame:
    """Interpolate the engine's states: one row per instant, columns `OUTPUTS`, SI."""
    found = np.full((len(level), len(OUTPUTS)), np.nan)
    for name in COMBINATIONS:
        mine = combination == name
        if mine.any():
            degrees, coefficients = _surface(fault, name)
            where = (
                _unit(size[mine], SIZES[fault]),
                _unit(level[mine], LEVELS),
                _unit(demand[mine], DEMANDS),
            )
            found[mine] = chebvander3d(*where, degrees) @ coefficients
    return pd.DataFrame(found, columns=list(OUTPUTS))


# ------------------------------------------------------------------------ cases

GAUGES = ("present", "lost", "sister", "drawing")
"""Of pump 1: there all the time; lost 30 to 90 days after the baseline; never there, with a
gauge on pump 2; never there on either. Pump 2 has one in the first three."""

INSTRUMENTS = {
    "flow": Accuracy(systematic_relative=0.010, random_relative=0.004),
    "suction": Accuracy(systematic_absolute=300.0, random_absolute=100.0),
    "discharge": Accuracy(systematic_absolute=800.0, random_absolute=300.0),
    "power": Accuracy(systematic_relative=0.005, random_relative=0.002),
    "level": Accuracy(systematic_absolute=0.010, random_absolute=0.003),
}
"""Ordinary for the trade (common practice, no source), k = 1, random part of a two-hour mean."""


@dataclass(frozen=True, kw_only=True)
class Case:
    """One pump for some days after the days its baseline is learned from.

    Parameters
    ----------
    fault : str
        ``none`` or a fault of the module's text.
    rate : float
        Growth per year; 0 for a step only [1/yr].
    step, step_day : float
        Size and day after the baseline of a sudden part [-], [d].
    from_start : bool
        Whether a ramp runs from the first day, baseline included, or from the baseline's end.
    gauge : str
        One of `GAUGES`.
    days : int
        Days after the baseline [d].
    sd, lag1 : float
        Daily residual of the efficiency deviation: standard deviation and lag-one correlation.
    swing : float
        Root mean square amplitude of an annual swing of head nothing explains [-].
    shared_meter, shared_level : bool
        Whether a meter (or level) fault meets pump 2 as well; with a shared meter only
        intervals with one pump running are points.
    tap_before_strainer : bool
        Whether the strainer lies between suction tap and pump.
    cleaned_day : float
        Day after the baseline on which a strainer is cleaned; infinite for never [d].
    clears_after : float
        Days after which a reversible loss goes [d].
    """

    fault: str = "none"
    rate: float = 0.0
    step: float = 0.0
    step_day: float = 60.0
    from_start: bool = False
    gauge: str = "present"
    days: int = 365
    sd: float = 0.005
    lag1: float = 0.7
    swing: float = 0.0
    shared_meter: bool = False
    shared_level: bool = False
    tap_before_strainer: bool = False
    cleaned_day: float = np.inf
    clears_after: float = np.inf


@dataclass(frozen=True)
class Drawn:
    """Readings of a case made into operating points.

    Parameters
    ----------
    case : Case
        What was drawn.
    points : dict of str to DataFrame
        Operating points by pump, ``P1`` and where both are asked for ``P2``.
    size : ndarray of shape (days,)
        True size of the fault at noon of each day, learning days included.
    learned_to : Timestamp
        End of the learning days.
    rest : DataFrame
        Pump-off readings of the gauges of pump 1: ``time``, ``suction_offset``,
        ``discharge_offset`` (reading less static head, [Pa]); NaN where there is no gauge.
    """

    case: Case
    points: dict[str, pd.DataFrame]
    size: np.ndarray
    learned_to: pd.Timestamp
    rest: pd.DataFrame


def alike(rng: np.random.Generator, n: int, sd: float, lag1: float) -> np.ndarray:
    """First-order autoregression, stationary from the start."""
    shocks = rng.normal(0.0, sd * np.sqrt(1.0 - lag1**2), n)
    shocks[0] = rng.normal(0.0, sd)
    return np.asarray(lfilter([1.0], [1.0, -lag1], shocks))


def plant_pump(name: str, *, tap_before_strainer: bool = False) -> Pump:
    """Describe a pump of the hall as a plant file would."""
    taps = {
        side: Tap(elevation=z, diameter=d, **({"position": "before_strainer"} if before else {}))
        for side, (z, d), before in (
            ("suction", TAP["suction"], tap_before_strainer),
            ("discharge", TAP["discharge"], False),
        )
    }
    return Pump(
        id=name,
        suction_line="hall",
        suction_tap=taps["suction"],
        discharge_tap=taps["discharge"],
        flow_tag=f"{name}.F",
        suction_pressure_tag=f"{name}.S",
        discharge_pressure_tag=f"{name}.D",
        power_tag=f"{name}.W",
    )


def plant_tags(name: str) -> dict[str, Tag]:
    """Describe its tags."""
    kinds = {
        "F": ("flow", "flow"),
        "S": ("suction_pressure", "suction"),
        "D": ("discharge_pressure", "discharge"),
        "W": ("electrical_power", "power"),
    }
    return {
        f"{name}.{letter}": Tag(
            name=f"{name}.{letter}", quantity=quantity, unit="", accuracy=INSTRUMENTS[key]
        )
        for letter, (quantity, key) in kinds.items()
    }


def fault_size(case: Case, day: np.ndarray) -> np.ndarray:
    """Size of the fault; `day` counts from the baseline's end, negative while learning."""
    since = day + LEARNED_DAYS if case.from_start else np.maximum(day, 0.0)
    size = case.rate * since / YEAR
    stepped = (day >= case.step_day) & (day < case.step_day + case.clears_after)
    size = size + case.step * stepped
    if np.isfinite(case.cleaned_day):
        after = np.maximum(day - case.cleaned_day, 0.0)
        size = np.where(day >= case.cleaned_day, case.rate * after / YEAR, size)
    return size


def _duty(case: Case, rng: np.random.Generator, day: np.ndarray) -> tuple[np.ndarray, ...]:
    """Level, demand and which pumps run: by hour, season and chance."""
    n = len(day)
    hour = (day % 1.0) * 24.0
    season = np.cos(2.0 * np.pi * (day / YEAR - rng.uniform()))
    slow = np.repeat(alike(rng, n // PER_DAY, 1.0, 0.8), PER_DAY)
    demand = 0.024 + 0.010 * np.sin(2.0 * np.pi * (hour - 7.0) / 24.0)
    demand = demand + 0.005 * season + 0.002 * slow + rng.normal(0.0, 0.002, n)
    level = 3.5 + 0.8 * np.sin(2.0 * np.pi * (hour - 2.0) / 24.0)
    level = level + 0.2 * np.repeat(alike(rng, n // PER_DAY, 1.0, 0.6), PER_DAY)
    level = level + rng.normal(0.0, 0.15, n)
    night = (hour < 6.0).astype(float)
    draw = rng.random(n)
    both = draw < 0.10 + (0.10 if case.shared_meter else 0.35) * (1.0 - night)
    second = ~both & (draw > 0.70)
    combination = np.where(both, "both", np.where(second, "second", "first"))
    # A tenth of the days pump 1 stands.
    stands = np.repeat(rng.random(n // PER_DAY) < 0.1, PER_DAY)
    combination = np.where(stands, "second", combination)
    return (
        np.clip(level, LEVELS[0], LEVELS[-1]),
        np.clip(demand, DEMANDS[0], DEMANDS[-1]),
        combination,
    )


def draw(case: Case, rng: np.random.Generator, *, both: bool = False) -> Drawn:
    """Draw one case: duty, fault, calibration, noise, gauges; give its operating points.

    Parameters
    ----------
    case : Case
        What to draw.
    rng : Generator
        Where chance comes from.
    both : bool
        Whether to give pump 2 as well.

    Returns
    -------
    Drawn
        Operating points and truth.
    """
    days = LEARNED_DAYS + case.days
    day = np.arange(days * PER_DAY) / PER_DAY - LEARNED_DAYS + 0.5 / PER_DAY
    level, demand, combination = _duty(case, rng, day)
    size = fault_size(case, day)
    solved = {"reversible": "impeller_damage"}.get(case.fault, case.fault)
    hydraulic = solved if solved in SIZES else "none"
    true = states(
        hydraulic, size if hydraulic != "none" else 0.0 * size, level, demand, combination
    )
    time = START + pd.to_timedelta((day + LEARNED_DAYS - 0.5 / PER_DAY) * 86400.0, unit="s")
    time = pd.DatetimeIndex(time).floor("s").as_unit("us")
    wrong = {name: np.zeros(len(day)) for name in ("meter", "suction", "discharge", "power")}
    head_0 = SPECIFIC_WEIGHT * float(pump_head(REFERENCE_FLOW))
    if case.fault == "flow_meter":
        wrong["meter"] = -size
    elif case.fault == "suction_gauge":
        wrong["suction"] = size * head_0
    elif case.fault == "discharge_gauge":
        wrong["discharge"] = -size * head_0
    elif case.fault == "power_meter_or_motor":
        wrong["power"] = size
    level_error = INSTRUMENTS["level"].systematic_absolute * rng.standard_normal()
    level_read = level + level_error + 0.003 * rng.standard_normal(len(day))
    if case.fault == "level":
        level_read = level_read + size * head_0 / SPECIFIC_WEIGHT
    readings = {k: _readings(case, rng, true, combination, k, days, wrong, day) for k in (1, 2)}
    static = SPECIFIC_WEIGHT * (level_read - TAP["suction"][0])
    header = sum(np.nan_to_num(readings[k]["flow"].to_numpy()) for k in (1, 2))
    rows = {k: _rows(readings[k], time, static, header, k) for k in (1, 2)}
    lost_from = _lost_from(case, rng)
    model = _model(case, rng, rows, day, lost_from)
    points = {}
    for k in (1, 2) if both else (1,):
        filled = _filled(case, rows[k], day, k, lost_from, model)
        if case.shared_meter:
            filled["flow_source"] = np.where(combination == "both", "shared", "measured")
        name = f"P{k}"
        pump = plant_pump(name, tap_before_strainer=case.tap_before_strainer)
        points[name] = operating_points(filled, pump, plant_tags(name), 101325.0, f"{name}.F")
    noon = np.arange(days) - LEARNED_DAYS + 0.5
    return Drawn(
        case,
        points,
        fault_size(case, noon),
        START + pd.Timedelta(days=LEARNED_DAYS),
        _rest(case, rng, time, day, combination, readings[1], wrong, lost_from),
    )


def _readings(
    case: Case,
    rng: np.random.Generator,
    true: pd.DataFrame,
    combination: np.ndarray,
    k: int,
    days: int,
    wrong: dict[str, np.ndarray],
    day: np.ndarray,
) -> pd.DataFrame:
    """Readings of one pump: truth, calibration error, noise, residual of the day, fault."""
    n = len(true)

    def error(name: str) -> np.ndarray:
        a = INSTRUMENTS[name]
        absolute = a.systematic_absolute + a.systematic_relative
        random = a.random_absolute + a.random_relative
        return absolute * rng.standard_normal() + random * rng.standard_normal(n)

    running = (combination == "both") | (combination == ("first" if k == 1 else "second"))
    flow = np.where(running, true[f"flow_{k}"], 0.0)
    weight, velocity = SPECIFIC_WEIGHT, {}
    for side, (_, bore) in TAP.items():
        velocity[side] = flow / (np.pi * bore**2 / 4)
    pressure = {
        side: weight * (true[f"{side}_head_{k}"].to_numpy() - TAP[side][0])
        - 0.5 * DENSITY * velocity[side] ** 2
        for side in TAP
    }
    if case.tap_before_strainer and k == 1 and case.fault == "suction_restriction":
        # The tap does not see what is lost behind it.
        velocity_head = (flow / (np.pi * BRANCH[1] ** 2 / 4)) ** 2 / (2.0 * G)
        pressure["suction"] += weight * strainer_for(fault_size(case, day)) * velocity_head
    # Nine tenths of the day's residual in head and four tenths in power make one of efficiency.
    head_day = np.repeat(alike(rng, days, 0.91 * case.sd, case.lag1), PER_DAY)
    power_day = np.repeat(alike(rng, days, 0.41 * case.sd, case.lag1), PER_DAY)
    sine, cosine = rng.normal(0.0, case.swing * np.sqrt(0.5), 2)
    turn = 2.0 * np.pi * day / YEAR
    head_day = head_day + sine * np.sin(turn) + cosine * np.cos(turn)
    head = true[f"discharge_head_{k}"].to_numpy() - true[f"suction_head_{k}"].to_numpy()
    own = 1.0 if k == 1 else 0.0
    meter = wrong["meter"] * (1.0 if k == 1 or case.shared_meter else 0.0)
    calibration = error("flow")
    return pd.DataFrame(
        {
            "running": running,
            "flow": np.where(running, flow * (1.0 + calibration) * (1.0 + meter), 0.0),
            "suction": pressure["suction"] + error("suction") + own * wrong["suction"],
            "discharge": (
                pressure["discharge"]
                + error("discharge")
                + own * wrong["discharge"]
                + weight * head * head_day
            ),
            "power": (
                true[f"power_{k}"].to_numpy()
                * (1.0 + error("power"))
                * (1.0 + power_day)
                * (1.0 + own * wrong["power"])
            ),
        }
    )


def _rows(
    readings: pd.DataFrame, time: pd.DatetimeIndex, static: np.ndarray, header: np.ndarray, k: int
) -> pd.DataFrame:
    """The pump's frame, as the job assembles it."""
    flow = readings["flow"].to_numpy()
    velocity = flow / (np.pi * TAP["suction"][1] ** 2 / 4)
    return pd.DataFrame(
        {
            "time": time,
            "pump": f"P{k}",
            "state": np.where(readings["running"], "running", "standing"),
            "is_steady": True,
            "flow": flow,
            "flow_source": "measured",
            "suction_flow": flow,
            "flow_branch": flow,
            "flow_header": header,
            "density": DENSITY,
            "vapour_pressure": 2339.0,
            "static_pressure": static,
            "static_pressure_u_systematic": STATIC_U,
            "velocity_pressure": 0.5 * DENSITY * velocity**2,
            "suction_reading": readings["suction"].to_numpy(),
            "discharge_reading": readings["discharge"].to_numpy(),
            "electrical_power": readings["power"].to_numpy(),
            "speed": np.nan,
        }
    )


def _lost_from(case: Case, rng: np.random.Generator) -> float:
    """Day from which pump 1 has no suction reading."""
    day = rng.uniform(30.0, 90.0)
    return {"present": np.inf, "lost": day}.get(case.gauge, -np.inf)


def drawn_priors(rng: np.random.Generator) -> dict[str, LossPrior]:
    """Losses as drawings would have them: wrong by a quarter, and said to be."""
    wrong = np.exp(0.25 * rng.standard_normal(2))
    priors = {}
    for key, line, flow, factor in (
        ("flow_header", HEADER, 0.1, wrong[0]),
        ("branch:P1", BRANCH, 0.06, wrong[1]),
        ("branch:P2", BRANCH, 0.06, wrong[1]),
    ):
        velocity = flow / (np.pi * line[1] ** 2 / 4)
        loss = 0.5 * DENSITY * velocity**2 * (0.022 * line[0] / line[1] + line[3]) * factor
        priors[key] = LossPrior(flow, float(loss), float(0.25 * loss))
    return priors


def _model(
    case: Case,
    rng: np.random.Generator,
    rows: dict[int, pd.DataFrame],
    day: np.ndarray,
    lost_from: float,
) -> SuctionLineModel | None:
    """What a run would fit: gauges that work, drawings of the rest."""
    priors = drawn_priors(rng)
    if case.gauge == "present":
        return None
    seen = []
    if case.gauge == "lost":
        seen = [rows[k][(day < lost_from) & (day < 30.0)] for k in (1, 2)]
    elif case.gauge == "sister":
        seen = [rows[2][day < 0.0]]
    columns = ["pump", "static_pressure", "velocity_pressure", "flow_header", "flow_branch"]
    training = pd.concat(seen or [rows[1].iloc[:0]], ignore_index=True)
    model = SuctionLineModel(loss_prior=priors, gauge_u=300.0, gauge_noise_u=100.0,
                             static_u=STATIC_U, prediction_limit=3000.0)  # fmt: skip
    return model.fit(training[columns], training["suction_reading"])


def _filled(
    case: Case,
    rows: pd.DataFrame,
    day: np.ndarray,
    k: int,
    lost_from: float,
    model: SuctionLineModel | None,
) -> pd.DataFrame:
    """Add the suction pressure, as the job does."""
    gauged = day < lost_from if k == 1 else np.full(len(day), case.gauge != "drawing")
    reading = np.where(gauged, rows["suction_reading"].to_numpy(), np.nan)
    estimates = []
    if model is not None:
        source = "drawing" if case.gauge == "drawing" else None
        estimates = [estimate_with(model, rows, source=source)]
    a = INSTRUMENTS["suction"]
    filled = fill_suction(
        rows.index,
        estimates,
        reading=reading,
        gauge_u=a.systematic_absolute,
        gauge_noise_u=a.random_absolute,
    ).rename(columns={"suction_pressure_reason": "suction_reason"})
    return pd.concat([rows.assign(suction_reading=reading), filled], axis=1)


def _rest(
    case: Case,
    rng: np.random.Generator,
    time: pd.DatetimeIndex,
    day: np.ndarray,
    combination: np.ndarray,
    readings: pd.DataFrame,
    wrong: dict[str, np.ndarray],
    lost_from: float,
) -> pd.DataFrame:
    """Pump-off readings: noise and what the gauges did."""
    off = combination == "second"
    n = int(off.sum())
    suction = 100.0 * rng.standard_normal(n) + wrong["suction"][off]
    discharge = 300.0 * rng.standard_normal(n) + wrong["discharge"][off]
    return pd.DataFrame(
        {
            "time": time[off],
            "suction_offset": np.where(day[off] < lost_from, suction, np.nan),
            "discharge_offset": discharge,
        }
    )


def fleet(case: Case, count: int, seed: int, **options: Any) -> list[Drawn]:
    """Draw a case many times."""
    return [draw(case, np.random.default_rng([seed, number]), **options) for number in range(count)]
