"""Every table gaugeless publishes, as contracts, in the order a reader would want them."""

from __future__ import annotations

from pipeline.tables.catalogue.action import (
    EVENT_EFFECTS,
    FLAG_HISTORY,
    FLAGS,
    OUTLOOK,
    PUMPS,
)
from pipeline.tables.catalogue.backtest import BACKTEST_SCORES
from pipeline.tables.catalogue.decision import GAUGE_WORTH, SUCTION_SENSITIVITY
from pipeline.tables.catalogue.energy import (
    DUTY_PROFILE,
    ENERGY_COST,
    INTERVAL_COUNTS,
    OPERATING_REGIONS,
)
from pipeline.tables.catalogue.evidence import (
    DATA_QUALITY,
    LATE_ARRIVALS,
    MEASUREMENTS,
    REJECTED_INPUT,
)
from pipeline.tables.catalogue.performance import (
    BASELINE_CURVES,
    BASELINES,
    DAILY_DEVIATIONS,
    OPERATING_POINTS,
    ROLLING_PERFORMANCE,
    TRENDS,
)
from pipeline.tables.catalogue.record import DICTIONARY, RUNS
from pipeline.tables.catalogue.suction import GAUGE_CHECKS, SUCTION_FITS, SUCTION_LOSSES
from pipeline.tables.contracts import Contract

PUBLISHED: tuple[Contract, ...] = (
    PUMPS,
    FLAGS,
    FLAG_HISTORY,
    OUTLOOK,
    EVENT_EFFECTS,
    TRENDS,
    ROLLING_PERFORMANCE,
    OPERATING_POINTS,
    DAILY_DEVIATIONS,
    ENERGY_COST,
    DUTY_PROFILE,
    OPERATING_REGIONS,
    INTERVAL_COUNTS,
    GAUGE_WORTH,
    SUCTION_SENSITIVITY,
    BASELINES,
    BASELINE_CURVES,
    SUCTION_FITS,
    SUCTION_LOSSES,
    GAUGE_CHECKS,
    BACKTEST_SCORES,
    DATA_QUALITY,
    MEASUREMENTS,
    REJECTED_INPUT,
    LATE_ARRIVALS,
    RUNS,
    DICTIONARY,
)
"""Every published table."""

BY_NAME: dict[str, Contract] = {contract.name: contract for contract in PUBLISHED}


def markdown_list() -> str:
    """List the tables for the README."""
    rows = [f"| `{c.name}` | {c.grain} | {', '.join(f'`{k}`' for k in c.key)} |" for c in PUBLISHED]
    return "\n".join(["| table | one row is | key |", "|---|---|---|", *rows, ""])
