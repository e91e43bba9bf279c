"""Friction of a month: what it rests on, what a lost gauge leaves, what the pump's rise adds."""

import numpy as np
import pandas as pd
import pytest

from pipeline.suction import (
    Estimate,
    SuctionLineModel,
    branch_residuals,
    check_rise,
    fill_suction,
    follow_month,
    month_deficit,
    move_to_friction,
    shortfall_of_days,
    with_doubt,
)

START = pd.Timestamp("2023-01-01", tz="UTC")
LOSS, NOISE = 10000.0, 60.0
FEBRUARY, MARCH = pd.Timestamp("2023-02-01", tz="UTC"), pd.Timestamp("2023-03-01", tz="UTC")
APRIL = pd.Timestamp("2023-04-01", tz="UTC")


def residuals(multiplier, days, seed=0, pump="P1", spot=False):
    """Table as from `branch_residuals` with a planted multiplier, six hours a day."""
    rng = np.random.default_rng(seed)
    time = pd.DatetimeIndex(
        [START + pd.Timedelta(days=int(d), hours=int(h)) for d in days for h in range(6)]
    )
    day = np.asarray((time.floor("D") - START) / pd.Timedelta(days=1))
    loss = LOSS * rng.uniform(0.8, 1.2, day.size)
    residual = -(multiplier(day) - 1.0) * loss + rng.normal(0, NOISE, day.size)
    return pd.DataFrame(
        {"pump": pump, "time": time, "month": time.strftime("%Y-%m"), "spot": spot,
         "residual": residual, "loss": loss}
    )  # fmt: skip


def growing(day):
    return 1.0 + 0.01 * np.maximum(day - 20.0, 0.0)


def test_days_of_a_month_follow_growth_and_are_those_of_the_month():
    days = follow_month(residuals(growing, range(90)), FEBRUARY, MARCH).days
    assert list(days.columns) == ["pump", "day", "multiplier", "multiplier_u"]
    assert list(days["day"]) == list(pd.date_range(FEBRUARY, periods=28, freq="D"))
    true = growing(np.arange(31, 59))
    assert np.abs(days["multiplier"] - true).max() < 0.02


def test_what_comes_after_a_month_does_not_touch_it():
    early = residuals(growing, range(59))
    later = residuals(lambda d: np.full_like(d, 3.0), range(59, 120), seed=1)
    alone = follow_month(early, FEBRUARY, MARCH).days
    together = follow_month(pd.concat([early, later]), FEBRUARY, MARCH).days
    pd.testing.assert_frame_equal(alone, together)


def test_later_days_of_the_month_do_not_touch_its_earlier_days():
    """The rates are learned before the month, the states look back only."""
    whole = follow_month(residuals(growing, range(59)), FEBRUARY, MARCH).days
    part = residuals(growing, range(59))
    part = part[part["time"] < START + pd.Timedelta(days=40)]
    half = follow_month(part, FEBRUARY, MARCH).days
    pd.testing.assert_frame_equal(whole.iloc[:9], half.iloc[:9])


def test_a_lost_gauge_grows_unsure_and_faster_on_a_line_that_changed_before():
    rng = np.random.default_rng(3)
    walk = np.cumsum(rng.normal(0, 0.02, 60))
    calm = follow_month(residuals(np.ones_like, range(55)), MARCH, APRIL).days
    lively = follow_month(
        residuals(lambda d: 1.0 + walk[d.astype(int)], range(55)), MARCH, APRIL
    ).days
    for days in (calm, lively):
        assert (np.diff(days["multiplier_u"]) > 0).all()
    assert lively["multiplier_u"].iloc[-1] > 5.0 * calm["multiplier_u"].iloc[-1]
    # A walk of 0.02 a day spreads to 0.02 sqrt(35) = 0.12 in the 35 days without a gauge.
    assert lively["multiplier_u"].iloc[-1] == pytest.approx(0.12, rel=0.5)


def test_a_cleaning_without_a_gauge_returns_to_the_cleanest_days():
    """The fit in force knows the fouled line: fouled is 1, clean 1 / 1.6."""
    fouled = residuals(lambda d: (1.0 + 0.02 * np.maximum(d - 20.0, 0.0)) / 1.6, range(50))
    cleaned = MARCH + pd.Timedelta(days=9, hours=8)
    days = follow_month(fouled, MARCH, APRIL, {"P1": [cleaned]}).days.set_index("day")
    before = days.loc[cleaned.floor("D"), "multiplier"]
    after = days.loc[cleaned.ceil("D")]
    assert before > 0.95
    assert after["multiplier"] == pytest.approx(1.0 / 1.6, abs=0.03)
    assert after["multiplier_u"] == pytest.approx(0.1, rel=0.05)


def test_a_pump_known_by_survey_ages_at_the_rate_of_its_sisters():
    rng = np.random.default_rng(4)
    walk = np.cumsum(rng.normal(0, 0.02, 90))
    sister = residuals(lambda d: 1.0 + walk[d.astype(int)], range(59))
    survey = residuals(np.ones_like, [10], pump="P2", spot=True)
    days = follow_month(pd.concat([sister, survey]), FEBRUARY, MARCH).days
    mine = days[days["pump"] == "P2"]
    assert (mine["multiplier"] == 1.0).all()
    # 21 days after the reading 0.02 sqrt(21) = 0.09, 48 days after 0.14.
    assert mine["multiplier_u"].iloc[0] == pytest.approx(0.09, rel=0.3)
    assert mine["multiplier_u"].iloc[-1] == pytest.approx(0.14, rel=0.3)
    # A pump nobody ever read is not in the table.
    assert set(days["pump"]) == {"P1", "P2"}


