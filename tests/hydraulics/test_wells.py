"""Drawdown of a well and submergence of an inlet, by handbook values and by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.hydraulics.accuracy import Uncertainty
from pipeline.hydraulics.wells import drawdown, drawdown_uncertainty, minimum_submergence

DAY = 86400.0

# Kruseman and de Ridder, Analysis and Evaluation of Pumping Test Data (2nd edition, 1994),
# example 14.1, step-drawdown test of Clark (1977), coefficients from memory:
# s = 3.26e-3 Q + 1.45e-7 Q^2 with Q in m3/d. The sums are by hand.
B, C = 3.26e-3 * DAY, 1.45e-7 * DAY**2
STEPS = [(1306.0, 4.5049), (2423.0, 8.7503), (5019.0, 20.0145)]


@pytest.mark.parametrize(("per_day", "fall"), STEPS)
def test_step_drawdown_test(per_day, fall):
    assert float(drawdown(per_day / DAY, B, C)) == pytest.approx(fall, abs=2e-4)


def test_specific_drawdown_is_a_straight_line():
    """What a step test is read from: s/Q against Q has the intercept B and the slope C."""
    flow = np.linspace(0.01, 0.06, 6)
    slope, intercept = np.polyfit(flow, drawdown(flow, B, C) / flow, 1)
    assert (intercept, slope) == (pytest.approx(B), pytest.approx(C))


def test_no_flow_and_reversed_flow():
    assert float(drawdown(0.0, B, C)) == 0.0
    assert float(drawdown(-0.02, B, C)) == pytest.approx(-float(drawdown(0.02, B, C)))
    assert np.isnan(drawdown(np.nan, B, C))


def test_uncertainty_by_hand():
    """JCGM 100: sensitivities Q, Q^2 and B + 2 C Q; 100 s/m2, 2000 s2/m5, 0.05 m3/s."""
    u = drawdown_uncertainty(0.05, 100.0, 2000.0, Uncertainty(1e-3, 2e-4), 10.0, 400.0)
    assert float(u.systematic) == pytest.approx(np.sqrt(0.5**2 + 1.0**2 + 0.3**2))
    assert float(u.random) == pytest.approx(300.0 * 2e-4)


@given(st.floats(0.001, 0.2), st.floats(0.0, 1e3), st.floats(0.0, 1e5))
def test_sensitivity_to_flow_is_the_derivative(flow, b, c):
    step = 1e-5 * flow
    numeric = (drawdown(flow + step, b, c) - drawdown(flow - step, b, c)) / (2.0 * step)
    u = drawdown_uncertainty(flow, b, c, Uncertainty(0.0, 1.0), 0.0, 0.0)
    assert float(u.random) == pytest.approx(float(numeric), rel=1e-6, abs=1e-6)


@pytest.mark.parametrize(("gpm", "inches"), [(500.0, 12.0), (3000.0, 24.0), (12000.0, 48.0)])
def test_submergence_in_the_units_of_the_standard(gpm, inches):
    """ANSI/HI 9.8 in US units, S = D + 0.574 Q / D^1.5 (inch, gpm; from memory)."""
    standard = inches + 0.574 * gpm / inches**1.5
    found = minimum_submergence(gpm * 6.30901964e-5, inches * 0.0254) / 0.0254
    assert float(found) == pytest.approx(standard, rel=2e-3)


def test_submergence_without_flow_is_the_bell():
    assert float(minimum_submergence(0.0, 0.6)) == pytest.approx(0.6)
    assert np.isnan(minimum_submergence(np.nan, 0.6))
