"""The invented waterworks as it really is: machines, pipes, water and instruments.

The plant file next to the exports says what a careful owner would *know*; the numbers here
are what is *true*. They differ where they would in life: pipes have aged, a level
transmitter sits higher than the drawing says, gauges are off by part of their accuracy.
"""

from __future__ import annotations

import datetime as dt

from .clock import Run
from .instruments import Instrument, Outage
from .machines import TrueCurve, TrueMotor, TrueTap
from .simulate import Fouling, Group, Main, Tank, TruePump, TrueStation
from .water import Array, TruePipe

ZONE = "Europe/Lisbon"
FIRST_DAY = dt.date(2025, 4, 1)
LAST_DAY = dt.date(2026, 10, 31)
FIRST_NIGHTLY = dt.date(2026, 10, 12)
"""Local day from which there are nightly files; earlier days are in the history files."""

P2_GAUGE_DIES = dt.datetime(2025, 12, 3, 9, 20, tzinfo=dt.UTC)
P2_STUCK_AT = 0.318
"""Reading at which the gauge of P2 sticks [bar]: one it showed every day."""
P4_CLEANED = (
    dt.datetime(2025, 12, 9, 10, 30, tzinfo=dt.UTC),
    dt.datetime(2026, 6, 18, 9, 15, tzinfo=dt.UTC),
)
P6_GAUGE_BAD = (
    dt.datetime(2026, 3, 2, 7, 40, tzinfo=dt.UTC),
    dt.datetime(2026, 4, 16, 12, 5, tzinfo=dt.UTC),
)
COMMUNICATION_LOST = (
    dt.datetime(2026, 1, 17, 2, 10, tzinfo=dt.UTC),
    dt.datetime(2026, 1, 17, 5, 25, tzinfo=dt.UTC),
)

_M3H = 1.0 / 3600.0

_DUTY = (Run(4.6, 12.6, 1.0), Run(14.4, 23.4, 1.0))
_ASSIST = (Run(6.3, 10.0), Run(17.1, 21.4))
_STANDBY = (
    Run(8.9, 12.1, 0.9, weekdays=(2,)),
    Run(18.2, 20.4, 0.6, months=(6, 7, 8, 9)),
)


def _drive_speed(count: Array, wanted: Array, wobble: Array) -> Array:
    """Speed ratio of P2: faster with demand and with every other pump that runs."""
    ratio = 0.905 + 0.045 * (count - 1) + 0.03 * (wanted - 1.0) + 0.006 * wobble
    return ratio.clip(0.86, 1.0)


