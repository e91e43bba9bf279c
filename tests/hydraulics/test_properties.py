"""Physical properties of what the other files check only at single points."""

import inspect
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import pipeline.hydraulics.uncertainty as uncertainty_module
from pipeline.errors import RangeError
from pipeline.hydraulics import (
    acceptance,
    affinity,
    drivers,
    head,
    npsh,
    operating_region,
    pipes,
    propagation,
    suction_line,
    water,
)
from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.drivers import minimum_motor_efficiency, motor_from_nameplate
from pipeline.hydraulics.monte_carlo import InputDistribution, monte_carlo
from pipeline.hydraulics.npsh import npsh_available_uncertainty, time_below_npsh_margin
from pipeline.hydraulics.operating_region import time_by_region
from pipeline.hydraulics.pipes import Fitting, pipe_size, published_fitting, total_loss_coefficient
from pipeline.hydraulics.suction_line import PipeRun, drawing_uncertainty, line_loss
from pipeline.hydraulics.uncertainty import (
    effective_degrees_of_freedom,
    effective_sample_size,
    excess_cost_uncertainty,
    shaft_power_uncertainty,
    shared_instrument_correlation,
    sum_uncertainty,
    weighted_mean_uncertainty,
)
from pipeline.hydraulics.water import DeclaredLiquid

positive = st.floats(1e-3, 1e3)
HP = 745.6998715822702


def test_no_public_function_is_left_out_of_the_tests():
    here = Path(__file__).parent
    text = "\n".join(p.read_text("utf-8") for p in sorted(here.glob("test_*.py")))
    modules = (acceptance, affinity, drivers, head, npsh, operating_region, pipes, propagation,
               suction_line, uncertainty_module, water)  # fmt: skip
    names = {
        name
        for module in modules
        for name in module.__all__
        if inspect.isfunction(getattr(module, name))
    }
    assert len(names) > 50
    # An import that is not used fails the linter, so a name in the text is a name in use.
    called = set(re.findall(r"\b(\w+)\(", text)) | set(re.findall(r"\b(\w+),", text))
    assert names - called == set()


@given(st.sampled_from([2, 2.5, 3, 4, 6, 8, 10, 12, 16, 20, 24]))
def test_a_heavier_schedule_has_a_smaller_bore_in_the_same_outside(nominal):
    light, heavy = pipe_size(nominal, "40"), pipe_size(nominal, "80")
    assert heavy.outside_diameter == light.outside_diameter
    assert heavy.inside_diameter < light.inside_diameter
    assert heavy.wall_thickness > light.wall_thickness


@given(st.integers(0, 9), st.integers(0, 9))
def test_loss_coefficients_add(first, second):
    elbow, valve = published_fitting("45 degree elbow", first), Fitting("valve", 0.2, second)
    assert total_loss_coefficient([elbow, valve]) == pytest.approx(0.4 * first + 0.2 * second)


@given(st.floats(1.0, 200.0), st.floats(2.0, 6.0), st.sampled_from(["open", "enclosed"]))
def test_minimum_efficiency_is_a_sensible_fraction_that_grows_with_size(rating, factor, enclosure):
    for poles in (2, 4, 6):
        small = minimum_motor_efficiency(rating * HP, poles, enclosure)
        assert 0.7 < small < 0.97
        if rating * factor <= 200.0:
            assert minimum_motor_efficiency(rating * factor * HP, poles, enclosure) >= small


@given(st.floats(1.0, 200.0), st.sampled_from([2, 4, 6]))
def test_premium_is_at_least_as_good_as_1992(rating, poles):
    old = minimum_motor_efficiency(max(rating, 1.3) * HP, poles, "enclosed", "energy_efficient")
    assert minimum_motor_efficiency(max(rating, 1.3) * HP, poles, "enclosed") >= old


def test_nameplate_goes_before_the_table_and_each_is_named():
    # 100 hp, 4 poles, enclosed: 95.4 % by 10 CFR 431.25.
    plate = motor_from_nameplate(75e3, 0.93, poles=4)
    assert (plate.full_load_efficiency, plate.efficiency_source) == (0.93, "nameplate")
    table = motor_from_nameplate(75e3, poles=4)
    assert table.full_load_efficiency == pytest.approx(0.954)
    assert "10 CFR 431.25" in table.assumption
    older = motor_from_nameplate(75e3, poles=4, table="energy_efficient")
    assert older.full_load_efficiency == pytest.approx(0.945)
    assert "42 U.S.C. 6313" in older.assumption
    with pytest.raises(RangeError, match="neither a nameplate efficiency nor a number of poles"):
        motor_from_nameplate(75e3)


