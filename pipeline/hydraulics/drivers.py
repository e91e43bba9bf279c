"""Motors, drives, belts and gears: from electrical power to shaft power.

Where the power is measured decides what stands between the reading and the pump:

======================  ============================================================
``PowerPoint``          losses between the reading and the pump shaft
======================  ============================================================
``drive_input``         drive, motor, transmission (no drive: same as motor input)
``motor_input``         motor, transmission (a reading between drive and motor)
``motor_shaft``         transmission
``pump_shaft``          none (torque meter)
======================  ============================================================
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import FloatArray, as_float, finish
from pipeline.hydraulics.motors import (
    Enclosure,
    LoadCurve,
    Motor,
    minimum_motor_efficiency,
    motor_efficiency,
    motor_efficiency_u,
    motor_from_nameplate,
    motor_input_power,
    motor_output_power,
    published_part_load_curve,
)

__all__ = [
    "Drive",
    "DriveKind",
    "Enclosure",
    "LoadCurve",
    "Motor",
    "PowerPoint",
    "electrical_power",
    "minimum_motor_efficiency",
    "motor_efficiency",
    "motor_efficiency_u",
    "motor_from_nameplate",
    "motor_input_power",
    "motor_output_power",
    "published_part_load_curve",
    "shaft_power",
    "three_phase_power",
]

PowerPoint = Literal["drive_input", "motor_input", "motor_shaft", "pump_shaft"]
DriveKind = Literal["variable_speed", "belt", "gear"]
POWER_POINTS: Final = get_args(PowerPoint)


@dataclass(frozen=True, slots=True)
class Drive:
    """A variable-speed drive, belt or gear, by declared efficiency.

    Parameters
    ----------
    kind : {'variable_speed', 'belt', 'gear'}
        What it is. [-]
    load : tuple of float
        Output over rated output at each point, rising; one point means a constant. [-]
    efficiency : tuple of float
        Efficiency at each point. [-]
    source : str
        Where the numbers come from. [-]

    Notes
    -----
    No default efficiencies: none could be taken from a published table at hand. As a guide
    from memory: drive 0.95 to 0.98 near full load, V-belt 0.93 to 0.97, one gear stage 0.97
    to 0.99.
    """

    kind: DriveKind
    load: tuple[float, ...]
    efficiency: tuple[float, ...]
    source: str = "declared"

    def __post_init__(self) -> None:
        if self.kind not in get_args(DriveKind):
            raise RangeError(
                f"drive: found {self.kind!r}; expected one of {', '.join(get_args(DriveKind))}."
            )
        points = len(self.load)
        if points == 0 or points != len(self.efficiency) or (np.diff(self.load) <= 0.0).any():
            raise RangeError(
                f"drive curve ({self.source}): found loads {self.load} and efficiencies "
                f"{self.efficiency}; expected one of each for every point, with rising loads."
            )
        _efficiency(f"drive curve ({self.source})", self.efficiency)

    def efficiency_at(self, load: npt.ArrayLike) -> FloatArray:
        """Efficiency at a load; beyond the points it stays as at the last one.

        Parameters
        ----------
        load : array_like
            Output over rated output. [-]

        Returns
        -------
        ndarray
            Efficiency. [-]

        Examples
        --------
        >>> drive = Drive("variable_speed", (0.25, 1.0), (0.91, 0.97))
        >>> round(float(drive.efficiency_at(0.625)), 3)
        0.94
        """
        return finish(np.interp(as_float(load), self.load, self.efficiency))

    def output_power(self, input_power: npt.ArrayLike, rated_output_power: float) -> FloatArray:
        """Output of the drive for a measured input.

        Parameters
        ----------
        input_power : array_like
            Power into the drive. [W]
        rated_output_power : float
            Output at a load of 1. [W]

        Returns
        -------
        ndarray
            Power out of the drive. [W]

        Notes
        -----
        Efficiency depends on the output that is sought: a fixed point, repeated until it
        stands still, which it does fast because efficiency is nearly flat.

        Examples
        --------
        >>> drive = Drive("variable_speed", (0.25, 1.0), (0.91, 0.97))
        >>> round(float(drive.output_power(62.5 / 0.94, 100.0)), 6)
        62.5
        """
        drawn = as_float(input_power)
        out = drawn * self.efficiency[-1]
        for _ in range(60):
            out = drawn * as_float(self.efficiency_at(out / rated_output_power))
        return finish(out)


def three_phase_power(
    voltage: npt.ArrayLike, current: npt.ArrayLike, power_factor: npt.ArrayLike
) -> FloatArray:
    """Electrical power of a balanced three-phase supply, sqrt(3) U I cos(phi).

    Parameters
    ----------
    voltage : array_like
        Line-to-line voltage, mean of the phases. [V]
    current : array_like
        Line current, mean of the phases. [A]
    power_factor : array_like
        Power factor at this load. [-]

    Returns
    -------
    ndarray
        Electrical power. [W]

    Notes
    -----
    Power factor falls with load: a nameplate value at part load makes the power too high.

    Examples
    --------
    >>> round(float(three_phase_power(469.667, 37.0, 0.76667)) / 1000, 2)
    23.08
    """
    return finish(np.sqrt(3.0) * as_float(voltage) * as_float(current) * as_float(power_factor))


def shaft_power(
    electrical_power: npt.ArrayLike,
    motor: Motor,
    drive_efficiency: npt.ArrayLike = 1.0,
    transmission_efficiency: npt.ArrayLike = 1.0,
    measured_at: PowerPoint = "drive_input",
) -> FloatArray:
    """Power at the pump shaft from a measured power.

    Parameters
    ----------
    electrical_power : array_like
        Measured power, at the point named by ``measured_at``. [W]
    motor : Motor
        The motor. [-]
    drive_efficiency : array_like
        Efficiency of a variable-speed drive; 1 without one. [-]
    transmission_efficiency : array_like
        Efficiency of belt or gear; 1 for a direct coupling. [-]
    measured_at : {'drive_input', 'motor_input', 'motor_shaft', 'pump_shaft'}
        Where the power is measured. [-]

    Returns
    -------
    ndarray
        Power at the pump shaft; NaN where the motor draws less than its no-load input. [W]

    Raises
    ------
    RangeError
        If ``measured_at`` is unknown or an efficiency is not above 0 and at most 1.

    Examples
    --------
    >>> motor = Motor(rated_power=30000.0, full_load_efficiency=0.93)
    >>> round(float(shaft_power(30000.0 / 0.93 / 0.97, motor, drive_efficiency=0.97)), 3)
    30000.0
    """
    _check_power_point(measured_at)
    power = as_float(electrical_power)
    if measured_at == "drive_input":
        power = power * _efficiency("drive efficiency", drive_efficiency)
    if measured_at in ("drive_input", "motor_input"):
        power = as_float(motor_output_power(power, motor))
    if measured_at != "pump_shaft":
        power = power * _efficiency("transmission efficiency", transmission_efficiency)
    return finish(power)


def electrical_power(
    shaft_power: npt.ArrayLike,
    motor: Motor,
    drive_efficiency: npt.ArrayLike = 1.0,
    transmission_efficiency: npt.ArrayLike = 1.0,
    measured_at: PowerPoint = "drive_input",
) -> FloatArray:
    """Power that would be measured for a power at the pump shaft: `shaft_power` turned round.

    Parameters
    ----------
    shaft_power : array_like
        Power at the pump shaft. [W]
    motor : Motor
        The motor. [-]
    drive_efficiency, transmission_efficiency : array_like
        As for `shaft_power`. [-]
    measured_at : {'drive_input', 'motor_input', 'motor_shaft', 'pump_shaft'}
        Where the power is measured. [-]

    Returns
    -------
    ndarray
        Power at that point. [W]

    Raises
    ------
    RangeError
        As for `shaft_power`.

    Examples
    --------
    >>> motor = Motor(rated_power=30000.0, full_load_efficiency=0.93)
    >>> drawn = electrical_power(30000.0, motor, drive_efficiency=0.97)
    >>> round(float(drawn * 0.97 * 0.93), 3)
    30000.0
    """
    _check_power_point(measured_at)
    power = as_float(shaft_power)
    if measured_at != "pump_shaft":
        power = power / _efficiency("transmission efficiency", transmission_efficiency)
    if measured_at in ("drive_input", "motor_input"):
        power = as_float(motor_input_power(power, motor))
    if measured_at == "drive_input":
        power = power / _efficiency("drive efficiency", drive_efficiency)
    return finish(power)


def _check_power_point(measured_at: str) -> None:
    if measured_at not in POWER_POINTS:
        raise RangeError(
            f"power measured at: found {measured_at!r}; expected one of "
            f"{', '.join(POWER_POINTS)}. Say where the meter sits."
        )


def _efficiency(name: str, value: npt.ArrayLike) -> FloatArray:
    efficiency = as_float(value)
    if np.any(efficiency <= 0.0) or np.any(efficiency > 1.0):
        raise RangeError(
            f"{name}: found {np.nanmin(efficiency):.6g} to {np.nanmax(efficiency):.6g}; "
            "expected above 0 and at most 1. Give a fraction, not percent."
        )
    return efficiency
