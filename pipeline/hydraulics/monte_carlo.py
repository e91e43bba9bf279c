"""Propagation of distributions by Monte Carlo (JCGM 101:2008).

The check on the linear law, and its replacement where one rectangular term dominates: there
the linear 95 % interval is too wide, because a rectangle has no tails.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import FloatArray, as_float
from pipeline.hydraulics.accuracy import Distribution

__all__ = ["InputDistribution", "Interval", "MonteCarloResult", "monte_carlo"]

FEWEST_DRAWS = 200


class Interval(NamedTuple):
    """A coverage interval.

    Parameters
    ----------
    low, high : ndarray
        Its ends. [-]
    """

    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, slots=True)
class InputDistribution:
    """What is known about one input.

    Parameters
    ----------
    centre : float
        Best estimate. [-]
    limit : float
        Half-width, or standard deviation, as ``distribution`` says. [-]
    distribution : {'rectangular', 'triangular', 'normal', 'normal_k2'}
        Shape. [-]
    degrees_of_freedom : float
        Of a normal input: when finite, Student's t is drawn (JCGM 101:2008, 6.4.9). [-]
    """

    centre: float
    limit: float
    distribution: Distribution = "normal"
    degrees_of_freedom: float = np.inf

    def sample(self, generator: np.random.Generator, draws: int) -> FloatArray:
        """Draw values.

        Parameters
        ----------
        generator : numpy.random.Generator
            Source of randomness. [-]
        draws : int
            How many. [-]

        Returns
        -------
        ndarray of shape (draws,)
            The values. [-]
        """
        if self.distribution == "rectangular":
            unit = generator.uniform(-1.0, 1.0, draws)
        elif self.distribution == "triangular":
            unit = generator.triangular(-1.0, 0.0, 1.0, draws)
        else:
            unit = self.standardise(generator.standard_normal(draws), generator)
        return self.centre + self.limit * unit

    def standardise(self, normal: FloatArray, generator: np.random.Generator) -> FloatArray:
        """Turn standard normal deviates into this input's deviates.

        Parameters
        ----------
        normal : ndarray
            Standard normal deviates. [-]
        generator : numpy.random.Generator
            Source of randomness for the degrees of freedom. [-]

        Returns
        -------
        ndarray
            Deviates in units of ``limit``. [-]
        """
        deviate = normal / (2.0 if self.distribution == "normal_k2" else 1.0)
        if np.isfinite(self.degrees_of_freedom):
            nu = self.degrees_of_freedom
            deviate = deviate * np.sqrt(nu / generator.chisquare(nu, normal.shape))
        return deviate


@dataclass(frozen=True, slots=True)
class MonteCarloResult:
    """Draws of the result.

    Parameters
    ----------
    draws : ndarray of shape (draws, ...)
        Values of the model. [-]
    """

    draws: FloatArray

    @property
    def mean(self) -> FloatArray:
        """Mean of the draws."""
        return np.asarray(self.draws.mean(axis=0))[()]

    @property
    def standard_uncertainty(self) -> FloatArray:
        """Standard deviation of the draws."""
        return np.asarray(self.draws.std(axis=0, ddof=1))[()]

    def interval(self, probability: float = 0.95) -> Interval:
        """Probabilistically symmetric coverage interval.

        Parameters
        ----------
        probability : float
            Coverage probability. [-]

        Returns
        -------
        Interval
            Its ends. [-]
        """
        tail = (1.0 - probability) / 2.0
        low, high = np.quantile(self.draws, [tail, 1.0 - tail], axis=0)
        return Interval(np.asarray(low)[()], np.asarray(high)[()])

    def shortest_interval(self, probability: float = 0.95) -> Interval:
        """Shortest coverage interval, which differs for a lopsided distribution.

        Parameters
        ----------
        probability : float
            Coverage probability. [-]

        Returns
        -------
        Interval
            Its ends. [-]
        """
        ordered = np.sort(self.draws, axis=0)
        inside = round(probability * ordered.shape[0])
        widths = ordered[inside:] - ordered[: ordered.shape[0] - inside]
        best = np.expand_dims(np.argmin(widths, axis=0), 0)
        low = np.take_along_axis(ordered, best, axis=0)[0]
        high = np.take_along_axis(ordered, best + inside, axis=0)[0]
        return Interval(low, high)


def monte_carlo(
    model: Callable[..., npt.ArrayLike],
    inputs: Mapping[str, InputDistribution],
    generator: np.random.Generator,
    draws: int = 100_000,
    correlations: Mapping[tuple[str, str], float] | None = None,
) -> MonteCarloResult:
    """Propagate distributions through a model.

    Parameters
    ----------
    model : callable
        Function of the inputs by keyword, vectorised over draws along the first axis. [-]
    inputs : mapping of str to InputDistribution
        What is known about each input. [-]
    generator : numpy.random.Generator
        Source of randomness. [-]
    draws : int
        Number of draws. [-]
    correlations : mapping of (str, str) to float, optional
        Correlation of two normal inputs. [-]

    Returns
    -------
    MonteCarloResult
        The draws of the result. [-]

    Raises
    ------
    RangeError
        If draws are too few, or a correlation names an input that is not normal, or the
        correlations contradict each other.

    Examples
    --------
    >>> result = monte_carlo(
    ...     lambda a, b: a + b,
    ...     {"a": InputDistribution(0.0, 3.0), "b": InputDistribution(0.0, 4.0)},
    ...     np.random.default_rng(7),
    ... )
    >>> round(float(result.standard_uncertainty), 1)
    5.0
    """
    if draws < FEWEST_DRAWS:
        raise RangeError(
            f"Monte Carlo draws: found {draws}; expected {FEWEST_DRAWS} or more. Fewer do "
            "not settle a 95 % interval."
        )
    samples = {name: d.sample(generator, draws) for name, d in inputs.items()}
    if correlations:
        names = sorted({n for pair in correlations for n in pair})
        bad = [n for n in names if n not in inputs or "normal" not in inputs[n].distribution]
        if bad:
            raise RangeError(
                f"correlated inputs: found {', '.join(bad)}; expected normal inputs of the "
                "model. Share a common input instead."
            )
        matrix = np.eye(len(names))
        for (a, b), r in correlations.items():
            i, j = names.index(a), names.index(b)
            matrix[i, j] = matrix[j, i] = r
        values, vectors = np.linalg.eigh(matrix)
        if values.min() < -1e-9:
            raise RangeError(
                f"correlations: found {dict(correlations)}; expected values that can hold "
                "together. Check their signs and sizes."
            )
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        deviates = root @ generator.standard_normal((len(names), draws))
        for name, deviate in zip(names, deviates, strict=True):
            d = inputs[name]
            samples[name] = d.centre + d.limit * d.standardise(deviate, generator)
    return MonteCarloResult(as_float(model(**samples)))
