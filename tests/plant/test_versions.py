"""What changed since when: versions of items, eras of the plant, and short later versions."""

import datetime as dt

import pandas as pd
import pytest

START, END = pd.Timestamp("2024-01-01", tz="UTC"), pd.Timestamp("2026-01-01", tz="UTC")
SPRING = dt.datetime(2025, 3, 1, tzinfo=dt.UTC)
SUMMER = dt.datetime(2025, 6, 1, tzinfo=dt.UTC)


def utc(moment):
    return pd.Timestamp(moment)


def test_without_dates_there_is_one_era(desk):
    (era,) = desk.read().eras(START, END)
    assert (era.start, era.end) == (START, END)
    assert set(era.pumps) == {"P1", "P2"}


def test_no_span_no_era(desk):
    assert desk.read().eras(END, START) == []
    assert desk.read().eras(START, START) == []


def test_eras_are_cut_where_anything_changes(desk):
    desk.put("tags", "+", {"name": "FT1", "quantity": "flow", "unit": "l/s", "valid_from": SPRING})
    desk.put("pumps", "+", {"id": "P1", "impeller": "trimmed", "valid_from": SUMMER})
    eras = desk.read().eras(START, END)
    assert [e.start for e in eras] == [START, utc(SPRING), utc(SUMMER)]
    assert [e.end for e in eras] == [utc(SPRING), utc(SUMMER), END]
    assert [e.tags["FT1"].unit for e in eras] == ["m3/h", "l/s", "l/s"]
    assert [e.pumps["P1"].impeller for e in eras] == ["", "", "trimmed"]


def test_a_change_at_the_very_ends_cuts_nothing(desk):
    desk.put("liquid", [{"temperature": "10 °C"}, {"temperature": "20 °C", "valid_from": SPRING}])
    plant = desk.read()
    (before,) = plant.eras(START, utc(SPRING))
    (after,) = plant.eras(utc(SPRING), END)
    assert before.liquid.temperature == pytest.approx(283.15)
    assert after.liquid.temperature == pytest.approx(293.15)


def test_plant_at_an_instant(desk):
    desk.put("tags", "+", {"name": "FT1", "quantity": "flow", "unit": "l/s", "valid_from": SPRING})
    plant = desk.read()
    assert plant.at(utc(SPRING)).tags["FT1"].unit == "l/s"
    assert plant.at(utc(SPRING) - pd.Timedelta("1us")).tags["FT1"].unit == "m3/h"


def test_order_in_the_file_does_not_count(desk):
    newer = {"name": "FT1", "quantity": "flow", "unit": "l/s", "valid_from": SPRING}
    desk.content["tags"].insert(0, newer)
    assert [t.unit for t in desk.read().tags["FT1"]] == ["m3/h", "l/s"]


def test_later_pump_takes_over_what_it_does_not_write(desk):
    tap = {"elevation": "1 m", "diameter": "250 mm"}
    later = {"id": "P1", "valid_from": SPRING, "flow_tag": "FT2", "suction_tap": tap}
    first, second = desk.put("pumps", "+", later).read().pumps["P1"]
    assert (first.flow_tag, second.flow_tag) == ("FT1", "FT2")
    assert second.valid_from == utc(SPRING)
    assert second.power_tag == "JT1"
    assert second.driver == first.driver
    assert second.baseline_curve == first.baseline_curve
    assert second.suction_tap.diameter == pytest.approx(0.25)
    assert second.discharge_tap == first.discharge_tap


def test_third_version_builds_on_the_second_by_date(desk):
    desk.put("pumps", "+", {"id": "P1", "valid_from": SUMMER, "power_tag": "JT2"})
    desk.put("pumps", "+", {"id": "P1", "valid_from": SPRING, "flow_tag": "FT2"})
    versions = desk.read().pumps["P1"]
    assert [(p.flow_tag, p.power_tag) for p in versions] == [
        ("FT1", "JT1"),
        ("FT2", "JT1"),
        ("FT2", "JT2"),
    ]


def test_written_table_replaces_the_whole(desk):
    desk.put("pumps", 0, "suction_tap", "elevation_u", "5 cm")
    tap = {"elevation": "0.4 m", "diameter": "200 mm"}
    desk.put("pumps", "+", {"id": "P1", "valid_from": SPRING, "suction_tap": tap})
    first, second = desk.read().pumps["P1"]
    assert (first.suction_tap.elevation_u, second.suction_tap.elevation_u) == (0.05, 0.0)
    assert "elevation_u" in second.suction_tap.unstated


def test_without_takes_a_gauge_away(desk):
    desk.put("pumps", "+", {"id": "P1", "valid_from": SPRING, "without": ["suction_pressure_tag"]})
    first, second = desk.read().pumps["P1"]
    assert (first.suction_pressure_tag, second.suction_pressure_tag) == ("PS1", None)


