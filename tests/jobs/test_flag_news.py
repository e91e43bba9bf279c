"""What a night says of flags: only what changed, and nothing again that people have seen."""

from __future__ import annotations

import pandas as pd
import pytest
from small_station import SmallStation

from pipeline.jobs.flagging import flag_changes
from pipeline.jobs.nightly import run_plant
from pipeline.jobs.summary import summary_text
from pipeline.plant import read_plant
from pipeline.tables.catalogue import BY_NAME


def history(*rows):
    frame = BY_NAME["flag_history"].empty()
    days = pd.to_datetime([day for _, day, _ in rows], utc=True).as_unit("us")
    return pd.DataFrame(
        {
            "flag": [flag for flag, _, _ in rows],
            "day": days,
            "change": [change for _, _, change in rows],
        }
    ).reindex(columns=frame.columns)


def test_changes_are_what_one_history_has_and_the_other_not():
    before = history(("a", "2026-01-01", "opened"), ("b", "2026-01-02", "opened"))
    after = history(
        ("c", "2025-12-01", "opened"),  # late evidence: older than what was known
        ("a", "2026-01-01", "opened"),
        ("a", "2026-02-01", "closed"),
        ("d", "2025-12-01", "opened"),  # came and went without anybody being told
        ("d", "2025-12-20", "closed"),
    )
    assert flag_changes(before, after) == [("c", "opened"), ("a", "closed"), ("b", "withdrawn")]
    assert flag_changes(after, after) == []
    assert flag_changes(history(), history()) == []


class Replays:
    """Stands in for the replay: a small station has no year of data to raise a flag from."""

    def __init__(self) -> None:
        self.changes = [("opened", "2026-01-30")]

    def __call__(self, run, *_):
        flags = {c.name: [""] for c in BY_NAME["flags"].columns if c.kind in ("text", "label")}
        flags |= {c.name: [0.1] for c in BY_NAME["flags"].columns if c.kind == "number"}
        day = pd.to_datetime(["2026-01-30"], utc=True).as_unit("us")
        flags |= {"flag": ["A:loss:1"], "pump": ["A"], "kind": ["performance_loss"]}
        flags |= {"severity": ["plan"], "evidence": ["It fell."], "site_check": ["Look."]}
        frame = pd.DataFrame(flags).assign(opened=day, since=day, closed=pd.NaT)
        frame["closed"] = pd.to_datetime(frame["closed"], utc=True).dt.as_unit("us")
        said = [c for c in frame if c.startswith("acknowledged") or c == "note"]
        rows = history(*[("A:loss:1", day, change) for change, day in self.changes])
        rows = rows.assign(pump="A", kind="performance_loss", severity="plan", reason="")
        return frame.drop(columns=said), rows


@pytest.fixture
def replays(monkeypatch: pytest.MonkeyPatch) -> Replays:
    stand_in = Replays()
    monkeypatch.setattr("pipeline.jobs.flagging._replay_all", stand_in)
    return stand_in


def text(station: SmallStation) -> str:
    return summary_text(read_plant(station.plant)).partition("`drift_per_year`.\n")[2]


def acknowledge(station: SmallStation, *rows: str) -> None:
    if "acknowledgements" not in station.plant.read_text("utf-8"):
        plant = station.plant.read_text("utf-8")
        station.plant.write_text('acknowledgements = "seen.csv"\n' + plant, "utf-8")
    lines = ["flag,time,by,until,note", *rows]
    (station.folder / "seen.csv").write_text("\n".join(lines) + "\n", "utf-8")


def test_a_flag_is_told_once_then_rests_and_speaks_up_when_it_grows(
    station: SmallStation, replays: Replays
):
    run_plant(station.bring(0, 1).plant)
    assert "News of flags\n  A  plan: performance loss since 2026-01-30 (opened)" in text(station)
    assert "It fell." in text(station)

    run_plant(station.bring(2).plant)
    assert "No news of flags.\nOpen as before\n  A  plan: performance loss" in text(station)
    assert "It fell." not in text(station)

    # An acknowledgement alone is news enough for a generation, and needs no rebuild.
    acknowledge(
        station,
        "A:loss:1,2026-02-01T12:00Z,shift leader,closed,spares ordered",
        "A:loss:2,2026-02-01T12:00Z,shift leader,closed,",
    )
    result = run_plant(station.plant)
    assert result.changed
    (note,) = [n for n in result.outcome.notes if "seen.csv" in n]
    assert "there is no flag 'A:loss:2'" in note
    row = station.table("flags").iloc[0]
    assert (row["acknowledged"], row["acknowledged_by"]) == ("yes", "shift leader")
    assert row["note"] == "spares ordered"
    assert "1 acknowledged flag rests: A:loss:1." in text(station)
    assert "plan: performance loss" not in text(station)
    assert not run_plant(station.plant).changed

    replays.changes.append(("grew", "2026-02-02"))
    run_plant(station.bring(3).plant)
    assert "performance loss since 2026-01-30 (grew)" in text(station)
    assert "Acknowledged by shift leader on 2026-02-01; it has grown since." in text(station)
