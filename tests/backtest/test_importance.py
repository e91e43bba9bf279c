"""Where a suction error matters, against hand calculations in the trade's own units."""

import numpy as np
import pandas as pd
import pytest

from pipeline.backtest.importance import (
    GRID_PRESSURE_RISE,
    GRID_SHAFT_POWER,
    TWO_PSI,
    effect_of_error,
    hypothetical_pumps,
    sensitivity_rows,
)
from pipeline.errors import RangeError
from pipeline.tables.catalogue.decision import SUCTION_SENSITIVITY


def test_head_error_of_two_psi_in_feet():
    """Handbook constant: 2.31 ft of cold water per psi (rounded; 2.3108 at 62 F)."""
    found = effect_of_error(
        TWO_PSI,
        pressure_rise=1e5,
        efficiency=0.7,
        electrical_power=1e4,
        density=999.0,
        hours_per_year=1.0,
        price=1.0,
    )
    assert found["head_error"][0] / 0.3048 == pytest.approx(-2 * 2.31, rel=1e-3)


def test_effects_by_hand():
    """By hand: 20 kPa on a rise of 100 kPa is 20 %; 14 points of 70 %; 20 % of 50 MWh."""
    found = effect_of_error(
        20e3,
        pressure_rise=[100e3, 1000e3],
        efficiency=0.7,
        electrical_power=10e3,
        density=1000.0,
        hours_per_year=5000.0,
        price=0.12,
    )
    assert found["relative_error"].tolist() == pytest.approx([-0.2, -0.02])
    assert found["efficiency_error"].tolist() == pytest.approx([-0.14, -0.014])
    assert found["wear_years"].tolist() == pytest.approx([20.0, 2.0])
    assert (found["energy_misstated"] / 3.6e9).tolist() == pytest.approx([10.0, 1.0])
    assert found["cost_misstated"].tolist() == pytest.approx([1200.0, 120.0])


def test_no_rise_has_no_answer():
    found = effect_of_error(
        1.0,
        pressure_rise=[0.0, -5.0, np.nan],
        efficiency=0.7,
        electrical_power=1.0,
        density=1000.0,
        hours_per_year=1.0,
        price=1.0,
    )
    assert found["relative_error"].isna().all()


def test_grid_is_consistent_with_horsepower_formula():
    """Water horsepower = gpm x ft x SG / 3960, brake horsepower = that over efficiency.

    Standard handbook formula; 3960 rounded (3956 to 3960 by the density meant).
    """
    grid = hypothetical_pumps(density=999.0)
    assert len(grid) == len(GRID_SHAFT_POWER) * len(GRID_PRESSURE_RISE)
    gpm = grid["flow"] / 6.30902e-5
    feet = grid["total_head"] / 0.3048
    brake = gpm * feet * 0.999 / 3960.0 / 0.78
    assert (brake * 745.7).to_numpy() == pytest.approx(grid["shaft_power"].to_numpy(), rel=1.5e-3)


def test_two_psi_is_everything_here_and_nothing_there():
    grid = hypothetical_pumps()
    by_rise = grid.groupby("pressure_rise")["relative_error"].agg(["min", "max"])
    # The size of the pump does not matter to the error, only to the money.
    assert (by_rise["max"] - by_rise["min"]).abs().max() < 1e-12
    assert by_rise["min"].iloc[0] == pytest.approx(-2.0 / 3.0)
    assert by_rise["min"].iloc[-1] == pytest.approx(-2.0 / 1000.0)
    cost = grid.pivot_table(index="shaft_power", columns="pressure_rise", values="cost_misstated")
    assert cost.iloc[-1, -1] / cost.iloc[0, -1] == pytest.approx(200.0)


def test_nonsense_is_refused():
    with pytest.raises(RangeError, match="must be positive"):
        hypothetical_pumps(pressure_rise=[0.0])


def test_own_pumps_stand_beside_hypothetical_ones():
    """By hand: 9.80665 kPa on 10 m of water of 1000 kg/m3 is a tenth."""
    own = pd.DataFrame(
        {
            "pump": ["A"],
            "total_head": [10.0],
            "flow": [0.1],
            "speed": [np.nan],
            "electrical_power": [14e3],
            "overall_efficiency": [0.7],
            "hours_per_year": [1000.0],
        }
    )
    grid = hypothetical_pumps(pressure_error=9806.65)
    grid["pump"] = [f"H{n:02d}" for n in range(len(grid))]
    rows = sensitivity_rows(own, grid, pressure_error=9806.65, density=1000.0, price=np.nan)
    assert len(rows) == 1 + len(grid)
    a = rows.iloc[0]
    assert a["kind"] == "pump"
    assert a["efficiency_error"] == pytest.approx(-0.07)
    assert a["energy_misstated"] / 3.6e6 == pytest.approx(1400.0)
    assert np.isnan(a["cost_misstated"])
    assert np.isnan(a["specific_speed"])
    published = SUCTION_SENSITIVITY.publish(rows, "US", "USD")
    assert published.num_rows == len(rows)
    assert published.column("pressure_error_psi")[0].as_py() == pytest.approx(1.42233, rel=1e-5)
