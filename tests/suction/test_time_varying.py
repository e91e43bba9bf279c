"""Friction in time: planted growth, cleanings, and the age of a lost gauge."""

import numpy as np
import pandas as pd
import pytest

from pipeline.suction import Estimate, track_friction

START = pd.Timestamp("2023-01-01", tz="UTC")
LOSS, NOISE = 10000.0, 60.0


def hours(days, hours_a_day=8):
    each = [START + pd.Timedelta(days=d, hours=h) for d in days for h in range(hours_a_day)]
    return pd.DatetimeIndex(each)


def follow(multiplier, days, rng, **settings):
    """Track a planted multiplier (a function of the day) through noisy hours."""
    times = hours(days)
    day = np.asarray((times.floor("D") - START) / pd.Timedelta(days=1))
    loss = LOSS * rng.uniform(0.7, 1.2, day.size)
    residual = -(multiplier(day) - 1.0) * loss + rng.normal(0, NOISE, day.size)
    return track_friction(times, residual, loss, residual_u=NOISE, **settings)


def test_constant_friction_stays_at_one_and_is_known_to_its_noise():
    rng = np.random.default_rng(1)
    track = follow(lambda d: np.ones_like(d), range(100), rng)
    assert np.abs(track.daily["multiplier"] - 1.0).max() < 0.01
    # One day of 8 hours: 60 Pa / (sqrt(8) * 9.5 kPa) = 0.0022; many days know it better.
    assert track.daily["measured_u"].median() == pytest.approx(0.0022, rel=0.1)
    assert track.daily["multiplier_u"].iloc[-1] < 0.0022
    assert not track.daily["step"].any()


def test_planted_growth_is_followed_without_bias_and_covered():
    rng = np.random.default_rng(2)
    hits = []
    for _ in range(20):
        rate = rng.uniform(0.003, 0.02)
        track = follow(lambda d, r=rate: 1.0 + r * np.maximum(d - 40, 0), range(120), rng)
        true = 1.0 + rate * np.maximum(np.arange(120) - 40, 0)
        error = track.daily["multiplier"].to_numpy() - true
        assert np.abs(np.mean(error[60:])) < 0.003
        assert track.daily["growth"].iloc[-1] == pytest.approx(rate, rel=0.25)
        hits.append(np.mean(np.abs(error) <= 1.96 * track.daily["multiplier_u"]))
    assert 0.9 <= np.mean(hits) <= 1.0


def test_declared_cleaning_without_readings_returns_to_where_cleanings_returned_before():
    rng = np.random.default_rng(3)

    def saw(day):
        # Grows by 1 % a day, cleaned every 50 days to 1.05.
        return np.where(day < 50, 1.0, 1.05) + 0.01 * (day % 50)

    cleanings = [START + pd.Timedelta(days=d) for d in (50, 100, 150, 200)]
    track = follow(saw, range(180), rng, cleanings=cleanings, until=START + pd.Timedelta(days=210))
    after = track.daily.loc[cleanings[-1]]
    assert after["multiplier"] == pytest.approx(1.05, abs=0.06)
    assert after["step"]
    assert abs(after["multiplier"] - 1.05) <= 2.5 * after["multiplier_u"]
    before = track.daily.loc[cleanings[-1] - pd.Timedelta(days=1), "multiplier"]
    assert before > 1.3


def test_uncertainty_grows_when_the_gauge_is_lost_at_the_rate_of_the_history():
    rng = np.random.default_rng(4)
    until = START + pd.Timedelta(days=200)
    calm = follow(lambda d: np.ones_like(d), range(120), rng, until=until)
    walk = np.cumsum(rng.normal(0, 0.02, 400))
    restless = follow(lambda d: 1.0 + walk[d.astype(int)], range(120), rng, until=until)
    for track in (calm, restless):
        lost = track.daily["multiplier_u"].iloc[120:]
        assert (lost.diff().dropna() > 0).all()
        assert track.daily["measured"].iloc[121:].isna().all()
    assert restless.daily["multiplier_u"].iloc[-1] > 5 * calm.daily["multiplier_u"].iloc[-1]
    # A walk of 0.02 per day spreads to 0.02 sqrt(80) = 0.18 in the 80 days without a gauge.
    assert restless.daily["multiplier_u"].iloc[-1] == pytest.approx(0.18, rel=0.5)
    # The step of a calm line stays within a few times the floor: 0.5 % in thirty days.
    assert calm.daily["multiplier_u"].iloc[-1] < 0.03


