"""Propagation of uncertainty against JCGM 100, the uncertainties package and trade sums."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import correlated_values_norm, ufloat

from pipeline.errors import RangeError
from pipeline.hydraulics.drivers import Motor, shaft_power
from pipeline.hydraulics.head import hydraulic_power, total_head
from pipeline.hydraulics.uncertainty import (
    AccuracyTerm,
    InstrumentAccuracy,
    Uncertainty,
    combine,
    coverage_factor,
    deviation_uncertainty,
    effective_degrees_of_freedom,
    effective_sample_size,
    efficiency_uncertainty,
    excess_cost_uncertainty,
    propagate,
    shaft_power_uncertainty,
    shared_instrument_correlation,
    sum_uncertainty,
)

GUM = json.loads((Path(__file__).parents[1] / "reference" / "gum_examples.json").read_text())
G = 9.80665
NOTHING = Uncertainty(0.0, 0.0)
positive = st.floats(1e-3, 1e3)


def systematic(value):
    return Uncertainty(value, 0.0)


# ---------------------------------------------------------------- instruments


def test_limits_become_standard_uncertainties():
    # JCGM 100:2008, 4.3.7 (a/sqrt 3), 4.3.9 (triangle, a/sqrt 6), F.2.2.1 (resolution,
    # 0.29 of the step).
    def u(basis, limit, distribution="rectangular", reading=50.0):
        term = AccuracyTerm(basis, limit, distribution=distribution)
        return InstrumentAccuracy(0.0, 200.0, (term,)).uncertainty(reading).systematic

    assert u("absolute", 3.0) == pytest.approx(3.0 / 3**0.5)
    assert u("absolute", 3.0, "triangular") == pytest.approx(3.0 / 6**0.5)
    assert u("absolute", 3.0, "normal") == 3.0
    assert u("absolute", 3.0, "normal_k2") == 1.5
    assert u("resolution", 1.0) == pytest.approx(0.29, abs=0.002)
    assert u("span", 0.01) == pytest.approx(2.0 / 3**0.5)
    assert u("reading", 0.01) == pytest.approx(0.5 / 3**0.5)
    assert u("reading", 0.01, reading=-50.0) == pytest.approx(0.5 / 3**0.5)


def test_drift_grows_from_calibration():
    drift = InstrumentAccuracy(
        0.0, 100.0, (AccuracyTerm("span_per_year", 0.002), AccuracyTerm("reading_per_year", 0.0))
    )
    years = np.array([0.0, 1.0, 5.0, -1.0])
    np.testing.assert_allclose(
        drift.uncertainty(10.0, years).systematic, np.array([0.0, 0.2, 1.0, 0.0]) / 3**0.5
    )


def test_systematic_and_random_lines_stay_apart_and_keep_nan():
    gauge = InstrumentAccuracy(
        0.0, 100.0,
        (AccuracyTerm("absolute", 3.0, "systematic", "normal"),
         AccuracyTerm("absolute", 4.0, "systematic", "normal"),
         AccuracyTerm("absolute", 2.0, "random", "normal")),
    )  # fmt: skip
    u = gauge.uncertainty(np.array([1.0, np.nan]))
    np.testing.assert_allclose(u.systematic, [5.0, np.nan])
    np.testing.assert_allclose(u.random, [2.0, np.nan])
    np.testing.assert_allclose(u.combined, [29.0**0.5, np.nan])


def test_impossible_data_sheets_are_refused():
    with pytest.raises(RangeError, match="accuracy basis: found 'range'; expected one of span"):
        AccuracyTerm("range", 0.01)
    with pytest.raises(RangeError, match="accuracy effect"):
        AccuracyTerm("span", 0.01, "noise")
    with pytest.raises(RangeError, match="accuracy distribution"):
        AccuracyTerm("span", 0.01, "random", "uniform")
    with pytest.raises(RangeError, match="a limit of zero or more"):
        AccuracyTerm("span", -0.01)
    with pytest.raises(RangeError, match="a finite range that rises"):
        InstrumentAccuracy(4e5, 0.0, ())
    with pytest.raises(RangeError, match="a finite range that rises"):
        InstrumentAccuracy(0.0, np.inf, (AccuracyTerm("span", 0.01),))


def test_an_instrument_knows_its_degrees_of_freedom():
    # The printed example of 0.57 with 9 and 0.25 with infinite degrees of freedom: 12.8.
    few = AccuracyTerm("absolute", 0.57, "systematic", "normal", 9)
    many = AccuracyTerm("absolute", 0.25, "random", "normal")
    gauge = InstrumentAccuracy(0.0, 10.0, (few, many))
    assert gauge.degrees_of_freedom(5.0) == pytest.approx(12.8, abs=0.05)
    assert InstrumentAccuracy(0.0, 10.0, (many,)).degrees_of_freedom(5.0) == np.inf
    assert gauge.degrees_of_freedom(np.array([1.0, 5.0])).shape == (2,)


@given(positive, positive, st.floats(1.0, 1e4))
def test_averaging_shrinks_the_random_part_alone(s, r, n):
    mean = Uncertainty(np.float64(s), np.float64(r)).averaged(n)
    assert mean.systematic == s
    assert mean.random == pytest.approx(r / n**0.5)
    assert np.isnan(Uncertainty(np.float64(s), np.float64(r)).averaged(0).random)


def test_effective_number_of_correlated_readings():
    # Variance of the mean of a first-order autoregressive series, summed by hand:
    # 1/n^2 sum_ij r^|i-j|; the formula is its limit for long series.
    n, r = 2000, 0.8
    lags = np.arange(n)
    variance = (n + 2 * ((n - lags[1:]) * r ** lags[1:]).sum()) / n**2
    assert effective_sample_size(n, r) == pytest.approx(1 / variance, rel=0.005)
    assert effective_sample_size(100, -0.5) == 100
    assert effective_sample_size(100, 1.0) == 1
    assert effective_sample_size(0, 0.5) == 0


# ---------------------------------------------------------------- JCGM 100


def test_end_gauge_example():
    # JCGM 100:2008, H.1.
    h1 = GUM["h1_end_gauge"]
    parts = [systematic(u) for u in h1["contributions_nm"]]
    u = combine(*parts).combined
    assert u == pytest.approx(h1["combined_nm"], abs=0.5)
    nu = effective_degrees_of_freedom(h1["contributions_nm"], h1["degrees_of_freedom"])
    assert nu == pytest.approx(h1["effective_degrees_of_freedom"], abs=0.15)
    k = coverage_factor(np.floor(nu), 0.99)
    assert k == pytest.approx(h1["coverage_factor_99"], abs=0.005)
    assert k * h1["combined_nm"] == pytest.approx(h1["expanded_99_nm"], abs=0.6)


def test_impedance_example_with_correlated_inputs():
    # JCGM 100:2008, H.2. The readings reproduce the printed results; u(X) comes out at
    # 0.29558 where 0.295 is printed.
    h2 = GUM["h2_impedance"]
    data = np.array([h2["V"], np.array(h2["I_mA"]) / 1e3, h2["phi_rad"]])
    v, i, phi = data.mean(axis=1)
    u = data.std(axis=1, ddof=1) / 5**0.5
    r = np.corrcoef(data)
    inputs = {"v": systematic(u[0]), "i": systematic(u[1]), "phi": systematic(u[2])}
    together = {("v", "i"): r[0, 1], ("v", "phi"): r[0, 2], ("i", "phi"): r[1, 2]}
    cases = {
        "R": (
            v / i * np.cos(phi),
            (np.cos(phi) / i, -v * np.cos(phi) / i**2, -v / i * np.sin(phi)),
        ),
        "X": (v / i * np.sin(phi), (np.sin(phi) / i, -v * np.sin(phi) / i**2, v / i * np.cos(phi))),
        "Z": (v / i, (1 / i, -v / i**2, 0.0)),
    }
    for name, (value, slopes) in cases.items():
        got = propagate(dict(zip(("v", "i", "phi"), slopes, strict=True)), inputs, together)
        assert value == pytest.approx(h2[name], abs=1e-3)
        assert got.combined == pytest.approx(h2[f"u_{name}"], abs=6e-4)


def test_degrees_of_freedom_of_two_terms():
    # A printed example: 0.57 with 9 degrees of freedom, 0.25 with infinite: 12.8.
    assert effective_degrees_of_freedom([0.57, 0.25], [9, np.inf]) == pytest.approx(12.8, abs=0.05)
    assert effective_degrees_of_freedom([1.0, 1.0], [np.inf, np.inf]) == np.inf
    both = effective_degrees_of_freedom([np.array([1.0, 0.0]), 1.0], [4, 4])
    np.testing.assert_allclose(both, [8.0, 4.0])
    with pytest.raises(RangeError, match="found 1 for 2 contributions"):
        effective_degrees_of_freedom([1.0, 2.0], [3.0])


def test_thermal_expansion_example():
    # NIST TN 1900, example E13: (L1 - L0)/(L0 (T1 - T0)).
    e = GUM["tn1900_e13"]
    (l0, u0), (t0, ut0), (l1, u1), (t1, ut1) = (e[n] for n in ("L0", "T0", "L1", "T1"))
    span = t1 - t0
    value = (l1 - l0) / (l0 * span)
    u = propagate(
        {
            "l0": -l1 / (l0**2 * span),
            "l1": 1 / (l0 * span),
            "t0": value / span,
            "t1": -value / span,
        },
        {"l0": systematic(u0), "l1": systematic(u1), "t0": systematic(ut0), "t1": systematic(ut1)},
    )
    assert value == pytest.approx(e["value"], rel=1e-4)
    assert u.combined == pytest.approx(e["u"], rel=3e-3)


@pytest.mark.parametrize(
    ("probability", "nu", "factor"), [(0.95, np.inf, 1.96), (0.9545, np.inf, 2.0), (0.95, 10, 2.23)]
)
def test_coverage_factors(probability, nu, factor):
    # JCGM 100:2008, Table G.2.
    assert coverage_factor(nu, probability) == pytest.approx(factor, abs=0.005)


@given(st.integers(1, 200))
def test_fewer_degrees_of_freedom_need_a_larger_factor(nu):
    assert coverage_factor(nu) > coverage_factor(nu + 1) > coverage_factor() > 1.959


def test_propagation_faults_are_named():
    one = {"a": systematic(1.0)}
    with pytest.raises(RangeError, match="found b on one side only"):
        propagate({"a": 1.0, "b": 2.0}, one)
    with pytest.raises(RangeError, match=r"correlation of a and b: found 0\.5"):
        propagate({"a": 1.0}, one, {("a", "b"): 0.5})
    with pytest.raises(RangeError, match=r"found 1\.5; expected -1 to 1"):
        propagate({"a": 1.0, "b": 1.0}, {**one, "b": systematic(1.0)}, {("a", "b"): 1.5})


@given(positive, positive, st.floats(-1.0, 1.0))
def test_correlation_lies_between_difference_and_sum(a, b, r):
    u = propagate(
        {"a": 1.0, "b": 1.0}, {"a": Uncertainty(a, a), "b": Uncertainty(b, b)}, {("a", "b"): r}
    )
    assert abs(a - b) - 1e-6 * (a + b) <= u.systematic <= (a + b) * (1 + 1e-9)
    assert u.random == pytest.approx(np.hypot(a, b))


# ---------------------------------------------------------------- operating points

POINT = {
    "flow": 0.08, "suction_pressure": 2.0e4, "discharge_pressure": 2.6e5, "density": 998.2,
    "rise": 0.6, "power": 3.1e4,
}  # fmt: skip
POINT_U = {
    "flow": 0.0012, "suction_pressure": 900.0, "discharge_pressure": 1500.0, "density": 0.5,
    "rise": 0.03, "power": 400.0,
}  # fmt: skip
D_S, D_D = 0.25, 0.20


def head_of(flow, suction_pressure, discharge_pressure, density, rise, power=None):
    v_s, v_d = (4 * flow / (np.pi * d**2) for d in (D_S, D_D))
    return (
        (discharge_pressure - suction_pressure) / (density * G) + rise + (v_d**2 - v_s**2) / (2 * G)
    )


def point_uncertainty(u, **more):
    p = POINT
    head = total_head(
        p["suction_pressure"], p["discharge_pressure"], p["flow"], p["density"], 0.0, p["rise"],
        D_S, D_D,
    )  # fmt: skip
    return efficiency_uncertainty(
        p["flow"], head, p["density"], p["power"],
        p["discharge_pressure"] - p["suction_pressure"], D_S, D_D,
        flow_u=u["flow"], suction_pressure_u=u["suction_pressure"],
        discharge_pressure_u=u["discharge_pressure"], power_u=u["power"],
        density_u=u["density"], elevation_u=u["rise"], **more,
    )  # fmt: skip


@pytest.mark.parametrize("correlation", [0.0, 0.7, -0.4])
@pytest.mark.parametrize("slope", [0.0, -3.0e5])
def test_sensitivities_against_the_uncertainties_package(correlation, slope):
    names = list(POINT)
    matrix = np.eye(len(names))
    i, j = names.index("suction_pressure"), names.index("discharge_pressure")
    matrix[i, j] = matrix[j, i] = correlation
    values = dict(
        zip(
            names,
            correlated_values_norm([(POINT[n], POINT_U[n]) for n in names], matrix),
            strict=True,
        )
    )
    values["suction_pressure"] += slope * (values["flow"] - POINT["flow"])
    head = head_of(**values)
    power = values["density"] * G * values["flow"] * head
    u = point_uncertainty(
        {n: systematic(v) for n, v in POINT_U.items()},
        pressure_correlation=correlation,
        suction_pressure_slope=slope,
    )
    assert u.total_head.systematic == pytest.approx(head.std_dev, rel=1e-8)
    assert u.hydraulic_power.systematic == pytest.approx(power.std_dev, rel=1e-8)
    assert u.efficiency.systematic == pytest.approx((power / values["power"]).std_dev, rel=1e-8)
    assert u.efficiency.random == 0.0


@pytest.mark.parametrize("name", list(POINT))
def test_each_sensitivity_against_a_numerical_derivative(name):
    def efficiency(value):
        p = {**POINT, name: value}
        head = total_head(
            p["suction_pressure"], p["discharge_pressure"], p["flow"], p["density"], 0.0,
            p["rise"], D_S, D_D,
        )  # fmt: skip
        return hydraulic_power(p["flow"], head, p["density"]) / p["power"], head

    step = 1e-4 * POINT[name]
    (e_high, h_high), (e_low, h_low) = (
        efficiency(POINT[name] + step),
        efficiency(POINT[name] - step),
    )
    only = {n: systematic(1.0 if n == name else 0.0) for n in POINT}
    u = point_uncertainty(only)
    assert u.efficiency.systematic == pytest.approx(abs(e_high - e_low) / (2 * step), rel=1e-6)
    assert u.total_head.systematic == pytest.approx(
        abs(h_high - h_low) / (2 * step), rel=1e-6, abs=1e-12
    )


def relative_efficiency_u(flow, pressure, power):
    """Relative uncertainty of efficiency for relative inputs, no velocity heads."""
    u = efficiency_uncertainty(
        0.1, 1e5 / (1000 * G), 1000.0, 2e4, 1e5, 1e3, 1e3,
        systematic(flow * 0.1), NOTHING, systematic(pressure * 1e5), systematic(power * 2e4),
    )  # fmt: skip
    return u.efficiency.systematic / 0.5


@pytest.mark.parametrize(
    ("parts", "total"),
    [
        # Permissible uncertainties in percent, as ISO 9906:2012 combines them to 2.9, 3.2, 6.1
        # and 6.4 (values from memory, sums to three places by hand).
        ((2.0, 1.5, np.hypot(1.4, 0.5)), 2.909),
        ((2.0, 1.5, 2.0), 3.202),
        ((3.5, 3.5, np.hypot(3.0, 2.0)), 6.124),
        ((3.5, 3.5, 4.0), 6.364),
    ],
)
def test_sums_of_squares_of_a_pump_test(parts, total):
    assert relative_efficiency_u(*parts) == pytest.approx(total, abs=5e-4)


def test_textbook_efficiency_exercise():
    # 12.0 ft3/min (s 0.2), 100.0 psi (1.5), 6.50 hp (0.20), efficiency 0.8056; by hand
    # s = 0.0307, 3.81 %.
    efficiency = 12.0 / 60 * 100.0 * 144 / (550 * 6.5)
    assert efficiency == pytest.approx(0.8056, abs=5e-5)
    relative = relative_efficiency_u(0.2 / 12.0, 1.5 / 100.0, 0.20 / 6.50)
    assert relative == pytest.approx(0.0381, abs=5e-5)
    assert relative * efficiency == pytest.approx(0.0307, abs=5e-5)


def test_a_shared_offset_cancels_in_the_differential():
    # Both gauges off by the same amount, fully correlated: head does not move.
    u = dict.fromkeys(POINT, NOTHING)
    u["suction_pressure"] = u["discharge_pressure"] = systematic(2000.0)
    assert point_uncertainty(u, pressure_correlation=1.0).total_head.systematic == pytest.approx(
        0.0
    )
    apart = point_uncertainty(u).total_head.systematic
    assert apart == pytest.approx(2**0.5 * 2000.0 / (998.2 * G))


def test_random_parts_never_mix_with_systematic_ones():
    u = point_uncertainty(
        {n: Uncertainty(0.0, v) for n, v in POINT_U.items()}, pressure_correlation=1.0
    )
    assert u.efficiency.systematic == 0.0
    quiet = point_uncertainty({n: systematic(v) for n, v in POINT_U.items()})
    assert u.efficiency.random == pytest.approx(float(quiet.efficiency.systematic))


def test_a_low_head_pump_depends_on_suction_far_more():
    # Common practice, no source: the same 2 psi on a 4 psi and on a 1000 psi pump.
    psi = 6894.757
    relative = [
        efficiency_uncertainty(
            0.1, dp / (1000 * G), 1000.0, dp * 0.1 / 0.6, dp, 1e3, 1e3,
            NOTHING, systematic(2 * psi), NOTHING, NOTHING,
        ).efficiency.systematic / 0.6
        for dp in (4 * psi, 1000 * psi)
    ]  # fmt: skip
    np.testing.assert_allclose(relative, [0.5, 0.002])


def test_a_stopped_pump_gives_nan_and_arrays_keep_their_shape():
    u = efficiency_uncertainty(
        np.array([0.0, 0.1, np.nan]), 10.0, 1000.0, np.array([0.0, 2e4, 2e4]), 1e5, 0.2, 0.2,
        systematic(0.001), systematic(500.0), systematic(500.0), systematic(100.0),
    )  # fmt: skip
    np.testing.assert_array_equal(np.isnan(u.efficiency.systematic), [True, False, True])
    assert u.total_head.systematic.shape == (3,)
    assert u.hydraulic_power.systematic[0] == pytest.approx(1000 * G * 10.0 * 0.001)


def test_velocity_slope_of_head_at_zero_flow_is_finite():
    u = efficiency_uncertainty(
        0.0, 10.0, 1000.0, 1e3, 1e5, 0.2, 0.15, systematic(0.01), NOTHING, NOTHING, NOTHING
    )
    assert u.total_head.systematic == 0.0
    assert u.hydraulic_power.systematic == pytest.approx(1000 * G * 10.0 * 0.01)


def test_shaft_power_against_a_numerical_derivative():
    motor = Motor(5000.0, 0.90)
    reading = 1500.0
    h = 1.0
    slope = (shaft_power(reading + h, motor) - shaft_power(reading - h, motor)) / (2 * h)
    u = shaft_power_uncertainty(reading, Uncertainty(20.0, 10.0), motor, 0.0)
    assert u.systematic == pytest.approx(20.0 * slope, rel=1e-3)
    assert u.random == pytest.approx(10.0 * slope, rel=1e-3)
    # Fixed losses: shaft power follows the reading faster than their ratio at part load.
    assert slope > shaft_power(reading, motor) / reading
    driver = shaft_power_uncertainty(reading, NOTHING, motor, 0.02)
    assert driver.systematic == pytest.approx(0.02 * shaft_power(reading, motor))
    assert driver.random == 0.0
    assert np.isnan(shaft_power_uncertainty(0.0, NOTHING, motor, 0.02).systematic)


# ---------------------------------------------------------------- sums, deviations, money


def test_pumps_on_one_meter_share_its_error():
    parts = [Uncertainty(3.0, 1.0), Uncertainty(4.0, 1.0), Uncertainty(12.0, 1.0)]
    shared = sum_uncertainty(parts, shared_instrument_correlation(["a", "a", "b"]))
    assert shared.systematic == pytest.approx(np.hypot(7.0, 12.0))
    assert shared.random == pytest.approx(3**0.5)
    apart = sum_uncertainty(parts, np.eye(3))
    assert apart.systematic == pytest.approx(13.0)


def test_sums_work_on_arrays():
    parts = [Uncertainty(np.array([3.0, 0.0]), 0.0), Uncertainty(np.array([4.0, 2.0]), 1.0)]
    u = sum_uncertainty(parts, np.ones((2, 2)))
    np.testing.assert_allclose(u.systematic, [7.0, 2.0])
    np.testing.assert_allclose(u.random, [1.0, 1.0])


@given(st.floats(0.3, 0.9), st.floats(0.3, 0.9), st.floats(0.0, 0.05), st.floats(-1.0, 1.0))
def test_deviation_against_the_uncertainties_package(value, baseline, relative, shared):
    u, u0 = 0.001 + relative * value, 0.001 + relative * baseline
    matrix = [[1.0, shared], [shared, 1.0]]
    a, b = correlated_values_norm([(value, u), (baseline, u0)], matrix)
    ours = deviation_uncertainty(value, baseline, systematic(u), systematic(u0), shared)
    assert ours.systematic == pytest.approx((a / b - 1).std_dev, rel=1e-5, abs=1e-7)


def test_a_meter_s_scale_error_cancels_in_a_pump_s_own_trend():
    u, u0 = Uncertainty(0.03 * 0.66, 0.002), Uncertainty(0.03 * 0.70, 0.001)
    own = deviation_uncertainty(0.66, 0.70, u, u0, shared=1.0)
    other = deviation_uncertainty(0.66, 0.70, u, u0, shared=0.0)
    assert own.systematic == pytest.approx(0.0, abs=1e-9)
    assert other.systematic == pytest.approx(0.66 / 0.70 * 0.03 * 2**0.5)
    assert own.random == other.random > 0.0


def test_money_against_the_uncertainties_package():
    # Excess cost (P - P_u/eta0) t c with a baseline from elsewhere: the power meter counts once.
    power, useful, eta0 = ufloat(2e5, 3e3), ufloat(1.3e5, 2e3), ufloat(0.72, 0.01)
    cost = (power - useful / eta0) * 3.6e6 * 1e-8
    eta = useful / power
    deviation = eta / eta0 - 1
    ours = excess_cost_uncertainty(
        2e5, deviation.nominal_value, systematic(3e3), systematic(deviation.std_dev), 3.6e6, 1e-8,
        baseline_shares_power_meter=False,
    )  # fmt: skip
    assert ours.systematic == pytest.approx(cost.std_dev, rel=1e-9)


def test_money_with_a_baseline_from_the_same_meter():
    # The meter's scale error e multiplies P now and then: cost is in proportion to P alone.
    e, noise = ufloat(1.0, 0.015), ufloat(1.0, 0.01)
    power, useful, eta0 = 2e5 * e, 1.3e5 * noise, 0.72 / e
    cost = (power - useful / eta0) * 3.6e6 * 1e-8
    deviation = (useful / power) / eta0 - 1
    ours = excess_cost_uncertainty(
        2e5, deviation.nominal_value, systematic(3e3), systematic(deviation.std_dev), 3.6e6, 1e-8
    )
    assert ours.systematic == pytest.approx(cost.std_dev, rel=1e-9)


def test_noise_of_the_power_reading_counts_once_in_money_whoever_made_the_baseline():
    # Cost (P - P_u/eta0) t c: noise in P goes into P and into eta, never into eta0.
    power, useful = ufloat(2e5, 2e3), ufloat(1.3e5, 1.5e3)
    cost = (power - useful / 0.72) * 3.6e6 * 1e-8
    deviation = useful / power / 0.72 - 1
    for shares in (True, False):
        ours = excess_cost_uncertainty(
            2e5,
            deviation.nominal_value,
            Uncertainty(0.0, 2e3),
            Uncertainty(0.0, deviation.std_dev),
            3.6e6,
            1e-8,
            baseline_shares_power_meter=shares,
        )
        assert ours.random == pytest.approx(cost.std_dev, rel=1e-9)
        assert ours.systematic == 0.0


@given(positive, positive)
def test_combining_is_quadrature(a, b):
    u = combine(Uncertainty(a, b), Uncertainty(b, a))
    assert u.systematic == pytest.approx(np.hypot(a, b))
    assert u.random == pytest.approx(np.hypot(a, b))
    assert u.combined == pytest.approx(2**0.5 * np.hypot(a, b))
