"""A small store of three invented tables, and databases to publish it to."""

from __future__ import annotations

import datetime as dt
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.tables.contracts import Column, Contract
from pipeline.tables.publish import PostgresDatabase, Published, SqliteDatabase, publish_tables
from pipeline.tables.store import Store, open_tables

NOW = dt.datetime(2026, 3, 1, 2, 30, tzinfo=dt.UTC)

POINTS = Contract(
    "points",
    "One row per pump, period and interval.",
    ("pump", "period", "time"),
    (
        Column("pump", "label", "Pump.", nullable=False),
        Column("period", "label", "Hour or day.", nullable=False),
        Column("time", "time", "Start of the interval.", nullable=False),
        Column("flow", "number", "Flow; 'as metered'.", "flow"),
        Column("flow_u95", "number", "Its uncertainty.", "flow", difference=True),
        Column("samples", "integer", "Count.", nullable=False),
        Column("is_open", "flag", "Whether.", nullable=False),
    ),
    "month",
)
NOTES = Contract(
    "notes",
    "One row per note.",
    ("table", "text"),
    (
        # Words that mean something in SQL, as column names.
        Column("table", "text", "Table.", nullable=False),
        Column("text", "text", "Text.", nullable=False),
        Column("end", "time", "End."),
        Column("order", "number", "A number without unit."),
    ),
)
MARKER = Contract(
    "marker",
    "One row.",
    ("marker",),
    (Column("marker", "integer", "Of the generation.", nullable=False),),
)
CONTRACTS = (POINTS, NOTES, MARKER)

HOSTILE = (
    "",
    "\\.",
    "\\N",
    "a\tb",
    "two\nlines\r\nand \\n",
    "'; DROP TABLE points; --",
    '"quoted", %s and :name',
    "Ünïcödé ✓ 💧",
    "NULL",
)


def points(months: dict[str, int], pumps: int = 3) -> dict[str, pd.DataFrame]:
    """Rows by month; the number beside a month decides their values."""
    found = {}
    for month, marker in months.items():
        rng = np.random.default_rng(marker)
        start = pd.Timestamp(f"{month}-01", tz="UTC")
        times = pd.date_range(start, periods=40, freq="13h").as_unit("us")
        frames = [
            pd.DataFrame({"pump": f"P{n}", "period": period, "time": times})
            for n in range(pumps)
            for period in ("day", "hour")
        ]
        frame = pd.concat(frames, ignore_index=True)
        n = len(frame)
        frame["flow"] = np.where(np.arange(n) % 5, rng.lognormal(0, 9, n), np.nan)
        frame["flow_u95"] = rng.random(n)
        frame["samples"] = rng.integers(0, 2**60, n)
        frame["is_open"] = rng.random(n) > 0.5
        found[month] = frame
    return found


def notes() -> pd.DataFrame:
    end = pd.to_datetime(
        ["2026-01-01T00:00:00Z", None, "1969-12-31T23:59:59.000001Z"] * 3, format="ISO8601"
    )
    return pd.DataFrame(
        {
            "table": "t",
            "text": list(HOSTILE),
            "end": end.as_unit("us"),
            "order": [
                0.1 + 0.2,
                -0.0,
                5e-324,
                1.7976931348623157e308,
                np.nan,
                1e22,
                3.0,
                -1.0,
                7.0,
            ],
        }
    )


def commit(folder: Path, months: dict[str, int], marker: int = 0, pumps: int = 3) -> None:
    """Make the next generation hold exactly these months."""
    with Store.create(folder).writer() as stage:
        for month in stage.months("points"):
            if month not in months:
                stage.remove("points", month)
        for month, frame in points(months, pumps).items():
            stage.write("points", month, POINTS.publish(frame, "SI"))
        stage.write("notes", None, NOTES.publish(notes(), "SI"))
        stage.write("marker", None, MARKER.publish(pd.DataFrame({"marker": [marker]}), "SI"))
        stage.commit()


class Sqlite:
    """A SQLite file, and looks into it through the standard library alone."""

    is_server = False

    def __init__(self, path: Path) -> None:
        self.path = path

    def database(self) -> SqliteDatabase:
        return SqliteDatabase(self.path, wait=2.0)

    def sql(self, statement: str) -> list[tuple]:
        with closing(sqlite3.connect(self.path, isolation_level=None, timeout=20)) as connection:
            return connection.execute(statement).fetchall()

    def table(self, name: str) -> str:
        return f'"{name}"'

    def dump(self) -> dict[str, list[tuple]]:
        """Every table of the file with its rows and its definition."""
        found = {}
        for name, sql in self.sql("SELECT name, sql FROM sqlite_master WHERE type = 'table'"):
            rows = self.sql(f'SELECT * FROM "{name}"')
            found[name] = [(sql,), *sorted(_but_clock(name, rows), key=repr)]
        return found


class Postgres:
    """A schema of the test server, and looks into it through psycopg alone."""

    is_server = True

    def __init__(self, server, schema: str, user: str = "owner") -> None:
        self.server, self.schema, self.user = server, schema, user
        self.database_name = "postgres"

    def database(self) -> PostgresDatabase:
        return PostgresDatabase(
            name="the test server",
            user=self.user,
            schema=self.schema,
            database=self.database_name,
            options={"host": str(self.server.socket)},
            wait=2,
        )

    def sql(self, statement: str) -> list[tuple]:
        return self.server.sql(statement, self.database_name, self.user)

    def table(self, name: str) -> str:
        return f'{self.schema}."{name}"'

    def dump(self) -> dict[str, list[tuple]]:
        """Every table of the schema with its rows, columns and constraints."""
        found = {}
        names = self.sql(
            f"SELECT table_name FROM information_schema.tables WHERE table_schema = '{self.schema}'"
        )
        for (name,) in names:
            columns = self.sql(
                "SELECT column_name, data_type, is_nullable FROM information_schema.columns "
                f"WHERE table_schema = '{self.schema}' AND table_name = '{name}' ORDER BY 1"
            )
            selected = ", ".join(f'"{column}"' for column, *_ in columns)
            rows = self.sql(f'SELECT {selected} FROM {self.schema}."{name}"')
            if name == "publication":
                rows = [
                    row[:3]
                    for row in self.sql(
                        f"SELECT station, generation, format FROM {self.schema}.publication"
                    )
                ]
            limits = self.sql(
                "SELECT conname, pg_get_constraintdef(oid) FROM pg_constraint WHERE conrelid = "
                f"'{self.schema}.{name}'::regclass ORDER BY 1"
            )
            found[name] = [tuple(columns), tuple(limits), *sorted(rows, key=repr)]
        return found


def _but_clock(name: str, rows: list[tuple]) -> list[tuple]:
    return [(r[0], r[1], r[3]) for r in rows] if name == "publication" else rows


def publish(folder: Path, database, contracts=CONTRACTS, **changes) -> Published:
    settings = {
        "station": "Weir",
        "display": "SI",
        "currency": "EUR",
        "at": NOW,
        "version": "0",
        **changes,
    }
    return publish_tables(lambda: open_tables(folder), contracts, database, **settings)


def changed(contract: Contract, *columns: Column, drop: tuple[str, ...] = ()) -> Contract:
    """The contract without some columns, and with others at its end."""
    kept = tuple(c for c in contract.columns if c.name not in drop)
    return replace(contract, columns=(*kept, *columns))


def publish_and_end(folder: str, place) -> None:
    """What a killed process does."""
    publish(Path(folder), place.database())
