"""Instruments and their faults on the two-pump station: cheap redraws of stored truth.

`draw_readings` adds calibration error (one draw per tag) and noise (one draw per sample) to
the frame of `epanet_station.station_truth`; the scenario functions then spoil a gauge. Every
function returns a new frame.

Columns of a readings frame, SI, one row per 5 minutes:

* ``time``, ``is_transition``, ``running_k`` as in the truth;
* readings under bare names: ``level``, ``surface_pressure``, ``flow_k``,
  ``suction_pressure_k``, ``discharge_pressure_k``, ``electrical_power_k``;
* their truths as ``<name>_true``, and ``total_head_k_true``, ``delivery_level_k_true``;
* ``suction_pressure_k_good``, ``discharge_pressure_k_good``: the historian's status, False
  where it said bad;
* ``suction_pressure_k_fault``, ``discharge_pressure_k_fault``, ``level_fault``: True where the
  reading is missing or spoilt (the answer).

The fault functions spoil the suction gauge; ``side="discharge"`` spoils the other.

``frame.attrs["calibration"]`` holds the drawn calibration error of each tag, in the unit of
the tag or, for relative ones, as a share of the reading.

Accuracies are ordinary for the trade (common practice, no source); k = 1.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from epanet_station import (
    BRANCHES,
    HEADER,
    LEVEL_ZERO_ELEVATION,
    PUMP_DATA,
    PUMPS,
    START,
    YEAR_DAYS,
    Fouling,
    LineData,
    station_truth,
)
from richmond import SPECIFIC_WEIGHT
from scipy.signal import lfilter

ATMOSPHERE = 101325.0
SIDES = ("suction", "discharge")


@dataclass(frozen=True)
class Accuracy:
    """Standard uncertainty of one tag: `systematic` per draw, `random` per 5-minute sample.

    With `relative` both are shares of the reading. `correlation` is the lag-one correlation
    of the random part.
    """

    systematic: float
    random: float
    relative: bool = False
    correlation: float = 0.0


INSTRUMENTS: dict[str, Accuracy] = {
    "level": Accuracy(0.010, 0.003),
    "flow_1": Accuracy(0.010, 0.004, relative=True),
    "flow_2": Accuracy(0.010, 0.004, relative=True),
    "suction_pressure_1": Accuracy(300.0, 150.0),
    "suction_pressure_2": Accuracy(300.0, 150.0),
    "discharge_pressure_1": Accuracy(500.0, 200.0),
    "discharge_pressure_2": Accuracy(1500.0, 500.0),
    "electrical_power_1": Accuracy(0.005, 0.002, relative=True),
    "electrical_power_2": Accuracy(0.005, 0.002, relative=True),
}
"""Tag -> accuracy [m, share, Pa, Pa, share]; the surface is open to the air and not measured."""

MEASURED = (
    "level",
    "surface_pressure",
    *(
        f"{name}_{k}"
        for k in PUMPS
        for name in ("flow", "suction_pressure", "discharge_pressure", "electrical_power")
    ),
)


def _noise(rng: np.random.Generator, size: int, correlation: float) -> np.ndarray:
    white = rng.standard_normal(size)
    if not correlation:
        return white
    white[1:] *= np.sqrt(1 - correlation**2)
    return lfilter([1.0], [1.0, -correlation], white)


def draw_readings(
    truth: pd.DataFrame,
    rng: np.random.Generator,
    instruments: Mapping[str, Accuracy] = INSTRUMENTS,
) -> pd.DataFrame:
    """Draw calibration errors and noise, and return a readings frame (see the module)."""
    columns: dict[str, object] = {
        "time": truth["time"],
        "is_transition": truth["is_transition"],
        **{f"running_{k}": truth[f"running_{k}"] for k in PUMPS},
    }
    calibration = {}
    for name in MEASURED:
        true = truth[name].to_numpy()
        columns[f"{name}_true"] = true
        if name not in instruments:
            columns[name] = true.copy()
            continue
        accuracy = instruments[name]
        calibration[name] = float(accuracy.systematic * rng.standard_normal())
        noise = accuracy.random * _noise(rng, len(true), accuracy.correlation)
        error = calibration[name] + noise
        columns[name] = true * (1 + error) if accuracy.relative else true + error
    for k in PUMPS:
        columns[f"total_head_{k}_true"] = truth[f"total_head_{k}"]
        columns[f"delivery_level_{k}_true"] = truth[f"delivery_level_{k}"]
        for side in SIDES:
            columns[f"{side}_pressure_{k}_good"] = np.ones(len(truth), dtype=bool)
            columns[f"{side}_pressure_{k}_fault"] = np.zeros(len(truth), dtype=bool)
    columns["level_fault"] = np.zeros(len(truth), dtype=bool)
    frame = pd.DataFrame(columns)
    frame.attrs["calibration"] = calibration
    return frame


def days_since_start(readings: pd.DataFrame) -> np.ndarray:
    """Days since the first day of the station [d]."""
    return ((readings["time"] - START) / pd.Timedelta(days=1)).to_numpy()


def _spoil(
    readings: pd.DataFrame,
    name: str,
    start_day: float,
    end_day: float,
    wrong: Callable[[np.ndarray, np.ndarray], np.ndarray | float],
    *,
    good: bool = True,
) -> pd.DataFrame:
    """Replace the readings of a gauge between two days by ``wrong(reading, days)``."""
    day = days_since_start(readings)
    inside = (day >= start_day) & (day < end_day)
    value = readings[name].to_numpy().copy()
    value[inside] = wrong(value[inside], day[inside])
    return readings.assign(
        **{
            name: value,
            f"{name}_good": readings[f"{name}_good"] & (good | ~inside),
            f"{name}_fault": readings[f"{name}_fault"] | inside,
        }
    )


def lose_gauge(
    readings: pd.DataFrame,
    pump: int,
    start_day: float,
    end_day: float = np.inf,
    *,
    side: str = "suction",
) -> pd.DataFrame:
    """Leave the gauge without readings, status bad."""
    name = f"{side}_pressure_{pump}"
    return _spoil(readings, name, start_day, end_day, lambda *_: np.nan, good=False)


def remove_gauge(readings: pd.DataFrame, pump: int, *, side: str = "suction") -> pd.DataFrame:
    """Let the pump never have had the gauge."""
    return lose_gauge(readings, pump, -np.inf, side=side)


def stick_gauge(
    readings: pd.DataFrame,
    pump: int,
    start_day: float,
    end_day: float = np.inf,
    value: float | None = None,
    *,
    side: str = "suction",
) -> pd.DataFrame:
    """Hold the gauge at one value, status good.

    Default value: the median running reading of the thirty days before, a plausible one.
    """
    name = f"{side}_pressure_{pump}"
    if value is None:
        day = days_since_start(readings)
        before = (day >= start_day - 30) & (day < start_day) & readings[f"running_{pump}"]
        value = float(readings.loc[before, name].median())
    return _spoil(readings, name, start_day, end_day, lambda *_: value)


def drift_gauge(
    readings: pd.DataFrame,
    pump: int,
    start_day: float,
    end_day: float = np.inf,
    rate: float = 80.0,
    *,
    side: str = "suction",
) -> pd.DataFrame:
    """Let the gauge drift by `rate` [Pa/day] from `start_day`; recalibrated at the end."""
    name = f"{side}_pressure_{pump}"
    return _spoil(
        readings, name, start_day, end_day, lambda value, day: value + rate * (day - start_day)
    )


def offset_gauge(
    readings: pd.DataFrame,
    pump: int,
    offset: float,
    start_day: float = -np.inf,
    end_day: float = np.inf,
    *,
    side: str = "suction",
) -> pd.DataFrame:
    """Shift the gauge by `offset` [Pa]."""
    name = f"{side}_pressure_{pump}"
    return _spoil(readings, name, start_day, end_day, lambda value, _: value + offset)


def read_absolute_as_gauge(
    readings: pd.DataFrame,
    pump: int,
    start_day: float = -np.inf,
    end_day: float = np.inf,
    *,
    side: str = "suction",
) -> pd.DataFrame:
    """Let the tag carry absolute pressure where gauge is declared."""
    return offset_gauge(readings, pump, ATMOSPHERE, start_day, end_day, side=side)


def misread_unit(
    readings: pd.DataFrame,
    pump: int,
    factor: float,
    start_day: float = -np.inf,
    end_day: float = np.inf,
    *,
    side: str = "suction",
) -> pd.DataFrame:
    """Multiply the reading by `factor` (1 / 6.894757: a tag in psi declared as kPa)."""
    name = f"{side}_pressure_{pump}"
    return _spoil(readings, name, start_day, end_day, lambda value, _: value * factor)


def shake_gauge(
    readings: pd.DataFrame,
    pump: int,
    rng: np.random.Generator,
    noise: float,
    start_day: float,
    end_day: float = np.inf,
    *,
    side: str = "suction",
) -> pd.DataFrame:
    """Add white noise of standard deviation `noise` [Pa] to the gauge."""
    name = f"{side}_pressure_{pump}"
    return _spoil(
        readings,
        name,
        start_day,
        end_day,
        lambda value, _: value + noise * rng.standard_normal(len(value)),
    )


def swap_suction_and_discharge(readings: pd.DataFrame, pump: int) -> pd.DataFrame:
    """Map the suction tag to the discharge gauge and the other way round, throughout."""
    suction, discharge = f"suction_pressure_{pump}", f"discharge_pressure_{pump}"
    return readings.assign(
        **{
            suction: readings[discharge],
            discharge: readings[suction],
            f"{suction}_good": readings[f"{discharge}_good"],
            f"{discharge}_good": readings[f"{suction}_good"],
            f"{suction}_fault": np.ones(len(readings), dtype=bool),
            f"{discharge}_fault": np.ones(len(readings), dtype=bool),
        }
    )


def read_level_of_another_tank(readings: pd.DataFrame, pump: int) -> pd.DataFrame:
    """Map the suction level tag to the tank that `pump` delivers to, throughout.

    The other transmitter errs as the right one did.
    """
    error = readings["level"] - readings["level_true"]
    return readings.assign(
        level=readings[f"delivery_level_{pump}_true"] + error,
        level_fault=np.ones(len(readings), dtype=bool),
    )


LOST = (200.0, 320.0)
FOULING = Fouling(pump=1)

SCENARIOS = (
    "healthy",
    "lost",
    "stuck",
    "never_installed",
    "drifting",
    "fouling_gauged",
    "fouling_lost",
)


def scenario_readings(
    name: str,
    rng: np.random.Generator,
    pump: int = 1,
    *,
    days: float = YEAR_DAYS,
    instruments: Mapping[str, Accuracy] = INSTRUMENTS,
) -> pd.DataFrame:
    """Draw one of `SCENARIOS` with the fault on `pump`.

    ``lost`` and ``stuck``: days 200 to 320. ``drifting``: 80 Pa/day from day 200 on.
    ``fouling_*``: the strainer fouls from day 150 to 210 and is cleaned; in ``fouling_lost``
    the gauge is lost from day 120 to 260.
    """
    if name not in SCENARIOS:
        raise ValueError(f"name must be one of {SCENARIOS}, got {name!r}")
    fouling = replace(FOULING, pump=pump) if name.startswith("fouling") else None
    readings = draw_readings(station_truth(days, fouling=fouling), rng, instruments)
    if name == "lost":
        return lose_gauge(readings, pump, *LOST)
    if name == "stuck":
        return stick_gauge(readings, pump, *LOST)
    if name == "never_installed":
        return remove_gauge(readings, pump)
    if name == "drifting":
        return drift_gauge(readings, pump, LOST[0])
    if name == "fouling_lost":
        return lose_gauge(readings, pump, FOULING.start_day - 30, FOULING.start_day + 110)
    return readings


def level_only_pressure(
    readings: pd.DataFrame, pump: int, specific_gravity: float = 1.0
) -> np.ndarray:
    """Return the suction pressure at the tap if nothing were lost on the way [Pa]."""
    elevation = PUMP_DATA[pump].suction_tap_elevation
    head = LEVEL_ZERO_ELEVATION + readings["level"].to_numpy() - elevation
    return readings["surface_pressure"].to_numpy() + SPECIFIC_WEIGHT * specific_gravity * head


def effective_coefficients(
    truth: pd.DataFrame, exponent: float = 2.0, specific_gravity: float = 1.0
) -> dict[str, float]:
    """Return the least-squares k of the engine's losses, k |Q|^n [Pa/(m3/s)^n].

    Keys ``header``, ``branch_1``, ``branch_2``; losses of total head, without the velocity
    head at the tap. Use a truth without fouling.
    """
    weight = SPECIFIC_WEIGHT * specific_gravity
    tank_head = truth["level"] + LEVEL_ZERO_ELEVATION
    losses = {"header": (truth["header_flow"], tank_head - truth["header_end_head"])}
    for k in PUMPS:
        running = truth[f"running_{k}"]
        loss = truth["header_end_head"] - truth[f"suction_head_{k}"]
        losses[f"branch_{k}"] = (truth[f"flow_{k}"][running], loss[running])
    coefficients = {}
    for name, (flow, loss) in losses.items():
        power = np.clip(flow, 0, None) ** exponent
        coefficients[name] = float(weight * (power * loss).sum() / (power**2).sum())
    return coefficients


def drawn_lines(
    rng: np.random.Generator, roughness_u: float = 0.30, fittings_u: float = 0.20
) -> dict[str, LineData]:
    """Return header and branches as drawings would have them: wrong by lognormal factors.

    The factors are drawn per line; lengths and bores are right. Keys ``header``,
    ``branch_1``, ``branch_2``.
    """
    lines = {"header": HEADER, **{f"branch_{k}": BRANCHES[k] for k in PUMPS}}
    return {
        name: replace(
            line,
            roughness=line.roughness * float(np.exp(roughness_u * rng.standard_normal())),
            fittings=line.fittings * float(np.exp(fittings_u * rng.standard_normal())),
        )
        for name, line in lines.items()
    }


def survey_readings(
    truth: pd.DataFrame,
    rng: np.random.Generator,
    pump: int,
    count: int = 3,
    *,
    accuracy: Accuracy = Accuracy(250.0, 200.0),
    start_day: float = 0.0,
    end_day: float = np.inf,
) -> pd.DataFrame:
    """Draw spot readings with a portable gauge at the suction tap, the pump running.

    One portable gauge takes them all, so they share its calibration error.

    Returns
    -------
    DataFrame
        ``time``, ``pump``, ``reading`` [Pa gauge], ``reading_u_systematic``,
        ``reading_u_random`` [Pa], ``true`` [Pa]; sorted by time.
    """
    day = days_since_start(truth)
    usable = truth[f"running_{pump}"] & ~truth["is_transition"]
    usable &= (day >= start_day) & (day < end_day)
    picked = np.sort(rng.choice(np.flatnonzero(usable), count, replace=False))
    true = truth[f"suction_pressure_{pump}"].to_numpy()[picked]
    error = accuracy.systematic * rng.standard_normal()
    return pd.DataFrame(
        {
            "time": truth["time"].iloc[picked].reset_index(drop=True),
            "pump": pump,
            "reading": true + error + accuracy.random * rng.standard_normal(count),
            "reading_u_systematic": accuracy.systematic,
            "reading_u_random": accuracy.random,
            "true": true,
        }
    )
