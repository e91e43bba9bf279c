"""Density, vapour pressure and viscosity of the pumped liquid.

Water follows IAPWS-IF97 (region 1 and saturation line) and the IAPWS 2008 viscosity
release, as computed by the ``iapws`` library. That library works one state at a time and
takes about 0.2 ms for each, so its results are tabulated once per process, on first use,
and read back with cubic splines.

The splines agree with the library to better than 5e-7 of density, 1e-8 of vapour pressure
and 1e-5 of viscosity over the whole range, which the test-suite checks away from the
nodes. IF97 itself is good to about 0.001 % in density here.

A liquid that is not water is declared by what its data sheet says: see ``DeclaredLiquid``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple, Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline, RectBivariateSpline

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import (
    FloatArray,
    OutOfRange,
    as_float,
    finish,
    keep_in_range,
)
from pipeline.hydraulics.declared_liquid import DeclaredLiquid, density_from_specific_gravity

__all__ = [
    "DeclaredLiquid",
    "Liquid",
    "Water",
    "density_from_specific_gravity",
    "water_density",
    "water_saturation_temperature",
    "water_vapour_pressure",
    "water_viscosity",
]

LOWEST_TEMPERATURE = 273.15
HIGHEST_TEMPERATURE = 523.15
HIGHEST_PRESSURE = 40.0e6

SATURATION_SLACK = 0.02
"""Part of the vapour pressure by which a reading may fall below it and count as noise [-].

