"""Where a pump ran against its best efficiency flow, and with what NPSH margin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from pipeline.hydraulics.npsh import npsh_required, time_below_npsh_margin
from pipeline.hydraulics.operating_region import (
    OperatingRegion,
    classify_region,
    flow_over_bep,
    time_by_region,
)
from pipeline.plant import CurvePoint, FlowRegion

Floats = NDArray[np.float64]

__all__ = ["OperatingHours", "operating_hours", "required_npsh"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OperatingHours:
    """Running time by region and by NPSH margin.

    Parameters
    ----------
    by_region : dict of str to float
        Time in each region of ``hydraulics.operating_region`` [s].
    below_npsh_margin : float
        Time with too small an NPSH margin; NaN where none could be told [s].
    npsh_assessed : float
        Time for which the margin could be told [s].
    """

    by_region: dict[str, float]
    below_npsh_margin: float
    npsh_assessed: float


def operating_hours(
    points: pd.DataFrame,
    interval_length: float,
    best_efficiency_flow: Floats,
    region: FlowRegion,
    npsh_curve: tuple[CurvePoint, ...],
) -> OperatingHours:
    """Sum the running time of one pump by region and NPSH margin.

    Parameters
    ----------
    points : DataFrame
        One row per running interval: ``flow`` [m3/s], ``speed_ratio`` [-] and
        ``npsh_available`` [m]; NaN where not known. Any index.
    interval_length : float
        Length of an interval [s].
    best_efficiency_flow : ndarray
        Of each row, at reference speed; NaN where not known [m3/s].
    region : FlowRegion
        Limits, as parts of that flow.
    npsh_curve : tuple of CurvePoint
        The maker's curve; points without NPSH are passed over.

    Returns
    -------
    OperatingHours

    Notes
    -----
    The preferred region of 70 to 120 % is that of ANSI/HI 9.6.3-2012 as quoted in a trade
    journal (secondary source); the allowable region is the maker's. Minimum NPSH margin: that
    of ``hydraulics.npsh.is_below_npsh_margin``.
    """
    limits = OperatingRegion(
        region.preferred_low, region.preferred_high, region.allowable_low, region.allowable_high
    )
    part = flow_over_bep(points["flow"], best_efficiency_flow, points["speed_ratio"])
    times = time_by_region(classify_region(part, limits), interval_length)
    below = time_below_npsh_margin(
        points["npsh_available"],
        required_npsh(points["flow"].to_numpy(), points["speed_ratio"].to_numpy(), npsh_curve),
        interval_length,
    )
    return OperatingHours(
        by_region=dict(times),
        below_npsh_margin=below.below if below.assessed > 0.0 else np.nan,
        npsh_assessed=below.assessed,
    )


def required_npsh(flow: Floats, speed_ratio: Floats, curve: tuple[CurvePoint, ...]) -> Floats:
    """NPSH the maker asks for.

    Parameters
    ----------
    flow : ndarray
        Pump flow [m3/s].
    speed_ratio : ndarray
        Speed over reference speed [-].
    curve : tuple of CurvePoint
        Points in order of flow; those without NPSH are passed over.

    Returns
    -------
    ndarray
        NaN beyond the curve, or with fewer than two points [m].
    """
    known = [(point.flow, point.npsh) for point in curve if point.npsh is not None]
    if len(known) < 2:
        return np.full(np.shape(flow), np.nan)
    flows, heads = np.array(known, dtype=float).T
    return np.asarray(npsh_required(flow, flows, heads, speed_ratio))
