"""What an event brought back: hand calculations and numerical derivatives."""

import numpy as np
import pytest

from pipeline.performance.event_effects import regained

KWH = 3.6e6


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