def test_residuals_are_those_of_running_rows_only(line):
    rng = np.random.default_rng(5)
    truth = line.busy_truth(20, rng)
    rows, reading, _ = line.observe(truth, "P1", line.draw_errors(rng), rng)
    time = pd.date_range(START, periods=len(rows), freq="h")
    rows = rows.assign(
        pump="P1", time=time, month="2023-01", spot=False, reading=reading,
        state=np.where(rows["flow_branch"] > 0.0, "running", "stopped"),
    )  # fmt: skip
    model = SuctionLineModel(header_columns=("flow_header",)).fit(rows, reading)
    found = branch_residuals(rows, model)
    assert len(found) == int((rows["state"] == "running").sum())
    # Noise of the rows: 40 Pa of the gauge, 30 Pa of the level.
    assert found["residual"].std() == pytest.approx(50.0, rel=0.2)
    assert (found["loss"] > 0.0).all()
    assert branch_residuals(rows.iloc[:0], model).empty


def plain(n):
    return Estimate(
        "modelled", np.full(n, 4e4), np.full(n, 300.0), np.full(n, 50.0),
        np.full(n, "", dtype=object),
    )  # fmt: skip


def test_moving_an_estimate_by_hand():
    days = pd.DataFrame(
        {"pump": "P1", "day": [FEBRUARY, FEBRUARY + pd.Timedelta(days=1)],
         "multiplier": [1.2, 1.5], "multiplier_u": [0.0, 0.04], "shortfall": [0.0, 300.0]}
    )  # fmt: skip
    times = pd.DatetimeIndex(
        [FEBRUARY + pd.Timedelta(hours=5), FEBRUARY + pd.Timedelta(hours=30),
         FEBRUARY + pd.Timedelta(days=5)]
    )  # fmt: skip
    moved = move_to_friction(plain(3), np.full(3, 1e4), times, days)
    # 20 % and 50 % of 10 kPa; the third row lies on a day the table does not hold.
    np.testing.assert_allclose(moved.value, [3.8e4, 3.5e4, 4e4])
    # sqrt(300^2 + 400^2 + 300^2) = 583.1
    np.testing.assert_allclose(moved.u_systematic, [300.0, 583.095, 300.0], atol=0.01)
    # What is missing from the rise may be the pump's own loss, and is told apart to the end.
    doubted = with_doubt(moved, np.full(3, 200.0))
    filled = fill_suction(times, [doubted])
    np.testing.assert_array_equal(filled["suction_pressure_u_unexplained"], [0.0, 300.0, 0.0])
    np.testing.assert_array_equal(moved.u_random, plain(3).u_random)


def test_a_shortfall_is_carried_for_two_weeks_and_only_when_told():
    daily = pd.DataFrame(
        {"deficit": [2000.0, -1500.0, 100.0], "deficit_u": 50.0, "rows": 10.0},
        index=pd.DatetimeIndex(["2023-02-01", "2023-02-03", "2023-02-10"], tz="UTC"),
    )
    days = pd.date_range("2023-01-31", "2023-02-28", freq="D", tz="UTC")
    found = pd.Series(shortfall_of_days(daily, days), index=days)
    assert list(found.iloc[:5]) == [0.0, 2000.0, 2000.0, 1500.0, 1500.0]
    # 100 Pa is twice its uncertainty: not told, and from then on nothing is.
    assert (found.loc["2023-02-10":] == 0.0).all()
    gone = shortfall_of_days(daily.iloc[:1], days)
    assert list(np.flatnonzero(gone)) == list(range(1, 16))


def rise_hours(line, lost_from, extra):
    """Steady running hours of P1; the gauge is lost, then `extra` pascal are lost as well."""
    rng = np.random.default_rng(6)
    truth = line.make_truth(59, rng, stops=False)
    rows, reading, true = line.observe(truth, "P1", line.draw_errors(rng), rng)
    time = pd.date_range(START, periods=len(rows), freq="h")
    day = np.arange(len(rows)) / 24.0
    flow = truth.flow["P1"]
    lost = extra * (day >= 45.0)
    discharge = true - lost + 5e5 - 2e7 * flow**2 + rng.normal(0, 100, len(rows))
    trusted = day < lost_from
    frame = rows.assign(
        pump="P1", time=time, month=time.strftime("%Y-%m"), state="running", spot=False,
        reading=np.where(trusted, reading, np.nan), discharge=discharge, speed=1.0,
        is_trusted=trusted,
    )  # fmt: skip
    known = frame[trusted & (frame["time"] < FEBRUARY)]
    return frame, SuctionLineModel().fit(known, known["reading"])


@pytest.mark.parametrize(
    ("extra", "check"),
    [(6000.0, "unexplained_head_loss"), (-6000.0, "unexplained_head_gain"), (0.0, None)],
)
def test_rise_of_the_days_without_a_gauge_is_held_against_the_days_with_one(line, extra, check):
    hours, model = rise_hours(line, 31.0, extra)
    daily = month_deficit(hours, model, None, FEBRUARY, MARCH)
    assert daily.index.min() == FEBRUARY
    late = daily.loc[START + pd.Timedelta(days=46) :, "deficit"]
    # 500 Pa of gauge and the scale of the drawn errors stay below a tenth of what is lost.
    assert late.median() == pytest.approx(extra, abs=600.0)
    assert set(check_rise(daily)["check"]) == ({check} if check else set())


def test_without_a_good_period_or_lost_days_nothing_is_said_of_the_rise(line):
    hours, model = rise_hours(line, 31.0, 0.0)
    assert month_deficit(hours, model, None, START, FEBRUARY).empty
    trusted = hours.assign(is_trusted=True, reading=4e4)
    assert month_deficit(trusted, model, None, FEBRUARY, MARCH).empty
