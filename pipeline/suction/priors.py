"""What is known of losses before any reading: drawings, or common practice."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .solve import Array

# A loss nobody has drawn, surveyed or measured: 100 kPa (10 m of water) at the reference
# flow, wide against any suction line that lets a pump live.
UNKNOWN_LOSS_U = 1.0e5
# Reference of a flow that was never seen: so small that an unknown loss stays unknown at any
# flow a pump can have [m3/s].
UNSEEN_FLOW = 1.0e-4

__all__ = ["LossPrior", "prior_of_losses", "reference_flows", "typical_loss"]


@dataclass(frozen=True, slots=True)
class LossPrior:
    """What is known of one loss before any reading: from drawings or earlier fits.

    Parameters
    ----------
    flow : float
        Flow the loss is stated at [m3/s].
    loss : float
        Pressure loss at that flow, without the velocity head at the tap [Pa].
    loss_u : float
        Standard uncertainty of the loss [Pa].
    is_drawn : bool
        False for a guess from common practice, which is no drawing.
    """

    flow: float
    loss: float
    loss_u: float
    is_drawn: bool = True

    def at(self, flow: float, exponent: float, exponent_u: float) -> tuple[float, float]:
        """Loss and its uncertainty at another flow [Pa]."""
        ratio = flow / self.flow
        factor = ratio**exponent
        loss = self.loss * factor
        spread = float(np.hypot(self.loss_u * factor, loss * np.log(ratio) * exponent_u))
        return loss, spread


def typical_loss(flow: float, velocity_pressure: float) -> LossPrior:
    """Prior of a branch nobody has drawn: 5 velocity heads, give or take 4.

    Parameters
    ----------
    flow : float
        Flow of the branch [m3/s].
    velocity_pressure : float
        Velocity pressure in the branch pipe at that flow [Pa].

    Returns
    -------
    LossPrior
        Loss at that flow [Pa].

    Notes
    -----
    Common practice, no source: an entrance or tee (0.5 to 1.8), a valve (0.2), one or two
    elbows (0.3 to 0.9 each), a strainer (1 to 3) and a few metres of pipe add up to 2 to 12
    velocity heads.
    """
    return LossPrior(flow, 5.0 * velocity_pressure, 4.0 * velocity_pressure, is_drawn=False)


def reference_flows(
    flows: Array, segments: Sequence[str], priors: Mapping[str, LossPrior] | None
) -> Array:
    """Flow each loss is stated at: where it was seen, so that offset and exponent decouple.

    Parameters
    ----------
    flows : array of shape (n, s)
        Flows of the rows [m3/s].
    segments : sequence of str
        Names of the losses.
    priors : mapping of str to LossPrior, optional
        Priors by name; their flow serves where none was seen.

    Returns
    -------
    array of shape (s,)
        Reference flows [m3/s].
    """
    reference = np.full(len(segments), UNSEEN_FLOW)
    for j, name in enumerate(segments):
        size = np.abs(flows[:, j][flows[:, j] != 0.0])
        if size.size:
            reference[j] = float(np.sqrt(np.mean(size**2)))
        elif priors and name in priors:
            reference[j] = priors[name].flow
    return reference


def prior_of_losses(
    segments: Sequence[str],
    reference: Array,
    priors: Mapping[str, LossPrior] | None,
    fixed_exponent: Mapping[str, float] | None,
    exponent: float,
    exponent_u: float,
) -> tuple[list[float], list[float]]:
    """Mean and uncertainty of each loss at its reference flow [Pa]; wide where unknown.

    Parameters
    ----------
    segments : sequence of str
        Names of the losses.
    reference : array of shape (s,)
        Reference flows [m3/s].
    priors : mapping of str to LossPrior, optional
        Priors by name.
    fixed_exponent : mapping of str to float, optional
        Exponents of losses that have their own [-].
    exponent, exponent_u : float
        Prior of the common exponent [-].
    """
    mean, spread = [], []
    for name, flow in zip(segments, reference, strict=True):
        prior = (priors or {}).get(name)
        if prior is None:
            mean.append(0.0)
            spread.append(UNKNOWN_LOSS_U)
            continue
        own = (fixed_exponent or {}).get(name)
        used, used_u = (exponent, exponent_u) if own is None else (float(own), 0.0)
        loss, loss_u = prior.at(float(flow), used, used_u)
        mean.append(loss)
        spread.append(loss_u)
    return mean, spread
