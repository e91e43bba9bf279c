"""The contract of a published table: its grain, key, columns, units and meanings.

One object per table. The Arrow schema, the validation, the ``dictionary`` table and the
README's table list all derive from it. Inside gaugeless a frame has SI values under bare
names (``total_head``); ``Contract.publish`` turns it into the published form
(``total_head_m``) and ``Contract.restore`` back.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.errors import ContractError, Fault
from pipeline.quantities import DisplaySystem, DisplayUnit, display_unit, quantity

Kind = Literal["number", "integer", "text", "label", "flag", "time"]

_ARROW: dict[str, pa.DataType] = {
    "number": pa.float64(),
    "integer": pa.int64(),
    "text": pa.string(),
    # Few distinct values over many rows: kept as a dictionary, in files and in memory.
    "label": pa.dictionary(pa.int32(), pa.string()),
    "flag": pa.bool_(),
    "time": pa.timestamp("us", tz="UTC"),
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Bare name, as used inside.
    kind : str
        ``number``, ``integer``, ``text``, ``label``, ``flag`` or ``time``.
    meaning : str
        One sentence for the reader of the table.
    quantity : str or None
        What a number measures; None for text, counts and times.
    nullable : bool
        Whether a value may be missing.
    difference : bool
        Whether a number is a difference or uncertainty, to which no zero offset applies.
    """

    name: str
    kind: Kind
    meaning: str
    quantity: str | None = None
    nullable: bool = True
    difference: bool = False

    def unit(self, display: DisplaySystem, currency: str = "") -> DisplayUnit:
        """Give the published unit; plain for anything that is not a measured number."""
        if self.quantity is None:
            return DisplayUnit("", "")
        if quantity(self.quantity).dimension == "money":
            return DisplayUnit(currency, currency.lower())
        unit = display_unit(self.quantity, display)
        return DisplayUnit(unit.text, unit.suffix, unit.scale) if self.difference else unit

    def published_name(self, display: DisplaySystem, currency: str = "") -> str:
        """Give the name in the published table, with its unit."""
        suffix = self.unit(display, currency).suffix
        return f"{self.name}_{suffix}" if suffix else self.name


