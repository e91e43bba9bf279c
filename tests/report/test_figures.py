"""What the figures show, and that a modelled value never looks measured."""

import json

import pandas as pd
import pytest

from pipeline.report.figures import (
    Readings,
    assumption_comparison,
    data_quality_calendar,
    deviation_trend,
    efficiency_over_time,
    empty_reason,
    monthly_cost,
    operating_points_on_curve,
    suction_fit,
    tags_of,
)
from pipeline.report.quality import DAY_STATES, day_states
from pipeline.report.style import KINDS

HOSTILE = "<script>alert(1)</script>"
DIES = pd.Timestamp("2025-06-01")


def all_figures(tables, plant, pump):
    return {
        "efficiency": efficiency_over_time(tables, pump),
        "deviation": deviation_trend(tables, pump),
        "level_only": assumption_comparison(tables, pump),
        "curve": operating_points_on_curve(tables, pump),
        "suction": suction_fit(tables, pump),
        "cost": monthly_cost(tables, pump),
        "quality": data_quality_calendar(tables, tags_of(plant, pump), pump=pump),
    }


def by_name(figure, name):
    return [t for t in figure.data if t.name == name]


@pytest.mark.parametrize("pump", ["P1", HOSTILE, "P3 & co"])
def test_every_figure_has_something(tables, plant, pump):
    for name, figure in all_figures(tables, plant, pump).items():
        assert empty_reason(figure) is None, name
        assert len(figure.data) > 0


def test_kinds_differ_in_shape_and_line_not_only_colour():
    """In grey print and to colour-blind people the kinds stay apart."""
    assert len({k.symbol for k in KINDS.values()}) == len(KINDS)
    assert len({k.dash for k in KINDS.values()}) == len(KINDS)


def test_measured_and_modelled_days_are_separate_lines(tables):
    """The gauge died on 1 June 2025: no measured point after, no modelled one before."""
    figure = efficiency_over_time(tables, HOSTILE)
    (measured,) = by_name(figure, KINDS["measured"].label)
    (modelled,) = by_name(figure, KINDS["modelled"].label)
    assert pd.to_datetime(pd.Series(measured.x)).max() < DIES
    assert pd.to_datetime(pd.Series(modelled.x)).min() >= DIES - pd.Timedelta("2s")
    assert measured.marker.symbol != modelled.marker.symbol
    assert measured.line.dash != modelled.line.dash


def test_a_pump_without_gauge_shows_nothing_measured(tables):
    for figure in (
        efficiency_over_time(tables, "P3 & co"),
        operating_points_on_curve(tables, "P3 & co"),
        suction_fit(tables, "P3 & co"),
    ):
        symbols = {t.marker.symbol for t in figure.data if t.mode and "markers" in t.mode}
        assert KINDS["measured"].symbol not in symbols
        assert symbols == {KINDS["modelled"].symbol}


def test_excluded_readings_are_crosses(tables):
    """What a check excludes is drawn, and never as a trusted reading."""
    figure = suction_fit(tables, HOSTILE)
    (trusted,) = [t for t in by_name(figure, "gauge") if t.xaxis == "x3"]
    excluded = [t for t in by_name(figure, "gauge not believed") if t.xaxis == "x3"]
    assert pd.to_datetime(pd.Series(trusted.x)).max() < DIES
    assert pd.to_datetime(pd.Series(excluded[0].x)).min() >= DIES
    assert trusted.marker.symbol != excluded[0].marker.symbol


def test_model_repeats_the_gauge_it_was_fitted_to(tables):
    """The planted loss is 3 MPa (Q/1 m³/s)² with no scatter: residuals within 0.2 kPa."""
    figure = suction_fit(tables, "P1")
    (residuals,) = [t for t in by_name(figure, "gauge") if t.xaxis == "x3"]
    assert max(abs(v) for v in residuals.y) < 0.2


def test_points_are_a_sample(tables):
    figure = operating_points_on_curve(tables, "P1", most_points=300)
    drawn = [t for t in figure.data if t.mode == "markers" and t.xaxis == "x"]
    assert 200 <= sum(len(t.x) for t in drawn) <= 300


