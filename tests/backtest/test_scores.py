"""Scores of made-up errors against hand calculations."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.backtest.assumptions import Assumed
from pipeline.backtest.replay import Question, month_errors, series_name
from pipeline.backtest.scores import error_scores

G = 9.80665
RHO = 1000.0
GRID = 600.0


def points_of(days=20, per_day=144):
    time = pd.date_range("2025-03-03", periods=days * per_day, freq="10min", tz="UTC").as_unit("us")
    n = len(time)
    flow = np.full(n, 0.05)
    return pd.DataFrame(
        {
            "time": time,
            "flow": flow,
            "density": RHO,
            "suction_reading": 20_000.0 + np.arange(n) % 7,
            "total_head": 10.0,
            # 75 %: rho g Q H / 0.75.
            "electrical_power": RHO * G * flow * 10.0 / 0.75,
            "shaft_power": np.nan,
            "speed_ratio": 1.0,
        }
    )


def scored(points, error, u=np.nan, source="modelled"):
    reading = points["suction_reading"].to_numpy() + error
    n = len(points)
    answer = Assumed(reading, np.broadcast_to(u, n).astype(float), np.full(n, source, object))
    question = Question("whole_span", "guess", lambda rows: answer)
    inputs = pd.DataFrame(index=points.index)
    sums, sample = month_errors(points, inputs, [question], zone="UTC", grid=GRID)
    sample = sample.assign(day=sample["time"].dt.floor("D"))
    column = sample[series_name("whole_span", "guess")].to_numpy(dtype=float)
    return sums, sample, error_scores(sums, sample, column, np.random.default_rng(1))


def test_a_constant_error():
    """1 kPa too high: H is 1000 / (1000 g) too low, efficiency 75 % of 1/98.0665 too low."""
    points = points_of()
    sums, sample, found = scored(points, np.full(len(points), 1000.0), u=600.0)
    assert (found["points"], found["days"]) == (len(points), 20)
    assert len(sample) == 20 * 24
    head = 1000.0 / (RHO * G)
    for name, value in (
        ("suction_pressure", 1000.0),
        ("total_head", -head),
        ("overall_efficiency", -0.75 * head / 10.0),
    ):
        assert found[f"{name}_bias"] == pytest.approx(value, rel=1e-9)
        assert found[f"{name}_rmse"] == pytest.approx(abs(value), rel=1e-9)
        assert found[f"{name}_p95"] == pytest.approx(abs(value), rel=1e-6)
        # Nothing differs from day to day.
        assert found[f"{name}_bias_low"] == pytest.approx(found[f"{name}_bias_high"], rel=1e-9)
    # 1.0 kPa lies inside +- 2 x 0.6 kPa.
    assert found["coverage"] == 1.0
    assert found["half_width"] == pytest.approx(1200.0)
    # Head 1 % too low makes 1/98.0665 of the energy look lost.
    assert found["misstated_share"] == pytest.approx(head / 10.0, rel=1e-9)
    energy = points["electrical_power"].sum() * GRID
    assert sums["energy"].sum() == pytest.approx(energy, rel=1e-12)


def test_errors_that_differ():
    """Mean, root mean square, coverage of normal errors by numpy on the rows themselves."""
    points = points_of()
    error = np.random.default_rng(7).normal(300.0, 500.0, len(points))
    _sums, _sample, found = scored(points, error, u=400.0)
    assert found["suction_pressure_bias"] == pytest.approx(error.mean(), rel=1e-9)
    assert found["suction_pressure_rmse"] == pytest.approx(np.sqrt(np.mean(error**2)), rel=1e-9)
    assert found["coverage"] == pytest.approx(np.mean(np.abs(error) <= 800.0), rel=1e-12)
    # One row an hour is kept for the quantile: the middle one of six.
    hourly = np.abs(error.reshape(-1, 6)[:, 3])
    assert found["suction_pressure_p95"] == pytest.approx(np.quantile(hourly, 0.95), rel=1e-5)
    assert found["suction_pressure_bias_low"] < 300.0 < found["suction_pressure_bias_high"]


def test_what_has_no_answer_is_not_scored():
    points = points_of()
    error = np.where(np.arange(len(points)) < 10 * 144, 100.0, np.nan)
    _sums, _, found = scored(points, error)
    assert (found["points"], found["days"]) == (10 * 144, 10)
    assert found["suction_pressure_rmse"] == pytest.approx(100.0)
    # No interval was stated, so none is scored.
    assert np.isnan(found["coverage"])
    assert np.isnan(found["half_width"])


def test_rows_only_level_answered_are_counted():
    points = points_of()
    _, _, found = scored(points, np.zeros(len(points)), u=10.0, source="level_only")
    assert found["fallback_share"] == 1.0


def test_inputs_are_left_alone():
    points = points_of(days=6)
    before = points.copy()
    scored(points, np.zeros(len(points)))
    pd.testing.assert_frame_equal(points, before)


def test_warned_rows_and_those_outside_without_a_warning():
    """By hand: 3 kPa off with a stated 2 kPa on half of the days; a warning on 8 of these 10."""
    points = points_of()
    day = np.arange(len(points)) // 144
    error = np.where(day < 10, 3000.0, 0.0)
    n = len(points)
    answer = Assumed(
        points["suction_reading"].to_numpy() + error, np.full(n, 1000.0),
        np.full(n, "modelled", object), day < 8,
    )  # fmt: skip
    question = Question("whole_span", "guess", lambda rows: answer)
    sums, sample = month_errors(
        points, pd.DataFrame(index=points.index), [question], zone="UTC", grid=GRID
    )
    sample = sample.assign(day=sample["time"].dt.floor("D"))
    column = sample[series_name("whole_span", "guess")].to_numpy(dtype=float)
    found = error_scores(sums, sample, column, np.random.default_rng(1))
    assert found["coverage"] == pytest.approx(0.5)
    assert found["warned"] == pytest.approx(0.4)
    assert found["unwarned_outside"] == pytest.approx(0.1)
