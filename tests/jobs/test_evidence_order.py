"""However the evidence came in, the tables are the same.

The claims are the project's own: nightly runs, late files, one backfill and a rebuild agree.
"""

from __future__ import annotations

import itertools
import tempfile
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from small_station import (
    DAYS,
    FILES,
    LEVEL_ZERO,
    START,
    SmallStation,
    assert_same_tables,
    day_text,
)

from pipeline.errors import RebuildNeededError
from pipeline.jobs.nightly import run_plant

Copy = Callable[[SmallStation], SmallStation]


def end_of(day: int) -> pd.Timestamp:
    return START + pd.Timedelta(days=day + 1)


def test_the_backfill_says_what_was_put_in(backfilled: SmallStation):
    """Efficiencies from the station's own law: 72 % at best, 60 m3/s squared off it."""
    points = backfilled.table("operating_points")
    steady = points[points["status"] == "steady"]
    assert set(steady["pump"]) == {"A", "B"}
    flow = steady["flow_m3_h"] / 3600.0
    law = 100.0 * (0.72 - 60.0 * (flow - 0.06) ** 2)
    # Noise and interpolation between samples; pump B's branch is known from drawings only.
    limit = steady["pump"].map({"A": 1.0, "B": 3.0}).astype(float)
    assert ((steady["overall_efficiency_pct"] - law).abs() < limit).all()
    assert set(steady.loc[steady["pump"] == "A", "suction_pressure_source"]) == {"measured"}
    assert set(steady.loc[steady["pump"] == "B", "suction_pressure_source"]) == {"sister"}


def test_one_night_after_the_other_gives_the_bytes_of_one_backfill(station: SmallStation):
    for day in range(DAYS):
        result = run_plant(station.bring(day).plant, as_of=end_of(day))
        assert result.changed
        assert result.outcome.new_files == 1
    assert result.generation == DAYS
    fresh = SmallStation(station.folder.with_name("fresh")).bring(*range(DAYS))
    run_plant(fresh.plant, as_of=end_of(DAYS - 1))
    assert station.bytes_of_tables() == fresh.bytes_of_tables()


@st.composite
def nights(draw: st.DrawFn) -> list[list[int]]:
    """Days in any order, split over any number of runs: late files are days out of order."""
    order = draw(st.permutations(range(DAYS)))
    cuts = sorted(draw(st.sets(st.integers(1, DAYS - 1))))
    edges = [0, *cuts, DAYS]
    return [list(order[a:b]) for a, b in itertools.pairwise(edges)]


def assert_same_in_nights(nights: list[list[int]], backfilled: SmallStation) -> None:
    with tempfile.TemporaryDirectory() as folder:
        station = SmallStation(Path(folder) / "station")
        for days in nights:
            run_plant(station.bring(*days).plant)
        assert_same_tables(station, backfilled)


