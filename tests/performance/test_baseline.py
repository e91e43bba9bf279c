"""Baseline curves: recovery of a known pump, honest uncertainty, refusal, round trips."""

import csv

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import lfilter

from pipeline.errors import ContractError
from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.reduction import reduce_points

G, RHO = 9.80665, 998.2


def true_head(flow):
    return 60.0 - 5.0e2 * flow**2


def true_power(flow):
    """Electrical power of a pump whose overall efficiency peaks at 0.2 m3/s."""
    return 60e3 + 400e3 * flow - 200e3 * flow**2


def true_efficiency(flow):
    return RHO * G * flow * true_head(flow) / true_power(flow)


def running(rng, n=600, low=0.08, high=0.26, noise=0.004, lag1=0.0):
    """Steady points of a sound pump with relative noise on head and power."""
    flow = rng.uniform(low, high, n)
    wobble = rng.normal(0.0, noise, (2, n))
    if lag1:
        # Started long before, so that the first hour is as wild as the last.
        wobble = rng.normal(0.0, noise * np.sqrt(1 - lag1**2), (2, n + 500))
        wobble = lfilter([1.0], [1.0, -lag1], wobble)[:, 500:]
    return pd.DataFrame(
        {
            "time": pd.date_range("2023-01-01", periods=n, freq="h", tz="UTC").as_unit("us"),
            "flow": flow,
            "total_head": true_head(flow) * (1 + wobble[0]),
            "electrical_power": true_power(flow) * (1 + wobble[1]),
        }
    )


def test_exact_points_give_the_exact_curve():
    flow = np.linspace(0.08, 0.26, 50)
    points = pd.DataFrame(
        {"flow": flow, "total_head": true_head(flow), "electrical_power": true_power(flow)}
    )
    curve = BaselineCurve().fit(points)
    inside = np.linspace(0.09, 0.25, 7)
    assert curve.status_ == "ok"
    assert curve.predict_head(inside) == pytest.approx(true_head(inside), rel=1e-7)
    assert curve.predict_power(inside) == pytest.approx(true_power(inside), rel=1e-7)
    assert curve.predict_efficiency(inside) == pytest.approx(true_efficiency(inside), rel=1e-7)
    # The peak by dense search on the true curve, an independent way to the same flow.
    dense = np.linspace(0.08, 0.26, 180001)
    best = dense[np.argmax(true_efficiency(dense))]
    assert curve.best_efficiency_flow_ == pytest.approx(best, abs=2e-5)


def test_slopes_agree_with_differences():
    curve = BaselineCurve().fit(running(np.random.default_rng(3)))
    flow, step = np.array([0.1, 0.17, 0.24]), 1e-6
    rise = (curve.predict_head(flow + step) - curve.predict_head(flow - step)) / (2 * step)
    assert curve.head_slope(flow) == pytest.approx(rise, rel=1e-5)
    rise = (curve.predict_power(flow + step) - curve.predict_power(flow - step)) / (2 * step)
    assert curve.power_slope(flow) == pytest.approx(rise, rel=1e-5)


@pytest.mark.parametrize("lag1", [0.0, 0.98])
def test_stated_uncertainty_covers_the_truth(lag1):
    """95 % of the 95 % intervals of head and efficiency cover, hours alike or not."""
    flow = np.array([0.10, 0.17, 0.24])
    head, efficiency, cases = 0, 0, 40
    for seed in range(cases):
        points = running(np.random.default_rng(seed), n=1200 if lag1 else 300, lag1=lag1)
        curve = BaselineCurve().fit(points)
        value, u = curve.predict_head(flow, return_std=True)
        head += int(np.sum(np.abs(value - true_head(flow)) < 1.96 * u))
        value, u = curve.predict_efficiency(flow, return_std=True)
        efficiency += int(np.sum(np.abs(value - true_efficiency(flow)) < 1.96 * u))
    assert head / (3 * cases) > 0.88
    assert efficiency / (3 * cases) > 0.88
    # Not by being too wide either: the interval must shrink with evidence.
    assert np.max(u / value) < 0.02


