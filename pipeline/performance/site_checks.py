"""The checks on site that tell causes of a loss apart."""

from __future__ import annotations

from collections.abc import Sequence

CHECKS = {
    "suction_portable": "Read the suction pressure with a calibrated portable gauge beside the "
    "pump at a steady flow, and again with the pump off.",
    "discharge_portable": "Read the discharge pressure with a calibrated portable gauge at a "
    "steady flow.",
    "flow_portable": "Clamp a portable flow meter on the pump's own pipe, or draw a tank down "
    "over a measured time, and compare with the meter.",
    "power_portable": "Measure the motor's input power with a portable power analyser.",
    "shut_off": "Where the maker allows it, read the head briefly against a closed discharge "
    "valve and compare with the baseline's head near shut-off.",
    "strainer": "Read the pressure loss across the strainer and look into it.",
    "check_valves": "Close the isolating valve of each idle pump in turn and see whether the "
    "loss goes away.",
    "restart": "Stop and restart the pump, or run it backwards where the maker allows it, and "
    "see whether the loss clears.",
    "wait": "Let the pump run at its usual flows until enough steady points are known.",
}
"""Every check, in words for the site; isolation, lock-out and the site's permit come first."""

# Which causes a check confirms or rules out.
TELLS = {
    "suction_portable": {"suction_gauge", "suction_restriction"},
    "discharge_portable": {"discharge_gauge"},
    "flow_portable": {"flow_meter", "check_valve_leakage"},
    "power_portable": {"power_meter_or_motor"},
    "shut_off": {"impeller_damage", "suction_gauge", "discharge_gauge"},
    "strainer": {"suction_restriction"},
    "check_valves": {"check_valve_leakage"},
    "restart": {"reversible"},
}

__all__ = ["CHECKS", "TELLS", "best_check"]


def best_check(causes: Sequence[str]) -> str:
    """The check that would shrink a set of causes most, whatever it shows.

    Parameters
    ----------
    causes : sequence of str
        Causes not excluded.

    Returns
    -------
    str
        What to do on site.

    Notes
    -----
    A check leaves the causes it tells of, or the others; the best one leaves the fewest in its
    worse outcome. Equals go by the order of `CHECKS`, the easier ones first.

    Examples
    --------
    >>> best_check(["flow_meter", "internal_wear"])[:5]
    'Clamp'
    """
    inside = {name: len(tells & set(causes)) for name, tells in TELLS.items()}
    useful = {name: max(k, len(causes) - k) for name, k in inside.items() if k}
    if not useful:
        return CHECKS["wait"] if "insufficient_evidence" in causes else CHECKS["shut_off"]
    return CHECKS[min(useful, key=lambda name: useful[name])]
