"""Flow of one meter shared by pumps: hand calculations, another optimiser, and the engine."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from parallel_station import PUMPS, parallel_truth
from scipy.optimize import minimize

from pipeline.errors import RangeError
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.performance.allocation import CURVE_CHANGE_U, RATED_U, SharedPump, allocate_flow
from pipeline.performance.baseline import BaselineCurve


def curve(shut_off: float, fall: float, best: float, highest: float) -> BaselineCurve:
    """A maker's curve H = shut_off - fall Q**2 from 0.02 m3/s to `highest`, best at `best`."""
    flow = np.linspace(0.02, highest, 15)
    points = pd.DataFrame(
        {
            "flow": flow,
            "total_head": shut_off - fall * flow**2,
            "efficiency": 0.8 - 20.0 * (flow - best) ** 2,
        }
    )
    return BaselineCurve.from_curve_points(points, head_u_relative=0.01)


LARGE, SMALL = curve(42.0, 700.0, 0.11, 0.17), curve(46.0, 1900.0, 0.07, 0.13)


def pump(of: BaselineCurve, head, u: float = 0.2, speed=1.0) -> SharedPump:
    head = np.atleast_1d(np.asarray(head, dtype=float))
    return SharedPump(
        curve=of,
        total_head=head,
        total_head_u=Uncertainty(np.full(head.shape, u), np.zeros(head.shape)),
        speed_ratio=np.full(head.shape, speed),
    )


def meter(flow, u: float = 0.0) -> tuple[np.ndarray, Uncertainty]:
    flow = np.atleast_1d(np.asarray(flow, dtype=float))
    return flow, Uncertainty(np.full(flow.shape, u), np.zeros(flow.shape))


def test_heads_that_agree_with_the_meter_give_the_flows_of_the_curves():
    """By hand: 42 - 700 x 0.12**2 = 31.92 m and 46 - 1900 x 0.08**2 = 33.84 m."""
    found = allocate_flow([pump(LARGE, 31.92), pump(SMALL, 33.84)], *meter(0.20))
    assert found.flow[:, 0] == pytest.approx([0.12, 0.08], rel=2e-3)
    assert found.difference[0] == pytest.approx(0.0, abs=2e-3)
    assert found.status.tolist() == ["ok"]


def test_equal_pumps_share_a_difference_equally():
    """By symmetry, whatever the heads say together: half of the meter each."""
    found = allocate_flow([pump(LARGE, 33.0), pump(LARGE, 33.0)], *meter(0.25))
    assert found.flow[:, 0] == pytest.approx([0.125, 0.125])
    u = found.flow_u.combined[:, 0]
    assert u[0] == pytest.approx(u[1])


def test_speed_follows_the_affinity_laws():
    """At 90 % speed 0.12 m3/s becomes 0.108 and 31.92 m becomes 25.855 m."""
    found = allocate_flow([pump(LARGE, 31.92 * 0.81, speed=0.9), pump(SMALL, 33.84)], *meter(0.188))
    assert found.flow[:, 0] == pytest.approx([0.108, 0.08], rel=2e-3)


def test_a_pump_without_a_head_takes_what_is_left():
    found = allocate_flow([pump(LARGE, 31.92, u=0.02), pump(SMALL, np.nan)], *meter(0.20))
    assert found.flow[:, 0] == pytest.approx([0.12, 0.08], rel=0.02)


def test_a_single_pump_takes_the_meter():
    """Another pump with a meter of its own may run beside it: nothing is left to share."""
    found = allocate_flow([pump(LARGE, 20.0)], *meter(0.12, 0.001))
    assert found.flow[0, 0] == pytest.approx(0.12)
    assert found.flow_u.combined[0, 0] == pytest.approx(0.001)


def test_two_pumps_without_heads_are_not_allocated():
    found = allocate_flow([pump(LARGE, np.nan), pump(SMALL, np.nan)], *meter(0.20))
    assert found.status.tolist() == ["undetermined"]
    assert np.isnan(found.flow).all()


def test_without_a_meter_or_a_curve_nothing_is_allocated():
    found = allocate_flow([pump(LARGE, 31.92), pump(SMALL, 33.84)], *meter(np.nan))
    assert found.status.tolist() == ["no_meter"]
    with pytest.raises(RangeError, match="each with a curve that is ok"):
        allocate_flow([pump(BaselineCurve().fit(pd.DataFrame(
            {"flow": [0.1], "total_head": [30.0], "electrical_power": [1e4]})), 30.0)],
            *meter(0.1))  # fmt: skip
    with pytest.raises(RangeError, match="one or more pumps"):
        allocate_flow([], *meter(0.1))