def test_outliers_do_not_move_the_curve():
    points = running(np.random.default_rng(5))
    wild = points.copy()
    rng = np.random.default_rng(6)
    bad = rng.choice(len(wild), 60, replace=False)
    wild.loc[bad[:30], "total_head"] *= 0.5
    wild.loc[bad[30:], "electrical_power"] *= 1.6
    wild.loc[bad[:3], "flow"] = 5.0
    clean, robust = BaselineCurve().fit(points), BaselineCurve().fit(wild)
    flow = np.linspace(0.09, 0.25, 9)
    assert robust.n_rejected_ >= 60
    assert robust.predict_head(flow) == pytest.approx(clean.predict_head(flow), rel=2e-3)
    assert robust.predict_power(flow) == pytest.approx(clean.predict_power(flow), rel=2e-3)
    assert robust.q_max_ < 0.27


def test_outside_the_range_it_declines():
    curve = BaselineCurve().fit(running(np.random.default_rng(1)))
    flow = np.array([0.05, 0.15, 0.30, np.nan])
    assert np.isnan(curve.predict_head(flow)).tolist() == [True, False, True, True]
    assert np.isnan(curve.predict_efficiency(flow, return_std=True)[1]).tolist() == [
        True,
        False,
        True,
        True,
    ]
    assert curve.is_outside(flow).tolist() == [True, False, True, False]


def test_scalars_give_scalars():
    curve = BaselineCurve().fit(running(np.random.default_rng(1)))
    assert np.ndim(curve.predict_head(0.15)) == 0


@pytest.mark.parametrize(("low", "high"), [(0.150, 0.1502), (0.147, 0.153), (0.14, 0.16)])
def test_a_narrow_range_stays_tame(low, high):
    """Head never rises, the truth is within the stated uncertainty, no wild parabola."""
    points = running(np.random.default_rng(8), n=300, low=low, high=high)
    curve = BaselineCurve().fit(points)
    flow = np.linspace(curve.q_min_, curve.q_max_, 11)
    head, u = curve.predict_head(flow, return_std=True)
    assert np.all(np.diff(head) <= 1e-9)
    assert np.all(np.abs(head - true_head(flow)) < 3 * u)
    assert np.max(np.abs(head / true_head(flow) - 1)) < 0.003
    assert len(curve.head_coefficients_) <= 3


def test_flow_noise_is_not_read_as_a_slope():
    """Flow that varies by its own noise only: a level, with the slope in the uncertainty."""
    rng = np.random.default_rng(9)
    flow = 0.15 * (1 + rng.normal(0, 0.01, 300))
    points = pd.DataFrame(
        {
            "flow": flow,
            "total_head": true_head(0.15) * (1 + rng.normal(0, 0.002, 300)),
            "electrical_power": true_power(0.15) * (1 + rng.normal(0, 0.002, 300)),
            "flow_u_random": 0.0015,
        }
    )
    curve = BaselineCurve().fit(points)
    ends = np.array([curve.q_min_, curve.q_max_])
    head, u = curve.predict_head(ends, return_std=True)
    assert head[0] == pytest.approx(head[1], rel=1e-6)
    # A head curve whose relative slope is one would differ by the relative flow range.
    assert np.all(u / head > 0.9 * (ends[1] - ends[0]) / 2 / 0.15)


def test_a_rising_head_is_not_believed_unless_allowed():
    flow = np.linspace(0.1, 0.2, 60)
    points = pd.DataFrame(
        {"flow": flow, "total_head": 40 + 50 * flow, "electrical_power": true_power(flow)}
    )
    strict = BaselineCurve().fit(points)
    assert np.ptp(strict.predict_head(np.linspace(0.11, 0.19, 5))) < 1e-6
    free = BaselineCurve(monotone_head=False).fit(points)
    assert free.predict_head(0.15) == pytest.approx(47.5)


