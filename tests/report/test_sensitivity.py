"""The figure of one suction error over pumps of every head and size."""

import numpy as np
import pandas as pd
import pytest

from pipeline.backtest.importance import hypothetical_pumps, sensitivity_rows
from pipeline.report.sensitivity import where_a_suction_error_matters
from pipeline.report.style import empty_reason
from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.store import Store, open_tables

PSI = 6894.757293168361


def tables_with(folder, display, price):
    own = pd.DataFrame(
        {
            "pump": ["<b>P1</b>", "P2"],
            "total_head": [5.0, 100.0],
            "flow": 0.1,
            "speed": 24.0,
            "electrical_power": [10e3, 200e3],
            "overall_efficiency": 0.7,
            "hours_per_year": 5000.0,
        }
    )
    grid = hypothetical_pumps(price=price)
    grid["pump"] = [f"H{n:02d}" for n in range(len(grid))]
    rows = sensitivity_rows(own, grid, pressure_error=2 * PSI, density=998.2, price=price)
    with Store.create(folder).writer() as stage:
        contract = BY_NAME["suction_sensitivity"]
        stage.write(contract.name, None, contract.publish(rows, display, "EUR"))
        stage.commit()
    return open_tables(folder)


@pytest.mark.parametrize(("price", "word"), [(0.1, "cost"), (np.nan, "energy")])
def test_own_pumps_lie_on_the_line_of_all_sizes(tmp_path, price, word):
    """By hand: the line is error over rise, so the points of efficiency fall as one over head."""
    figure = where_a_suction_error_matters(tables_with(tmp_path / "data", "SI", price))
    lines = [t for t in figure.data if t.mode == "lines"]
    assert sum(t.name == "any size" for t in lines) == 1
    assert len(lines) == 1 + 6
    one = next(t for t in lines if t.name == "any size")
    np.testing.assert_allclose(np.asarray(one.y) * one.x, one.y[0] * one.x[0])
    own = [t for t in figure.data if t.mode == "markers+text"]
    assert [list(t.text) for t in own] == [["&lt;b&gt;P1&lt;/b&gt;", "P2"]] * 2
    assert own[0].y[0] / own[0].y[1] == pytest.approx(20.0)
    assert word in figure.layout.yaxis2.title.text


def test_units_follow_the_plant(tmp_path):
    figure = where_a_suction_error_matters(tables_with(tmp_path / "data", "US", 0.1))
    assert "2 psi" in figure.layout.yaxis.title.text
    assert "ft" in figure.layout.xaxis.title.text


def test_without_a_back_test_it_says_so(bare_tables):
    assert "No back-test" in empty_reason(where_a_suction_error_matters(bare_tables))
