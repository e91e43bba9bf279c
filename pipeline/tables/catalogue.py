"""Every table gaugeless writes, as contracts.

Published tables come first, in the order a reader would want them. Working tables, which the
next run needs and people rarely do, come last.
"""

from __future__ import annotations

from pipeline.tables.contracts import Column, Contract

C = Column


def _with_uncertainty(name: str, quantity: str, meaning: str) -> tuple[Column, ...]:
    """Give a value with its expanded uncertainty and the two standard parts."""
    return (
        C(name, "number", meaning, quantity),
        C(
            f"{name}_u95",
            "number",
            f"Expanded uncertainty (95 %, k = 2) of {name}.",
            quantity,
            difference=True,
        ),
        C(
            f"{name}_u_systematic",
            "number",
            f"Systematic part of the standard uncertainty (k = 1) of {name}.",
            quantity,
            difference=True,
        ),
        C(
            f"{name}_u_random",
            "number",
            f"Random part of the standard uncertainty (k = 1) of {name}.",
            quantity,
            difference=True,
        ),
    )


_PUMP = C("pump", "label", "Pump, as named in the plant file.", nullable=False)
_SOURCE = C(
    "suction_pressure_source",
    "label",
    "Where the suction pressure is from: measured, modelled, sister, survey, drawing, "
    "level_only or missing. Anything but measured is a model's word.",
)

