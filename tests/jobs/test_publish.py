"""Publishing from the command and at the end of a run; passwords stay where they belong.

No outside source applies: files, permissions and messages are looked at directly.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from small_station import SmallStation, read_json

from pipeline.cli import main
from pipeline.errors import PlantFileError, PublishError
from pipeline.jobs.publish import publish_plant, read_password
from pipeline.plant import read_plant
from pipeline.plant.publication import PASSWORD_VARIABLE, Address, parse_address
from pipeline.tables.catalogue import PUBLISHED

Copy = Callable[[SmallStation], SmallStation]
Printed = pytest.CaptureFixture[str]
SECRET = "hunter-two-words"


@pytest.fixture(autouse=True)
def no_password(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the machine's environment holds is no matter here."""
    monkeypatch.delenv(PASSWORD_VARIABLE, raising=False)


def declare(station: SmallStation, text: str) -> SmallStation:
    station.plant.write_text(station.plant.read_text("utf-8") + f"\n[publish]\n{text}\n", "utf-8")
    return station


def rows_in(path: Path, table: str) -> int:
    with closing(sqlite3.connect(path)) as connection:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def test_the_command_publishes_once(backfilled: SmallStation, copy_of: Copy, capsys: Printed):
    station = copy_of(backfilled)
    path = station.data / "published.sqlite"
    assert main(["publish", str(station.plant)]) == 0
    assert "rows of" in capsys.readouterr().out
    with closing(sqlite3.connect(path)) as connection:
        named = {row[0] for row in connection.execute("SELECT name FROM sqlite_master")}
    assert named >= {contract.name for contract in PUBLISHED}
    assert rows_in(path, "pumps") == 2
    assert main(["publish", str(station.plant), "--json"]) == 0
    found = read_json(capsys.readouterr().out)
    assert (found["changed"], found["rows_sent"]) == (False, 0)
    other = station.folder / "other.sqlite"
    assert main(["publish", str(station.plant), "--to", str(other)]) == 0
    assert rows_in(other, "pumps") == 2


def test_a_run_publishes_at_its_end_and_again_until_it_worked(
    station: SmallStation, capsys: Printed
):
    declare(station.bring(0), 'to = "sub/tables.sqlite"\nwithout = ["measurements"]')
    command = ["run", str(station.plant), "--no-page"]
    # The folder is missing: a failure with its sentence, and the tables are there all the same.
    assert main(command) == 3
    told = capsys.readouterr()
    assert "FAILED: The tables could not be published" in told.err
    assert "Tables updated." in told.out
    assert (station.data / "tables" / "pumps").is_dir()
    (station.folder / "sub").mkdir()
    assert main(command) == 0
    told = capsys.readouterr()
    assert "Nothing changed." in told.out
    assert "Published to SQLite file" in told.out
    path = station.folder / "sub" / "tables.sqlite"
    assert rows_in(path, "pumps") == 2
    with pytest.raises(sqlite3.OperationalError, match="no such table"):
        rows_in(path, "measurements")


def test_publishing_before_any_run_is_code_2(station: SmallStation, capsys: Printed):
    assert main(["publish", str(station.plant)]) == 2
    assert "no data folder" in capsys.readouterr().err


def test_an_unreachable_server_is_code_3(
    backfilled: SmallStation, copy_of: Copy, capsys: Printed, monkeypatch: pytest.MonkeyPatch
):
    pytest.importorskip("psycopg", reason="the driver is in the extra 'postgres'")
    station = copy_of(backfilled)
    monkeypatch.setenv(PASSWORD_VARIABLE, SECRET)
    address = f"postgresql://writer@/pumps?host={station.folder}"
    assert main(["publish", str(station.plant), "--to", address]) == 3
    told = capsys.readouterr()
    assert "writer@" in told.err
    assert SECRET not in told.err + told.out


