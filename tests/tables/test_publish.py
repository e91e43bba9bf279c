"""Publishing to SQL. What a database holds is read back through its own driver alone.

Expected rows are those of the Parquet files, read by pyarrow; what databases do with types,
constraints and transactions is theirs. No other outside source applies.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
import multiprocessing
import random
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import publish_case as case
import pyarrow.parquet as pq
import pytest

from pipeline.errors import PublishError
from pipeline.tables.catalogue import PUBLISHED
from pipeline.tables.contracts import Column
from pipeline.tables.publish import PostgresDatabase, SqliteDatabase

_numbers = itertools.count()
PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["publish_case", "psycopg", "pyarrow.dataset"])

MONTHS = {"2026-01": 1, "2026-02": 2, "2026-03": 3}


def new_schema() -> str:
    return f"plant{next(_numbers)}"


@pytest.fixture(params=["sqlite", "postgres"])
def make(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[], object]:
    """Makes empty databases of one kind."""
    if request.param == "sqlite":
        return lambda: case.Sqlite(tmp_path / f"t{next(_numbers)}.sqlite")
    server = request.getfixturevalue("postgres")
    return lambda: case.Postgres(server, new_schema())


@pytest.fixture
def place(make):
    return make()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    case.commit(tmp_path / "data", MONTHS)
    return tmp_path / "data"


def parquet_rows(folder: Path, table: str) -> list[tuple]:
    files = sorted((folder / "tables" / table).glob("*.parquet"))
    return sorted(
        (tuple(r.values()) for f in files for r in pq.read_table(f).to_pylist()), key=repr
    )


def sql_rows(place, table: str) -> list[tuple]:
    rows = place.sql(f"SELECT * FROM {place.table(table)}")
    if place.is_server:
        return sorted((_utc(row) for row in rows), key=repr)
    # SQLite has neither times nor flags; which columns are which the contract says.
    contract = next(c for c in case.CONTRACTS if c.name == table)
    kinds = [column.kind for column in contract.columns]
    read = {"time": dt.datetime.fromisoformat, "flag": bool}
    found = (
        tuple(
            read[k](v) if v is not None and k in read else v
            for k, v in zip(kinds, row, strict=True)
        )
        for row in rows
    )
    return sorted((_utc(row) for row in found), key=repr)


def _utc(row: tuple) -> tuple:
    """Times without zone, and one zero: rows that are equal then sort alike."""
    return tuple(
        value.astimezone(dt.UTC).replace(tzinfo=None)
        if isinstance(value, dt.datetime)
        else (0.0 if isinstance(value, float) and value == 0 else value)
        for value in row
    )


def test_every_value_arrives_as_it_is(folder, place):
    done = case.publish(folder, place.database())
    assert done.changed
    assert done.rows_sent == 3 * 240 + len(case.HOSTILE) + 1
    for table in ("points", "notes", "marker"):
        wanted = sorted((_utc(row) for row in parquet_rows(folder, table)), key=repr)
        assert sql_rows(place, table) == wanted
    if place.is_server:
        # SQLite keeps whole numbers as integers, which have no negative zero.
        signs = place.sql(f'SELECT "order" FROM {place.table("notes")} WHERE "order" = 0')
        assert math.copysign(1.0, signs[0][0]) == -1.0


def test_the_same_generation_again_changes_nothing(folder, place):
    case.publish(folder, place.database())
    if place.is_server:
        record = f"SELECT xmin::text, published_at FROM {place.schema}.publication"
        before = place.sql(record)
    else:
        before = place.path.read_bytes()
    later = case.NOW + dt.timedelta(days=1)
    done = case.publish(folder, place.database(), at=later)
    assert not done.changed
    if place.is_server:
        assert (
            place.sql(f"SELECT xmin::text, published_at FROM {place.schema}.publication") == before
        )
    else:
        assert place.path.read_bytes() == before
        assert [p.name for p in place.path.parent.glob(place.path.name + "*")] == [place.path.name]


def test_only_what_changed_is_sent_and_what_vanished_vanishes(folder, make):
    place, fresh = make(), make()
    case.publish(folder, place.database())
    # January changes, February stays, March vanishes, April comes.
    case.commit(folder, {"2026-01": 9, "2026-02": 2, "2026-04": 4}, marker=1)
    done = case.publish(folder, place.database())
    # Two months and the marker; the notes are the same bytes.
    assert (done.parts_sent, done.parts_kept, done.made) == (3, 2, ())
    assert done.rows_sent == 2 * 240 + 1
    case.publish(folder, fresh.database())
    assert place.dump() == fresh.dump()


def test_a_pump_that_vanished_from_a_month_vanishes(folder, make):
    place, fresh = make(), make()
    case.publish(folder, place.database())
    case.commit(folder, MONTHS, pumps=2)
    case.publish(folder, place.database())
    case.publish(folder, fresh.database())
    assert place.dump() == fresh.dump()
    assert place.sql(f"SELECT count(*) FROM {place.table('points')} WHERE pump = 'P2'") == [(0,)]


def test_going_back_in_time_is_followed(folder, place):
    case.publish(folder, place.database())
    before = place.dump()
    case.commit(folder, {"2026-02": 7}, marker=1)
    case.publish(folder, place.database())
    assert place.dump() != before
    link = folder / "tables"
    link.unlink()
    link.symlink_to("store/1")
    case.publish(folder, place.database())
    assert place.dump() == before


def test_sending_all_again_restores_what_others_changed(folder, place):
    case.publish(folder, place.database())
    before = place.dump()
    place.sql(f"DELETE FROM {place.table('points')} WHERE pump = 'P1'")
    assert not case.publish(folder, place.database()).changed
    assert case.publish(folder, place.database(), anew=True).rows_sent > 700
    assert place.dump() == before


BREACHES = (
    "INSERT INTO {t} SELECT * FROM {t}",
    "UPDATE {t} SET pump = NULL",
    "UPDATE {t} SET flow_u95_m3_h = -1",
    "UPDATE {t} SET samples = -1",
    "UPDATE {t} SET samples = 'many'",
    "UPDATE {t} SET flow_m3_h = 'fast'",
    "UPDATE {t} SET time = 'yesterday evening'",
    "UPDATE {t} SET is_open = 7",
)


def test_the_contract_is_enforced_by_the_database(folder, place):
    case.publish(folder, place.database())
    before = place.dump()
    for statement in BREACHES:
        with pytest.raises(Exception, match=r"(?i)constraint|cannot store|null value|invalid|type"):
            place.sql(statement.format(t=place.table("points")))
    assert place.dump() == before


def test_the_server_holds_meanings_as_comments(folder, postgres):
    place = case.Postgres(postgres, new_schema())
    case.publish(folder, place.database())
    told = place.sql(
        f"SELECT obj_description('{place.schema}.points'::regclass), "
        f"col_description('{place.schema}.points'::regclass, 4)"
    )
    assert told == [("One row per pump, period and interval.", "Flow; 'as metered'. Unit: m³/h.")]


def test_a_changed_contract_remakes_its_table_alone(folder, make):
    place, fresh = make(), make()
    case.publish(folder, place.database())
    mine, whole = place.table("mine"), place.table("points")
    place.sql(f"CREATE VIEW {mine} AS SELECT pump, time FROM {whole}")
    if place.is_server:
        place.sql(f"CREATE ROLE looker; GRANT SELECT ON {whole} TO looker")
        place.sql(f"COMMENT ON COLUMN {whole}.samples IS 'old'")
    points = case.changed(
        case.POINTS,
        Column("note", "text", "A new one.", nullable=False),
        # The same name with another type.
        Column("is_open", "integer", "Times open.", nullable=False),
        drop=("flow_u95", "is_open"),
    )
    _rewrite(folder, points)
    contracts = (points, case.NOTES, case.MARKER)
    done = case.publish(folder, place.database(), contracts)
    assert done.made == ("points",)
    case.publish(folder, fresh.database(), contracts)
    assert place.sql(f"SELECT count(*) FROM {place.table('mine')}") == [(720,)]
    place.sql(f"DROP VIEW {place.table('mine')}")
    if place.is_server:
        name = f"{place.schema}.points"
        granted = place.sql(f"SELECT has_table_privilege('looker', '{name}', 'SELECT')")
        assert granted == [(True,)]
        told = place.sql(f"SELECT col_description('{name}'::regclass, 6)")
        assert told == [("Count.",)]
        place.sql("DROP OWNED BY looker; DROP ROLE looker")
    assert place.dump() == fresh.dump()


def _rewrite(folder: Path, points) -> None:
    """Write the store's points anew under another contract."""
    with case.Store.open(folder).writer() as stage:
        for month, frame in case.points(MONTHS).items():
            frame = frame.drop(columns=["flow_u95"]).assign(is_open=3, note="n")
            stage.write("points", month, points.publish(frame, "SI"))
        stage.commit()


