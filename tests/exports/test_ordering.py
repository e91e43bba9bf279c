"""Order and runs of rows, by definition and wherever in a long file they break."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.exports.ordering import is_by_tag_and_time
from pipeline.exports.tag_runs import edges_if_few

ROWS = 50_000
"""More than a first look takes in."""


@pytest.mark.parametrize("at", [1, 100, ROWS // 2 + 1, ROWS - 1])
def test_one_row_out_of_place_is_seen_wherever_it_stands(at: int) -> None:
    code = np.repeat(np.arange(2, dtype=np.int32), ROWS // 2)
    time = np.tile(np.arange(ROWS // 2), 2)
    assert is_by_tag_and_time(code, time, strictly=True)
    again = time.copy()
    again[at] = again[at - 1]
    assert is_by_tag_and_time(code, again)
    assert not is_by_tag_and_time(code, again, strictly=True)
    again[at] -= 1
    assert not is_by_tag_and_time(code, again)


@pytest.mark.parametrize("at", [0, 100, ROWS - 400])
def test_runs_are_listed_up_to_the_number_that_is_many(at: int) -> None:
    code = np.zeros(ROWS, dtype=np.int32)
    code[at : at + 300 : 2] = 1
    heads = [i for i in range(1, ROWS) if code[i] != code[i - 1]]
    runs = len(heads) + 1
    assert edges_if_few(code, runs).tolist() == [0, *heads, ROWS]
    assert edges_if_few(code, runs - 1) is None
