"""The two-pump station does what it claims before any model is judged by it.

Expected values come from the network's own data, from conservation of mass, from Colebrook's
equation (library ``fluids``), or from a hand calculation named beside the check.
"""

import fluids
import numpy as np
import pandas as pd
import pytest
from epanet_station import (
    BRANCHES,
    HEADER,
    KINEMATIC_VISCOSITY,
    LEVEL_ZERO_ELEVATION,
    PUMP_DATA,
    PUMPS,
    TANK_DIAMETER,
    Fouling,
    Wear,
    station_truth,
)
from richmond import SPECIFIC_WEIGHT, G

DAYS = 30.0


@pytest.fixture(scope="module")
def truth():
    return station_truth(DAYS)


def darcy_loss(line, flow, extra=0.0):
    """Darcy-Weisbach with Colebrook's friction factor, in metres."""
    velocity = flow / (np.pi * line.diameter**2 / 4)
    reynolds = velocity * line.diameter / KINEMATIC_VISCOSITY
    factor = np.array(
        [
            fluids.friction_factor(Re=re, eD=line.roughness / line.diameter, Method="Colebrook")
            for re in reynolds
        ]
    )
    return (factor * line.length / line.diameter + line.fittings + extra) * velocity**2 / (2 * G)


def test_rows_are_every_five_minutes(truth):
    assert len(truth) == DAYS * 288
    assert truth["time"].dtype == "datetime64[us, UTC]"
    assert (truth["time"].diff().dropna() == pd.Timedelta(minutes=5)).all()
    assert not truth.isna().any().any()


def test_a_shorter_run_is_the_beginning_of_a_longer_one(truth):
    pd.testing.assert_frame_equal(station_truth(2.0), truth.iloc[: 2 * 288])


def test_all_four_running_combinations_occur(truth):
    share = truth.groupby(["running_1", "running_2"]).size() / len(truth)
    assert len(share) == 4
    assert share.min() > 0.10
    assert truth["level"].max() - truth["level"].min() > 3.0


@pytest.mark.parametrize(("pump", "head"), [(1, 8), (2, 46)])
def test_duty_is_low_head_and_high_head(truth, pump, head):
    running = truth[truth[f"running_{pump}"]]
    assert running[f"total_head_{pump}"].mean() == pytest.approx(head, rel=0.05)
    # The flow moves enough to identify friction, as the tap sees it.
    assert running[f"flow_{pump}"].max() / running[f"flow_{pump}"].min() > 1.2


def test_mass_is_conserved(truth):
    np.testing.assert_allclose(truth["header_flow"], truth["flow_1"] + truth["flow_2"], atol=1e-6)
    # Between two samples without a switch or an hour's end the tank fills at a constant rate.
    net = truth["inflow"] - truth["header_flow"]
    rise = truth["level"].diff().shift(-1) * np.pi * TANK_DIAMETER**2 / 4 / 300
    steady = np.isclose(net, net.shift(-1), rtol=0.02) & ~truth["is_transition"]
    assert steady.sum() > len(truth) / 2
    np.testing.assert_allclose(rise[steady], net[steady], atol=2e-3)


@pytest.mark.parametrize("pump", PUMPS)
def test_suction_losses_are_darcy_weisbach_with_colebrook(truth, pump):
    """The engine's Swamee-Jain factor lies within about 1 % of Colebrook's."""
    running = truth[truth[f"running_{pump}"]].iloc[::20]
    loss = darcy_loss(HEADER, running["header_flow"].to_numpy())
    loss += darcy_loss(BRANCHES[pump], running[f"flow_{pump}"].to_numpy())
    engine = running["level"] + LEVEL_ZERO_ELEVATION - running[f"suction_head_{pump}"]
    np.testing.assert_allclose(engine, loss, rtol=0.01)


@pytest.mark.parametrize("pump", PUMPS)
def test_a_wall_tap_reads_the_head_less_elevation_and_velocity_head(truth, pump):
    running = truth[truth[f"running_{pump}"]]
    data = PUMP_DATA[pump]
    velocity = running[f"flow_{pump}"] * 4 / (np.pi * data.suction_tap_diameter**2)
    head = running[f"suction_pressure_{pump}"] / SPECIFIC_WEIGHT + data.suction_tap_elevation
    np.testing.assert_allclose(head + velocity**2 / (2 * G), running[f"suction_head_{pump}"])
    # By hand for pump 1 at 60 L/s in 200 mm: v = 1.910 m/s, v2/2g = 0.186 m.
    if pump == 1:
        assert np.interp(0.060, np.sort(running["flow_1"]), np.sort(velocity)) == pytest.approx(
            1.910, abs=0.001
        )