def test_a_changed_key_and_units_remake_a_table(folder, make):
    place, fresh = make(), make()
    case.publish(folder, place.database())
    with case.Store.open(folder).writer() as stage:
        key = replace(case.POINTS, key=("period", "pump", "time"))
        for month, frame in case.points(MONTHS).items():
            stage.write("points", month, key.publish(frame, "US"))
        stage.commit()
    contracts = (key, case.NOTES, case.MARKER)
    case.publish(folder, place.database(), contracts, display="US")
    case.publish(folder, fresh.database(), contracts, display="US")
    assert place.dump() == fresh.dump()


def test_a_table_no_longer_published_is_removed_and_can_come_back(folder, place):
    case.publish(folder, place.database())
    before = place.dump()
    case.publish(folder, place.database(), case.CONTRACTS[1:])
    assert "points" not in place.dump()
    case.publish(folder, place.database())
    assert place.dump() == before


def test_a_view_of_somebody_else_stops_the_removal_of_what_it_needs(folder, postgres):
    place = case.Postgres(postgres, new_schema())
    case.publish(folder, place.database())
    mine, points = place.table("mine"), place.table("points")
    place.sql(f"CREATE VIEW {mine} AS SELECT flow_u95_m3_h FROM {points}")
    before = place.dump()
    with pytest.raises(PublishError, match=r"view plant\d+\.mine depends"):
        case.publish(folder, place.database(), case.CONTRACTS[1:])
    assert place.dump() == before


