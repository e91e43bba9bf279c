"""Small helpers shared by the physics functions: array coercion and range checks."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError

FloatArray = npt.NDArray[np.float64]
OutOfRange = Literal["raise", "nan"]

STANDARD_GRAVITY = 9.80665
"""Standard acceleration of free fall [m/s2], exact by definition (3rd CGPM, 1901)."""


def as_float(value: npt.ArrayLike) -> FloatArray:
    """Read a scalar, sequence or array as float64 without copying when it already is.

    Parameters
    ----------
    value : array_like
        Anything NumPy can turn into numbers. [-]

    Returns
    -------
    ndarray
        The same numbers as float64; zero-dimensional for a scalar. [-]
    """
    return np.asarray(value, dtype=np.float64)


def finish(value: npt.ArrayLike) -> FloatArray:
    """Turn a zero-dimensional array into a NumPy scalar and leave other arrays alone.

    Parameters
    ----------
    value : array_like
        Result of a computation. [-]

    Returns
    -------
    ndarray or numpy.float64
        The result, with scalar input giving a scalar. [-]
    """
    result: FloatArray = as_float(value)[()]
    return result


def keep_in_range(
    name: str,
    value: FloatArray,
    low: float,
    high: float,
    unit: str,
    remedy: str,
    out_of_range: OutOfRange = "raise",
) -> FloatArray:
    """Check values against a validity range; NaN passes as NaN.

    Parameters
    ----------
    name : str
        Quantity in the user's words. [-]
    value : ndarray
        Values to check. [-]
    low, high : float
        Ends of the range, both allowed. [-]
    unit : str
        Unit to print beside the numbers. [-]
    remedy : str
        What the user can do about a value outside. [-]
    out_of_range : {'raise', 'nan'}
        Raise an error, or put NaN in the place of the value. [-]

    Returns
    -------
    ndarray
        The values, with NaN where they were outside and ``out_of_range`` is 'nan'. [-]

    Raises
    ------
    RangeError
        If a value is outside and ``out_of_range`` is 'raise'.
    """
    outside = (value < low) | (value > high)
    if not outside.any():
        return value
    if out_of_range == "nan":
        return np.where(outside, np.nan, value)
    bad = np.atleast_1d(value)[np.atleast_1d(outside)]
    count = f"{bad.size} of {value.size} values, the first " if value.size > 1 else ""
    raise RangeError(
        f"{name}: found {count}{bad[0]:.6g} {unit}; "
        f"expected {low:.6g} to {high:.6g} {unit}. {remedy}"
    )
