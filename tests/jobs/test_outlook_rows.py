"""When a limit is crossed, from a loss that grows along a straight line."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
from small_plant import a_pump

from pipeline.jobs.baselines import Baseline
from pipeline.jobs.outlook import _overhaul, _row
from pipeline.jobs.pump_epochs import Epoch
from pipeline.plant.types import BEGINNING
from pipeline.tables.catalogue import BY_NAME

LAST = pd.Timestamp("2026-06-30T00:00Z")
RATE = -0.08


def rows(now: float) -> tuple[Baseline, dict[str, object]]:
    """A loss of 8 % a year that stands at `now` on the last day."""
    pump = a_pump()
    b = Baseline(epoch=Epoch(pump=pump, start=BEGINNING, end=LAST), curve=None, level_only=None,
                 source="learned")  # fmt: skip
    ago = np.arange(-200, 1)
    daily = pd.DataFrame(
        {
            "day": LAST + pd.to_timedelta(ago, unit="D"),
            "efficiency_deviation": now + RATE * ago / 365.25,
            "efficiency_deviation_u_systematic": 1e-4,
            "electrical_energy": 1e9,
        }
    )
    trends = pd.DataFrame(
        {
            "pump": [pump.id], "start": [BEGINNING], "assumption": ["as_used"],
            "quantity": ["efficiency"], "status": ["ok"], "rate": [RATE], "rate_low": [RATE - 1e-3],
            "rate_high": [RATE + 1e-3], "last_day": [LAST],
        }
    )  # fmt: skip
    run = SimpleNamespace(contract=BY_NAME.__getitem__)
    return b, _row(run, b, "efficiency", trends, daily)


def test_a_limit_is_crossed_on_the_day_on_which_the_line_crosses_it():
    """By hand: from 3 % to the limit of 5 % at 8 % a year takes a quarter of a year."""
    _, row = rows(-0.03)
    assert row["status"] == "expected"
    assert row["threshold"] == -0.05
    crossed = LAST + pd.Timedelta(days=365.25 / 4.0)
    assert abs(row["reach_time"] - crossed) < pd.Timedelta(days=2)
    assert row["reach_earliest"] <= crossed <= row["reach_latest"]


def test_an_overhaul_is_due_on_the_day_it_costs_least():
    """Brute force: the day at which waiting costs a year what the best cycle costs on average."""
    _, row = rows(-0.03)
    cost, yearly = 4000.0, 50_000.0
    cheap = SimpleNamespace(epoch=SimpleNamespace(pump=SimpleNamespace(
        maintenance=SimpleNamespace(overhaul_cost=cost))))  # fmt: skip
    found = _overhaul(cheap, row, yearly)
    cycle = np.arange(1, 20_000) / 365.25
    mean = (cost + 0.5 * -RATE * yearly * cycle**2) / cycle
    assert abs(found["overhaul_interval"] - cycle[mean.argmin()]) < 2 / 365.25
    wait = np.arange(0, 3000) / 365.25
    loss_a_year = yearly * (0.03 - RATE * wait)
    due = LAST + pd.Timedelta(days=int(np.argmax(loss_a_year >= mean.min())))
    assert abs(found["overhaul_time"] - due) < pd.Timedelta(days=2)


def test_what_is_due_already_is_due_on_the_last_day():
    _, row = rows(-0.09)
    assert (row["status"], row["reach_time"]) == ("crossed", LAST)