def test_speed_and_density_are_taken_out():
    """Affinity laws, maker's bulletin No. 33: 1700 to 2000 rpm, 200/60/5 gives 235/83/8.1."""
    one = pd.DataFrame(
        {
            "flow": [235.294],
            "total_head": [83.045],
            "electrical_power": [8.1417],
            "speed_ratio": [2000 / 1700],
            "density": [RHO],
        }
    )
    reduced = reduce_points(one)
    assert reduced.iloc[0].tolist() == pytest.approx([200, 60, 5], rel=1e-5)
    rng = np.random.default_rng(2)
    points = running(rng, noise=1e-9)
    ratio = rng.uniform(0.8, 1.1, len(points))
    moved = points.assign(
        flow=points["flow"] * ratio,
        total_head=points["total_head"] * ratio**2,
        electrical_power=points["electrical_power"] * ratio**3 * 0.97,
        speed_ratio=ratio,
        density=RHO * 0.97,
    )
    flow = np.linspace(0.1, 0.25, 5)
    curve = BaselineCurve().fit(moved)
    assert curve.predict_efficiency(flow) == pytest.approx(true_efficiency(flow), rel=1e-5)


def test_refusals_are_typed():
    few = BaselineCurve().fit(running(np.random.default_rng(1), n=10))
    assert few.status_ == "insufficient_points"
    assert np.isnan(few.predict_head(0.15))
    assert few.is_outside(0.15)
    points = running(np.random.default_rng(1))
    # More water power than electrical power: a wrong unit, not a pump.
    free_energy = BaselineCurve().fit(points.assign(electrical_power=20e3))
    assert free_energy.status_ == "unphysical"
    nothing = BaselineCurve().fit(points.assign(total_head=np.nan))
    assert (nothing.status_, nothing.n_points_) == ("insufficient_points", 0)


def test_missing_columns_are_named_together():
    with pytest.raises(ContractError, match=r"(?s)column flow.*column electrical_power"):
        BaselineCurve().fit(pd.DataFrame({"total_head": [1.0]}))
    with pytest.raises(ContractError, match="found 'kw'; expected 'electrical_power' or"):
        BaselineCurve("kw").fit(running(np.random.default_rng(1)))


def test_input_is_left_alone():
    points = running(np.random.default_rng(1))
    copy = points.copy(deep=True)
    BaselineCurve().fit(points)
    pd.testing.assert_frame_equal(points, copy)


@pytest.mark.parametrize("n", [5, 600])
def test_round_trip_through_a_flat_table(n):
    curve = BaselineCurve().fit(running(np.random.default_rng(4), n=n))
    table = curve.to_table()
    assert set(table.dtypes.astype(str)) <= {"str", "int64", "float64"}
    again = BaselineCurve.from_table(table.sample(frac=1.0, random_state=1))
    flow = np.linspace(0.05, 0.3, 11)
    for name in ("predict_head", "predict_power", "predict_efficiency"):
        for old, new in zip(
            getattr(curve, name)(flow, True), getattr(again, name)(flow, True), strict=True
        ):
            np.testing.assert_array_equal(old, new)
    assert again.status_ == curve.status_
    assert again.n_points_ == curve.n_points_
    np.testing.assert_array_equal(again.best_efficiency_flow_u_, curve.best_efficiency_flow_u_)
    pd.testing.assert_frame_equal(again.to_table(), table)


def test_half_a_table_is_refused():
    table = BaselineCurve().fit(running(np.random.default_rng(4))).to_table()
    with pytest.raises(ContractError, match="section covariance: found no rows"):
        BaselineCurve.from_table(table[table["section"] != "covariance"])