@pytest.mark.parametrize(
    "change",
    [
        {"impeller": "trimmed to 310 mm"},
        {"driver": {"rated_power": "37 kW", "rated_efficiency": 0.94}},
        {"reference_speed": "1450 rpm"},
    ],
)
def test_another_machine_does_not_keep_the_old_baseline(desk, change):
    first, second = (
        desk.put("pumps", "+", {"id": "P1", "valid_from": SPRING, **change}).read().pumps["P1"]
    )
    assert len(first.baseline_curve) == 3
    assert second.baseline_curve == ()


def test_another_machine_may_bring_its_own_baseline(desk):
    (desk.folder / "new.csv").write_text("flow [m3/h],head [m]\n100,28\n200,22\n300,11\n")
    change = {"impeller": "trimmed", "baseline": {"curve": "new.csv"}, "valid_from": SPRING}
    _, second = desk.put("pumps", "+", {"id": "P1", **change}).read().pumps["P1"]
    assert [p.head for p in second.baseline_curve] == [28, 22, 11]


def test_later_line_takes_over_header_and_branches(desk):
    source = {"id": "T2", "kind": "open_tank", "level_tag": "LT1", "level_zero_elevation": "3 m"}
    desk.put("suction_sources", "+", source)
    desk.put("suction_lines", "+", {"id": "S", "source": "T2", "valid_from": SPRING})
    first, second = desk.read().lines["S"]
    assert (first.source, second.source) == ("T1", "T2")
    assert second.header == first.header
    assert second.branches == first.branches


def test_fault_of_an_earlier_version_is_said_once(desk):
    desk.put("pumps", 0, "suction_tap", "diameter", "200 m")
    desk.put("pumps", 0, "colour", "red").put("pumps", 0, "power_tag", "JT9")
    desk.put("pumps", "+", {"id": "P1", "valid_from": SPRING, "flow_tag": "FT2"})
    assert len(desk.faults()) == 3


def test_fault_of_a_later_version_names_its_date(desk):
    desk.put("pumps", "+", {"id": "P1", "valid_from": dt.date(2025, 3, 1), "colour": "red"})
    (fault,) = desk.faults()
    assert fault.startswith("pumps 'P1' from 2025-03-01, colour: found an unknown key")


@pytest.mark.parametrize("gone", ["speed_tag", "suction_pressure"])
def test_without_names_a_key_that_was_there(desk, gone):
    desk.put("pumps", "+", {"id": "P1", "valid_from": SPRING, "without": gone})
    (fault,) = desk.faults()
    assert f"without: found '{gone}'; expected a key of the version before it: baseline" in fault


def test_without_belongs_to_later_versions(desk):
    (fault,) = desk.put("pumps", 0, "without", ["flow_tag"]).faults()
    assert "pumps 'P1', without: found 'flow_tag'; expected a key of the version before" in fault


def test_tags_are_written_in_full(desk):
    desk.put("tags", "+", {"name": "FT1", "quantity": "flow", "valid_from": SPRING})
    (fault,) = desk.faults()
    assert "tags 'FT1', unit: found nothing" in fault


def test_pump_built_later_is_absent_before(desk):
    desk.put("pumps", 1, "valid_from", SPRING)
    before, after = desk.read().eras(START, END)
    assert set(before.pumps) == {"P1"}
    assert before.lines["S"].header[0].carries == ("P1",)
    assert set(before.lines["S"].branches) == {"P1"}
    assert after.lines["S"].header[0].carries == ("P1", "P2")
    assert set(after.lines["S"].branches) == {"P1", "P2"}


def test_segments_run_from_source_to_pump(desk):
    line = desk.read().lines["S"][0]
    assert [s.id for s in line.segments("P1")] == ["common", "P1 branch"]
    assert line.segments("P9") == ()


def test_meter_of_a_pump_is_the_one_that_serves_fewest(desk):
    meters = [
        {"id": "A", "tag": "FT1", "serves": ["P1", "P2"]},
        {"id": "B", "tag": "FT2", "serves": ["P2"]},
    ]
    now = desk.put("flow_meters", meters).read().at(END)
    assert (now.meter_of("P1").id, now.meter_of("P2").id) == ("A", "B")
    assert now.meter_of("P3") is None


def test_gauge_reads_at_its_own_height_only_on_a_filled_line(desk):
    desk.put("pumps", 0, "suction_tap", "gauge_elevation", "1.5 m")
    desk.put("pumps", 0, "discharge_tap", "gauge_elevation", "1.5 m")
    desk.put("pumps", 0, "discharge_tap", "sensing_line", "empty")
    pump = desk.read().pumps["P1"][0]
    assert pump.suction_tap.reading_elevation == pytest.approx(1.5)
    assert pump.discharge_tap.reading_elevation == pytest.approx(0.4)
