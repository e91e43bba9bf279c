"""Whatever stands in a plant file, reading it gives a plant or a PlantFileError."""

import copy
import datetime as dt
import json
import tempfile
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import PlantFileError
from pipeline.plant import Plant, read_plant

START, END = pd.Timestamp("2024-01-01", tz="UTC"), pd.Timestamp("2026-01-01", tz="UTC")

WORDS = st.sampled_from(
    [
        *("P1", "P2", "T1", "S", "FT1", "PT1", "level", "flow", "gauge", "absolute", "open_tank"),
        *("1 m", "-3 m", "0 mm", "12 bar", "5 psia", "1e400 m", "nan m", "1 °C", "1 % of span"),
        *("nan % of span", "inf % of reading", "..", "/", "", "~", "\x00", "\t", "curve.csv"),
        *("2025-03-01", "0001-01-01", "9999-12-31", "Europe/Lisbon", "Europe", "../x", "utf-8"),
    ]
)
SCALARS = st.one_of(
    WORDS,
    st.text(st.characters(exclude_categories=["Cs"]), max_size=8),
    st.integers(-3, 2000),
    st.integers(-(10**400), 10**400),
    st.floats(),
    st.booleans(),
    st.dates(),
    st.datetimes(timezones=st.sampled_from([None, dt.UTC, dt.timezone(dt.timedelta(hours=14))])),
    st.times(),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["id", "name", "pump", "elevation", "diameter", "valid_from", "x"]),
            inner,
            max_size=3,
        )
    ),
    max_leaves=5,
)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [path] if path else []
    inner = value.items() if isinstance(value, dict) else enumerate(value)
    if isinstance(value, dict | list):
        for key, part in inner:
            found += places(part, (*path, key)) if isinstance(part, dict | list) else [(*path, key)]
    return found


@st.composite
def mutated(draw: Any, valid: dict[str, Any]) -> dict[str, Any]:
    content = json.loads(json.dumps(valid))
    for _ in range(draw(st.integers(1, 3))):
        *path, last = draw(st.sampled_from(places(content)))
        parent = content
        for key in path:
            parent = parent[key]
        kind = draw(st.sampled_from(["replace", "remove", "repeat", "add", "date"]))
        if kind == "replace":
            parent[last] = draw(VALUES)
        elif kind == "remove":
            del parent[last]
        elif kind == "repeat" and isinstance(parent, list):
            parent.append(copy.deepcopy(parent[last]))
        elif kind == "add" and isinstance(parent, dict):
            parent[draw(st.sampled_from(["survey", "without", "valid_from", "drive"]))] = draw(
                VALUES
            )
        elif kind == "date" and isinstance(parent, list) and isinstance(parent[last], dict):
            parent.append({**parent[last], "valid_from": dt.date(2025, 3, 1)})
    return content


def check_faults(error: PlantFileError) -> None:
    """Each fault says where it is, what was found, what was expected, and only once."""
    assert error.faults
    assert all(f.where and f.found and f.expected for f in error.faults)
    assert len(set(error.faults)) == len(error.faults)


@pytest.fixture(scope="module")
def folder():
    with tempfile.TemporaryDirectory() as name:
        (Path(name) / "curve.csv").write_text("flow [m3/h],head [m]\n1,3\n2,2\n3,1\n")
        yield Path(name)


@settings(max_examples=250, deadline=None, derandomize=True)
@given(data=st.data())
def test_any_change_gives_a_plant_or_a_plant_file_error(data, folder, valid_plant, as_toml):
    content = data.draw(mutated(valid_plant))
    file = folder / "plant.toml"
    file.write_text(as_toml(content), "utf-8")
    try:
        plant = read_plant(file)
    except PlantFileError as error:
        check_faults(error)
        return
    assert isinstance(plant, Plant)
    eras = plant.eras(START, END)
    assert eras[0].start == START
    assert eras[-1].end == END
    for era in eras:
        for pump in era.pumps.values():
            assert era.lines[pump.suction_line].source in era.sources


@settings(max_examples=100, deadline=None, derandomize=True)
@given(raw=st.binary(max_size=60))
def test_any_bytes_give_a_plant_file_error(raw, folder):
    file = folder / "bytes.toml"
    file.write_bytes(raw)
    with pytest.raises(PlantFileError):
        read_plant(file)


@settings(max_examples=100, deadline=None, derandomize=True)
@given(
    raw=st.binary(max_size=60) | st.text(max_size=60).map(lambda t: t.encode("utf-8", "replace"))
)
def test_any_curve_gives_a_plant_or_a_plant_file_error(raw, folder, valid_plant, as_toml):
    place = folder / "with_curve"
    place.mkdir(exist_ok=True)
    (place / "curve.csv").write_bytes(b"flow [m3/h],head [m]\n" + raw)
    (place / "plant.toml").write_text(as_toml(valid_plant), "utf-8")
    try:
        curve = read_plant(place / "plant.toml").pumps["P1"][0].baseline_curve
    except PlantFileError:
        return
    assert len(curve) >= 3
