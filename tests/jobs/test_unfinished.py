"""A file that is caught in the writing, before and after it was read whole once.

The claims are the project's own: what was read stays until its replacement can be read.
"""

from __future__ import annotations

import pandas as pd
import pytest
from small_station import SmallStation

from pipeline.exports.collector import Collector
from pipeline.exports.ledger import Entry
from pipeline.jobs.context import Fingerprints, Run
from pipeline.jobs.evidence import sources_by_month
from pipeline.jobs.ingest import ingest
from pipeline.jobs.kept import read_kept
from pipeline.jobs.nightly import run_plant
from pipeline.plant import read_plant
from pipeline.tables.store import Store

HEAD = "tag,time,value,status\n"
ROWS = [f"A.POWER,2026-02-10T06:{minute:02d}:00Z,{minute}.5,Good\n" for minute in range(6)]


class Taken:
    """What reading the exports of a small station has left, run after run."""

    def __init__(self, station: SmallStation) -> None:
        self.station = station
        self.notes: list[str] = []

    def night(self) -> dict[str, str]:
        """Take in what is new; status of every ledger entry."""
        plant = read_plant(self.station.plant)
        with Store.create(plant.data_folder).writer() as stage:
            run = Run(plant, stage, pd.Timestamp.max.tz_localize("UTC"), Fingerprints.of(plant))
            ledger = ingest(run)
            self.notes = [*run.outcome.notes, *run.outcome.failures]
            self.values = self._values(run, ledger)
            self.refused = run.read("rejected_input")["reason"].tolist()
            stage.commit()
        return {f"{e.sequence} {e.path.removeprefix('exports/')}": e.status for e in ledger}

    @staticmethod
    def _values(run: Run, ledger: list[Entry]) -> list[float]:
        found = []
        for month, used in sources_by_month(ledger).items():
            for part in read_kept(run.stage, month, [e.sha256 for e in used], 0, run.zone):
                found += part.column("value").to_pylist()
        return sorted(found)


@pytest.fixture
def taken(station: SmallStation) -> Taken:
    return Taken(station)


def test_a_file_caught_in_the_writing_keeps_what_it_said_before(taken: Taken):
    put = taken.station.put
    put("a.csv", HEAD + "".join(ROWS[:2]))
    assert taken.night() == {"1 a.csv": "accepted"}
    for end in (10, 17):
        put("a.csv", HEAD + "".join(ROWS[:3]) + ROWS[3][:end])
        taken.night()
        assert taken.values == [0.5, 1.5]
        assert any("unfinished" in note for note in taken.notes)
        assert any("held before still counts" in note for note in taken.notes)
        assert [reason for reason in taken.refused if "unfinished" in reason]
    put("a.csv", HEAD + "".join(ROWS[:4]))
    assert taken.night() == {
        "1 a.csv": "superseded",
        "2 a.csv": "superseded",
        "3 a.csv": "superseded",
        "4 a.csv": "accepted",
    }
    assert taken.values == [0.5, 1.5, 2.5, 3.5]
    assert taken.refused == []


def test_a_page_of_errors_in_place_of_an_export_takes_nothing_away(taken: Taken):
    put = taken.station.put
    put("a.csv", HEAD + "".join(ROWS[:2]))
    taken.night()
    put("a.csv", "<html>Please log in</html>\n")
    assert taken.night() == {"1 a.csv": "vanished", "2 a.csv": "failed"}
    assert taken.values == [0.5, 1.5]
    # The old content put back counts as what it always was.
    put("a.csv", HEAD + "".join(ROWS[:2]))
    taken.night()
    assert taken.values == [0.5, 1.5]
    # And with the file gone altogether the last that could be read stays.
    put("a.csv", "<html>Please log in again</html>\n")
    taken.night()
    (taken.station.folder / "exports" / "a.csv").unlink()
    taken.night()
    assert taken.values == [0.5, 1.5]


def test_a_first_night_without_a_sample_is_followed_by_others(station: SmallStation):
    station.put("a.csv", HEAD + ROWS[0][:12])
    assert run_plant(station.plant).as_of is None
    # No instant is committed to, which later nights could not go back behind.
    assert "as_of" not in set(station.table("settings")["name"])
    again = run_plant(station.plant)
    assert (again.changed, again.as_of) == (False, None)
    station.put("a.csv", HEAD)
    assert run_plant(station.plant).as_of is None


@pytest.mark.unforeseen
@pytest.mark.parametrize("large", [False, True])
def test_a_fault_of_the_reader_itself_costs_one_file(
    taken: Taken, monkeypatch: pytest.MonkeyPatch, large: bool
):
    look = Collector.refuse_times

    def broken(self, instants, lines, texts):
        if self._file.endswith("bad.csv"):
            raise KeyError("nobody thought of it")
        look(self, instants, lines, texts)

    monkeypatch.setattr(Collector, "refuse_times", broken)
    if large:
        monkeypatch.setattr("pipeline.jobs.ingest.LARGE_FILE", 0)
    taken.station.put("bad.csv", HEAD + "".join(ROWS[2:]))
    taken.station.put("good.csv", HEAD + "".join(ROWS[:2]))
    assert taken.night() == {"1 bad.csv": "failed", "2 good.csv": "accepted"}
    assert taken.values == [0.5, 1.5]
    assert "did not foresee (KeyError: 'nobody thought of it')" in taken.notes[0]
    assert "please report it" in taken.notes[0]
