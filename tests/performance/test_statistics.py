"""Trend statistics and control charts against published examples and other libraries."""

import json
from pathlib import Path

import numpy as np
import pymannkendall
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.performance.statistics import cusum, ewma, mann_kendall, sen_slope

EXAMPLES = json.loads(
    (Path(__file__).parents[1] / "reference" / "trend_examples.json").read_text("utf-8")
)
READINGS = st.lists(st.integers(-20, 20).map(lambda k: k / 4), min_size=4, max_size=40)


def test_sen_worked_example():
    """Sen (1968): slope 4, 93 % interval 26/7 to 35/8."""
    case = EXAMPLES["sen_1968"]
    found = sen_slope(case["x"], case["y"], confidence=0.93)
    assert found.slope == case["slope"]
    assert (found.lower, found.upper) == pytest.approx((26 / 7, 35 / 8))
    assert found.intercept == case["intercept_separate"]


def test_sen_slope_needs_two_abscissae():
    assert np.isnan(sen_slope([1, 1, 1], [1, 2, 3]).slope)


def test_mann_kendall_epa_worked_example():
    """US EPA QA/G-9S p. 109, eleven values with two groups of ties."""
    case = EXAMPLES["epa_qag9s"]
    found = mann_kendall(case["y"])
    assert found.s == case["S"]
    assert found.variance == pytest.approx(case["varS"], abs=0.01)
    assert found.z == pytest.approx(case["Z"], abs=0.001)
    assert found.p == pytest.approx(case["p_two_sided"], abs=0.0005)


def test_mann_kendall_wisconsin_worksheet():
    assert mann_kendall(EXAMPLES["wisconsin"]["y"]).s == EXAMPLES["wisconsin"]["S"]


def test_mann_kendall_short_series_is_nan():
    assert np.isnan(mann_kendall([1.0, 2.0]).p)


@given(READINGS)
def test_mann_kendall_agrees_with_pymannkendall(values):
    """An independent implementation, ties included."""
    other = pymannkendall.original_test(values)
    found = mann_kendall(values)
    assert found.s == other.s
    assert found.variance == pytest.approx(other.var_s)
    assert found.z == pytest.approx(other.z)
    assert found.p == pytest.approx(other.p)


def test_ewma_nist_worked_example():
    """NIST handbook 6.3.2.4, printed to two decimals; the first printed value is the start."""
    case = EXAMPLES["nist_ewma"]
    found = ewma(case["x"], case["lambda"], case["target"])
    assert found == pytest.approx(case["ewma_from_z0"][1:], abs=0.0051)
    assert not np.any((found > case["ucl"]) | (found < case["lcl"]))


def test_cusum_nist_worked_example():
    """NIST handbook 6.3.2.3: first signal at the fourteenth group."""
    case = EXAMPLES["nist_cusum"]
    upper, lower = cusum(case["x"], case["target"], case["k"])
    assert upper == pytest.approx(case["S_hi"], abs=1e-9)
    assert lower == pytest.approx(case["S_lo"], abs=1e-9)
    assert int(np.argmax(upper > case["h"])) + 1 == case["first_signal_index_1based"]


@given(READINGS, st.floats(0.0, 2.0))
def test_cusum_equals_its_recursion(values, allowance):
    """Page's recursion, written as he gives it."""
    upper, lower = cusum(values, 0.0, allowance)
    high = low = 0.0
    for i, value in enumerate(values):
        high = max(0.0, high + value - allowance)
        low = max(0.0, low - value - allowance)
        assert upper[i] == pytest.approx(high, abs=1e-9)
        assert lower[i] == pytest.approx(low, abs=1e-9)
