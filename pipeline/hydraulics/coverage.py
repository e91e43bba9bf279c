"""From a standard to an expanded uncertainty: degrees of freedom and coverage factor."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import stats

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import FloatArray, as_float, finish

__all__ = ["coverage_factor", "effective_degrees_of_freedom"]


def effective_degrees_of_freedom(
    contributions: Sequence[npt.ArrayLike], degrees_of_freedom: Sequence[float]
) -> FloatArray:
    """Welch-Satterthwaite effective degrees of freedom.

    Parameters
    ----------
    contributions : sequence of array_like
        Contributions c_i u_i to the combined standard uncertainty. [-]
    degrees_of_freedom : sequence of float
        Degrees of freedom of each; infinite where well known. [-]

    Returns
    -------
    ndarray
        Effective degrees of freedom; infinite if every one is. [-]

    Raises
    ------
    RangeError
        If there are not as many degrees of freedom as contributions.

    Notes
    -----
    nu = u_c^4 / sum(c_i^4 u_i^4 / nu_i) (JCGM 100:2008, G.2b), for independent inputs.

    Examples
    --------
    >>> round(float(effective_degrees_of_freedom([0.57, 0.25], [9, float("inf")])), 1)
    12.8
    """
    parts = [as_float(c) for c in contributions]
    if len(parts) != len(degrees_of_freedom) or not parts:
        raise RangeError(
            f"degrees of freedom: found {len(degrees_of_freedom)} for {len(parts)} "
            "contributions; expected one for each."
        )
    total = sum((c**2 for c in parts), start=as_float(0.0))
    bottom = sum(
        (c**4 / nu for c, nu in zip(parts, degrees_of_freedom, strict=True)),
        start=as_float(0.0),
    )
    out = np.full(np.shape(total), np.inf)
    np.divide(total**2, bottom, out=out, where=bottom != 0.0)
    return finish(out)


def coverage_factor(
    degrees_of_freedom: npt.ArrayLike = np.inf, probability: float = 0.95
) -> FloatArray:
    """Factor from a standard to an expanded uncertainty.

    Parameters
    ----------
    degrees_of_freedom : array_like
        Effective degrees of freedom, not rounded down. [-]
    probability : float
        Coverage probability. [-]

    Returns
    -------
    ndarray
        Coverage factor of Student's t. [-]

    Examples
    --------
    >>> round(float(coverage_factor(16, 0.99)), 2)
    2.92
    """
    return finish(stats.t.ppf(0.5 + probability / 2.0, as_float(degrees_of_freedom)))