def test_tables_of_others_are_never_touched(folder, place):
    if place.is_server:
        place.sql(f"CREATE SCHEMA {place.schema}")
    place.sql(f"CREATE TABLE {place.table('notes')} (mine text)")
    place.sql(f"INSERT INTO {place.table('notes')} VALUES ('dear')")
    with pytest.raises(PublishError, match=r"notes.* already exists"):
        case.publish(folder, place.database())
    assert place.sql(f"SELECT * FROM {place.table('notes')}") == [("dear",)]
    # The tables made before it in the same transaction are gone with it.
    assert set(place.dump()) == {"notes"}


def test_another_station_is_refused(folder, place):
    case.publish(folder, place.database())
    with pytest.raises(PublishError, match="station 'Weir', not of 'Mill'"):
        case.publish(folder, place.database(), station="Mill")


def test_tables_of_another_version_are_refused_in_words(folder, place):
    contracts = (case.changed(case.POINTS, Column("new", "text", "New.")), *case.CONTRACTS[1:])
    with pytest.raises(PublishError, match=r"points .*other columns.*\(new\).*Run the job"):
        case.publish(folder, place.database(), contracts)


def test_two_publishers_at_once_do_not_meet(folder, place):
    """The second waits, and finds nothing left to do or says that it could not wait."""
    answers: list[object] = []

    def work() -> None:
        try:
            answers.append(case.publish(folder, place.database()))
        except PublishError as error:
            answers.append(error)

    threads = [threading.Thread(target=work) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert any(getattr(a, "changed", False) for a in answers)
    assert all(not isinstance(a, PublishError) or "lock" in str(a) for a in answers)
    assert sql_rows(place, "marker") == [(0,)]


def test_readers_see_the_old_tables_or_the_new(folder, place):
    """One statement over two tables, again and again, while generations follow one another."""
    case.commit(folder, {"2026-01": 1}, 1)
    case.publish(folder, place.database())
    seen: list[tuple] = []
    is_over = threading.Event()

    def read() -> None:
        samples = f"SELECT sum(samples % 1000003) FROM {place.table('points')}"
        query = f"SELECT marker, ({samples}) FROM {place.table('marker')}"
        while not is_over.is_set():
            seen.extend(place.sql(query))

    reader = threading.Thread(target=read)
    reader.start()
    wanted = {}
    try:
        for marker in range(2, 8):
            case.commit(folder, {"2026-01": marker}, marker)
            case.publish(folder, place.database())
            time.sleep(0.02)
    finally:
        is_over.set()
        reader.join()
    for marker in range(1, 8):
        samples = case.points({"2026-01": marker})["2026-01"]["samples"]
        wanted[marker] = int((samples % 1_000_003).sum())
    assert len({marker for marker, _ in seen}) >= 3
    assert all(total == wanted[marker] for marker, total in seen)


def test_long_keys_and_the_character_zero_fit_a_server(tmp_path, postgres):
    place = case.Postgres(postgres, new_schema())
    frame = case.notes().assign(table="x" * 3000)
    frame["text"] = [f"{text}\0{'é' * 2000}" for text in frame["text"]]
    with case.Store.create(tmp_path / "data").writer() as stage:
        stage.write("notes", None, case.NOTES.publish(frame, "SI"))
        stage.commit()
    case.publish(tmp_path / "data", place.database(), [case.NOTES])
    rows = place.sql(f"SELECT text FROM {place.table('notes')}")
    assert len(set(rows)) == len(case.HOSTILE)
    assert all("..." in text and len(text.encode()) <= 1252 for (text,) in rows)


def test_every_contract_can_be_published(place, tmp_path):
    """All published tables, empty: names, types and constraints are accepted."""
    with case.Store.create(tmp_path / "data").writer() as stage:
        for contract in PUBLISHED:
            if contract.partition == "single":
                rows = contract.publish(contract.empty(), "SI", "EUR")
                stage.write(contract.name, None, rows)
        stage.commit()
    done = case.publish(tmp_path / "data", place.database(), PUBLISHED)
    assert done.made == tuple(c.name for c in PUBLISHED)
    assert not case.publish(tmp_path / "data", place.database(), PUBLISHED).changed


# ---------------------------------------------------------------- who may do what

README = Path(__file__).parents[2] / "README.md"


def test_the_roles_of_the_readme_are_enough_and_no_more(folder, postgres):
    """The statements are taken from the README, run by the owner, and tried out."""
    text = README.read_text("utf-8")
    block = text.partition("<!-- roles -->")[2].partition("```sql")[2].partition("```")[0]
    assert "CREATE ROLE" in block
    postgres.sql("CREATE DATABASE pumps")
    postgres.sql(block, "pumps")

    def place(user: str):
        found = case.Postgres(postgres, "waterworks", user)
        found.database_name = "pumps"
        return found

    writer, reader = place("gaugeless_writer"), place("dashboards")
    assert case.publish(folder, writer.database()).changed
    case.commit(folder, {"2026-02": 5}, marker=1)
    assert case.publish(folder, writer.database()).changed
    # A table made later can be read too.
    assert reader.sql("SELECT marker FROM waterworks.marker") == [(1,)]
    assert reader.sql("SELECT count(*) FROM waterworks.points") == [(240,)]
    refused = (
        (reader, "DELETE FROM waterworks.points"),
        (reader, "CREATE TABLE waterworks.mine (x int)"),
        (reader, "DROP TABLE waterworks.points"),
        (writer, "CREATE SCHEMA another"),
        (writer, "CREATE TABLE public.mine (x int)"),
        (writer, "CREATE ROLE another"),
    )
    for who, statement in refused:
        with pytest.raises(Exception, match=r"permission denied|must be owner"):
            who.sql(statement)
    other = place("gaugeless_writer")
    other.schema = "plant"
    with pytest.raises(PublishError, match=r"There is no schema plant.*CREATE SCHEMA plant AUTHO"):
        case.publish(folder, other.database())


def test_a_password_is_taken_and_a_wrong_one_not_repeated(folder, postgres):
    postgres.sql("CREATE ROLE guarded LOGIN PASSWORD 'open-sesame'")
    postgres.sql("CREATE SCHEMA vault AUTHORIZATION guarded")

    def database(password: str) -> PostgresDatabase:
        return PostgresDatabase(
            name="the server",
            user="guarded",
            schema="vault",
            database="postgres",
            options={"host": str(postgres.socket)},
            password=password,
        )

    with pytest.raises(PublishError, match="authentication failed") as caught:
        case.publish(folder, database("shut-barley"))
    assert "shut-barley" not in str(caught.value)
    assert caught.value.__cause__ is None
    assert case.publish(folder, database("open-sesame")).changed
    assert "open-sesame" not in repr(vars(database("open-sesame"))["_url"])


# ---------------------------------------------------------------- what can go wrong


def test_a_file_that_is_no_database_is_left_as_it_is(folder, tmp_path):
    path = tmp_path / "t.sqlite"
    path.write_text("my diary, " * 500)
    with pytest.raises(PublishError, match=r"file is not a database.*Parquet tables are whole"):
        case.publish(folder, SqliteDatabase(path))
    assert path.read_text() == "my diary, " * 500


def test_a_folder_that_is_not_there_is_one_sentence(folder, tmp_path):
    with pytest.raises(PublishError, match="unable to open database file"):
        case.publish(folder, SqliteDatabase(tmp_path / "nowhere" / "t.sqlite"))


def test_a_file_somebody_else_writes_is_waited_for_and_then_left(folder, tmp_path):
    place = case.Sqlite(tmp_path / "t.sqlite")
    case.publish(folder, place.database())
    before = place.dump()
    case.commit(folder, MONTHS, marker=1)
    busy = case.sqlite3.connect(place.path, isolation_level=None)
    busy.execute("BEGIN EXCLUSIVE")
    try:
        with pytest.raises(PublishError, match="locked"):
            case.publish(folder, SqliteDatabase(place.path, wait=0.1))
    finally:
        busy.close()
    assert place.dump() == before


def test_a_reader_that_never_leaves_does_not_stop_a_publication(folder, tmp_path):
    place = case.Sqlite(tmp_path / "t.sqlite")
    case.publish(folder, place.database())
    case.commit(folder, MONTHS, marker=1)
    dashboard = case.sqlite3.connect(place.path, isolation_level=None)
    try:
        assert dashboard.execute("SELECT marker FROM marker").fetchall() == [(0,)]
        assert case.publish(folder, place.database()).changed
        assert dashboard.execute("SELECT marker FROM marker").fetchall() == [(1,)]
    finally:
        dashboard.close()


def test_a_server_that_does_not_answer_is_one_sentence(folder, tmp_path):
    database = PostgresDatabase(
        name="postgresql://w@nowhere/db",
        schema="plant",
        user="w",
        database="db",
        options={"host": str(tmp_path)},
        password="the-secret-word",
    )
    with pytest.raises(PublishError, match="postgresql://w@nowhere/db, schema plant") as caught:
        case.publish(folder, database)
    assert "the-secret-word" not in str(caught.value)
    assert "\n" not in str(caught.value)


# ---------------------------------------------------------------- kills


def kill_publications(folder: Path, make, times: int, seed: int) -> list[str]:
    """Kill that many publications of a second generation at random; give what each left."""
    place, fresh = make(), make()
    case.publish(folder, place.database())
    old = place.dump()
    case.commit(folder, {"2026-01": 9, "2026-02": 2, "2026-04": 4}, marker=1)
    # The first process waits for all that is loaded; it would count as part of the work.
    _publication(folder, fresh, None)
    new = fresh.dump()
    chance = random.Random(seed)
    span = _publication(folder, place, None)
    left = []
    for _ in range(times):
        _at_generation(folder, 1)
        case.publish(folder, place.database())
        assert place.dump() == old
        _at_generation(folder, 2)
        _publication(folder, place, chance.uniform(0.0, 1.0) * span)
        now = place.dump()
        left.append("new" if now == new else "old" if now == old else "mixed")
        case.publish(folder, place.database())
        assert place.dump() == new
    print(f"{times} kills of a publication to {type(place).__name__} left {Counter(left)}")
    return left


def _at_generation(folder: Path, number: int) -> None:
    (folder / "tables").unlink()
    (folder / "tables").symlink_to(f"store/{number}")


def _publication(folder: Path, place, after: float | None) -> float:
    """Publish in a process of its own; kill it so long after it began. Gives how long it took."""
    process = PROCESSES.Process(target=case.publish_and_end, args=(str(folder), place))
    began = time.monotonic()
    process.start()
    if after is not None:
        time.sleep(after)
        process.kill()
    process.join()
    assert after is not None or process.exitcode == 0
    return time.monotonic() - began


def test_a_kill_leaves_the_old_tables_or_the_new(folder, make):
    assert "mixed" not in kill_publications(folder, make, 1, 1)


@pytest.mark.slow
def test_sixty_kills_of_each_kind_leave_the_old_tables_or_the_new(folder, make):
    left = kill_publications(folder, make, 60, 2)
    assert "mixed" not in left
    assert left.count("old") >= 10
    assert left.count("new") >= 1
