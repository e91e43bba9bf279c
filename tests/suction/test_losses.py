"""Daily suction loss against the clean line, by hand calculation."""

import numpy as np
import pandas as pd
import pytest

from pipeline.suction import LossPrior, SuctionLineModel
from pipeline.suction.losses import LEAST_REFERENCE_LOSS, daily_losses

DAY = pd.Timestamp("2024-05-01", tz="UTC")


def clean(header=6000.0, branch=4000.0):
    """Line known to the pascal: header and branch loss at 0.1 m3/s, exponent 2, no offsets."""
    model = SuctionLineModel(
        loss_prior={
            "flow_header": LossPrior(0.1, header, 1e-3),
            "branch:P1": LossPrior(0.1, branch, 1e-3),
        },
        exponent=2.0,
        exponent_u=0.0,
    )
    nothing = pd.DataFrame(
        columns=["pump", "static_pressure", "velocity_pressure", "flow_header", "flow_branch"]
    )
    return model.fit(nothing, [])


def hour(h, flow, reading, *, state="running", spot=False, pump="P1", day=0):
    return {
        "pump": pump, "time": DAY + pd.Timedelta(days=day, hours=h), "state": state, "spot": spot,
        "reading": reading, "static_pressure": 50000.0, "velocity_pressure": 1000.0,
        "flow_header": flow, "flow_branch": flow,
    }  # fmt: skip


def test_loss_and_its_deviation_by_hand():
    """At 0.1 m3/s the clean line loses 10 kPa, at 0.05 a quarter of it: 2.5 kPa."""
    rows = pd.DataFrame(
        [
            hour(0, 0.10, 49000.0 - 10000.0 - 3000.0),
            hour(1, 0.05, 49000.0 - 2500.0 - 1000.0),
            hour(2, 0.10, 49000.0 - 10000.0, day=1),
        ]
    )
    found = daily_losses(rows, clean())
    assert list(found["day"]) == [DAY, DAY + pd.Timedelta(days=1)]
    assert list(found["hours"]) == [2, 1]
    # Day 1: reference (10 + 2.5) / 2 = 6.25 kPa, excess (3 + 1) / 2 = 2 kPa.
    np.testing.assert_allclose(found["reference_loss"], [6250.0, 10000.0], atol=0.5)
    np.testing.assert_allclose(found["suction_loss"], [8250.0, 10000.0], atol=0.5)
    np.testing.assert_allclose(found["suction_loss_deviation"], [2.0 / 6.25, 0.0], atol=1e-4)


def test_standing_rows_spot_readings_and_unknown_pumps_do_not_count():
    good = hour(0, 0.1, 36000.0)
    rows = pd.DataFrame(
        [
            good,
            hour(1, 0.0, 20000.0, state="stopped"),
            hour(2, 0.1, 20000.0, spot=True),
            hour(3, 0.1, 20000.0, pump="P9"),
            hour(4, np.nan, 20000.0),
        ]
    )
    pd.testing.assert_frame_equal(
        daily_losses(rows, clean()), daily_losses(pd.DataFrame([good]), clean())
    )


def test_a_loss_too_small_to_compare_has_no_deviation():
    """0.3 kPa, below `LEAST_REFERENCE_LOSS`, while the loss itself is still told."""
    assert LEAST_REFERENCE_LOSS == 500.0
    rows = pd.DataFrame([hour(0, 0.1, 49000.0 - 300.0 - 200.0)])
    found = daily_losses(rows, clean(header=200.0, branch=100.0))
    assert found["suction_loss"].iloc[0] == pytest.approx(500.0, abs=0.5)
    assert found["suction_loss_deviation"].isna().all()


def test_no_rows_give_an_empty_table_of_the_same_columns():
    rows = pd.DataFrame([hour(0, 0.1, 36000.0)])
    none = daily_losses(rows[rows["pump"] == "P9"], clean())
    assert none.empty
    assert list(none.columns) == list(daily_losses(rows, clean()).columns)
