"""Publishing into a SQLite file.

At rest the file is a single one in rollback mode, which a reader without write permission can
open. While a publication is under way it has a write-ahead log: readers go on with the old
tables until the commit, and a process that dies leaves them as they were.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import sqlalchemy as sa
from sqlalchemy.pool import NullPool

from pipeline.errors import PublishError
from pipeline.quantities import DisplaySystem
from pipeline.tables.contracts import Contract
from pipeline.tables.publish.layout import Layout, layout_of
from pipeline.tables.publish.state import StateTables
from pipeline.tables.publish.transfer import instant_text

__all__ = ["SqliteDatabase"]

WAIT = 30.0
"""How long to wait for others who use the file [s]."""

_OLDEST = (3, 37)


class SqliteDatabase:
    """A SQLite file.

    Parameters
    ----------
    path : Path
        The file; made where it does not exist.
    wait : float, optional
        How long to wait for others who use the file [s].
    """

    def __init__(self, path: Path, wait: float = WAIT) -> None:
        if sqlite3.sqlite_version_info < _OLDEST:
            raise PublishError(
                f"SQLite {sqlite3.sqlite_version} is too old: 3.37 or newer keeps types. "
                "Use a newer Python."
            )
        self._path = path
        self._wait = wait
        self.state = StateTables("sqlite", None)

    @property
    def name(self) -> str:
        """The file."""
        return f"SQLite file {self._path}"

    @contextlib.contextmanager
    def reading(self) -> Iterator[sa.Connection | None]:
        """Connect to look; None where there is no file yet."""
        if not self._path.exists():
            yield None
            return
        with self._connected() as connection:
            yield connection

    @contextlib.contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """Connect and lock; commit at the end, or nothing at all."""
        with self._connected() as connection:
            connection.exec_driver_sql("PRAGMA journal_mode = WAL")
            connection.exec_driver_sql("BEGIN IMMEDIATE")
            try:
                yield connection
            except BaseException:
                connection.exec_driver_sql("ROLLBACK")
                raise
            connection.exec_driver_sql("COMMIT")
        # Back to one file; a reader that keeps its connection only puts this off.
        with self._connected() as connection, contextlib.suppress(sa.exc.OperationalError):
            connection.exec_driver_sql("PRAGMA busy_timeout = 100")
            connection.exec_driver_sql("PRAGMA journal_mode = DELETE")

    @contextlib.contextmanager
    def _connected(self) -> Iterator[sa.Connection]:
        def connect() -> sqlite3.Connection:
            return sqlite3.connect(self._path, timeout=self._wait, isolation_level=None)

        engine = sa.create_engine(
            "sqlite://", creator=connect, poolclass=NullPool, hide_parameters=True
        )
        try:
            # Transactions are begun and ended here, not by the driver.
            with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                yield connection
        except (sa.exc.SQLAlchemyError, sqlite3.Error) as error:
            cause = getattr(error, "orig", None) or error
            reason = str(cause).splitlines()[0]
            raise PublishError(
                f"The tables could not be published to the {self.name} ({reason}). Nothing was "
                "changed there and the Parquet tables are whole; publish again when the cause "
                "is gone."
            ) from None
        finally:
            engine.dispose()

    def layout(self, contract: Contract, display: DisplaySystem, currency: str) -> Layout:
        """Turn a contract into a table with SQLite's types."""
        return layout_of(contract, display, currency, "sqlite")

    def create(self, connection: sa.Connection, layout: Layout) -> None:
        """Make a table."""
        layout.table.create(connection, checkfirst=False)

    def rebuild(self, connection: sa.Connection, layout: Layout, before: str) -> None:
        """Make a table again; views name it and need not be touched."""
        self.drop(connection, layout.name)
        self.create(connection, layout)

    def drop(self, connection: sa.Connection, name: str) -> None:
        """Remove a table of ours."""
        sa.Table(name, sa.MetaData()).drop(connection, checkfirst=True)

    def insert(self, connection: sa.Connection, layout: Layout, rows: pa.Table) -> None:
        """Add rows."""
        quote = connection.dialect.identifier_preparer.quote
        names = ", ".join(quote(name) for name in rows.column_names)
        holes = ", ".join("?" * len(layout.kinds))
        statement = f"INSERT INTO {quote(layout.name)} ({names}) VALUES ({holes})"  # noqa: S608
        columns = [
            _values(column, kind) for column, kind in zip(rows.columns, layout.kinds, strict=True)
        ]
        driver = connection.connection.driver_connection
        assert isinstance(driver, sqlite3.Connection)  # noqa: S101
        driver.executemany(statement, zip(*columns, strict=True))

    def instant(self, text: str) -> object:
        """Times are text here."""
        return text


def _values(column: pa.ChunkedArray, kind: str) -> list[object]:
    if kind == "time":
        column = instant_text(column)
    elif kind == "flag":
        column = column.cast(pa.int8())
    elif kind == "label":
        column = column.cast(pa.string())
    values: list[object] = column.to_pylist()
    return values
