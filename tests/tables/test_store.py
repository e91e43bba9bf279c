"""The generation store: what a run may do, what readers see, what is refused."""

import errno
import json
import os
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import duckdb
import pandas as pd
import polars as pl
import pyarrow as pa
import pytest

from pipeline.errors import ContractError, StoreError, StoreLockedError
from pipeline.tables import files, parquet_io
from pipeline.tables.store import StagedFile, Store, inputs_digest, open_tables, worker_write


def rows(value: float = 1.0, count: int = 3) -> pa.Table:
    times = [1_740_787_200_000_000 + 60_000_000 * k for k in range(count)]
    return pa.table(
        {
            "time": pa.array(times, pa.timestamp("us", "UTC")),
            "pump": ["p1"] * count,
            "x": [value] * count,
        }
    )


def never() -> pa.Table:
    raise AssertionError("made again although nothing changed")


def listing(folder) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


def inside(folder) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


@pytest.fixture
def store(tmp_path):
    return Store.create(tmp_path / "data")


@pytest.fixture
def filled(store):
    with store.writer() as stage:
        for month in ("2025-01", "2025-02", "2025-03"):
            stage.build("points", month, month, lambda: rows())
        stage.write("pumps", None, rows(5.0))
        stage.put_blob("segments", "ab" * 32, rows(7.0))
        assert stage.commit() == 1
    return store


# -- commits ---------------------------------------------------------------------------


def test_layout_is_plain_files_behind_one_link(filled):
    assert (filled.folder / "tables").readlink() == Path("store/1")
    assert listing(filled.folder / "store" / "1") == [
        "_build",
        "_build/state.parquet",
        "_evidence",
        "_evidence/segments",
        f"_evidence/segments/{'ab' * 32}.parquet",
        "points",
        "points/2025-01.parquet",
        "points/2025-02.parquet",
        "points/2025-03.parquet",
        "pumps",
        "pumps/pumps.parquet",
    ]


def test_pandas_duckdb_and_polars_read_the_folder_in_one_line(filled):
    folder = filled.folder / "tables" / "points"
    expected = open_tables(filled.folder).read("points")
    assert len(expected) == 9
    pd.testing.assert_frame_equal(pd.read_parquet(folder), expected)
    by_duckdb = duckdb.sql(f"select count(*), sum(x), min(time) from '{folder}/*.parquet'")
    count, total, first = by_duckdb.fetchall()[0]
    assert (count, total) == (9, 9.0)
    assert first == expected["time"].min()
    by_polars = pl.read_parquet(f"{folder}/*.parquet")
    assert by_polars["time"].to_list() == list(expected["time"])


def test_unchanged_files_are_shared_between_generations(filled):
    with filled.writer() as stage:
        stage.build("points", "2025-03", "other", lambda: rows(2.0))
        assert stage.commit() == 2
    old, new = (filled.folder / "store" / n / "points" for n in ("1", "2"))
    assert (new / "2025-01.parquet").samefile(old / "2025-01.parquet")
    assert not (new / "2025-03.parquet").samefile(old / "2025-03.parquet")
    assert open_tables(filled.folder, generation=1).read("points")["x"].sum() == 9.0
    assert open_tables(filled.folder).read("points")["x"].sum() == 12.0


def test_nothing_new_makes_no_generation_and_touches_no_disk(filled):
    before = {path: os.lstat(filled.folder / path) for path in listing(filled.folder)}
    with filled.writer() as stage:
        for month in ("2025-01", "2025-02", "2025-03"):
            stage.build("points", month, month, never)
        assert not stage.has_changes
        assert stage.commit() == 1
    after = {path: os.lstat(filled.folder / path) for path in listing(filled.folder)}
    before.pop("lock"), after.pop("lock")
    assert {p: (s.st_ino, s.st_mtime_ns) for p, s in before.items()} == {
        p: (s.st_ino, s.st_mtime_ns) for p, s in after.items()
    }


def test_writing_the_same_rows_again_is_nothing_new(filled):
    with filled.writer() as stage:
        stage.write("pumps", None, rows(6.0))
        assert stage.has_changes
        stage.write("pumps", None, rows(5.0))
        stage.put_blob("segments", "ab" * 32, rows(7.0))
        assert stage.commit() == 1
    assert inside(filled.folder / "store") == ["0", "1"]


