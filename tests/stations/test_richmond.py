"""The Richmond exports are right before anything is judged by them.

Source of every expected value: the published network file (``Richmond_skeleton.inp``) itself,
the equations of the EPANET 2.2 manual, or a hand calculation named beside the check.
"""

import numpy as np
import pandas as pd
import pytest
from richmond import TAG_UNITS, load_richmond, write_exports


@pytest.fixture(scope="module")
def station():
    return load_richmond()


@pytest.fixture(scope="module")
def running(station):
    samples = station.truth.samples
    return samples[samples["running"]]


def test_thirty_days_at_ten_minutes(station):
    tags = station.tags
    assert len(tags) == 30 * 24 * 6
    assert tags["time"].dtype == "datetime64[us, UTC]"
    assert (tags["time"].diff().dropna() == pd.Timedelta(minutes=10)).all()
    assert set(tags.columns) == {"time", *TAG_UNITS}
    assert not tags.isna().any().any()


def test_specific_weight_is_that_of_62_4_pounds_per_cubic_foot(station):
    # 62.4 lbf/ft3 is the handbook value the engine's 8.814 stands for: 550 / 62.4 = 8.814.
    newtons = 62.4 * 4.4482216152605 / 0.3048**3
    assert station.truth.specific_weight == pytest.approx(newtons, rel=1e-4)
    assert station.truth.density == pytest.approx(999.56, abs=0.01)


def test_overall_efficiency_from_the_tags_meets_the_published_curve(station):
    """(rho g Q dH / kW) by hand from the exported tags alone, within 0.1 percentage point."""
    tags = station.tags
    on = tags["R7F.STATUS"] == 1
    flow = tags.loc[on, "R7F.PUMP_FLOW"] / 1000
    rise = (tags.loc[on, "R7F.DISCHARGE_PRESSURE"] - tags.loc[on, "R7F.SUCTION_PRESSURE"]) * 1000
    # Both taps at 177 m with one bore: rho g dH is the difference of the pressures.
    efficiency = flow * rise / (tags.loc[on, "R7F.POWER"] * 1000)
    # Points of curve SEfficiency, read off the file by eye.
    published = np.interp(
        tags.loc[on, "R7F.PUMP_FLOW"],
        [0, 1.38, 2.7, 4.6, 5.5, 6.94],
        [0, 0.31, 0.48, 0.54, 0.54, 0.43],
    )
    assert on.sum() > 250
    assert np.abs(efficiency - published).max() < 1e-3
    # The file's own curve says the same as the points typed above.
    assert station.truth.efficiency_curve_flow * 1000 == pytest.approx(
        [0, 1.38, 2.7, 4.6, 5.5, 6.94]
    )


def test_pump_flow_is_not_pipe_flow(station):
    samples = station.truth.samples
    np.testing.assert_allclose(
        samples["suction_pipe_flow"], samples["flow"] + samples["side_stream"], atol=2e-6
    )
    standing = samples[~samples["running"]]
    assert (standing["suction_pipe_flow"] > 0.5e-3).all()
    # Demand of node 745, 1.42 L/s, times the pattern's lowest and highest factor.
    assert samples["side_stream"].min() == pytest.approx(1.42e-3 * 0.39, rel=1e-6)
    assert samples["side_stream"].max() == pytest.approx(1.42e-3 * 1.61, rel=1e-6)


def test_suction_head_is_tank_level_less_hazen_williams_friction(station):
    """Hazen-Williams in SI: h = 10.667 L Q^1.852 / (C^1.852 d^4.871) (EPANET 2.2 manual)."""
    samples, pipe = station.truth.samples, station.truth.suction_pipe
    friction = (
        10.667
        * pipe.length
        * samples["suction_pipe_flow"] ** 1.852
        / (pipe.hazen_williams**1.852 * pipe.diameter**4.871)
    )
    head = station.truth.tank_floor_elevation + samples["level"] - friction
    np.testing.assert_allclose(samples["suction_head"], head, atol=0.01)
    gauge = (head - station.truth.suction_node_elevation) * station.truth.specific_weight
    np.testing.assert_allclose(samples["suction_pressure"], gauge, atol=100)


def test_level_only_is_wrong_by_about_two_metres(station, running):
    """Expected: Hazen-Williams by hand at the mean pipe flow while running, 2.51 L/s.

    10.667 x 444 m x 0.00251^1.852 / (70^1.852 x 0.102^4.871) = 1.87 m; the flow varies, so
    the mean of the losses is a little more, and their root mean square more again.
    """
    level_only = station.truth.tank_floor_elevation + running["level"]
    error = level_only - running["suction_head"]
    assert running["suction_pipe_flow"].mean() == pytest.approx(2.51e-3, abs=0.01e-3)
    assert error.mean() == pytest.approx(1.9, abs=0.05)
    rmse = np.sqrt(np.mean(error**2))
    assert 1.9 < rmse < 2.0


def test_pump_follows_the_published_controls(station):
    """Pump 7F starts below 1.7037 m and stops above 2.1095 m in tank F."""
    samples = station.truth.samples
    level, running = samples["discharge_tank_level"], samples["running"]
    assert running[level < 1.70].all()
    assert not running[level > 2.1101].any()
    starts = (running & ~running.shift(fill_value=False)).sum()
    assert starts > 30


@pytest.mark.parametrize("form", ["long-csv", "wide-csv", "parquet"])
def test_exports_give_the_tags_back(tmp_path, station, form):
    half = station.tags["time"].iloc[2160]
    (path,) = write_exports(tmp_path, form, hide_suction_from=half)
    if form == "parquet":
        wide = pd.read_parquet(path).pivot(index="time", columns="tag", values="value")
    elif form == "long-csv":
        assert path.read_text().splitlines()[1].split(",")[1] == "2025-01-01T00:00:00Z"
        frame = pd.read_csv(path, parse_dates=["time"])
        assert (frame["status"] == "Good").all()
        wide = frame.pivot(index="time", columns="tag", values="value")
    else:
        wide = pd.read_csv(path, parse_dates=["time"], index_col="time")
    expected = station.tags.set_index("time")
    assert wide["R7F.SUCTION_PRESSURE"].iloc[2160:].isna().all()
    visible = [c for c in expected if c != "R7F.SUCTION_PRESSURE"]
    np.testing.assert_array_equal(wide[visible], expected[visible])
    np.testing.assert_array_equal(
        wide["R7F.SUCTION_PRESSURE"].iloc[:2160], expected["R7F.SUCTION_PRESSURE"].iloc[:2160]
    )


def test_an_unknown_form_is_refused(tmp_path):
    with pytest.raises(ValueError, match=r"long-csv.*got 'xlsx'"):
        write_exports(tmp_path, "xlsx")