@given(st.floats(280.0, 360.0), st.floats(280.0, 360.0))
def test_a_declared_liquid_moves_between_its_points_without_overshoot(a, b):
    liquid = DeclaredLiquid(
        (280.0, 320.0, 360.0), (900.0, 870.0, 845.0), (1e3, 9e3, 5e4), (9e-3, 3e-3, 1e-3)
    )
    low, high = sorted((a, b))
    assert 845.0 <= liquid.density(high) <= liquid.density(low) <= 900.0
    assert liquid.vapour_pressure(low) <= liquid.vapour_pressure(high) * (1 + 1e-12)
    assert liquid.viscosity(high) <= liquid.viscosity(low) * (1 + 1e-12)


@given(st.floats(0.005, 0.3), st.floats(0.1, 0.6), st.floats(0.0, 100.0), st.floats(0.1, 20.0))
def test_drawing_uncertainty_is_a_part_of_the_loss_and_grows_with_flow(flow, diameter, length, k):
    run = PipeRun(diameter, length, 5e-5, (Fitting("all", k),))
    u = drawing_uncertainty(flow, [run], 998.0, 1e-3)
    assert u.combined == pytest.approx(u.relative * line_loss(flow, [run], 998.0, 1e-3))
    # At most all of it friction, or all of it fittings.
    assert 0.08 < u.relative < 0.45
    # Three times the flow stays clear of the step between laminar and turbulent.
    if 4 * 998.0 * flow / (np.pi * diameter * 1e-3) > 1e4:
        assert drawing_uncertainty(3 * flow, [run], 998.0, 1e-3).combined > u.combined


@given(st.integers(1, 10**6), st.floats(0.0, 0.999), st.floats(0.0, 0.999))
def test_effective_number_lies_between_one_and_all_and_falls_with_correlation(n, a, b):
    low, high = sorted((a, b))
    assert 1.0 <= effective_sample_size(n, high) <= effective_sample_size(n, low) <= n


@given(st.lists(st.tuples(positive, st.floats(1.0, 100.0)), min_size=1, max_size=6), positive)
def test_effective_degrees_of_freedom_lie_between_least_and_sum(parts, scale):
    u, nu = zip(*parts, strict=True)
    found = effective_degrees_of_freedom(u, nu)
    assert min(nu) * (1 - 1e-9) <= found <= sum(nu) * (1 + 1e-9)
    assert effective_degrees_of_freedom([scale * x for x in u], nu) == pytest.approx(found)


@given(st.lists(st.sampled_from("abc"), min_size=1, max_size=6))
def test_shared_instruments_make_a_valid_correlation(names):
    r = shared_instrument_correlation(names)
    np.testing.assert_array_equal(r, r.T)
    assert (np.diag(r) == 1.0).all()
    assert np.linalg.eigvalsh(r).min() > -1e-9


@given(st.lists(positive, min_size=1, max_size=6))
def test_a_sum_lies_between_quadrature_and_plain_addition(parts):
    each = [Uncertainty(np.float64(p), np.float64(p)) for p in parts]
    n = len(parts)
    assert sum_uncertainty(each, np.ones((n, n))).systematic == pytest.approx(sum(parts))
    assert sum_uncertainty(each, np.eye(n)).systematic == pytest.approx(np.linalg.norm(parts))
    assert sum_uncertainty(each, np.ones((n, n))).random == pytest.approx(np.linalg.norm(parts))


@given(st.lists(st.tuples(positive, positive), min_size=1, max_size=20), st.floats(0.1, 10.0))
def test_a_weighted_mean_does_not_mind_the_scale_of_its_weights(values, scale):
    u, w = (np.array(x) for x in zip(*values, strict=True))
    mean = weighted_mean_uncertainty(Uncertainty(u, u), w)
    again = weighted_mean_uncertainty(Uncertainty(u, u), scale * w)
    assert again.systematic == pytest.approx(mean.systematic)
    assert again.random == pytest.approx(mean.random)
    assert u.min() * (1 - 1e-9) <= mean.systematic <= u.max() * (1 + 1e-9)
    assert mean.random <= mean.systematic * (1 + 1e-9)


