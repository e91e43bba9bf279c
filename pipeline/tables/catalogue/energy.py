"""Tables of energy, money and duty."""

from __future__ import annotations

from pipeline.tables.catalogue.columns import PUMP
from pipeline.tables.contracts import Column, Contract

C = Column

_MONTH = C("month", "text", "Local month.", nullable=False)
_RUNNING_TIME = C(
    "running_time",
    "number",
    "Time not standing, without that in which nothing tells whether it ran.",
    "duration",
)
_SUMS = (
    C("volume", "number", "Volume pumped; empty where no flow is known.", "volume"),
    C(
        "electrical_energy",
        "number",
        "Electrical energy; empty where no power is known.",
        "electrical_energy",
    ),
)


def _lost(name: str, energy: str, quantity: str, what: str) -> tuple[Column, ...]:
    return (
        C(f"{name}_energy", "number", energy, quantity),
        C(f"{name}_energy_u95", "number", "Its expanded uncertainty (95 %).", quantity),
        C(f"{name}_cost", "number", f"Cost of {what}.", "cost"),
        C(f"{name}_cost_u95", "number", "Its expanded uncertainty (95 %).", "cost"),
        C(f"{name}_emissions", "number", f"Emissions of {what}.", "emissions"),
    )


ENERGY_COST = Contract(
    "energy_cost",
    "One row per pump and local month.",
    ("pump", "month"),
    (
        PUMP,
        _MONTH,
        _RUNNING_TIME,
        *_SUMS,
        C("electrical_cost", "number", "Its cost by the hour; empty without a price.", "cost"),
        C("emissions", "number", "Its emissions; empty without a factor.", "emissions"),
        *_lost(
            "excess",
            "Energy beyond the baseline at the same duty; negative where better.",
            "excess_energy",
            "the energy beyond the baseline",
        ),
        C(
            "compared_share",
            "number",
            "Share of the energy that could be compared with a baseline.",
            "fraction",
        ),
        *_lost(
            "suction_loss",
            "Electrical energy spent on friction between source and suction tap.",
            "electrical_energy",
            "that friction",
        ),
        C(
            "suction_loss_known_share",
            "number",
            "Share of the energy for which a gauge or a fitted model knows that friction.",
            "fraction",
        ),
        *_lost(
            "fouling",
            "What of it goes beyond the clean line's friction: cleaning brings it back.",
            "electrical_energy",
            "what cleaning would bring back",
        ),
        C(
            "fouling_known_share",
            "number",
            "Share of the energy on days with trusted suction readings, which alone tell it.",
            "fraction",
        ),
    ),
    "month",
)

OPERATING_REGIONS = Contract(
    "operating_regions",
    "One row per pump and local month: time by operating region and NPSH margin.",
    ("pump", "month"),
    (
        PUMP,
        _MONTH,
        _RUNNING_TIME,
        C("best_efficiency_flow", "number", "Best efficiency flow of the baseline.", "flow"),
        C("time_below_allowable", "number", "Time below the allowable region.", "duration"),
        C("time_below_preferred", "number", "Allowable, but below preferred.", "duration"),
        C("time_preferred", "number", "Time in the preferred region.", "duration"),
        C("time_above_preferred", "number", "Allowable, but above preferred.", "duration"),
        C("time_above_allowable", "number", "Time above the allowable region.", "duration"),
        C("time_unknown", "number", "Time with flow or best flow not known.", "duration"),
        C(
            "time_below_npsh_margin",
            "number",
            "Time with too small a margin of NPSH; empty where none could be told.",
            "duration",
        ),
        C("npsh_assessed_time", "number", "Time for which the margin was told.", "duration"),
    ),
    "month",
)

INTERVAL_COUNTS = Contract(
    "interval_counts",
    "One row per pump, local month and status: how many intervals are operating points, and why "
    "the others are none.",
    ("pump", "month", "status"),
    (
        PUMP,
        _MONTH,
        C("status", "text", "As in operating_points.", nullable=False),
        C("meaning", "text", "What that says, in words.", nullable=False),
        C("intervals", "integer", "Grid intervals.", nullable=False),
        C("interval_time", "number", "Time in them.", "duration"),
        C(
            "electrical_energy",
            "number",
            "Electrical energy of them; empty where no power is known.",
            "electrical_energy",
        ),
    ),
    "month",
)

DUTY_PROFILE = Contract(
    "duty_profile",
    "One row per pump, running combination and flow bin, over all data.",
    ("pump", "combination", "flow_low"),
    (
        PUMP,
        C("combination", "text", "Pumps of the station running together.", nullable=False),
        C(
            "flow_low",
            "number",
            "Lower edge of the bin; below zero, in a bin that ends at zero, where the flow is not "
            "known.",
            "flow",
            nullable=False,
        ),
        C("flow_high", "number", "Upper edge of the bin.", "flow", nullable=False),
        _RUNNING_TIME,
        C(
            "point_time",
            "number",
            "What of it was at operating points, on which head, efficiency and energy per volume "
            "rest.",
            "duration",
        ),
        C(
            "allocated_time",
            "number",
            "What of it rests on a flow that the pumps' curves shared out.",
            "duration",
        ),
        *_SUMS,
        C("total_head", "number", "Volume-weighted total head.", "total_head"),
        C("overall_efficiency", "number", "Ratio of energy sums.", "overall_efficiency"),
        C("specific_energy", "number", "Energy per volume.", "specific_energy"),
    ),
)