def sample_station() -> TrueStation:
    """Give the six pumps of the sample."""
    transfer = Group(
        id="transfer",
        source="CLEARWELL",
        header=((TruePipe(0.400, 42.0, 4.0e-4, 1.9), 0), (TruePipe(0.350, 6.5, 4.0e-4, 0.35), 1)),
        lift=30.4,
        main_loss=2.0,
        demand_head=1.6,
        demand_valve=0.0,
        pumps=tuple(
            TruePump(
                id=name,
                curve=TrueCurve(300.0 * _M3H, head, efficiency, 0.42),
                motor=TrueMotor(55.0e3, 0.940, drive=name == "P2"),
                elevation=0.80,
                suction=TrueTap(reads_at, 0.200),
                discharge=TrueTap(1.25, 0.150),
                branch=TruePipe(0.200, 4.0, 3.0e-4, k),
                discharge_loss=2.0,
                roles=(_DUTY, _ASSIST, _STANDBY),
                shift=shift,
                head_loss_per_year=wear,
            )
            for name, head, efficiency, reads_at, k, shift, wear in (
                ("P1", 42.3, 0.825, 1.20, 2.35, 0, 0.006),
                ("P2", 42.0, 0.820, 1.20, 2.20, 2, 0.004),
                ("P3", 41.6, 0.815, 0.00, 2.75, 1, 0.006),
            )
        ),
    )
    strainer = Group(
        id="filter feed",
        source="BASIN",
        header=(),
        lift=15.2,
        main_loss=0.0,
        demand_head=0.8,
        demand_valve=0.35,
        pumps=(
            TruePump(
                id="P4",
                curve=TrueCurve(250.0 * _M3H, 24.0, 0.800, 0.38),
                motor=TrueMotor(30.0e3, 0.930),
                elevation=0.60,
                suction=TrueTap(-0.10, 0.250),
                discharge=TrueTap(1.10, 0.200),
                branch=TruePipe(0.250, 58.0, 3.0e-4, 3.4),
                discharge_loss=7.6,
                roles=((Run(0.5, 3.6, 0.92), Run(7.0, 11.4, 0.95), Run(15.0, 20.2, 0.95)),),
                head_loss_per_year=0.004,
                fouling=(
                    Fouling(dt.datetime(2025, 9, 10, tzinfo=dt.UTC), 90.0, 2.2, P4_CLEANED[0]),
                    Fouling(dt.datetime(2026, 3, 20, tzinfo=dt.UTC), 90.0, 1.9, P4_CLEANED[1]),
                    Fouling(dt.datetime(2026, 8, 20, tzinfo=dt.UTC), 90.0, 2.2, None),
                ),
            ),
        ),
    )
    booster = Group(
        id="hill zone",
        source="TRUNK_MAIN",
        header=(),
        lift=87.0,
        main_loss=0.0,
        demand_head=5.0,
        demand_valve=0.90,
        pumps=(
            TruePump(
                id="P5",
                curve=TrueCurve(90.0 * _M3H, 128.0, 0.725, 0.40),
                motor=TrueMotor(55.0e3, 0.940),
                elevation=0.50,
                suction=TrueTap(0.30, 0.150),
                discharge=TrueTap(0.85, 0.100),
                branch=TruePipe(0.150, 34.0, 2.0e-4, 4.2),
                discharge_loss=40.0,
                roles=((Run(5.4, 9.6), Run(12.0, 14.6, 0.9), Run(17.4, 22.2)),),
                head_loss_per_year=0.040,
            ),
        ),
    )
    low_lift = Group(
        id="low lift",
        source="BASIN",
        header=(),
        lift=2.6,
        main_loss=0.0,
        demand_head=0.3,
        demand_valve=0.30,
        pumps=(
            TruePump(
                id="P6",
                curve=TrueCurve(1100.0 * _M3H, 7.4, 0.835, 0.12),
                motor=TrueMotor(37.0e3, 0.928),
                elevation=0.40,
                suction=TrueTap(0.60, 0.400),
                discharge=TrueTap(0.70, 0.400),
                branch=TruePipe(0.400, 36.0, 3.0e-4, 2.7),
                discharge_loss=3.55,
                roles=((Run(2.0, 7.4, 0.9), Run(9.0, 16.4), Run(18.6, 22.8, 0.9)),),
                head_loss_per_year=0.003,
            ),
        ),
    )
    return TrueStation(
        zone=ZONE,
        first_day=FIRST_DAY,
        altitude=85.0,
        sources={
            # The drawing puts the zeros at 3.20 m and 2.00 m.
            "CLEARWELL": Tank(zero=3.26, level=2.9, area=1500.0, hours=4.0, usual_draw=0.10),
            "BASIN": Tank(zero=1.97, level=1.7, area=7000.0, hours=5.0, usual_draw=0.22),
            "TRUNK_MAIN": Main(elevation=0.90, head=25.5),
        },
        groups=(transfer, strainer, booster, low_lift),
        speed={"P2": _drive_speed},
    )


# SI value of one raw unit.
KPA, BAR, PSI = 1.0e3, 1.0e5, 6894.757293168361
M3H, LS, GPM = _M3H, 1.0e-3, 3.785411784e-3 / 60.0


