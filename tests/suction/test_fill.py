"""Filling: which source serves a row, with what uncertainty, and why."""

import numpy as np
import pytest

from pipeline.suction import (
    FILL_COLUMNS,
    SOURCES,
    LossPrior,
    SuctionLineModel,
    SuctionModel,
    estimate_with,
    fill_suction,
    level_only,
)


def fitted(line, seed=1):
    rng = np.random.default_rng(seed)
    errors = line.draw_errors(rng)
    X, y, true = line.observe(line.make_truth(20, rng), "P1", errors, rng)
    return SuctionModel(static_u=316.0).fit(X, y), X, y, true


def test_good_gauge_is_measured_and_a_faulty_one_never_is(line):
    model, X, y, _ = fitted(line)
    fault = np.full(y.size, "", dtype=object)
    fault[10:20] = "stuck"
    reading = y.copy()
    reading[30:35] = np.nan
    before = reading.copy()
    table = fill_suction(
        X.index, [estimate_with(model, X)], reading=reading, gauge_fault=fault, gauge_u=400.0
    )
    assert tuple(table.columns) == FILL_COLUMNS
    assert set(table["suction_pressure_source"].iloc[10:20]) == {"modelled"}
    assert set(table["suction_pressure_reason"].iloc[10:20]) == {"gauge: stuck"}
    assert set(table["suction_pressure_reason"].iloc[30:35]) == {"gauge: no_value"}
    measured = table["suction_pressure_source"] == "measured"
    assert measured.sum() == y.size - 15
    assert set(table.loc[measured, "suction_pressure_u_systematic"]) == {400.0}
    np.testing.assert_array_equal(table.loc[measured, "suction_pressure"], y[measured])
    assert set(table.loc[measured, "suction_pressure_reason"]) == {""}
    np.testing.assert_array_equal(reading, before)


def test_declined_rows_fall_to_the_next_source_and_say_why(line):
    _, X, _, true = fitted(line)
    more = X.assign(flow_header=2.5 * X["flow_header"], flow_branch=2.5 * X["flow_branch"])
    more["velocity_pressure"] *= 2.5**2
    far = SuctionModel(static_u=316.0, prediction_limit=60.0).fit(X, true)
    own = estimate_with(far, more)
    running = X["flow_branch"].to_numpy() > 0
    assert set(own.declined[running]) == {"outside_seen_flow"}
    level = level_only(more, static_u=316.0)
    table = fill_suction(X.index, [own, level])
    served = table.loc[running]
    assert set(served["suction_pressure_source"]) == {"level_only"}
    assert set(served["suction_pressure_reason"]) == {"gauge: none; modelled: outside_seen_flow"}
    # 10 velocity heads and the datum, in quadrature.
    np.testing.assert_allclose(
        served["suction_pressure_u_systematic"],
        np.hypot(316.0, 10.0 * more.loc[running, "velocity_pressure"]),
    )


def test_rows_without_inputs_are_missing_and_all_others_have_an_uncertainty(line):
    model, X, _, _ = fitted(line)
    holed = X.copy()
    holed.loc[5:9, "static_pressure"] = np.nan
    table = fill_suction(X.index, [estimate_with(model, holed), level_only(holed, static_u=316.0)])
    gone = table["suction_pressure_source"] == "missing"
    assert list(np.flatnonzero(gone)) == [5, 6, 7, 8, 9]
    numbers = ["suction_pressure", "suction_pressure_u_systematic", "suction_pressure_u_random"]
    assert table.loc[gone, numbers].isna().all().all()
    assert table.loc[~gone, numbers].notna().all().all()
    assert set(table["suction_pressure_reason"][gone]) == {
        "gauge: none; modelled: missing_input; level_only: missing_input"
    }
    assert set(table["suction_pressure_source"]) <= set(SOURCES)


def test_level_only_reads_high_by_the_losses_and_says_so(line):
    _, X, _, true = fitted(line)
    running = X["flow_branch"].to_numpy() > 0
    level = level_only(X, static_u=316.0)
    error = (level.value - true)[running]
    assert np.all(error > 2000.0)
    assert np.mean(np.abs(error) <= 1.96 * level.u_systematic[running]) > 0.95


def test_drawing_serves_where_nothing_was_ever_measured(line):
    _, X, _, true = fitted(line)
    frame = X.assign(pump="P1")
    drawing = SuctionLineModel(
        loss_prior={
            "flow_header": LossPrior(0.1, 1.15 * float(line.HEADER.loss(0.1)), 900.0),
            "branch:P1": LossPrior(0.08, 0.85 * float(line.BRANCHES["P1"].loss(0.08)), 900.0),
        },
        prediction_limit=3000.0,
    ).fit(frame.iloc[:0], [])
    assert drawing.status_ == "prior_only"
    table = fill_suction(X.index, [estimate_with(drawing, frame)])
    assert set(table["suction_pressure_source"]) == {"drawing"}
    u = np.hypot(table["suction_pressure_u_systematic"], table["suction_pressure_u_random"])
    assert np.mean(np.abs(table["suction_pressure"] - true) <= 1.96 * u) > 0.9
    # At the flows the losses are stated for: datum 300, tap 100, two losses of 900 Pa each.
    at_drawing = frame.iloc[[0]].assign(flow_header=0.1, flow_branch=0.08, static_pressure=5e4)
    there = estimate_with(drawing, at_drawing)
    static_scale = 0.003 * 5e4
    by_hand = np.sqrt(300.0**2 + 100.0**2 + 2 * 900.0**2 + static_scale**2)
    assert there.u_systematic[0] == pytest.approx(by_hand, rel=1e-6)
