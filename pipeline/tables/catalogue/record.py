"""Tables of the record itself: runs, and the dictionary of all columns."""

from __future__ import annotations

from pipeline.tables.contracts import Column, Contract

C = Column

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
        C(
            "late_rows",
            "integer",
            "New rows taken in for local days that an earlier run had published.",
            nullable=False,
        ),
        C("rebuilt", "text", "Months of measurements rebuilt.", nullable=False),
        C("failures", "text", "What failed while the rest was done.", nullable=False),
        C(
            "flag_changes",
            "text",
            "Flags that opened, grew, closed or were withdrawn since the run before.",
        ),
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
