"""Suction pressure: friction model, gauge health and filling of gaps.

`SuctionModel` fits one gauged pump, `SuctionLineModel` all pumps of one suction line.
`hourly_rows` and `calibration_rows` make the rows they learn from, `check_gauge` keeps bad
gauges out, `fill_suction` chooses the value of every row and says where it came from.
`track_friction` follows a fouling strainer, `rise_deficit` what the discharge side still knows.
Everything here is arrays and frames in SI units: no files, no clock.
"""

from .consistency import check_rise, month_deficit, rise_deficit, shortfall_of_days, widen
from .discharge_gauge import check_discharge_gauge, discharge_hours, expected_discharge
from .evidence import calibration_rows, hourly_rows
from .fill import FILL_COLUMNS, SOURCES, Estimate, estimate_with, fill_suction, level_only
from .findings import CHECK_COLUMNS, GaugeFacts
from .gauge_health import check_gauge, check_swapped, expected_reading, is_in_fault
from .level_doubt import doubt_of_level, level_or_gauge, with_doubt
from .line import SuctionLineModel
from .model import SuctionModel
from .month_friction import Friction, branch_residuals, follow_month, move_to_friction
from .posterior import LossPosterior
from .priors import LossPrior, typical_loss
from .reasons import DECLINE_REASONS
from .time_varying import FrictionTrack, track_friction
from .tracked_fit import fit_tracked

__all__ = [
    "CHECK_COLUMNS",
    "DECLINE_REASONS",
    "FILL_COLUMNS",
    "SOURCES",
    "Estimate",
    "Friction",
    "FrictionTrack",
    "GaugeFacts",
    "LossPosterior",
    "LossPrior",
    "SuctionLineModel",
    "SuctionModel",
    "branch_residuals",
    "calibration_rows",
    "check_discharge_gauge",
    "check_gauge",
    "check_rise",
    "check_swapped",
    "discharge_hours",
    "doubt_of_level",
    "estimate_with",
    "expected_discharge",
    "expected_reading",
    "fill_suction",
    "fit_tracked",
    "follow_month",
    "hourly_rows",
    "is_in_fault",
    "level_only",
    "level_or_gauge",
    "month_deficit",
    "move_to_friction",
    "rise_deficit",
    "shortfall_of_days",
    "track_friction",
    "typical_loss",
    "widen",
    "with_doubt",
]
