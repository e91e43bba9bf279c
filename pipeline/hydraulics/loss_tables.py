"""Published loss coefficients and wall roughnesses, kept as data with their source.

One author only: coefficients of different tables do not mix.
"""

from __future__ import annotations

from typing import Final

__all__ = ["LOSS_COEFFICIENTS", "LOSS_COEFFICIENT_SOURCE", "NEW_PIPE_ROUGHNESS"]

LOSS_COEFFICIENT_SOURCE: Final = "US EPA, EPANET 2.2 User Manual, Minor Loss Coefficients"

LOSS_COEFFICIENTS: Final = {
    "globe valve, fully open": 10.0,
    "angle valve, fully open": 5.0,
    "swing check valve, fully open": 2.5,
    "gate valve, fully open": 0.2,
    "short-radius elbow": 0.9,
    "medium-radius elbow": 0.8,
    "long-radius elbow": 0.6,
    "45 degree elbow": 0.4,
    "closed return bend": 2.2,
    "standard tee, flow through run": 0.6,
    "standard tee, flow through branch": 1.8,
    "square entrance": 0.5,
    "exit": 1.0,
}
"""Loss coefficient K of a fitting, referred to the velocity in its pipe [-]."""

NEW_PIPE_ROUGHNESS: Final = {
    "cast iron": 0.85e-3 * 0.3048,
    "galvanized iron": 0.5e-3 * 0.3048,
    "plastic": 0.005e-3 * 0.3048,
    "steel": 0.15e-3 * 0.3048,
}
"""Roughness of new pipe [m]: US EPA, EPANET 2.2 User Manual, Roughness Coefficients."""