@dataclass(frozen=True, slots=True)
class Contract:
    """What a table promises.

    Parameters
    ----------
    name : str
        Table name.
    grain : str
        What one row is, as a sentence.
    key : tuple of str
        Columns that identify a row; also the sort order.
    columns : tuple of Column
        In published order.
    partition : {"month", "single"}
        One file per station month, or one file.
    """

    name: str
    grain: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    partition: Literal["month", "single"] = "single"

    def schema(self, display: DisplaySystem, currency: str = "") -> pa.Schema:
        """Give the Arrow schema, with unit and meaning as field metadata."""
        fields = []
        for column in self.columns:
            metadata = {"meaning": column.meaning}
            if unit := column.unit(display, currency).text:
                metadata["unit"] = unit
            fields.append(
                pa.field(
                    column.published_name(display, currency),
                    _ARROW[column.kind],
                    nullable=column.nullable,
                    metadata=metadata,
                )
            )
        return pa.schema(fields, metadata={"table": self.name, "grain": self.grain})

    def publish(
        self,
        frame: pd.DataFrame | Mapping[str, pa.Array],
        display: DisplaySystem,
        currency: str = "",
    ) -> pa.Table:
        """Turn an inner frame into the published table.

        Parameters
        ----------
        frame : DataFrame, or mapping of str to Array
            SI values under bare names; any index, which is dropped. Long tables are made
            faster from Arrow arrays; the words of a label stand there in ascending order,
            each of them in use, and a missing number is null.
        display : {"SI", "US"}
            Display system of the station.
        currency : str
            Three letters, where the table holds money.

        Returns
        -------
        pyarrow.Table
            In display units, sorted by key.

        Raises
        ------
        ContractError
            If columns are missing or unknown, values do not fit, nulls stand where none may,
            or a key repeats.
        """
        self._check_columns([str(name) for name in frame])
        schema = self.schema(display, currency)
        arrays = []
        faults: list[Fault] = []
        for column, field in zip(self.columns, schema, strict=True):
            try:
                array = _to_arrow(frame[column.name], column, field, display, currency)
            except (pa.ArrowInvalid, pa.ArrowTypeError, TypeError, ValueError) as error:
                faults.append(self._fault(column.name, str(error), f"values of kind {column.kind}"))
                continue
            if not column.nullable and array.null_count:
                faults.append(
                    self._fault(column.name, f"{array.null_count} missing value(s)", "none")
                )
            arrays.append(array)
        if faults:
            raise ContractError(f"Table {self.name} does not meet its contract.", faults)
        return self._sorted(pa.Table.from_arrays(arrays, schema=schema))

    def restore(self, table: pa.Table, display: DisplaySystem, currency: str = "") -> pd.DataFrame:
        """Turn a published table, or some of its columns, back into an inner frame."""
        frame = {}
        for column in self.columns:
            name = column.published_name(display, currency)
            if name not in table.column_names:
                continue
            series = table.column(name).to_pandas()
            if column.quantity is not None and column.kind == "number":
                unit = column.unit(display, currency)
                series = (series - unit.offset) / unit.scale if unit.offset else series / unit.scale
            frame[column.name] = series
        return pd.DataFrame(frame)

    def empty(self) -> pd.DataFrame:
        """Give an inner frame without rows."""
        dtypes = {
            "number": "float64",
            "integer": "int64",
            "text": "str",
            "label": "str",
            "flag": "bool",
            "time": "datetime64[us, UTC]",
        }
        return pd.DataFrame({c.name: pd.Series([], dtype=dtypes[c.kind]) for c in self.columns})

    def _check_columns(self, found: Sequence[str]) -> None:
        wanted = [column.name for column in self.columns]
        faults = [
            self._fault(name, "nothing", "a column of that name")
            for name in wanted
            if name not in found
        ]
        faults += [
            self._fault(str(name), "an unknown column", "only columns of the contract")
            for name in found
            if name not in wanted
        ]
        if faults:
            raise ContractError(f"Table {self.name} does not meet its contract.", faults)

    def _sorted(self, table: pa.Table) -> pa.Table:
        positions = [i for name in self.key for i, c in enumerate(self.columns) if c.name == name]
        names = [table.column_names[i] for i in positions]
        if table.num_rows == 0:
            return table
        keys = table.select(names)
        if _is_strictly_ascending(keys):
            return table
        # Dictionaries sort by code, which depends on the order of first appearance.
        for i, name in enumerate(names):
            if pa.types.is_dictionary(keys.schema.field(name).type):
                plain = keys.column(name).cast(pa.string())
                keys = keys.set_column(i, name, plain)
        order = pc.sort_indices(keys, sort_keys=[(name, "ascending") for name in names])
        keys = keys.take(order)
        same = None
        for name in names:
            column = keys.column(name)
            equal = pc.equal(column.slice(1), column.slice(0, len(column) - 1))
            same = equal if same is None else pc.and_(same, equal)
        if same is not None and pc.any(same).as_py():
            place = int(np.flatnonzero(same.to_numpy(zero_copy_only=False))[0])
            row = {name: keys.column(name)[place].as_py() for name in names}
            raise ContractError(
                f"Table {self.name} does not meet its contract.",
                [self._fault("key", f"{row} more than once", "each key once")],
            )
        return table.take(order)

    def _fault(self, column: str, found: str, expected: str) -> Fault:
        return Fault(f"table {self.name}, column {column}", found, expected)


def _is_strictly_ascending(keys: pa.Table) -> bool:
    """Tell whether rows stand by key already, each once, as most tables are made."""
    level = np.ones(max(keys.num_rows - 1, 0), dtype=bool)
    rises = np.zeros_like(level)
    for column in keys.columns:
        rank = _ranks(column)
        if rank is None:
            return False
        rises |= level & (rank[1:] > rank[:-1])
        level &= rank[1:] == rank[:-1]
    return bool(rises.all())


