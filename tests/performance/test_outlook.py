"""Least-cost overhauls, and outlooks that hold."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from pipeline.errors import RangeError
from pipeline.performance.outlook import outlook, overhaul_due, overhaul_timing
from pipeline.performance.trend import Trend


@pytest.mark.parametrize(
    ("cost", "growth", "power", "interval", "mean"),
    [
        # Least mean cost, sqrt(2 O / C) (R. Beebe, Predictive Maintenance of Pumps Using
        # Condition Monitoring, 2004, formula from memory); values found by brute force.
        (50_000, 80, 1.0, 35.3553, 2828.427),
        (50_000, 3, 2.0, 29.2402, 2564.964),
    ],
)
def test_overhaul_timing(cost, growth, power, interval, mean):
    timing = overhaul_timing(cost, growth, power)
    assert timing.interval == pytest.approx(interval, abs=1e-4)
    assert timing.mean_cost == pytest.approx(mean, abs=1e-3)

    def mean_cost(t):
        return cost / t + growth * t**power / (power + 1)

    brute = minimize_scalar(mean_cost, bounds=(1, 200), method="bounded")
    assert timing.interval == pytest.approx(brute.x, rel=1e-4)


@given(st.floats(1e2, 1e6), st.floats(1e-2, 1e5))
def test_overhaul_timing_properties(cost, growth):
    """At the best time the excess rate equals the mean cost; twice the cost, root two longer."""
    timing = overhaul_timing(cost, growth)
    assert growth * timing.interval == pytest.approx(timing.mean_cost)
    assert overhaul_timing(2 * cost, growth).interval == pytest.approx(2**0.5 * timing.interval)


def test_overhaul_timing_at_its_limits():
    assert overhaul_timing(1000.0, 0.0).interval == np.inf
    with pytest.raises(RangeError, match=r"must be positive; found 0\.0 and 1\.0"):
        overhaul_timing(0.0, 1.0)


def trend(slope, slope_u, level, level_u):
    return Trend("ok", slope_per_year=slope, slope_u=slope_u, level_now=level, level_now_u=level_u)


def test_outlook_of_a_steady_loss():
    """By hand: 2 % to go at 4 %/yr is half a year."""
    found = outlook(trend(-0.04, 0.004, -0.03, 0.002), -0.05)
    assert found.status == "expected"
    assert found.days == pytest.approx(365.25 / 2)
    assert 0 < found.days_lower95 < found.days < found.days_upper95 < 300


def test_outlook_words():
    assert outlook(Trend("insufficient_span"), -0.05).status == "no_trend"
    assert outlook(trend(-0.01, 0.001, -0.06, 0.001), -0.05).status == "crossed"
    assert outlook(trend(0.0, 0.001, -0.01, 0.001), -0.05).status == "not_in_sight"
    assert outlook(trend(0.02, 0.002, -0.01, 0.001), -0.05).days == np.inf
    # 4 % to go at 1 %/yr is four years; at the fast end of the interval, 2 %/yr, it is two.
    possible = outlook(trend(-0.01, 0.005, -0.01, 0.001), -0.05)
    assert (possible.status, possible.days) == ("possible", np.inf)
    assert 1.9 < possible.days_lower95 / 365.25 < 2.1
    unsure = outlook(trend(-0.03, 0.03, -0.01, 0.001), -0.05)
    assert unsure.status == "expected"
    assert unsure.days_upper95 == np.inf
    assert 0 < unsure.days_lower95 < unsure.days


def test_outlook_interval_covers_by_simulation():
    """Estimates redrawn around a known pump: the interval holds the true day in 95 %."""
    rng = np.random.default_rng(1)
    slope, level, threshold = -0.03, -0.02, -0.05
    true = (threshold - level) / slope * 365.25
    inside = 0
    for _ in range(400):
        seen = trend(slope + rng.normal(0, 0.006), 0.006, level + rng.normal(0, 0.003), 0.003)
        found = outlook(seen, threshold, horizon_years=50)
        inside += found.days_lower95 <= true <= found.days_upper95
    assert 0.92 <= inside / 400 <= 0.98


@given(st.floats(-0.10, 0.005), st.floats(-0.10, -0.005), st.floats(1e3, 2e4), st.floats(1e4, 1e5))
def test_waiting_pays_until_the_overhaul_is_due(level, rate, cost, energy):
    """By brute force: what waiting costs, the overhaul, then the best cycle to a far horizon."""
    mean = overhaul_timing(cost, -rate * energy).mean_cost

    def total(wait):
        return energy * (-level * wait - 0.5 * rate * wait**2) + cost - mean * wait

    best = minimize_scalar(total, bounds=(0.0, 200.0), method="bounded", options={"xatol": 1e-6})
    due = overhaul_due((level, 0.0), (rate, 0.0), cost, energy)
    assert due.years == pytest.approx(best.x, abs=1e-3)
    assert due.earliest == pytest.approx(due.latest) == pytest.approx(due.years)


def test_an_overhaul_at_its_limits():
    """By hand: the best cycle costs 1,000 a year, which 10 % of 10,000 costs."""
    sure = (-0.05, 0.0)
    assert overhaul_due((-0.05, 0.0), sure, 1000.0, 10_000.0).years == pytest.approx(1.0)
    assert overhaul_due((-0.10, 0.0), sure, 1000.0, 10_000.0).years == pytest.approx(0.0)
    assert overhaul_due((-0.30, 0.0), sure, 1000.0, 10_000.0).latest == 0.0
    # A loss that may not grow has no latest time; one that does not, none at all but an earliest.
    assert overhaul_due((-0.05, 0.0), (-0.05, 0.03), 1000.0, 10_000.0).latest == np.inf
    still = overhaul_due((-0.05, 0.0), (0.0, 0.03), 1000.0, 10_000.0)
    assert (still.years, still.latest) == (np.inf, np.inf)
    assert overhaul_due((0.0, 0.0), (0.02, 0.0), 1000.0, 10_000.0).earliest == np.inf


def test_the_interval_of_an_overhaul_covers_by_simulation():
    """Estimates redrawn around a known pump: the interval holds the true time in 95 %."""
    rng = np.random.default_rng(2)
    level, rate = -0.03, -0.04
    true = overhaul_due((level, 0.0), (rate, 0.0), 6000.0, 30_000.0).years
    inside = 0
    for _ in range(400):
        found = overhaul_due(
            (level + rng.normal(0, 0.004), 0.004), (rate + rng.normal(0, 0.004), 0.004),
            6000.0, 30_000.0,
        )  # fmt: skip
        inside += found.earliest <= true <= found.latest
    assert 0.92 <= inside / 400 <= 0.98