def test_points_lie_at_reference_speed(us_tables):
    """Affinity laws: half speed doubles flow and quadruples head when brought back."""
    whole = operating_points_on_curve(us_tables, "P1")
    readings = Readings(us_tables)
    original = readings.table

    def slower(name, *args, **kwargs):
        rows = original(name, *args, **kwargs)
        return rows.assign(speed_ratio=0.5) if name == "operating_points" else rows

    readings.table = slower
    half = operating_points_on_curve(readings, "P1")
    (a,), (b,) = (
        [t for t in f.data if t.xaxis == "x" and t.mode == "markers"][:1] for f in (whole, half)
    )
    assert [2 * v for v in a.x] == pytest.approx(list(b.x), abs=0.02)
    assert [4 * v for v in a.y] == pytest.approx(list(b.y), abs=0.05)


def test_trend_has_the_published_rate(tables):
    """Over the drawn span the line falls by 1.3 % a year."""
    (line,) = by_name(deviation_trend(tables, "P1"), "fitted trend")
    years = (pd.Timestamp(line.x[1]) - pd.Timestamp(line.x[0])) / pd.Timedelta(days=365.25)
    assert (line.y[1] - line.y[0]) / years == pytest.approx(-1.3, abs=0.002)


def test_error_of_the_assumption_is_claim_less_figure(tables):
    """Planted: level without losses claims 3 points less."""
    (error,) = by_name(assumption_comparison(tables, "P1"), "its error")
    assert set(error.y) == {-3.0}


def test_cost_without_a_price_is_energy(tables):
    """No price in the plant file: the bars are energy, and say so."""
    readings = Readings(tables)
    original = readings.table

    def unpriced(name, *args, **kwargs):
        rows = original(name, *args, **kwargs)
        return rows.assign(electrical_cost=float("nan")) if name == "energy_cost" else rows

    readings.table = unpriced
    figure = monthly_cost(readings, "P1")
    assert figure.layout.yaxis.title.text == "kWh a month"
    assert figure.data[0].y[0] == pytest.approx(25000.0)


def test_calendar_marks_the_days_of_a_dead_gauge(tables, plant):
    grid = day_states(Readings(tables), tags_of(plant, HOSTILE), HOSTILE, "UTC")
    state = list(DAY_STATES).index("gauge not believed")
    marked = grid.index[grid[f"{HOSTILE}.SUCTION"] == state]
    assert marked[0] == DIES
    assert marked[-1] == grid.index[-1]
    assert not (grid.drop(columns=f"{HOSTILE}.SUCTION") == state).any().any()
    # In grey print its colour is that of another state: a line runs through these days alone.
    drawn = data_quality_calendar(tables, tags_of(plant, HOSTILE), pump=HOSTILE).data
    lines = [t for t in drawn if t.type == "scatter" and "lines" in t.mode]
    assert len(lines) == 1
    struck = [pd.Timestamp(x).floor("D") for x, y in zip(lines[0].x, lines[0].y, strict=True) if y]
    assert struck == list(marked)


def test_tags_of_a_pump_include_its_level(plant):
    assert tags_of(plant, "P3 & co") == {
        "P3 & co.FLOW": "flow",
        "P3 & co.DISCHARGE": "discharge pressure",
        "P3 & co.POWER": "electrical power",
        "TANK.LEVEL": "level",
    }


def test_nothing_to_draw_is_said_in_a_sentence(bare_tables, plant):
    expected = {
        "efficiency": f"No overall efficiency of {HOSTILE} could be worked out yet.",
        "deviation": f"{HOSTILE} has no baseline yet to compare with.",
        "level_only": f"There is no level to work out what it alone would say of {HOSTILE}.",
        "curve": f"{HOSTILE} has no operating points and no baseline curve yet.",
        "suction": f"Neither a suction gauge nor a fitted suction model speaks for {HOSTILE} yet.",
        "cost": f"No energy of {HOSTILE} has been counted yet.",
        "quality": "No tag of this pump has delivered a sample yet.",
    }
    figures = all_figures(bare_tables, plant, HOSTILE)
    assert {name: empty_reason(figure) for name, figure in figures.items()} == expected
    for figure in figures.values():
        assert "<" not in figure.layout.annotations[0].text


def test_figures_can_be_kept_as_files(tables, tmp_path):
    """A figure of a notebook survives a round trip through its JSON."""
    figure = efficiency_over_time(tables, "P1")
    path = tmp_path / "figure.json"
    figure.write_json(path)
    assert len(json.loads(path.read_text("utf-8"))["data"]) == len(figure.data)
