"""Motors: efficiency from nameplate or published table, and how it changes with load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics import motor_tables
from pipeline.hydraulics._numeric import FloatArray, as_float, finish
from pipeline.hydraulics.motor_tables import EfficiencyTable, Enclosure, minimum_motor_efficiency

__all__ = [
    "NAMEPLATE_LOSS_U",
    "Enclosure",
    "LoadCurve",
    "Motor",
    "minimum_motor_efficiency",
    "motor_efficiency",
    "motor_efficiency_u",
    "motor_from_nameplate",
    "motor_input_power",
    "motor_output_power",
    "published_part_load_curve",
]


NAMEPLATE_LOSS_U: Final = 0.2 / 3.0**0.5
"""Relative standard uncertainty of a motor's losses by nameplate: 20 %, rectangular [-]."""


@dataclass(frozen=True, slots=True)
class LoadCurve:
    """Efficiency against load, as a share of the efficiency at full load.

    Parameters
    ----------
    load : tuple of float
        Output over rated output at each point, rising, above zero. [-]
    relative_efficiency : tuple of float
        Efficiency over full-load efficiency at each point. [-]
    source : str
        Where the curve comes from. [-]
    """

    load: tuple[float, ...]
    relative_efficiency: tuple[float, ...]
    source: str = "declared"

    def __post_init__(self) -> None:
        load = as_float(self.load)
        relative = as_float(self.relative_efficiency)
        if load.size < 2 or load.shape != relative.shape:
            raise RangeError(
                f"load curve ({self.source}): found {load.size} loads and {relative.size} "
                "efficiencies; expected two or more of each. Give both for every point."
            )
        rising = (np.diff(load) > 0).all() and (np.diff(load / relative) > 0).all()
        if not (load[0] > 0 and (relative > 0).all() and rising):
            raise RangeError(
                f"load curve ({self.source}): found {self.load} and "
                f"{self.relative_efficiency}; expected rising loads above zero whose input "
                "power rises too. Check the order and the unit (fractions, not percent)."
            )

    def relative_input(self) -> tuple[FloatArray, FloatArray]:
        """Nodes of relative output and relative input, from no load upwards.

        Returns
        -------
        tuple of ndarray
            Output over rated output, and input over rated input, at each node. [-]

        Notes
        -----
        Input power is nearly straight in load, while efficiency falls steeply to zero, so
        the nodes are joined in input power. The no-load input comes from the first two
        points, and beyond the last point the efficiency stays as it is there.
        """
        load = as_float(self.load)
        demand = load / as_float(self.relative_efficiency)
        slope = (demand[1] - demand[0]) / (load[1] - load[0])
        no_load = max(demand[0] - slope * load[0], 0.0)
        # A tenfold load is far beyond any motor; it only keeps the last slope.
        far = 10.0
        return (
            np.concatenate([[0.0], load, [far * load[-1]]]),
            np.concatenate([[no_load], demand, [far * demand[-1]]]),
        )


def published_part_load_curve(rated_input_power: float) -> LoadCurve:
    """Generic part-load curve of an induction motor.

    Parameters
    ----------
    rated_input_power : float
        Electrical power at rated load. [W]

    Returns
    -------
    LoadCurve
        Curve between the two nearest published ratings. [-]

    Raises
    ------
    RangeError
        If the rating is not above zero.

    Notes
    -----
    Digitised from US DOE, "Determining Electric Motor Load and Efficiency"; interpolated
    in the logarithm of the rating; beyond 0.7 and 70 kW the end curves are used. It is a
    generic shape: below half load real motors of one size differ by several points.

    Examples
    --------
    >>> curve = published_part_load_curve(35000.0)
    >>> dict(zip(curve.load, curve.relative_efficiency))[0.2]
    0.9035
    """
    if not rated_input_power > 0.0:
        raise RangeError(
            f"rated input power: found {rated_input_power!r} W; expected above zero. "
            "Give the motor's rated power in watts."
        )
    ratings = np.log(motor_tables.PART_LOAD_RATING)
    table = as_float(motor_tables.RELATIVE_EFFICIENCY)
    at = np.log(rated_input_power)
    relative = tuple(float(np.interp(at, ratings, row)) for row in table)
    return LoadCurve(
        motor_tables.PART_LOAD_FRACTION,
        relative,
        "US DOE, Determining Electric Motor Load and Efficiency, generic part-load curve",
    )