def test_what_is_not_committed_is_dropped(filled):
    with filled.writer() as stage:
        stage.write("pumps", None, rows(6.0))
    assert open_tables(filled.folder).generation == 1

    def failing_run() -> None:
        with filled.writer() as stage:
            stage.write("pumps", None, rows(6.0))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        failing_run()
    assert open_tables(filled.folder).read("pumps")["x"].tolist() == [5.0] * 3
    assert inside(filled.folder / "store") == ["0", "1"]
    with pytest.raises(StoreError, match="This run has ended"):
        stage.write("pumps", None, rows())


def test_one_run_can_commit_more_than_once(filled):
    with filled.writer() as stage:
        stage.write("pumps", None, rows(6.0))
        assert stage.commit() == 2
        stage.remove("points", "2025-01")
        assert stage.months("points") == ["2025-02", "2025-03"]
        assert stage.commit() == 3
    assert open_tables(filled.folder, generation=2).months("points")[0] == "2025-01"
    assert open_tables(filled.folder).months("points") == ["2025-02", "2025-03"]


def test_a_stated_number_of_generations_is_kept(tmp_path):
    store = Store.create(tmp_path / "data", keep=3)
    for value in range(6):
        with store.writer() as stage:
            stage.write("pumps", None, rows(value))
            stage.commit()
    assert store.generations() == [4, 5, 6]
    assert open_tables(store.folder, generation=4).read("pumps")["x"][0] == 3.0
    with pytest.raises(StoreError, match=r"Generation 2 .* is not kept; kept are 4, 5, 6"):
        open_tables(store.folder, generation=2)
    with pytest.raises(StoreError, match="keep at least 1"):
        Store.open(store.folder, keep=0)


def test_a_link_turned_back_is_where_the_next_run_goes_on(filled):
    with filled.writer() as stage:
        stage.write("pumps", None, rows(6.0))
        stage.commit()
    files.swap_link(filled.folder / "tables", Path("store/1"))
    with filled.writer() as stage:
        assert stage.read("pumps")["x"][0] == 5.0
        stage.write("pumps", None, rows(8.0))
        assert stage.commit() == 2
    assert open_tables(filled.folder).read("pumps")["x"][0] == 8.0


# -- building from inputs --------------------------------------------------------------


def test_equal_inputs_are_not_built_again_and_others_are(filled):
    with filled.writer() as stage:
        before = stage.digest("points", "2025-01")
        assert stage.build("points", "2025-01", "2025-01", never) == before
        assert stage.build("points", "2025-01", "more rows", lambda: rows(3.0)) != before
        stage.commit()
    with filled.writer() as stage:
        stage.build("points", "2025-01", "more rows", never)


def test_other_inputs_with_equal_rows_keep_the_digest_and_the_file(filled):
    with filled.writer() as stage:
        before = stage.digest("points", "2025-01")
        assert stage.build("points", "2025-01", "new inputs", lambda: rows()) == before
        stage.commit()
    one, two = (filled.folder / "store" / n / "points/2025-01.parquet" for n in ("1", "2"))
    assert one.samefile(two)
    with filled.writer() as stage:
        stage.build("points", "2025-01", "new inputs", never)


def test_nothing_to_hold_is_remembered_and_removes_the_file(filled):
    with filled.writer() as stage:
        assert stage.build("points", "2025-02", "all rejected", lambda: None) == ""
        stage.commit()
    assert open_tables(filled.folder).months("points") == ["2025-01", "2025-03"]
    with filled.writer() as stage:
        assert stage.build("points", "2025-02", "all rejected", never) == ""
        assert stage.commit() == 2


@pytest.mark.parametrize("damage", ["missing", "short"])
def test_a_damaged_file_is_built_again_and_published(filled, damage):
    path = filled.folder / "tables" / "points" / "2025-02.parquet"
    path.chmod(0o644)
    path.unlink() if damage == "missing" else path.write_bytes(b"PAR1")
    assert [fault.where for fault in open_tables(filled.folder).verify()] == [str(path.resolve())]
    with filled.writer() as stage:
        stage.build("points", "2025-02", "2025-02", lambda: rows())
        assert stage.commit() == 2
    assert open_tables(filled.folder).verify() == ()


