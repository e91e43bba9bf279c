"""How head and power deviate over the range of flow, cause by cause."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import lsq_linear
from scipy.stats import chi2

from pipeline.performance.baseline import BaselineCurve

# Shapes are not exact: the affinity laws, the curve and "constant" errors all bend a little.
SHAPE_U = 0.003
LARGEST = {"leakage": 0.4, "head": 0.4, "power": 0.4, "flow": 0.3, "metres": 0.5}

Floats = NDArray[np.float64]

__all__ = ["SHAPE_U", "probabilities"]


@dataclass(frozen=True, slots=True)
class _Reference:
    """Baseline values at the flows of the signature."""

    flow: Floats
    head: Floats
    power: Floats

    @property
    def middle(self) -> float:
        return float(self.flow.mean())

    @property
    def middle_head(self) -> float:
        return float(self.head.mean())


def _linear_shapes(at: _Reference) -> dict[str, tuple[Floats, Floats, Floats]]:
    """Causes whose deviations are proportional to their sizes: columns and bounds.

    A column is the head deviations, then the power deviations, per unit of size.
    """
    none, ones = np.zeros(len(at.flow)), np.ones(len(at.flow))
    metres = at.middle_head / at.head

    def column(head: Floats, power: Floats) -> Floats:
        return np.concatenate([head, power])

    def shape(*sizes: tuple[Floats, float, float]) -> tuple[Floats, Floats, Floats]:
        columns, low, high = zip(*sizes, strict=True)
        return np.column_stack(columns), np.array(low), np.array(high)

    share, most_head, most_power = LARGEST["metres"], LARGEST["head"], LARGEST["power"]
    zero_error = column(metres, none)
    span_error = column(ones, none)
    return {
        # Head lost with up to twice as much power, as a smaller diameter takes; or head alone.
        "impeller_damage": shape(
            (column(-ones, none), 0.0, most_head), (column(-0.5 * ones, -ones), 0.0, most_power)
        ),
        "suction_restriction": shape(
            (column(-((at.flow / at.middle) ** 2) * metres, none), 0.0, most_head)
        ),
        "suction_gauge": shape((zero_error, -share, share), (span_error, -0.02, 0.02)),
        "discharge_gauge": shape((zero_error, -share, share), (span_error, -0.1, 0.1)),
        "power_meter_or_motor": shape((column(none, ones), -most_power, most_power)),
        "reversible": shape(
            (column(-ones, none), 0.0, most_head), (column(none, ones), -most_power, most_power)
        ),
    }


def _shifts(at: _Reference) -> dict[str, Floats]:
    """Causes that shift the flow axis: the shift at each size of a fine grid, by flow."""
    leak = np.linspace(0.0, LARGEST["leakage"], 201)[:, np.newaxis]
    meter = np.linspace(-LARGEST["flow"], LARGEST["flow"], 301)[:, np.newaxis]
    leakage = leak * at.middle * np.sqrt(at.head / at.middle_head)
    return {
        "internal_wear": leakage,
        "check_valve_leakage": leakage,
        # A reading low by a share: the pump runs further out on its curve than it says.
        "flow_meter": meter * at.flow,
    }


def probabilities(
    table: pd.DataFrame, baseline: BaselineCurve, wanted: set[str]
) -> dict[str, float]:
    """Probability, for each cause, of deviations at least this far from its best fit.

    Parameters
    ----------
    table : DataFrame
        Deviations by flow, as `pipeline.performance.causes.flow_signature` gives them [-].
    baseline : BaselineCurve
        The baseline they are from.
    wanted : set of str
        Causes asked about [-].

    Returns
    -------
    dict of str to float
        Those of them that have a shape [-].
    """
    flow = table["flow"].to_numpy(dtype=float)
    at = _Reference(flow, baseline.predict_head(flow), baseline.predict_power(flow))
    names = ("head_deviation", "power_deviation")
    seen = np.concatenate([table[name].to_numpy(dtype=float) for name in names])
    u = np.concatenate([np.hypot(table[f"{name}_u"].to_numpy(float), SHAPE_U) for name in names])
    found: dict[str, float] = {}
    for cause, (columns, low, high) in _linear_shapes(at).items():
        if cause in wanted:
            fit = lsq_linear(columns / u[:, np.newaxis], seen / u, bounds=(low, high))
            freedom = max(len(seen) - len(low), 1)
            found[cause] = float(chi2.sf(2.0 * fit.cost, freedom))
    for cause, shift in _shifts(at).items():
        if cause in wanted:
            # Along the curve inside its stated range, straight on from its end.
            inside = np.clip(flow + shift, baseline.q_min_, baseline.q_max_)
            rest = flow + shift - inside
            head = baseline.predict_head(inside) + baseline.head_slope(inside) * rest
            power = baseline.predict_power(inside) + baseline.power_slope(inside) * rest
            shown = np.hstack([head / at.head - 1.0, power / at.power - 1.0])
            squares = np.sum(((seen - shown) / u) ** 2, axis=1)
            found[cause] = float(chi2.sf(float(squares.min()), max(len(seen) - 1, 1)))
    return found
