"""Flags of a run, replayed from the daily deviations."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.jobs.baselines import Baseline
from pipeline.jobs.context import Run


def find_flags(run: Run, baselines: Sequence[Baseline]) -> None:
    """Build ``flags``."""
    run.build("flags", None, ["flags", 0], lambda: run.contract("flags").empty())
