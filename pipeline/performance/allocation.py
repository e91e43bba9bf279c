"""Share the flow of one meter among the pumps that run on it, by their curves.

Every running pump's measured head says, through its own head curve, how much it passes; the
meter says what all of them pass together. Where the two disagree, each pump takes a part of
the difference as large as its curve is uncertain there: a flat curve says little of the flow
and takes most. The result is a best estimate for energy and volume, never a measurement: a
curve must not be trained, compared or trended on a flow that it allocated itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import RangeError
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.performance._pump_curve import PumpCurve

CURVE_CHANGE_U = 0.01
"""How far a head curve may have moved since it was learned, part of the head (k = 1) [-].
Assumed, no source."""

EXTENSION_U = 0.5
"""Standard uncertainty of what a curve changes beyond its stated range, part of the change
[-]. Assumed, no source."""

RATED_U = 0.5
"""How well the flow of a running pump is known before any reading, part of its flow at best
efficiency (k = 1) [-]. Assumed, no source."""

MOST_U = 0.15
"""Largest relative standard uncertainty with which a flow is still allocated [-]."""

ITERATIONS = 12
_STEP = 0.25

Floats = NDArray[np.float64]

__all__ = ["Allocation", "SharedPump", "allocate_flow"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedPump:
    """One of the pumps that run together on a meter, over n intervals.

    Parameters
    ----------
    curve : PumpCurve
        Its head curve at reference speed, with status 'ok'.
    total_head : ndarray
        Measured total head; NaN where it is not known [m].
    total_head_u : Uncertainty
        Its standard uncertainty [m].
    speed_ratio : ndarray
        Speed over reference speed [-].
    """

    curve: PumpCurve
    total_head: Floats
    total_head_u: Uncertainty
    speed_ratio: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Allocation:
    """Flows of k pumps in n intervals.

    Parameters
    ----------
    flow : ndarray of shape (k, n)
        NaN where the flow is not allocated; each column adds up to the meter [m3/s].
    flow_u : Uncertainty
        Its standard uncertainty, arrays of the same shape [m3/s].
    difference : ndarray of shape (n,)
        The meter less what the curves alone would say, NaN where unknown [m3/s].
    status : ndarray of shape (n,)
        'ok', 'no_meter' or 'undetermined' (some flow is less certain than ``MOST_U``).
    """

    flow: Floats
    flow_u: Uncertainty
    difference: Floats
    status: NDArray[np.object_]


def allocate_flow(
    pumps: Sequence[SharedPump],
    metered_flow: Floats,
    metered_flow_u: Uncertainty,
    most_u: float = MOST_U,
) -> Allocation:
    """Split a metered flow among the pumps that pass it.

    Parameters
    ----------
    pumps : sequence of SharedPump
        All that ran in these intervals and have no meter of their own, one or more [-].
    metered_flow : ndarray of shape (n,)
        What they pass together [m3/s].
    metered_flow_u : Uncertainty
        Its standard uncertainty [m3/s].
    most_u : float
        Relative standard uncertainty beyond which a flow is not allocated [-].

    Returns
    -------
    Allocation
        Flows that add up to the meter, with their uncertainty.

    Raises
    ------
    RangeError
        Without pumps, or with a curve that answers nothing.

    Notes
    -----
    Least squares with the sum as a constraint: each flow minimises
    ((H - H_c(Q)) / u_H)**2 + ((Q - Q_rated) / u_rated)**2 under sum Q = Q_meter, by
    Gauss-Newton steps. u_H joins the head's and the curve's uncertainty; the second term is
    weak and only speaks where heads are missing or curves flat. Each pump's part of the
    difference goes as the variance of its flow (adjustment of observations under a condition:
    E. M. Mikhail, Observations and Least Squares, 1976, from memory). A difference larger than
    its uncertainty widens what the curves leave open by the ratio (R. T. Birge, Phys. Rev. 40
    (1932) 207).

    Beyond its stated range a curve is continued as a parabola in the flow with half its change
    as uncertainty, for pumps that run together run further back than alone.

    Valid for pumps of which all the flow passes the meter, none of it through standing pumps.
    """
    if not pumps or any(pump.curve.status_ != "ok" for pump in pumps):
        raise RangeError("A flow is shared among one or more pumps, each with a curve that is ok.")
    metered = np.asarray(metered_flow, dtype=float)
    shape = (len(pumps), len(metered))
    meter_systematic = np.broadcast_to(np.nan_to_num(metered_flow_u.systematic), metered.shape)
    meter_random = np.broadcast_to(np.nan_to_num(metered_flow_u.random), metered.shape)

    speed = np.array([np.broadcast_to(pump.speed_ratio, metered.shape) for pump in pumps])
    rated = speed * np.array([[_rated_flow(pump.curve)] for pump in pumps])
    flow = metered * rated / rated.sum(axis=0)
    rated_precision = 1.0 / (RATED_U * rated) ** 2
    with np.errstate(invalid="ignore", divide="ignore"):
        for _ in range(ITERATIONS):
            view = _look(pumps, flow, speed)
            precision = view.slope**2 / view.u**2 + rated_precision
            pull = view.slope * view.error / view.u**2 + rated_precision * (rated - flow)
            alone = pull / precision
            share = (1.0 / precision) / (1.0 / precision).sum(axis=0)
            missing = metered - (flow + alone).sum(axis=0)
            step = alone + share * missing
            # Far from the answer a step may overshoot; the sum is kept all the same.
            most = np.max(np.abs(step) / (_STEP * rated), axis=0)
            flow = flow + step / np.maximum(most, 1.0)

        view = _look(pumps, flow, speed)
        precision = view.slope**2 / view.u**2 + rated_precision
        variance = 1.0 / precision
        share = variance / variance.sum(axis=0)
        alone = (view.slope * view.error / view.u**2 + rated_precision * (rated - flow)) * variance
        difference = metered - (flow + alone).sum(axis=0)
        parts = {
            # What each kind of error does to a pump's flow if its own curve alone decided.
            "systematic": (view.slope * variance / view.u**2 * view.u_systematic) ** 2
            + rated_precision * variance**2,
            "random": (view.slope * variance / view.u**2 * view.u_random) ** 2,
        }
        meter = {"systematic": meter_systematic**2, "random": meter_random**2}
        expected = np.sqrt(sum(part.sum(axis=0) + meter[name] for name, part in parts.items()))
        widen = np.maximum(np.abs(difference) / expected, 1.0)
        spread = {
            name: np.sqrt(
                widen**2 * ((1.0 - share) ** 2 * part + share**2 * (part.sum(axis=0) - part))
                + share**2 * meter[name]
            )
            for name, part in parts.items()
        }
        total = np.hypot(spread["systematic"], spread["random"])
        sure = ((total <= most_u * flow) & (flow > 0.0)).all(axis=0)
    known = np.isfinite(metered) & np.isfinite(speed).all(axis=0)
    status = np.select([~known, ~sure], ["no_meter", "undetermined"], default="ok")
    ok = np.broadcast_to(known & sure, shape)
    return Allocation(
        flow=np.where(ok, flow, np.nan),
        flow_u=Uncertainty(
            np.where(ok, spread["systematic"], np.nan), np.where(ok, spread["random"], np.nan)
        ),
        difference=np.where(known, difference, np.nan),
        status=status.astype(object),
    )


@dataclass(frozen=True, slots=True)
class _View:
    """The curves at the flows of an iteration: (k, n) arrays at the actual speed."""

    error: Floats
    slope: Floats
    u_systematic: Floats
    u_random: Floats

    @property
    def u(self) -> Floats:
        return np.hypot(self.u_systematic, self.u_random)


def _look(pumps: Sequence[SharedPump], flow: Floats, speed: Floats) -> _View:
    error, slope = np.zeros_like(flow), np.zeros_like(flow)
    systematic, random = np.ones_like(flow), np.ones_like(flow)
    for i, pump in enumerate(pumps):
        head, lean, curve_u = _extended(pump.curve, flow[i] / speed[i])
        head, curve_u, lean = head * speed[i] ** 2, curve_u * speed[i] ** 2, lean * speed[i]
        missing = pump.total_head - head
        seen = np.isfinite(missing)
        error[i] = np.where(seen, missing, 0.0)
        # Without a head the curve says nothing: no slope, no pull.
        slope[i] = np.where(seen, lean, 0.0)
        u = pump.total_head_u
        moved = CURVE_CHANGE_U * head
        systematic[i] = np.sqrt(np.nan_to_num(u.systematic) ** 2 + curve_u**2 + moved**2)
        random[i] = np.maximum(np.nan_to_num(u.random), pump.curve.head_scatter_ * head)
    return _View(error, slope, systematic, random)


def _extended(curve: PumpCurve, flow: Floats) -> tuple[Floats, Floats, Floats]:
    """Head, slope and standard uncertainty at reference speed, continued beyond the range."""
    inside = np.clip(flow, curve.q_min_, curve.q_max_)
    head, u = curve.predict_head(inside, return_std=True)
    slope = curve.head_slope(inside)
    bent = slope / np.where(inside > 0.0, inside, np.inf)
    change = 0.5 * bent * (flow**2 - inside**2)
    beyond = np.where(flow == inside, slope, bent * flow)
    return head + change, beyond, np.hypot(u, EXTENSION_U * np.abs(change))


def _rated_flow(curve: PumpCurve) -> float:
    best = curve.best_efficiency_flow_
    return best if np.isfinite(best) else 0.5 * (curve.q_min_ + curve.q_max_)
