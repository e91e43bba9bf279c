"""What an event brought back: hand calculations and numerical derivatives."""

import numpy as np
import pytest

from pipeline.performance.event_effects import payback, regained

KWH = 3.6e6


def test_regained_energy():
    """By hand: from 5 % under the baseline to 1 % under, 1 GWh a year at 0.10 per kWh."""
    found = regained((-0.05, 0.004), (-0.01, 0.003), energy_per_year=1e6 * KWH, price=0.1)
    assert found.gain == pytest.approx(0.04)
    assert found.gain_u == pytest.approx(0.005)
    assert found.energy_per_year / KWH == pytest.approx(1e6 * 0.04 / 0.95)
    assert found.saving_per_year == pytest.approx(4210.526, abs=0.01)
    step = 1e-6  # numerical derivatives against the stated uncertainty
    base = found.energy_per_year
    moved = [
        regained((-0.05 + a, 0), (-0.01 + b, 0), energy_per_year=1e6 * KWH, price=0.1)
        for a, b in ((step, 0), (0, step))
    ]
    slopes = [(one.energy_per_year - base) / step for one in moved]
    expected = np.hypot(slopes[0] * 0.004, slopes[1] * 0.003)
    assert found.energy_per_year_u == pytest.approx(expected, rel=1e-3)


def test_payback_is_told_only_where_something_is_saved_for_certain():
    """By hand: 8000 over 4210.526 a year is 1.9 years; the interval is that of the saving."""
    found = payback(8000.0, 4210.526, 500.0)
    assert found.status == "ok"
    assert found.years == pytest.approx(1.9, abs=1e-6)
    assert found.low == pytest.approx(8000.0 / 5210.526)
    assert found.high == pytest.approx(8000.0 / 3210.526)
    # A saving that may be none, or a loss: 95 % is two standard uncertainties.
    unsure = payback(8000.0, 900.0, 500.0)
    assert unsure.status == "no certain saving"
    assert np.isnan(unsure.years)
    assert np.isnan(unsure.high)
    assert unsure.low == pytest.approx(8000.0 / 1900.0)
    worse = payback(8000.0, -2000.0, 500.0)
    assert (worse.status, np.isnan(worse.low)) == ("no certain saving", True)
    assert payback(np.nan, 900.0, 5.0).status == "no cost"
    assert payback(8000.0, np.nan, np.nan).status == "no saving known"
