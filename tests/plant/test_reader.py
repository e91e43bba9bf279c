"""What a valid plant file turns into. Conversions are by hand from the definitions of units."""

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest

from pipeline.errors import PlantFileError
from pipeline.plant import read_plant

ROOT3 = math.sqrt(3.0)


def test_values_are_si(desk):
    plant = desk.read()
    p1, p2 = plant.pumps["P1"][0], plant.pumps["P2"][0]
    assert p1.suction_tap.diameter == pytest.approx(0.2)
    assert p1.driver.rated_power == pytest.approx(30000.0)
    assert p2.reference_speed == pytest.approx(1480.0 / 60.0)
    assert plant.station.grid == 300.0
    assert plant.liquids[0].temperature == pytest.approx(285.15)
    assert plant.tariffs[0].price * 3.6e6 == pytest.approx(0.36)
    assert plant.tags["FT1"][0].scale == pytest.approx(1.0 / 3600.0)
    # 1 US gallon is 231 cubic inches, exactly.
    assert plant.tags["FT2"][0].scale == pytest.approx(231 * 0.0254**3 / 60.0)
    # 1 psi is 6894.757 Pa; vacuum counts downwards from the atmosphere.
    assert plant.tags["PT2"][0].scale == pytest.approx(6894.757, rel=1e-6)
    assert plant.tags["PT2"][0].reference == "gauge"
    assert plant.tags["PS1"][0].scale < 0
    assert plant.tags["PS1"][0].reference == "gauge"
    assert plant.tags["PT1"][0].reference == "gauge"


def test_curve_is_read_and_part_of_the_text(desk):
    plant = desk.read()
    curve = plant.pumps["P1"][0].baseline_curve
    assert [p.flow * 3600 for p in curve] == pytest.approx([100, 200, 300])
    assert [p.head for p in curve] == [30, 25, 15]
    assert [p.efficiency for p in curve] == pytest.approx([0.60, 0.75, 0.62])
    assert b"300,15,62" in plant.text


def test_curve_comes_sorted_and_in_any_known_unit(desk):
    (desk.folder / "curve.csv").write_text("Head [ft], flow [l/s]\n10,30\n20,20\n\n30,10\n")
    curve = desk.read().pumps["P1"][0].baseline_curve
    assert [p.flow for p in curve] == pytest.approx([0.01, 0.02, 0.03])
    assert curve[0].head == pytest.approx(30 * 0.3048)
    assert curve[0].efficiency is None


def test_defaults_and_what_is_unstated(desk):
    desk.put("pumps", 0, "discharge_tap", "position", "other")
    desk.put("pumps", 0, "discharge_tap", "elevation_u", "20 mm")
    plant = desk.read()
    p1 = plant.pumps["P1"][0]
    assert p1.suction_tap.unstated == (
        "gauge_elevation",
        "sensing_line",
        "position",
        "elevation_u",
    )
    assert p1.discharge_tap.unstated == ("gauge_elevation", "sensing_line")
    assert p1.driver.unstated == ("drive_efficiency", "power_measured_at", "efficiency_u")
    assert p1.driver.efficiency_u == 0.01
    assert not p1.check_valve_leak_free
    assert p1.valid_from == pd.Timestamp("1900-01-01", tz="UTC")
    assert plant.data_folder == desk.folder.resolve() / "gaugeless_data"


def test_stating_a_usual_value_changes_no_fingerprint(desk):
    before = desk.read().pumps["P1"]
    after = desk.put("pumps", 0, "suction_tap", "position", "at_flange").read().pumps["P1"]
    assert before[0].suction_tap.unstated != after[0].suction_tap.unstated
    assert repr(before) == repr(after)
    assert before == after


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        # A limit +-a taken as rectangular: u = a/sqrt(3) (JCGM 100:2008, 4.3.7); the range of
        # the tag is 0 to 10 bar.
        ("0.5 % of span", (5000.0 / ROOT3, 0.0)),
        ("±0.5% of span", (5000.0 / ROOT3, 0.0)),
        ("1 % of reading", (0.0, 0.01 / ROOT3)),
        ("+/- 2 kPa", (2000.0 / ROOT3, 0.0)),
        ("1e1 mbar", (1000.0 / ROOT3, 0.0)),
        ("1 in Hg", (3386.389 / ROOT3, 0.0)),
    ],
)
def test_accuracy_forms(desk, written, expected):
    desk.put("tags", 3, "accuracy", {"systematic": written})
    accuracy = desk.read().tags["PT1"][0].accuracy
    found = accuracy.systematic_absolute, accuracy.systematic_relative
    assert found == pytest.approx(expected, rel=1e-6)
    assert (accuracy.random_absolute, accuracy.random_relative) == (0.0, 0.0)
    assert not accuracy.assumed


@pytest.mark.parametrize(
    ("written", "expected"),
    [("0.1 % of span", (1000.0 / ROOT3, 0.0)), ("0.5 % of reading", (0.0, 0.005 / ROOT3))],
)
def test_drift_is_stated_like_the_other_parts(desk, written, expected):
    """As a rectangular limit of a year's movement; the range of the tag is 0 to 10 bar."""
    desk.put("tags", 3, "accuracy", {"systematic": "1 kPa", "drift_per_year": written})
    accuracy = desk.read().tags["PT1"][0].accuracy
    assert (accuracy.drift_absolute, accuracy.drift_relative) == pytest.approx(expected)
    assert accuracy.systematic_absolute == pytest.approx(1000.0 / ROOT3)


def test_drift_is_none_unless_stated(desk):
    for tag in ("PT1", "FT1"):
        accuracy = desk.read().tags[tag][0].accuracy
        assert (accuracy.drift_absolute, accuracy.drift_relative) == (0.0, 0.0)