@dataclass(frozen=True, slots=True)
class Motor:
    """A motor, by what its nameplate says or a published table in its place.

    Parameters
    ----------
    rated_power : float
        Rated shaft power. [W]
    full_load_efficiency : float
        Efficiency at rated power. [-]
    load_curve : LoadCurve, optional
        Part-load curve; the published generic curve when not given. [-]
    efficiency_source : str
        Where the full-load efficiency comes from; carried into the tables. [-]
    """

    rated_power: float
    full_load_efficiency: float
    load_curve: LoadCurve | None = None
    efficiency_source: str = "nameplate"

    def __post_init__(self) -> None:
        if not self.rated_power > 0.0:
            raise RangeError(
                f"motor rated power: found {self.rated_power!r} W; expected above zero. "
                "Give the nameplate power."
            )
        if not 0.0 < self.full_load_efficiency <= 1.0:
            raise RangeError(
                f"motor full-load efficiency: found {self.full_load_efficiency!r}; expected "
                "above 0 and at most 1. Give a fraction, not percent."
            )

    @property
    def rated_input_power(self) -> float:
        """Electrical power at rated load [W]."""
        return self.rated_power / self.full_load_efficiency

    @property
    def curve(self) -> LoadCurve:
        """Part-load curve in use."""
        return self.load_curve or published_part_load_curve(self.rated_input_power)

    @property
    def assumption(self) -> str:
        """What was assumed about this motor, in one line for a table."""
        return (
            f"full load {self.full_load_efficiency:.1%} ({self.efficiency_source}); "
            f"part load: {self.curve.source}"
        )


def motor_from_nameplate(
    rated_power: float,
    full_load_efficiency: float | None = None,
    poles: int | None = None,
    enclosure: Enclosure = "enclosed",
    table: EfficiencyTable = "premium",
    load_curve: LoadCurve | None = None,
) -> Motor:
    """Describe a motor by its nameplate, with a published table where that is silent.

    Parameters
    ----------
    rated_power : float
        Rated shaft power. [W]
    full_load_efficiency : float, optional
        Efficiency on the nameplate. [-]
    poles : int, optional
        Number of poles, needed for the table. [-]
    enclosure : {'open', 'enclosed'}
        Enclosure. [-]
    table : {'premium', 'energy_efficient'}
        Table of minimum efficiencies to use. [-]
    load_curve : LoadCurve, optional
        Part-load curve; the published generic curve when not given. [-]

    Returns
    -------
    Motor
        With the source of its efficiency. [-]

    Raises
    ------
    RangeError
        If neither nameplate efficiency nor a table row can be had.

    Examples
    --------
    >>> motor_from_nameplate(75e3, poles=4).assumption
    'full load 95.4% (10 CFR 431.25, Table 1 (60 Hz, 1 to 200 hp)); part load: US DOE, ...
    """
    if full_load_efficiency is not None:
        return Motor(rated_power, full_load_efficiency, load_curve)
    if poles is None:
        raise RangeError(
            "motor efficiency: found neither a nameplate efficiency nor a number of poles; "
            "expected one of them. Read the nameplate."
        )
    efficiency = minimum_motor_efficiency(rated_power, poles, enclosure, table)
    return Motor(rated_power, efficiency, load_curve, motor_tables.TABLE_SOURCE[table])


