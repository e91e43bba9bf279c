"""Tables people act on: pumps, flags, energy and money."""

from __future__ import annotations

from pipeline.tables.catalogue.columns import PUMP, with_uncertainty
from pipeline.tables.contracts import Column, Contract

C = Column

PUMPS = Contract(
    "pumps",
    "One row per pump: what the latest night says of it.",
    ("pump",),
    (
        PUMP,
        C("suction_line", "text", "Suction line it draws from."),
        C("first_time", "time", "Start of its first operating point."),
        C("last_time", "time", "Start of its last operating point."),
        C("running_time", "number", "Running time in the last 30 days of data.", "duration"),
        *with_uncertainty(
            "overall_efficiency",
            "overall_efficiency",
            "Hydraulic over electrical energy, last 30 days of data.",
        ),
        *with_uncertainty(
            "pump_efficiency",
            "pump_efficiency",
            "Hydraulic over shaft energy, last 30 days; rests on driver_assumption.",
        ),
        C("driver_assumption", "text", "What the shaft power rests on."),
        C("flow", "number", "Mean flow while running, last 30 days.", "flow"),
        C("total_head", "number", "Mean total head, last 30 days.", "total_head"),
        C("specific_energy", "number", "Energy per volume, last 30 days.", "specific_energy"),
        C(
            "suction_pressure_source",
            "label",
            "Where the suction pressure of most points is from; if not measured, the least "
            "certain source of any day.",
        ),
        C(
            "measured_suction",
            "number",
            "Share of the points with measured suction, last 30 days.",
            "fraction",
        ),
        C(
            "efficiency_rate",
            "number",
            "Change of efficiency at the same duty, per year, part of the baseline.",
            "rate_per_year",
        ),
        C(
            "efficiency_rate_low",
            "number",
            "Lower end of its 95 % interval; drift of instruments is in it where declared.",
            "rate_per_year",
        ),
        C("efficiency_rate_high", "number", "Upper end of its 95 % interval.", "rate_per_year"),
        C("trend_status", "text", "Whether the trend could be told, or why not."),
        C(
            "efficiency_deviation",
            "number",
            "Efficiency against baseline at the same flow, last 30 days.",
            "efficiency_deviation",
        ),
        C(
            "excess_cost_per_year",
            "number",
            "Yearly cost of the loss against baseline at the present rate of use.",
            "cost",
        ),
        C("excess_cost_per_year_u95", "number", "Its expanded uncertainty (95 %).", "cost"),
        C(
            "level_only_overall_efficiency",
            "number",
            "Overall efficiency that level without losses would have claimed, last 30 days.",
            "overall_efficiency",
        ),
        C(
            "level_only_efficiency_error",
            "number",
            "That claim less the figure above.",
            "overall_efficiency",
            difference=True,
        ),
        C("open_flags", "integer", "Number of open flags.", nullable=False),
        C("note", "text", "What is missing, in words; empty if nothing.", nullable=False),
    ),
)

FLAGS = Contract(
    "flags",
    "One row per flag ever raised; closed flags stay.",
    ("flag",),
    (
        C("flag", "text", "Identity of the flag, the same every night.", nullable=False),
        PUMP,
        C("kind", "label", "What the flag is about.", nullable=False),
        C("opened", "time", "Day it opened.", nullable=False),
        C("closed", "time", "Day it closed; empty while open."),
        C("since", "time", "Since when the evidence points that way."),
        C("severity", "label", "watch, plan or act.", nullable=False),
        C("shape", "label", "sudden or gradual.", nullable=False),
        C("quantity", "label", "What moved: efficiency, head or suction_loss.", nullable=False),
        C("loss", "number", "Size now, part of the baseline.", "fraction"),
        C("loss_u95", "number", "Its expanded uncertainty.", "fraction", difference=True),
        C("largest_loss", "number", "Largest size so far.", "fraction"),
        C("cost_per_year", "number", "Yearly cost, where known.", "cost"),
        C("causes", "text", "Causes not excluded, separated by commas.", nullable=False),
        C("evidence", "text", "One sentence.", nullable=False),
        C("site_check", "text", "The check on site that would settle most.", nullable=False),
    ),
)

FLAG_HISTORY = Contract(
    "flag_history",
    "One row per flag and day on which it opened, grew or closed.",
    ("flag", "day", "change"),
    (
        C("flag", "text", "Identity of the flag.", nullable=False),
        PUMP,
        C("kind", "label", "What the flag is about.", nullable=False),
        C("day", "time", "Day of the change, UTC.", nullable=False),
        C("change", "label", "opened, grew or closed.", nullable=False),
        C("severity", "label", "watch, plan or act.", nullable=False),
        C("loss", "number", "Size on that day.", "fraction"),
        C("loss_u95", "number", "Its expanded uncertainty.", "fraction", difference=True),
        C("reason", "text", "Why.", nullable=False),
    ),
)

ENERGY_COST = Contract(
    "energy_cost",
    "One row per pump and local month.",
    ("pump", "month"),
    (
        PUMP,
        C("month", "text", "Local month.", nullable=False),
        C("running_time", "number", "Time not standing.", "duration"),
        C("volume", "number", "Volume pumped.", "volume"),
        C("electrical_energy", "number", "Electrical energy.", "electrical_energy"),
        C("electrical_cost", "number", "Its cost; empty without a price.", "cost"),
        C(
            "excess_energy",
            "number",
            "Energy beyond the baseline at the same duty; negative where better.",
            "excess_energy",
        ),
        C("excess_energy_u95", "number", "Its expanded uncertainty (95 %).", "excess_energy"),
        C("excess_cost", "number", "Its cost.", "cost"),
        C("excess_cost_u95", "number", "Expanded uncertainty (95 %) of that cost.", "cost"),
        C(
            "compared_share",
            "number",
            "Share of the energy that could be compared with a baseline.",
            "fraction",
        ),
        C(
            "suction_loss_energy",
            "number",
            "Electrical energy spent on friction between source and suction tap.",
            "electrical_energy",
        ),
        C("suction_loss_cost", "number", "Its cost.", "cost"),
    ),
)

DUTY_PROFILE = Contract(
    "duty_profile",
    "One row per pump, running combination and flow bin, over all data.",
    ("pump", "combination", "flow_low"),
    (
        PUMP,
        C("combination", "text", "Pumps of the station running together.", nullable=False),
        C("flow_low", "number", "Lower edge of the bin.", "flow", nullable=False),
        C("flow_high", "number", "Upper edge of the bin.", "flow", nullable=False),
        C("running_time", "number", "Time at operating points in the bin.", "duration"),
        C("volume", "number", "Volume pumped.", "volume"),
        C("electrical_energy", "number", "Electrical energy.", "electrical_energy"),
        C("total_head", "number", "Volume-weighted total head.", "total_head"),
        C("overall_efficiency", "number", "Ratio of energy sums.", "overall_efficiency"),
        C("specific_energy", "number", "Energy per volume.", "specific_energy"),
    ),
)
