"""Compare a generation with what a database holds, and send what changed in one transaction."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Protocol

import pyarrow as pa
import pyarrow.compute as pc
import sqlalchemy as sa

from pipeline.errors import PublishError
from pipeline.quantities import DisplaySystem
from pipeline.tables.contracts import Contract
from pipeline.tables.publish.layout import Layout
from pipeline.tables.publish.state import Part, State, StateTables
from pipeline.tables.store import Tables, inputs_digest

__all__ = ["Database", "Published", "instant_text", "publish_tables"]

ROWS_AT_ONCE = 50_000


class Database(Protocol):
    """What a kind of database must do."""

    @property
    def name(self) -> str:
        """How messages call it; never with a secret."""

    @property
    def state(self) -> StateTables:
        """Our own tables in it."""

    def reading(self) -> AbstractContextManager[sa.Connection | None]:
        """Connect to look; None where nothing can be there yet."""

    def writing(self) -> AbstractContextManager[sa.Connection]:
        """Connect, lock out other publishers, and commit at the end, or nothing at all."""

    def layout(self, contract: Contract, display: DisplaySystem, currency: str) -> Layout:
        """Turn a contract into a table of this database."""

    def create(self, connection: sa.Connection, layout: Layout) -> None:
        """Make a table; fail where one of that name exists."""

    def rebuild(self, connection: sa.Connection, layout: Layout, before: str) -> None:
        """Empty a table and give it another layout; views and grants on it stay."""

    def drop(self, connection: sa.Connection, name: str) -> None:
        """Remove a table of ours."""

    def insert(self, connection: sa.Connection, layout: Layout, rows: pa.Table) -> None:
        """Add rows in the order of the layout's columns."""

    def instant(self, text: str) -> object:
        """Turn ``instant_text`` into what a time column is compared with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """What a publication did.

    Parameters
    ----------
    to : str
        The database, without secrets.
    generation : int
        Generation readers of the database now see.
    changed : bool
        False where the database held it already.
    parts_sent, rows_sent : int
        Months and tables in one part that were sent, and their rows.
    parts_kept : int
        Those that were there already.
    made : tuple of str
        Tables made, or made again after their contract changed.
    """

    to: str
    generation: int
    changed: bool
    parts_sent: int = 0
    rows_sent: int = 0
    parts_kept: int = 0
    made: tuple[str, ...] = ()

    def __str__(self) -> str:
        if not self.changed:
            return f"{self.to}: holds generation {self.generation} already, nothing sent."
        again = f"; tables made: {', '.join(self.made)}" if self.made else ""
        return (
            f"{self.to}: generation {self.generation}, {self.rows_sent} rows of "
            f"{self.parts_sent} parts sent, {self.parts_kept} parts unchanged{again}."
        )


def publish_tables(
    open_current: Callable[[], Tables],
    contracts: Sequence[Contract],
    database: Database,
    *,
    station: str,
    display: DisplaySystem,
    currency: str,
    at: dt.datetime,
    version: str,
    anew: bool = False,
) -> Published:
    """Bring a database to the current generation, in one transaction.

    Parameters
    ----------
    open_current : callable
        Opens the current generation. Called again once the database is locked, so that of two
        publishers at a time the later one never sends the older tables.
    contracts : sequence of Contract
        Tables to publish. Tables of ours that are not among them are removed.
    database : Database
        Where to.
    station : str
        Whose tables; another station's are never overwritten.
    display : {"SI", "US"}
        Display system of the station.
    currency : str
        Three letters.
    at : datetime
        Now, for the record.
    version : str
        Of gaugeless, for the record.
    anew : bool
        Send every row again, whatever the record says.

    Returns
    -------
    Published

    Raises
    ------
    PublishError
        If the database cannot be reached or used. Nothing was changed there then.
    """
    layouts = [database.layout(contract, display, currency) for contract in contracts]
    with database.reading() as connection:
        tables = open_current()
        if connection is not None and not anew:
            held = database.state.load(connection)
            _check_station(held, station, database)
            if held == _wanted(tables, layouts, station, held):
                return Published(to=database.name, generation=tables.generation, changed=False)
    with database.writing() as connection:
        tables = open_current()
        held = database.state.load(connection)
        _check_station(held, station, database)
        return _send(connection, database, tables, layouts, held, station, at, version, anew)


def _check_station(held: State, station: str, database: Database) -> None:
    if held.station not in ("", station):
        raise PublishError(
            f"{database.name} holds the tables of station '{held.station}', not of '{station}'. "
            "Give each station a schema or file of its own; if the station was only renamed, "
            "delete the row of the table publication and publish again."
        )


def _digests(tables: Tables, layout: Layout) -> dict[str, str]:
    """Digest of every part; a monthly table that SQL cannot cut by month is one part."""
    found = tables.digests(layout.name)
    if layout.time_column or not found or "" in found:
        return found
    return {"": inputs_digest(*(part for pair in found.items() for part in pair))}


def _wanted(tables: Tables, layouts: Sequence[Layout], station: str, held: State) -> State:
    """What the database should hold; parts it holds already with what is known of them."""
    parts = {}
    for layout in layouts:
        for month, digest in _digests(tables, layout).items():
            old = held.parts.get((layout.name, month))
            is_same = old is not None and old.digest == digest
            parts[layout.name, month] = old if old and is_same else Part(digest, -1)
    texts = {layout.name: layout.text for layout in layouts}
    return State(station, tables.generation, texts, parts)


def _send(
    connection: sa.Connection,
    database: Database,
    tables: Tables,
    layouts: Sequence[Layout],
    held: State,
    station: str,
    at: dt.datetime,
    version: str,
    anew: bool,
) -> Published:
    now = _wanted(tables, layouts, station, held)
    for name in held.layouts.keys() - now.layouts.keys():
        database.drop(connection, name)
    made = []
    sent = kept = rows = 0
    for layout in layouts:
        before = {month: p for (name, month), p in held.parts.items() if name == layout.name}
        if layout.name not in held.layouts:
            database.create(connection, layout)
            made.append(layout.name)
            before = {}
        elif held.layouts[layout.name] != layout.text:
            database.rebuild(connection, layout, held.layouts[layout.name])
            made.append(layout.name)
            before = {}
        elif anew:
            connection.execute(layout.table.delete())
            before = {}
        wanted = _digests(tables, layout)
        stale = [m for m, part in before.items() if wanted.get(m) != part.digest]
        _delete(connection, database, layout, [before[m] for m in stale])
        for month, digest in wanted.items():
            if month in before and month not in stale:
                kept += 1
                continue
            part = _send_part(connection, database, layout, tables, month, digest)
            now.parts[layout.name, month] = part
            sent += 1
            rows += part.rows
    database.state.save(connection, held, now, at, version)
    return Published(
        to=database.name,
        generation=tables.generation,
        changed=True,
        parts_sent=sent,
        rows_sent=rows,
        parts_kept=kept,
        made=tuple(made),
    )


def _send_part(
    connection: sa.Connection,
    database: Database,
    layout: Layout,
    tables: Tables,
    month: str,
    digest: str,
) -> Part:
    rows = tables.read_arrow(layout.name, [month] if month else None)
    wanted = [column.name for column in layout.table.columns]
    if rows.column_names != wanted:
        differing = sorted(set(rows.column_names) ^ set(wanted)) or wanted
        raise PublishError(
            f"Table {layout.name} of the data folder was written with other columns than this "
            f"version and plant file publish ({', '.join(differing[:5])}). Run the job once, "
            "with --rebuild if it asks for it, then publish again."
        )
    for start in range(0, rows.num_rows, ROWS_AT_ONCE):
        database.insert(connection, layout, rows.slice(start, ROWS_AT_ONCE))
    if not layout.time_column or rows.num_rows == 0:
        return Part(digest, rows.num_rows)
    span = pc.min_max(rows.column(layout.time_column))
    ends = instant_text(pa.chunked_array([[span["min"], span["max"]]])).to_pylist()
    return Part(digest, rows.num_rows, *ends)


def _delete(
    connection: sa.Connection, database: Database, layout: Layout, parts: Sequence[Part]
) -> None:
    """Remove the rows of some parts, by ranges of the key's index alone."""
    if not parts:
        return
    if not layout.time_column:
        connection.execute(layout.table.delete())
        return
    time = layout.table.columns[layout.time_column]
    leading = [layout.table.columns[name] for name in layout.key[:-1]]
    prefixes = list(_prefixes(connection, leading))
    for part in parts:
        if not part.rows:
            continue
        span = time.between(database.instant(part.first), database.instant(part.last))
        for values in prefixes:
            one = [column == value for column, value in zip(leading, values, strict=True)]
            connection.execute(layout.table.delete().where(*one, span))


def _prefixes(
    connection: sa.Connection, leading: Sequence[sa.Column[object]]
) -> Iterator[tuple[object, ...]]:
    """Go through what a key begins with, one look into its index each."""
    last: tuple[object, ...] | None = None
    while True:
        query = sa.select(*leading).order_by(*leading).limit(1)
        if last is not None:
            query = query.where(sa.tuple_(*leading) > sa.tuple_(*last))
        row = connection.execute(query).first()
        if row is None:
            return
        last = tuple(row)
        yield last


def instant_text(times: pa.ChunkedArray) -> pa.ChunkedArray:
    """Write instants as ``2026-10-31 23:55:00+00:00``, with microseconds where there are any."""
    # Times of a grid repeat for every tag: each is put into words once.
    encoded = times.combine_chunks().dictionary_encode()
    distinct = encoded.dictionary
    try:
        distinct = distinct.cast(pa.timestamp("s", tz="UTC"))
    except pa.ArrowInvalid:
        distinct = distinct.cast(pa.timestamp("us", tz="UTC"))
    words = pc.replace_substring(distinct.cast(pa.string()), "Z", "+00:00")
    return pa.chunked_array([words.take(encoded.indices)])
