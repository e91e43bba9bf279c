"""Tables of performance: points, rolling figures, baselines, deviations, trends."""

from __future__ import annotations

from pipeline.tables.catalogue.columns import PUMP, SOURCE, with_uncertainty
from pipeline.tables.contracts import Column, Contract

C = Column

OPERATING_POINTS = Contract(
    "operating_points",
    "One row per pump and grid interval in which it was not standing.",
    ("pump", "time"),
    (
        PUMP,
        C("time", "time", "Start of the interval, UTC.", nullable=False),
        C(
            "status",
            "label",
            "steady for an operating point; allocated where the flow of a shared meter was "
            "shared out by the pumps' curves (counts for energy and volume alone); otherwise "
            "why the interval is none.",
            nullable=False,
        ),
        *with_uncertainty("flow", "flow", "Volume flow through the pump."),
        C("flow_source", "label", "measured, allocated, shared or missing."),
        C("suction_flow", "number", "Volume flow in the suction branch.", "flow"),
        C("speed_ratio", "number", "Speed over reference speed."),
        C("density", "number", "Density of the liquid.", "density"),
        C(
            "static_pressure",
            "number",
            "What the suction gauge would read with nothing flowing, gauge.",
            "pressure",
        ),
        C(
            "static_pressure_u_systematic",
            "number",
            "Systematic part of its standard uncertainty (k = 1).",
            "pressure",
            difference=True,
        ),
        *with_uncertainty(
            "suction_pressure", "suction_pressure", "Static suction pressure used, gauge."
        ),
        C(
            "suction_pressure_u_unexplained",
            "number",
            "Part of the systematic one: what is missing from the pump's pressure rise, lost "
            "before the pump or in it, which nobody measured.",
            "suction_pressure",
            difference=True,
        ),
        SOURCE,
        C("suction_reason", "label", "Why the suction pressure is not measured; else empty."),
        C(
            "suction_reading",
            "number",
            "What the suction gauge showed, trusted or not.",
            "suction_pressure",
        ),
        C(
            "discharge_pressure",
            "number",
            "Static discharge pressure, gauge.",
            "discharge_pressure",
        ),
        *with_uncertainty("total_head", "total_head", "Total head (ISO 9906 definition)."),
        *with_uncertainty("electrical_power", "electrical_power", "Electrical power as metered."),
        C("hydraulic_power", "number", "Hydraulic power.", "hydraulic_power"),
        C("shaft_power", "number", "Shaft power, by driver_assumption.", "shaft_power"),
        C("driver_assumption", "label", "What the shaft power rests on."),
        *with_uncertainty(
            "overall_efficiency", "overall_efficiency", "Hydraulic over electrical power."
        ),
        *with_uncertainty("pump_efficiency", "pump_efficiency", "Hydraulic over shaft power."),
        C("specific_energy", "number", "Electrical energy per volume.", "specific_energy"),
        C("npsh_available", "number", "NPSH available.", "npsh_available"),
        C(
            "level_only_suction_pressure",
            "number",
            "Suction pressure if only the level counted, without losses.",
            "suction_pressure",
        ),
        C("level_only_total_head", "number", "Total head that would give.", "total_head"),
        C(
            "level_only_hydraulic_power",
            "number",
            "Hydraulic power that would give.",
            "hydraulic_power",
        ),
        C(
            "level_only_overall_efficiency",
            "number",
            "Overall efficiency that would give.",
            "overall_efficiency",
        ),
    ),
    "month",
)

ROLLING_PERFORMANCE = Contract(
    "rolling_performance",
    "One row per pump and hour, and per pump and local day, with any running.",
    ("pump", "period", "start"),
    (
        PUMP,
        C("period", "label", "hour or day.", nullable=False),
        C("start", "time", "Start of the hour or of the local day, UTC.", nullable=False),
        C(
            "running_time",
            "number",
            "Time not standing, without that in which nothing tells whether it ran.",
            "duration",
        ),
        C("intervals", "integer", "Grid intervals in that time.", nullable=False),
        C("points", "integer", "Operating points among them.", nullable=False),
        C("volume", "number", "Volume pumped in all intervals.", "volume"),
        C(
            "electrical_energy",
            "number",
            "Electrical energy of all intervals.",
            "electrical_energy",
        ),
        C(
            "hydraulic_energy",
            "number",
            "Hydraulic energy of the operating points.",
            "hydraulic_energy",
        ),
        C("flow", "number", "Mean flow of the operating points.", "flow"),
        C("total_head", "number", "Volume-weighted total head.", "total_head"),
        *with_uncertainty(
            "overall_efficiency",
            "overall_efficiency",
            "Hydraulic over electrical energy of the operating points.",
        ),
        *with_uncertainty(
            "pump_efficiency",
            "pump_efficiency",
            "Hydraulic over shaft energy of the operating points.",
        ),
        C("specific_energy", "number", "Electrical energy per volume.", "specific_energy"),
        SOURCE,
        C("measured_suction", "number", "Share of points with measured suction.", "fraction"),
        C(
            "suction_pressure_u_systematic",
            "number",
            "Mean systematic standard uncertainty of the suction pressure used.",
            "suction_pressure",
            difference=True,
        ),
        C(
            "level_only_overall_efficiency",
            "number",
            "Overall efficiency that level without losses would have claimed.",
            "overall_efficiency",
        ),
    ),
    "month",
)

