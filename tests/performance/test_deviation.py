"""Deviation at the same duty: sound pumps show none, sick ones show theirs, whatever the duty."""

import numpy as np
import pandas as pd
import pytest
from uncertainties import ufloat

from pipeline.errors import ContractError
from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.deviation import daily_deviation, deviation, deviation_of_flow_error

G, RHO = 9.80665, 998.2


def true_head(flow):
    return 60.0 - 5.0e2 * flow**2


def true_power(flow):
    return 60e3 + 400e3 * flow - 200e3 * flow**2


def points_at(flow, **changes):
    flow = np.asarray(flow, dtype=float)
    return pd.DataFrame(
        {
            "time": pd.date_range("2024-03-30", periods=len(flow), freq="h", tz="UTC").as_unit(
                "us"
            ),
            "flow": flow,
            "total_head": true_head(flow),
            "electrical_power": true_power(flow),
        }
    ).assign(**changes)


@pytest.fixture(scope="module")
def baseline():
    return BaselineCurve().fit(points_at(np.linspace(0.05, 0.3, 200)))


def test_a_sound_pump_shows_nothing_wherever_it_runs(baseline):
    """Moving along the curve, another speed and another density are not degradation."""
    flow = np.linspace(0.1, 0.25, 20)
    ratio = np.linspace(0.85, 1.1, 20)
    points = pd.DataFrame(
        {
            "flow": flow * ratio,
            "total_head": true_head(flow) * ratio**2,
            "electrical_power": true_power(flow) * ratio**3 * 0.98,
            "speed_ratio": ratio,
            "density": RHO * 0.98,
        }
    )
    found = deviation(points, baseline)
    columns = ["head_deviation", "power_deviation", "efficiency_deviation"]
    assert np.abs(found[columns].to_numpy()).max() < 1e-6
    assert (found["deviation_status"] == "ok").all()


def test_a_known_loss_is_found(baseline):
    """Three per cent less head at two per cent more power: 0.97/1.02 - 1 in efficiency."""
    flow = np.linspace(0.1, 0.25, 7)
    points = points_at(
        flow, total_head=0.97 * true_head(flow), electrical_power=1.02 * true_power(flow)
    )
    found = deviation(points, baseline)
    assert found["head_deviation"].to_numpy() == pytest.approx(-0.03, abs=1e-6)
    assert found["power_deviation"].to_numpy() == pytest.approx(0.02, abs=1e-6)
    assert found["efficiency_deviation"].to_numpy() == pytest.approx(0.97 / 1.02 - 1, abs=1e-6)


def test_status_says_why_there_is_no_deviation(baseline):
    points = points_at([0.01, 0.15, 0.15, 0.15])
    points.loc[1, "total_head"] = np.nan
    points.loc[2, "electrical_power"] = 0.0
    found = deviation(points, baseline)
    assert found["deviation_status"].tolist() == [
        "outside_baseline_range",
        "missing_input",
        "missing_input",
        "ok",
    ]
    values = found.drop(columns="deviation_status")
    assert values.iloc[:3].isna().all(axis=None)
    assert values.iloc[3].notna().all()
    refused = BaselineCurve().fit(points_at([0.1] * 3))
    assert (deviation(points, refused)["deviation_status"] == "no_baseline").all()


def test_uncertainty_agrees_with_an_independent_propagation(baseline):
    """Against the uncertainties package, which differentiates the whole chain by itself."""
    flow, head, power = 0.21, 44.0, 131e3
    parts = {
        "random": (0.003, 0.4, 800.0),
        "systematic": (0.002, 0.2, 600.0),
    }
    points = pd.DataFrame(
        {"flow": [flow], "total_head": [head], "electrical_power": [power]}
    ).assign(
        **{
            f"{name}_u_{part}": u
            for part, us in parts.items()
            for name, u in zip(("flow", "total_head", "electrical_power"), us, strict=True)
        }
    )
    found = deviation(points, baseline, systematic_cancels=False).iloc[0]
    for part, (u_q, u_h, u_p) in parts.items():
        q, h, p = ufloat(flow, u_q), ufloat(head, u_h), ufloat(power, u_p)
        expected = {
            "head": h / true_head(q) - 1,
            "power": p / true_power(q) - 1,
            "efficiency": (h / true_head(q)) / (p / true_power(q)) - 1,
        }
        for name, value in expected.items():
            assert found[f"{name}_deviation"] == pytest.approx(value.nominal_value, abs=1e-6)
            assert found[f"{name}_deviation_u_{part}"] == pytest.approx(value.std_dev, rel=1e-3)