def motor_efficiency(shaft_power: npt.ArrayLike, motor: Motor) -> FloatArray:
    """Motor efficiency at a shaft power.

    Parameters
    ----------
    shaft_power : array_like
        Power at the motor shaft. [W]
    motor : Motor
        The motor. [-]

    Returns
    -------
    ndarray
        Efficiency; zero at no load. [-]

    Examples
    --------
    >>> motor = Motor(rated_power=30000.0, full_load_efficiency=0.93)
    >>> round(float(motor_efficiency(30000.0, motor)), 3)
    0.93
    """
    out = as_float(shaft_power)
    return finish(out / as_float(motor_input_power(out, motor)))


def motor_input_power(shaft_power: npt.ArrayLike, motor: Motor) -> FloatArray:
    """Electrical power a motor draws for a shaft power.

    Parameters
    ----------
    shaft_power : array_like
        Power at the motor shaft; NaN below zero. [W]
    motor : Motor
        The motor. [-]

    Returns
    -------
    ndarray
        Electrical power at the motor terminals. [W]

    Notes
    -----
    Straight lines in input power between the points of the load curve: see
    ``LoadCurve.relative_input``.

    Examples
    --------
    >>> motor = Motor(rated_power=30000.0, full_load_efficiency=0.93)
    >>> round(float(motor_input_power(30000.0, motor)))
    32258
    """
    output, demand = motor.curve.relative_input()
    load = as_float(shaft_power) / motor.rated_power
    drawn = np.interp(np.where(load < 0.0, np.nan, load), output, demand)
    return finish(drawn * _input_scale(motor))


def _input_scale(motor: Motor) -> float:
    """Return watts per unit of relative input, so that full load draws rated input."""
    output, demand = motor.curve.relative_input()
    return motor.rated_input_power / float(np.interp(1.0, output, demand))


def motor_output_power(electrical_power: npt.ArrayLike, motor: Motor) -> FloatArray:
    """Shaft power of a motor that draws an electrical power.

    Parameters
    ----------
    electrical_power : array_like
        Electrical power at the motor terminals. [W]
    motor : Motor
        The motor. [-]

    Returns
    -------
    ndarray
        Power at the motor shaft; NaN below the no-load input. [W]

    Notes
    -----
    Efficiency depends on the load that is sought. As input power rises steadily with load,
    the inverse is exact, without iteration.

    Examples
    --------
    >>> motor = Motor(rated_power=30000.0, full_load_efficiency=0.93)
    >>> round(float(motor_output_power(30000.0 / 0.93, motor)), 6)
    30000.0
    """
    output, demand = motor.curve.relative_input()
    relative = as_float(electrical_power) / _input_scale(motor)
    # An idling motor rounded at the last digit still idles.
    idle = demand[0] * (1.0 - 1e-12)
    load = np.interp(np.where(relative < idle, np.nan, relative), demand, output)
    return finish(load * motor.rated_power)


def motor_efficiency_u(
    efficiency: npt.ArrayLike, relative_loss_u: npt.ArrayLike = NAMEPLATE_LOSS_U
) -> FloatArray:
    """Standard uncertainty of a nameplate or table efficiency.

    Parameters
    ----------
    efficiency : array_like
        Motor efficiency. [-]
    relative_loss_u : array_like
        Standard uncertainty of the losses, as a part of them. [-]

    Returns
    -------
    ndarray
        Standard uncertainty of the efficiency, systematic. [-]

    Notes
    -----
    Nameplate efficiencies are graded by losses: the guaranteed minimum allows about 20 %
    more loss than the nominal value (NEMA MG 1 practice, from memory). Taken as a
    rectangular limit, that is 20 %/sqrt(3) of the losses: 0.6 points at 95 %. Below half
    load on the generic curve double it.

    Examples
    --------
    >>> round(float(motor_efficiency_u(0.95)), 4)
    0.0058
    """
    return finish((1.0 - as_float(efficiency)) * as_float(relative_loss_u))
