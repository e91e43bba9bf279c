"""Where a wrong suction pressure matters: the same error on pumps of every head and size.

An error of suction pressure is an error of pressure rise of the same size and the other sign.
What it does to efficiency depends on the rise alone; what it does to money, on the size as well.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from pipeline.errors import RangeError
from pipeline.hydraulics.head import STANDARD_GRAVITY
from pipeline.hydraulics.operating_region import specific_speed

__all__ = [
    "GRID_PRESSURE_RISE",
    "GRID_SHAFT_POWER",
    "ORDINARY_WEAR",
    "TWO_PSI",
    "effect_of_error",
    "hypothetical_pumps",
    "sensitivity_rows",
]

Floats = NDArray[np.float64]

_HP: Final = 745.699_871_582_270_22
_PSI: Final = 6_894.757_293_168_361
JOULES_PER_KWH: Final = 3.6e6
HOURS_PER_YEAR: Final = 8766.0

TWO_PSI: Final = 2.0 * _PSI
"""The error shown by default: two pounds per square inch [Pa]."""

ORDINARY_WEAR: Final = 0.01
"""Efficiency a pump loses in a year, part of itself, to compare an error with (common practice,
no source) [1/year]."""

GRID_SHAFT_POWER: Final = tuple(hp * _HP for hp in (10.0, 30.0, 100.0, 300.0, 1000.0, 2000.0))
"""Shaft power of the hypothetical pumps: 10 to 2000 horsepower [W]."""

GRID_PRESSURE_RISE: Final = tuple(
    psi * _PSI for psi in (3.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0)
)
"""Pressure rise of the hypothetical pumps: 3 to 1000 pounds per square inch [Pa]."""


def effect_of_error(
    pressure_error: ArrayLike,
    *,
    pressure_rise: ArrayLike,
    efficiency: ArrayLike,
    electrical_power: ArrayLike,
    density: ArrayLike,
    hours_per_year: ArrayLike,
    price: ArrayLike,
) -> pd.DataFrame:
    """Work out what an error of suction pressure does to head, efficiency, energy and cost.

    Parameters
    ----------
    pressure_error : array-like
        Suction pressure taken less the true one; positive where losses are ignored [Pa].
    pressure_rise : array-like
        True pressure rise, density times g times total head [Pa].
    efficiency : array-like
        True overall efficiency [-].
    electrical_power : array-like
        Electrical power [W].
    density : array-like
        Density of the liquid [kg/m3].
    hours_per_year : array-like
        Running time [h/year].
    price : array-like
        Energy price [currency/kWh].

    Returns
    -------
    DataFrame
        One row per broadcast element: ``head_error`` [m], ``relative_error`` of head and
        efficiency [-], ``efficiency_error`` [-], ``wear_years`` (years of ordinary wear the
        error looks like) [year], ``energy_misstated`` [J/year] and ``cost_misstated``
        [currency/year]: the yearly loss wrongly put down to the pump, or hidden where negative.

    Notes
    -----
    Total head is (p_d - p_s) / (rho g) + ..., so head and efficiency err by
    - pressure_error / pressure_rise of themselves. Money: excess power is
    P_el (1 - eta / eta_baseline), so the same part of P_el is misstated against a true baseline.

    Examples
    --------
    >>> two = effect_of_error(
    ...     13_789.5, pressure_rise=[68.9e3, 6.89e6], efficiency=0.75, electrical_power=75e3,
    ...     density=998.2, hours_per_year=6000.0, price=0.1)
    >>> (two["efficiency_error"] * 100).round(2).tolist()
    [-15.01, -0.15]
    """
    error, rise, eta, power, rho, hours, cost = np.broadcast_arrays(
        *(
            np.atleast_1d(np.asarray(x, dtype=float))
            for x in (
                pressure_error,
                pressure_rise,
                efficiency,
                electrical_power,
                density,
                hours_per_year,
                price,
            )
        )
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.where(rise > 0.0, -error / rise, np.nan)
    energy = -relative * power * hours * 3600.0
    return pd.DataFrame(
        {
            "head_error": -error / (rho * STANDARD_GRAVITY),
            "relative_error": relative,
            "efficiency_error": relative * eta,
            "wear_years": np.abs(relative) / ORDINARY_WEAR,
            "energy_misstated": energy,
            "cost_misstated": energy / JOULES_PER_KWH * cost,
        }
    )


def hypothetical_pumps(
    *,
    pressure_error: float = TWO_PSI,
    shaft_power: Sequence[float] = GRID_SHAFT_POWER,
    pressure_rise: Sequence[float] = GRID_PRESSURE_RISE,
    pump_efficiency: float = 0.78,
    driver_efficiency: float = 0.94,
    density: float = 998.2,
    speed: float = 1480.0 / 60.0,
    hours_per_year: float = 6000.0,
    price: float = 0.10,
) -> pd.DataFrame:
    """Lay the same suction error over a grid of pumps that need not exist.

    Parameters
    ----------
    pressure_error : float
        Suction pressure taken less the true one [Pa].
    shaft_power : sequence of float
        Sizes [W].
    pressure_rise : sequence of float
        Pressure rises [Pa].
    pump_efficiency, driver_efficiency : float
        Held over the whole grid, so that only head and size differ; a small pump does worse
        (round figures, common practice, no source) [-].
    density : float
        Density of the liquid [kg/m3].
    speed : float
        Speed of all of them [rev/s].
    hours_per_year : float
        Running time [h/year].
    price : float
        Energy price [currency/kWh].

    Returns
    -------
    DataFrame
        One row per size and pressure rise: ``shaft_power``, ``electrical_power`` [W],
        ``pressure_rise`` [Pa], ``total_head`` [m], ``flow`` [m3/s], ``speed`` [rev/s],
        ``specific_speed`` of one stage with one eye (radians; above about 4 or below about 0.2
        one would choose another speed or number of stages) [-], and the columns of
        `effect_of_error`.

    Raises
    ------
    RangeError
        Where a size, pressure rise or efficiency is not positive.
    """
    values = [*shaft_power, *pressure_rise, pump_efficiency, driver_efficiency, density, speed]
    if not all(np.isfinite(v) and v > 0.0 for v in values):
        raise RangeError(
            "Sizes, pressure rises, efficiencies, density and speed of hypothetical pumps must "
            "be positive; give positive numbers."
        )
    shaft, rise = (
        a.ravel() for a in np.meshgrid(np.sort(shaft_power), np.sort(pressure_rise), indexing="ij")
    )
    flow = shaft * pump_efficiency / rise
    head = rise / (density * STANDARD_GRAVITY)
    pumps = pd.DataFrame(
        {
            "shaft_power": shaft,
            "electrical_power": shaft / driver_efficiency,
            "pressure_rise": rise,
            "total_head": head,
            "flow": flow,
            "speed": speed,
            "specific_speed": specific_speed(speed, flow, head),
        }
    )
    effects = effect_of_error(
        pressure_error,
        pressure_rise=rise,
        efficiency=pump_efficiency * driver_efficiency,
        electrical_power=pumps["electrical_power"],
        density=density,
        hours_per_year=hours_per_year,
        price=price,
    )
    return pd.concat([pumps, effects], axis=1)


def sensitivity_rows(
    pumps: pd.DataFrame,
    grid: pd.DataFrame,
    *,
    pressure_error: float,
    density: float,
    price: float,
) -> pd.DataFrame:
    """Set a plant's own pumps beside the hypothetical ones.

    Parameters
    ----------
    pumps : DataFrame
        One row per pump: ``pump``, ``total_head`` [m], ``flow`` [m3/s], ``speed`` [rev/s]
        (NaN where not known), ``electrical_power`` [W], ``overall_efficiency`` [-] and
        ``hours_per_year`` [h/year].
    grid : DataFrame
        As `hypothetical_pumps` gives, with the same error and price, and ``pump`` naming them.
    pressure_error : float
        Suction pressure taken less the true one [Pa].
    density : float
        Density of the liquid [kg/m3].
    price : float
        Energy price; NaN without one [currency/kWh].

    Returns
    -------
    DataFrame
        ``kind`` (``pump`` or ``hypothetical``), ``pump``, ``pressure_error`` [Pa], then duty
        and the columns of `effect_of_error`.
    """
    rise = pumps["total_head"].to_numpy(dtype=float) * density * STANDARD_GRAVITY
    effects = effect_of_error(
        pressure_error,
        pressure_rise=rise,
        efficiency=pumps["overall_efficiency"],
        electrical_power=pumps["electrical_power"],
        density=density,
        hours_per_year=pumps["hours_per_year"],
        price=price,
    )
    own = pd.concat(
        [
            pumps[["pump", "total_head", "flow", "speed", "electrical_power"]].reset_index(
                drop=True
            ),
            effects,
        ],
        axis=1,
    ).assign(
        kind="pump",
        pressure_rise=rise,
        specific_speed=specific_speed(pumps["speed"], pumps["flow"], pumps["total_head"]),
    )
    rows = pd.concat([own, grid.assign(kind="hypothetical")], ignore_index=True)
    return rows.drop(columns="shaft_power", errors="ignore").assign(pressure_error=pressure_error)
