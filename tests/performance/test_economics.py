"""Money: published savings, tariffs and what a loss costs."""

import numpy as np
import pandas as pd
import pytest

from pipeline.errors import RangeError
from pipeline.performance.economics import (
    TimeOfUse,
    energy_cost,
    excess_power,
    suction_loss_power,
)

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
