"""The instruments err as declared, and each fault does what its name says."""

import numpy as np
import pandas as pd
import pytest
from epanet_station import station_truth
from station_scenarios import (
    INSTRUMENTS,
    MEASURED,
    Accuracy,
    days_since_start,
    draw_readings,
    drawn_lines,
    drift_gauge,
    effective_coefficients,
    level_only_pressure,
    lose_gauge,
    misread_unit,
    offset_gauge,
    read_absolute_as_gauge,
    read_level_of_another_tank,
    remove_gauge,
    scenario_readings,
    shake_gauge,
    stick_gauge,
    survey_readings,
    swap_suction_and_discharge,
)

DAYS = 30.0


@pytest.fixture(scope="module")
def truth():
    return station_truth(DAYS)


@pytest.fixture
def readings(truth):
    return draw_readings(truth, np.random.default_rng(1))


def test_readings_carry_their_truth_and_leave_it_alone(truth):
    before = truth.copy()
    readings = draw_readings(truth, np.random.default_rng(1))
    pd.testing.assert_frame_equal(truth, before)
    for name in MEASURED:
        np.testing.assert_array_equal(readings[f"{name}_true"], truth[name])
    again = draw_readings(truth, np.random.default_rng(1))
    pd.testing.assert_frame_equal(readings, again)


@pytest.mark.parametrize("name", sorted(INSTRUMENTS))
def test_errors_have_the_declared_size(truth, name):
    accuracy = INSTRUMENTS[name]
    on = truth[name] > 0
    means, spreads = [], []
    for seed in range(60):
        readings = draw_readings(truth[on], np.random.default_rng(seed), {name: accuracy})
        error = readings[name] - readings[f"{name}_true"]
        error = error / readings[f"{name}_true"] if accuracy.relative else error
        means.append(error.mean())
        spreads.append(error.std())
        assert means[-1] == pytest.approx(
            readings.attrs["calibration"][name], abs=4 * accuracy.random / np.sqrt(on.sum())
        )
    # Sixty draws know a standard deviation to 9 %: three of those.
    assert np.std(means) == pytest.approx(accuracy.systematic, rel=0.28)
    assert np.mean(spreads) == pytest.approx(accuracy.random, rel=0.02)


def test_correlated_noise_has_its_correlation_and_size(truth):
    accuracy = {"level": Accuracy(0.0, 0.01, correlation=0.9)}
    readings = draw_readings(truth, np.random.default_rng(3), accuracy)
    error = readings["level"] - readings["level_true"]
    assert error.autocorr(1) == pytest.approx(0.9, abs=0.03)
    assert error.std() == pytest.approx(0.01, rel=0.15)


def test_lost_gauge(readings):
    lost = lose_gauge(readings, 1, 10, 20)
    day = days_since_start(lost)
    gone = (day >= 10) & (day < 20)
    np.testing.assert_array_equal(lost["suction_pressure_1"].isna(), gone)
    np.testing.assert_array_equal(lost["suction_pressure_1_good"], ~gone)
    np.testing.assert_array_equal(lost["suction_pressure_1_fault"], gone)
    assert readings["suction_pressure_1"].notna().all()
    pd.testing.assert_series_equal(lost["suction_pressure_2"], readings["suction_pressure_2"])
    assert remove_gauge(readings, 2)["suction_pressure_2"].isna().all()


def test_stuck_gauge_is_plausible_and_said_to_be_good(readings):
    stuck = stick_gauge(readings, 1, 10)
    held = stuck.loc[stuck["suction_pressure_1_fault"], "suction_pressure_1"]
    assert held.nunique() == 1
    assert stuck["suction_pressure_1_good"].all()
    live = readings.loc[readings["running_1"], "suction_pressure_1"]
    assert live.quantile(0.25) < held.iloc[0] < live.quantile(0.75)
    zero = stick_gauge(readings, 1, 10, 20, value=0.0)
    assert (zero["suction_pressure_1"] == 0).sum() == 10 * 288


def test_drift_is_eighty_pascals_a_day(readings):
    drifted = drift_gauge(readings, 1, 10)
    added = drifted["suction_pressure_1"] - readings["suction_pressure_1"]
    assert added.iloc[9 * 288] == 0
    assert added.iloc[20 * 288] == pytest.approx(800.0)
    assert added.iloc[-1] == pytest.approx(80 * 20, rel=1e-3)


