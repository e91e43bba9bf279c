"""Files that come late, and samples stamped by a wrong clock.

The claims are the project's own; numbers of rows are counted in the files put in.
"""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest
from small_station import FILES, START, ZONE, SmallStation, day_text

from pipeline.jobs import measure, nightly
from pipeline.jobs.nightly import run_plant

DAY = pd.Timedelta(days=1)


def a_sample(time: str) -> str:
    return f"tag,time,value,status\nA.POWER,{time},7.0,Good\n"


def test_rows_of_published_days_are_counted_as_late(station: SmallStation):
    run_plant(station.bring(0, 2).plant)
    result = run_plant(station.bring(1).plant)
    rows = len(day_text(1).splitlines()) - 1
    assert result.outcome.late_rows == rows
    assert station.table("runs")["late_rows"].tolist() == [0, rows]
    late = station.table("late_arrivals")
    assert set(late["generation"]) == {2}
    assert set(late["file"]) == {f"exports/{FILES[1]}"}
    # By another way: rows of the file, by tag and day of the station's clock.
    sent = pd.read_csv(station.folder / "exports" / FILES[1], parse_dates=["time"])
    day = sent["time"].dt.tz_convert(ZONE).dt.normalize().dt.tz_convert("UTC").rename("day")
    assert (
        late.set_index(["tag", "day"])["samples"].to_dict()
        == sent.groupby(["tag", day]).size().to_dict()
    )


def test_what_comes_in_its_turn_is_not_late(station: SmallStation):
    for day in (0, 1):
        assert run_plant(station.bring(day).plant).outcome.late_rows == 0


def test_only_what_is_new_counts_as_late(station: SmallStation):
    run_plant(station.bring(0, 1).plant)
    # A file that grows: the rows before are known, one of them is corrected.
    head, *rows = day_text(0).splitlines(keepends=True)
    more = "A.POWER,2026-01-30T06:00:30Z,7.0,Good\n"
    corrected = rows[0].replace(rows[0].split(",")[2], "0.25", 1)
    station.put("grown.csv", "".join([head, corrected, *rows[1:], more]))
    assert run_plant(station.plant).outcome.late_rows == 2
    late = station.table("late_arrivals")
    assert late["tag"].tolist() == sorted([rows[0].split(",")[0], "A.POWER"])
    assert late["samples"].tolist() == [1, 1]


def test_a_file_that_grew_makes_only_the_months_it_changed_again(
    station: SmallStation, monkeypatch: pytest.MonkeyPatch
):
    made = []
    make_month = measure.make_month

    def watched(run, month, sources):
        made.append(month)
        return make_month(run, month, sources)

    monkeypatch.setattr(measure, "make_month", watched)
    text = day_text(0)
    for later in ("2026-02-20T00:00:00Z", "2026-02-21T00:00:00Z"):
        text += a_sample(later).splitlines(keepends=True)[1]
        station.put("grown.csv", text)
        run_plant(station.plant)
    assert made == ["2026-01", "2026-02", "2026-02"]
    first = text.splitlines()[1]
    station.put("grown.csv", text.replace(first, first.replace(first.split(",")[2], "0.25", 1), 1))
    run_plant(station.plant)
    assert made[3:] == ["2026-01"]


def test_what_two_files_contradict_is_counted_by_tag_and_day(station: SmallStation):
    station.bring(0, 1)
    head, *rows = day_text(1).splitlines(keepends=True)
    flows = [row for row in rows if row.startswith("A.FLOW")][:5]
    assert len(flows) == 5
    # Three rows said otherwise, two repeated: an overlap by itself contradicts nothing.
    other = [row.replace(row.split(",")[2], "0.25", 1) for row in flows[:3]]
    station.put("z.csv", "".join([head, *other, *flows[3:]]))
    run_plant(station.plant)
    told = station.table("data_quality").set_index(["tag", "day"])["contradictions"]
    # These rows begin at 00:00Z, in the evening of the local day before.
    local_day = (START + DAY).tz_convert(ZONE).normalize().tz_convert("UTC")
    assert told[told > 0].to_dict() == {("A.FLOW", local_day): 3}
    assert (station.table("data_quality")["conflicting_duplicates"] == 0).all()


def test_content_that_comes_back_counts_again(
    station: SmallStation, copy_of: Callable[[SmallStation], SmallStation]
):
    station.bring(0, 1)
    other = copy_of(station)
    for value in ("7.0", "9.0", "7.0"):
        station.put("x.csv", a_sample("2026-01-30T06:00:30Z").replace("7.0", value))
        run_plant(station.plant)
    # Everything of the month is made again, from what is kept.
    run_plant(station.bring(2).plant)
    other.bring(2).put("x.csv", a_sample("2026-01-30T06:00:30Z"))
    run_plant(other.plant)
    assert station.bytes_of_tables() == other.bytes_of_tables()


def test_a_file_read_again_for_a_changed_plant_file_is_not_late(station: SmallStation):
    run_plant(station.bring(0, 1, 2).plant)
    text = station.plant.read_text("utf-8")
    station.plant.write_text(text.replace('status_column = "status"\n', ""), "utf-8")
    assert "status_column" in text
    assert run_plant(station.plant, rebuild=True).outcome.late_rows == 0


def test_a_sample_from_the_future_is_told_and_changes_no_table(
    station: SmallStation,
    copy_of: Callable[[SmallStation], SmallStation],
    monkeypatch: pytest.MonkeyPatch,
):
    monkeypatch.setattr(nightly, "_now", lambda: START + 3 * DAY)
    station.bring(0, 1)
    other = copy_of(station)
    station.put("wrong_clock.csv", a_sample("2026-06-01T00:00:00Z"))
    result = run_plant(station.plant)
    (note,) = [n for n in result.outcome.notes if "wrong_clock" in n]
    assert "1 sample(s) are stamped later than now, up to 2026-06-01" in note
    run_plant(other.plant)
    assert station.bytes_of_tables() == other.bytes_of_tables()
    assert not run_plant(station.plant).changed


def test_a_sample_from_the_future_counts_once_time_has_passed_it(
    station: SmallStation, monkeypatch: pytest.MonkeyPatch
):
    station.bring(0).put("ahead.csv", a_sample("2026-01-31T06:00:30Z"))
    monkeypatch.setattr(nightly, "_now", lambda: START + DAY)
    first = run_plant(station.plant)
    assert first.as_of is not None
    assert first.as_of <= START + DAY
    assert not run_plant(station.plant).changed
    monkeypatch.setattr(nightly, "_now", lambda: START + 2 * DAY)
    assert not run_plant(station.plant).changed
    run_plant(station.bring(1).plant)
    fresh = SmallStation(station.folder.with_name("fresh")).bring(0, 1)
    fresh.put("ahead.csv", a_sample("2026-01-31T06:00:30Z"))
    run_plant(fresh.plant)
    assert station.bytes_of_tables() == fresh.bytes_of_tables()
