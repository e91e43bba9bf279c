"""The ledger: what a scan plans, and that content is read once."""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import replace

import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.exports.ledger import (
    LEDGER_SCHEMA,
    Plan,
    content_hash,
    empty_ledger,
    entries,
    frozen_months,
    ledger_table,
    record,
    scan,
)
from pipeline.exports.merge import merge_samples
from pipeline.exports.read import find_exports, read_export
from pipeline.plant.types import ExportFormat

EXPORT = ExportFormat(pattern="in")
TAGS = ["FLOW"]
HEAD = "time,tag,value\n"


def text(day: int, value: float, month: int = 3) -> str:
    return f"{HEAD}2024-{month:02d}-{day:02d}T00:00:00Z,FLOW,{value}\n"


class Site:
    """A folder of exports and its ledger, brought up to date run by run."""

    def __init__(self, folder) -> None:
        self.folder = folder
        self.ledger = empty_ledger()
        self.export = EXPORT
        self.tags = TAGS
        self.hashed: list[str] = []
        self.kept: dict[int, pa.Table] = {}
        (folder / "in").mkdir(parents=True)
        self._clock = 1_700_000_000

    def put(self, name: str, content: str) -> None:
        path = self.folder / "in" / name
        path.write_text(content)
        self.touch(name)

    def touch(self, name: str) -> None:
        self._clock += 1
        os.utime(self.folder / "in" / name, (self._clock, self._clock))

    def remove(self, name: str) -> None:
        (self.folder / "in" / name).unlink()

    def scan(self, **options) -> Plan:
        def hasher(found) -> str:
            self.hashed.append(found.path)
            return content_hash(found)

        self.hashed = []
        return scan(self.ledger, find_exports(self.folder, [self.export]), hasher=hasher, **options)

    def run(self, **options) -> Plan:
        plan = self.scan(**options)
        new = []
        for candidate in plan.to_read:
            found = candidate.found
            reading = read_export(found.file, self.export, self.tags, found.path)
            new.append(record(candidate, reading, 600.0))
            self.kept[candidate.sequence] = reading.samples
        self.ledger = ledger_table([*plan.entries, *new])
        return plan

    def statuses(self) -> dict[str, str]:
        return {f"{e.sequence} {e.path}": e.status for e in entries(self.ledger)}

    def evidence(self) -> list[dict]:
        """Evidence in ledger order, merged."""
        used = [e.sequence for e in entries(self.ledger) if e.status in ("accepted", "vanished")]
        merged, _ = merge_samples([self.kept[n] for n in used])
        return merged.to_pylist()

    def values(self) -> dict[str, float]:
        return {r["time"].strftime("%m-%d"): r["value"] for r in self.evidence()}

    def of_tags(self) -> dict[str, int]:
        return dict(Counter(r["tag"] for r in self.evidence()))


@pytest.fixture
def site(tmp_path) -> Site:
    return Site(tmp_path)