def sample_instruments() -> list[Instrument]:
    """Give the instruments of the sample, in the order of the exports.

    ``bias`` and ``gain`` are what the instrument is off by, ``drift`` and ``white`` the
    standard deviations of its correlated and uncorrelated noise, all in its own unit
    (``gain`` and, for flow and power, noise as part of the reading).
    """
    i = Instrument
    p2_dies = Outage(P2_GAUGE_DIES, None, stuck_at=P2_STUCK_AT)
    p6_bad = Outage(*P6_GAUGE_BAD)
    return [
        i(
            "CW.LEVEL",
            "CLEARWELL",
            "level",
            1.0,
            0.005,
            bias=0.004,
            drift=0.004,
            white=0.002,
            deadband=0.013,
        ),
        i("CW.TEMP", "", "celsius", 1.0, 0.1, bias=0.2, drift=0.05, white=0.02, deadband=0.2),
        i("P1.FLOW", "P1", "flow", M3H, 0.2, gain=0.006, drift=0.003, white=0.002, deadband=2),
        i(
            "P1.SUCTION",
            "P1",
            "suction_pressure",
            KPA,
            0.05,
            bias=0.45,
            drift=0.12,
            white=0.05,
            deadband=0.33,
        ),
        i(
            "P1.DISCHARGE",
            "P1",
            "discharge_pressure",
            KPA,
            0.5,
            bias=-0.8,
            gain=0.001,
            drift=0.5,
            white=0.3,
            deadband=1.6,
        ),
        i(
            "P1.POWER",
            "P1",
            "electrical_power",
            1.0e3,
            0.05,
            gain=0.003,
            drift=0.0015,
            white=0.001,
            deadband=0.23,
            idle=0.0,
        ),
        i("P2.FLOW", "P2", "flow", LS, 0.05, gain=-0.004, drift=0.003, white=0.002, deadband=0.55),
        i(
            "P2.SUCTION",
            "P2",
            "suction_pressure",
            BAR,
            0.0005,
            bias=-0.003,
            drift=0.0012,
            white=0.0005,
            deadband=0.0033,
            outages=(p2_dies,),
        ),
        i(
            "P2.DISCHARGE",
            "P2",
            "discharge_pressure",
            BAR,
            0.005,
            bias=0.006,
            drift=0.005,
            white=0.003,
            deadband=0.019,
        ),
        i(
            "P2.POWER",
            "P2",
            "electrical_power",
            1.0e3,
            0.05,
            gain=-0.002,
            drift=0.0015,
            white=0.001,
            deadband=0.26,
            idle=0.15,
        ),
        i("P2.SPEED", "P2", "speed", 1.0, 1.0, drift=0.4, white=0.3, deadband=2.6, factor=1480.0),
        i("P2.RUN", "P2", "running", 1.0, 1.0, deadband=0.5),
        i("P3.FLOW", "P3", "flow", M3H, 0.5, gain=0.005, drift=0.003, white=0.002, deadband=2),
        i(
            "P3.DISCHARGE",
            "P3",
            "discharge_pressure",
            BAR,
            0.01,
            bias=-0.008,
            drift=0.005,
            white=0.003,
            deadband=0.019,
        ),
        i(
            "P3.POWER",
            "P3",
            "electrical_power",
            1.0e3,
            0.1,
            gain=0.004,
            drift=0.0015,
            white=0.001,
            deadband=0.23,
            idle=0.0,
        ),
        i("P3.RUN", "P3", "running", 1.0, 1.0, deadband=0.5),
        i("P4.FLOW", "P4", "flow", GPM, 1.0, gain=-0.007, drift=0.003, white=0.002, deadband=7.2),
        i(
            "P4.SUCTION",
            "P4",
            "suction_pressure",
            PSI,
            0.01,
            bias=-0.05,
            drift=0.012,
            white=0.006,
            deadband=0.039,
        ),
        i(
            "P4.DISCHARGE",
            "P4",
            "discharge_pressure",
            PSI,
            0.05,
            bias=0.08,
            drift=0.05,
            white=0.03,
            deadband=0.2,
        ),
        i(
            "P4.POWER",
            "P4",
            "electrical_power",
            1.0e3,
            0.02,
            gain=0.003,
            drift=0.0015,
            white=0.001,
            deadband=0.13,
            idle=0.0,
        ),
        i(
            "TM.PRESSURE",
            "TRUNK_MAIN",
            "pressure",
            BAR,
            0.005,
            bias=0.008,
            drift=0.003,
            white=0.002,
            deadband=0.016,
            absolute=True,
        ),
        i("P5.FLOW", "P5", "flow", M3H, 0.1, gain=0.004, drift=0.003, white=0.002, deadband=0.59),
        i(
            "P5.SUCTION",
            "P5",
            "suction_pressure",
            BAR,
            0.002,
            bias=0.004,
            drift=0.003,
            white=0.0015,
            deadband=0.013,
        ),
        i(
            "P5.DISCHARGE",
            "P5",
            "discharge_pressure",
            BAR,
            0.01,
            bias=-0.02,
            gain=0.001,
            drift=0.012,
            white=0.006,
            deadband=0.052,
        ),
        i(
            "P5.POWER",
            "P5",
            "electrical_power",
            1.0e3,
            0.05,
            gain=-0.003,
            drift=0.0015,
            white=0.001,
            deadband=0.23,
            idle=0.0,
        ),
        i("BASIN.LEVEL", "BASIN", "level", 0.01, 0.5, bias=0.3, drift=0.4, white=0.2, deadband=1.3),
        i("P6.FLOW", "P6", "flow", LS, 0.2, gain=0.005, drift=0.003, white=0.002, deadband=2),
        i(
            "P6.SUCTION",
            "P6",
            "suction_pressure",
            KPA,
            0.05,
            bias=0.25,
            drift=0.10,
            white=0.05,
            deadband=0.26,
            outages=(p6_bad,),
        ),
        i(
            "P6.DISCHARGE",
            "P6",
            "discharge_pressure",
            KPA,
            0.1,
            bias=-0.3,
            drift=0.15,
            white=0.08,
            deadband=0.39,
        ),
        i(
            "P6.POWER",
            "P6",
            "electrical_power",
            1.0e3,
            0.02,
            gain=0.002,
            drift=0.0015,
            white=0.001,
            deadband=0.16,
            idle=0.0,
        ),
    ]
