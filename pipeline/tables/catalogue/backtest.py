"""Table of the back-test of gauge assumptions."""

from __future__ import annotations

from pipeline.tables.catalogue.columns import PUMP
from pipeline.tables.contracts import Column, Contract

C = Column


def _with_interval(name: str, quantity: str, meaning: str) -> tuple[Column, ...]:
    """Give a figure with the ends of its 95 % interval."""
    return (
        C(name, "number", meaning, quantity, difference=True),
        C(f"{name}_low", "number", "Lower end of its 95 % interval.", quantity, difference=True),
        C(
            f"{name}_high",
            "number",
            "Upper end of its 95 % interval.",
            quantity,
            difference=True,
        ),
    )


def _errors(name: str, what: str) -> tuple[Column, ...]:
    return (
        *_with_interval(f"{name}_bias", name, f"Mean error of {what}, assumed less measured."),
        *_with_interval(f"{name}_rmse", name, f"Root mean square error of {what}."),
        *_with_interval(f"{name}_p95", name, f"95th percentile of the absolute error of {what}."),
    )


BACKTEST_SCORES = Contract(
    "backtest_scores",
    "One row per pump, span with a trusted gauge, way of hiding it, and assumption.",
    ("pump", "start", "design", "assumption"),
    (
        PUMP,
        C("start", "time", "Start of the span in which the gauge is trusted.", nullable=False),
        C("end", "time", "End of the span.", nullable=False),
        C("design", "label", "How the gauge was hidden.", nullable=False),
        C("assumption", "label", "What was taken in its place.", nullable=False),
        C(
            "as_of",
            "time",
            "Evidence before this instant counted.",
            nullable=False,
        ),
        C("points", "integer", "Operating points scored.", nullable=False),
        C("days", "integer", "Local days with such points.", nullable=False),
        C(
            "answered",
            "number",
            "Share of the points the assumption had an answer for.",
            "fraction",
        ),
        C(
            "fallback",
            "number",
            "Share of the answers that level only gave in place of the model.",
            "fraction",
        ),
        *_errors("suction_pressure", "the reading of the hidden suction gauge"),
        *_errors("total_head", "total head"),
        *_errors("overall_efficiency", "overall efficiency, in points"),
        *_with_interval(
            "coverage",
            "fraction",
            "Share of readings inside the interval stated for them (95 %); empty where none is.",
        ),
        C(
            "half_width",
            "number",
            "Mean half width of that interval.",
            "suction_pressure",
            difference=True,
        ),
        C(
            "warned",
            "number",
            "Share of the answers with a warning that the pump's pressure rise is not explained.",
            "fraction",
        ),
        C(
            "unwarned_outside",
            "number",
            "Share of readings outside the stated interval without such a warning.",
            "fraction",
        ),
        C("trend_status", "text", "Whether trends could be compared, or why not.", nullable=False),
        C(
            "rate_measured",
            "number",
            "Change of efficiency per year with the gauge.",
            "rate_per_year",
        ),
        C("rate_assumed", "number", "The same with the assumption.", "rate_per_year"),
        C("rate_error", "number", "Their difference.", "rate_per_year", difference=True),
        C("flags_measured", "integer", "Flags the gauge gives.", nullable=False),
        C("flags_raised", "integer", "Flags only the assumption gives.", nullable=False),
        C("flags_missed", "integer", "Flags only the gauge gives.", nullable=False),
        C("detection_delay", "number", "Mean delay of the flags both give.", "duration"),
        C(
            "acceptance_assumed",
            "label",
            "Verdict on a pump that does what the gauge says it did when good.",
            nullable=False,
        ),
        C(
            "acceptance_changed",
            "flag",
            "Whether the assumption fails such a pump.",
            nullable=False,
        ),
        *_with_interval(
            "energy_misstated",
            "excess_energy",
            "Energy per year wrongly put down to the pump; negative where hidden.",
        ),
        *_with_interval("cost_misstated", "cost", "Its cost; empty without a price."),
    ),
)
