"""Mistakes of unit, datum or tag mapping, told by the ratio or difference at rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .solve import Array

# Pascals per unit, exact or as defined by convention (NIST SP 811, appendix B.8; water and
# mercury columns are the conventional ones: 1000 and 13595.1 kg/m3).
PRESSURE_UNITS = {
    "kPa": 1000.0,
    "psi": 6894.757293168361,
    "bar": 100000.0,
    "mbar": 100.0,
    "MPa": 1.0e6,
    "mH2O": 9806.65,
    "ftH2O": 2989.06692,
    "inHg": 3386.388640341,
}
# How often each mistake is met, roughly (judgement, no source): it only orders explanations
# that fit equally well.
COMMON_PAIRS = frozenset({"kPa", "psi", "bar"})
RARE = 0.02
FAR = 10.0

__all__ = ["PRESSURE_UNITS", "MappingFacts", "Mistake", "mapping_mistakes"]


@dataclass(frozen=True, slots=True)
class MappingFacts:
    """What a mistake is judged with.

    Parameters
    ----------
    rest_u : float
        Uncertainty of reading less expectation at rest [Pa].
    atmospheric_pressure : float
        Atmospheric pressure on site [Pa absolute].
    tap_pressure : float
        rho g times the elevation of the tap above its pump [Pa].
    elevation_pressure : float
        rho g times the tap's elevation as entered [Pa].
    unit_pressure : float
        What one unit of the tag is, as declared [Pa]; NaN where that is not known, and then
        the values may be taken in any unit.
    """

    rest_u: float
    atmospheric_pressure: float = 101325.0
    elevation_pressure: float = 0.0
    tap_pressure: float = 0.0
    unit_pressure: float = float("nan")

    @property
    def taken(self) -> dict[str, float]:
        """Units the values may have been taken in, by name [Pa]."""
        if not np.isfinite(self.unit_pressure):
            return PRESSURE_UNITS
        names = [
            name
            for name, size in PRESSURE_UNITS.items()
            if abs(self.unit_pressure / size - 1.0) < 1e-3
        ]
        return {names[0] if names else "the declared unit": self.unit_pressure}


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake that explains the readings."""

    check: str
    sentence: str
    misfit: float
    frequency: float = 1.0

    @property
    def support(self) -> float:
        """Log plausibility: fit, and how often such a mistake is met [-]."""
        return float(np.log(self.frequency) - 0.5 * self.misfit**2)


def mapping_mistakes(reading: Array, expected: Array, facts: MappingFacts) -> list[Mistake]:
    """List the mistakes that explain readings at rest; several may, and none must.

    Parameters
    ----------
    reading, expected : array of shape (n,)
        Readings at rest and the static pressure due [Pa].
    facts : MappingFacts
        Uncertainty, atmospheric pressure, elevation.

    Returns
    -------
    list of Mistake
        Those that bring reading and expectation together, most plausible first, three
        at most. Empty when the readings are right as they are, or when nothing listed
        explains them.

    Notes
    -----
    A mistake explains the readings when, undone, their median differs from the expectation
    by less than 3 standard uncertainties *and* they move with the level as they should
    (rms within 3 as well). Constant errors of the level (datum, tank) remain possible: a
    difference at rest alone cannot tell a gauge from a level tag.
    """
    good = np.isfinite(reading) & np.isfinite(expected)
    reading, expected = reading[good], expected[good]
    if reading.size == 0:
        return []

    def misfit(undone: Array) -> float:
        rest = undone - expected
        return float(max(abs(np.median(rest)), np.sqrt(np.mean(rest**2))) / facts.rest_u)

    if misfit(reading) <= 3.0:
        return []
    atmosphere = facts.atmospheric_pressure
    found = [
        Mistake(
            "absolute_as_gauge",
            f"It fits an absolute pressure taken as gauge ({atmosphere / 1000:.1f} kPa high).",
            misfit(reading - atmosphere),
        ),
        Mistake(
            "gauge_as_absolute",
            f"It fits a gauge pressure with the atmosphere ({atmosphere / 1000:.1f} kPa) "
            "taken off once too often.",
            misfit(reading + atmosphere),
            0.3,
        ),
        Mistake(
            "vacuum_sign",
            "It fits a vacuum recorded as positive, or a sign turned round.",
            misfit(-reading),
            0.3,
        ),
    ]
    entered = {"": facts.elevation_pressure, " above its pump": facts.tap_pressure}
    for where, pressure in entered.items():
        if abs(pressure) <= 2.0 * facts.rest_u:
            continue
        # Entered z where -z was meant: static pressure is off by twice rho g z.
        found.append(
            Mistake(
                "elevation_sign",
                f"It fits a tap elevation{where} entered with the wrong sign.",
                misfit(reading - 2.0 * pressure),
                0.3,
            )
        )
    # Among many ratios one fits any small difference by chance; a unit is named only when
    # the readings are far off.
    far = abs(float(np.median(reading - expected))) > FAR * facts.rest_u
    size = max(float(np.median(np.abs(expected))), 1e-9)
    for taken, one in facts.taken.items() if far else ():
        for true, other in PRESSURE_UNITS.items():
            ratio = other / one
            # Ratios that cannot be told from 1 at this pressure are no finding.
            if taken == true or abs(1.0 / ratio - 1.0) * size <= 3.0 * facts.rest_u:
                continue
            found.append(
                Mistake(
                    "wrong_unit",
                    f"It fits values in {true} taken as {taken}.",
                    misfit(reading * ratio),
                    0.3 if {taken, true} <= COMMON_PAIRS else RARE,
                )
            )
    fitting = sorted((m for m in found if m.misfit <= 3.0), key=lambda m: -m.support)
    return fitting[:3]