def test_lost_gauge_of_a_walking_friction_has_the_error_it_states():
    """Sixty days after the last reading, over 50 walks: error over stated uncertainty."""
    rng = np.random.default_rng(5)
    score = []
    for _ in range(50):
        walk = np.cumsum(rng.normal(0, 0.01, 200))
        track = follow(
            lambda d, w=walk: 1.0 + w[d.astype(int)], range(60), rng,
            until=START + pd.Timedelta(days=120),
        )  # fmt: skip
        last = track.daily.iloc[-1]
        score.append((last["multiplier"] - 1.0 - walk[120]) / last["multiplier_u"])
    assert np.mean(np.abs(score) <= 1.96) >= 0.9
    assert 0.6 <= np.sqrt(np.mean(np.square(score))) <= 1.2


def test_undeclared_step_is_taken_on_its_second_day_and_a_single_odd_day_is_not():
    rng = np.random.default_rng(6)
    step = follow(lambda d: np.where(d < 50, 1.4, 1.0), range(100), rng)
    assert list(step.daily.index[step.daily["step"]][1:]) in ([], [START + pd.Timedelta(days=51)])
    assert step.daily["multiplier"].iloc[52] == pytest.approx(1.0, abs=0.01)
    odd = follow(lambda d: np.where(d == 50, 1.3, 1.0), range(100), rng)
    assert not odd.daily["step"].any()
    assert odd.daily["multiplier"].iloc[51] == pytest.approx(1.0, abs=0.01)
    # On the odd day itself either may be true.
    assert odd.daily["multiplier_u"].iloc[50] > 0.25


def test_nothing_looks_ahead():
    rng = np.random.default_rng(7)
    times = hours(range(90))
    loss = np.full(times.size, LOSS)
    residual = rng.normal(0, NOISE, times.size)
    settings = {"residual_u": NOISE}
    early = times < START + pd.Timedelta(days=60)
    short = track_friction(times[early], residual[early], loss[early], **settings)
    changed = np.where(early, residual, residual - 3000.0)
    long = track_friction(times, changed, loss, **settings)
    # The rates of change are learned from all that was given, the states only from the past.
    np.testing.assert_allclose(
        long.daily["measured"].iloc[:60], short.daily["measured"], rtol=0, atol=0
    )


def test_adjusting_an_estimate_by_hand():
    rng = np.random.default_rng(8)
    track = follow(lambda d: np.full_like(d, 1.2), range(60), rng)
    n = 3
    plain = Estimate(
        "modelled", np.full(n, 4e4), np.full(n, 300.0), np.full(n, 50.0),
        np.full(n, "", dtype=object),
    )  # fmt: skip
    times = pd.DatetimeIndex([START + pd.Timedelta(days=50, hours=h) for h in range(n)])
    moved = track.adjust(plain, np.array([0.0, 5e3, 1e4]), times)
    # 20 % more of 0, 5 and 10 kPa.
    np.testing.assert_allclose(moved.value, [4e4, 3.9e4, 3.8e4], atol=30)
    assert moved.u_systematic[0] == 300.0
    assert (np.diff(moved.u_systematic) > 0).all()
    np.testing.assert_array_equal(plain.value, np.full(n, 4e4))


def test_no_rows_at_all():
    none = pd.DatetimeIndex([], tz="UTC")
    track = track_friction(none, np.array([]), np.array([]), residual_u=NOISE)
    assert track.daily.empty
    held = track_friction(
        none, np.array([]), np.array([]), residual_u=NOISE, loss_u=0.2, until=START
    )
    assert held.at(pd.DatetimeIndex([START])) == (pytest.approx([1.0]), pytest.approx([0.2]))
