"""Numbers as exports write them."""

from __future__ import annotations

import math

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.exports.numbers import looks_like_other_numbers, read_numbers, read_states
from pipeline.plant.types import ExportFormat


def read(*texts: str | None, decimal: str = ".", thousands: str | None = None) -> list:
    export = ExportFormat(pattern="*", decimal=decimal, thousands=thousands)
    value, is_text, is_empty = read_numbers(pa.array(texts, pa.string()), export)
    return [
        "text" if t else "empty" if e else v
        for v, t, e in zip(value.tolist(), is_text, is_empty, strict=True)
    ]


def test_plain_numbers() -> None:
    assert read("1", " -2.5 ", "+3", ".5", "4.", "1e3", "1E-2") == [1, -2.5, 3, 0.5, 4, 1000, 0.01]


def test_decimal_comma_and_thousands() -> None:
    assert read("1.234,5", "1.234.567", "0,5", decimal=",", thousands=".") == [1234.5, 1234567, 0.5]
    assert read("1,234.5", "12", thousands=",") == [1234.5, 12]
    assert read("1 234,5", "1\u00a0234,5", "1\u202f234", decimal=",", thousands=" ") == [
        1234.5, 1234.5, 1234,
    ]  # fmt: skip
    assert read("1'234.5", "1\u2019234.5", thousands="'") == [1234.5, 1234.5]


def test_groups_that_are_not_of_three_digits_are_text() -> None:
    assert read("1,23", "12,34,567", "1,2345", thousands=",") == ["text"] * 3


def test_what_is_no_number() -> None:
    assert (
        read("12,5", "1.2.3", "inf", "-Infinity", "0x1F", "1_0", "12 bar", "1e999", "--1")
        == ["text"] * 9
    )
    assert read("", None, "NaN", "null", "N/A", " ") == ["empty"] * 6


def test_switch_words() -> None:
    states = read_states(pa.array(["ON", "Off", "running", " stopped ", "TRUE", "maybe"]))
    assert states[:5].tolist() == [1, 0, 1, 0, 1]
    assert math.isnan(states[5])


def test_hints() -> None:
    export = ExportFormat(pattern="*")
    assert looks_like_other_numbers(pa.array(["12,5"]), export) == [
        "Some values would be numbers with decimal = ','."
    ]
    assert looks_like_other_numbers(pa.array(["1,234.5"]), export) == [
        "Some values would be numbers with thousands = ','."
    ]
    assert looks_like_other_numbers(pa.array(["1'234.5"]), export) == [
        'Some values would be numbers with thousands = "\'".'
    ]
    assert looks_like_other_numbers(pa.array(["1\u202f234"]), export) == [
        "Some values would be numbers with thousands = ' '."
    ]
    # No other mark would make these numbers.
    assert looks_like_other_numbers(pa.array(["Bad Input", "1e309", "12 34"]), export) == []


BLANKS = [" ", "\u00a0", "\u2007", "\u2009", "\u202f"]


@pytest.mark.parametrize("declared", BLANKS)
@pytest.mark.parametrize("written", BLANKS)
def test_blanks_that_look_alike_group_alike(declared: str, written: str) -> None:
    export = ExportFormat(pattern="*", thousands=declared)
    value, is_text, _ = read_numbers(pa.array([f"-1{written}234{written}567.5"]), export)
    assert (value.tolist(), is_text.tolist()) == ([-1234567.5], [False])


@settings(max_examples=300, deadline=None)
@given(number=st.floats(allow_nan=False, allow_infinity=False))
def test_every_double_survives_in_either_notation(number: float) -> None:
    assert read(repr(number)) == [number]
    assert read(repr(number).replace(".", ","), decimal=",") == [number]


@pytest.mark.parametrize("kind", [pa.int32(), pa.float32(), pa.bool_(), pa.decimal128(5, 1)])
def test_typed_values(kind: pa.DataType) -> None:
    value, is_text, is_empty = read_numbers(
        pa.array([1, None], pa.int8()).cast(kind), ExportFormat(pattern="*")
    )
    assert value[0] == 1
    assert np.isnan(value[1])
    assert is_text.tolist() == [False, False]
    assert is_empty.tolist() == [False, True]
