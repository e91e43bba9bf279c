"""Monte Carlo propagation against JCGM 101, and coverage of the efficiency interval."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from pipeline.errors import RangeError
from pipeline.hydraulics.head import hydraulic_power, overall_efficiency, total_head
from pipeline.hydraulics.monte_carlo import InputDistribution, monte_carlo
from pipeline.hydraulics.uncertainty import (
    AccuracyTerm,
    InstrumentAccuracy,
    coverage_factor,
    effective_sample_size,
    efficiency_uncertainty,
)

GUM = json.loads((Path(__file__).parents[1] / "reference" / "gum_examples.json").read_text())
TRIALS = 4000


@pytest.fixture
def generator():
    return np.random.default_rng(1729)


@pytest.mark.parametrize(
    ("shape", "limit", "key"),
    [("normal", 1.0, "normal_95"), ("rectangular", 3**0.5, "rectangular_95")],
)
def test_sum_of_four(generator, shape, limit, key):
    # JCGM 101:2008, 9.2: four inputs of unit standard deviation.
    inputs = {n: InputDistribution(0.0, limit, shape) for n in "abcd"}
    result = monte_carlo(lambda a, b, c, d: a + b + c + d, inputs, generator, 400_000)
    assert result.standard_uncertainty == pytest.approx(GUM["s1_9_2"]["u"], abs=0.01)
    low, high = result.interval()
    assert high == pytest.approx(GUM["s1_9_2"][key], abs=0.025)
    assert low == pytest.approx(-GUM["s1_9_2"][key], abs=0.025)


def test_logarithm_of_a_rectangle_shows_the_linear_law_failing(generator):
    # National Physical Laboratory example: ln x, x rectangular on 0.1 to 1.1. Linear: -0.511
    # with 0.481; Monte Carlo -0.665 with 0.606; shortest 95 % interval -1.895 to 0.095.
    x = {"x": InputDistribution(0.6, 0.5, "rectangular")}
    result = monte_carlo(lambda x: np.log(x), x, generator, 400_000)
    assert np.log(0.6) == pytest.approx(-0.511, abs=5e-4)
    assert pytest.approx(0.481, abs=5e-4) == 0.5 / 3**0.5 / 0.6
    assert result.mean == pytest.approx(-0.665, abs=0.004)
    assert result.standard_uncertainty == pytest.approx(0.606, abs=0.004)
    low, high = result.shortest_interval()
    assert low == pytest.approx(-1.895, abs=0.015)
    assert high == pytest.approx(0.095, abs=0.005)


def test_shapes_have_the_standard_deviations_the_guide_gives(generator):
    # JCGM 101:2008, 6.4: a/sqrt 3, a/sqrt 6; scaled t with nu: sqrt(nu/(nu - 2)).
    for shape, nu, expected in (
        ("rectangular", np.inf, 2 / 3**0.5), ("triangular", np.inf, 2 / 6**0.5),
        ("normal", np.inf, 2.0), ("normal_k2", np.inf, 1.0), ("normal", 10, 2 * (10 / 8) ** 0.5),
    ):  # fmt: skip
        drawn = InputDistribution(5.0, 2.0, shape, nu).sample(generator, 400_000)
        assert drawn.mean() == pytest.approx(5.0, abs=0.02)
        assert drawn.std() == pytest.approx(expected, rel=0.01)


def test_correlated_inputs(generator):
    inputs = {"a": InputDistribution(1.0, 3.0), "b": InputDistribution(2.0, 4.0)}
    for r in (-1.0, -0.5, 0.5, 1.0):
        result = monte_carlo(lambda a, b: a + b, inputs, generator, 200_000, {("a", "b"): r})
        assert result.standard_uncertainty == pytest.approx((25 + 24 * r) ** 0.5, rel=0.01)
        assert result.mean == pytest.approx(3.0, abs=0.05)


def test_same_generator_state_same_draws():
    inputs = {"a": InputDistribution(1.0, 3.0)}
    first, second = (
        monte_carlo(lambda a: a, inputs, np.random.default_rng(5), 300).draws for _ in "12"
    )
    np.testing.assert_array_equal(first, second)


def test_faults_are_named(generator):
    inputs = {"a": InputDistribution(0.0, 1.0), "b": InputDistribution(0.0, 1.0, "rectangular"),
              "c": InputDistribution(0.0, 1.0), "d": InputDistribution(0.0, 1.0)}  # fmt: skip
    with pytest.raises(RangeError, match="found 10; expected 200 or more"):
        monte_carlo(lambda a: a, {"a": inputs["a"]}, generator, 10)
    with pytest.raises(RangeError, match="correlated inputs: found b"):
        monte_carlo(lambda **x: x["a"], inputs, generator, 300, {("a", "b"): 0.5})
    with pytest.raises(RangeError, match="can hold together"):
        monte_carlo(
            lambda **x: x["a"], inputs, generator, 300,
            {("a", "c"): 0.9, ("c", "d"): 0.9, ("a", "d"): -0.9},
        )  # fmt: skip


# ---------------------------------------------------------------- coverage
#
# One true operating point, and many plants that differ in the systematic errors of their
# instruments, drawn as their data sheets declare. The interval of each plant must hold the
# truth in 95 % of plants.

FLOW, SUCTION, DISCHARGE, DENSITY, POWER = 0.08, 2.0e4, 2.2e5, 998.2, 2.4e4
D_S, D_D = 0.25, 0.20
READINGS, AUTOCORRELATION = 60, 0.6


def efficiency(flow, suction_pressure, discharge_pressure, power):
    head = total_head(suction_pressure, discharge_pressure, flow, DENSITY, 0.0, 0.4, D_S, D_D)
    return overall_efficiency(hydraulic_power(flow, head, DENSITY), power)


TRUTH = float(efficiency(FLOW, SUCTION, DISCHARGE, POWER))


def plants(generator, limits, noise):
    """Draw mean readings of many plants: systematic errors as declared, averaged noise."""
    true = {
        "flow": FLOW,
        "suction_pressure": SUCTION,
        "discharge_pressure": DISCHARGE,
        "power": POWER,
    }
    means = {}
    for name, value in true.items():
        limit, shape = limits[name]
        error = InputDistribution(0.0, limit, shape).sample(generator, TRIALS)
        # First-order autoregressive noise, stationary from its start.
        white = generator.standard_normal((TRIALS, READINGS))
        series = np.empty_like(white)
        series[:, 0] = white[:, 0]
        for i in range(1, READINGS):
            series[:, i] = (
                AUTOCORRELATION * series[:, i - 1] + (1 - AUTOCORRELATION**2) ** 0.5 * white[:, i]
            )
        means[name] = value + error + noise[name] * series.mean(axis=1)
    return means


def linear_half_width(means, limits, noise):
    count = effective_sample_size(READINGS, AUTOCORRELATION)

    def u(name):
        limit, shape = limits[name]
        terms = (
            AccuracyTerm("absolute", limit, "systematic", shape),
            AccuracyTerm("absolute", noise[name], "random", "normal"),
        )
        return InstrumentAccuracy(-1e9, 1e9, terms).uncertainty(means[name]).averaged(count)

    head = total_head(
        means["suction_pressure"],
        means["discharge_pressure"],
        means["flow"],
        DENSITY,
        0.0,
        0.4,
        D_S,
        D_D,
    )
    point = efficiency_uncertainty(
        means["flow"], head, DENSITY, means["power"],
        means["discharge_pressure"] - means["suction_pressure"], D_S, D_D,
        flow_u=u("flow"), suction_pressure_u=u("suction_pressure"),
        discharge_pressure_u=u("discharge_pressure"), power_u=u("power"),
    )  # fmt: skip
    return coverage_factor() * point.efficiency.combined


NOISE = {
    "flow": 0.02 * FLOW,
    "suction_pressure": 500.0,
    "discharge_pressure": 1500.0,
    "power": 300.0,
}


@pytest.mark.parametrize("shape", ["normal", "rectangular", "normal_k2"])
def test_efficiency_interval_covers_the_truth(generator, shape):
    # Errors of like size: 1.5 % of flow, 1 % of two 0 to 4 bar ranges, 1.5 % of power.
    limits = {"flow": (0.015 * FLOW, shape), "suction_pressure": (2500.0, shape),
              "discharge_pressure": (2500.0, shape), "power": (0.015 * POWER, shape)}  # fmt: skip
    means = plants(generator, limits, NOISE)
    error = efficiency(**means) - TRUTH
    covered = np.abs(error) <= linear_half_width(means, limits, NOISE)
    assert covered.size >= 2000
    assert 0.93 <= covered.mean() <= 0.97


def test_leaving_out_the_systematic_part_does_not_cover(generator):
    # What the interval would be worth if averaging were thought to shrink everything.
    limits = {
        "flow": (0.015 * FLOW, "normal"),
        "suction_pressure": (2500.0, "normal"),
        "discharge_pressure": (2500.0, "normal"),
        "power": (0.015 * POWER, "normal"),
    }
    means = plants(generator, limits, NOISE)
    error = efficiency(**means) - TRUTH
    none = dict.fromkeys(limits, (0.0, "normal"))
    covered = np.abs(error) <= linear_half_width(means, none, NOISE)
    assert covered.mean() < 0.6


def test_where_one_rectangle_dominates_quantiles_cover_and_the_linear_law_over_covers(generator):
    # Suction known to 15 kPa either way, as from a level with an unknown loss; the rest good.
    limits = {
        "flow": (0.002 * FLOW, "normal"),
        "suction_pressure": (15e3, "rectangular"),
        "discharge_pressure": (200.0, "normal"),
        "power": (0.002 * POWER, "normal"),
    }
    quiet = {n: 0.05 * v for n, v in NOISE.items()}
    means = plants(generator, limits, quiet)
    measured = efficiency(**means)
    linear = np.abs(measured - TRUTH) <= linear_half_width(means, limits, quiet)
    # 1.96/sqrt(3) of the limit lies beyond the limit itself: nearly everything is covered.
    assert linear.mean() > 0.985

    # Quantiles for every plant: its own readings, errors drawn as declared.
    draws = 800
    random_u = {
        n: v / float(effective_sample_size(READINGS, AUTOCORRELATION)) ** 0.5
        for n, v in quiet.items()
    }
    samples = {
        n: means[n]
        + InputDistribution(0.0, *limits[n]).sample(generator, draws)[:, None]
        + random_u[n] * generator.standard_normal((draws, 1))
        for n in means
    }
    low, high = np.quantile(efficiency(**samples), [0.025, 0.975], axis=0)
    covered = (low <= TRUTH) & (high >= TRUTH)
    assert covered.size >= 2000
    assert 0.93 <= covered.mean() <= 0.97


def test_quantiles_of_one_operating_point_agree_with_the_linear_law_when_it_holds(generator):
    inputs = {
        "flow": InputDistribution(FLOW, 0.01 * FLOW),
        "suction_pressure": InputDistribution(SUCTION, 800.0),
        "discharge_pressure": InputDistribution(DISCHARGE, 1200.0),
        "power": InputDistribution(POWER, 0.01 * POWER),
    }
    result = monte_carlo(efficiency, inputs, generator, 200_000)
    limits = {n: (d.limit, "normal") for n, d in inputs.items()}
    at = {n: np.array([d.centre]) for n, d in inputs.items()}
    half = linear_half_width(at, limits, dict.fromkeys(limits, 0.0))[0]
    low, high = result.interval()
    assert (high - low) / 2 == pytest.approx(half, rel=0.01)
    assert result.mean == pytest.approx(TRUTH, rel=1e-3)


def test_few_readings_need_student_s_factor(generator):
    # Four readings, standard deviation from them: with 1.96 an interval covers the mean in
    # less than 95 %, with t on 3 degrees of freedom in 95 %.
    data = generator.standard_normal((TRIALS, 4))
    u = data.std(axis=1, ddof=1) / 2.0
    normal = np.abs(data.mean(axis=1)) <= coverage_factor() * u
    student = np.abs(data.mean(axis=1)) <= coverage_factor(3) * u
    # Exact coverage of 1.96 on 3 degrees of freedom, Student's distribution.
    exact = 1 - 2 * stats.t.sf(1.959964, 3)
    assert normal.mean() == pytest.approx(exact, abs=0.015)
    assert 0.93 <= student.mean() <= 0.97
