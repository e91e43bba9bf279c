"""Published tables as frames with bare column names, in the station's display units."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow.parquet as pq

from pipeline.tables.catalogue import BY_NAME
from pipeline.tables.contracts import Column

if TYPE_CHECKING:
    from pipeline.tables.store import Tables

__all__ = ["Readings"]

_MONEY_SUFFIX = re.compile(r"_[a-z]{3}")


class Readings:
    """What figures and page read: every table by the names of its contract.

    Parameters
    ----------
    tables : Tables
        Tables of one generation, from ``open_tables``.

    Notes
    -----
    Values stay in display units as published (percent, m³/h or gpm, ...), and `unit` tells
    which. A table or column that is not there gives an empty frame or an empty column, so that
    a figure can say what is missing instead of failing. What was read is kept: a page asks
    for the same table once per pump.
    """

    def __init__(self, tables: Tables) -> None:
        self.tables = tables
        self._columns: dict[str, dict[str, tuple[str, str]]] = {}
        self._frames: dict[tuple[object, ...], pd.DataFrame] = {}

    @classmethod
    def of(cls, tables: Tables | Readings) -> Readings:
        """Return readings of tables; readings are passed through."""
        return tables if isinstance(tables, Readings) else cls(tables)

    def has(self, table: str) -> bool:
        """Return whether the table is there with at least one file."""
        return bool(self.tables.digests(table))

    def months(self, table: str) -> list[str]:
        """Return the months of a monthly table."""
        return self.tables.months(table)

    def unit(self, table: str, column: str) -> str:
        """Return the unit a column is published in; empty for plain values or no column."""
        return self._published(table).get(column, ("", ""))[1]

    def table(
        self,
        name: str,
        columns: Sequence[str] | None = None,
        *,
        where: Sequence[tuple[str, str, object]] = (),
        months: Sequence[str] | None = None,
        thin: Callable[[pd.DataFrame], pd.DataFrame] | None = None,
    ) -> pd.DataFrame:
        """Read a table.

        Parameters
        ----------
        name : str
            Table of the catalogue.
        columns : sequence of str, optional
            Bare column names. Default: all of the contract.
        where : sequence of (str, str, object)
            Rows to keep: column, operator, value.
        months : sequence of str, optional
            Months of a monthly table.
        thin : callable, optional
            Leaves out rows before they are kept; the same for all calls with these arguments.

        Returns
        -------
        DataFrame
            The columns asked for, plain text instead of categories, default index.
        """
        key = (
            name,
            None if columns is None else tuple(columns),
            tuple(where),
            None if months is None else tuple(months),
        )
        if key not in self._frames:
            rows = self._read(name, columns, where, months)
            self._frames[key] = rows if thin is None else thin(rows).reset_index(drop=True)
        return self._frames[key].copy()

    def of_pump(
        self,
        name: str,
        pump: str,
        columns: Sequence[str] | None = None,
        *,
        where: Sequence[tuple[str, str, object]] = (),
        months: Sequence[str] | None = None,
    ) -> pd.DataFrame:
        """Read the rows of one pump, as `table`; all pumps are read at once and kept."""
        wanted = None if columns is None else ["pump", *(c for c in columns if c != "pump")]
        frame = self.table(name, wanted, where=where, months=months)
        return frame[frame["pump"] == pump].reset_index(drop=True)

    def _read(
        self,
        name: str,
        columns: Sequence[str] | None,
        where: Sequence[tuple[str, str, object]],
        months: Sequence[str] | None,
    ) -> pd.DataFrame:
        contract = BY_NAME[name]
        empty = contract.empty()
        wanted = list(empty.columns if columns is None else columns)
        known = self._published(name)
        if not known or any(column not in known for column, _, _ in where):
            return empty.reindex(columns=wanted)
        held = [c for c in wanted if c in known]
        filters = [(known[c][0], operator, value) for c, operator, value in where] or None
        rows = self.tables.read_arrow(name, months, [known[c][0] for c in held], filters)
        frame = rows.to_pandas()
        frame.columns = pd.Index(held)
        for label in frame.select_dtypes("category").columns:
            frame[label] = frame[label].astype("str").where(frame[label].notna(), None)
        # A column the tables do not hold (older or newer version) is empty, not an error.
        return frame.reindex(columns=wanted)

    def _published(self, table: str) -> dict[str, tuple[str, str]]:
        """Map bare names to published name and unit, from the files themselves."""
        if table not in self._columns:
            found: dict[str, tuple[str, str]] = {}
            if self.has(table):
                months = self.months(table)
                schema = pq.read_schema(self.tables.path(table, months[0] if months else None))
                for column in BY_NAME[table].columns:
                    for field in schema:
                        if _is_column(field.name, column):
                            unit = (field.metadata or {}).get(b"unit", b"").decode()
                            found[column.name] = (field.name, unit)
            self._columns[table] = found
        return self._columns[table]


def _is_column(published: str, column: Column) -> bool:
    if published in (column.published_name("SI"), column.published_name("US")):
        return True
    rest = published.removeprefix(column.name)
    is_money = column.quantity == "cost"
    return is_money and published != rest and _MONEY_SUFFIX.fullmatch(rest) is not None
