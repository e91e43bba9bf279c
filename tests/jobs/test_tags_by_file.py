"""Exports of one file per tag, whose rows do not say which, through the whole job.

The claims are the project's own: the same samples give the same tables however they are
written, and files of equal content count for every tag that has one.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from pathlib import Path
from urllib.parse import quote

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from small_station import DAYS, START, UNITS, SmallStation, assert_same_tables, samples

from pipeline.exports.merge import merge_samples
from pipeline.jobs import ingest as stage_of_ingest
from pipeline.jobs.check import check_plant
from pipeline.jobs.context import Fingerprints, Run
from pipeline.jobs.evidence import EVIDENCE
from pipeline.jobs.ingest import ingest
from pipeline.jobs.inspection import inspect_folder
from pipeline.jobs.kept import segment_folder
from pipeline.jobs.nightly import run_plant
from pipeline.plant import read_plant
from pipeline.tables.store import Store

BY_NAME = 'path = "exports/*.csv"\ntag_in_path = "{tag}_*.csv"\n'
ZEROS = "time,value,status\n" + "".join(
    f"{(START + pd.Timedelta(hours=h)).isoformat()},0,Good\n" for h in range(24)
)


def describe(station: SmallStation, *exports: str) -> SmallStation:
    """Write other descriptions of the exports into the plant file."""
    text = station.plant.read_text("utf-8")
    start, end = text.index("[[exports]]"), text.index("[[suction_sources]]")
    tables = "".join(f'[[exports]]\n{e}status_column = "status"\n\n' for e in exports)
    station.plant.write_text(text[:start] + tables + text[end:], "utf-8")
    return station


def columns_of(tag: str, day: int) -> pd.DataFrame:
    start = START + pd.Timedelta(days=day)
    frame = samples()
    own = frame[(frame["time"] >= start) & (frame["time"] < start + pd.Timedelta(days=1))]
    value = own.get(tag, 0.0)
    return pd.DataFrame({"time": own["time"], "value": value, "status": "Good"})


def put_by_name(station: SmallStation, tag: str, day: int) -> None:
    """A CSV file per tag and day, its tag in its name."""
    text = columns_of(tag, day).to_csv(index=False, date_format="%Y-%m-%dT%H:%M:%SZ")
    station.put(f"{tag}_{START + pd.Timedelta(days=day):%Y-%m-%d}.csv", text)


def put_in_folder(station: SmallStation, tag: str, day: int) -> None:
    """A file per tag and day in a folder of its tag: CSV, or Parquet on odd days."""
    folder = station.folder / "exports" / f"tag={quote(tag)}"
    folder.mkdir(exist_ok=True)
    if day % 2:
        table = pa.Table.from_pandas(columns_of(tag, day), preserve_index=False)
        pq.write_table(table, folder / f"{day}.parquet")
    else:
        (folder / f"{day}.csv").write_text(columns_of(tag, day).to_csv(index=False))


class Nights:
    """Nights of taking in files, and what is then in evidence."""

    def __init__(self, station: SmallStation) -> None:
        self.station = station
        self.run: Run | None = None
        self.refused: list[str] = []
        self.evidence: pa.Table | None = None

    def night(self) -> dict[str, int]:
        """Samples in evidence by tag, as the kept pieces of the ledger's files hold them."""
        plant = read_plant(self.station.plant)
        with Store.create(plant.data_folder).writer() as stage:
            self.run = Run(plant, stage, START + pd.Timedelta(days=9), Fingerprints.of(plant))
            ledger = ingest(self.run)
            self.refused = self.run.read("rejected_input")["file"].tolist()
            found: Counter[str] = Counter()
            pieces = {
                (segment_folder(month), entry.sha256): None
                for entry in ledger
                for month in entry.months
                if entry.status in EVIDENCE
            }
            kept = [stage.read_blob(*piece) for piece in pieces if stage.has_blob(*piece)]
            self.evidence, _ = merge_samples(kept)
            found.update(self.evidence.column("tag").to_pylist())
            for month in ("2026-01", "2026-02"):
                held = set(stage.blobs(segment_folder(month)))
                assert held <= {sha256 for _, sha256 in pieces}
            stage.commit()
        return dict(found)

    @property
    def said(self) -> str:
        assert self.run is not None
        return " ".join([*self.run.outcome.notes, *self.run.outcome.failures])


@pytest.mark.parametrize("limit", [0, stage_of_ingest.LARGE_FILE], ids=["large", "small"])
@pytest.mark.parametrize(
    ("exports", "name"),
    [
        (BY_NAME, "{}_0.csv"),
        ('path = "exports"\ntag_in_path = "{tag}/*.csv"\n', "{}/0.csv"),
        ('path = "exports"\n', "tag={}/0.csv"),
    ],
)
def test_two_pumps_that_stood_all_day(
    station: SmallStation, monkeypatch, exports: str, name: str, limit: int
) -> None:
    monkeypatch.setattr(stage_of_ingest, "LARGE_FILE", limit)
    folder = station.folder / "exports"
    nights = Nights(describe(station, exports))

    def place(tag: str) -> Path:
        (folder / name.format(tag)).parent.mkdir(exist_ok=True)
        return folder / name.format(tag)

    for tag in ("A.FLOW", "B.FLOW"):
        place(tag).write_text(ZEROS)
    assert nights.night() == {"A.FLOW": 24, "B.FLOW": 24}
    assert nights.night() == {"A.FLOW": 24, "B.FLOW": 24}
    # Named wrongly: it was pump B's power.
    place("B.FLOW").rename(place("B.POWER"))
    assert nights.night() == {"A.FLOW": 24, "B.POWER": 24}
    assert "renamed from" in nights.said
    # Put away: what it held still counts, and its twin stays what it is.
    place("A.FLOW").unlink()
    assert nights.night() == {"A.FLOW": 24, "B.POWER": 24}
    assert "the file is gone" in nights.said


