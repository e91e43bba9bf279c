"""Block bootstrap against theory and against scipy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from pipeline.backtest.bootstrap import (
    FEWEST_DAYS,
    block_length,
    draw_days,
    interval_of,
    quantile_of_days,
    ratio_of_sums,
)


def test_every_draw_has_as_many_days_as_there_are():
    counts = draw_days(47, np.random.default_rng(1), draws=2000)
    assert counts.shape == (2000, 47)
    assert (counts.sum(axis=1) == 47).all()
    # In a circle every day is drawn equally often: once in the mean.
    assert counts.mean(axis=0) == pytest.approx(np.ones(47), abs=0.15)


def test_too_few_days_give_no_interval():
    counts = draw_days(FEWEST_DAYS - 1, np.random.default_rng(1))
    assert counts.shape == (0, FEWEST_DAYS - 1)
    value, drawn = ratio_of_sums({"a": [2.0] * 4, "b": [1.0] * 4}, "a", "b", counts)
    found = interval_of(value, drawn)
    assert (found.value, np.isnan(found.low), np.isnan(found.high)) == (2.0, True, True)


def test_independent_days_agree_with_scipy():
    """Days of one block each are the ordinary bootstrap (scipy.stats.bootstrap, percentile)."""
    rng = np.random.default_rng(2)
    values = rng.gamma(2.0, 1.0, 14)
    assert block_length(len(values)) == 1
    counts = draw_days(len(values), rng, draws=20_000)
    mean, drawn = ratio_of_sums({"a": values, "b": np.ones(14)}, "a", "b", counts)
    found = interval_of(mean, drawn)
    theirs = stats.bootstrap(
        (values,), np.mean, n_resamples=20_000, method="percentile", rng=np.random.default_rng(3)
    ).confidence_interval
    assert found.value == pytest.approx(values.mean(), rel=1e-12)
    assert found.low == pytest.approx(theirs.low, rel=0.02)
    assert found.high == pytest.approx(theirs.high, rel=0.02)


def test_alike_neighbours_widen_the_interval_as_theory_says():
    """Mean of an autoregression of lag-one correlation r: variance grows by (1 + r) / (1 - r).

    The blocks catch most of it, days drawn one by one nothing (Künsch 1989).
    """
    r, days = 0.7, 300
    rng = np.random.default_rng(4)
    found, single = [], []
    for _ in range(60):
        noise = lfilter([np.sqrt(1 - r**2)], [1.0, -r], rng.standard_normal(days + 100))[100:]
        days_of = {"a": noise, "b": np.ones(days)}
        _, drawn = ratio_of_sums(days_of, "a", "b", draw_days(days, rng))
        found.append(np.std(drawn))
        single.append(noise.std() / np.sqrt(days))
    theory = np.sqrt((1 + r) / (1 - r) / days)
    assert np.mean(found) == pytest.approx(theory, rel=0.15)
    assert np.mean(single) < 0.5 * theory


def test_quantile_is_that_of_the_values_and_its_interval_covers():
    """95th percentile of exponential days: -ln 0.05.

    The interval is meant for 95 times of 100; percentile intervals from a few blocks are known
    to be short, so 88 are asked for.
    """
    truth = -np.log(0.05)
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(100):
        values = rng.exponential(1.0, 600)
        day = np.repeat(np.arange(100), 6)
        found = quantile_of_days(values, day, draw_days(100, rng, draws=100), 0.95)
        assert found.value == np.quantile(values, 0.95)
        inside += found.low <= truth <= found.high
    assert 88 <= inside <= 100
