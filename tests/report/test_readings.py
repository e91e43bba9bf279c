"""Tables are read by the names of their contract, in the units they were published in."""

import pandas as pd

from pipeline.report.readings import Readings
from pipeline.tables.store import open_tables


def test_units_follow_the_published_columns(tables, us_data):
    """A gallon is a gallon: the unit comes from the file, not from a setting."""
    assert Readings(tables).unit("operating_points", "flow") == "m³/h"
    assert Readings(open_tables(us_data)).unit("operating_points", "flow") == "gpm"
    assert Readings(tables).unit("energy_cost", "electrical_cost") == "EUR"


def test_values_stay_in_published_units(tables):
    """Efficiencies are in percent, as in the file itself."""
    read = Readings(tables).table("pumps", ["pump", "overall_efficiency"])
    published = tables.read("pumps")["overall_efficiency_pct"]
    assert read["overall_efficiency"].tolist() == published.tolist()


def test_missing_table_gives_no_rows(bare_tables):
    """A table that was not made yet is empty, with the columns asked for."""
    rows = Readings(bare_tables).of_pump("flags", "P1", ["kind"])
    assert rows.empty
    assert rows.columns.tolist() == ["pump", "kind"]
    assert Readings(bare_tables).unit("flags", "loss") == ""


def test_missing_column_is_empty(tables, monkeypatch):
    """A column of a newer version is empty in older tables."""
    readings = Readings(tables)
    readings.unit("pumps", "note")
    del readings._columns["pumps"]["note"]
    rows = readings.table("pumps", ["pump", "note"])
    assert len(rows) == 3
    assert rows["note"].isna().all()


def test_what_was_read_cannot_be_changed(tables):
    """Readings give copies: a figure that changes its rows does not change the next one's."""
    readings = Readings(tables)
    rows = readings.table("pumps", ["pump"])
    rows["pump"] = "changed"
    assert "changed" not in readings.table("pumps", ["pump"])["pump"].tolist()
    assert isinstance(readings.table("pumps"), pd.DataFrame)
