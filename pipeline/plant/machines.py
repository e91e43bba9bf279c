"""Pumps with their taps and drivers, and the flow meters that serve them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import pandas as pd

from pipeline.plant.suction_side import Fitting, Pipe
from pipeline.plant.validity import BEGINNING

TapPosition = Literal[
    "at_flange", "before_strainer", "after_strainer", "before_check_valve", "other"
]
SensingLine = Literal["filled", "empty"]
MeterPosition = Literal["pump", "suction_pipe"]
PowerSide = Literal["motor_input", "drive_input"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tap:
    """A pressure tap and its gauge.

    Parameters
    ----------
    elevation : float
        Of the tap, above the pump reference plane [m].
    diameter : float
        Inside diameter of the pipe at the tap [m].
    gauge_elevation : float
        Of the gauge, above the pump reference plane [m].
    sensing_line : {"filled", "empty"}
        A filled line makes the gauge read at its own elevation, an empty one at the tap's.
    position : str
        Relative to the strainer, or on the discharge side to the check valve.
    elevation_u : float
        Standard uncertainty of the elevation that counts [m]; zero where not stated.
    unstated : tuple of str
        Keys for which a usual value stands in.
    """

    elevation: float
    diameter: float
    gauge_elevation: float | None = None
    sensing_line: SensingLine = "filled"
    position: TapPosition = "at_flange"
    elevation_u: float = 0.0
    unstated: tuple[str, ...] = field(default=(), repr=False, compare=False)

    @property
    def reading_elevation(self) -> float:
        """Elevation at which the gauge reads, above the pump reference plane [m]."""
        if self.sensing_line == "filled" and self.gauge_elevation is not None:
            return self.gauge_elevation
        return self.elevation


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """Motor and drive between the power meter and the pump shaft.

    Parameters
    ----------
    rated_power : float or None
        Motor rating, shaft side [W].
    rated_efficiency : float or None
        Full-load motor efficiency [-].
    poles : int or None
        Number of poles.
    drive_efficiency : float
        Of a variable-speed drive [-]; one without.
    transmission_efficiency : float
        Of a belt or gear [-]; one for direct coupling.
    power_measured_at : {"motor_input", "drive_input"}
        Which side of the drive the power meter is on.
    efficiency_u : float
        Standard uncertainty of the whole driver efficiency [-], relative.
    unstated : tuple of str
        Keys for which a usual value stands in.
    """

    rated_power: float | None = None
    rated_efficiency: float | None = None
    poles: int | None = None
    drive_efficiency: float = 1.0
    transmission_efficiency: float = 1.0
    power_measured_at: PowerSide = "motor_input"
    efficiency_u: float = 0.01
    unstated: tuple[str, ...] = field(
        default=("drive_efficiency", "power_measured_at", "efficiency_u"), repr=False, compare=False
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """Pipe between the bowl of a vertical pump and its discharge tap.

    What is lost in it is head the pump gave: it is added to the total head. It is drawn, or
    declared at one flow and taken to go with its square.

    Parameters
    ----------
    pipe : Pipe or None
        The column; a line shaft in it is part of the roughness or of a fitting.
    fittings : tuple of Fitting
        Discharge head, bends, check valve.
    drawing_u : float
        Standard uncertainty of the drawn loss, part of the loss [-].
    loss : float or None
        Declared loss [m] at ``at_flow``, in place of a drawing.
    at_flow : float
        Flow of the declared loss [m³/s].
    loss_u : float
        Standard uncertainty of the declared loss [m].
    unstated : tuple of str
        Keys for which a usual value stands in.
    """

    pipe: Pipe | None = None
    fittings: tuple[Fitting, ...] = ()
    drawing_u: float = 0.25
    loss: float | None = None
    at_flow: float = 1.0
    loss_u: float = 0.0
    unstated: tuple[str, ...] = field(default=(), repr=False, compare=False)

    @property
    def relative_u(self) -> float:
        """Standard uncertainty of the loss, part of it [-]."""
        if self.loss is None:
            return self.drawing_u
        return self.loss_u / self.loss if self.loss > 0.0 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePoint:
    """A point of a declared curve: flow [m³/s], head [m], pump efficiency [-], NPSHR [m]."""

    flow: float
    head: float
    efficiency: float | None = None
    npsh: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowRegion:
    """Preferred and allowable flow, as parts of the flow at best efficiency [-].

    The allowable region is the maker's word; left out, everything is allowed.
    """

    preferred_low: float = 0.7
    preferred_high: float = 1.2
    allowable_low: float = 0.0
    allowable_high: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Maintenance:
    """What an overhaul costs and when one is due.

    Parameters
    ----------
    overhaul_cost : float or None
        In the plant's currency; None where not stated.
    efficiency_loss_limit : float
        Loss of efficiency at the same duty, part of the baseline, at which something is to be
        done [-].
    head_loss_limit : float
        The same for head [-].
    """

    overhaul_cost: float | None = None
    efficiency_loss_limit: float = 0.05
    head_loss_limit: float = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Pump:
    """One pump with its taps, driver and tags.

    Parameters
    ----------
    id : str
        The user's name for it.
    suction_line : str
        Line it draws from.
    reference_elevation : float
        Station elevation of the pump reference plane [m].
    suction_tap, discharge_tap : Tap
        Where the pressures are (or would be) read.
    reference_speed : float or None
        Speed to which points are brought [1/s].
    flow_tag : str or None
        Meter of the flow through this pump alone.
    suction_pressure_tag, discharge_pressure_tag, power_tag, speed_tag, running_tag : str or None
        Tags by role; None where there is no instrument.
    running_power : float or None
        Above this electrical power the pump counts as running [W].
    check_valve_leak_free : bool
        Whether the idle pump is known not to pass water backwards.
    driver : Driver
        Motor and drive.
    column : Column or None
        Of a vertical pump, between its bowl and the discharge tap.
    impeller : str
        The impeller fitted, in the user's words; with another one a new baseline starts.
    baseline_curve : tuple of CurvePoint
        Maker's or acceptance points at reference speed; empty: learned from good operation.
    baseline_from, baseline_to : Timestamp or None
        Declared good period to learn the baseline from.
    flow_region : FlowRegion
        Where it should run against its best efficiency flow.
    maintenance : Maintenance
        Cost and limits of an overhaul.
    """

    id: str
    suction_line: str
    suction_tap: Tap
    discharge_tap: Tap
    reference_elevation: float = 0.0
    reference_speed: float | None = None
    flow_tag: str | None = None
    suction_pressure_tag: str | None = None
    discharge_pressure_tag: str | None = None
    power_tag: str | None = None
    speed_tag: str | None = None
    running_tag: str | None = None
    running_power: float | None = None
    check_valve_leak_free: bool = False
    driver: Driver = field(default_factory=Driver)
    column: Column | None = None
    impeller: str = ""
    baseline_curve: tuple[CurvePoint, ...] = ()
    baseline_from: pd.Timestamp | None = None
    baseline_to: pd.Timestamp | None = None
    flow_region: FlowRegion = field(default_factory=FlowRegion)
    maintenance: Maintenance = field(default_factory=Maintenance)
    valid_from: pd.Timestamp = BEGINNING


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowMeter:
    """A flow meter and the pumps it serves.

    Parameters
    ----------
    id : str
        The user's name for it.
    tag : str
        Its tag.
    serves : tuple of str
        Pumps whose flow passes through it.
    """

    id: str
    tag: str
    serves: tuple[str, ...]
    valid_from: pd.Timestamp = BEGINNING
