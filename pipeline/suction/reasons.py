"""Reasons why a model does not serve a row."""

SERVED = ""
OUTSIDE_SEEN_FLOW = "outside_seen_flow"
UNSEEN_COMBINATION = "unseen_combination"
UNPHYSICAL_COEFFICIENT = "unphysical_coefficient"
SIDE_STREAM = "side_stream"
REGIME_CHANGE = "regime_change"
TOO_LITTLE_DATA = "too_little_data"
MISSING_INPUT = "missing_input"

DECLINE_REASONS = (
    SERVED,
    OUTSIDE_SEEN_FLOW,
    UNSEEN_COMBINATION,
    UNPHYSICAL_COEFFICIENT,
    SIDE_STREAM,
    REGIME_CHANGE,
    TOO_LITTLE_DATA,
    MISSING_INPUT,
)

__all__ = [
    "DECLINE_REASONS",
    "MISSING_INPUT",
    "OUTSIDE_SEEN_FLOW",
    "REGIME_CHANGE",
    "SERVED",
    "SIDE_STREAM",
    "TOO_LITTLE_DATA",
    "UNPHYSICAL_COEFFICIENT",
    "UNSEEN_COMBINATION",
]