def test_heads_far_from_the_meter_widen_the_interval_until_nothing_is_said():
    """The factor is Birge's ratio (R. T. Birge, Phys. Rev. 40 (1932) 207)."""
    pumps = [pump(LARGE, 31.92), pump(SMALL, 33.84)]
    close, far = allocate_flow(pumps, *meter(0.20)), allocate_flow(pumps, *meter(0.19))
    assert (far.flow_u.combined > 1.5 * close.flow_u.combined).all()
    assert allocate_flow(pumps, *meter(0.17)).status.tolist() == ["undetermined"]


@given(
    heads=st.tuples(st.floats(27.0, 38.0), st.floats(27.0, 40.0)),
    total=st.floats(0.15, 0.24),
)
@settings(max_examples=12, deadline=None)
def test_an_independent_optimiser_finds_the_same_split(heads, total):
    """The stated sum of squares, minimised along the line Q1 + Q2 = Q by SciPy's bounded search.

    The weights are those of the solution, as Gauss-Newton steps take them.
    """
    curves, u = (LARGE, SMALL), 0.2
    found = allocate_flow(
        [pump(c, h, u) for c, h in zip(curves, heads, strict=True)], *meter(total)
    )
    if found.status[0] != "ok" or any(
        c.is_outside(q) for c, q in zip(curves, found.flow[:, 0], strict=True)
    ):
        return
    rated = [c.best_efficiency_flow_ for c in curves]
    scale = []
    for c, q in zip(curves, found.flow[:, 0], strict=True):
        head, curve_u = c.predict_head(q, return_std=True)
        random = c.head_scatter_ * head
        scale.append(np.sqrt(u**2 + curve_u**2 + (CURVE_CHANGE_U * head) ** 2 + random**2))

    def squares(first):
        terms = 0.0
        for c, h, s, r, q in zip(curves, heads, scale, rated, (first, total - first), strict=True):
            terms += ((h - c.predict_head(q)) / s) ** 2 + ((q - r) / (RATED_U * r)) ** 2
        return float(terms)

    start = found.flow[0, 0]
    best = minimize(lambda x: squares(x[0]), [start], method="Nelder-Mead", options={"xatol": 1e-7})
    assert start == pytest.approx(best.x[0], abs=2e-4)


@given(heads=st.tuples(st.floats(20.0, 45.0), st.floats(20.0, 45.0)), total=st.floats(0.05, 0.3))
@settings(max_examples=20, deadline=None)
def test_flows_add_up_and_do_not_depend_on_the_order(heads, total):
    pumps = [pump(LARGE, heads[0]), pump(SMALL, heads[1])]
    found = allocate_flow(pumps, *meter(total))
    turned = allocate_flow(pumps[::-1], *meter(total))
    assert found.status.tolist() == turned.status.tolist()
    if found.status[0] == "ok":
        assert found.flow.sum() == pytest.approx(total)
        np.testing.assert_allclose(found.flow, turned.flow[::-1], rtol=1e-9)


def test_the_engines_split_lies_within_the_stated_interval():
    """Curves learned from each pump alone; both together run further back, as in real plants."""
    truth = parallel_truth(6)
    rng = np.random.default_rng(1)
    curves = {}
    for one, other in (PUMPS, PUMPS[::-1]):
        alone = truth[truth[f"running_{one}"] & ~truth[f"running_{other}"]]
        noise = rng.normal(size=(2, len(alone)))
        points = pd.DataFrame(
            {
                "time": alone["time"],
                "flow": alone[f"flow_{one}"] * (1.0 + 0.004 * noise[0]),
                "total_head": alone[f"total_head_{one}"] + 0.1 * noise[1],
                "electrical_power": alone[f"electrical_power_{one}"],
            }
        )
        curves[one] = BaselineCurve().fit(points)
    both = truth[truth["running_A"] & truth["running_B"]]
    assert curves["B"].is_outside(both["flow_B"]).mean() > 0.5
    flow, n = both["metered_flow"].to_numpy(), len(both)
    pumps = [
        SharedPump(
            curve=curves[p],
            total_head=both[f"total_head_{p}"].to_numpy() + 0.1 * rng.normal(size=n),
            total_head_u=Uncertainty(np.full(n, 0.1), np.full(n, 0.1)),
            speed_ratio=np.ones(n),
        )
        for p in PUMPS
    ]
    found = allocate_flow(pumps, flow, Uncertainty(0.005 * flow, np.zeros(n)))
    assert set(found.status) == {"ok"}
    for i, p in enumerate(PUMPS):
        error = found.flow[i] - both[f"flow_{p}"].to_numpy()
        assert np.abs(error / both[f"flow_{p}"]).mean() < 0.01
        assert (np.abs(error) <= 2.0 * found.flow_u.combined[i]).mean() >= 0.95
        assert np.median(found.flow_u.combined[i] / found.flow[i]) < 0.04
