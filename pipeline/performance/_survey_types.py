"""What a site survey is about: typical operating points and open facts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

FactState = Literal["missing", "assumed", "unchecked"]

# Common practice, no source: a sound pump and motor of middling size.
NOMINAL_PUMP_EFFICIENCY = 0.75
NOMINAL_MOTOR_EFFICIENCY = 0.92


@dataclass(frozen=True, slots=True, kw_only=True)
class TypicalPoint:
    """Where a pump usually runs, from data or nominal.

    Parameters
    ----------
    flow : float
        Volume flow [m³/s].
    total_head : float
        Total head [m].
    electrical_power : float
        Electrical power [W].
    density : float
        Density [kg/m³].
    suction_pressure, discharge_pressure : float
        As read [Pa].
    nominal : tuple of str
        Names of the values that do not come from data.

    Notes
    -----
    NaN says that a value is not known; a nominal one stands in.
    """

    flow: float = math.nan
    total_head: float = math.nan
    electrical_power: float = math.nan
    density: float = math.nan
    suction_pressure: float = math.nan
    discharge_pressure: float = math.nan
    nominal: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """Something the plant file leaves open.

    Parameters
    ----------
    key : str
        What kind of fact it is.
    pump : str
        Pump whose efficiency it touches.
    place : str
        Where to go: the pump, or the tank, main or header it draws from.
    subject : str
        The fact, in the trade's words.
    state : {"missing", "assumed", "unchecked"}
        Missing: nothing is stated. Assumed: a usual value stands in. Unchecked: a value is
        stated, but not how well it is known.
    stands_in : str
        What is used meanwhile.
    quantity : str
        What the reading on site is (see ``pipeline.quantities``); empty for a yes or no.
    u : float
        Standard uncertainty of the fact, in the SI unit of ``u_quantity``.
    u_quantity : str
        Quantity of ``u``; ``fraction`` for a part of the value.
    is_nominal : bool
        Whether ``u`` is a nominal figure rather than one the plant file states.
    overall_efficiency_u, pump_efficiency_u : float
        Standard uncertainty it leaves in the efficiencies [-]; NaN: no efficiency without it.
    action : str
        What to do on site, one sentence.
    record_in : str
        Where the answer belongs.
    minutes : int
        Time it takes on site. Nominal.
    covers : tuple of str
        Keys of other facts that this one settles too; its contribution is theirs together.
    """

    key: str
    pump: str
    place: str
    subject: str
    state: FactState
    stands_in: str
    quantity: str
    u: float
    u_quantity: str
    is_nominal: bool
    overall_efficiency_u: float
    pump_efficiency_u: float
    action: str
    record_in: str
    minutes: int
    covers: tuple[str, ...] = ()

    @property
    def worth(self) -> float:
        """The larger of the two contributions [-]."""
        if math.isnan(self.overall_efficiency_u):
            return math.nan
        return max(self.overall_efficiency_u, self.pump_efficiency_u)
