"""Judging a measured point or curve against a guarantee."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline.errors import RangeError
from pipeline.hydraulics.acceptance import (
    GRADES,
    Guarantee,
    MeasuredCurve,
    ToleranceGrade,
    judge,
    judge_under_assumptions,
)

GRADE = ToleranceGrade("house", -0.05, 0.05, -0.03, 0.03, -0.03, 0.04)
GUARANTEE = Guarantee(0.10, 40.0, 0.80, 5.0e4)


def curve(head_shift=0.0, efficiency=0.80, power=5.0e4, u=0.2):
    """A straight falling curve through (0.1, 40 + shift) of slope -200 m per m3/s."""
    flow = np.array([0.06, 0.08, 0.10, 0.12])
    return MeasuredCurve(
        flow, 40.0 + head_shift - 200.0 * (flow - 0.1), 0.0, u,
        np.full(4, efficiency), 0.01, np.full(4, power), 500.0,
    )  # fmt: skip


def test_shipped_grades_are_sourced_and_say_how():
    # ISO 9906:1999 class 1 4.5/3/-3 and class 2 8/5/-5; 2012 grades 2B 8/5, 3B 9/7 (percent of
    # flow and head), from secondary sources.
    expected = {
        "ISO 9906:1999 class 1": (0.045, 0.03, -0.03), "ISO 9906:1999 class 2": (0.08, 0.05, -0.05),
        "ISO 9906:2012 grade 2B": (0.08, 0.05, None), "ISO 9906:2012 grade 3B": (0.09, 0.07, None),
    }  # fmt: skip
    assert set(GRADES) == set(expected)
    for name, (flow, head, efficiency) in expected.items():
        grade = GRADES[name]
        assert (grade.flow_low, grade.flow_high) == (-flow, flow)
        assert (grade.head_low, grade.head_high) == (-head, head)
        assert grade.efficiency_low == efficiency
        assert "secondary source" in grade.source


def test_a_curve_that_cuts_the_vertical_arm_is_met():
    # By hand: 0.9 m low at guaranteed flow is -2.25 %, within 3 %.
    result = judge(GUARANTEE, GRADE, curve(-0.9))
    assert result.verdict == "met"
    assert result.criteria[0].deviation == pytest.approx(-0.0225)
    assert result.indicative is True


@pytest.mark.parametrize(
    ("shift", "verdict"), [(-1.19, "met"), (-1.21, "not_met"), (1.19, "met"), (1.21, "not_met")]
)
def test_the_vertical_arm_ends_at_its_tolerance(shift, verdict):
    # Slope -200: the horizontal arm of 5 % of flow is worth 1.0 m, less than 3 % of head (1.2 m).
    assert judge(GUARANTEE, GRADE, curve(shift)).verdict == verdict


@pytest.mark.parametrize("shift", [-1.5, 1.5])
def test_a_steep_curve_may_cut_the_horizontal_arm_alone(shift):
    # By hand: slope -800; 1.5 m off at guaranteed flow is beyond 3 % (1.2 m), but the curve
    # passes 40 m at 0.1 - or + 1.5/800 = 0.001875 m3/s, within 5 % of flow.
    flow = np.array([0.08, 0.12])
    steep = MeasuredCurve(flow, 40.0 + shift - 800.0 * (flow - 0.1), 0.0, 0.2)
    result = judge(Guarantee(0.10, 40.0), GRADE, steep)
    assert result.verdict == "met"
    assert result.criteria[0].low == pytest.approx(-0.05 * 800 * 0.1 / 40)
    assert result.criteria[0].high == pytest.approx(0.05 * 800 * 0.1 / 40)


def test_verdict_ignores_uncertainty_and_probability_does_not():
    # 1.0 m low of 1.2 m allowed, u 0.4 m: by the normal table P(-1.2 < x < 1.2).
    result = judge(GUARANTEE, GRADE, curve(-1.0, u=0.4))
    expected = stats.norm.cdf((1.2 + 1.0) / 0.4) - stats.norm.cdf((-1.2 + 1.0) / 0.4)
    assert result.criteria[0].verdict == "met"
    assert result.criteria[0].probability == pytest.approx(expected)
    assert result.criteria[0].probability == pytest.approx(0.6915, abs=1e-3)
    just_out = judge(GUARANTEE, GRADE, curve(-1.25, u=0.4)).criteria[0]
    assert just_out.verdict == "not_met"
    assert 0.4 < just_out.probability < 0.5


def test_flow_uncertainty_counts_through_the_slope():
    # 0.002 m3/s at -200: 0.4 m; with 0.3 m of head: 0.5 m.
    base = curve()
    measured = MeasuredCurve(base.flow, base.head, 0.002, 0.3)
    criterion = judge(Guarantee(0.10, 40.0), GRADE, measured).criteria[0]
    assert criterion.deviation_u == pytest.approx(0.5 / 40.0)


def test_a_single_point_needs_the_slope_and_gives_the_same_answer():
    point = MeasuredCurve(0.105, 38.2, 0.0, 0.2, head_slope=-200.0)
    result = judge(Guarantee(0.10, 40.0), GRADE, point)
    assert result.criteria[0].deviation == pytest.approx((38.2 + 1.0) / 40.0 - 1.0)
    with pytest.raises(RangeError, match="A single point needs the slope"):
        MeasuredCurve(0.105, 38.2, 0.0, 0.2)
    with pytest.raises(RangeError, match="expected one below zero"):
        MeasuredCurve(0.105, 38.2, 0.0, 0.2, head_slope=5.0)


def test_efficiency_and_power_of_a_single_point():
    point = MeasuredCurve(0.10, 40.0, 0.0, 0.2, 0.78, 0.01, 5.1e4, 500.0, head_slope=-200.0)
    names = {c.name: c for c in judge(GUARANTEE, GRADE, point).criteria}
    assert names["efficiency"].deviation == pytest.approx(-0.025)
    assert names["efficiency"].verdict == "met"
    assert names["shaft_power"].deviation == pytest.approx(0.02)


def test_efficiency_is_read_on_the_line_from_the_origin():
    # By hand: curve 36 - 200 (q - 0.1) meets H = 400 q at q = 56/600 = 0.09333, where an
    # efficiency that falls by 1 per m3/s from 0.80 at 0.1 is 0.80667.
    flow = np.array([0.06, 0.08, 0.10, 0.12])
    measured = MeasuredCurve(flow, 36.0 - 200.0 * (flow - 0.1), 0.0, 0.2, 0.80 - (flow - 0.1), 0.01)
    names = {c.name: c for c in judge(Guarantee(0.10, 40.0, 0.80), GRADE, measured).criteria}
    assert names["efficiency"].deviation == pytest.approx(0.80667 / 0.80 - 1, abs=1e-5)


def test_each_criterion_can_fail_alone():
    assert judge(GUARANTEE, GRADE, curve(efficiency=0.77)).verdict == "not_met"
    assert judge(GUARANTEE, GRADE, curve(power=5.3e4)).verdict == "not_met"
    result = judge(GUARANTEE, GRADE, curve())
    assert [c.verdict for c in result.criteria] == ["met"] * 3
    # Efficiency: -3 % of 0.80 is 0.024, u 0.01: 2.4 standard deviations.
    assert result.criteria[1].probability == pytest.approx(stats.norm.cdf(2.4))
    assert result.criteria[2].probability == pytest.approx(stats.norm.cdf(4.0))


def test_points_that_do_not_reach_are_not_judged():
    far = MeasuredCurve([0.03, 0.05], [48.0, 46.0], 0.0, 0.2)
    result = judge(Guarantee(0.10, 40.0), GRADE, far)
    assert result.verdict == "not_covered"
    assert np.isnan(result.criteria[0].probability)
    unmeasured = MeasuredCurve([0.08, 0.12], [44.0, 36.0], 0.0, 0.2)
    assert judge(GUARANTEE, GRADE, unmeasured).verdict == "not_covered"


def test_without_uncertainty_the_probability_is_the_verdict():
    exact = judge(Guarantee(0.10, 40.0), GRADE, curve(-0.9, u=0.0)).criteria[0]
    assert (exact.verdict, exact.probability) == ("met", 1.0)
    exact = judge(Guarantee(0.10, 40.0), GRADE, curve(-2.0, u=0.0)).criteria[0]
    assert (exact.verdict, exact.probability) == ("not_met", 0.0)


def test_suction_assumption_can_turn_the_verdict():
    # A good low-head pump with 1.5 m of suction loss: ignoring it takes 1.5 m off the head.
    curves = {"measured": curve(0.0), "level_only": curve(-1.5)}
    results = judge_under_assumptions(Guarantee(0.10, 40.0), GRADE, curves)
    assert results["measured"].verdict == "met"
    assert results["level_only"].verdict == "not_met"
    assert {n: r.suction_assumption for n, r in results.items()} == {n: n for n in curves}
    assert all(r.indicative for r in results.values())


def test_probability_against_drawn_pumps():
    # The true head deviation, given the measurement, is drawn; the share within tolerance.
    criterion = judge(Guarantee(0.10, 40.0), GRADE, curve(-0.8, u=0.5)).criteria[0]
    drawn = np.random.default_rng(11).normal(-0.8, 0.5, 400_000) / 40.0
    share = ((drawn >= -0.03) & (drawn <= 0.03)).mean()
    assert criterion.probability == pytest.approx(share, abs=0.003)


@given(st.floats(-3.0, 3.0), st.floats(0.05, 1.0))
def test_probability_is_above_a_half_where_the_verdict_is_clear(shift, u):
    criterion = judge(Guarantee(0.10, 40.0), GRADE, curve(shift, u=u)).criteria[0]
    assert 0.0 <= criterion.probability <= 1.0
    if abs(shift) > 1.2 + 1e-9:
        assert criterion.probability < 0.5
        assert criterion.verdict == "not_met"


def test_impossible_inputs_are_named():
    with pytest.raises(RangeError, match="Give fractions, not percent"):
        ToleranceGrade("house", -5.0, 5.0, -3.0, 3.0)
    with pytest.raises(RangeError, match="guarantee: found"):
        Guarantee(0.0, 40.0)
    with pytest.raises(RangeError, match="expected one or more, rising"):
        MeasuredCurve([0.1, 0.1], [40.0, 40.0], 0.0, 0.2)