def test_a_weighted_mean_against_drawn_values():
    # 48 efficiencies weighted by energy; noise of 1 with correlation 0.5 from one to the next.
    generator = np.random.default_rng(3)
    weights = generator.uniform(0.5, 2.0, 48)
    white = generator.standard_normal((20_000, 48))
    noise = np.empty_like(white)
    noise[:, 0] = white[:, 0]
    for i in range(1, 48):
        noise[:, i] = 0.5 * noise[:, i - 1] + 0.75**0.5 * white[:, i]
    spread = (noise @ weights / weights.sum()).std()
    u = weighted_mean_uncertainty(Uncertainty(np.full(48, 2.0), np.ones(48)), weights, 0.5)
    assert u.random == pytest.approx(spread, rel=0.05)
    assert u.systematic == pytest.approx(2.0)
    nothing = weighted_mean_uncertainty(Uncertainty(np.ones(3), np.ones(3)), np.zeros(3))
    assert np.isnan(nothing.systematic)


@given(positive, st.floats(-0.5, 0.2), st.floats(1.1, 5.0))
def test_cost_uncertainty_is_in_proportion_to_time_and_price(power, deviation, factor):
    u_p, u_d = Uncertainty(0.01 * power, 0.02 * power), Uncertainty(0.02, 0.01)
    base = excess_cost_uncertainty(power, deviation, u_p, u_d, 3600.0, 1e-3)
    longer = excess_cost_uncertainty(power, deviation, u_p, u_d, factor * 3600.0, 1e-3)
    dearer = excess_cost_uncertainty(power, deviation, u_p, u_d, 3600.0, factor * 1e-3)
    for other in (longer, dearer):
        assert other.systematic == pytest.approx(factor * base.systematic)
        assert other.random == pytest.approx(factor * base.random)


@given(st.floats(0.2, 1.2), st.floats(0.001, 0.1))
def test_shaft_power_uncertainty_is_in_proportion(load, relative):
    motor = motor_from_nameplate(30e3, 0.93)
    reading = load * 30e3 / 0.93
    one = shaft_power_uncertainty(reading, Uncertainty(100.0, 50.0), motor, relative)
    two = shaft_power_uncertainty(reading, Uncertainty(200.0, 100.0), motor, 2 * relative)
    assert two.systematic == pytest.approx(2 * one.systematic)
    assert two.random == pytest.approx(2 * one.random)


@given(st.floats(0.001, 0.3), st.floats(10.0, 2000.0), st.floats(1.1, 4.0))
def test_npsh_uncertainty_is_in_proportion_to_its_inputs(flow, base, factor):
    def u(scale):
        part = Uncertainty(np.float64(base * scale), np.float64(0.0))
        small = Uncertainty(np.float64(1e-3 * scale), np.float64(0.0))
        return npsh_available_uncertainty(998.0, flow, 0.25, part, part, part, small, small)

    assert u(factor).systematic == pytest.approx(factor * u(1.0).systematic)


@given(st.lists(st.tuples(st.floats(0.5, 12.0), st.floats(0.0, 3600.0)), min_size=1, max_size=20))
def test_time_below_is_part_of_the_time_assessed(intervals):
    available, duration = zip(*intervals, strict=True)
    strict = time_below_npsh_margin(available, 3.0, duration, minimum_margin=3.0)
    loose = time_below_npsh_margin(available, 3.0, duration, minimum_margin=0.5)
    assert 0.0 <= loose.below <= strict.below <= strict.assessed
    assert strict.assessed == pytest.approx(sum(duration))


@given(
    st.lists(st.tuples(st.sampled_from(operating_region.REGIONS), st.floats(0, 1e4)), min_size=1)
)
def test_region_times_add_up(points):
    names, duration = zip(*points, strict=True)
    assert sum(time_by_region(names, duration).values()) == pytest.approx(sum(duration))


@given(st.floats(-10.0, 10.0), st.floats(0.1, 5.0))
def test_drawn_intervals_hold_each_other(centre, limit):
    x = {"x": InputDistribution(centre, limit, "triangular")}
    result = monte_carlo(lambda x: x, x, np.random.default_rng(0), 2000)
    half, most = result.interval(0.5), result.interval(0.95)
    assert centre - limit <= most.low <= half.low <= half.high <= most.high <= centre + limit
    shortest = result.shortest_interval(0.95)
    assert shortest.high - shortest.low <= (most.high - most.low) * (1 + 1e-6) + 0.01 * limit
