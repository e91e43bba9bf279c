"""Where a pump runs against its best efficiency point (BEP)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pipeline.errors import RangeError
from pipeline.hydraulics._numeric import STANDARD_GRAVITY, FloatArray, as_float, finish

__all__ = [
    "PREFERRED_REGION",
    "PREFERRED_REGION_HIGH_SPECIFIC_SPEED",
    "OperatingRegion",
    "classify_region",
    "flow_over_bep",
    "specific_speed",
    "time_by_region",
]

REGIONS: Final = ("below_allowable", "below_preferred", "preferred", "above_preferred",
                  "above_allowable", "unknown")  # fmt: skip
"""Every region a point can be in, from low to high flow."""


@dataclass(frozen=True, slots=True)
class OperatingRegion:
    """Preferred and allowable flow as parts of BEP flow.

    Parameters
    ----------
    preferred_low, preferred_high : float
        Preferred operating region. [-]
    allowable_low, allowable_high : float
        Allowable operating region: the pump maker sets it, and it has no default ratio; the
        defaults allow everything. [-]
    source : str
        Where the numbers come from. [-]
    """

    preferred_low: float
    preferred_high: float
    allowable_low: float = 0.0
    allowable_high: float = np.inf
    source: str = "declared"

    def __post_init__(self) -> None:
        order = (
            self.allowable_low,
            self.preferred_low,
            self.preferred_high,
            self.allowable_high,
        )
        if not (0.0 <= order[0] <= order[1] < order[2] <= order[3]):
            raise RangeError(
                f"operating region ({self.source}): found {order}; expected allowable low, "
                "preferred low, preferred high, allowable high in rising order. Give parts "
                "of BEP flow, not percent."
            )


PREFERRED_REGION: Final = OperatingRegion(
    0.70, 1.20, source="ANSI/HI 9.6.3-2012 as quoted in a trade journal (secondary source)"
)
"""For most rotodynamic pumps."""

PREFERRED_REGION_HIGH_SPECIFIC_SPEED: Final = OperatingRegion(
    0.80, 1.20, source="ANSI/HI 9.6.3-2012 as quoted in a trade journal (secondary source)"
)
"""Above a US specific speed of 4500. Other readers of the standard give 0.80 to 1.15."""


def flow_over_bep(
    flow: npt.ArrayLike, bep_flow: npt.ArrayLike, speed_ratio: npt.ArrayLike = 1.0
) -> FloatArray:
    """Flow as a part of the flow at BEP.

    Parameters
    ----------
    flow : array_like
        Volume flow through the pump. [m3/s]
    bep_flow : array_like
        BEP flow at reference speed. [m3/s]
    speed_ratio : array_like
        Speed over reference speed; BEP flow follows it. [-]

    Returns
    -------
    ndarray
        Part of BEP flow. [-]

    Examples
    --------
    >>> float(flow_over_bep(0.04, 0.1, 0.8))
    0.5
    """
    best = as_float(bep_flow) * as_float(speed_ratio)
    return finish(as_float(flow) / np.where(best > 0.0, best, np.nan))


def classify_region(
    part_of_bep: npt.ArrayLike, region: OperatingRegion = PREFERRED_REGION
) -> npt.NDArray[np.str_]:
    """Name the operating region of each point.

    Parameters
    ----------
    part_of_bep : array_like
        Flow over BEP flow. [-]
    region : OperatingRegion
        The limits. [-]

    Returns
    -------
    ndarray of str
        One of ``REGIONS``; 'unknown' for NaN. A limit itself is inside. [-]

    Examples
    --------
    >>> classify_region([0.5, 1.0, 1.3]).tolist()
    ['below_preferred', 'preferred', 'above_preferred']
    """
    x = as_float(part_of_bep)
    conditions = [
        np.isnan(x),
        x < region.allowable_low,
        x < region.preferred_low,
        x <= region.preferred_high,
        x <= region.allowable_high,
    ]
    names = ["unknown", "below_allowable", "below_preferred", "preferred", "above_preferred"]
    return np.asarray(np.select(conditions, names, default="above_allowable"))


def time_by_region(regions: npt.ArrayLike, duration: npt.ArrayLike) -> Mapping[str, float]:
    """Running time in each region.

    Parameters
    ----------
    regions : array_like of str
        Result of ``classify_region``. [-]
    duration : array_like
        Running time of each point. [s]

    Returns
    -------
    mapping of str to float
        Time by region, every region present. [s]

    Examples
    --------
    >>> time_by_region(["preferred", "preferred"], [60.0, 30.0])["preferred"]
    90.0
    """
    names, time = np.broadcast_arrays(np.asarray(regions), as_float(duration))
    return {r: float(np.nansum(np.where(names == r, time, 0.0))) for r in REGIONS}


def specific_speed(
    speed: npt.ArrayLike, bep_flow: npt.ArrayLike, bep_head: npt.ArrayLike
) -> FloatArray:
    """Dimensionless specific speed, omega sqrt(Q) / (g H)^(3/4).

    Parameters
    ----------
    speed : array_like
        Speed. [rev/s]
    bep_flow : array_like
        Flow at BEP, of one impeller eye. [m3/s]
    bep_head : array_like
        Head of one stage at BEP. [m]

    Returns
    -------
    ndarray
        Specific speed in radians. [-]

    Notes
    -----
    In US units (rpm, gpm, ft) multiply by 2733; the limit of 4500 there is 1.65 here.

    Examples
    --------
    >>> round(float(specific_speed(1750 / 60, 1000 * 6.30902e-5, 100 * 0.3048)), 3)
    0.64
    """
    omega = 2.0 * np.pi * as_float(speed)
    work = STANDARD_GRAVITY * as_float(bep_head)
    return finish(omega * np.sqrt(as_float(bep_flow)) / work**0.75)
