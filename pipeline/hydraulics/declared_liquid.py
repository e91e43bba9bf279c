"""Liquids that are not water, by the points of their data sheet."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import (
    FloatArray,
    OutOfRange,
    as_float,
    finish,
    keep_in_range,
)

__all__ = ["DeclaredLiquid", "density_from_specific_gravity"]

SPECIFIC_GRAVITY_REFERENCE_DENSITY = 999.0
"""Density of water at 15.6 °C (60 °F), to which trade specific gravities refer [kg/m3].

The IAPWS value is 999.017 kg/m3; common practice rounds it. An engineer who refers specific
gravity to 1000 kg/m3 differs by 0.1 %.
"""


def density_from_specific_gravity(
    specific_gravity: npt.ArrayLike,
    reference_density: float = SPECIFIC_GRAVITY_REFERENCE_DENSITY,
) -> FloatArray:
    """Density of a liquid of which only the specific gravity is known.

    Parameters
    ----------
    specific_gravity : array_like
        Density relative to the reference water. [-]
    reference_density : float
        Density of the water it refers to. [kg/m3]

    Returns
    -------
    ndarray
        Density. [kg/m3]

    Notes
    -----
    Specific gravity belongs to one temperature: a hot liquid is lighter than its data
    sheet says.

    Examples
    --------
    >>> float(density_from_specific_gravity(1.84, 1000.0))
    1840.0
    """
    return finish(as_float(specific_gravity) * reference_density)


@dataclass(frozen=True, slots=True)
class DeclaredLiquid:
    """A liquid described by points from its data sheet.

    Between points density is linear in temperature, and viscosity and vapour pressure are
    straight lines of their logarithm: against temperature for viscosity, against the
    reciprocal of temperature (Clausius-Clapeyron) for vapour pressure. One point means a
    constant, at any temperature.

    Parameters
    ----------
    temperatures : tuple of float
        Temperatures of the points, rising. [K]
    densities : tuple of float
        Density at each temperature. [kg/m3]
    vapour_pressures : tuple of float
        Absolute vapour pressure at each temperature; empty if unknown. [Pa]
    viscosities : tuple of float
        Dynamic viscosity at each temperature; empty if unknown. [Pa s]
    source : str
        Where the numbers come from. [-]
    out_of_range : {'raise', 'nan'}
        Raise an error outside the points' temperatures, or return NaN there. [-]

    Notes
    -----
    The change of density with pressure is ignored: about 0.05 % per 10 bar for water.
    A property that was not declared is NaN, never a guess.
    """

    temperatures: tuple[float, ...]
    densities: tuple[float, ...]
    vapour_pressures: tuple[float, ...] = ()
    viscosities: tuple[float, ...] = ()
    source: str = "declared"
    out_of_range: OutOfRange = "raise"

    def __post_init__(self) -> None:
        points = len(self.temperatures)
        if points == 0 or any(np.diff(self.temperatures) <= 0):
            raise RangeError(
                f"liquid temperatures: found {self.temperatures}; expected one or more, "
                "rising. Sort the points and remove repeats."
            )
        for name, values in (
            ("densities", self.densities),
            ("vapour pressures", self.vapour_pressures),
            ("viscosities", self.viscosities),
        ):
            optional = name != "densities"
            if not (len(values) == points or (optional and not values)):
                raise RangeError(
                    f"liquid {name}: found {len(values)} values; expected {points}, one for "
                    "each temperature. Give a value for every point."
                )
            if any(not v > 0 for v in values):
                raise RangeError(
                    f"liquid {name}: found {values}; expected values above zero. "
                    "Check their unit and sign."
                )

    def _between(
        self, values: tuple[float, ...], temperature: npt.ArrayLike, *, reciprocal: bool = False
    ) -> FloatArray:
        t = as_float(temperature)
        if not values:
            return np.full(t.shape, np.nan)
        if len(values) == 1:
            return np.where(np.isnan(t), np.nan, values[0])
        t = keep_in_range(
            f"temperature of the declared liquid ({self.source})",
            t,
            self.temperatures[0],
            self.temperatures[-1],
            "K",
            "Declare a point on the other side of it.",
            self.out_of_range,
        )
        nodes = as_float(self.temperatures)
        if reciprocal:
            # np.interp wants a rising axis, and -1/T rises with T.
            return np.interp(-1.0 / t, -1.0 / nodes, values)
        return np.interp(t, nodes, values)

    def density(self, temperature: npt.ArrayLike, pressure: npt.ArrayLike = 101325.0) -> FloatArray:
        """Density by linear interpolation.

        Parameters
        ----------
        temperature : array_like
            Temperature. [K]
        pressure : array_like
            Absolute pressure; only its shape and NaN matter. [Pa]

        Returns
        -------
        ndarray
            Density. [kg/m3]
        """
        value = self._between(self.densities, temperature)
        return finish(value + 0.0 * as_float(pressure))

    def vapour_pressure(self, temperature: npt.ArrayLike) -> FloatArray:
        """Vapour pressure by interpolation of its logarithm against 1/T.

        Parameters
        ----------
        temperature : array_like
            Temperature. [K]

        Returns
        -------
        ndarray
            Vapour pressure, absolute; NaN if not declared. [Pa]
        """
        logs = tuple(float(np.log(v)) for v in self.vapour_pressures)
        return finish(np.exp(self._between(logs, temperature, reciprocal=True)))

    def viscosity(
        self, temperature: npt.ArrayLike, pressure: npt.ArrayLike = 101325.0
    ) -> FloatArray:
        """Dynamic viscosity by interpolation of its logarithm.

        Parameters
        ----------
        temperature : array_like
            Temperature. [K]
        pressure : array_like
            Absolute pressure; only its shape and NaN matter. [Pa]

        Returns
        -------
        ndarray
            Dynamic viscosity; NaN if not declared. [Pa s]
        """
        logs = tuple(float(np.log(v)) for v in self.viscosities)
        return finish(np.exp(self._between(logs, temperature)) + 0.0 * as_float(pressure))