def test_systematic_errors_that_cancel_are_left_out(baseline):
    points = points_at([0.15, 0.15], total_head_u_systematic=1.0, total_head_u_random=0.3)
    found = deviation(points, baseline, systematic_cancels=[True, False])
    same, other = found["head_deviation_u_systematic"]
    assert same < 1e-6
    assert other == pytest.approx(1.0 / true_head(0.15), rel=1e-6)
    random = found["head_deviation_u_random"].to_numpy()
    assert random == pytest.approx(0.3 / true_head(0.15), rel=1e-6)


def test_a_makers_curve_keeps_its_own_uncertainty():
    curve = BaselineCurve.from_curve_points(
        points_at(np.linspace(0.05, 0.3, 8)), power="electrical_power", head_u_relative=0.02
    )
    found = deviation(points_at([0.15]), curve)
    assert found["head_deviation_u_systematic"][0] == pytest.approx(0.02, rel=0.02)


def test_daily_values_are_ratios_of_sums(baseline):
    """By hand: energy at baseline efficiency over energy taken, in local days."""
    flow = np.tile([0.10, 0.25], 36)
    points = points_at(flow, total_head_u_random=0.5, total_head_u_systematic=0.2)
    points["electrical_power"] *= np.where(np.arange(72) % 2, 1.10, 1.0)
    points.loc[5, "flow"] = 0.9
    found = deviation(points, baseline, systematic_cancels=False)
    # Athens puts its clocks forward on 31 March 2024: that day has 23 hours.
    daily = daily_deviation(points, found, baseline, time_zone="Europe/Athens", mean_flow=True)
    assert daily["n_points"].tolist() == [21, 23, 24, 3]
    assert str(daily["time"].dtype) == "datetime64[us, UTC]"
    assert daily["time"][1].isoformat() == "2024-03-30T22:00:00+00:00"
    second = points.iloc[22:45]
    # Mean and standard deviation of the day's flows, weighted by flow times baseline head.
    work = second["flow"] * baseline.predict_head(second["flow"])
    mean = (work * second["flow"]).sum() / work.sum()
    assert daily["flow"][1] == pytest.approx(mean)
    spread = np.sqrt((work * (second["flow"] - mean) ** 2).sum() / work.sum())
    assert daily["flow_spread"][1] == pytest.approx(spread)
    needed = RHO * G * second["flow"] * second["total_head"]
    efficiency = baseline.predict_efficiency(second["flow"])
    ratio = (needed / efficiency).sum() / second["electrical_power"].sum()
    assert daily["efficiency_deviation"][1] == pytest.approx(ratio - 1)
    single = found["head_deviation_u_random"].iloc[22:45]
    assert daily["head_deviation_u_random"][1] < 1.3 * single.mean() / np.sqrt(23)
    assert daily["head_deviation_u_systematic"][1] == pytest.approx(
        found["head_deviation_u_systematic"].iloc[22:45].mean(), rel=0.05
    )


def test_no_good_point_gives_an_empty_frame(baseline):
    points = points_at([0.9])
    daily = daily_deviation(points, deviation(points, baseline), baseline)
    assert len(daily) == 0
    assert "efficiency_deviation_u_systematic" in daily.columns


def test_a_meter_reading_low_looks_like_leakage(baseline):
    """A reading 2 % low on a falling curve shows head down; leakage of 2 % does the same."""
    flow = np.array([0.12, 0.2])
    shown = deviation_of_flow_error(flow, baseline, -0.02)
    read = deviation(points_at(flow).assign(flow=0.98 * flow), baseline)
    for name in ("head", "power", "efficiency"):
        np.testing.assert_allclose(shown[f"{name}_deviation"], read[f"{name}_deviation"], atol=1e-6)
    assert (shown["head_deviation"] < 0).all()


def test_input_is_left_alone_and_columns_are_asked_for(baseline):
    points = points_at([0.1, 0.2])
    copy = points.copy(deep=True)
    deviation(points, baseline)
    pd.testing.assert_frame_equal(points, copy)
    with pytest.raises(ContractError, match="column electrical_power: found nothing"):
        deviation(points.drop(columns="electrical_power"), baseline)
