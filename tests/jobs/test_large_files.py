"""A large file is kept as a small one is, whatever the order of its rows."""

from __future__ import annotations

import pandas as pd
import pytest
from small_station import SmallStation

from pipeline.jobs import ingest as stage_of_ingest
from pipeline.jobs.context import Fingerprints, Run
from pipeline.jobs.evidence import EVIDENCE
from pipeline.jobs.ingest import ingest
from pipeline.jobs.kept import read_disorder
from pipeline.plant import read_plant
from pipeline.tables.store import Store

HEAD = "tag,time,value,status\n"
TAGS = ("A.FLOW", "A.POWER", "LEVEL")
CLOCKS = pd.date_range("2026-01-20", "2026-03-05", freq="3h", tz="UTC").strftime("%FT%TZ")
ROWS = [f"{tag},{clock},{n % 40}.5,Good\n" for tag in TAGS for n, clock in enumerate(CLOCKS)]
PER_TAG = len(CLOCKS)
# Twice and otherwise, or older than the row before, in a month that had begun as it should.
ONCE_MORE = "A.POWER,2026-02-10T06:00:00Z,99.5,Good\n"
ORDERS = {
    "by tag and time": ROWS,
    "by time and tag": [ROWS[tag * PER_TAG + n] for n in range(PER_TAG) for tag in range(3)],
    "other order of tags": [*ROWS[PER_TAG:], *ROWS[:PER_TAG]],
    "one row once more": [*ROWS[: PER_TAG + 250], ONCE_MORE, *ROWS[PER_TAG + 250 :]],
    "broken row": [*ROWS[:300], "A.FLOW,2026-02-99,1,Good\n", *ROWS[300:]],
}


def taken(station: SmallStation, moment: str | None = None) -> dict[str, object]:
    """What a first night keeps and says of the files, with the rows of every kept piece."""
    plant = read_plant(station.plant)
    with Store.create(plant.data_folder).writer() as stage:
        run = Run(plant, stage, pd.Timestamp.max.tz_localize("UTC"), Fingerprints.of(plant))
        ledger = ingest(
            run,
            moment=None if moment is None else pd.Timestamp(moment),
            committed=pd.Timestamp("2026-02-20T12:00Z"),
        )
        names = ("samples_2026_01", "samples_2026_02", "samples_2026_03")
        disorder = read_disorder(stage, [e.sha256 for e in ledger])
        folders = [*names, *(name.replace("samples", "edges") for name in names)]
        return {
            "kept": {
                (folder, e.sha256): stage.read_blob(folder, e.sha256)
                .to_pandas()
                .astype({"tag": str})
                .sort_values(["tag", "time"])
                .to_dict("list")
                for folder in folders
                for e in ledger
                if e.status in EVIDENCE and stage.has_blob(folder, e.sha256)
            },
            # Duplicates of a large file are counted beside the rest: the sums are the same.
            "disorder": None
            if disorder is None
            else disorder.to_pandas().groupby(["tag", "day"]).sum().reset_index().to_dict(),
            "ledger": [(e.status, e.accepted, e.first_time, e.last_time, e.months) for e in ledger],
            "late": run.outcome.late_rows,
            "notes": run.outcome.notes,
            "refused": run.read("rejected_input").to_dict("records"),
            "left": [p.name for p in stage.scratch.iterdir()],
        }


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("moment", [None, "2026-02-25T00:00Z"])
def test_a_large_file_is_kept_as_a_small_one(
    tmp_path, monkeypatch, order: str, moment: str | None
) -> None:
    found = []
    for limit in (stage_of_ingest.LARGE_FILE, 0):
        monkeypatch.setattr(stage_of_ingest, "LARGE_FILE", limit)
        station = SmallStation(tmp_path / str(limit))
        station.put("export.csv", HEAD + "".join(ORDERS[order]))
        found.append(taken(station, moment))
    assert found[1] == found[0]
    status, accepted, _, last, months = found[1]["ledger"][0]
    assert (status, accepted, months) == ("accepted", len(ROWS), ("2026-01", "2026-02", "2026-03"))
    # Rows every three hours up to the last one that is not later than now.
    assert last == pd.Timestamp("2026-03-05T00:00Z" if moment is None else moment)
    # Local days from 20 February on were not published: that one began at 03:00 UTC.
    clocks = pd.DatetimeIndex(CLOCKS)
    assert found[1]["late"] == 3 * int((clocks < pd.Timestamp("2026-02-20T03:00Z")).sum())
    assert found[1]["left"] == []