@pytest.mark.parametrize(
    "text",
    [
        f"to = 'postgresql://writer:{SECRET}@db/pumps'",
        f"to = 'postgresql://writer@db/pumps?password={SECRET}'",
        f"to = 'postgresql://writer@db/pumps?sslpassword={SECRET}'",
        f"to = 'host=db user=writer password={SECRET}'",
        f"password = '{SECRET}'",
    ],
)
def test_a_password_in_the_plant_file_is_refused_and_not_repeated(
    station: SmallStation, capsys: Printed, text: str
):
    declare(station, text)
    assert main(["run", str(station.plant)]) == 2
    told = capsys.readouterr()
    assert "publish" in told.err
    assert SECRET not in told.err + told.out


def test_a_password_on_the_command_line_is_refused(backfilled: SmallStation, capsys: Printed):
    address = f"postgresql://writer:{SECRET}@db/pumps"
    assert main(["publish", str(backfilled.plant), "--to", address]) == 2
    told = capsys.readouterr()
    assert "a password in the address" in told.err
    assert PASSWORD_VARIABLE in told.err
    assert SECRET not in told.err + told.out


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("to = 'mysql://db/pumps'", "mysql"),
        ("to = '../tables.sqlite'", "leads out"),
        ("to = 'postgresql://db/pumps?sslmoed=require'", "Did you mean 'sslmode'"),
        ("to = 'postgresql://db'", "one database"),
        ("schema = 'Robert; DROP'", "small letters"),
        ("schema = 'pg_mine'", "small letters"),
        ("twice = true", "unknown key"),
    ],
)
def test_faults_of_the_part_are_named(station: SmallStation, text: str, named: str):
    with pytest.raises(PlantFileError, match=named):
        read_plant(declare(station, text).plant)


def test_a_table_that_does_not_exist_cannot_be_left_out(backfilled: SmallStation, copy_of: Copy):
    station = declare(copy_of(backfilled), "without = ['pump']")
    with pytest.raises(PlantFileError, match="without: found 'pump'"):
        publish_plant(station.plant)


def test_publishing_needs_no_rebuild(backfilled: SmallStation, copy_of: Copy):
    """Where the tables go is no reason to make them again."""
    station = declare(copy_of(backfilled), "to = 'sqlite'")
    assert main(["run", str(station.plant), "--no-page"]) == 0


def test_addresses_are_read():
    assert parse_address("sqlite") == Address(kind="sqlite")
    assert parse_address("a/b.db") == Address(kind="sqlite", path="a/b.db")
    assert parse_address("postgresql://w%40x@[::1]:5433/p?sslmode=verify-full") == Address(
        kind="postgresql",
        user="w@x",
        host="::1",
        port=5433,
        database="p",
        options=(("sslmode", "verify-full"),),
    )


def test_a_password_file_is_for_its_owner_alone(tmp_path: Path):
    path = tmp_path / "secret"
    path.write_text(SECRET + "\n", "utf-8")
    for mode in (0o644, 0o640, 0o604, 0o660):
        path.chmod(mode)
        with pytest.raises(PublishError, match=rf"mode {mode:04o}.*chmod 600") as caught:
            read_password(tmp_path, "secret")
        assert SECRET not in str(caught.value)
    path.chmod(0o600)
    assert read_password(tmp_path, "secret") == SECRET
    path.chmod(0o400)
    assert read_password(tmp_path, str(path)) == SECRET
    with pytest.raises(PublishError, match="cannot be read"):
        read_password(tmp_path, "nothing")
    path.chmod(0o600)
    path.write_text("one\ntwo\n", "utf-8")
    with pytest.raises(PublishError, match="one line"):
        read_password(tmp_path, "secret")


def test_the_environment_comes_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv(PASSWORD_VARIABLE, "from the environment")
    assert read_password(tmp_path, "nothing") == "from the environment"
    monkeypatch.delenv(PASSWORD_VARIABLE)
    assert read_password(tmp_path, None) is None