def test_a_vanished_file_nobody_builds_again_stops_the_commit(filled):
    (filled.folder / "tables" / "points" / "2025-02.parquet").unlink()
    with filled.writer() as stage:
        stage.write("pumps", None, rows(6.0))
        with pytest.raises(StoreError, match=r"1 files .* vanished.* points/2025-02.parquet"):
            stage.commit()
    assert filled.current() == 1


def test_inputs_digest_tells_order_and_borders_apart():
    assert inputs_digest("ab", "c") != inputs_digest("a", "bc")
    assert inputs_digest("a", "b") != inputs_digest("b", "a")
    assert inputs_digest(1) != inputs_digest("1")
    assert inputs_digest({"a": 1, "b": [2.5, None]}) == inputs_digest({"b": [2.5, None], "a": 1})


# -- threads and workers ---------------------------------------------------------------


def test_threads_write_partitions_side_by_side(store):
    months = [f"{year}-{month:02d}" for year in (2023, 2024) for month in range(1, 13)]

    def work(month: str) -> str:
        return stage.build("points", month, month, lambda: rows(float(month[-2:])))

    with store.writer() as stage:
        with ThreadPoolExecutor(8) as pool:
            digests = list(pool.map(work, months))
        stage.commit()
    tables = open_tables(store.folder)
    assert tables.months("points") == months
    assert list(tables.digests("points").values()) == digests
    assert tables.verify() == ()
    assert tables.read("points")["x"].sum() == 2 * 3 * sum(range(1, 13))


WORKER = """
import dataclasses, json, sys
import pyarrow as pa
from pipeline.tables.store import worker_write
staged = worker_write(sys.argv[1], "points", sys.argv[2], pa.table({"x": [2.0]}))
print(json.dumps(dataclasses.asdict(staged)))
"""


def test_processes_stage_and_the_run_commits(store):
    with store.writer() as stage:
        workers = [
            subprocess.Popen(
                [sys.executable, "-c", WORKER, stage.folder, month], stdout=subprocess.PIPE
            )
            for month in ("2025-01", "2025-02")
        ]
        staged = [StagedFile(**json.loads(w.communicate(timeout=60)[0])) for w in workers]
        for file in staged:
            assert not stage.is_current(file.table, file.month, "in")
            assert stage.register(file, "in") == file.digest
            assert stage.is_current(file.table, file.month, "in")
        # Work done twice is taken in twice without harm; work nobody took in does not count.
        stage.register(
            worker_write(stage.folder, "points", "2025-01", pa.table({"x": [2.0]})), "in"
        )
        worker_write(stage.folder, "points", "2025-03", rows(2.0))
        stage.commit()
    tables = open_tables(store.folder)
    assert tables.months("points") == ["2025-01", "2025-02"]
    assert tables.verify() == ()
    assert not (tables.folder / "_incoming").exists()


def test_a_worker_that_outlives_its_run_is_turned_away(store):
    with store.writer() as stage:
        folder = stage.folder
        staged = worker_write(folder, "points", "2025-01", rows())
    with pytest.raises(StoreError, match="is over"):
        worker_write(folder, "points", "2025-01", rows())
    assert not folder.exists()
    with store.writer() as stage, pytest.raises(StoreError, match=r"found no file\. Build it"):
        stage.register(staged)


# -- the lock --------------------------------------------------------------------------

HOLDER = """
import os, sys, time
from pipeline.tables.store import Store
with Store.open(sys.argv[1]).writer():
    if sys.argv[2] == "fork" and os.fork() == 0:
        time.sleep(60)
        os._exit(0)
    print("held", flush=True)
    time.sleep(60)
"""


@pytest.mark.parametrize("workers", ["none", "fork"])
def test_a_second_run_is_refused_until_the_first_is_dead(store, workers):
    first = subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(store.folder), workers],
        stdout=subprocess.PIPE,
        start_new_session=True,
    )
    try:
        assert first.stdout.readline() == b"held\n"
        held = rf"in use by process {first.pid} on .* since"
        with pytest.raises(StoreLockedError, match=held), store.writer():
            pass
        first.kill()
        first.wait()
        # A forked worker still lives, but does not hold the lock.
        with store.writer() as stage:
            stage.write("pumps", None, rows())
            assert stage.commit() == 1
    finally:
        os.killpg(first.pid, 9) if workers == "fork" else first.kill()
        first.stdout.close()
        first.wait()