def test_mapping_mistakes(readings):
    absolute = read_absolute_as_gauge(readings, 1)
    # Standard atmosphere, 101 325 Pa (ISO 2533).
    np.testing.assert_allclose(
        absolute["suction_pressure_1"] - readings["suction_pressure_1"], 101325.0
    )
    # 1 psi = 6.894757 kPa (NIST SP 811).
    psi = misread_unit(readings, 1, 1 / 6.894757)
    np.testing.assert_allclose(psi["suction_pressure_1"] * 6.894757, readings["suction_pressure_1"])
    swapped = swap_suction_and_discharge(readings, 2)
    np.testing.assert_array_equal(swapped["suction_pressure_2"], readings["discharge_pressure_2"])
    np.testing.assert_array_equal(swapped["discharge_pressure_2"], readings["suction_pressure_2"])


def test_the_other_gauge_can_be_spoilt(readings):
    spoilt = offset_gauge(readings, 2, 5e3, 10, side="discharge")
    added = spoilt["discharge_pressure_2"] - readings["discharge_pressure_2"]
    np.testing.assert_array_equal(added.round(6) == 5e3, spoilt["discharge_pressure_2_fault"])
    assert spoilt["discharge_pressure_2_fault"].sum() == 20 * 288
    pd.testing.assert_series_equal(spoilt["suction_pressure_2"], readings["suction_pressure_2"])


def test_a_shaken_gauge_is_noisier_by_what_was_asked(readings):
    shaken = shake_gauge(readings, 1, np.random.default_rng(5), 2e3, 10)
    added = (shaken["suction_pressure_1"] - readings["suction_pressure_1"]).iloc[10 * 288 :]
    assert added.std() == pytest.approx(2e3, rel=0.05)


def test_the_wrong_tanks_level_is_another_signal(readings):
    """Switching levels of the delivery tank of pump 1, from its controls: 1.0 and 2.8 m."""
    wrong = read_level_of_another_tank(readings, 1)
    assert wrong["level"].min() == pytest.approx(1.0, abs=0.05)
    assert wrong["level"].max() == pytest.approx(2.8, abs=0.05)
    assert wrong["level_fault"].all()
    assert not readings["level_fault"].any()


def test_effective_coefficients_explain_the_engines_losses(truth):
    """Level only less k Q^2 less the velocity head comes back to the truth within 0.3 kPa."""
    k = effective_coefficients(truth)
    on = truth["running_1"]
    # Velocity head by hand: rho v^2 / 2 at 60 L/s in 200 mm is 1.823 kPa at 999.56 kg/m3.
    velocity_head = 1823.0 * (truth["flow_1"] / 0.060) ** 2
    model = level_only_pressure(truth, 1) - velocity_head
    model -= k["header"] * truth["header_flow"] ** 2 + k["branch_1"] * truth["flow_1"] ** 2
    assert np.abs(model - truth["suction_pressure_1"])[on].max() < 300


def test_drawings_are_wrong_by_their_stated_factor():
    drawn = [drawn_lines(np.random.default_rng(s))["branch_1"] for s in range(300)]
    # Three hundred draws know a standard deviation to 4 %.
    assert np.std(np.log([d.fittings for d in drawn])) == pytest.approx(0.20, rel=0.12)
    assert np.std(np.log([d.roughness for d in drawn])) == pytest.approx(0.30, rel=0.12)
    assert {d.length for d in drawn} == {20.0}


def test_survey_readings_share_the_portable_gauge(truth):
    accuracy = Accuracy(500.0, 0.0)
    survey = survey_readings(truth, np.random.default_rng(2), 2, 3, accuracy=accuracy, start_day=5)
    error = survey["reading"] - survey["true"]
    assert len(survey) == 3
    assert survey["time"].is_monotonic_increasing
    assert error.max() - error.min() < 1e-6
    assert error.abs().max() > 0
    row = truth.set_index("time").loc[survey["time"]]
    assert row["running_2"].all()


def test_an_unknown_scenario_is_refused():
    with pytest.raises(ValueError, match=r"name must be one of .*got 'leaking'"):
        scenario_readings("leaking", np.random.default_rng(0))
