"""Contracts as SQL tables: types, primary key, constraints and comments."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any, Literal

import sqlalchemy as sa
from sqlalchemy.types import TypeEngine

from pipeline.quantities import DisplaySystem
from pipeline.tables.contracts import Column, Contract

__all__ = ["Dialect", "Layout", "layout_of"]

Dialect = Literal["sqlite", "postgresql"]

_UNCERTAINTY = re.compile(r"_u(95|_systematic|_random)?$")

# SQLite has no type for instants. This text sorts as time does, with and without fractions of
# a second, and its own date functions and Python's read it, offset included.
_INSTANT = "[0-9][0-9][0-9][0-9]-[0-1][0-9]-[0-3][0-9] [0-2][0-9]:[0-5][0-9]:[0-6][0-9]*+00:00"


def _types(dialect: Dialect, is_key: bool) -> dict[str, TypeEngine[Any]]:
    if dialect == "sqlite":
        return {
            "number": sa.REAL(),
            "integer": sa.INTEGER(),
            "text": sa.TEXT(),
            "label": sa.TEXT(),
            "flag": sa.INTEGER(),
            "time": sa.TEXT(),
        }
    # Keys in byte order: an update of the operating system's collations then cannot damage
    # the index of a key.
    text = sa.TEXT(collation="C") if is_key else sa.TEXT()
    return {
        "number": sa.DOUBLE_PRECISION(),
        "integer": sa.BIGINT(),
        "text": text,
        "label": text,
        "flag": sa.BOOLEAN(),
        "time": sa.TIMESTAMP(timezone=True),
    }


@dataclass(frozen=True, slots=True)
class Layout:
    """A published table as a database holds it.

    Parameters
    ----------
    contract : Contract
        What it promises.
    table : sqlalchemy.Table
        Named as published, with constraints and comments.
    kinds : tuple of str
        Kind of each column.
    time_column : str
        Column that places a row in its month, the last of the key; empty for tables in one
        part.
    text : str
        The layout in writing: equal texts mean that a table need not be made again.
    """

    contract: Contract
    table: sa.Table
    kinds: tuple[str, ...]
    time_column: str
    text: str

    @property
    def name(self) -> str:
        """Name of the table."""
        return self.contract.name

    @property
    def key(self) -> tuple[str, ...]:
        """Columns of the key as published, in order."""
        return tuple(column.name for column in self.table.primary_key.columns)


def layout_of(
    contract: Contract,
    display: DisplaySystem,
    currency: str,
    dialect: Dialect,
    schema: str | None = None,
) -> Layout:
    """Turn a contract into a SQL table.

    Parameters
    ----------
    contract : Contract
        Of the table.
    display : {"SI", "US"}
        Display system of the station.
    currency : str
        Three letters.
    dialect : {"sqlite", "postgresql"}
        Whose types to use.
    schema : str, optional
        Schema of the table, where the database has schemas.

    Returns
    -------
    Layout
    """
    columns = []
    checks = []
    written: list[list[object]] = []
    for place, column in enumerate(contract.columns):
        name = column.published_name(display, currency)
        type_ = _types(dialect, column.name in contract.key)[column.kind]
        unit = column.unit(display, currency).text
        comment = f"{column.meaning} Unit: {unit}." if unit else column.meaning
        columns.append(sa.Column(name, type_, nullable=column.nullable, comment=comment))
        sql = _check(column, sa.column(name), dialect)
        if sql is not None:
            checks.append(sa.CheckConstraint(sql, name=f"ck_{contract.name}_{place}"))
        written.append([name, str(type_), column.nullable, comment, str(sql)])
    by_name = {c.name: c.published_name(display, currency) for c in contract.columns}
    key = [by_name[name] for name in contract.key]
    table = sa.Table(
        contract.name,
        sa.MetaData(schema=schema),
        *columns,
        sa.PrimaryKeyConstraint(*key, name=f"pk_{contract.name}"),
        *checks,
        comment=contract.grain,
        sqlite_with_rowid=False,
        sqlite_strict=True,
    )
    last = next(c for c in contract.columns if c.name == contract.key[-1])
    is_monthly = contract.partition == "month" and last.kind == "time"
    text = json.dumps({"comment": contract.grain, "columns": written, "key": key})
    kinds = tuple(column.kind for column in contract.columns)
    return Layout(contract, table, kinds, key[-1] if is_monthly else "", text)


def _check(
    column: Column, name: sa.ColumnClause[Any], dialect: Dialect
) -> sa.ColumnElement[bool] | None:
    """Give what the contract knows of a column's values beyond type and presence."""
    if column.kind == "integer" or (column.kind == "number" and _UNCERTAINTY.search(column.name)):
        return name >= sa.literal_column("0")
    if dialect == "sqlite" and column.kind == "flag":
        return name.in_([sa.literal_column("0"), sa.literal_column("1")])
    if dialect == "sqlite" and column.kind == "time":
        return name.op("GLOB", is_comparison=True)(sa.literal_column(f"'{_INSTANT}'"))
    return None
