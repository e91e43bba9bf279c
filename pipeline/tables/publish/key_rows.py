"""Keys that fit an index: a server's index takes no row longer than a third of a page."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

__all__ = ["cut_keys"]

LONGEST_KEY = 2500
"""Bytes of all texts of a key together; PostgreSQL's B-tree takes 2704 with what it adds."""


def cut_keys(rows: pa.Table, key: Sequence[str], longest: int = LONGEST_KEY) -> pa.Table:
    """Cut the texts of keys too long for an index, so that they stay different.

    Parameters
    ----------
    rows : pyarrow.Table
        To be sent.
    key : sequence of str
        Columns of the key.
    longest : int, optional
        Bytes of all texts of a key together.

    Returns
    -------
    pyarrow.Table
        The same rows. Where a key was too long, each of its texts ends in a digest of the
        whole one. Only texts made to be long, in exports of somebody ill-disposed, come to
        that; the Parquet file has them whole.
    """
    names = [n for n in key if pa.types.is_string(rows.schema.field(n).type)]
    if not names or rows.num_rows == 0:
        return rows
    lengths = [pc.binary_length(rows.column(n)).to_numpy() for n in names]
    too_long = np.sum(lengths, axis=0) > longest
    if not too_long.any():
        return rows
    most = longest // len(names)
    for name in names:
        texts = np.asarray(rows.column(name).to_pylist(), dtype=object)
        texts[too_long] = [_cut(text, most) for text in texts[too_long]]
        place = rows.schema.get_field_index(name)
        rows = rows.set_column(place, rows.schema.field(name), pa.array(texts, pa.string()))
    return rows


def _cut(text: str, most: int) -> str:
    content = text.encode()
    if len(content) <= most:
        return text
    digest = hashlib.sha256(content).hexdigest()[:16]
    return f"{content[: most - 20].decode(errors='ignore')}...{digest}"
