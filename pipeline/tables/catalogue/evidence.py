"""Tables of what the exports held and how good it was."""

from __future__ import annotations

from pipeline.tables.contracts import Column, Contract

C = Column

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
        C(
            "out_of_order",
            "integer",
            "Rows older than their tag's row before.",
            nullable=False,
        ),
        C("identical_duplicates", "integer", "Rows repeated exactly.", nullable=False),
        C(
            "conflicting_duplicates",
            "integer",
            "Rows of one file that contradict each other; the last one stands.",
            nullable=False,
        ),
        C("clock_set_back", "integer", "Times at which a clock was set back.", nullable=False),
        C(
            "contradictions",
            "integer",
            "Instants of which two files say different things; the one that came later stands.",
            nullable=False,
        ),
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

LATE_ARRIVALS = Contract(
    "late_arrivals",
    "One row per export file, tag and local day that had been published before its rows came.",
    ("generation", "file", "tag", "day"),
    (
        C("generation", "integer", "Generation that took them in.", nullable=False),
        C("file", "text", "Export file, relative to the plant file.", nullable=False),
        C("tag", "label", "Tag, as named in the exports.", nullable=False),
        C("day", "time", "Start of the local day, UTC.", nullable=False),
        C("samples", "integer", "Samples that nobody had said before.", nullable=False),
    ),
)
