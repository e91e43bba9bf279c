"""Tables of the suction side: fits, losses and the health of gauges."""

from __future__ import annotations

from pipeline.tables.catalogue.columns import PUMP
from pipeline.tables.contracts import Column, Contract

C = Column

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

SUCTION_LOSSES = Contract(
    "suction_losses",
    "One row per pump and UTC day with trusted suction readings while running.",
    ("pump", "day"),
    (
        PUMP,
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

GAUGE_CHECKS = Contract(
    "gauge_checks",
    "One row per gauge, check and interval in which the gauge was found wanting.",
    ("pump", "gauge", "check", "start"),
    (
        PUMP,
        C("gauge", "label", "suction, discharge or level.", nullable=False),
        C("check", "label", "What was checked.", nullable=False),
        C("start", "time", "Start of the interval, UTC.", nullable=False),
        C("end", "time", "End of the interval, UTC; empty while it lasts."),
        C(
            "verdict",
            "text",
            "fault: the gauge's; suspect: the gauge's or of what it was held against.",
            nullable=False,
        ),
        C("excludes", "flag", "Whether readings are not used meanwhile.", nullable=False),
        C("magnitude", "number", "Size of the fault.", "pressure", difference=True),
        C("magnitude_u95", "number", "Its expanded uncertainty.", "pressure", difference=True),
        C("evidence", "text", "One sentence.", nullable=False),
    ),
)
