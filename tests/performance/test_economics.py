"""Money: published savings, least-cost overhauls, tariffs, and outlooks that hold."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from pipeline.errors import RangeError
from pipeline.performance.economics import (
    TimeOfUse,
    energy_cost,
    excess_power,
    outlook,
    overhaul_timing,
    regained,
    suction_loss_power,
)
from pipeline.performance.trend import Trend

KWH = 3.6e6


def test_savings_of_a_published_example():
    """US DOE tip sheet "Test for Pumping System Efficiency" (figures from memory).

    235 kW for 6000 h at 55 % instead of 78 %: 415 769 kWh, 20 788 dollars at 0.05 per kWh.
    """
    excess = excess_power(235e3, 0.55 / 0.78 - 1.0)
    hours = pd.DataFrame(
        {
            "time": pd.date_range("2024-01-01", periods=6000, freq="h", tz="UTC"),
            "electrical_power": 235e3,
            "lost_power": excess,
            "lost_power_u_random": 0.0,
            "lost_power_u_systematic": 0.0,
        }
    )
    cost = energy_cost(hours, 3600.0, TimeOfUse.flat(0.05))
    assert cost.energy / KWH == pytest.approx(415_769, abs=1)
    assert cost.cost == pytest.approx(20_788, abs=1)
    assert cost.known_share == 1.0
    assert np.isnan(cost.emissions)


def test_time_of_use_follows_local_hours():
    """By hand: nights at 0.1, the hour from 18:00 at 0.5, through a clock change."""
    week = [0.1] * 168
    week[6 * 24 + 18] = 0.5  # Sundays 18:00
    tariff = TimeOfUse(price=tuple(week), time_zone="Europe/Lisbon")
    # Lisbon is one hour ahead of UTC in summer: 31 March 2024 is the Sunday of the change.
    times = pd.DatetimeIndex(["2024-03-24 18:00", "2024-03-31 17:00", "2024-03-31 18:00"], tz="UTC")
    assert tariff.at(times).tolist() == [0.5, 0.5, 0.1]
    with pytest.raises(RangeError, match="168 hourly prices; found 24"):
        TimeOfUse(price=(0.1,) * 24)


def test_cost_keeps_random_and_systematic_apart_and_knows_its_gaps():
    rows = pd.DataFrame(
        {
            "time": pd.date_range("2024-01-01", periods=100, freq="h", tz="UTC"),
            "electrical_power": 100e3,
            "lost_power": np.where(np.arange(100) < 80, 5e3, np.nan),
            "lost_power_u_random": 1e3,
            "lost_power_u_systematic": 0.5e3,
        }
    )
    found = energy_cost(rows, 3600.0, TimeOfUse.flat(0.2), emissions_factor=0.4)
    assert found.energy == pytest.approx(80 * 5 * KWH)
    # 80 h: random 1 kW * sqrt(80), systematic 0.5 kW * 80.
    assert found.energy_u == pytest.approx(np.hypot(np.sqrt(80), 40) * KWH)
    assert found.cost_u == pytest.approx(0.2 * np.hypot(np.sqrt(80), 40))
    assert found.emissions == pytest.approx(160.0)
    assert found.known_share == pytest.approx(0.8)


def test_suction_loss_power():
    """By hand: 20 kPa at 0.25 m3/s is 5 kW of water power, 6.25 kW at 80 %."""
    assert suction_loss_power(20e3, 0.25, 0.8) == pytest.approx(6250.0)
    assert np.isnan(suction_loss_power(20e3, 0.25, 0.0))


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


def test_regained_energy_and_payback():
    """By hand: from 5 % under the baseline to 1 % under, 1 GWh a year at 0.10 per kWh."""
    found = regained(
        (-0.05, 0.004), (-0.01, 0.003), energy_per_year=1e6 * KWH, price=0.1, event_cost=8000.0
    )
    assert found.gain == pytest.approx(0.04)
    assert found.gain_u == pytest.approx(0.005)
    assert found.energy_per_year / KWH == pytest.approx(1e6 * 0.04 / 0.95)
    assert found.saving_per_year == pytest.approx(4210.526, abs=0.01)
    assert found.payback_years == pytest.approx(1.9)
    step = 1e-6  # numerical derivatives against the stated uncertainty
    base = found.energy_per_year
    moved = [
        regained((-0.05 + a, 0), (-0.01 + b, 0), energy_per_year=1e6 * KWH, price=0.1)
        for a, b in ((step, 0), (0, step))
    ]
    slopes = [(one.energy_per_year - base) / step for one in moved]
    expected = np.hypot(slopes[0] * 0.004, slopes[1] * 0.003)
    assert found.energy_per_year_u == pytest.approx(expected, rel=1e-3)
    worse = regained((-0.01, 0.0), (-0.02, 0.0), energy_per_year=KWH, price=0.1, event_cost=1.0)
    assert worse.payback_years == np.inf