PUMPS = Contract(
    "pumps",
    "One row per pump: what the latest night says of it.",
    ("pump",),
    (
        _PUMP,
        C("suction_line", "text", "Suction line it draws from."),
        C("first_time", "time", "Start of its first operating point."),
        C("last_time", "time", "Start of its last operating point."),
        C("running_time", "number", "Running time in the last 30 days of data.", "duration"),
        *_with_uncertainty(
            "overall_efficiency",
            "overall_efficiency",
            "Hydraulic over electrical energy, last 30 days of data.",
        ),
        *_with_uncertainty(
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
            "Lower end of its 95 % interval; drift of instruments is not in it.",
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

MEASUREMENTS = Contract(
    "measurements",
    "One row per tag and grid interval that has at least one sample or some coverage.",
    ("tag", "time"),
    (
        C("tag", "label", "Tag, as named in the exports.", nullable=False),
        C("time", "time", "Start of the interval, UTC; it ends before the next.", nullable=False),
        C("value", "number", "Time-weighted average over the covered part, in `unit`."),
        C("unit", "label", "Unit of value.", nullable=False),
        C("coverage", "number", "Covered part of the interval, 0 to 1.", nullable=False),
        C("sample_count", "integer", "Samples within the interval.", nullable=False),
        C("worst_quality", "label", "Worst quality: good, uncertain or bad.", nullable=False),
    ),
    "month",
)

OPERATING_POINTS = Contract(
    "operating_points",
    "One row per pump and grid interval in which it was not standing.",
    ("pump", "time"),
    (
        _PUMP,
        C("time", "time", "Start of the interval, UTC.", nullable=False),
        C(
            "status",
            "label",
            "steady for an operating point; otherwise why the interval is none.",
            nullable=False,
        ),
        *_with_uncertainty("flow", "flow", "Volume flow through the pump."),
        C("flow_source", "label", "measured, shared or missing."),
        C("suction_flow", "number", "Volume flow in the suction branch.", "flow"),
        C("speed_ratio", "number", "Speed over reference speed."),
        C("density", "number", "Density of the liquid.", "density"),
        C(
            "static_pressure",
            "number",
            "What the suction gauge would read with nothing flowing, gauge.",
            "pressure",
        ),
        *_with_uncertainty(
            "suction_pressure", "suction_pressure", "Static suction pressure used, gauge."
        ),
        _SOURCE,
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
        *_with_uncertainty("total_head", "total_head", "Total head (ISO 9906 definition)."),
        *_with_uncertainty("electrical_power", "electrical_power", "Electrical power as metered."),
        C("hydraulic_power", "number", "Hydraulic power.", "hydraulic_power"),
        C("shaft_power", "number", "Shaft power, by driver_assumption.", "shaft_power"),
        C("driver_assumption", "label", "What the shaft power rests on."),
        *_with_uncertainty(
            "overall_efficiency", "overall_efficiency", "Hydraulic over electrical power."
        ),
        *_with_uncertainty("pump_efficiency", "pump_efficiency", "Hydraulic over shaft power."),
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
        _PUMP,
        C("period", "label", "hour or day.", nullable=False),
        C("start", "time", "Start of the hour or of the local day, UTC.", nullable=False),
        C("running_time", "number", "Time not standing.", "duration"),
        C("intervals", "integer", "Grid intervals not standing.", nullable=False),
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
        *_with_uncertainty(
            "overall_efficiency",
            "overall_efficiency",
            "Hydraulic over electrical energy of the operating points.",
        ),
        *_with_uncertainty(
            "pump_efficiency",
            "pump_efficiency",
            "Hydraulic over shaft energy of the operating points.",
        ),
        C("specific_energy", "number", "Electrical energy per volume.", "specific_energy"),
        _SOURCE,
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

SUCTION_FITS = Contract(
    "suction_fits",
    "One row per suction line, epoch, month from which the fit is used, and parameter.",
    ("line", "epoch", "month", "parameter"),
    (
        C("line", "label", "Suction line.", nullable=False),
        C("epoch", "time", "Since when line and gauges are as they are, UTC.", nullable=False),
        C("month", "text", "First month in which this fit is used.", nullable=False),
        C(
            "parameter",
            "text",
            "loss:<segment> at reference_flow, static, tap:<pump>, gauge:<instrument> or exponent.",
            nullable=False,
        ),
        C("estimate", "number", "Estimate; pressures in `unit`."),
        C("u95", "number", "Its expanded uncertainty (95 %)."),
        C("prior", "number", "What was known before the readings."),
        C("prior_u95", "number", "Its expanded uncertainty (95 %)."),
        C("unit", "text", "Unit of these numbers.", nullable=False),
        C("reference_flow", "number", "Flow at which a loss is stated.", "flow"),
        C("status", "text", "fitted, prior_only, or why the fit is not used.", nullable=False),
        C("rows", "integer", "Hourly readings used.", nullable=False),
        C("trained_from", "time", "First reading used."),
        C("trained_to", "time", "Last reading used."),
        C("residual_u", "number", "Scatter of one reading (k = 1).", "pressure", difference=True),
    ),
)

GAUGE_CHECKS = Contract(
    "gauge_checks",
    "One row per gauge, check and interval in which the gauge was found wanting.",
    ("pump", "gauge", "check", "start"),
    (
        _PUMP,
        C("gauge", "label", "suction, discharge or level.", nullable=False),
        C("check", "label", "What was checked.", nullable=False),
        C("start", "time", "Start of the interval, UTC.", nullable=False),
        C("end", "time", "End of the interval, UTC; empty while it lasts."),
        C("verdict", "text", "What was found, in a word.", nullable=False),
        C("excludes", "flag", "Whether readings are not used meanwhile.", nullable=False),
        C("magnitude", "number", "Size of the fault.", "pressure", difference=True),
        C("magnitude_u95", "number", "Its expanded uncertainty.", "pressure", difference=True),
        C("evidence", "text", "One sentence.", nullable=False),
    ),
)

BASELINES = Contract(
    "baselines",
    "One row per pump and baseline.",
    ("pump", "start"),
    (
        _PUMP,
        C("start", "time", "Since when this baseline holds, UTC.", nullable=False),
        C("source", "text", "learned or maker.", nullable=False),
        C("status", "text", "ok, or why there is none.", nullable=False),
        C("learned_from", "time", "Start of the points it was learned from."),
        C("learned_to", "time", "End of the points it was learned from."),
        C("points", "integer", "Operating points it rests on.", nullable=False),
        C("flow_low", "number", "Lowest flow it speaks for.", "flow"),
        C("flow_high", "number", "Highest flow it speaks for.", "flow"),
        C("best_efficiency_flow", "number", "Flow at best efficiency, where seen.", "flow"),
        C(
            "best_efficiency",
            "number",
            "Best overall efficiency, where seen.",
            "overall_efficiency",
        ),
    ),
)

BASELINE_CURVES = Contract(
    "baseline_curves",
    "One row per pump, baseline and flow: the baseline as a drawn curve.",
    ("pump", "start", "flow"),
    (
        _PUMP,
        C("start", "time", "Since when this baseline holds, UTC.", nullable=False),
        C("flow", "number", "Volume flow.", "flow", nullable=False),
        C("total_head", "number", "Total head at reference speed.", "total_head"),
        C("total_head_u95", "number", "Its expanded uncertainty.", "total_head", difference=True),
        C("electrical_power", "number", "Electrical power.", "electrical_power"),
        C("overall_efficiency", "number", "Overall efficiency.", "overall_efficiency"),
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
        _PUMP,
        C("day", "time", "Start of the local day, UTC.", nullable=False),
        C("points", "integer", "Operating points compared.", nullable=False),
        C("flow", "number", "Mean flow of these points, at reference speed.", "flow"),
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
        C("expected_energy", "number", "Energy at baseline efficiency.", "electrical_energy"),
        C("electrical_energy", "number", "Energy of these points.", "electrical_energy"),
        _SOURCE,
    ),
    "month",
)

TRENDS = Contract(
    "trends",
    "One row per pump, baseline, assumption and quantity.",
    ("pump", "start", "assumption", "quantity"),
    (
        _PUMP,
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
            "Lower end of its 95 % interval; drift of instruments is not in it.",
            "rate_per_year",
        ),
        C("rate_high", "number", "Upper end of its 95 % interval.", "rate_per_year"),
        C("first_day", "time", "First day used."),
        C("last_day", "time", "Last day used."),
        C("days", "integer", "Days used.", nullable=False),
        C("method", "text", "How the slope was found.", nullable=False),
    ),
)

FLAGS = Contract(
    "flags",
    "One row per flag ever raised; closed flags stay.",
    ("flag",),
    (
        C("flag", "text", "Identity of the flag, the same every night.", nullable=False),
        _PUMP,
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
        _PUMP,
        C("kind", "label", "What the flag is about.", nullable=False),
        C("day", "time", "Day of the change, UTC.", nullable=False),
        C("change", "label", "opened, grew or closed.", nullable=False),
        C("severity", "label", "watch, plan or act.", nullable=False),
        C("loss", "number", "Size on that day.", "fraction"),
        C("loss_u95", "number", "Its expanded uncertainty.", "fraction", difference=True),
        C("reason", "text", "Why.", nullable=False),
    ),
)

SUCTION_LOSSES = Contract(
    "suction_losses",
    "One row per pump and UTC day with trusted suction readings while running.",
    ("pump", "day"),
    (
        _PUMP,
        C("day", "time", "Day, UTC.", nullable=False),
        C("hours", "integer", "Steady hours it rests on.", nullable=False),
        C("suction_loss", "number", "Mean loss between source and tap.", "pressure_loss"),
        C(
            "reference_loss",
            "number",
            "Loss at the same flows when the line was new or cleaned.",
            "pressure_loss",
        ),
        C(
            "suction_loss_deviation",
            "number",
            "Loss against reference, less one.",
            "fraction",
            difference=True,
        ),
    ),
)

ENERGY_COST = Contract(
    "energy_cost",
    "One row per pump and local month.",
    ("pump", "month"),
    (
        _PUMP,
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
        _PUMP,
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

DATA_QUALITY = Contract(
    "data_quality",
    "One row per tag and local day with samples.",
    ("tag", "day"),
    (
        C("tag", "label", "Tag, as named in the exports.", nullable=False),
        C("day", "time", "Start of the local day, UTC.", nullable=False),
        C("samples", "integer", "Samples accepted.", nullable=False),
        C("coverage", "number", "Covered part of the day.", "fraction"),
        C("longest_gap", "number", "Longest time without a sample.", "duration"),
        C("bad", "integer", "Samples of bad quality.", nullable=False),
        C("uncertain", "integer", "Samples of uncertain quality.", nullable=False),
        C(
            "repeated",
            "integer",
            "Samples equal to the one before; no fault as such.",
            nullable=False,
        ),
        C(
            "flatlined",
            "integer",
            "Samples held far longer than usual while what the tag follows moved.",
            nullable=False,
        ),
        C("spikes", "integer", "Single samples that jump away and straight back.", nullable=False),
        C("out_of_range", "integer", "Samples outside the instrument's range.", nullable=False),
        C("out_of_order", "integer", "Rows older than a row before them.", nullable=False),
        C("identical_duplicates", "integer", "Rows repeated exactly.", nullable=False),
        C(
            "conflicting_duplicates",
            "integer",
            "Rows of one file that contradict each other; the last one stands.",
            nullable=False,
        ),
        C("clock_set_back", "integer", "Times at which a clock was set back.", nullable=False),
    ),
    "month",
)

REJECTED_INPUT = Contract(
    "rejected_input",
    "One row per export file and reason, or per rejected row of it.",
    ("file", "line", "tag", "reason", "text"),
    (
        C("file", "text", "Export file, relative to the plant file.", nullable=False),
        C("line", "integer", "Line of the file; 0 for the file as a whole.", nullable=False),
        C("tag", "text", "Tag, where there is one.", nullable=False),
        C("reason", "text", "Why, in a sentence.", nullable=False),
        C("text", "text", "What stood there.", nullable=False),
        C("rows", "integer", "Rows it stands for.", nullable=False),
    ),
)

RUNS = Contract(
    "runs",
    "One row per run that changed anything.",
    ("generation",),
    (
        C("generation", "integer", "Generation it wrote.", nullable=False),
        C("started", "time", "Wall clock at start, UTC.", nullable=False),
        C("finished", "time", "Wall clock at end, UTC.", nullable=False),
        C("as_of", "time", "Evidence before this instant counts.", nullable=False),
        C("version", "text", "Version of gaugeless.", nullable=False),
        C("new_files", "integer", "Export files taken in.", nullable=False),
        C("failed_files", "integer", "Export files that could not be read.", nullable=False),
        C("rejected_rows", "integer", "Rows rejected in the files taken in.", nullable=False),
        C("rebuilt", "text", "Months of measurements rebuilt.", nullable=False),
        C("failures", "text", "What failed while the rest was done.", nullable=False),
    ),
)

DICTIONARY = Contract(
    "dictionary",
    "One row per column of every table.",
    ("table", "position"),
    (
        C("table", "text", "Table.", nullable=False),
        C("position", "integer", "Place of the column.", nullable=False),
        C("column", "text", "Column name as published.", nullable=False),
        C("grain", "text", "What one row of the table is.", nullable=False),
        C("is_key", "flag", "Whether it is part of the key.", nullable=False),
        C("type", "text", "Kind of value.", nullable=False),
        C("unit", "text", "Unit; empty for plain values.", nullable=False),
        C("quantity", "text", "Quantity it measures.", nullable=False),
        C("symbol", "text", "Symbol in equations.", nullable=False),
        C("nullable", "flag", "Whether values may be missing.", nullable=False),
        C("meaning", "text", "Meaning.", nullable=False),
    ),
)

PUBLISHED: tuple[Contract, ...] = (
    PUMPS,
    FLAGS,
    FLAG_HISTORY,
    TRENDS,
    ROLLING_PERFORMANCE,
    OPERATING_POINTS,
    DAILY_DEVIATIONS,
    ENERGY_COST,
    DUTY_PROFILE,
    BASELINES,
    BASELINE_CURVES,
    SUCTION_FITS,
    SUCTION_LOSSES,
    GAUGE_CHECKS,
    DATA_QUALITY,
    MEASUREMENTS,
    REJECTED_INPUT,
    RUNS,
    DICTIONARY,
)
"""Every published table."""

BY_NAME: dict[str, Contract] = {contract.name: contract for contract in PUBLISHED}


def markdown_list() -> str:
    """List the tables for the README."""
    rows = [f"| `{c.name}` | {c.grain} | {', '.join(f'`{k}`' for k in c.key)} |" for c in PUBLISHED]
    return "\n".join(["| table | one row is | key |", "|---|---|---|", *rows, ""])


if __name__ == "__main__":
    print(markdown_list(), end="")
