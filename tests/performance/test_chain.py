"""From operating points to trend, flag and cause on pumps with a planted fault."""

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq
from scipy.signal import lfilter

from pipeline.performance.baseline import BaselineCurve
from pipeline.performance.causes import Circumstances, find_causes, flow_signature
from pipeline.performance.deviation import daily_deviation, deviation
from pipeline.performance.flags import replay_flags
from pipeline.performance.trend import degradation_trend

START = pd.Timestamp("2023-02-01", tz="UTC")
LEARNT, DAYS = 60, 460
LEARNT_END = START + pd.Timedelta(LEARNT, "D")
MIDDLE = 0.17


def true_head(flow):
    return 45.0 - 450.0 * flow**2 - 15.0 * flow


def true_power(flow):
    return 45e3 + 250e3 * flow - 150e3 * flow**2


def leak_for(loss):
    """Leakage at the middle flow that lowers head there by a fraction."""
    return brentq(lambda q: true_head(MIDDLE + q) / true_head(MIDDLE) - 1 + loss, 0.0, 0.1)


def alike(rng, n, sd, lag1):
    shocks = rng.normal(0.0, sd * np.sqrt(1 - lag1**2), n + 200)
    return lfilter([1.0], [1.0, -lag1], shocks)[200:]


def station(rng, loss_per_year):
    """Two-hourly points: demand by day and season, speed by season, noise alike for days."""
    n = DAYS * 12
    day = np.arange(n) / 12
    years = np.maximum(day - LEARNT, 0) / 365.25
    flow = MIDDLE * (
        1 + 0.18 * np.sin(2 * np.pi * day) + 0.08 * np.sin(2 * np.pi * day / 365.25)
        + rng.normal(0, 0.06, n)
    )  # fmt: skip
    # Leakage for each loss from a table; it goes with the root of the head.
    losses = np.linspace(0.0, 0.12, 40)
    middle_leak = np.interp(loss_per_year * years, losses, [leak_for(x) for x in losses])
    leak = middle_leak * np.sqrt(true_head(flow) / true_head(MIDDLE))
    ratio = 0.97 + 0.03 * np.cos(2 * np.pi * day / 365.25)
    daily = np.repeat(alike(rng, DAYS, 0.004, 0.7), 12)
    head = true_head(flow + leak) * (1 + daily + rng.normal(0, 0.006, n))
    power = true_power(flow + leak) * (1 + rng.normal(0, 0.004, n))
    return pd.DataFrame(
        {
            "time": (START + pd.to_timedelta(day, "D")).as_unit("us"),
            "flow": flow * ratio * (1 + rng.normal(0, 0.003, n)),
            "total_head": head * ratio**2,
            "electrical_power": power * ratio**3,
            "speed_ratio": ratio,
        }
    )


def processed(points):
    learning = points[points["time"] < LEARNT_END]
    baseline = BaselineCurve().fit(learning)
    found = deviation(points, baseline)
    return baseline, found, daily_deviation(points, found, baseline, mean_flow=True)


@pytest.mark.parametrize("loss", [0.0, 0.02, 0.04, 0.06])
def test_growing_leakage_is_recovered_at_the_same_flow(loss):
    """Loss of head at one flow per year, though duty, season and speed move."""
    errors, covered, flagged = [], 0, 0
    cases = 4
    for seed in range(cases):
        points = station(np.random.default_rng(100 + seed), loss)
        _, _, daily = processed(points)
        after = daily[daily["time"] >= LEARNT_END]
        trend = degradation_trend(after, "head_deviation", reference_flow=MIDDLE)
        assert trend.status == "ok"
        errors.append(trend.slope_per_year + loss)
        covered += trend.lower95 <= -loss <= trend.upper95
        flagged += len(replay_flags(daily, "P1", LEARNT_END).flags) > 0
    assert abs(np.mean(errors)) < 0.003
    print(errors, covered, flagged)
    assert covered >= cases - 1
    assert flagged == (cases if loss >= 0.02 else 0)


def test_wear_stays_in_the_verdict_and_not_alone():
    points = station(np.random.default_rng(7), 0.06)
    baseline, found, _ = processed(points)
    late = points["time"] >= points["time"].iloc[-1] - pd.Timedelta("60D")
    signature = flow_signature(points[late], found[late], baseline)
    verdict = find_causes(signature, baseline, Circumstances(suction_source="modelled"))
    assert "internal_wear" in verdict.causes
    assert "flow_meter" in verdict.causes
    assert len(verdict.causes) > 1


def test_comparing_efficiency_without_the_duty_would_have_lied():
    """The plain efficiency of a sound pump moves with duty and season; its deviation does not."""
    points = station(np.random.default_rng(8), 0.0)
    _, _, daily = processed(points)
    work = 998.2 * 9.80665 * points["flow"] * points["total_head"]
    monthly = points["time"].dt.floor("D").dt.tz_localize(None).dt.to_period("M")
    plain = work.groupby(monthly).sum() / points["electrical_power"].groupby(monthly).sum()
    assert plain.max() / plain.min() - 1 > 0.01
    same_duty = daily.groupby(daily["time"].dt.tz_localize(None).dt.to_period("M"))
    level = same_duty["efficiency_deviation"].mean()
    assert level.max() - level.min() < 0.008
