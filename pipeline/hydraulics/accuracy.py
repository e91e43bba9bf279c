"""What a data sheet says about an instrument, turned into standard uncertainties.

A data sheet gives limits: so many percent of span, of reading, a resolution, a drift per
year. Each becomes a standard uncertainty by its distribution (JCGM 100:2008, 4.3), and is
either systematic (the same for every reading until the next calibration) or random (new
with each reading). Averaging shrinks the random part alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import FloatArray, as_float, finish
from pipeline.hydraulics.coverage import effective_degrees_of_freedom

__all__ = [
    "AccuracyTerm",
    "Basis",
    "Distribution",
    "Effect",
    "InstrumentAccuracy",
    "Uncertainty",
]

Basis = Literal["span", "reading", "absolute", "resolution", "span_per_year", "reading_per_year"]
Effect = Literal["systematic", "random"]
Distribution = Literal["rectangular", "triangular", "normal", "normal_k2"]

_DIVISOR: Final[dict[str, float]] = {
    "rectangular": float(np.sqrt(3.0)),
    "triangular": float(np.sqrt(6.0)),
    "normal": 1.0,
    "normal_k2": 2.0,
}


class Uncertainty(NamedTuple):
    """Standard uncertainty (k = 1) with its systematic and random parts kept apart.

    Parameters
    ----------
    systematic : ndarray
        Part that is the same for every reading. [-]
    random : ndarray
        Part that is new with each reading. [-]
    """

    systematic: FloatArray
    random: FloatArray

    @property
    def combined(self) -> FloatArray:
        """Both parts in quadrature."""
        return finish(np.hypot(self.systematic, self.random))

    def averaged(self, effective_count: npt.ArrayLike) -> Uncertainty:
        """Uncertainty of a mean: the systematic part stays.

        Parameters
        ----------
        effective_count : array_like
            Number of independent readings in the mean. [-]

        Returns
        -------
        Uncertainty
            Of the mean. [-]

        Notes
        -----
        A number below 1 is no mean at all, and gives a random part of NaN.
        """
        count = as_float(effective_count)
        count = np.where(count < 1.0, np.nan, count)
        return Uncertainty(finish(self.systematic), finish(self.random / np.sqrt(count)))


@dataclass(frozen=True, slots=True)
class AccuracyTerm:
    """One line of a data sheet.

    Parameters
    ----------
    basis : str
        What the limit is a part of: 'span', 'reading', 'absolute', 'resolution' (the whole
        step), 'span_per_year' or 'reading_per_year' (drift since calibration). [-]
    limit : float
        The limit: a fraction, or for 'absolute' and 'resolution' in the quantity's SI
        unit. [-]
    effect : {'systematic', 'random'}
        Whether it stays the same from reading to reading. [-]
    distribution : {'rectangular', 'triangular', 'normal', 'normal_k2'}
        What the limit means: the half-width of a rectangle or triangle, one standard
        deviation, or two (an expanded uncertainty from a calibration certificate). [-]
    degrees_of_freedom : float
        How well the limit itself is known. [-]

    Notes
    -----
    u = limit/sqrt(3) for a rectangle, limit/sqrt(6) for a triangle, limit/2 for k = 2. A
    resolution of one step d has the half-width d/2, so u = d/sqrt(12)
    (JCGM 100:2008, F.2.2.1).
    """

    basis: Basis
    limit: float
    effect: Effect = "systematic"
    distribution: Distribution = "rectangular"
    degrees_of_freedom: float = np.inf

    def __post_init__(self) -> None:
        known = {
            "basis": (self.basis, Basis),
            "effect": (self.effect, Effect),
            "distribution": (self.distribution, Distribution),
        }
        for name, (value, kind) in known.items():
            allowed = kind.__args__  # type: ignore[attr-defined]
            if value not in allowed:
                raise RangeError(
                    f"accuracy {name}: found {value!r}; expected one of {', '.join(allowed)}."
                )
        if not (self.limit >= 0.0 and self.degrees_of_freedom > 0.0):
            raise RangeError(
                f"accuracy limit: found {self.limit!r} with {self.degrees_of_freedom!r} "
                "degrees of freedom; expected a limit of zero or more and degrees of "
                "freedom above zero. Leave out a term that is not known."
            )

    def standard(
        self, reading: npt.ArrayLike, span: float, years_since_calibration: npt.ArrayLike
    ) -> FloatArray:
        """Standard uncertainty of this term.

        Parameters
        ----------
        reading : array_like
            Reading, in the quantity's SI unit. [-]
        span : float
            Upper less lower end of the range, in the same unit. [-]
        years_since_calibration : array_like
            Time since the last calibration. [a]

        Returns
        -------
        ndarray
            Standard uncertainty, in the same unit. [-]
        """
        value = as_float(reading)
        years = np.maximum(as_float(years_since_calibration), 0.0)
        amount: dict[str, FloatArray] = {
            "span": as_float(span),
            "reading": np.abs(value),
            "absolute": as_float(1.0),
            "resolution": as_float(0.5),
            "span_per_year": span * years,
            "reading_per_year": np.abs(value) * years,
        }
        width = self.limit * amount[self.basis]
        # Adding zero times the reading gives every term its shape, and keeps NaN as NaN.
        return finish(width / _DIVISOR[self.distribution] + 0.0 * value)


@dataclass(frozen=True, slots=True)
class InstrumentAccuracy:
    """All lines of an instrument's data sheet.

    Parameters
    ----------
    low, high : float
        Range of the instrument, in the quantity's SI unit. [-]
    terms : tuple of AccuracyTerm
        The lines. [-]

    Examples
    --------
    A 0 to 4 bar transmitter: 0.25 % of span, 0.1 % of span drift per year, noise 200 Pa.

    >>> gauge = InstrumentAccuracy(0.0, 4e5, (
    ...     AccuracyTerm("span", 0.0025),
    ...     AccuracyTerm("span_per_year", 0.001),
    ...     AccuracyTerm("absolute", 200.0, "random", "normal"),
    ... ))
    >>> u = gauge.uncertainty(50000.0, years_since_calibration=2.0)
    >>> round(float(u.systematic), 1), float(u.random)
    (739.4, 200.0)
    """

    low: float
    high: float
    terms: tuple[AccuracyTerm, ...]

    def __post_init__(self) -> None:
        by_span = [t.basis for t in self.terms if t.basis.startswith("span")]
        if not self.high > self.low or (by_span and not np.isfinite(self.high - self.low)):
            raise RangeError(
                f"instrument range: found {self.low!r} to {self.high!r}; expected a finite "
                "range that rises. Give the range the transmitter is set to."
            )

    def uncertainty(
        self, reading: npt.ArrayLike, years_since_calibration: npt.ArrayLike = 0.0
    ) -> Uncertainty:
        """Standard uncertainty of readings, systematic and random.

        Parameters
        ----------
        reading : array_like
            Readings, in the quantity's SI unit. [-]
        years_since_calibration : array_like
            Time since the last calibration. [a]

        Returns
        -------
        Uncertainty
            In the same unit. [-]
        """
        span = self.high - self.low
        squares: dict[str, FloatArray] = {
            "systematic": 0.0 * as_float(reading),
            "random": 0.0 * as_float(reading),
        }
        for term in self.terms:
            u = term.standard(reading, span, years_since_calibration)
            squares[term.effect] = squares[term.effect] + u**2
        return Uncertainty(
            finish(np.sqrt(squares["systematic"])), finish(np.sqrt(squares["random"]))
        )

    def degrees_of_freedom(
        self, reading: npt.ArrayLike, years_since_calibration: npt.ArrayLike = 0.0
    ) -> FloatArray:
        """Effective degrees of freedom of the combined uncertainty of one reading.

        Parameters
        ----------
        reading : array_like
            Readings, in the quantity's SI unit. [-]
        years_since_calibration : array_like
            Time since the last calibration. [a]

        Returns
        -------
        ndarray
            By Welch-Satterthwaite; infinite where every term is well known. [-]

        Examples
        --------
        A calibration from ten readings, and a limit taken as certain.

        >>> gauge = InstrumentAccuracy(0.0, 4e5, (
        ...     AccuracyTerm("absolute", 570.0, "systematic", "normal", 9),
        ...     AccuracyTerm("absolute", 250.0, "systematic", "normal"),
        ... ))
        >>> round(float(gauge.degrees_of_freedom(1e5)), 1)
        12.8
        """
        span = self.high - self.low
        parts = [t.standard(reading, span, years_since_calibration) for t in self.terms]
        return effective_degrees_of_freedom(parts, [t.degrees_of_freedom for t in self.terms])
