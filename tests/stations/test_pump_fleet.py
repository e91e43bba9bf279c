"""The hall's states are the engine's, and its faults are what they are called."""

import numpy as np
import pytest
from pump_fleet import (
    COMBINATIONS,
    DUTY_FLOW,
    DUTY_HEAD,
    GAUGES,
    LEARNED_DAYS,
    PER_DAY,
    REFERENCE_FLOW,
    Case,
    Engine,
    draw,
    leakage_for,
    pump_head,
    pump_power,
    states,
    strainer_for,
)


@pytest.mark.parametrize("fault", ["internal_wear", "impeller_damage", "suction_restriction"])
def test_interpolated_states_are_the_engines(fault):
    """Against direct solutions between the nodes: 0.02 % of flow, head and power, 1 mm suction."""
    rng = np.random.default_rng(1)
    for name, running in COMBINATIONS.items():
        for _ in range(3):
            size, level, demand = rng.uniform(0, 0.16), rng.uniform(2, 5), rng.uniform(0, 0.05)
            engine = Engine(size if fault == "impeller_damage" else 0.0)
            direct = engine.solve(
                level,
                demand,
                running,
                leakage=float(leakage_for(size)) if fault == "internal_wear" else 0.0,
                strainer=float(strainer_for(size)) if fault == "suction_restriction" else 0.0,
            )
            engine.close()
            at = (np.array([value]) for value in (size, level, demand))
            found = states(fault, *at, np.array([name])).iloc[0].to_numpy()
            k = 0 if running[0] else 1
            for seen, true in (
                (found[k], direct[k]),
                (found[4 + k] - found[2 + k], direct[4 + k] - direct[2 + k]),
                (found[6 + k], direct[6 + k]),
            ):
                assert seen == pytest.approx(true, rel=2e-4)
            assert found[2 + k] == pytest.approx(direct[2 + k], abs=1e-3)


def test_leakage_shifts_the_flow_axis_by_the_root_of_head():
    """The engine's head at a delivered flow is the sound curve's at flow plus leakage."""
    for loss in (0.02, 0.08):
        share = float(leakage_for(loss))
        engine = Engine()
        state = engine.solve(3.5, 0.02, (1, 0), leakage=share)
        engine.close()
        flow, head, power = state[0], state[4] - state[2], state[6]
        through = flow + share * DUTY_FLOW * np.sqrt(head / DUTY_HEAD)
        assert head == pytest.approx(float(pump_head(through)), rel=1e-3)
        assert power == pytest.approx(float(pump_power(through)), rel=1e-3)
        leaked = share * DUTY_FLOW * np.sqrt((1 - loss) * pump_head(REFERENCE_FLOW) / DUTY_HEAD)
        at_reference = pump_head(REFERENCE_FLOW + leaked) / pump_head(REFERENCE_FLOW) - 1
        assert at_reference == pytest.approx(-loss, abs=2e-4)


@pytest.mark.parametrize("gauge", GAUGES)
def test_sources_of_suction_are_as_the_case_says(gauge):
    drawn = draw(Case(gauge=gauge, days=120), np.random.default_rng(2))
    points = drawn.points["P1"]
    days = (points["time"] - points["time"].iloc[0]).dt.days.to_numpy() - LEARNED_DAYS
    source = points["suction_pressure_source"].astype(str)
    assert (points["status"] == "steady").mean() > 0.95
    assert len(drawn.size) == LEARNED_DAYS + 120
    assert len(points) < (LEARNED_DAYS + 120) * PER_DAY
    known = {"present": "measured", "lost": "measured", "sister": "sister", "drawing": "drawing"}
    assert set(source[days < 29]) == {known[gauge]}
    later = {**known, "lost": "modelled"}
    assert set(source[days > 91]) == {later[gauge]}


def test_a_draw_is_repeatable_and_its_noise_is_as_asked():
    one, two = (draw(Case(), np.random.default_rng(3)).points["P1"] for _ in range(2))
    assert one.equals(two)