@pytest.mark.parametrize("pump", PUMPS)
def test_overall_efficiency_from_pressures_meets_the_curve(truth, pump):
    """(p_d - p_s)/rho g + elevations + velocity heads, times rho g Q, over the engine's kW."""
    data, running = PUMP_DATA[pump], truth[truth[f"running_{pump}"]]
    flow = running[f"flow_{pump}"]
    head = (
        running[f"discharge_pressure_{pump}"] - running[f"suction_pressure_{pump}"]
    ) / SPECIFIC_WEIGHT
    head += data.discharge_tap_elevation - data.suction_tap_elevation
    head += (
        8
        * flow**2
        / (np.pi**2 * G)
        * (data.discharge_tap_diameter**-4 - data.suction_tap_diameter**-4)
    )
    efficiency = SPECIFIC_WEIGHT * flow * head / running[f"electrical_power_{pump}"]
    published = np.interp(flow, data.efficiency_flow, data.efficiency_value)
    # The leak that keeps a standing pump's discharge side in touch costs 0.01 % of the flow.
    assert np.abs(efficiency - published).max() < 2e-4


@pytest.mark.parametrize("pump", PUMPS)
def test_a_standing_pump_reads_static_head_less_the_others_header_loss(truth, pump):
    standing = truth[~truth[f"running_{pump}"]]
    np.testing.assert_allclose(
        standing[f"suction_head_{pump}"], standing["header_end_head"], atol=1e-3
    )
    np.testing.assert_allclose(
        standing[f"discharge_head_{pump}"], standing[f"suction_head_{pump}"], atol=0.02
    )
    alone = standing[~standing[f"running_{3 - pump}"]]
    np.testing.assert_allclose(
        alone[f"suction_head_{pump}"], alone["level"] + LEVEL_ZERO_ELEVATION, atol=1e-3
    )


def test_level_only_is_wrong_by_about_twenty_kilopascals(truth):
    running = truth[truth["running_1"]]
    tap = PUMP_DATA[1].suction_tap_elevation
    level_only = SPECIFIC_WEIGHT * (running["level"] + LEVEL_ZERO_ELEVATION - tap)
    error = level_only - running["suction_pressure_1"]
    assert np.sqrt(np.mean(error**2)) == pytest.approx(20e3, rel=0.15)


def test_fouling_adds_its_loss_and_is_gone_after_cleaning(truth):
    fouling = Fouling(pump=1, start_day=5, growth_days=15, coefficient=8)
    fouled = station_truth(DAYS, fouling=fouling)
    day = np.arange(len(fouled)) / 288
    pd.testing.assert_frame_equal(fouled[day < 5], truth[day < 5])

    running = fouled["running_1"].to_numpy()
    late = running & (day > 19) & (day < 20)
    flow = fouled.loc[late, "flow_1"].to_numpy()
    extra = 8 * (day[late] - 5) / 15
    engine = fouled.loc[late, "header_end_head"] - fouled.loc[late, "suction_head_1"]
    np.testing.assert_allclose(engine, darcy_loss(BRANCHES[1], flow, extra), rtol=0.01)

    cleaned = running & (day > 20.01)
    engine = fouled.loc[cleaned, "header_end_head"] - fouled.loc[cleaned, "suction_head_1"]
    clean_loss = darcy_loss(BRANCHES[1], fouled.loc[cleaned, "flow_1"].to_numpy())
    np.testing.assert_allclose(engine, clean_loss, rtol=0.01)
    # The engine moved the whole pump: less flow while fouled than when clean.
    assert fouled.loc[late, "flow_1"].mean() < fouled.loc[cleaned, "flow_1"].mean() - 1e-3


def test_wear_shifts_the_curve_along_the_flow_axis():
    wear = Wear(pump=1, start_day=0, end_day=5, fraction=0.05)
    worn = station_truth(DAYS, wear=wear)
    day = np.arange(len(worn)) / 288
    late = worn[worn["running_1"].to_numpy() & (day > 6)]
    data = PUMP_DATA[1]
    # Leakage goes as the square root of the head and is 5 % of duty flow at the duty head.
    leak = 0.05 * data.duty_flow * np.sqrt(late["total_head_1"] / data.duty_head)
    np.testing.assert_allclose(late["leakage_flow_1"], leak, rtol=0.02)
    # What passes the impeller still meets the new pump's curve, H = 12 - 4 (Q/60)^2.
    through = late["flow_1"] + late["leakage_flow_1"]
    np.testing.assert_allclose(late["total_head_1"], 12 - 4 * (through / 0.060) ** 2, atol=0.01)


def test_another_liquid_scales_pressures_and_power(truth):
    """The same flows and heads at 0.85 of the weight (hand: everything else is kinematic)."""
    light = station_truth(3.0, specific_gravity=0.85)
    water = truth.iloc[: len(light)]
    np.testing.assert_allclose(light["flow_1"], water["flow_1"], rtol=1e-9, atol=1e-12)
    for name in ("suction_pressure_1", "discharge_pressure_2", "electrical_power_2"):
        np.testing.assert_allclose(light[name], 0.85 * water[name], rtol=1e-9)
