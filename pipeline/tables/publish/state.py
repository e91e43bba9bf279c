"""What of ours a database holds: three small tables beside the published ones."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa

from pipeline.errors import PublishError
from pipeline.tables.publish.layout import Dialect

__all__ = ["NAMES", "Part", "State", "StateTables"]

FORMAT = 1
NAMES = ("publication", "publication_parts", "publication_tables")


@dataclass(frozen=True, slots=True)
class Part:
    """What was sent of one month, or of a table in one part.

    Parameters
    ----------
    digest : str
        SHA-256 of the Parquet file it was read from.
    rows : int
        How many.
    first, last : str
        Earliest and latest instant of its rows; empty for a table in one part.
    """

    digest: str
    rows: int
    first: str = ""
    last: str = ""


@dataclass(slots=True)
class State:
    """What a database holds of a station.

    Parameters
    ----------
    station : str
        Whose tables; empty where there are none.
    generation : int
        Generation of the data folder they are of.
    layouts : dict of str to str
        Layout of each table, in writing.
    parts : dict of (str, str) to Part
        By table and month.
    """

    station: str = ""
    generation: int = 0
    layouts: dict[str, str] = field(default_factory=dict)
    parts: dict[tuple[str, str], Part] = field(default_factory=dict)


class StateTables:
    """The tables ``publication``, ``publication_tables`` and ``publication_parts``.

    Parameters
    ----------
    dialect : {"sqlite", "postgresql"}
        Whose types to use.
    schema : str or None
        Schema they stand in.
    """

    def __init__(self, dialect: Dialect, schema: str | None) -> None:
        self._metadata = sa.MetaData(schema=schema)
        self._schema = schema
        strict: Any = {"sqlite_strict": True, "sqlite_with_rowid": False}

        def text(name: str, is_key: bool = False) -> sa.Column[str]:
            return sa.Column(name, sa.TEXT(), primary_key=is_key, nullable=False)

        def number(name: str) -> sa.Column[int]:
            whole = sa.INTEGER() if dialect == "sqlite" else sa.BIGINT()
            return sa.Column(name, whole, nullable=False)

        self._one = sa.Table(
            "publication",
            self._metadata,
            sa.Column("station", sa.TEXT(), primary_key=True),
            number("generation"),
            text("published_at"),
            text("version"),
            number("format"),
            comment="One row: which station and generation the tables of this schema are of.",
            **strict,
        )
        self._layouts = sa.Table(
            "publication_tables",
            self._metadata,
            text("table_name", True),
            text("layout"),
            comment="One row per published table: its layout when it was made.",
            **strict,
        )
        self._parts = sa.Table(
            "publication_parts",
            self._metadata,
            text("table_name", True),
            text("month", True),
            text("digest"),
            number("row_count"),
            text("first_time"),
            text("last_time"),
            comment="One row per table and month: digest of the Parquet file it was sent from.",
            **strict,
        )

    def load(self, connection: sa.Connection) -> State:
        """Read what the database holds; an empty state where nothing was ever published."""
        if not sa.inspect(connection).has_table("publication", schema=self._schema):
            return State()
        own = connection.execute(sa.select(self._one)).mappings().first()
        if own is not None and own["format"] != FORMAT:
            raise PublishError(
                f"The database was published by another version of gaugeless (format "
                f"{own['format']}, this one writes {FORMAT}). Use that version, or publish "
                "into another schema or file."
            )
        layouts = connection.execute(sa.select(self._layouts)).all()
        parts = connection.execute(sa.select(self._parts)).all()
        return State(
            "" if own is None else own["station"],
            0 if own is None else own["generation"],
            {row[0]: row[1] for row in layouts},
            {(name, month): Part(*rest) for name, month, *rest in parts},
        )

    def save(
        self, connection: sa.Connection, before: State, now: State, at: dt.datetime, version: str
    ) -> None:
        """Write what changed."""
        self._metadata.create_all(connection)
        for name in before.layouts.keys() - now.layouts.keys():
            connection.execute(self._layouts.delete().where(self._layouts.c.table_name == name))
        for name, layout in now.layouts.items():
            if before.layouts.get(name) != layout:
                connection.execute(self._layouts.delete().where(self._layouts.c.table_name == name))
                connection.execute(self._layouts.insert().values(table_name=name, layout=layout))
        stale = [k for k in before.parts if before.parts[k] != now.parts.get(k)]
        for name, month in stale:
            connection.execute(
                self._parts.delete().where(
                    self._parts.c.table_name == name, self._parts.c.month == month
                )
            )
        fresh = [
            {
                "table_name": name,
                "month": month,
                "digest": part.digest,
                "row_count": part.rows,
                "first_time": part.first,
                "last_time": part.last,
            }
            for (name, month), part in now.parts.items()
            if before.parts.get((name, month)) != part
        ]
        if fresh:
            connection.execute(self._parts.insert(), fresh)
        connection.execute(self._one.delete())
        connection.execute(
            self._one.insert().values(
                station=now.station,
                generation=now.generation,
                published_at=at.isoformat(sep=" ", timespec="seconds"),
                version=version,
                format=FORMAT,
            )
        )
