"""The worth of a gauge, against tables of decision theory, quadrature and simulation."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from pipeline.backtest.gauge_worth import (
    expected_value_of_information,
    present_worth,
    rank_gauges,
    remaining_uncertainty,
    unit_normal_loss,
    wrong_decision_chance,
)
from pipeline.errors import RangeError


@pytest.mark.parametrize(
    ("distance", "loss"),
    [(0.0, 0.3989), (0.5, 0.1978), (1.0, 0.08332), (1.5, 0.02931), (2.0, 0.008491)],
)
def test_unit_normal_loss_table(distance, loss):
    """Unit normal linear loss integral, table of Raiffa and Schlaifer 1961 (from memory)."""
    assert float(unit_normal_loss(distance)) == pytest.approx(loss, rel=5e-4)


@pytest.mark.parametrize(
    ("years", "interest", "factor"),
    [(5, 0.10, 3.7908), (10, 0.06, 7.3601), (20, 0.08, 9.8181), (4, 0.0, 4.0)],
)
def test_present_worth_of_a_uniform_series(years, interest, factor):
    """Tables of engineering economics, uniform series present worth (from memory)."""
    assert present_worth(years, interest) == pytest.approx(factor, abs=6e-5)


@given(
    mean=st.floats(-5.0, 5.0), u=st.floats(0.1, 3.0), share=st.floats(0.0, 1.0, exclude_max=True)
)
def test_value_of_information_equals_the_integral_it_stands_for(mean, u, share):
    """Independent method: integrate max(0, estimate) over what the estimate may become."""
    left = share * u
    spread = np.sqrt(u**2 - left**2)
    after, _ = quad(
        lambda z: max(0.0, mean + spread * z) * norm.pdf(z),
        -10.0,
        10.0,
        points=[float(np.clip(-mean / spread, -10, 10))],
    )
    expected = after - max(0.0, mean)
    assert float(expected_value_of_information(mean, u, left)) == pytest.approx(expected, abs=1e-7)


def test_a_certain_decision_is_worth_no_reading():
    assert float(expected_value_of_information(100.0, 0.0, 0.0)) == 0.0
    assert float(expected_value_of_information(1e6, 1.0, 0.5)) == 0.0
    assert float(expected_value_of_information(1.0, 1.0, 1.0)) == 0.0
    assert np.isnan(float(expected_value_of_information(np.nan, 1.0, 0.5)))
    with pytest.raises(RangeError, match="More uncertainty would remain"):
        expected_value_of_information(1.0, 1.0, 2.0)


def test_uncertainties_combine_as_weights():
    """JCGM 100: the weighted mean of 3 and 4 has 1 / sqrt(1/9 + 1/16) = 2.4."""
    assert float(remaining_uncertainty(3.0, 4.0)) == pytest.approx(2.4)
    assert float(remaining_uncertainty(0.0, 0.0)) == 0.0
    assert float(remaining_uncertainty(2.0, 0.0)) == 0.0
    assert float(remaining_uncertainty(2.0, np.inf)) == 2.0


def pumps() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "pump": ["A", "B", "C", "D"],
            "loss": [0.04, 0.001, 0.04, 0.02],
            "suction_u": [0.016, 0.001, 0.016, 0.03],
            "other_u": [0.012, 0.003, 0.012, 0.01],
            "gauge_u": [0.004, 0.003, 0.004, 0.004],
            "efficiency": [0.7, 0.75, 0.7, 0.65],
            "energy_cost": [100e3, 40e3, 5e3, 60e3],
            "overhaul_cost": [10e3, 15e3, 10e3, np.nan],
        }
    )


def test_ranking_by_hand():
    """By hand: no interest, 3 years; A gains 100 000 x 0.04 x 3 - 10 000 = 2000 +- 6000.

    C and B gain no chance to change a sure decision; C leaves 80 a year unknown, B 40.
    """
    ranked = rank_gauges(pumps(), gauge_price=1000.0, horizon=3.0, interest=0.0)
    assert ranked["pump"].tolist() == ["A", "C", "B", "D"]
    assert ranked["rank"].tolist() == [1, 2, 3, 4]
    a = ranked.set_index("pump").loc["A"]
    assert a["gain"] == pytest.approx(2000.0)
    assert a["gain_u"] == pytest.approx(6000.0)
    assert a["wrong_decision"] == pytest.approx(norm.sf(1.0 / 3.0))
    assert a["cost_u"] == pytest.approx(1600.0)
    assert a["verdict"] == "worth_it"
    verdicts = ranked.set_index("pump")["verdict"]
    assert verdicts["B"] == verdicts["C"] == "not_worth_it"
    assert verdicts["D"] == "no_overhaul_cost"
    d = ranked.set_index("pump").loc["D"]
    assert np.isnan(d["worth"])
    assert d["efficiency_u"] == pytest.approx(0.03 * 0.65)


def test_chance_of_a_wrong_decision_by_simulation():
    """Independent method: a million draws of truth and of what a gauge would say."""
    rng = np.random.default_rng(5)
    ranked = rank_gauges(pumps(), gauge_price=0.0, horizon=3.0, interest=0.0).set_index("pump")
    scale = 100e3 * 3.0
    suction = rng.normal(0.0, 0.016, 1_000_000)
    truth = 2000.0 + scale * (suction + rng.normal(0.0, 0.012, suction.size))
    reading = suction + rng.normal(0.0, 0.004, suction.size)
    estimate = 2000.0 + scale * reading * 0.016**2 / (0.016**2 + 0.004**2)
    chance = np.mean((truth > 0.0) != (estimate > 0.0))
    gained = np.mean(np.where(estimate > 0.0, truth, 0.0)) - 2000.0
    # Five standard errors of a million draws.
    assert ranked.loc["A", "wrong_decision_with_gauge"] == pytest.approx(chance, abs=0.0013)
    assert ranked.loc["A", "worth"] == pytest.approx(gained, abs=5 * 6.3)


def test_wrong_decision_is_at_most_a_coin_toss():
    assert float(wrong_decision_chance(0.0, 5.0)) == 0.5
    assert float(wrong_decision_chance(0.0, 0.0)) == 0.5
    assert float(wrong_decision_chance(3.0, 0.0)) == 0.0
    assert np.isnan(float(wrong_decision_chance(np.nan, 1.0)))


def test_price_must_be_a_price():
    with pytest.raises(RangeError, match="cannot cost"):
        rank_gauges(pumps(), gauge_price=float("nan"))
