"""Made-up daily deviations with a known truth, for recovery checks."""

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter


def alike_noise(rng, n, lag1, sd):
    """First-order autoregression of stated standard deviation, stationary from the start."""
    shocks = rng.normal(0.0, sd * np.sqrt(1 - lag1**2), n)
    shocks[0] = rng.normal(0.0, sd)
    return lfilter([1.0], [1.0, -lag1], shocks)


def make_daily_series(
    rng,
    n,
    slope=0.0,
    *,
    lag1=0.7,
    sd=0.005,
    season=0.0,
    outage=True,
    outliers=0.0,
    step=0.0,
    step_day=None,
    start="2022-03-01",
):
    """Daily deviations: slope per year, annual swing of random phase, gaps, gross errors."""
    day = np.arange(n)
    value = alike_noise(rng, n, lag1, sd) + slope * day / 365.25
    value = value + season * np.sin(2 * np.pi * (day / 365.25 + rng.uniform()))
    if step:
        value = value + step * (day >= step_day)
    if outliers:
        hit = rng.random(n) < outliers
        value = value + np.where(hit, rng.normal(0.0, 0.05, n), 0.0)
    keep = np.ones(n, dtype=bool)
    if outage:
        first = rng.integers(0, n - 20)
        keep[first : first + rng.integers(5, max(6, n // 6))] = False
        keep &= rng.random(n) > 0.15
    time = pd.date_range(start, periods=n, freq="D", tz="UTC").as_unit("us")
    return pd.DataFrame({"time": time[keep], "deviation": value[keep]})


@pytest.fixture(scope="session")
def daily_series():
    """The maker of series, `make_daily_series`."""
    return make_daily_series
