"""A maker's curve tells of shaft power: what is published of it must be electrical."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from small_plant import a_pump

from pipeline.jobs.baseline_tables import baseline_rows, curve_rows
from pipeline.jobs.baselines import baseline_of
from pipeline.jobs.pump_epochs import Epoch
from pipeline.plant import CurvePoint, Driver
from pipeline.plant.types import BEGINNING

EPOCH_END = pd.Timestamp("2026-01-01T00:00Z")
# Pump of our own: 0.08 m3/s at 40 m with 80 % and its neighbours on smooth curves.
CURVE = tuple(
    CurvePoint(flow=q, head=52.0 - 1875.0 * q**2, efficiency=0.8 - 60.0 * (q - 0.08) ** 2)
    for q in np.linspace(0.03, 0.11, 9)
)
SHAFT = 998.2 * 9.80665 * 0.08 * 40.0 / 0.8
"""Shaft power at 0.08 m3/s, by hand [W]."""


def rows(**driver: object) -> tuple[pd.Series, pd.Series]:
    pump = a_pump(baseline_curve=CURVE, driver=Driver(**driver))
    b = baseline_of(Epoch(pump=pump, start=BEGINNING, end=EPOCH_END), pd.DataFrame())
    curves = curve_rows([b])
    at = curves.iloc[(curves["flow"] - 0.08).abs().argmin()]
    return baseline_rows([b]).iloc[0], at


def test_what_motor_and_drive_take_is_in_the_published_curve():
    """By hand: a motor at full load of 94 % behind a drive of 96 % makes 72.2 % of 80 %."""
    row, at = rows(
        rated_power=SHAFT, rated_efficiency=0.94, drive_efficiency=0.96,
        power_measured_at="drive_input", efficiency_u=0.01,
    )  # fmt: skip
    assert at["flow"] == pytest.approx(0.08, rel=1e-3)
    assert at["overall_efficiency"] == pytest.approx(0.8 * 0.94 * 0.96, rel=0.01)
    assert at["electrical_power"] == pytest.approx(SHAFT / 0.94 / 0.96, rel=0.01)
    assert row["best_efficiency"] == pytest.approx(0.8 * 0.94 * 0.96, rel=0.01)
    # One per cent of the driver's efficiency is the least that can be known.
    assert at["overall_efficiency_u95"] > 2.0 * 0.01 * at["overall_efficiency"]


def test_a_meter_behind_the_drive_does_not_see_it():
    _, at = rows(
        rated_power=SHAFT, rated_efficiency=0.94, drive_efficiency=0.96,
        power_measured_at="motor_input",
    )  # fmt: skip
    assert at["overall_efficiency"] == pytest.approx(0.8 * 0.94, rel=0.01)


def test_without_a_motor_nothing_electrical_is_said():
    row, at = rows(rated_power=None)
    assert np.isnan(row["best_efficiency"])
    assert np.isnan(at["electrical_power"])
    assert np.isnan(at["overall_efficiency"])
    assert at["total_head"] == pytest.approx(40.0, rel=0.01)