def test_best_efficiency_flow_uncertainty_is_that_of_repeated_fits():
    found, stated = [], []
    for seed in range(40):
        points = running(np.random.default_rng(seed), n=1000)
        curve = BaselineCurve(max_degree=2).fit(points)
        found.append(curve.best_efficiency_flow_)
        stated.append(curve.best_efficiency_flow_u_)
    # The standard deviation of forty values is itself known to some 11 %.
    assert np.std(found) == pytest.approx(np.median(stated), rel=0.33)


def test_peak_at_the_edge_is_not_called_best_efficiency_point():
    curve = BaselineCurve().fit(running(np.random.default_rng(1), low=0.05, high=0.10))
    assert curve.status_ == "ok"
    assert np.isnan(curve.best_efficiency_flow_)


# ---------------------------------------------------------------- maker's curve

# Inputs of Fox & McDonald, Introduction to Fluid Mechanics, Example 10.3, as ported in
# FOSSEE/Scilab-TBC-Uploads; head and efficiency recomputed from its equations.
FOX = """Q_gpm,H_ft,Pshaft_hp,eff
500,112.76,22.04,0.6475
800,100.32,26.07,0.7790
1000,89.18,28.51,0.7916
1100,80.93,29.61,0.7610
1200,69.82,31.32,0.6945
1400,42.85,31.96,0.4750
1500,25.49,32.80,0.2950
"""


def fox_points():
    rows = list(csv.DictReader(FOX.splitlines()))
    return pd.DataFrame(
        {
            "flow": [float(r["Q_gpm"]) * 6.30902e-5 for r in rows],
            "total_head": [float(r["H_ft"]) * 0.3048 for r in rows],
            "efficiency": [float(r["eff"]) for r in rows],
        }
    )


def test_makers_curve_reproduces_a_textbook_pump():
    """Fox & McDonald Example 10.3: best efficiency near 0.79 at about 900 to 1000 gpm."""
    points = fox_points()
    curve = BaselineCurve.from_curve_points(points)
    assert curve.source_ == "maker"
    assert curve.predict_head(points["flow"]) == pytest.approx(
        points["total_head"].to_numpy(), rel=0.04
    )
    assert curve.predict_efficiency(points["flow"]) == pytest.approx(
        points["efficiency"].to_numpy(), abs=0.02
    )
    assert 850 < curve.best_efficiency_flow_ / 6.30902e-5 < 1000
    assert curve.efficiency_kind == "pump_efficiency"
    # The maker's tolerance is in it, however well the points fit.
    head, u = curve.predict_head(points["flow"][2], return_std=True)
    assert u / head > 0.05 / 3**0.5


def test_makers_curve_needs_three_points():
    curve = BaselineCurve.from_curve_points(fox_points().iloc[:2])
    assert curve.status_ == "insufficient_points"
    with pytest.raises(ContractError, match="column shaft_power"):
        BaselineCurve.from_curve_points(fox_points().drop(columns="efficiency"))


@settings(max_examples=25, deadline=None)
@given(
    st.floats(20.0, 200.0),
    st.floats(0.05, 0.5),
    st.floats(0.01, 3.0),
)
def test_head_falls_and_the_three_curves_agree(shut_off, drop, size):
    """Whatever the pump: no rising head, and efficiency is rho g Q H / P everywhere."""
    flow = np.linspace(0.3, 1.0, 60) * size
    rng = np.random.default_rng(11)
    head = shut_off * (1 - drop * (flow / size) ** 2) * (1 + rng.normal(0, 0.01, 60))
    power = RHO * G * size * shut_off * (0.6 + 0.5 * flow / size)
    curve = BaselineCurve().fit(
        pd.DataFrame({"flow": flow, "total_head": head, "electrical_power": power})
    )
    grid = np.linspace(curve.q_min_, curve.q_max_, 101)
    fitted = curve.predict_head(grid)
    assert np.all(np.diff(fitted) <= 1e-9 * shut_off)
    assert curve.predict_efficiency(grid) == pytest.approx(
        RHO * G * grid * fitted / curve.predict_power(grid)
    )
