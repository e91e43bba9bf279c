"""Water and pipe friction of the simulated station.

Density follows Kell (1975) as shortened in Tanaka's form, viscosity Vogel's equation; friction
factors come from the Colebrook equation as solved by the ``fluids`` library.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from fluids.friction import Colebrook

GRAVITY = 9.80665

Array = np.ndarray


def density(celsius: Array) -> Array:
    """Density of clean water [kg/m³] from its temperature [°C]."""
    t = celsius
    return 1000.0 * (1.0 - (t + 288.9414) * (t - 3.9863) ** 2 / (508929.2 * (t + 68.12963)))


def viscosity(celsius: Array) -> Array:
    """Dynamic viscosity of water [Pa·s] from its temperature [°C] (Vogel's equation)."""
    return 2.414e-5 * 10.0 ** (247.8 / (celsius + 133.15))


@dataclass(frozen=True)
class TruePipe:
    """A pipe as it really is: bore [m], length [m], roughness [m], sum of K [-]."""

    diameter: float
    length: float
    roughness: float
    k: float

    @property
    def area(self) -> float:
        """Cross-section [m²]."""
        return 0.25 * np.pi * self.diameter**2

    def resistance(self, flow: Array, rho: Array, mu: Array) -> Array:
        """Head loss over Q·|Q| [s²/m⁵] at a flow [m³/s]."""
        reynolds = np.maximum(rho * np.abs(flow) * self.diameter / (self.area * mu), 4000.0)
        grid, factor = _colebrook_table(self.roughness / self.diameter)
        friction = np.interp(np.log(reynolds), grid, factor)
        return (self.k + friction * self.length / self.diameter) / (2.0 * GRAVITY * self.area**2)


@cache
def _colebrook_table(relative_roughness: float) -> tuple[Array, Array]:
    # The exact solution is slow for millions of values; on this grid linear interpolation is
    # within 1e-5 of it.
    grid = np.linspace(np.log(4.0e3), np.log(1.0e7), 400)
    factor = [Colebrook(float(re), relative_roughness) for re in np.exp(grid)]
    return grid, np.array(factor)
