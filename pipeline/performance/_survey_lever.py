"""How far an error in one thing moves the efficiencies of a pump at its usual point."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from pipeline.hydraulics.loss_tables import LOSS_COEFFICIENTS
from pipeline.hydraulics.uncertainty import (
    NONE,
    Uncertainty,
    efficiency_uncertainty,
    shaft_power_uncertainty,
)
from pipeline.performance._survey_types import (
    NOMINAL_MOTOR_EFFICIENCY,
    NOMINAL_PUMP_EFFICIENCY,
    Fact,
    FactState,
    TypicalPoint,
)
from pipeline.performance.shaft_power import motor_of
from pipeline.plant import Pump, Tag

G = 9.80665
ROOT3 = math.sqrt(3.0)

# Limits of what is not known, taken as rectangular (u = limit/sqrt(3), JCGM 100:2008, 4.3.7).
# Common practice, no source, unless said otherwise.
GAUGE_HEIGHT_LIMIT = 1.0
"""A gauge on a filled line hangs up to this far above or below its tap [m]."""
ELEVATION_LIMIT = 0.10
"""An elevation off a drawing or by eye [m]."""
DIAMETER_LIMIT = 0.03
"""Inside diameter against the nominal bore: schedule, mill tolerance, deposits [-]."""
STRAINER_LIMIT = 2.0
"""Loss of a clean strainer that may lie between tap and pump, in velocity heads [-]."""
VALVE_LIMIT = 2.0
"""Loss of a suction valve that is not quite open, in velocity heads [-]."""
LEAK_LIMIT = 0.01
"""Flow that passes by the meter or back through an idle pump, part of the flow [-]."""
DRIVE_LIMIT = 0.04
"""Loss of a variable-speed drive that may or may not be counted [-]."""
NO_PLATE_U = 0.03
"""Driver efficiency without any plate, relative standard uncertainty [-]."""
METER_LIMIT = 0.02
"""A flow meter that has only a counter, part of the reading [-]."""
STATIC_LEVEL_LIMIT = 1.0
"""Static water level of a well against the stated one, over the seasons [m]."""
SETTLING_LIMIT = 0.1
"""What of a well's drawdown may still come after an hour, part of it [-]."""
COLUMN_LIMIT = 6.0
"""Loss between bowl and discharge tap of a vertical pump, in velocity heads of the discharge [-]:
some metres of column with a shaft in it, and a discharge head."""
CHECK_VALVE_LOSS = LOSS_COEFFICIENTS["swing check valve, fully open"]
VISCOSITY = 1.0e-3
"""Of water at 20 °C, rounded [Pa·s]."""


class Lever:
    """How far an error in one thing moves the efficiencies of a pump at its usual point."""

    def __init__(self, pump: Pump, point: TypicalPoint, suction_slope: float) -> None:
        self.pump, self.point, self._slope = pump, point, suction_slope
        self.motor, _ = motor_of(pump)
        driver, power = pump.driver, point.electrical_power
        self._shaft_u_of_power = NOMINAL_MOTOR_EFFICIENCY
        self.shaft_power = NOMINAL_MOTOR_EFFICIENCY * power
        if self.motor is not None:
            one = shaft_power_uncertainty(
                power,
                Uncertainty(1.0, 0.0),  # type: ignore[arg-type]
                self.motor,
                0.0,
                driver.drive_efficiency,
                driver.transmission_efficiency,
                driver.power_measured_at,
            )
            whole = shaft_power_uncertainty(
                power,
                NONE,
                self.motor,
                1.0,
                driver.drive_efficiency,
                driver.transmission_efficiency,
                driver.power_measured_at,
            )
            if float(whole.systematic) > 0.0:
                self._shaft_u_of_power = float(one.systematic)
                self.shaft_power = float(whole.systematic)

    def fact(
        self,
        key: str,
        subject: str,
        state: FactState,
        u: float,
        *,
        head: float = 0.0,
        flow: float = 0.0,
        suction: float = 0.0,
        discharge: float = 0.0,
        power: float = 0.0,
        driver: float = 0.0,
        **rest: Any,
    ) -> Fact:
        """Make a fact from the standard uncertainty it leaves in one of the inputs."""
        errors = head, flow, suction, discharge
        electrical = self._effect(self.point.electrical_power, *errors, power)
        shaft = self._effect(self.shaft_power, *errors, power * self._shaft_u_of_power)
        own = NOMINAL_PUMP_EFFICIENCY
        if self.shaft_power > 0.0:
            point = self.point
            own = point.density * G * point.flow * point.total_head / self.shaft_power
        rest = {"place": self.pump.id, "is_nominal": True, "quantity": "", **rest}
        return Fact(
            key=key,
            pump=self.pump.id,
            subject=subject,
            state=state,
            u=u,
            overall_efficiency_u=electrical,
            pump_efficiency_u=math.hypot(shaft, own * driver),
            **rest,
        )

    def _effect(
        self,
        given_power: float,
        head: float,
        flow: float,
        suction: float,
        discharge: float,
        power: float,
    ) -> float:
        def of(value: float) -> Uncertainty:
            return Uncertainty(value, 0.0)  # type: ignore[arg-type]

        point, pump = self.point, self.pump
        return float(
            efficiency_uncertainty(
                point.flow,
                point.total_head,
                point.density,
                given_power,
                point.discharge_pressure - point.suction_pressure,
                pump.suction_tap.diameter,
                pump.discharge_tap.diameter,
                of(flow),
                of(suction),
                of(discharge),
                of(power),
                elevation_u=of(head),
                suction_pressure_slope=self._slope,
            ).efficiency.systematic
        )


def systematic(tag: Tag, reading: float) -> float:
    accuracy = tag.accuracy
    return math.hypot(accuracy.systematic_absolute, accuracy.systematic_relative * abs(reading))


def instrument(
    lever: Lever, key: str, what: str, tag: Tag, reading: float, lever_name: str, **rest: Any
) -> Iterator[Fact]:
    """An instrument whose accuracy the plant file does not state."""
    if not tag.accuracy.assumed:
        return
    u = systematic(tag, reading)
    if u == 0.0 and lever_name == "flow":
        u = METER_LIMIT / ROOT3 * reading
    scale = rest.pop("scale", 1.0)
    yield lever.fact(
        key,
        f"accuracy of the {what} ({tag.name})",
        "assumed",
        u,
        **{lever_name: u * scale},
        stands_in="a usual figure",
        u_quantity=tag.quantity,
        action="Note type, range and last calibration from plate and certificate; without a "
        "certificate compare it with a calibrated instrument.",
        record_in=f"tags '{tag.name}', range and accuracy",
        minutes=10,
        **rest,
    )


def no_instrument(lever: Lever, what: str, role: str) -> Fact:
    return lever.fact(
        f"no_{role}",
        f"{what}: no tag",
        "missing",
        math.nan,
        head=math.nan,
        stands_in="nothing: no efficiency without it",
        u_quantity="",
        action="Find out whether the instrument exists, is recorded, and under which name.",
        record_in=f"pumps '{lever.pump.id}', {role}",
        minutes=10,
    )
