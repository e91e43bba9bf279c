"""Columns several tables share."""

from __future__ import annotations

from pipeline.tables.contracts import Column

C = Column


def with_uncertainty(name: str, quantity: str, meaning: str) -> tuple[Column, ...]:
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


PUMP = C("pump", "label", "Pump, as named in the plant file.", nullable=False)
SOURCE = C(
    "suction_pressure_source",
    "label",
    "Where the suction pressure is from: measured, modelled, sister, survey, drawing, "
    "level_only or missing. Anything but measured is a model's word.",
)
