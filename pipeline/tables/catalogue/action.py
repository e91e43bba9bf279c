"""Tables people act on: pumps and flags."""

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
            "Yearly cost of the loss against baseline at the present rate and hours of use.",
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
        C(
            "acknowledged",
            "label",
            "yes while an acknowledgement holds; lapsed once its time is over; outgrown where "
            "the flag grew after it; else no.",
            nullable=False,
        ),
        C("acknowledged_time", "time", "When somebody acknowledged it, UTC."),
        C("acknowledged_by", "text", "Who did.", nullable=False),
        C("acknowledged_until", "time", "Until when it may rest, UTC; empty: until it closes."),
        C("note", "text", "What they noted.", nullable=False),
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

OUTLOOK = Contract(
    "outlook",
    "One row per pump and quantity: when a limit is crossed, and when an overhaul costs least.",
    ("pump", "quantity"),
    (
        PUMP,
        C("quantity", "label", "efficiency or head, at the same duty.", nullable=False),
        C("start", "time", "Start of the baseline it is told against, UTC.", nullable=False),
        C(
            "status",
            "label",
            "expected (within three years), crossed, possible (only the early end of the "
            "interval lies within three years), not_in_sight or no_trend.",
            nullable=False,
        ),
        C("reason", "text", "Why there is no trend; empty if there is.", nullable=False),
        C("threshold", "number", "Deviation of the plant file's limit.", "efficiency_deviation"),
        C("level", "number", "Deviation over the last 30 days.", "efficiency_deviation"),
        C("level_u95", "number", "Its expanded uncertainty (95 %).", "efficiency_deviation"),
        C("rate", "number", "Steady change per year, part of the baseline.", "rate_per_year"),
        C("rate_low", "number", "Lower end of its 95 % interval.", "rate_per_year"),
        C("rate_high", "number", "Upper end of its 95 % interval.", "rate_per_year"),
        C("last_day", "time", "Last day the trend rests on."),
        C("reach_time", "time", "Day on which the limit is crossed; empty if not in sight."),
        C("reach_earliest", "time", "Early end of its 95 % interval."),
        C("reach_latest", "time", "Late end; empty where the loss may not be growing."),
        C("overhaul_cost", "number", "Cost of an overhaul, from the plant file.", "cost"),
        C(
            "energy_cost_per_year",
            "number",
            "Energy cost of the last twelve months, or of a year at the rate since data began.",
            "cost",
        ),
        C("loss_growth", "number", "Growth per year of the yearly cost of the loss.", "cost"),
        C(
            "overhaul_interval",
            "number",
            "Time between overhauls with the least mean cost of overhauls and lost energy.",
            "years",
        ),
        C(
            "overhaul_mean_cost",
            "number",
            "That mean cost, per year; both empty where nothing grows.",
            "cost",
        ),
        C(
            "overhaul_time",
            "time",
            "When the loss costs as much a year as that mean: until then waiting is cheaper. "
            "The last day where it costs more already; empty beyond fifty years.",
        ),
        C("overhaul_earliest", "time", "Early end of its 95 % interval."),
        C("overhaul_latest", "time", "Late end; empty where the loss may not be growing."),
    ),
)


def _gain(name: str, quantity: str, meaning: str) -> tuple[Column, ...]:
    return (
        C(name, "number", meaning, quantity, difference=True),
        C(f"{name}_u95", "number", "Its expanded uncertainty (95 %).", quantity, difference=True),
    )


EVENT_EFFECTS = Contract(
    "event_effects",
    "One row per overhaul, impeller change or cleaning: what it brought back and saved.",
    ("pump", "time", "kind"),
    (
        PUMP,
        C("time", "time", "When, UTC.", nullable=False),
        C("kind", "label", "overhaul, impeller or cleaning.", nullable=False),
        C("note", "text", "As written in the events file.", nullable=False),
        C("status", "text", "ok, or why nothing can be said.", nullable=False),
        C("days_before", "integer", "Running days looked at before it.", nullable=False),
        C("days_after", "integer", "Running days looked at after it.", nullable=False),
        *_gain("head_gain", "head_deviation", "Head regained at the same flow, of the baseline."),
        *_gain(
            "efficiency_gain",
            "efficiency_deviation",
            "Efficiency regained at the same flow, part of the baseline.",
        ),
        *_gain(
            "suction_loss_gain",
            "pressure_loss",
            "Suction loss taken away, at the flow after it; empty without a trusted gauge.",
        ),
        C("specific_energy", "number", "Energy per volume after it.", "specific_energy"),
        *_gain(
            "specific_energy_gain",
            "specific_energy",
            "Energy per volume saved at the same duty, pump and suction line together.",
        ),
        *_gain(
            "saved_energy",
            "electrical_energy",
            "Energy saved to date, or to the next one, as it wears off.",
        ),
        *_gain("saved_cost", "cost", "What that would have cost."),
        *_gain("saved_cost_per_year", "cost", "Mean saving per year to date."),
        C("event_cost", "number", "What it cost, where the events file says.", "cost"),
        C(
            "payback_status",
            "label",
            "ok, or why there is no payback: no cost, no saving known, or no certain saving, "
            "where the interval of the saving holds none at all. Empty where status is not ok.",
            nullable=False,
        ),
        C("payback", "number", "Cost over mean yearly saving to date.", "years"),
        C("payback_low", "number", "Early end of its 95 % interval.", "years"),
        C("payback_high", "number", "Late end; empty where it may never pay.", "years"),
    ),
)