A tapping on a deaerator sits on the saturation line, and its reading scatters about it.
"""


class _Tables(NamedTuple):
    log_vapour_pressure: CubicSpline
    reciprocal_saturation_temperature: CubicSpline
    density: RectBivariateSpline
    log_viscosity: RectBivariateSpline


@lru_cache(maxsize=1)
def _tables() -> _Tables:
    """Tabulate the library once; pressure is measured from the saturation line."""
    # Imported here because it costs most of a second, and only water needs it.
    from iapws import IAPWS97

    temperature = np.linspace(LOWEST_TEMPERATURE, HIGHEST_TEMPERATURE, 101)
    saturation = np.array([IAPWS97(T=float(t), x=0.0).P for t in temperature])
    # Fraction of the way from saturation to the highest pressure. A plain pressure axis
    # would need states below saturation, which are steam.
    fraction = np.linspace(0.0, 1.0, 9)
    density = np.empty((temperature.size, fraction.size))
    viscosity = np.empty_like(density)
    for i, (t, p_sat) in enumerate(zip(temperature, saturation, strict=True)):
        for j, x in enumerate(fraction):
            pressure = p_sat + x * (HIGHEST_PRESSURE * 1e-6 - p_sat)
            # On the line itself the library may answer with steam: ask for the liquid.
            state = IAPWS97(T=float(t), x=0.0) if j == 0 else IAPWS97(T=float(t), P=pressure)
            liquid = state.Liquid if j == 0 else state
            density[i, j] = liquid.rho
            viscosity[i, j] = liquid.mu
    return _Tables(
        CubicSpline(1.0 / temperature[::-1], np.log(saturation[::-1] * 1e6)),
        CubicSpline(np.log(saturation * 1e6), 1.0 / temperature),
        RectBivariateSpline(temperature, fraction, density, s=0),
        RectBivariateSpline(temperature, fraction, np.log(viscosity), s=0),
    )


def _in_range(temperature: npt.ArrayLike, out_of_range: OutOfRange) -> FloatArray:
    return keep_in_range(
        "water temperature",
        as_float(temperature),
        LOWEST_TEMPERATURE,
        HIGHEST_TEMPERATURE,
        "K",
        "Check the unit of the temperature tag, or declare the liquid's properties.",
        out_of_range,
    )


def _state(
    temperature: npt.ArrayLike, pressure: npt.ArrayLike, out_of_range: OutOfRange
) -> tuple[FloatArray, FloatArray]:
    """Return temperature and the pressure fraction above saturation, both checked."""
    t, p = np.broadcast_arrays(_in_range(temperature, out_of_range), as_float(pressure))
    p = keep_in_range(
        "absolute water pressure",
        p,
        0.0,
        HIGHEST_PRESSURE,
        "Pa",
        "Give absolute pressure; check the unit of the pressure tag.",
        out_of_range,
    )
    saturation = _vapour_pressure(t)
    boiling = p < saturation * (1.0 - SATURATION_SLACK)
    if boiling.any():
        if out_of_range == "raise":
            first = np.argmax(np.atleast_1d(boiling))
            t_bad, p_bad, s_bad = (np.atleast_1d(a)[first] for a in (t, p, saturation))
            raise RangeError(
                f"absolute water pressure: found {p_bad:.6g} Pa at {t_bad:.6g} K; expected "
                f"at least the vapour pressure {s_bad:.6g} Pa, below which water boils. "
                "Give the absolute pressure in the pipe, or check both tags."
            )
        p = np.where(boiling, np.nan, p)
    fraction = np.maximum(p - saturation, 0.0) / (HIGHEST_PRESSURE - saturation)
    return t, fraction


def _vapour_pressure(temperature: FloatArray) -> FloatArray:
    # The spline would carry on happily with a NaN, and so it gives NaN.
    result: FloatArray = np.exp(_tables().log_vapour_pressure(1.0 / temperature))
    return result


def _spline(table: RectBivariateSpline, t: FloatArray, fraction: FloatArray) -> FloatArray:
    known = np.isfinite(t) & np.isfinite(fraction)
    out = np.full(t.shape, np.nan)
    out[known] = table.ev(t[known], fraction[known])
    return out


def water_density(
    temperature: npt.ArrayLike,
    pressure: npt.ArrayLike = 101325.0,
    *,
    out_of_range: OutOfRange = "raise",
) -> FloatArray:
    """Density of liquid water.

    Parameters
    ----------
    temperature : array_like
        Temperature. [K]
    pressure : array_like
        Absolute pressure. [Pa]
    out_of_range : {'raise', 'nan'}
        Raise an error outside the validity range, or return NaN there. [-]

    Returns
    -------
    ndarray
        Density. [kg/m3]

    Raises
    ------
    RangeError
        Outside 273.15 to 523.15 K, above 40 MPa, or below the vapour pressure by more
        than 2 % of it.

    Notes
    -----
    IAPWS-IF97 region 1 [1]_. A pressure up to 2 % below the vapour pressure is taken as a
    noisy reading of saturated liquid.

    References
    ----------
    .. [1] IAPWS R7-97(2012), Revised Release on the IAPWS Industrial Formulation 1997,
       equation 7.

    Examples
    --------
    >>> round(float(water_density(298.15)), 3)
    997.048
    """
    t, fraction = _state(temperature, pressure, out_of_range)
    return finish(_spline(_tables().density, t, fraction))


def water_vapour_pressure(
    temperature: npt.ArrayLike, *, out_of_range: OutOfRange = "raise"
) -> FloatArray:
    """Absolute pressure at which water boils.

    Parameters
    ----------
    temperature : array_like
        Temperature. [K]
    out_of_range : {'raise', 'nan'}
        Raise an error outside the validity range, or return NaN there. [-]

    Returns
    -------
    ndarray
        Vapour pressure, absolute. [Pa]

    Raises
    ------
    RangeError
        Outside 273.15 to 523.15 K.

    Notes
    -----
    IAPWS-IF97 saturation line [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), equation 30.

    Examples
    --------
    >>> round(float(water_vapour_pressure(293.15)), 1)
    2339.2
    """
    return finish(_vapour_pressure(_in_range(temperature, out_of_range)))


def water_saturation_temperature(
    pressure: npt.ArrayLike, *, out_of_range: OutOfRange = "raise"
) -> FloatArray:
    """Temperature at which water boils.

    Parameters
    ----------
    pressure : array_like
        Absolute pressure. [Pa]
    out_of_range : {'raise', 'nan'}
        Raise an error outside the validity range, or return NaN there. [-]

    Returns
    -------
    ndarray
        Saturation temperature. [K]

    Raises
    ------
    RangeError
        Outside 611.21 Pa to 3.976 MPa, the saturation pressures of 273.15 and 523.15 K.

    Notes
    -----
    The IAPWS-IF97 saturation line read backwards [1]_.

    References
    ----------
    .. [1] IAPWS R7-97(2012), equation 31.

    Examples
    --------
    >>> round(float(water_saturation_temperature(101325.0)) - 273.15, 2)
    99.97
    """
    line = _tables().reciprocal_saturation_temperature
    lowest, highest = (float(np.exp(edge)) for edge in line.x[[0, -1]])
    p = keep_in_range(
        "absolute pressure on boiling water",
        as_float(pressure),
        lowest,
        highest,
        "Pa",
        "Give absolute pressure; check the unit of the pressure tag.",
        out_of_range,
    )
    return finish(1.0 / line(np.log(p)))


def water_viscosity(
    temperature: npt.ArrayLike,
    pressure: npt.ArrayLike = 101325.0,
    *,
    out_of_range: OutOfRange = "raise",
) -> FloatArray:
    """Dynamic viscosity of liquid water.

    Parameters
    ----------
    temperature : array_like
        Temperature. [K]
    pressure : array_like
        Absolute pressure. [Pa]
    out_of_range : {'raise', 'nan'}
        Raise an error outside the validity range, or return NaN there. [-]

    Returns
    -------
    ndarray
        Dynamic viscosity. [Pa s]

    Raises
    ------
    RangeError
        As for ``water_density``.

    Notes
    -----
    IAPWS R12-08 [1]_ at the IF97 density. Its uncertainty in the liquid is 1 to 2 %.

    References
    ----------
    .. [1] IAPWS R12-08, Release on the IAPWS Formulation 2008 for the Viscosity of
       Ordinary Water Substance.

    Examples
    --------
    >>> round(float(water_viscosity(298.15)) * 1e6, 1)
    890.0
    """
    t, fraction = _state(temperature, pressure, out_of_range)
    return finish(np.exp(_spline(_tables().log_viscosity, t, fraction)))


@runtime_checkable
class Liquid(Protocol):
    """What every liquid answers; ``Water`` and ``DeclaredLiquid`` do."""

    def density(self, temperature: npt.ArrayLike, pressure: npt.ArrayLike) -> FloatArray:
        """Density [kg/m3] at temperature [K] and absolute pressure [Pa]."""

    def vapour_pressure(self, temperature: npt.ArrayLike) -> FloatArray:
        """Absolute vapour pressure [Pa] at temperature [K]."""

    def viscosity(self, temperature: npt.ArrayLike, pressure: npt.ArrayLike) -> FloatArray:
        """Dynamic viscosity [Pa s] at temperature [K] and absolute pressure [Pa]."""


@dataclass(frozen=True, slots=True)
class Water:
    """Ordinary water by IAPWS-IF97.

    Parameters
    ----------
    out_of_range : {'raise', 'nan'}
        Raise an error outside the validity range, or return NaN there. [-]
    """

    out_of_range: OutOfRange = "raise"

    def density(self, temperature: npt.ArrayLike, pressure: npt.ArrayLike = 101325.0) -> FloatArray:
        """Density: see ``water_density``.

        Parameters
        ----------
        temperature : array_like
            Temperature. [K]
        pressure : array_like
            Absolute pressure. [Pa]

        Returns
        -------
        ndarray
            Density. [kg/m3]
        """
        return water_density(temperature, pressure, out_of_range=self.out_of_range)

    def vapour_pressure(self, temperature: npt.ArrayLike) -> FloatArray:
        """Vapour pressure: see ``water_vapour_pressure``.

        Parameters
        ----------
        temperature : array_like
            Temperature. [K]

        Returns
        -------
        ndarray
            Vapour pressure, absolute. [Pa]
        """
        return water_vapour_pressure(temperature, out_of_range=self.out_of_range)

    def viscosity(
        self, temperature: npt.ArrayLike, pressure: npt.ArrayLike = 101325.0
    ) -> FloatArray:
        """Viscosity: see ``water_viscosity``.

        Parameters
        ----------
        temperature : array_like
            Temperature. [K]
        pressure : array_like
            Absolute pressure. [Pa]

        Returns
        -------
        ndarray
            Dynamic viscosity. [Pa s]
        """
        return water_viscosity(temperature, pressure, out_of_range=self.out_of_range)