@given(nights=nights())
@settings(
    max_examples=3,
    deadline=None,
    derandomize=True,
    # Every example is several whole runs: a failure is told as found, not shrunk for minutes.
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_any_split_and_late_files_equal_one_backfill(
    backfilled: SmallStation, nights: list[list[int]]
):
    assert_same_in_nights(nights, backfilled)


@pytest.mark.slow
@given(nights=nights())
@settings(
    max_examples=60,
    deadline=None,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
def test_many_splits_and_late_files_equal_one_backfill(
    backfilled: SmallStation, nights: list[list[int]]
):
    assert_same_in_nights(nights, backfilled)


def test_a_rebuild_there_and_back_gives_the_same_bytes(backfilled: SmallStation, copy_of: Copy):
    station = copy_of(backfilled)
    before = station.bytes_of_tables()
    station.describe(level_zero=LEVEL_ZERO + 0.1)
    with pytest.raises(RebuildNeededError, match="--rebuild"):
        run_plant(station.plant)
    assert station.bytes_of_tables() == before
    assert run_plant(station.plant, rebuild=True).changed
    fresh = SmallStation(station.folder.with_name("fresh")).bring(*range(DAYS))
    run_plant(fresh.describe(level_zero=LEVEL_ZERO + 0.1).plant)
    assert station.bytes_of_tables() == fresh.bytes_of_tables()
    assert station.bytes_of_tables() != before
    assert run_plant(station.describe().plant, rebuild=True).changed
    assert station.bytes_of_tables() == before


def test_without_news_there_is_no_new_generation(backfilled: SmallStation, copy_of: Copy):
    station = copy_of(backfilled)
    result = run_plant(station.plant)
    assert not result.changed
    assert result.generation == 1
    # A file touched but not changed is no news either, hashed or not.
    (station.folder / "exports" / FILES[1]).touch()
    assert not run_plant(station.plant, verify=True).changed
    assert [p.name for p in (station.data / "store").iterdir() if p.name.isdigit()].count("2") == 0


def test_time_that_passes_without_a_sample_is_no_news(backfilled: SmallStation, copy_of: Copy):
    station = copy_of(backfilled)
    for nights in (1, 2, 40):
        result = run_plant(station.plant, as_of=end_of(DAYS - 1) + pd.Timedelta(days=nights))
        assert not result.changed
    assert station.bytes_of_tables(but=()) == backfilled.bytes_of_tables(but=())


def test_new_content_supersedes_the_old_wholly(backfilled: SmallStation, copy_of: Copy):
    station = copy_of(backfilled).bring(1, power_factor=1.1)
    assert run_plant(station.plant).changed
    fresh = SmallStation(station.folder.with_name("fresh")).bring(0, 2, 3)
    run_plant(fresh.bring(1, power_factor=1.1).plant)
    assert_same_tables(station, fresh)
    power = station.table("operating_points")["electrical_power_kw"]
    assert power.max() > 1.05 * backfilled.table("operating_points")["electrical_power_kw"].max()


def test_a_vanished_source_takes_nothing_away_and_is_told(backfilled: SmallStation, copy_of: Copy):
    station = copy_of(backfilled)
    (station.folder / "exports" / FILES[2]).unlink()
    result = run_plant(station.plant)
    assert FILES[2] in " ".join(result.outcome.notes)
    assert station.bytes_of_tables() == backfilled.bytes_of_tables()
    station.bring(2)
    run_plant(station.plant)
    assert station.bytes_of_tables() == backfilled.bytes_of_tables()


def test_a_night_before_the_committed_one_changes_nothing(backfilled: SmallStation, copy_of: Copy):
    station = copy_of(backfilled)
    result = run_plant(station.plant, as_of=end_of(1))
    assert not result.changed
    assert "already committed" in " ".join(result.outcome.notes)
    assert station.bytes_of_tables(but=()) == backfilled.bytes_of_tables(but=())


def test_as_of_hides_what_came_later(station: SmallStation):
    station.bring(*range(DAYS))
    assert run_plant(station.plant, as_of=end_of(1)).as_of == end_of(1)
    assert station.table("measurements")["time"].max() < end_of(1)
    fresh = SmallStation(station.folder.with_name("fresh")).bring(0, 1)
    run_plant(fresh.plant, as_of=end_of(1))
    but = ("runs", "late_arrivals", "rejected_input")
    assert station.bytes_of_tables(but) == fresh.bytes_of_tables(but)


def test_a_file_that_cannot_be_read_stops_nothing_and_heals(
    station: SmallStation, backfilled: SmallStation
):
    station.bring(0, 1, 3).put(FILES[2], "no,such,columns\n1,2,3\n")
    result = run_plant(station.plant)
    assert result.changed
    assert len(result.outcome.failures) == 1
    assert FILES[2] in result.outcome.failures[0]
    assert list(station.table("rejected_input")["file"]) == [f"exports/{FILES[2]}"]
    assert station.table("measurements")["time"].dt.floor("D").nunique() == DAYS - 1
    # It is told again only when there is news of it.
    assert run_plant(station.plant).outcome.failures == []
    station.put(FILES[2], day_text(2))
    assert run_plant(station.plant).outcome.failures == []
    assert_same_tables(station, backfilled)


def test_a_file_that_cannot_be_opened_is_a_failure_told(
    station: SmallStation, monkeypatch: pytest.MonkeyPatch
):
    station.bring(0, 1)
    whole = Path.open

    def refused(path: Path, *arguments: object, **options: object) -> object:
        if path.name == FILES[1]:
            raise PermissionError(13, "Permission denied")
        return whole(path, *arguments, **options)

    monkeypatch.setattr(Path, "open", refused)
    result = run_plant(station.plant)
    assert result.outcome.new_files == 1
    assert result.outcome.failures == [
        f"exports/{FILES[1]}: The file cannot be read: Permission denied."
    ]


def test_an_edited_events_file_makes_again_what_depends_on_it_and_nothing_else(
    backfilled: SmallStation, copy_of: Copy
):
    """No agreement is asked for, and the tables are those of a first run with these events."""
    lines = ["time,pump,kind,note"]

    def note_down(station: SmallStation, *more: str) -> SmallStation:
        text = station.plant.read_text("utf-8")
        if "events" not in text.partition("[station]")[0]:
            station.plant.write_text('events = "events.csv"\n' + text, "utf-8")
        (station.folder / "events.csv").write_text("\n".join([*lines, *more]) + "\n", "utf-8")
        return station

    def stamps(station: SmallStation) -> dict[str, int]:
        root = (station.data / "tables").resolve()
        return {
            str(p.relative_to(root)): p.stat().st_ino
            for p in sorted(root.rglob("*.parquet"))
            if p.relative_to(root).parts[0] in ("measurements", "rolling_performance", "ledger")
        }

    station = note_down(copy_of(backfilled))
    before, files = station.bytes_of_tables(), stamps(station)
    overhaul = "2026-02-01T12:00:00Z,A,overhaul,new wear rings"
    result = run_plant(note_down(station, overhaul).plant)
    assert result.changed
    assert [n for n in result.outcome.notes if n.startswith("events.csv: changed")]
    assert stamps(station) == files
    fresh = SmallStation(station.folder.with_name("fresh")).bring(*range(DAYS))
    run_plant(note_down(fresh, overhaul).plant)
    assert station.bytes_of_tables() == fresh.bytes_of_tables()
    starts = station.table("baselines").query("pump == 'A'")["start"]
    assert pd.Timestamp("2026-02-01T12:00Z") in set(starts)

    # What moves no table is told once, and then rests.
    remark = "2026-02-01T12:00:00Z,A,other,painted"
    assert run_plant(note_down(station, overhaul, remark).plant).changed
    again = run_plant(station.plant)
    assert not again.changed
    assert not [n for n in again.outcome.notes if "events" in n]

    cleaning = "2026-02-01T12:00:00Z,B,cleaning,strainer"
    run_plant(note_down(station, overhaul, cleaning).plant)
    run_plant(note_down(fresh, cleaning, overhaul).plant)
    assert station.bytes_of_tables() == fresh.bytes_of_tables()
    # What is planned for next month has not happened: no table may know of it.
    planned = ("2026-03-01T12:00:00Z,A,overhaul,planned", "2026-03-01T12:00:00Z,B,cleaning,planned")
    run_plant(note_down(station, *planned).plant)
    assert station.bytes_of_tables() == before
