"""Suction pressure: friction model, gauge health and filling of gaps.

`SuctionModel` fits one gauged pump, `SuctionLineModel` all pumps of one suction line.
`hourly_rows` and `calibration_rows` make the rows they learn from, `check_gauge` keeps bad
gauges out, `fill_suction` chooses the value of every row and says where it came from.
Everything here is arrays and frames in SI units: no files, no clock.
"""

from .evidence import calibration_rows, hourly_rows
from .fill import FILL_COLUMNS, SOURCES, Estimate, estimate_with, fill_suction, level_only
from .findings import CHECK_COLUMNS, GaugeFacts
from .gauge_health import check_gauge, check_swapped, expected_reading, is_in_fault
from .line import SuctionLineModel, typical_loss
from .model import DECLINE_REASONS, LossPrior, SuctionModel
from .posterior import LossPosterior

__all__ = [
    "CHECK_COLUMNS",
    "DECLINE_REASONS",
    "FILL_COLUMNS",
    "SOURCES",
    "Estimate",
    "GaugeFacts",
    "LossPosterior",
    "LossPrior",
    "SuctionLineModel",
    "SuctionModel",
    "calibration_rows",
    "check_gauge",
    "check_swapped",
    "estimate_with",
    "expected_reading",
    "fill_suction",
    "hourly_rows",
    "is_in_fault",
    "level_only",
    "typical_loss",
]
