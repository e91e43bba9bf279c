"""How far the water in a well falls while it is pumped, and how deep an inlet must lie in it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.hydraulics._numeric import STANDARD_GRAVITY, FloatArray, as_float, finish
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.head import velocity
from pipeline.hydraulics.propagation import propagate

__all__ = ["drawdown", "drawdown_uncertainty", "minimum_submergence"]


def drawdown(
    flow: npt.ArrayLike, aquifer_loss: npt.ArrayLike, well_loss: npt.ArrayLike
) -> FloatArray:
    """Drawdown in a pumped well by Jacob's equation.

    Parameters
    ----------
    flow : array_like
        Flow drawn from the well; a reversed flow raises the water. [m3/s]
    aquifer_loss : array_like
        B, laminar losses of aquifer and screen, at the time for which it was found. [s/m2]
    well_loss : array_like
        C, turbulent losses of screen and casing. [s2/m5]

    Returns
    -------
    ndarray
        Fall of the water below its static level. [m]

    Notes
    -----
    s = B Q + C Q |Q| [1]_. B grows with the logarithm of the time since pumping began; after
    the first hour or so that growth is slow, and before it the equation does not hold.

    References
    ----------
    .. [1] C. E. Jacob, Drawdown test to determine effective radius of artesian well,
       Transactions ASCE 112 (1947), pages 1047-1064 (from memory).

    Examples
    --------
    >>> round(float(drawdown(0.02, 250.0, 3000.0)), 2)
    6.2
    """
    q = as_float(flow)
    return finish(as_float(aquifer_loss) * q + as_float(well_loss) * q * np.abs(q))


def drawdown_uncertainty(
    flow: npt.ArrayLike,
    aquifer_loss: npt.ArrayLike,
    well_loss: npt.ArrayLike,
    flow_u: Uncertainty,
    aquifer_loss_u: npt.ArrayLike,
    well_loss_u: npt.ArrayLike,
) -> Uncertainty:
    """Uncertainty of the drawdown.

    Parameters
    ----------
    flow : array_like
        Flow drawn from the well. [m3/s]
    aquifer_loss : array_like
        B. [s/m2]
    well_loss : array_like
        C. [s2/m5]
    flow_u : Uncertainty
        Of the flow. [m3/s]
    aquifer_loss_u : array_like
        Standard uncertainty of B; all of it systematic. [s/m2]
    well_loss_u : array_like
        Standard uncertainty of C; all of it systematic. [s2/m5]

    Returns
    -------
    Uncertainty
        Of the drawdown. [m]

    Notes
    -----
    B and C from one step test are correlated, mostly negatively; taken as independent, the
    drawdown at the flows of the test comes out more uncertain than it is.

    Examples
    --------
    >>> none = Uncertainty(0.0, 0.0)
    >>> u = drawdown_uncertainty(0.02, 250.0, 3000.0, none, 20.0, 750.0)
    >>> round(float(u.systematic), 3)
    0.5
    """
    q = as_float(flow)
    zero = np.zeros_like(q)
    return propagate(
        {
            "flow": as_float(aquifer_loss) + 2.0 * as_float(well_loss) * np.abs(q),
            "aquifer_loss": q,
            "well_loss": q * np.abs(q),
        },
        {
            "flow": flow_u,
            "aquifer_loss": Uncertainty(as_float(aquifer_loss_u) + zero, zero),
            "well_loss": Uncertainty(as_float(well_loss_u) + zero, zero),
        },
    )


def minimum_submergence(flow: npt.ArrayLike, inlet_diameter: npt.ArrayLike) -> FloatArray:
    """Least depth of a pump's inlet bell below the water, so that it draws no air.

    Parameters
    ----------
    flow : array_like
        Flow into the bell. [m3/s]
    inlet_diameter : array_like
        Outside diameter of the bell. [m]

    Returns
    -------
    ndarray
        Submergence at which strong vortices to the surface begin. [m]

    Notes
    -----
    S = D (1 + 2.3 F), F = v / sqrt(g D) with the velocity at the bell: ANSI/HI 9.8, Rotodynamic
    Pumps for Pump Intake Design (from memory). A poor approach to the bell needs more.

    Examples
    --------
    >>> round(float(minimum_submergence(0.35, 0.6)), 3)
    1.304
    """
    d = as_float(inlet_diameter)
    froude = np.abs(velocity(flow, d)) / np.sqrt(STANDARD_GRAVITY * d)
    return finish(d * (1.0 + 2.3 * froude))
