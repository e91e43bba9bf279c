"""Which rows a fit of a month rests on, and when a new fit takes the place of the old."""

import numpy as np
import pandas as pd
import pytest

from pipeline.suction import SuctionLineModel
from pipeline.suction.replay import (
    MONTHS_OF_EVIDENCE,
    MOST_ROWS_PER_PUMP,
    replaces,
    replay_month,
    training_rows,
    usable_rows,
)

START = pd.Timestamp("2023-01-01", tz="UTC")


def table(months, rows_each=10, pump="P1", spot=False):
    time = pd.DatetimeIndex(
        [
            pd.Timestamp(f"{month}-01", tz="UTC") + pd.Timedelta(hours=h)
            for month in months
            for h in range(rows_each)
        ]
    )
    return pd.DataFrame({"pump": pump, "time": time, "month": time.strftime("%Y-%m"), "spot": spot})


def names(count, first="2022-01"):
    return [str(p) for p in pd.period_range(first, periods=count, freq="M")]


def test_a_fit_rests_on_the_latest_closed_months_of_each_pump():
    months = names(16)
    rows = pd.concat([table(months), table(months[:3], pump="P2")], ignore_index=True)
    chosen = training_rows(rows, months[15])
    by_pump = chosen.groupby("pump")["month"].unique()
    assert list(by_pump["P1"]) == months[15 - MONTHS_OF_EVIDENCE : 15]
    assert list(by_pump["P2"]) == months[:3]


def test_without_a_closed_month_the_open_one_serves():
    rows = table(["2022-05", "2022-06"])
    assert set(training_rows(rows, "2022-05")["month"]) == {"2022-05"}
    assert set(training_rows(rows, "2022-06")["month"]) == {"2022-05"}
    assert training_rows(rows.iloc[:0], "2022-05").empty


def test_rows_are_thinned_evenly_and_spot_readings_never():
    many = table(["2022-01"], rows_each=700)
    many = pd.concat([many] * 5, ignore_index=True)
    spots = table(["2022-01"], rows_each=7, spot=True)
    rows = pd.concat([many, spots], ignore_index=True)
    chosen = training_rows(rows, "2022-02")
    assert int(chosen["spot"].sum()) == 7
    # 3500 rows thinned to at most 1500: every third.
    assert MOST_ROWS_PER_PUMP == 1500
    assert int((~chosen["spot"]).sum()) == pytest.approx(3500 / 3, abs=1)


def hourly(line, days, seed=1, extra=lambda day: 0.0, errors=None):
    """Usable rows of P1 with a loss added as a function of the day, at running rows."""
    rng = np.random.default_rng(seed)
    truth = line.busy_truth(days, rng)
    errors = errors if errors is not None else line.draw_errors(rng)
    rows, reading, _ = line.observe(truth, "P1", errors, rng)
    time = pd.date_range(START, periods=len(rows), freq="h")
    day = np.arange(len(rows)) / 24.0
    running = (rows["flow_branch"] > 0.0).to_numpy()
    lost = np.array([extra(d) for d in day]) * (rows["flow_branch"].to_numpy() / 0.08) ** 2
    return rows.assign(
        pump="P1", time=time, month=time.strftime("%Y-%m"), spot=False, steady=True,
        state=np.where(running, "running", "stopped"), reading=reading - lost,
        reading_coverage=1.0, instrument="gauge P1",
    )  # fmt: skip


def test_usable_rows_are_steady_complete_and_trusted(line):
    hours = hourly(line, 3).reset_index(drop=True)
    bad = pd.Series(False, index=hours.index)
    bad[5] = True
    hours.loc[7, "steady"] = False
    hours.loc[9, "reading"] = np.nan
    hours.loc[11, "static_pressure"] = np.nan
    hours.loc[13, "reading_coverage"] = 0.5
    hours.loc[15, ["spot", "reading_coverage"]] = [True, 0.0]
    bad[15] = True
    found = usable_rows(hours, bad)
    assert sorted(set(hours.index) - set(found.index)) == [5, 7, 9, 11, 13]
    assert found.index.is_monotonic_increasing
    # Pump-off rows carry no flow at all, whatever the meter's zero says.
    assert (found.loc[found["state"] == "stopped", "flow_branch"] == 0.0).all()


PARAMETERS = {"header_columns": ("flow_header",), "static_u": 300.0}


def replayed(rows, months):
    incumbent = None
    found = {}
    for month in months:
        judged = rows[(rows["month"] == month) & (rows["state"] == "running")]
        incumbent = replay_month(rows, month, incumbent, PARAMETERS, judged)
        found[month] = incumbent
    return found


def test_a_line_that_stays_as_it_is_keeps_its_fit_and_later_months_touch_nothing(line):
    rows = hourly(line, 120)
    months = ["2023-01", "2023-02", "2023-03", "2023-04"]
    whole = replayed(rows, months)
    assert {whole[m].since for m in months[2:]} <= {"2023-01", "2023-02"}
    short = replayed(rows[rows["month"] <= "2023-03"], months[:3])
    for month in months[:3]:
        assert whole[month].since == short[month].since
        np.testing.assert_array_equal(
            whole[month].model.posterior_.mean, short[month].model.posterior_.mean
        )


def test_a_line_that_changed_gets_a_new_fit_the_month_after(line):
    rows = hourly(line, 118, extra=lambda day: 6000.0 if day >= 62.0 else 0.0)
    found = replayed(rows, ["2023-01", "2023-02", "2023-03", "2023-04"])
    assert found["2023-03"].since != "2023-04"
    assert found["2023-04"].since == "2023-04"
    assert found["2023-04"].trained_to < pd.Timestamp("2023-04-01", tz="UTC")


def test_without_rows_the_incumbent_is_carried(line):
    rows = hourly(line, 25)
    first = replay_month(rows, "2023-02", None, PARAMETERS, rows.iloc[:0])
    none = replay_month(rows.iloc[:0], "2023-03", first, PARAMETERS, rows.iloc[:0])
    assert (none.month, none.since) == ("2023-03", "2023-02")
    assert none.model is first.model


def test_a_surer_fit_replaces_and_an_equal_or_declined_one_does_not(line):
    errors = line.Errors(noise=40.0, level_noise=30.0)
    rows = hourly(line, 60, errors=errors)
    judged = rows[rows["state"] == "running"].iloc[::20]
    long = SuctionLineModel(**PARAMETERS).fit(rows, rows["reading"])
    unsure = SuctionLineModel(**{**PARAMETERS, "static_u": 3000.0}, gauge_u=3000.0)
    unsure = unsure.fit(rows, rows["reading"])
    assert not replaces(long, long, judged)
    assert replaces(long, unsure, judged)
    assert not replaces(unsure, long, judged)
    # A fit that knows one pump more serves rows the other cannot.
    both = pd.concat([rows, rows.assign(pump="P2", instrument="gauge P2")], ignore_index=True)
    wider = SuctionLineModel(**PARAMETERS).fit(both, both["reading"])
    assert replaces(wider, long, judged)
    moved = SuctionLineModel(**PARAMETERS).fit(rows, rows["reading"] - 5000.0)
    assert replaces(moved, long, judged)
