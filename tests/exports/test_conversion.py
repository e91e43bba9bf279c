"""Raw samples to SI, by the description in force at each sample's time."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import ExportError
from pipeline.exports.conversion import interval_total_to_rate, running_total_to_rate, to_si
from pipeline.exports.reading import SAMPLES_SCHEMA, samples_table
from pipeline.plant.types import Tag
from pipeline.quantities import conversion

MINUTE = 60_000_000
START = 1_709_251_200_000_000


def samples(tag: str, values: list[float], quality: list[int] | None = None) -> pa.Table:
    n = len(values)
    time = START + MINUTE * np.arange(n, dtype=np.int64)
    grades = np.zeros(n, dtype=np.int64) if quality is None else np.array(quality)
    return samples_table([tag], np.zeros(n, dtype=np.int64), time, np.array(values), grades)


def tag_of(unit: str, quantity: str, **more) -> Tag:
    found = conversion(unit, quantity)
    return Tag(
        name="T", quantity=quantity, unit=unit, scale=found.scale, offset=found.offset, **more
    )


def converted(tag: Tag, values: list[float], pressure: float | None = None) -> list[float]:
    table = to_si(samples("T", values), {"T": (tag,)}, pressure)
    assert table.schema == SAMPLES_SCHEMA
    return table["value"].to_pylist()


def test_units_of_flow_and_temperature() -> None:
    # 1 US gallon is 231 cubic inches, 1 inch 25.4 mm (NIST SP 811, B.8).
    assert converted(tag_of("gpm", "flow"), [60.0]) == pytest.approx([231 * 0.0254**3], rel=1e-14)
    assert converted(tag_of("degF", "temperature"), [212.0]) == pytest.approx([373.15])


def test_absolute_pressure_becomes_gauge() -> None:
    tag = tag_of("bar", "suction_pressure", reference="absolute")
    assert converted(tag, [1.5], 101_325.0) == pytest.approx([150_000 - 101_325])
    gauge = tag_of("bar", "suction_pressure", reference="gauge")
    assert converted(gauge, [1.5], 101_325.0) == pytest.approx([150_000])


def test_vacuum_counted_downwards() -> None:
    # 1 inHg (conventional) is 3386.389 Pa (NIST SP 811, B.8).
    tag = tag_of("inHg vac", "suction_pressure", reference="gauge")
    assert converted(tag, [10.0]) == pytest.approx([-33_863.89], rel=1e-6)


def test_absolute_pressure_without_atmosphere_is_refused() -> None:
    tag = tag_of("bar", "suction_pressure", reference="absolute")
    with pytest.raises(ExportError, match="tag 'T': found absolute pressure without"):
        to_si(samples("T", [1.5]), {"T": (tag,)})


def test_tag_without_description_is_refused() -> None:
    with pytest.raises(ExportError, match="tag 'X': found no description"):
        to_si(samples("X", [1.5]), {})


def test_each_sample_follows_the_version_of_its_time() -> None:
    since = pd.Timestamp("2024-03-01T00:02Z")
    versions = (
        tag_of("m3/h", "flow", valid_from=pd.Timestamp("2024-03-01T00:01Z")),
        tag_of("l/s", "flow", valid_from=since),
    )
    table = to_si(samples("T", [3.6, 3.6, 3.6, 3.6]), {"T": versions})
    assert table["value"].to_pylist()[1:] == pytest.approx([0.001, 0.0036, 0.0036])
    assert np.isnan(table["value"].to_pylist()[0])
    assert table["quality"].to_pylist() == [2, 0, 0, 0]


def test_input_stays_as_it_is() -> None:
    table = samples("T", [1.0, 2.0])
    before = table.to_pylist()
    to_si(table, {"T": (tag_of("m3/h", "flow"),)})
    assert table.to_pylist() == before


def times(*minutes: float) -> np.ndarray:
    return (START + MINUTE * np.array(minutes)).astype(np.int64)


def grades(*quality: int) -> np.ndarray:
    return np.array(quality, dtype=np.int8)


def test_running_total() -> None:
    # By hand: 6 in a minute is 0.1 per second.
    rate, quality = running_total_to_rate(
        times(0, 1, 2, 4), np.array([10.0, 16, 16, 40]), grades(0, 0, 1, 0)
    )
    assert rate[:3].tolist() == pytest.approx([0.1, 0.0, 0.2])
    assert np.isnan(rate[3])
    assert quality.tolist() == [0, 1, 1, 2]


def test_running_total_that_falls_or_pauses() -> None:
    rate, quality = running_total_to_rate(
        times(0, 1, 2, 60, 61), np.array([10.0, 20, 1, 2, 3]), grades(0, 0, 0, 0, 2), 600.0
    )
    assert rate[0] == pytest.approx(1 / 6)
    assert np.isnan(rate[1:]).all()
    assert quality.tolist() == [0, 2, 2, 2, 2]


@settings(max_examples=100, deadline=None)
@given(steps=st.lists(st.floats(0, 1e6), min_size=1, max_size=30), start=st.floats(0, 1e6))
def test_rates_keep_the_total(steps: list[float], start: float) -> None:
    total = start + np.cumsum([0.0, *steps])
    time = START + np.cumsum([0, *[int(1e6 + 1e5 * i) for i in range(len(steps))]])
    rate, _ = running_total_to_rate(time, total, np.zeros(len(total), dtype=np.int8))
    assert np.sum(rate[:-1] * np.diff(time) / 1e6) == pytest.approx(
        total[-1] - total[0], rel=1e-9, abs=1e-6
    )


def test_interval_totals() -> None:
    # Totals of quarter hours ending at their timestamps: 9 in 900 s is 0.01 per second.
    rate, quality = interval_total_to_rate(
        times(0, 15, 30, 60, 75), np.array([5.0, 9, 18, 9, 9]), grades(0, 0, 0, 0, 1)
    )
    assert rate[[0, 1, 3]].tolist() == pytest.approx([0.01, 0.02, 0.01])
    # Nothing is known about the quarter hour that was left out, nor after the last one.
    assert np.isnan(rate[[2, 4]]).all()
    assert quality.tolist() == [0, 0, 2, 1, 2]


def test_totals_of_volume_become_flow() -> None:
    scale = conversion("m3", "volume").scale
    running = Tag(name="T", quantity="flow", unit="m3", scale=scale, measures="running_total")
    assert converted(running, [100.0, 106.0])[0] == pytest.approx(0.1)
    interval = Tag(name="T", quantity="flow", unit="m3", scale=scale, measures="interval_total")
    assert converted(interval, [5.0, 6.0])[0] == pytest.approx(0.1)
