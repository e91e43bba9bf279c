"""Suction pressure: friction model, gauge health and filling of gaps.

`SuctionModel` fits one gauged pump, `SuctionLineModel` all pumps of one suction line.
Everything here is arrays and frames in SI units: no files, no clock.
"""

from .line import SuctionLineModel, typical_loss
from .model import DECLINE_REASONS, LossPrior, SuctionModel
from .posterior import LossPosterior

__all__ = [
    "DECLINE_REASONS",
    "LossPosterior",
    "LossPrior",
    "SuctionLineModel",
    "SuctionModel",
    "typical_loss",
]