def test_random_part_is_a_standard_deviation(desk):
    accuracy = desk.read().tags["PT1"][0].accuracy
    assert accuracy.random_absolute == pytest.approx(1000.0)


def test_temperature_accuracy_is_a_difference(desk):
    accuracy = {"systematic": "0.9 °F"}
    tag = {"name": "TT", "quantity": "temperature", "unit": "°C", "accuracy": accuracy}
    plant = desk.put("tags", "+", tag).read()
    assert plant.tags["TT"][0].accuracy.systematic_absolute == pytest.approx(0.5 / ROOT3)


def test_usual_accuracy_says_that_it_is_assumed(desk):
    plant = desk.read()
    assert plant.tags["FT1"][0].accuracy.assumed
    assert plant.tags["FT1"][0].accuracy.systematic_relative == pytest.approx(0.02 / ROOT3)
    assert plant.tags["LT1"][0].accuracy.systematic_absolute == pytest.approx(0.03 / ROOT3)
    # Half a per cent of a span nobody stated: 3 kPa outright.
    assert plant.tags["PT2"][0].accuracy.systematic_absolute == pytest.approx(3000.0 / ROOT3)


@pytest.mark.parametrize("written", [["0 bar", "10 bar"], [0, 10.0], ["10", "0"], [0, "1 MPa"]])
def test_range_forms(desk, written):
    tag = desk.put("tags", 3, "range", written).read().tags["PT1"][0]
    assert (tag.low, tag.high) == pytest.approx((0.0, 1e6))


def test_percent_of_the_range(desk):
    """A transmitter scaled from 0 to 100: 25 % of 0.5 to 4.5 m is 1.5 m."""
    desk.put("tags", 0, "unit", "%").put("tags", 0, "range", ["0.5 m", "4.5 m"])
    tag = desk.read().tags["LT1"][0]
    assert 25.0 * tag.scale + tag.offset == pytest.approx(1.5)
    assert (tag.low, tag.high) == pytest.approx((0.5, 4.5))


def test_range_in_exponents_is_in_the_unit_of_the_tag(desk):
    tag = desk.put("tags", 3, "range", [1e-05, 1e1]).read().tags["PT1"][0]
    assert (tag.low, tag.high) == pytest.approx((1.0, 1e6))


def test_no_range_is_no_bound(desk):
    tag = desk.read().tags["FT1"][0]
    assert (tag.low, tag.high) == (-np.inf, np.inf)


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        # Lisbon is one hour ahead of UTC in summer (until 27 October in 2024), level in winter.
        (dt.date(2024, 7, 1), "2024-06-30 23:00"),
        (dt.date(2024, 12, 1), "2024-12-01 00:00"),
        ("2024-07-01", "2024-06-30 23:00"),
        ("2024-07-01 12:30", "2024-07-01 11:30"),
        (dt.datetime(2024, 7, 1, 12, tzinfo=dt.UTC), "2024-07-01 12:00"),
    ],
)
def test_dates_without_offset_are_local(desk, written, expected):
    tag = {"name": "FT1", "quantity": "flow", "unit": "l/s", "valid_from": written}
    plant = desk.put("tags", "+", tag).read()
    assert plant.tags["FT1"][1].valid_from == pd.Timestamp(expected, tz="UTC")
    assert plant.tags["FT1"][1].valid_from.unit == "us"


def test_text_forms_of_exports(desk):
    export = {
        "path": "/data/history/*.csv",
        "layout": "wide",
        "delimiter": "\t",
        "decimal": ",",
        "thousands": " ",
        "time_format": "%d.%m.%Y %H:%M",
        "time_zone": "Europe/Lisbon",
        "encoding": "windows-1252",
        "status_words": {"bad": "COMM FAIL"},
    }
    found = desk.put("exports", 0, export).read().exports[0]
    assert (found.delimiter, found.decimal, found.thousands) == ("\t", ",", " ")
    assert found.pattern == "/data/history/*.csv"
    assert (found.tag_column, found.value_column) == (None, None)
    assert found.bad == ("COMM FAIL",)


@pytest.mark.parametrize(
    ("stated", "expected"),
    [
        ({}, ("tag", None, None)),
        ({"tag": "FT1"}, (None, "FT1", None)),
        ({"tag_in_path": "{tag}_*.csv"}, (None, None, "{tag}_*.csv")),
    ],
)
def test_where_the_tags_of_exports_stand(desk, stated, expected):
    found = desk.put("exports", 0, {"path": "in", **stated}).read().exports[0]
    assert (found.tag_column, found.tag, found.tag_in_path) == expected


def test_byte_order_mark_is_no_fault(desk):
    desk.read()
    file = desk.folder / "plant.toml"
    file.write_bytes(b"\xef\xbb\xbf" + file.read_bytes())
    assert set(read_plant(str(file)).pumps) == {"P1", "P2"}


def test_side_streams_have_signs(desk):
    desk.put("suction_lines", 0, "branches", 0, "side_streams", ["FT2", "-FT1"])
    branch = desk.read().lines["S"][0].branches["P1"]
    assert branch.side_streams == (("FT2", 1), ("FT1", -1))


def test_inputs_are_read_alike_twice(desk):
    assert desk.read() == desk.read()


def test_error_survives_being_sent_between_processes(desk):
    """Worker processes hand errors back by rebuilding them from their arguments."""
    with pytest.raises(PlantFileError) as caught:
        desk.put("pumps", 0, "colour", "red").read()
    error = caught.value
    assert str(type(error)(*error.args)) == str(error)