def test_the_same_process_cannot_write_twice_at_once(store):
    refused = pytest.raises(StoreLockedError, match="in use by process")
    with store.writer(), refused, store.writer():
        pass
    with store.writer():
        pass


def test_unreadable_text_in_the_lock_file_does_not_matter(store):
    (store.folder / "lock").write_bytes(b"\xff not JSON")
    with store.writer():
        (store.folder / "lock").write_bytes(b"\xff not JSON")
        with pytest.raises(StoreLockedError, match="in use by another run"), store.writer():
            pass


# -- reading ---------------------------------------------------------------------------


def test_a_view_stays_while_runs_go_on(filled):
    view = open_tables(filled.folder)
    with filled.writer() as stage:
        stage.write("pumps", None, rows(6.0))
        stage.drop("points")
        stage.commit()
    assert view.generation == 1
    assert view.names() == ["points", "pumps"]
    assert len(view.read("points")) == 9
    assert open_tables(filled.folder).names() == ["pumps"]


def test_reading_months_columns_and_rows(filled):
    tables = open_tables(filled.folder)
    assert len(tables.read("points", months=["2025-03", "2025-01"])) == 6
    assert list(tables.read("points", columns=["x", "time"]).columns) == ["x", "time"]
    assert len(tables.read("points", filters=[("x", ">", 1.5)])) == 0
    assert tables.read("points", months=["2031-01"]).columns.tolist() == ["time", "pump", "x"]
    assert len(tables.read("points", months=["2031-01"])) == 0
    assert str(tables.read("points")["time"].dtype) == "datetime64[us, UTC]"
    assert tables.read_blob("segments", "ab" * 32)["x"].to_pylist() == [7.0] * 3
    assert tables.blobs("segments") == ["ab" * 32]
    assert tables.has_blob("segments", "ab" * 32)


@pytest.mark.parametrize(
    ("ask", "says"),
    [
        (lambda t: t.read("flags"), r"no table flags; the tables held are: points, pumps"),
        (lambda t: t.read("points", columns=["y"]), r"no column y; its columns are time, pump"),
        (lambda t: t.read("pumps", months=["2025-01"]), r"kept in one file, not by month"),
        (lambda t: t.path("points", "2030-01"), r"holds 3 months, 2025-01 to 2025-03"),
        (lambda t: t.path("points"), r"holds 3 months, 2025-01 to 2025-03"),
        (lambda t: t.digest("points", "2030-01"), r"There is no table points, month 2030-01"),
        (lambda t: t.blob_path("segments", "cd"), r"There is no kept file segments/cd"),
        (lambda t: t.read("points", months=["January"]), r"'January' is not a month"),
    ],
)
def test_asking_for_what_is_not_there_says_what_is(filled, ask, says):
    with pytest.raises(StoreError, match=says):
        ask(open_tables(filled.folder))


def test_a_damaged_or_removed_file_is_named(filled):
    tables = open_tables(filled.folder)
    path = tables.path("pumps")
    path.chmod(0o644)
    path.write_bytes(b"not Parquet at all")
    with pytest.raises(StoreError, match=r"table pumps cannot be read .*damaged"):
        tables.read("pumps")
    path.unlink()
    with pytest.raises(StoreError, match=r"A file of table pumps has gone"):
        tables.read("pumps")


def test_before_the_first_run_the_reader_says_so(tmp_path, store):
    with pytest.raises(StoreError, match="There is no data folder"):
        open_tables(tmp_path / "nowhere")
    with pytest.raises(StoreError, match="is not a data folder"):
        open_tables(tmp_path)
    with pytest.raises(StoreError, match="holds no tables yet"):
        open_tables(store.folder)
    with pytest.raises(StoreError, match="is not a data folder"):
        Store.open(tmp_path)


# -- damage and refusals ---------------------------------------------------------------


