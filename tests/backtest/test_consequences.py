"""Flags, rates, verdicts and money of an assumption against hand calculations."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from pipeline.backtest.assumptions import Assumed
from pipeline.backtest.consequences import Consequences, compare_flags
from pipeline.backtest.designs import DESIGNS, Span
from pipeline.backtest.replay import MEASURED, Question, month_errors
from pipeline.backtest.scores import span_scores

G, RHO = 9.80665, 1000.0
START = pd.Timestamp("2025-01-01", tz="UTC")
WHOLE = next(d for d in DESIGNS if d.name == "whole_span")


def flags(*spans):
    """Flags from day to day; None is open."""
    ends = [pd.NaT if closed is None else START + pd.Timedelta(days=closed) for _, closed in spans]
    return pd.DataFrame(
        {
            "opened": pd.to_datetime([START + pd.Timedelta(days=o) for o, _ in spans], utc=True),
            "closed": pd.to_datetime(pd.Series(ends, dtype=object), utc=True),
        }
    )


END = START + pd.Timedelta(days=60)


def test_flags_raised_missed_and_delayed():
    """By hand: two found, 4 days late and 3 days early; one false alarm; none missed."""
    found = compare_flags(flags((10, 20), (40, None)), flags((14, 18), (30, 35), (37, None)), END)
    assert (found.measured, found.raised, found.missed) == (2, 1, 0)
    assert found.delay_days == pytest.approx((4 - 3) / 2)


def test_flags_that_do_not_overlap_are_missed_and_false_at_once():
    found = compare_flags(flags((10, 20)), flags((25, 30)), END)
    assert (found.measured, found.raised, found.missed) == (1, 1, 1)
    assert np.isnan(found.delay_days)


@pytest.mark.parametrize(
    ("gauge", "other", "raised", "missed"), [((), ((5, 9),), 1, 0), (((5, 9),), (), 0, 1)]
)
def test_flags_of_one_side_only(gauge, other, raised, missed):
    found = compare_flags(flags(*gauge), flags(*other), END)
    assert (found.raised, found.missed) == (raised, missed)


def hours(days, true_loss_per_year=0.0):
    """Make a pump of 10 m at 0.05 m3/s by the hour; a share of its head is lost per year."""
    rng = np.random.default_rng(5)
    time = pd.date_range(START, periods=days * 24, freq="h").as_unit("us")
    years = np.arange(len(time)) / 8766.0
    flow = rng.uniform(0.045, 0.055, len(time))
    new = 12.0 - 800.0 * flow**2
    head = new * (1.0 - true_loss_per_year * years) * (1.0 + rng.normal(0.0, 0.002, len(time)))
    return pd.DataFrame(
        {
            "time": time,
            "flow": flow,
            "total_head": head,
            "electrical_power": RHO * G * flow * new / 0.75,
            "shaft_power": np.nan,
            "density": RHO,
            "speed_ratio": 1.0,
        }
    ), years, new  # fmt: skip


def consequences(sample, error):
    nothing_seen = np.zeros(len(sample), dtype=bool)
    return Consequences(sample, "P", "UTC", 30).of(error, nothing_seen, np.nan)


def test_a_growing_error_looks_like_wear():
    """5 % of the rise a year: by hand the rate is wrong by 5 % a year, and a flag is false."""
    sample, years, new = hours(420)
    found = consequences(sample, RHO * G * new * 0.05 * years)
    assert found["trend_status"] == "ok"
    assert found["rate_measured"] == pytest.approx(0.0, abs=0.002)
    assert found["rate_assumed"] == pytest.approx(-0.05, rel=0.06)
    assert found["flags_measured"] == 0
    assert found["flags_raised"] >= 1
    assert found["flags_missed"] == 0


def test_an_error_that_hides_wear_misses_its_flag():
    """The same error the other way round, on a pump that does lose 5 % a year."""
    sample, years, new = hours(420, true_loss_per_year=0.05)
    found = consequences(sample, -RHO * G * new * 0.05 * years)
    assert found["rate_measured"] == pytest.approx(-0.05, rel=0.06)
    assert found["rate_assumed"] == pytest.approx(0.0, abs=0.002)
    assert found["flags_measured"] >= 1
    assert found["flags_missed"] == found["flags_measured"]
    assert found["flags_raised"] == 0


def test_half_of_the_wear_is_found_later():
    """Half the loss takes longer to show: the delay is positive, and the flag is the gauge's."""
    sample, years, new = hours(420, true_loss_per_year=0.08)
    found = consequences(sample, -RHO * G * new * 0.04 * years)
    assert (found["flags_raised"], found["flags_missed"]) == (0, 0)
    assert found["detection_delay"] > 86400.0


@pytest.mark.parametrize(("share", "verdict"), [(0.03, "met"), (0.07, "not_met")])
def test_an_error_beyond_the_tolerance_fails_a_sound_pump(share, verdict):
    """Head and efficiency look `share` too low; ISO 9906:1999 class 2 (from memory) allows 5 %."""
    sample, _, new = hours(40)
    assert consequences(sample, RHO * G * new * share)["acceptance_assumed"] == verdict


def test_yearly_energy_and_its_cost():
    """By hand: 10 kW all year are 87 660 kWh; 980.665 Pa of 10 m are 1 %: 876.6 kWh, at 0.20
    per kWh 175.32 a year."""
    days, grid = 50, 3600.0
    time = pd.date_range(START, periods=days * 24, freq="h").as_unit("us")
    points = pd.DataFrame(
        {
            "time": time,
            "flow": np.random.default_rng(1).uniform(0.04, 0.06, len(time)),
            "density": RHO,
            "suction_reading": 20e3,
            "total_head": 10.0,
            "electrical_power": 10e3,
            "shaft_power": np.nan,
            "speed_ratio": 1.0,
        }
    )
    high = points["suction_reading"].to_numpy() + 0.01 * RHO * G * 10.0
    answer = Assumed.plain(high)
    sums, sample = month_errors(
        points, pd.DataFrame(index=points.index), [Question("whole_span", "a", lambda _: answer)],
        zone="UTC", grid=grid,
    )  # fmt: skip
    taken = pd.DataFrame({"design": [MEASURED], "assumption": [MEASURED], "day": [START],
                          "points": [1.0], "energy": [10e3 * grid * len(time)]})  # fmt: skip
    span = Span(pump="P", line="L", epoch=START, start=START,
                end=START + pd.Timedelta(days=days), hours=len(time))  # fmt: skip
    (row,) = span_scores(
        span, pd.concat([taken, sums], ignore_index=True), sample, designs=[WHOLE],
        assumptions=["a"], windows=[(span.start, span.end)], zone="UTC", learning_days=30,
        price=0.20 / 3.6e6,
    ).to_dict("records")  # fmt: skip
    assert row["energy_misstated"] / 3.6e6 == pytest.approx(876.6, rel=1e-9)
    assert row["cost_misstated"] == pytest.approx(175.32, rel=1e-9)
    assert row["cost_misstated_low"] == pytest.approx(175.32, rel=1e-9)
    assert row["rate_error"] == pytest.approx(
        row["rate_assumed"] - row["rate_measured"], nan_ok=True
    )
    assert row["acceptance_changed"] == (row["acceptance_assumed"] == "not_met")