def test_a_tag_declared_for_all_files_and_corrected(station: SmallStation) -> None:
    nights = Nights(describe(station, 'path = "exports/*.csv"\ntag = "A.FLOW"\n'))
    for name in ("A.FLOW_0.csv", "B.FLOW_0.csv"):
        station.put(name, ZEROS)
    assert nights.night() == {"A.FLOW": 24}
    describe(station, BY_NAME)
    assert nights.night() == {"A.FLOW": 24, "B.FLOW": 24}
    describe(station, BY_NAME.replace("{tag}_*", "B.{tag}_*"))
    assert nights.night() == {}
    assert "A.FLOW_0.csv: The path does not name the tag." in nights.said
    describe(station, BY_NAME)
    assert nights.night() == {"A.FLOW": 24, "B.FLOW": 24}


def put_all(station: SmallStation) -> SmallStation:
    """Half of the days by name, half in folders."""
    describe(station, BY_NAME, 'path = "exports"\n')
    for tag in UNITS:
        for day in range(DAYS):
            (put_by_name if day < DAYS // 2 else put_in_folder)(station, tag, day)
    put_by_name(station, "P.OTHER", 0)
    return station


def test_a_file_per_tag_gives_the_samples_of_one_for_all(
    station: SmallStation, tmp_path: Path
) -> None:
    nights = Nights(put_all(station))
    assert nights.night() == dict.fromkeys(UNITS, 144 * DAYS)
    assert (
        "1 file(s) are of tags that the plant file does not name, such as 'P.OTHER'" in nights.said
    )
    others = Nights(SmallStation(tmp_path / "long").bring(*range(DAYS)))
    others.night()
    assert nights.evidence.equals(others.evidence)


@pytest.mark.slow
def test_the_tables_do_not_depend_on_where_the_tag_stands(
    station: SmallStation, backfilled: SmallStation
) -> None:
    """One file has a wrong name on the first night and another is put away after it."""
    exports = put_all(station).folder / "exports"
    right = exports / "A.FLOW_2026-01-30.csv"
    wrong = right.rename(exports / "B.POWER_2026-01-30 again.csv")
    assert run_plant(station.plant).outcome.failures == []
    wrong.rename(right)
    (exports / "LEVEL_2026-01-30.csv").unlink()
    assert run_plant(station.plant).outcome.new_files == 1
    assert_same_tables(station, backfilled)


def test_a_draft_describes_the_exports_as_the_job_reads_them(station: SmallStation) -> None:
    for tag in UNITS:
        put_by_name(station, tag, 0)
    put_in_folder(station, "LEVEL", 1)
    found = inspect_folder(station.folder, ["exports"])
    drafted = tomllib.loads(found.inspection.draft)
    assert {tag["name"] for tag in drafted["tags"]} == set(UNITS)
    text = found.text(with_draft=False)
    assert "No column names a tag; guessed from the files' names, such as 'A.DISCHARGE'" in text
    tables = found.inspection.draft.split("[[exports]]\n")[1:]
    tables[-1] = tables[-1].partition("\n\n")[0] + "\n"
    status = 'status_column = "status"\n'
    assert all(status in table for table in tables)
    nights = Nights(describe(station, *(table.replace(status, "") for table in tables)))
    # A sample every ten minutes of a day of each, and of one more day of the level.
    assert nights.night() == dict.fromkeys(UNITS, 144) | {"LEVEL": 288}
    assert nights.said == ""


def test_capital_letters_are_told(station: SmallStation) -> None:
    nights = Nights(describe(station, BY_NAME))
    station.put("A.FLOW_0.CSV", ZEROS)
    assert nights.night() == {}
    assert "1 file(s) are left out" in nights.said
    assert "such as exports/A.FLOW_0.CSV" in nights.said
    (failure,) = check_plant(station.plant).failures
    assert "write the path as 'exports/*.[cC][sS][vV]'." in failure
    station.put("B.FLOW_0.csv", ZEROS)
    assert nights.night() == {"B.FLOW": 24}
    assert "1 file(s) are left out" in nights.said
    wider = BY_NAME.replace("*.csv", "*.[cC][sS][vV]", 1)
    describe(station, wider)
    # Files come in the order of their names.
    assert nights.night() == {"A.FLOW": 24, "B.FLOW": 24}
    assert nights.said == ""


def test_a_name_that_does_not_fit_stops_nothing(station: SmallStation) -> None:
    nights = Nights(describe(station, BY_NAME))
    for name in ("A.FLOW_0.csv", "readme.csv", "P.X_0.csv", "P.Y_0.csv"):
        station.put(name, ZEROS)
    checked = check_plant(station.plant)
    assert [f for f in checked.failures if "readme.csv: The path does not name the tag." in f]
    assert [n for n in checked.notes if "2 file(s) are of tags" in n and "'P.X' by" in n]
    assert not [n for n in checked.notes if "tags not in the plant file" in n]
    assert nights.night() == {"A.FLOW": 24}
    assert "found 'readme.csv'; expected a path that ends like '{tag}_*.csv'" in nights.said
    assert nights.refused == ["exports/readme.csv"]
    assert nights.night() == {"A.FLOW": 24}
    assert nights.said == ""