def _ranks(column: pa.ChunkedArray) -> np.ndarray | None:
    """Numbers in the order of the values; None where that takes a closer look."""
    kind = column.type
    if column.null_count or not column.num_chunks:
        return None
    if pa.types.is_timestamp(kind):
        return column.cast(pa.int64()).to_numpy()
    if pa.types.is_integer(kind):
        return column.to_numpy()
    if pa.types.is_string(kind):
        column, kind = column.dictionary_encode(), pa.dictionary(pa.int32(), kind)
    if not pa.types.is_dictionary(kind) or not pa.types.is_string(kind.value_type):
        return None
    words = pa.concat_arrays(column.unify_dictionaries().chunks)
    order = pc.sort_indices(words.dictionary).to_numpy()
    if words.dictionary.null_count or len(words.dictionary.unique()) < len(words.dictionary):
        return None
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return rank[words.indices.to_numpy()]


def _to_arrow(
    series: pd.Series | pa.Array,
    column: Column,
    field: pa.Field,
    display: DisplaySystem,
    currency: str,
) -> pa.Array:
    if isinstance(series, pa.Array):
        if column.kind == "number" and column.quantity is not None:
            unit = column.unit(display, currency)
            series = pc.add(pc.multiply(series, unit.scale), unit.offset)
        return series.cast(field.type)
    if column.kind == "label":
        return _labels(series)
    if column.kind == "number":
        values = series.to_numpy(dtype="float64", na_value=np.nan)
        if column.quantity is not None:
            unit = column.unit(display, currency)
            values = values * unit.scale + unit.offset
        # A missing number is a null in the file: tools treat NaN as a value.
        return pa.array(values, type=field.type, from_pandas=True)
    return pa.Array.from_pandas(series, type=field.type)


def _labels(series: pd.Series) -> pa.Array:
    """Encode with sorted distinct values, so that equal content gives equal bytes."""
    if isinstance(series.dtype, pd.CategoricalDtype):
        found = series.cat.codes.to_numpy()
        given = series.cat.categories
        used = np.flatnonzero(np.bincount(found + 1, minlength=len(given) + 1)[1:])
        used = used[np.argsort(given[used], kind="stable")]
        # The last place is that of -1, no value.
        rank = np.full(len(given) + 1, -1, dtype=np.int32)
        rank[used] = np.arange(len(used))
        codes, values = rank[found].astype(np.int64), given[used]
    else:
        codes, values = pd.factorize(series, sort=True)
    return pa.DictionaryArray.from_arrays(
        pa.array(codes.astype("int32"), mask=codes < 0),
        pa.array([str(v) for v in values], type=pa.string()),
    )


def dictionary_rows(
    contracts: Sequence[Contract], display: DisplaySystem, currency: str
) -> pd.DataFrame:
    """Describe every column of every table.

    Parameters
    ----------
    contracts : sequence of Contract
        The tables.
    display : {"SI", "US"}
        Display system of the station.
    currency : str
        Three letters.

    Returns
    -------
    DataFrame
        Columns of the ``dictionary`` contract.
    """
    rows = []
    for contract in contracts:
        for position, column in enumerate(contract.columns):
            entry = quantity(column.quantity) if column.quantity else None
            rows.append(
                {
                    "table": contract.name,
                    "position": position,
                    "column": column.published_name(display, currency),
                    "grain": contract.grain,
                    "is_key": column.name in contract.key,
                    "type": column.kind,
                    "unit": column.unit(display, currency).text,
                    "quantity": entry.name if entry else "",
                    "symbol": entry.symbol if entry else "",
                    "nullable": column.nullable,
                    "meaning": column.meaning,
                }
            )
    return pd.DataFrame(rows)