def test_a_lost_link_is_damage_and_nothing_is_removed(filled):
    link = filled.folder / "tables"
    link.unlink()
    for use in (lambda: Store.create(filled.folder), lambda: open_tables(filled.folder)):
        with pytest.raises(StoreError, match=r"damaged: .*found nothing.*ln -sfn store/1"):
            use()
    link.symlink_to("store/9")
    with pytest.raises(StoreError, match=r"leads to store/9, which is not .*ln -sfn store/1"):
        Store.open(filled.folder)
    link.unlink()
    link.symlink_to("../../elsewhere")
    with pytest.raises(StoreError, match=r"leads to ../../elsewhere"), filled.writer():
        pass
    link.unlink()
    link.mkdir()
    with pytest.raises(StoreError, match=r"is not the link of a data folder"):
        Store.create(filled.folder)
    with pytest.raises(StoreError, match=r"found an ordinary file or folder.*Move it away"):
        open_tables(filled.folder)
    assert (filled.folder / "store" / "1" / "pumps" / "pumps.parquet").exists()


@pytest.mark.parametrize(
    "name", ["", "..", ".", "a/b", "../a", "/a", "A", "_a", "1a", "a.b", "a\n", "a\0", "a" * 64]
)
def test_no_table_name_leaves_its_folder(store, name):
    with store.writer() as stage:
        for use in (
            lambda: stage.write(name, None, rows()),
            lambda: stage.put_blob(name, "x", rows()),
            lambda: worker_write(stage.folder, name, None, rows()),
            lambda: stage.read(name),
            lambda: stage.drop(name),
        ):
            with pytest.raises(StoreError, match="cannot name a table"):
                use()


@pytest.mark.parametrize("month", ["", "2025", "2025-13", "2025-1", "../2025-01", "2025-01\n"])
def test_no_month_leaves_its_folder(store, month):
    with store.writer() as stage, pytest.raises(StoreError, match="is not a month"):
        stage.write("points", month, rows())


@pytest.mark.parametrize("name", ["", ".", "..", "../x", "a/b", ".hidden", "a.b", "x\n", "é"])
def test_no_kept_file_leaves_its_folder(store, name):
    with store.writer() as stage, pytest.raises(StoreError, match="cannot name a kept file"):
        stage.put_blob("segments", name, rows())


def test_a_record_from_a_worker_cannot_lead_elsewhere(store):
    with store.writer() as stage, pytest.raises(StoreError, match="is not a SHA-256"):
        stage.register(StagedFile("points", None, "../../../lock", 0))


def test_a_table_is_kept_by_month_or_in_one_file(filled):
    with filled.writer() as stage:
        with pytest.raises(StoreError, match="points is kept by month"):
            stage.write("points", None, rows())
        with pytest.raises(StoreError, match="pumps is kept in one file"):
            stage.write("pumps", "2025-01", rows())
        stage.drop("pumps")
        stage.write("pumps", "2025-01", rows())
        stage.commit()
    assert open_tables(filled.folder).months("pumps") == ["2025-01"]


@pytest.mark.parametrize(
    ("code", "says"),
    [
        (errno.ENOSPC, "the disk is full; free some space"),
        (errno.EACCES, "permission was denied"),
        (errno.EROFS, "the file system is read-only"),
        (errno.ENXIO, "the system said: No such device"),
    ],
)
def test_a_disk_error_while_writing_leaves_the_tables_as_they_were(filled, monkeypatch, code, says):
    def refuse(self, data):
        raise OSError(code, os.strerror(code))

    with filled.writer() as stage:
        with monkeypatch.context() as patch:
            patch.setattr(parquet_io._HashingSink, "write", refuse)
            with pytest.raises(StoreError, match=f"Could not write table pumps.*{says}.*unchanged"):
                stage.write("pumps", None, rows(6.0))
        assert not [name for name in listing(stage.folder) if name.endswith(".tmp")]
        assert stage.commit() == 1
    assert open_tables(filled.folder).read("pumps")["x"][0] == 5.0


