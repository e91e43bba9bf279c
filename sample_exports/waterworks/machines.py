"""Pumps, motors and drives of the simulated station."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .water import GRAVITY, Array

POWER_BEND = -0.10
"""Second-order term of the power curve, part of the power at best efficiency [-]."""


@dataclass(frozen=True)
class TrueCurve:
    """Curves of a new pump at reference speed.

    With q = Q/Q_bep: head H/H_bep = 1 + s(1 - q^m), shaft power P/P_bep a parabola. The slope
    of the power curve and that of the head curve together put the best efficiency at q = 1.

    Parameters
    ----------
    flow_bep, head_bep, efficiency_bep : float
        Best efficiency point [m³/s], [m], [-].
    power_slope : float
        d(P/P_bep)/dq at q = 1: near 0.5 for low specific speed, near 0 for high [-].
    head_exponent : float
        m above [-].
    """

    flow_bep: float
    head_bep: float
    efficiency_bep: float
    power_slope: float
    head_exponent: float = 2.0

    @property
    def head_slope(self) -> float:
        """d(H/H_bep)/dq at q = 1 [-]."""
        return self.power_slope - 1.0

    def head(self, flow: Array, ratio: Array) -> tuple[Array, Array]:
        """Head [m] at a flow through the impeller and speed ratio, and its derivative."""
        q = np.maximum(flow, 1e-6) / (self.flow_bep * ratio)
        rise = -self.head_slope / self.head_exponent
        head = self.head_bep * ratio**2 * (1.0 + rise * (1.0 - q**self.head_exponent))
        slope = self.head_bep * ratio * self.head_slope * q ** (self.head_exponent - 1.0)
        return head, slope / self.flow_bep

    def power(self, flow: Array, ratio: Array, rho: Array) -> Array:
        """Shaft power [W] at a flow through the impeller."""
        q = np.maximum(flow, 0.0) / (self.flow_bep * ratio)
        at_bep = rho * GRAVITY * self.flow_bep * self.head_bep / self.efficiency_bep
        shut = 1.0 + POWER_BEND - self.power_slope
        linear = self.power_slope - 2.0 * POWER_BEND
        return at_bep * ratio**3 * (shut + linear * q + POWER_BEND * q**2)


@dataclass(frozen=True)
class TrueMotor:
    """A motor whose losses are a fixed part and a part that grows with load squared.

    Parameters
    ----------
    rated_power : float
        Shaft power [W].
    efficiency : float
        At full load [-].
    fixed_share : float
        Part of the full-load losses that does not depend on load [-].
    drive : bool
        Whether a variable-speed drive stands before it.
    """

    rated_power: float
    efficiency: float
    fixed_share: float = 0.40
    drive: bool = False

    def input_power(self, shaft: Array) -> Array:
        """Electrical power at the meter [W] for a shaft power [W]."""
        load = shaft / self.rated_power
        full_losses = self.rated_power * (1.0 / self.efficiency - 1.0)
        power = shaft + full_losses * (self.fixed_share + (1.0 - self.fixed_share) * load**2)
        if self.drive:
            # Drive losses plus the extra motor losses that its waveform causes.
            power = power + self.rated_power * (0.010 + 0.024 * load)
        return power


@dataclass(frozen=True)
class TrueTap:
    """Where a gauge really reads: height above the pump reference plane [m], bore [m]."""

    elevation: float
    diameter: float

    def velocity_head(self, flow: Array) -> Array:
        """Velocity head at the tap [m]."""
        return (flow / (0.25 * np.pi * self.diameter**2)) ** 2 / (2.0 * GRAVITY)
