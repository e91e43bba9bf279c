"""Findings of gauge checks, and the small helpers the checks share."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from .solve import Array

FAULT = "fault"
SUSPECT = "suspect"
STUCK = "stuck"

CHECK_COLUMNS = ("start", "end", "check", "verdict", "magnitude", "magnitude_u", "evidence")
HOUR = pd.Timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class GaugeFacts:
    """What is declared about a gauge and what the checks may assume.

    Parameters
    ----------
    range_low, range_high : float
        Calibrated range [Pa gauge].
    gauge_u : float
        Systematic (calibration) uncertainty of the gauge [Pa].
    static_u : float
        Systematic uncertainty of the expected reading at rest [Pa].
    losses_u : float
        Uncertainty of the header losses in the expected reading at rest, while others run [Pa].
    resolution : float
        Smallest step the recorded value can take [Pa].
    stuck_move : float
        Movement of the expected reading that a frozen value must not sleep through [Pa].
    atmospheric_pressure : float
        Atmospheric pressure on site [Pa absolute].
    elevation_pressure : float
        rho g times the elevation used for the tap, to test its sign [Pa].
    tap_pressure : float
        rho g times the tap's elevation above its pump, entered by itself [Pa].
    unit_pressure : float
        What one unit of the tag is, as declared [Pa]; NaN where that is not known.
    """

    range_low: float = -101325.0
    range_high: float = float("inf")
    gauge_u: float = 500.0
    static_u: float = 300.0
    losses_u: float = 0.0
    resolution: float = 0.0
    stuck_move: float = 2000.0
    atmospheric_pressure: float = 101325.0
    elevation_pressure: float = 0.0
    tap_pressure: float = 0.0
    unit_pressure: float = float("nan")

    @property
    def rest_u(self) -> float:
        """Uncertainty of reading less expectation at rest [Pa]."""
        return float(np.sqrt(self.gauge_u**2 + self.static_u**2 + self.losses_u**2))


@dataclass(frozen=True, slots=True)
class Finding:
    """One interval in which a check found something."""

    start: pd.Timestamp
    end: pd.Timestamp
    check: str
    verdict: str
    magnitude: float
    magnitude_u: float
    evidence: str


def findings_frame(found: Sequence[Finding]) -> pd.DataFrame:
    """Table of findings, columns `CHECK_COLUMNS`, sorted by start and check.

    What one check found in intervals that overlap is one finding, of the larger size.
    """
    rows = [[getattr(item, name) for name in CHECK_COLUMNS] for item in _joined(found)]
    frame = pd.DataFrame(rows, columns=list(CHECK_COLUMNS))
    for name in ("start", "end"):
        frame[name] = pd.to_datetime(frame[name], utc=True).astype("datetime64[us, UTC]")
    for name in ("magnitude", "magnitude_u"):
        frame[name] = frame[name].astype("float64")
    return frame.sort_values(["start", "check"], ignore_index=True)


def _joined(found: Sequence[Finding]) -> list[Finding]:
    """Join findings of one check whose intervals share time."""
    result: list[Finding] = []
    for item in sorted(found, key=lambda f: (f.check, f.start, f.end)):
        last = result[-1] if result else None
        if last is None or last.check != item.check or item.start >= last.end:
            result.append(item)
            continue
        larger = max(last, item, key=lambda f: abs(f.magnitude))
        verdict = FAULT if FAULT in (last.verdict, item.verdict) else SUSPECT
        result[-1] = replace(larger, start=last.start, end=max(last.end, item.end), verdict=verdict)
    return result


def overlaps(item: Finding, others: Sequence[Finding]) -> bool:
    """Whether a finding shares time with any of the others."""
    return any(item.start < other.end and other.start < item.end for other in others)


def day_of(frame: pd.DataFrame) -> pd.DatetimeIndex:
    """Day each row of a frame belongs to, UTC."""
    return pd.DatetimeIndex(frame.index).floor("D")


def in_kpa(value: float) -> str:
    """Pressure in words for a reader [Pa in, kPa out]."""
    return f"{value / 1000.0:.2f} kPa"


def runs_of(mask: Array | np.ndarray, bridge: int = 0) -> list[tuple[int, int]]:
    """Return [first, last] of each run of True; gaps of up to `bridge` rows are joined."""
    where = np.flatnonzero(np.asarray(mask, dtype=bool))
    if where.size == 0:
        return []
    cut = np.flatnonzero(np.diff(where) > bridge + 1)
    first = where[np.r_[0, cut + 1]]
    last = where[np.r_[cut, where.size - 1]]
    return list(zip(first.tolist(), last.tolist(), strict=True))