def test_a_new_file_is_read_once(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    first = site.run()
    assert [c.sequence for c in first.to_read] == [1]
    again = site.run()
    assert again.is_empty
    assert site.hashed == []
    entry = entries(site.ledger)[0]
    assert (entry.status, entry.rows, entry.accepted, entry.rejected) == ("accepted", 1, 1, 0)
    assert entry.first_time == entry.last_time == pd.Timestamp("2024-03-01", tz="UTC")
    # A sample at midnight bears on the month before too, as far as its longest gap.
    assert entry.months == ("2024-02", "2024-03")
    assert site.ledger.schema == LEDGER_SCHEMA


def test_same_content_with_a_new_time_of_change_changes_nothing(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    site.run()
    site.touch("a.csv")
    plan = site.run()
    assert site.hashed == ["in/a.csv"]
    assert plan.is_empty
    assert site.run().is_empty
    assert site.hashed == []


def test_verify_hashes_everything(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    site.run()
    stamp = (site.folder / "in/a.csv").stat()
    (site.folder / "in/a.csv").write_text(text(1, 11))
    os.utime(site.folder / "in/a.csv", ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert site.scan().is_empty
    assert [c.sequence for c in site.scan(verify=True).to_read] == [2]


def test_new_content_supersedes_the_old_wholly(site: Site) -> None:
    site.put("a.csv", text(1, 10) + text(2, 20).removeprefix(HEAD))
    site.run()
    site.put("a.csv", text(15, 30, month=5))
    plan = site.run()
    assert (plan.to_read[0].sequence, plan.to_read[0].supersedes) == (2, 1)
    assert plan.dirty_months == ("2024-02", "2024-03")
    assert site.statuses() == {"1 in/a.csv": "superseded", "2 in/a.csv": "accepted"}
    assert site.values() == {"05-15": 30}


def test_later_number_wins_between_files(site: Site) -> None:
    site.put("b.csv", text(1, 10))
    site.run()
    site.put("a.csv", text(1, 99))
    site.run()
    assert site.values() == {"03-01": 99}


def test_same_content_under_another_path_is_not_read_twice(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    site.run()
    site.put("b.csv", text(1, 10))
    plan = site.run()
    assert (plan.to_read, plan.is_empty) == ((), False)
    assert site.statuses() == {"1 in/a.csv": "accepted", "2 in/b.csv": "duplicate"}
    assert "same content as in/a.csv" in plan.notes[0]
    assert site.run().is_empty


def test_two_new_files_of_the_same_content(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    site.put("b.csv", text(1, 10))
    plan = site.run()
    assert [c.found.path for c in plan.to_read] == ["in/a.csv"]
    assert site.statuses() == {"1 in/a.csv": "accepted", "2 in/b.csv": "duplicate"}


def test_a_duplicate_counts_once_its_twin_is_replaced(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    site.put("b.csv", text(1, 10))
    site.run()
    site.put("a.csv", text(2, 20))
    site.run()
    assert site.values() == {"03-01": 10, "03-02": 20}
    assert site.statuses()["2 in/b.csv"] == "accepted"


def test_a_moved_file_keeps_its_number(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    site.run()
    site.remove("a.csv")
    site.put("z.csv", text(1, 10))
    plan = site.run()
    assert (plan.to_read, plan.dirty_months) == ((), ())
    assert site.statuses() == {"1 in/z.csv": "accepted"}
    assert site.run().is_empty


def test_a_duplicate_takes_the_place_of_a_twin_that_is_gone(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    site.put("b.csv", text(1, 10))
    site.run()
    site.remove("a.csv")
    site.run()
    assert site.statuses() == {"1 in/b.csv": "accepted", "2 in/b.csv": "superseded"}
    assert site.run().is_empty
    assert site.values() == {"03-01": 10}


def test_a_vanished_source_freezes_its_months_and_says_so(site: Site) -> None:
    site.put("a.csv", text(15, 10))
    site.put("b.csv", text(15, 10, month=7))
    site.run()
    site.remove("a.csv")
    plan = site.run()
    assert plan.notes == (
        "in/a.csv: the file is gone; its months (2024-03 to 2024-03) are kept as they are.",
    )
    assert site.statuses()["1 in/a.csv"] == "vanished"
    assert frozen_months(entries(site.ledger), lambda entry: False) == ("2024-03",)
    assert frozen_months(entries(site.ledger), lambda entry: True) == ()
    assert site.run().is_empty
    site.put("a.csv", text(15, 10))
    back = site.run()
    assert (back.to_read, back.dirty_months) == ((), ("2024-03",))
    assert site.statuses()["1 in/a.csv"] == "accepted"


def test_a_vanished_source_that_comes_back_changed(site: Site) -> None:
    site.put("a.csv", text(15, 10))
    site.run()
    site.remove("a.csv")
    site.run()
    site.put("a.csv", text(16, 11))
    site.run()
    assert site.values() == {"03-16": 11}


def test_an_unfinished_file_is_left_and_read_when_it_has_grown(site: Site) -> None:
    site.put("a.csv", text(1, 10) + "2024-03-02T00")
    site.run()
    assert site.statuses() == {"1 in/a.csv": "waiting"}
    assert site.run().is_empty
    site.put("a.csv", text(1, 10) + text(2, 20).removeprefix(HEAD))
    site.run()
    assert site.values() == {"03-01": 10, "03-02": 20}
    assert site.statuses() == {"1 in/a.csv": "superseded", "2 in/a.csv": "accepted"}


def test_a_file_changed_a_moment_ago_is_left_as_it_was_known(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    site.run()
    site.put("a.csv", text(1, 11))
    changed = (site.folder / "in/a.csv").stat().st_mtime_ns
    plan = site.run(settled_before_ns=changed)
    assert plan.is_empty
    assert plan.notes == ("in/a.csv: changed a moment ago; left for the next run.",)
    assert site.values() == {"03-01": 10}
    site.run(settled_before_ns=changed + 1)
    assert site.values() == {"03-01": 11}


def test_a_file_that_may_not_be_read_stops_no_other(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    site.put("b.csv", text(2, 20))

    def hasher(found) -> str:
        if found.path == "in/a.csv":
            raise PermissionError(13, "Permission denied")
        return content_hash(found)

    plan = scan(site.ledger, find_exports(site.folder, [EXPORT]), hasher=hasher)
    assert [c.found.path for c in plan.to_read] == ["in/b.csv"]
    assert plan.unreadable == (("in/a.csv", "The file cannot be read: Permission denied."),)


def test_a_failed_file_is_kept_and_not_tried_again_until_it_changes(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    candidate = site.scan().to_read[0]
    site.ledger = ledger_table([record(candidate, None, failure="No header.")])
    assert site.scan().is_empty
    entry = entries(site.ledger)[0]
    assert (entry.status, entry.note, entry.months) == ("failed", "No header.", ())
    site.put("a.csv", text(1, 11))
    assert [c.sequence for c in site.scan().to_read] == [2]


def test_partition_folders_are_part_of_the_content(site: Site) -> None:
    for tag in ("A", "B"):
        (site.folder / "in" / f"tag={tag}").mkdir()
        site.put(f"tag={tag}/part.csv", text(1, 10))
    assert len(site.scan().to_read) == 2


BY_NAME = replace(EXPORT, tag_column=None, tag_in_path="{tag}_*.csv")
NAMELESS = "time,value\n2024-03-15T00:00:00Z,0\n"


@pytest.fixture
def stood(site: Site) -> Site:
    """Two pumps that stood all day: files of equal bytes, whose names tell the tags."""
    site.export, site.tags = BY_NAME, ["P1", "P2", "P3"]
    site.put("P1_15.csv", NAMELESS)
    site.put("P2_15.csv", NAMELESS)
    assert [c.sequence for c in site.run().to_read] == [1, 2]
    assert site.of_tags() == {"P1": 1, "P2": 1}
    return site


def test_equal_files_of_two_tags_both_count(stood: Site) -> None:
    assert stood.run().is_empty
    assert stood.run(verify=True).is_empty
    stood.put("P1_copy.csv", NAMELESS)
    stood.run()
    assert stood.statuses()["3 in/P1_copy.csv"] == "duplicate"


def test_a_renamed_file_counts_for_its_new_tag_alone(stood: Site) -> None:
    (stood.folder / "in/P2_15.csv").rename(stood.folder / "in/P3_15.csv")
    plan = stood.run()
    assert stood.of_tags() == {"P1": 1, "P3": 1}
    assert stood.statuses()["2 in/P2_15.csv"] == "superseded"
    assert "in/P3_15.csv: renamed from in/P2_15.csv" in plan.notes[0]
    assert plan.dirty_months == ("2024-03",)
    assert stood.run().is_empty


def test_a_new_name_of_the_same_tag_is_a_move(stood: Site) -> None:
    (stood.folder / "in/P2_15.csv").rename(stood.folder / "in/P2_2024.csv")
    assert stood.run().to_read == ()
    assert stood.statuses() == {"1 in/P1_15.csv": "accepted", "2 in/P2_2024.csv": "accepted"}


def test_equal_bytes_of_another_time_are_no_renamed_file(stood: Site) -> None:
    """The file of one pump is put away on the night that of another comes late."""
    stood.remove("P2_15.csv")
    stood.put("P3_15.csv", NAMELESS)
    stood.run()
    assert stood.of_tags() == {"P1": 1, "P2": 1, "P3": 1}
    assert stood.statuses()["2 in/P2_15.csv"] == "vanished"


def test_a_file_renamed_to_what_names_no_tag_still_counts(stood: Site) -> None:
    (stood.folder / "in/P2_15.csv").rename(stood.folder / "in/P2.csv")
    assert len(stood.scan().to_read) == 1
    assert [e.status for e in stood.scan().entries] == ["accepted", "vanished"]


def test_a_header_alone_takes_back_what_a_file_held(stood: Site) -> None:
    stood.remove("P2_15.csv")
    stood.run()
    stood.put("P2_15.csv", "time,value\n")
    stood.run()
    assert stood.of_tags() == {"P1": 1}
    assert stood.statuses()["2 in/P2_15.csv"] == "superseded"


def test_tags_that_the_plant_file_corrects(site: Site) -> None:
    """Read as one tag, the second file was a duplicate; by name it is another tag's."""
    site.export, site.tags = replace(BY_NAME, tag_in_path=None, tag="P1"), ["P1", "P2", "15"]
    for name in ("P1_15.csv", "P2_15.csv"):
        site.put(name, NAMELESS)
    site.run()
    assert site.of_tags() == {"P1": 1}
    site.export = BY_NAME
    plan = site.run()
    assert [c.found.path for c in plan.to_read] == ["in/P2_15.csv"]
    assert site.of_tags() == {"P1": 1, "P2": 1}
    assert set(site.statuses().values()) == {"accepted"}
    # Now the other part of the name is the tag: the second file repeats the first.
    site.export = replace(BY_NAME, tag_in_path="*_{tag}.csv")
    assert [c.sequence for c in site.run().to_read] == [1]
    assert site.of_tags() == {"15": 1}
    assert site.statuses() == {"1 in/P1_15.csv": "accepted", "2 in/P2_15.csv": "duplicate"}
    assert site.run(verify=True).is_empty


def test_tags_that_change_places(stood: Site) -> None:
    for old, new in (("P1_15", "x"), ("P2_15", "P1_15"), ("x", "P2_15")):
        (stood.folder / f"in/{old}.csv").rename(stood.folder / f"in/{new}.csv")
    stood.run()
    assert stood.of_tags() == {"P1": 1, "P2": 1}
    assert stood.run(verify=True).is_empty


def test_ledger_survives_a_round_trip(site: Site) -> None:
    site.put("a.csv", text(1, 10))
    site.run()
    assert ledger_table(entries(site.ledger)).equals(site.ledger)


ACTIONS = st.lists(
    st.tuples(
        st.sampled_from(["put", "remove", "touch", "rename", "run"]),
        st.sampled_from(["a_1.csv", "b_1.csv", "b_2.csv"]),
        st.integers(1, 3),
        st.integers(1, 3),
    ),
    max_size=14,
)


@settings(
    max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@pytest.mark.parametrize("export", [EXPORT, BY_NAME], ids=["tags in rows", "tags in names"])
@given(actions=ACTIONS)
def test_whatever_happens_the_present_files_are_in_evidence(
    export, actions, tmp_path_factory
) -> None:
    site = Site(tmp_path_factory.mktemp("site") / "s")
    site.export, site.tags = export, ["FLOW", "a", "b"]
    for what, name, day, value in actions:
        exists = (site.folder / "in" / name).exists()
        if what == "put":
            rows = text(day, value)
            site.put(
                name, rows if export is EXPORT else rows.replace(",tag", "").replace(",FLOW", "")
            )
        elif what == "run":
            site.run()
        elif exists and what == "rename":
            (site.folder / "in" / name).rename(site.folder / "in" / f"{'ab'[value % 2]}_{day}.csv")
        elif exists:
            getattr(site, what)(name)
    site.run()
    assert site.run().is_empty
    rows = entries(site.ledger)
    current = [e for e in rows if e.status != "superseded"]
    assert len({e.path for e in current}) == len(current)
    assert len({e.sequence for e in rows}) == len(rows)
    accepted = {e.sha256 for e in rows if e.status in ("accepted", "vanished")}
    for found in find_exports(site.folder, [export]):
        assert content_hash(found) in accepted
        tag = "FLOW" if export is EXPORT else found.file.name[0]
        day = found.file.read_text().split("\n")[1][5:10]
        assert (tag, day) in {(r["tag"], r["time"].strftime("%m-%d")) for r in site.evidence()}
    assert all(replace(e, months=()) for e in rows)
