"""Publishing into a schema of a PostgreSQL server.

Rows are replaced by DELETE and COPY, which block no reader: whoever reads meanwhile sees the
old tables until the commit. A table whose contract changed is altered in place, so that views
and grants on it stay; only that waits for readers, for a limited time.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Mapping

import pyarrow as pa
import pyarrow.compute as pc
import sqlalchemy as sa
from sqlalchemy.pool import NullPool
from sqlalchemy.schema import (
    AddConstraint,
    CreateColumn,
    SetColumnComment,
    SetTableComment,
)

from pipeline.errors import PublishError
from pipeline.quantities import DisplaySystem
from pipeline.tables.contracts import Contract
from pipeline.tables.publish.key_rows import cut_keys
from pipeline.tables.publish.layout import Layout, layout_of
from pipeline.tables.publish.state import StateTables
from pipeline.tables.publish.transfer import instant_text

__all__ = ["PostgresDatabase"]

WAIT = 60
"""How long to wait for locks of others [s]."""


class PostgresDatabase:
    """A schema of a PostgreSQL server.

    Parameters
    ----------
    name : str
        How messages call it, without the password.
    user, host, database : str
        Empty where the driver's own settings decide.
    port : int or None
        None for the usual one.
    options : mapping of str to str
        Settings of the connection, such as ``sslmode``.
    schema : str
        Schema of the tables.
    password : str or None
        None where the driver's own settings, or the server, decide.
    wait : int, optional
        How long to wait for locks of others [s].
    """

    def __init__(
        self,
        *,
        name: str,
        schema: str,
        user: str = "",
        host: str = "",
        port: int | None = None,
        database: str = "",
        options: Mapping[str, str] | None = None,
        password: str | None = None,
        wait: int = WAIT,
    ) -> None:
        self._name = name
        self._schema = schema
        self._password = password
        self._wait = wait
        self._url = sa.URL.create(
            "postgresql+psycopg",
            username=user or None,
            host=host or None,
            port=port,
            database=database or None,
        )
        self._arguments: dict[str, object] = {
            "connect_timeout": 10,
            "application_name": "gaugeless publish",
            **(options or {}),
        }
        if password:
            self._arguments["password"] = password
        self.state = StateTables("postgresql", schema)

    @property
    def name(self) -> str:
        """Server, database and schema."""
        return f"{self._name}, schema {self._schema}"

    @contextlib.contextmanager
    def reading(self) -> Iterator[sa.Connection | None]:
        """Connect to look, at one moment; None where the schema is not there yet."""
        with self._connected() as connection, connection.begin():
            connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY")
            yield connection if self._has_schema(connection) else None

    @contextlib.contextmanager
    def writing(self) -> Iterator[sa.Connection]:
        """Connect, make the schema where it is missing, and lock out other publishers."""
        with self._connected() as connection, connection.begin():
            connection.execute(
                sa.select(sa.func.set_config("lock_timeout", f"{self._wait}s", True))
            )
            lock = sa.func.hashtextextended(f"gaugeless publish {self._schema}", 0)
            connection.execute(sa.select(sa.func.pg_advisory_xact_lock(lock)))
            if not self._has_schema(connection):
                try:
                    connection.execute(sa.schema.CreateSchema(self._schema))
                except sa.exc.ProgrammingError:
                    raise PublishError(
                        f"There is no schema {self._schema} in {self._name}, and this user may "
                        "not make one. Have its owner run: CREATE SCHEMA "
                        f"{self._schema} AUTHORIZATION {self._url.username or 'the_user'};"
                    ) from None
            yield connection

    def _has_schema(self, connection: sa.Connection) -> bool:
        return sa.inspect(connection).has_schema(self._schema)

    @contextlib.contextmanager
    def _connected(self) -> Iterator[sa.Connection]:
        try:
            engine = sa.create_engine(
                self._url,
                connect_args=self._arguments,
                poolclass=NullPool,
                hide_parameters=True,
            )
        except ModuleNotFoundError:
            raise PublishError(
                "Publishing to PostgreSQL needs a driver that is not installed. "
                'Install it with: pip install "gaugeless[postgres]"'
            ) from None
        import psycopg

        try:
            with engine.connect() as connection:
                yield connection
        except (sa.exc.SQLAlchemyError, psycopg.Error) as error:
            raise PublishError(self._sentence(error)) from None
        finally:
            engine.dispose()

    def _sentence(self, error: Exception) -> str:
        lines = [line.strip() for line in str(getattr(error, "orig", None) or error).splitlines()]
        reason = "; ".join(line for line in lines if line)[:600]
        if self._password:
            # No driver should repeat it; if one ever does, it ends here.
            reason = reason.replace(self._password, "***")
        return (
            f"The tables could not be published to {self.name} ({reason}). Nothing was changed "
            "there and the Parquet tables are whole; publish again when the cause is gone."
        )

    def layout(self, contract: Contract, display: DisplaySystem, currency: str) -> Layout:
        """Turn a contract into a table with PostgreSQL's types."""
        return layout_of(contract, display, currency, "postgresql", self._schema)

    def create(self, connection: sa.Connection, layout: Layout) -> None:
        """Make a table with its comments."""
        layout.table.create(connection, checkfirst=False)

    def rebuild(self, connection: sa.Connection, layout: Layout, before: str) -> None:
        """Empty a table and alter it in place.

        Notes
        -----
        Columns whose type stays are kept, others removed or added. No existing row is
        rewritten, so readers with an older snapshot still see the old rows.
        """
        connection.execute(layout.table.delete())
        quote = connection.dialect.identifier_preparer
        table = quote.format_table(layout.table)
        for name in self._constraints(connection, layout.name):
            connection.exec_driver_sql(f"ALTER TABLE {table} DROP CONSTRAINT {quote.quote(name)}")
        old = {name: type_ for name, type_, *_ in json.loads(before)["columns"]}
        new = {column.name: str(column.type) for column in layout.table.columns}
        for name, type_ in old.items():
            if new.get(name) != type_:
                connection.exec_driver_sql(f"ALTER TABLE {table} DROP COLUMN {quote.quote(name)}")
        for column in layout.table.columns:
            if old.get(column.name) != str(column.type):
                written = CreateColumn(column).compile(dialect=connection.dialect)
                connection.exec_driver_sql(f"ALTER TABLE {table} ADD COLUMN {written}")
            else:
                verb = "DROP" if column.nullable else "SET"
                connection.exec_driver_sql(
                    f"ALTER TABLE {table} ALTER COLUMN {quote.quote(column.name)} {verb} NOT NULL"
                )
            connection.execute(SetColumnComment(column))
        for constraint in sorted(layout.table.constraints, key=lambda c: str(c.name)):
            connection.execute(AddConstraint(constraint))
        connection.execute(SetTableComment(layout.table))

    def _constraints(self, connection: sa.Connection, table: str) -> list[str]:
        """Name the constraints of ours on a table."""
        found = sa.inspect(connection)
        checks = found.get_check_constraints(table, schema=self._schema)
        key = found.get_pk_constraint(table, schema=self._schema)
        names = [str(check["name"]) for check in checks] + [str(key["name"])]
        return [n for n in names if n == f"pk_{table}" or n.startswith(f"ck_{table}_")]

    def drop(self, connection: sa.Connection, name: str) -> None:
        """Remove a table of ours; one that a view of somebody else needs is not."""
        sa.Table(name, sa.MetaData(schema=self._schema)).drop(connection, checkfirst=True)

    def insert(self, connection: sa.Connection, layout: Layout, rows: pa.Table) -> None:
        """Add rows by COPY."""
        quote = connection.dialect.identifier_preparer
        names = ", ".join(quote.quote(name) for name in rows.column_names)
        into = f"COPY {quote.format_table(layout.table)} ({names}) FROM STDIN"
        rows = cut_keys(rows, layout.key)
        columns = [
            _text(column, kind) for column, kind in zip(rows.columns, layout.kinds, strict=True)
        ]
        lines = pc.binary_join_element_wise(*columns, "\t").to_pylist()
        driver = connection.connection.driver_connection
        assert driver is not None  # noqa: S101
        with driver.cursor() as cursor, cursor.copy(into) as copy:
            copy.write("\n".join(lines) + "\n")

    def instant(self, text: str) -> object:
        """Compare with a time."""
        return sa.cast(text, sa.TIMESTAMP(timezone=True))


def _text(column: pa.ChunkedArray, kind: str) -> pa.ChunkedArray:
    """Write values the way COPY reads them."""
    if kind == "time":
        column = instant_text(column)
    elif kind in ("text", "label"):
        column = column.cast(pa.string())
        # PostgreSQL has no text with the character 0 in it; the picture of it stands in.
        for found, escaped in (
            ("\0", "\N{SYMBOL FOR NULL}"),
            ("\\", "\\\\"),
            ("\t", "\\t"),
            ("\n", "\\n"),
            ("\r", "\\r"),
        ):
            column = pc.replace_substring(column, found, escaped)
    else:
        column = column.cast(pa.string())
    return pc.fill_null(column, "\\N")
