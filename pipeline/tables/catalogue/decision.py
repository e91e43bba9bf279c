"""Tables for the decision where a suction gauge belongs."""

from __future__ import annotations

from pipeline.tables.catalogue.columns import PUMP
from pipeline.tables.contracts import Column, Contract

C = Column

SUCTION_SENSITIVITY = Contract(
    "suction_sensitivity",
    "One row per pump, real or hypothetical: what one and the same suction error does to it.",
    ("kind", "pump"),
    (
        C("kind", "label", "pump of the plant, or hypothetical.", nullable=False),
        PUMP,
        C(
            "pressure_error",
            "number",
            "Suction pressure taken less the true one, the same in every row.",
            "pressure",
            nullable=False,
            difference=True,
        ),
        C("pressure_rise", "number", "True pressure rise.", "pressure", difference=True),
        C("total_head", "number", "Total head.", "total_head"),
        C("flow", "number", "Flow.", "flow"),
        C("speed", "number", "Speed; empty where not declared.", "speed"),
        C(
            "specific_speed",
            "number",
            "Dimensionless specific speed in radians at this duty, one stage, one eye.",
            "number",
        ),
        C("electrical_power", "number", "Electrical power.", "electrical_power"),
        C("head_error", "number", "Error of total head.", "total_head", difference=True),
        C(
            "relative_error",
            "number",
            "Error of head and of efficiency, part of themselves.",
            "fraction",
            difference=True,
        ),
        C(
            "efficiency_error",
            "number",
            "Error of overall efficiency, in points.",
            "overall_efficiency",
            difference=True,
        ),
        C(
            "wear_years",
            "number",
            "Years of ordinary wear (1 % a year; common practice, no source) it looks like.",
            "number",
        ),
        C("energy_misstated", "number", "Energy misstated in a year.", "excess_energy"),
        C("cost_misstated", "number", "Its cost; empty without a price.", "cost"),
    ),
)

GAUGE_WORTH = Contract(
    "gauge_worth",
    "One row per pump without a trustworthy suction gauge: what one would be worth.",
    ("pump",),
    (
        PUMP,
        C("rank", "integer", "1 where a gauge is worth most.", nullable=False),
        C(
            "suction_pressure_source",
            "label",
            "Where the suction pressure of the last 30 days is from.",
        ),
        C(
            "suction_pressure_u",
            "number",
            "Standard uncertainty (k = 1) of suction pressure now.",
            "pressure",
            difference=True,
        ),
        C(
            "efficiency_u95",
            "number",
            "What it leaves in overall efficiency, expanded (95 %), in points.",
            "overall_efficiency",
            difference=True,
        ),
        C("cost_u95", "number", "What it leaves in the yearly cost of a loss (95 %).", "cost"),
        C("loss", "number", "Efficiency lost against baseline, part of it.", "fraction"),
        C("overhaul_cost", "number", "Cost of an overhaul, as declared.", "cost"),
        C("gain", "number", "What an overhaul now would gain less its cost.", "cost"),
        C("gain_u95", "number", "Its expanded uncertainty (95 %).", "cost"),
        C(
            "wrong_decision",
            "number",
            "Chance that deciding on the overhaul now is wrong.",
            "fraction",
        ),
        C(
            "wrong_decision_with_gauge",
            "number",
            "That chance once a gauge has been read.",
            "fraction",
        ),
        C("worth", "number", "What a gauge is worth for that decision, on average.", "cost"),
        C("gauge_price", "number", "Price of a gauge, fitted and calibrated.", "cost"),
        C("net_worth", "number", "Worth less price.", "cost"),
        C(
            "verdict",
            "label",
            "worth_it or not_worth_it; no_overhaul_cost or unknown_loss leave it open.",
            nullable=False,
        ),
    ),
)
