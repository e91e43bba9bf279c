"""The back-test on the page: figures with their intervals in words, safe, only when it was run."""

import numpy as np
import pandas as pd
import pytest

from pipeline.report import write_page
from pipeline.report.hidden_gauges import hidden_gauges
from pipeline.report.readings import Readings
from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.store import Store, open_tables

HOSTILE = "<script>alert(1)</script>"
DAY = pd.Timestamp("2025-04-01", tz="UTC")


def row_of(table, values):
    empty = {"number": np.nan, "integer": 0, "flag": False}
    row = {}
    for column in BY_NAME[table].columns:
        default = None if column.nullable else ""
        row[column.name] = values.get(column.name, empty.get(column.kind, default))
    return row


def score(pump, assumption, design, pascal, points, money, **more):
    ends = {}
    for name, value in (
        ("suction_pressure_rmse", pascal),
        ("overall_efficiency_bias", points),
        ("cost_misstated", money),
        ("total_head_bias", -pascal / 9806.65),
    ):
        size = abs(0.1 * value)
        ends |= {name: value, f"{name}_low": value - size, f"{name}_high": value + size}
    return row_of(
        "backtest_scores",
        {
            "pump": pump, "start": DAY, "end": DAY + pd.Timedelta(days=300), "design": design,
            "assumption": assumption, "as_of": DAY + pd.Timedelta(days=365), "trend_status": "ok",
            "rate_measured": -0.01, "rate_assumed": -0.02,
            "acceptance_assumed": "not_met" if assumption == "level_only" else "met",
            "flags_raised": 1, "flags_missed": 2,
        } | ends | more,
    )  # fmt: skip


@pytest.fixture(scope="module")
def tested(tmp_path_factory):
    rows = [
        score(HOSTILE, "level_only", "growing_window", 12_900.0, -0.138, 4650.0),
        score(HOSTILE, "full_model", "growing_window", 180.0, 0.0, 1.0, coverage=0.96, warned=0.2),
        score(HOSTILE, "of_ours", "own_way", 500.0, 0.01, -20.0),
    ]
    worth = row_of(
        "gauge_worth",
        {
            "pump": HOSTILE, "rank": 1, "suction_pressure_source": "sister", "efficiency_u95": 0.03,
            "cost_u95": 900.0, "gain": -500.0, "gain_u95": 2400.0, "wrong_decision": 0.34,
            "wrong_decision_with_gauge": 0.12, "worth": 2100.0, "gauge_price": 1500.0,
            "net_worth": 600.0, "verdict": "worth_it",
        },
    )  # fmt: skip
    folder = tmp_path_factory.mktemp("hidden") / "data"
    with Store.create(folder).writer() as stage:
        for name, held in (("backtest_scores", rows), ("gauge_worth", [worth])):
            frame = pd.DataFrame(held)
            for column in BY_NAME[name].columns:
                if column.kind == "time":
                    frame[column.name] = frame[column.name].astype("datetime64[us, UTC]")
            stage.write(name, None, BY_NAME[name].publish(frame, "SI", "EUR"))
        stage.commit()
    return open_tables(folder)


def plain(text):
    return text.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ")


def cells(row):
    return [plain(c.text) + (f" [{plain(c.more)}]" if c.more else "") for c in row]


def test_a_pump_in_one_sentence(tested):
    """12.9 kPa, 13.8 points and 4 650 a year were put in above."""
    found = hidden_gauges(Readings(tested), "UTC", "EUR")
    (fact,) = found.facts
    assert plain(fact) == (
        f"{HOSTILE}, hidden 2025-04-01 to 2026-01-26: level only is off by 12.90 kPa (−13.8 points "
        "of efficiency, 4 650 EUR a year misstated); the full model is off by 0.18 kPa (0.0 points "
        "of efficiency, 1.0 EUR a year misstated), with 96 % of the readings in its stated 95 %."
    )


def test_every_score_has_its_interval(tested):
    found = hidden_gauges(Readings(tested), "UTC", "EUR")
    (title, grid), (other, _) = found.scores
    assert title == "The gauge is lost after each window, with all its readings before"
    # A way of hiding or an assumption of the user's own is named as it is.
    assert other == "own way"
    first, second = (cells(row) for row in grid.rows)
    assert first[1:5] == [
        "level only", "12.90 [11.61 to 14.19]", "−1.32 [−1.45 to −1.18]", "−13.8 [−15.2 to −12.4]",
    ]  # fmt: skip
    assert first[5:] == ["–", "−2.0 % (−1.0 %)", "1, 2", "fails", "+4 650 [+4 185 to +5 115]"]
    assert second[5] == "96 % [warned in 20 % of answers]"
    assert second[8] == "passes"


def test_the_worth_of_a_gauge_says_what_to_do(tested):
    (row,) = hidden_gauges(Readings(tested), "UTC", "EUR").worth.rows
    assert cells(row)[2:] == [
        "± 3.00", "± 900 EUR", "−500 EUR ± 2 400 EUR", "34 %, 12 %", "2 100 EUR", "1 500 EUR",
        "worth its price",
    ]  # fmt: skip


def test_on_the_page_and_safe(tested, make_plant, tmp_path):
    plant = make_plant(tmp_path)
    page = write_page(tested, plant, tmp_path / "report.html").read_text("utf-8")
    assert 'id="hidden"' in page
    assert "13.8" in page
    assert HOSTILE not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;, hidden 2025-04-01" in page


def test_without_a_back_test_there_is_no_such_part(page_path, bare_tables):
    assert 'id="hidden"' not in page_path.read_text("utf-8")
    assert hidden_gauges(Readings(bare_tables), "UTC", "EUR") is None
