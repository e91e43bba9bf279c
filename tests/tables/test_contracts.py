"""Contracts: what a table promises is checked, and comes back as it went in."""

import io

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from pipeline.errors import ContractError
from pipeline.quantities import QUANTITIES, display_unit
from pipeline.tables.catalogue import BY_NAME, PUBLISHED
from pipeline.tables.contracts import Column, Contract, dictionary_rows

SMALL = Contract(
    "small",
    "One row per pump and time.",
    ("pump", "time"),
    (
        Column("pump", "label", "Pump.", nullable=False),
        Column("time", "time", "When.", nullable=False),
        Column("flow", "number", "Flow.", "flow"),
        Column("temperature", "number", "Temperature.", "temperature"),
        Column("temperature_u95", "number", "Its uncertainty.", "temperature", difference=True),
        Column("cost", "number", "Money.", "cost"),
    ),
)


def rows(n=4):
    return pd.DataFrame(
        {
            "pump": ["P2", "P1"] * (n // 2),
            "time": pd.date_range("2026-01-01", periods=n, freq="h", tz="UTC").as_unit("us"),
            "flow": np.linspace(0.01, 0.04, n),
            "temperature": 283.15,
            "temperature_u95": 1.0,
            "cost": [1.0, np.nan, 3.0, 4.0][:n],
        }
    )


def test_columns_carry_their_unit():
    """m³/h and °C in SI, gpm and °F in US units; money the plant's currency."""
    assert SMALL.schema("SI", "EUR").names[2:] == [
        "flow_m3_h", "temperature_c", "temperature_u95_c", "cost_eur",
    ]  # fmt: skip
    assert SMALL.schema("US", "USD").names[2:] == [
        "flow_gpm", "temperature_f", "temperature_u95_f", "cost_usd",
    ]  # fmt: skip


def test_values_are_in_that_unit():
    """10 °C are 50 °F (common practice, no source); a difference of 1 K is 1.8 °F."""
    si, us = SMALL.publish(rows(), "SI", "EUR"), SMALL.publish(rows(), "US", "EUR")
    assert si.column("temperature_c")[0].as_py() == pytest.approx(10.0)
    assert us.column("temperature_f")[0].as_py() == pytest.approx(50.0)
    assert us.column("temperature_u95_f")[0].as_py() == pytest.approx(1.8)
    assert max(si.column("flow_m3_h").to_pylist()) == pytest.approx(144.0)


@pytest.mark.parametrize("system", ["SI", "US"])
def test_restored_as_published(system):
    """Publishing and restoring gives the values back, sorted by key."""
    frame = rows()
    back = SMALL.restore(SMALL.publish(frame, system, "EUR"), system, "EUR")
    wanted = frame.sort_values(["pump", "time"], ignore_index=True)
    for name in ("flow", "temperature", "temperature_u95", "cost"):
        np.testing.assert_allclose(back[name], wanted[name], rtol=1e-12)
    assert back["pump"].tolist() == wanted["pump"].tolist()


def test_rows_in_any_order_give_the_same_bytes():
    """Equal content, equal file: also where labels first appear in another order."""

    def written(frame):
        sink = io.BytesIO()
        pq.write_table(SMALL.publish(frame, "SI", "EUR"), sink)
        return sink.getvalue()

    frame = rows()
    categorical = frame.assign(pump=pd.Categorical(frame["pump"], ["P9", "P2", "P1"]))
    assert written(frame) == written(frame.iloc[::-1]) == written(categorical)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda f: f.drop(columns="flow"), "column flow: found nothing"),
        (lambda f: f.assign(flux=1.0), "column flux: found an unknown column"),
        (lambda f: f.assign(pump=["P1", None, "P1", "P1"]), "1 missing value"),
        (lambda f: f.assign(flow=["a", "b", "c", "d"]), "column flow"),
        (lambda f: pd.concat([f, f.iloc[:1]]), "more than once"),
    ],
)
def test_broken_promises_are_refused(change, said):
    """Each breach is named with its column."""
    with pytest.raises(ContractError, match=said):
        SMALL.publish(change(rows()), "SI", "EUR")


@pytest.mark.parametrize("contract", PUBLISHED, ids=lambda c: c.name)
def test_catalogue_is_sound(contract):
    """Keys exist and are never empty; quantities exist; unit and suffix agree."""
    columns = {c.name: c for c in contract.columns}
    assert len(columns) == len(contract.columns)
    for name in contract.key:
        assert not columns[name].nullable
    for column in contract.columns:
        assert column.meaning.endswith(".")
        if column.quantity is None:
            assert column.kind != "number" or column.name in FREE_NUMBERS
            continue
        assert column.quantity in QUANTITIES
        for system in ("SI", "US"):
            unit = column.unit(system, "EUR")
            if QUANTITIES[column.quantity].dimension != "money":
                assert unit.scale == display_unit(column.quantity, system).scale
            if unit.suffix:
                assert column.published_name(system, "EUR").endswith(f"_{unit.suffix}")


FREE_NUMBERS = {
    "value", "coverage", "speed_ratio", "estimate", "u95", "prior", "prior_u95",
}  # fmt: skip
"""Numbers without a unit of their own: ratios, and those whose unit stands in another column."""


def test_dictionary_describes_every_column():
    """One row per column, with the names as published."""
    found = dictionary_rows(PUBLISHED, "US", "USD")
    assert len(found) == sum(len(c.columns) for c in PUBLISHED)
    flags = found[found["table"] == "flags"]["column"].tolist()
    assert flags == BY_NAME["flags"].schema("US", "USD").names


def test_rows_in_order_already_are_left_as_they_are():
    frame = rows().sort_values(["pump", "time"])
    in_order = SMALL.publish(frame, "SI", "EUR")
    assert in_order.equals(SMALL.publish(rows(), "SI", "EUR"))
    assert in_order.column("pump").to_pylist() == ["P1", "P1", "P2", "P2"]
    twice = pd.concat([frame.iloc[:1], frame])
    with pytest.raises(ContractError, match="more than once"):
        SMALL.publish(twice, "SI", "EUR")