def test_a_kept_file_written_as_its_rows_come_has_the_same_bytes(filled, monkeypatch):
    monkeypatch.setattr(parquet_io, "ROWS_PER_GROUP", 4)
    whole = pa.concat_tables([rows(float(n)) for n in range(9)])
    with filled.writer() as stage:
        digest = stage.put_blob("pieces", "whole", whole)
        for name, cut in (("one", 1), ("five", 5), ("all", whole.num_rows)):
            writer = stage.open_blob("pieces", name, whole.schema)
            for start in range(0, whole.num_rows, cut):
                writer.add(whole.slice(start, cut))
            writer.finish()
            assert stage.blob_digest("pieces", name) == digest
        assert stage.read_blob("pieces", "one").equals(whole)
        none = stage.open_blob("pieces", "none", whole.schema)
        none.add(whole)
        assert none.take_back().equals(whole)
        left = stage.open_blob("pieces", "left", whole.schema)
        left.add(whole)
        left.discard()
        assert stage.blobs("pieces") == ["all", "five", "one", "whole"]
        assert not [name for name in listing(stage.folder) if name.endswith(".tmp")]


def test_published_files_are_read_only(filled):
    modes = [p.stat().st_mode for p in (filled.folder / "tables").rglob("*.parquet")]
    assert modes
    assert {stat.S_IMODE(mode) & 0o222 for mode in modes} == {0}


@pytest.mark.parametrize(
    ("call", "says"),
    [
        ("link", "hard-link a file"),
        ("symlink", "swap a symbolic link"),
        ("replace", "rename over an existing file"),
        ("rename", "rename a folder"),
        ("mkdir", "create a folder"),
        ("fsync", "force it to the disk"),
    ],
)
def test_a_file_system_that_cannot_is_refused_by_name(tmp_path, monkeypatch, call, says):
    Store.check_filesystem(tmp_path)

    def cannot(*args, **kwargs):
        raise OSError(errno.EOPNOTSUPP, os.strerror(errno.EOPNOTSUPP))

    monkeypatch.setattr(os, call, cannot)
    with pytest.raises(StoreError, match=rf"could not .*{says}.*Use a local POSIX file system"):
        Store.check_filesystem(tmp_path)


def test_a_file_system_without_working_locks_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(files, "lock_file", lambda handle: True)
    with pytest.raises(StoreError, match=r"could not lock a file \(a second lock"):
        Store.create(tmp_path / "data")
    assert listing(tmp_path) == ["data"]


def test_a_newer_store_format_is_refused(filled):
    path = filled.folder / "tables" / "_build" / "state.parquet"
    table = pa.table({"area": ["table"]}).replace_schema_metadata({"store_format": "99"})
    path.unlink()
    pa.parquet.write_table(table, path)
    with pytest.raises(StoreError, match=r"store format 99, this version reads format 1"):
        open_tables(filled.folder)


def test_a_table_that_does_not_fit_its_schema_is_refused(store):
    schema = rows().schema
    with store.writer() as stage:
        with pytest.raises(ContractError, match=r"table points, .*missing \['x'\], unexpected \["):
            stage.write(
                "points", "2025-01", rows().rename_columns(["time", "pump", "y"]), schema=schema
            )
        bad = rows().set_column(2, "x", pa.array(["a", "b", "c"]))
        with pytest.raises(ContractError, match=r"column 'x' holds string, expected double"):
            stage.write("points", "2025-01", bad, schema=schema)
        strict = schema.set(1, pa.field("pump", pa.string(), nullable=False))
        bad = rows().set_column(1, "pump", pa.nulls(3, pa.string()))
        with pytest.raises(ContractError, match=r"column 'pump' must not be empty, but 3 rows"):
            stage.write("points", "2025-01", bad, schema=strict)
        assert not stage.has_changes


def test_leftovers_in_use_elsewhere_never_stop_a_run(filled, caplog, monkeypatch):
    (filled.folder / "store" / ".stage-dead").mkdir()

    def cannot(*args, **kwargs):
        raise OSError(errno.EBUSY, "busy")

    monkeypatch.setattr(files.shutil, "rmtree", cannot)
    with filled.writer() as stage:
        stage.write("pumps", None, rows(6.0))
        assert stage.commit() == 2
    assert "the next run removes it" in caplog.text
    monkeypatch.undo()
    with filled.writer():
        pass
    assert inside(filled.folder / "store") == ["0", "1", "2"]