BASELINES = Contract(
    "baselines",
    "One row per pump and baseline.",
    ("pump", "start"),
    (
        PUMP,
        C("start", "time", "Since when this baseline holds, UTC.", nullable=False),
        C("source", "text", "learned or maker.", nullable=False),
        C("status", "text", "ok, or why there is none.", nullable=False),
        C(
            "period",
            "text",
            "Of a learned one: declared in the plant file, or detected: the first 60 days with "
            "operating points and without a sudden change.",
            nullable=False,
        ),
        C("reason", "text", "Why these days were taken.", nullable=False),
        C("learned_from", "time", "Start of the points it was learned from."),
        C("learned_to", "time", "End of the points it was learned from."),
        C("points", "integer", "Operating points it rests on.", nullable=False),
        C("flow_low", "number", "Lowest flow it speaks for.", "flow"),
        C("flow_high", "number", "Highest flow it speaks for.", "flow"),
        C("best_efficiency_flow", "number", "Flow at best efficiency, where seen.", "flow"),
        C(
            "best_efficiency",
            "number",
            "Overall efficiency at that flow, where seen; of a maker's curve with the motor and "
            "drive of the plant file, empty without them.",
            "overall_efficiency",
        ),
    ),
)

BASELINE_CURVES = Contract(
    "baseline_curves",
    "One row per pump, baseline and flow: the baseline as a drawn curve.",
    ("pump", "start", "flow"),
    (
        PUMP,
        C("start", "time", "Since when this baseline holds, UTC.", nullable=False),
        C("flow", "number", "Volume flow.", "flow", nullable=False),
        C("total_head", "number", "Total head at reference speed.", "total_head"),
        C("total_head_u95", "number", "Its expanded uncertainty.", "total_head", difference=True),
        C(
            "electrical_power",
            "number",
            "Electrical power; of a maker's curve with the motor and drive of the plant file, "
            "empty without them.",
            "electrical_power",
        ),
        C(
            "overall_efficiency",
            "number",
            "Overall efficiency; as the electrical power is.",
            "overall_efficiency",
        ),
        C(
            "overall_efficiency_u95",
            "number",
            "Its expanded uncertainty.",
            "overall_efficiency",
            difference=True,
        ),
    ),
)


def _deviation(name: str, what: str) -> tuple[Column, ...]:
    quantity = f"{name}_deviation"
    return (
        C(quantity, "number", f"{what} against baseline at the same flow and speed.", quantity),
        C(f"{quantity}_u_systematic", "number", "Systematic part (k = 1).", quantity),
        C(f"{quantity}_u_random", "number", "Random part (k = 1).", quantity),
    )


DAILY_DEVIATIONS = Contract(
    "daily_deviations",
    "One row per pump and local day with operating points within the baseline's range.",
    ("pump", "day"),
    (
        PUMP,
        C("day", "time", "Start of the local day, UTC.", nullable=False),
        C("points", "integer", "Operating points compared.", nullable=False),
        C(
            "flow",
            "number",
            "Mean flow of these points at reference speed, weighted by the work done.",
            "flow",
        ),
        C("flow_spread", "number", "Standard deviation of these flows.", "flow"),
        *_deviation("head", "Head"),
        *_deviation("power", "Electrical power"),
        *_deviation("efficiency", "Overall efficiency"),
        C(
            "level_only_efficiency_deviation",
            "number",
            "Deviation that level without losses would have claimed, against its own baseline.",
            "efficiency_deviation",
        ),
        C(
            "suction_u_systematic",
            "number",
            "What the systematic uncertainty (k = 1) of the suction pressure is of the head.",
            "fraction",
            difference=True,
        ),
        C(
            "suction_u_unexplained",
            "number",
            "Part of it: what is missing from the pump's pressure rise, which may be the loss "
            "of the pump itself.",
            "fraction",
            difference=True,
        ),
        C("expected_energy", "number", "Energy at baseline efficiency.", "electrical_energy"),
        C("electrical_energy", "number", "Energy of these points.", "electrical_energy"),
        SOURCE,
    ),
    "month",
)

TRENDS = Contract(
    "trends",
    "One row per pump, baseline, assumption and quantity.",
    ("pump", "start", "assumption", "quantity"),
    (
        PUMP,
        C("start", "time", "Start of the baseline, UTC.", nullable=False),
        C(
            "assumption",
            "label",
            "as_used, or level_only: what level without losses would have claimed.",
            nullable=False,
        ),
        C("quantity", "label", "head, power or efficiency.", nullable=False),
        C("status", "text", "ok, or why there is no trend.", nullable=False),
        C("rate", "number", "Change per year, part of the baseline.", "rate_per_year"),
        C(
            "rate_low",
            "number",
            "Lower end of its 95 % interval; drift of instruments is in it where declared.",
            "rate_per_year",
        ),
        C("rate_high", "number", "Upper end of its 95 % interval.", "rate_per_year"),
        C("reference_flow", "number", "Flow the rate is for, at reference speed.", "flow"),
        C("first_day", "time", "First day used."),
        C("last_day", "time", "Last day used."),
        C("days", "integer", "Days used.", nullable=False),
        C("method", "text", "How the slope was found.", nullable=False),
    ),
)
