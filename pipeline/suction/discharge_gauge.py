"""What a discharge gauge should read, and when its readings cannot be true.

At rest it can be held against static pressure only between the pump and a check valve that
closes tightly. While the pump runs nothing says what it should read, but it must move when the
flow does, and the power it claims must not exceed what the motor takes.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from .evidence import RUNNING, STOPPED
from .findings import HOUR, SUSPECT, Finding, GaugeFacts, findings_frame, in_kpa
from .gauge_health import is_in_fault
from .gauge_moves import noisy, out_of_range, stuck, unchanged_runs
from .gauge_rest import at_rest
from .mapping import PRESSURE_UNITS
from .solve import Array

# Fewest live running hours from which the reading is learned as a function of flow.
LEAST_LIVE_HOURS = 48
# A pause longer than this does not teach what a live gauge reads [h].
LONGEST_PAUSE = 6
# Where nothing was learned: hydraulic over electrical power of a pump in its usual duty.
USUAL_EFFICIENCY = 0.6
# Overall efficiencies no pump set in steady running has (common practice, no source).
LEAST_EFFICIENCY, MOST_EFFICIENCY = 0.05, 0.95
# What a pump set usually has; a mistake that leads there is named.
LIKELY = (0.2, 0.9)

__all__ = ["check_discharge_gauge", "discharge_hours", "expected_discharge", "impossible_rise"]


def discharge_hours(hours: pd.DataFrame) -> pd.DataFrame:
    """Hourly rows of a pump with its discharge gauge in place of the suction gauge.

    Parameters
    ----------
    hours : DataFrame
        Hourly rows with ``discharge``, ``discharge_min``, ``_max``, ``_noise``, ``_coverage``.

    Returns
    -------
    DataFrame
        The same rows with ``reading`` and ``reading_*`` from the discharge gauge and the
        suction reading as ``suction``.
    """
    parts = [name for name in hours.columns if name.startswith("discharge")]
    own = hours[parts].rename(columns=lambda name: name.replace("discharge", "reading", 1))
    kept = hours.drop(columns=[*parts, *(c for c in own.columns if c in hours.columns)])
    return kept.join(own).assign(suction=hours["reading"])


def expected_discharge(hours: pd.DataFrame, lift_pressure: float | None = None) -> pd.DataFrame:
    """Reading of a discharge gauge as far as it can be expected.

    Parameters
    ----------
    hours : DataFrame
        Table of `discharge_hours` of one pump: ``static_pressure``, ``flow_branch``,
        ``speed_ratio`` and ``electrical_power`` are used as well.
    lift_pressure : float, optional
        rho g times (suction gauge elevation - discharge gauge elevation), where the tap lies
        between pump and tight check valve [Pa]; None where a resting gauge proves nothing.

    Returns
    -------
    DataFrame
        Index of `hours`; ``expected`` [Pa], ``known`` (bool: a resting gauge may be held
        against it). At rest: static pressure plus lift, or NaN. While running: what this gauge
        showed at the same flow, speed and static pressure; where it never showed anything
        alive, static pressure plus what `USUAL_EFFICIENCY` of the power makes of the flow.

    Notes
    -----
    While running the expectation serves to tell that the reading should have moved, no more.
    It is a parabola in flow, brought to speed by the affinity laws, on top of a constant.
    """
    running = (hours["state"] == RUNNING) & hours["steady"]
    rest = (hours["state"] == STOPPED) & hours["steady"]
    static = hours["static_pressure"].to_numpy(dtype=float)
    flow = hours["flow_branch"].to_numpy(dtype=float)
    speed = hours["speed_ratio"].to_numpy(dtype=float)
    expected = np.full(len(hours), np.nan)
    scale = float(np.nanmedian(flow[running])) if running.any() else np.nan
    if np.isfinite(scale) and scale > 0.0:
        x = flow / scale
        shape = np.column_stack([np.ones_like(x), static, speed**2, speed * x, x**2])
        learned = _learned(hours, running.to_numpy(), shape)
        if learned is not None:
            expected = learned
        else:
            with np.errstate(invalid="ignore", divide="ignore"):
                power = hours["electrical_power"].to_numpy(dtype=float)
                expected = static + USUAL_EFFICIENCY * power / np.where(flow > 0.0, flow, np.nan)
    expected = np.where(running, expected, np.nan)
    flows = [name for name in hours.columns if name.startswith("flow_")]
    idle = (hours[flows].abs().fillna(0.0) <= 1e-9).all(axis=1)
    known = rest & idle & (lift_pressure is not None)
    if lift_pressure is not None:
        expected = np.where(rest, static + lift_pressure, expected)
    return pd.DataFrame({"expected": expected, "known": known.astype(bool)}, index=hours.index)


def check_discharge_gauge(
    hours: pd.DataFrame, expected: pd.DataFrame, facts: GaugeFacts
) -> pd.DataFrame:
    """Run every check that can be run on a discharge gauge.

    Parameters
    ----------
    hours : DataFrame
        Table of `discharge_hours`, in time order; index UTC hours.
    expected : DataFrame
        Table of `expected_discharge`.
    facts : GaugeFacts
        Declared facts and limits.

    Returns
    -------
    DataFrame
        As `check_gauge`. Out of range, stuck and noisy always; statics where they are known;
        an impossible rise where nothing else was found.
    """
    due = expected["expected"]
    frozen = stuck(hours, due, facts)
    silent = is_in_fault(findings_frame(frozen), hours.index)
    found = [*out_of_range(hours, facts), *frozen, *noisy(hours, facts)]
    if expected["known"].any():
        found += at_rest(hours, due, facts, silent | ~expected["known"], silent)
    table = findings_frame(found)
    rise = impossible_rise(hours, facts, is_in_fault(table, hours.index))
    tables = [t for t in (table, rise) if len(t)]
    return pd.concat(tables, ignore_index=True) if tables else table


def _learned(hours: pd.DataFrame, running: np.ndarray, shape: Array) -> Array | None:
    """Reading by least squares on live running hours, outliers left out once."""
    live = running & np.isfinite(shape).all(axis=1) & hours["reading"].notna().to_numpy()
    for first, last in unchanged_runs(hours, GaugeFacts()):
        if last - first + 1 > LONGEST_PAUSE:
            live[first : last + 1] = False
    if live.sum() < LEAST_LIVE_HOURS:
        return None
    reading = hours["reading"].to_numpy(dtype=float)
    size = np.abs(shape[live]).max(axis=0)
    scaled = shape / np.where(size > 0.0, size, 1.0)
    for _ in range(2):
        # A constant column beside a constant static pressure is no trouble for lstsq.
        best, *_ = np.linalg.lstsq(scaled[live], reading[live], rcond=1e-10)
        rest = np.abs(reading - scaled @ best)
        live = live & (rest <= max(4.0 * 1.4826 * float(np.median(rest[live])), 1.0))
    return np.asarray(scaled @ best)


def impossible_rise(hours: pd.DataFrame, facts: GaugeFacts, bad: pd.Series) -> pd.DataFrame:
    """Months in which the rise would take more power than the motor draws, or next to none.

    Parameters
    ----------
    hours : DataFrame
        Table of `discharge_hours`.
    facts : GaugeFacts
        Facts of the gauge; only the atmospheric pressure is used.
    bad : bool Series
        True where another check already speaks.

    Returns
    -------
    DataFrame
        As `check_gauge`, check ``impossible_rise``, verdict ``suspect``: gauge, flow meter or
        power meter is mapped wrongly; mistakes of the gauge that would lead to a usual
        efficiency are named. Magnitude: the median rise [Pa].
    """
    use = (hours["state"] == RUNNING) & hours["steady"] & ~bad
    # Level only is good enough here, and does not need the suction gauge.
    rise = hours["reading"] - hours["static_pressure"]
    with np.errstate(invalid="ignore", divide="ignore"):
        per_rise = hours["flow_branch"] / hours["electrical_power"].where(
            hours["electrical_power"] > 0.0
        )
    rows = pd.DataFrame({"rise": rise, "per_rise": per_rise, "reading": hours["reading"]})[use]
    rows = rows[(rows["per_rise"] > 0.0) & rows["rise"].notna()]
    found: list[Finding] = []
    for _, part in rows.groupby(pd.DatetimeIndex(rows.index).strftime("%Y-%m")):
        efficiency = float((part["rise"] * part["per_rise"]).median())
        if len(part) < 6 or LEAST_EFFICIENCY <= efficiency <= MOST_EFFICIENCY:
            continue
        size = float(part["rise"].median())
        start, end = part.index[0], part.index[-1] + HOUR
        if found and start - found[-1].end < pd.Timedelta(days=31):
            found[-1] = replace(found[-1], end=end)
            continue
        named = _mistakes(part, hours.loc[part.index, "static_pressure"], facts)
        found.append(
            Finding(
                start, end, "impossible_rise", SUSPECT, size, float("nan"),
                f"A rise of {in_kpa(size)} at the flow and power measured is an overall "
                f"efficiency of {100.0 * efficiency:.0f} %. Not excluded: discharge gauge"
                f"{named}, flow meter, power meter (unit, scale or tag).",
            )
        )  # fmt: skip
    return findings_frame(found)


def _mistakes(part: pd.DataFrame, static: pd.Series, facts: GaugeFacts) -> str:
    """Name the mistakes that, undone, lead to a usual efficiency."""

    def leads_home(reading: pd.Series) -> bool:
        share = float(((reading - static) * part["per_rise"]).median())
        return LIKELY[0] <= share <= LIKELY[1]

    names = []
    if leads_home(part["reading"] - facts.atmospheric_pressure):
        names.append("absolute taken as gauge")
    common = ("kPa", "bar", "psi", "mH2O")
    for taken in common:
        for true in common:
            if taken != true and leads_home(
                part["reading"] * PRESSURE_UNITS[true] / PRESSURE_UNITS[taken]
            ):
                names.append(f"{true} taken as {taken}")
    return f" ({', '.join(names)})" if names else ""
