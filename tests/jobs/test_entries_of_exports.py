"""Entries of ``exports`` that read no file, and what is said of them."""

from __future__ import annotations

from pathlib import Path

from small_station import SmallStation

from pipeline.jobs.evidence import files_left_out, find_files
from pipeline.plant import read_plant


def notes(station: SmallStation, *more: str) -> list[str]:
    entries = "".join(f'\n[[exports]]\npath = "{path}"\n' for path in more)
    station.plant.write_text(station.plant.read_text("utf-8") + entries, "utf-8")
    plant = read_plant(station.plant)
    return list(files_left_out(plant, find_files(plant)).values())


def test_an_entry_without_files_and_one_that_comes_too_late(tmp_path: Path) -> None:
    station = SmallStation(tmp_path / "station").bring(0, 1)
    said = notes(station, "later/*.csv", "exports/day_20260130.csv", "exports/*.csv")
    assert said[0] == "exports 'later/*.csv': no file there yet."
    assert [note.split(":")[0] for note in said[1:]] == [
        "exports 'exports/day_20260130.csv'",
        "exports 'exports/*.csv'",
    ]
    for note in said[1:]:
        assert "exports/day_20260130.csv is read by 'exports/*.csv'" in note
        assert "Put the narrower entry first" in note


def test_nothing_is_said_where_every_entry_reads_a_file(tmp_path: Path) -> None:
    station = SmallStation(tmp_path / "station").bring(0, 1)
    (station.folder / "other").mkdir()
    (station.folder / "other" / "a.csv").write_text("time,tag,value\n", "utf-8")
    assert notes(station, "other") == []
