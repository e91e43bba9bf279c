"""Exports that nobody described: what is found out, pointed out, and left open.

The exports are made here, so that what each tag really is is known.
"""

from __future__ import annotations

import shutil
import tomllib
import zipfile
from pathlib import Path
from urllib.parse import quote

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from pipeline.errors import ExportError, PlantFileError
from pipeline.exports.inspect_exports import Inspection, inspect_exports
from pipeline.exports.read import find_exports, read_export
from pipeline.exports.sniff import sniff
from pipeline.plant import read_plant

SAMPLE = Path(__file__).parents[2] / "sample_exports"
MINUTES = 6 * 1440


def series() -> dict[str, np.ndarray]:
    """Six days of minutes of a small station in bar, m3/h, m and kW, with a fixed seed."""
    rng = np.random.default_rng(11)
    t = np.arange(MINUTES)
    demand = 200 + 60 * np.sin(2 * np.pi * t / 1440) + rng.normal(0, 2, MINUTES)
    running = (t // 480) % 3 != 2
    flow = np.where(running, demand, 0.0)
    level = 4 + np.cumsum(rng.normal(0, 0.01, MINUTES)) * 0.2
    suction = 0.05 * level + rng.normal(0, 0.003, MINUTES)
    return {
        "flow": flow,
        "level": level,
        "other_level": 3 + np.cumsum(rng.normal(0, 0.01, MINUTES)) * 0.2,
        "suction": suction,
        "power": np.where(running, 30 + 0.3 * flow + rng.normal(0, 0.3, MINUTES), 0.1),
    }


TIME = pd.date_range("2024-03-01", periods=MINUTES, freq="min", tz="UTC")


LAST = pd.Timestamp("2024-03-26", tz="UTC")


def put_wide(folder: Path, columns: dict[str, np.ndarray], name: str = "export.csv") -> None:
    frame = pd.DataFrame(columns)
    frame.insert(0, "Timestamp", TIME.strftime("%Y-%m-%dT%H:%M:%SZ")[: len(frame)])
    frame.to_csv(folder / name, index=False)


def what_is_said(inspection: Inspection, tag: str) -> str:
    return " | ".join(f"{f.what}: {f.why}" for f in inspection.findings if f.tags[0] == tag)


def test_an_efficiency_that_is_a_power(tmp_path) -> None:
    s = series()
    put_wide(tmp_path, {"P1.EFFICIENCY": s["power"] * 2, "P1.FLOW": s["flow"]})
    said = what_is_said(inspect_exports(tmp_path), "P1.EFFICIENCY")
    assert "cannot be one" in said
    assert "follows 'P1.FLOW'" in said


def test_an_efficiency_between_0_and_100_is_left_out_too(tmp_path) -> None:
    s = series()
    put_wide(tmp_path, {"P1.Eff": 60 + 10 * np.sin(np.arange(MINUTES) / 99), "P1.FLOW": s["flow"]})
    inspection = inspect_exports(tmp_path)
    assert "computed value" in what_is_said(inspection, "P1.Eff")
    assert "P1.Eff" not in [t.get("name") for t in tomllib.loads(inspection.draft)["tags"]]


def test_a_level_that_is_the_other_tank(tmp_path) -> None:
    s = series()
    levels = {"TANK1.LEVEL": s["level"], "TANK2.LEVEL": s["level"], "T3.LEVEL": s["other_level"]}
    put_wide(tmp_path, levels)
    inspection = inspect_exports(tmp_path)
    assert "shows the values of 'TANK1.LEVEL'" in what_is_said(inspection, "TANK2.LEVEL")
    assert what_is_said(inspection, "T3.LEVEL") == ""


def test_totals_among_rates(tmp_path) -> None:
    s = series()
    put_wide(tmp_path, {"P1.FLOW": s["flow"], "P2.FLOW": np.cumsum(s["flow"]) / 60})
    quarter = s["flow"].reshape(-1, 15).sum(axis=1) / 60
    ends = TIME[14::15] + pd.Timedelta(minutes=1)
    slow = pd.DataFrame(
        {"time": ends.strftime("%Y-%m-%d %H:%M:%S+00:00"), "MAIN.FLOW": np.round(quarter, 4)}
    )
    slow.to_csv(tmp_path / "slow.csv", index=False, sep=";")
    inspection = inspect_exports(tmp_path)
    assert "running total among flow rates" in what_is_said(inspection, "P2.FLOW")
    assert "total per 15 min beside the rate 'P1.FLOW'" in what_is_said(inspection, "MAIN.FLOW")
    assert what_is_said(inspection, "P1.FLOW") == ""


def test_an_absolute_pressure_among_gauge_pressures(tmp_path) -> None:
    s = series()
    put_wide(
        tmp_path,
        {"P1.SUCTION": s["suction"] - 0.1, "P2.SUCTION": s["suction"] - 0.1 + 1.01},
    )
    inspection = inspect_exports(tmp_path)
    assert "absolute pressure beside" in what_is_said(inspection, "P2.SUCTION")
    assert what_is_said(inspection, "P1.SUCTION") == ""


def test_a_flow_computed_from_the_tank(tmp_path) -> None:
    s = series()
    computed = np.append(np.diff(s["level"]), 0.0) * -50 * 60 + 120
    put_wide(tmp_path, {"T1.LEVEL": s["level"], "OUT.FLOW": computed, "P1.FLOW": s["flow"]})
    inspection = inspect_exports(tmp_path)
    assert "computed from the change of 'T1.LEVEL'" in what_is_said(inspection, "OUT.FLOW")
    assert what_is_said(inspection, "P1.FLOW") == ""


def test_two_meters_that_differ_in_proportion(tmp_path) -> None:
    s = series()
    noise = np.random.default_rng(2).normal(0, 0.5, MINUTES)
    put_wide(tmp_path, {"A.FLOW": s["flow"], "B.FLOW": 0.92 * s["flow"] + noise})
    assert "reads 0.92" in what_is_said(inspect_exports(tmp_path), "B.FLOW")


def test_vacuum_and_states(tmp_path) -> None:
    s = series()
    put_wide(
        tmp_path,
        {"P1 suction [inHg vac]": 3 + s["suction"], "P1.RUN": s["power"], "P2.RUN": s["flow"] > 0},
    )
    inspection = inspect_exports(tmp_path)
    assert "counts vacuum downwards" in what_is_said(inspection, "P1 suction [inHg vac]")
    assert "takes many values" in what_is_said(inspection, "P1.RUN")


def test_an_honest_station_raises_no_suspicion(tmp_path) -> None:
    s = series()
    put_wide(
        tmp_path,
        {
            "P1.FLOW": s["flow"],
            "T1.LEVEL": s["level"],
            "T2.LEVEL": s["other_level"],
            "P1.SUCTION": s["suction"],
            "P1.POWER": s["power"],
            "P1.DISCHARGE": 4 + 0.01 * s["flow"],
        },
    )
    assert inspect_exports(tmp_path).findings == ()


def test_the_sample_station_is_recognised(tmp_path) -> None:
    """Its own plant file says what every tag is and how every group of files is written."""
    for folder in sorted((SAMPLE / "exports").iterdir()):
        (tmp_path / "exports" / folder.name).mkdir(parents=True)
        # A history is a month of minutes; two files make a group.
        for file in sorted(folder.iterdir())[: 2 if folder.name == "history" else 3]:
            shutil.copy(file, tmp_path / "exports" / folder.name)
    inspection = inspect_exports(tmp_path)
    plant = read_plant(SAMPLE / "plant.toml")
    declared = {name: versions[0] for name, versions in plant.tags.items()}
    guessed = {t.facts.name: t for t in inspection.tags}
    assert guessed.keys() == declared.keys()
    for name, tag in declared.items():
        assert guessed[name].quantity.what == tag.quantity, name
        if guessed[name].unit.what and tag.quantity != "running":
            assert guessed[name].unit.what == tag.unit, name
    assert inspection.refused == ()
    written = {e.pattern: e for e in plant.exports}
    for group in inspection.groups:
        export = written[group.export.pattern]
        for key in ("layout", "time_column", "tag_column", "value_column", "status_column",
                    "time_format", "decimal", "skip_rows", "unit_row"):  # fmt: skip
            assert getattr(group.export, key) == getattr(export, key), (export.pattern, key)
    zones = {g.export.pattern for g in inspection.groups if any("zone" in u for u in g.unknown)}
    assert zones == {e.pattern for e in plant.exports if e.time_zone is not None}


def test_the_draft_is_a_plant_file_with_open_questions_only(tmp_path) -> None:
    s = series()
    odd = 'odd\x07 "name"'
    put_wide(tmp_path, {"P1.FLOW": s["flow"], "P1.SUCTION": s["suction"], odd: s["level"]})
    draft = inspect_exports(tmp_path).draft
    content = tomllib.loads(draft)
    assert content["plant_format"] == 1
    assert content["exports"][0]["time_column"] == "Timestamp"
    assert [t["name"] for t in content["tags"]] == ["P1.FLOW", "P1.SUCTION"]
    (tmp_path / "plant.toml").write_text(draft)
    with pytest.raises(PlantFileError) as caught:
        read_plant(tmp_path / "plant.toml")
    for fault in caught.value.faults:
        assert "exports" not in fault.where
        assert "unknown key" not in fault.found


def test_mixed_ways_of_writing_in_one_folder(tmp_path) -> None:
    s = series()
    put_wide(tmp_path, {"A.FLOW": s["flow"][:500]}, "a.csv")
    put_wide(tmp_path, {"A.FLOW": s["flow"][:500]}, "b.csv")
    german = (f"{v:.2f}".replace(".", ",") for v in s["level"][::40])
    rows = [
        f"{t:%d.%m.%Y %H:%M};B.LEVEL;{v};192\n" for t, v in zip(TIME[::40], german, strict=True)
    ]
    (tmp_path / "c.csv").write_text("time;tag;value;quality\n" + "".join(rows))
    inspection = inspect_exports(tmp_path)
    by_pattern = {g.export.pattern: g for g in inspection.groups}
    assert set(by_pattern) == {"c.csv", "*.csv"}
    assert by_pattern["c.csv"].export.decimal == ","
    assert by_pattern["*.csv"].files == ("a.csv", "b.csv")
    assert [t.facts.name for t in inspection.tags] == ["A.FLOW", "B.LEVEL"]


@pytest.mark.parametrize(
    ("numbers", "decimal", "thousands", "is_open"),
    [
        (["1,5", "0,25"], ",", None, False),
        (["1.234,5", "12,0"], ",", ".", False),
        (["1,234.5", "12.0"], ".", ",", False),
        (["1,234,567", "12"], ".", ",", False),
        (["0,125", "4,012"], ",", None, False),
        (["4,012", "5,013"], ",", None, True),
        (["1.5", "2.5"], ".", None, False),
    ],
)
def test_marks_of_numbers(tmp_path, numbers, decimal, thousands, is_open) -> None:
    rows = [f"2024-03-01T0{i % 10}:00:00Z;{numbers[i % 2]}" for i in range(10)]
    (tmp_path / "e.csv").write_text("Date;LEVEL\n" + "\n".join(rows) + "\n")
    seen = sniff(tmp_path / "e.csv")
    assert (seen.export.decimal, seen.export.thousands) == (decimal, thousands)
    assert any("comma" in question for question in seen.unknown) == is_open


@pytest.mark.parametrize(
    ("cell", "time_format"),
    [
        (lambda t: str(int(t.timestamp())), "epoch_s"),
        (lambda t: str(int(t.timestamp() * 1000)), "epoch_ms"),
        (lambda t: f"{t.timestamp() / 86400 + 25569:.8f}", "spreadsheet"),
        (lambda t: f"{(LAST - t).total_seconds() / 86400 + 45352:.8f}", "spreadsheet"),
        (lambda t: t.strftime("%m/%d/%Y %H:%M"), "month_first"),
        (lambda t: t.strftime("%d/%m/%Y %H:%M"), "day_first"),
        (lambda t: t.strftime("%Y-%m-%d %H:%M:%S"), "iso"),
    ],
)
def test_forms_of_time(tmp_path, cell, time_format: str) -> None:
    times = pd.date_range("2024-03-01", periods=600, freq="h", tz="UTC")
    rows = [f"{cell(t)}\t{i % 7}.5" for i, t in enumerate(times)]
    (tmp_path / "e.csv").write_text("Date\tLEVEL\n" + "\n".join(rows) + "\n")
    seen = sniff(tmp_path / "e.csv")
    assert (seen.export.time_format, seen.export.delimiter) == (time_format, "\t")
    assert any("zone" in u for u in seen.unknown) == (not time_format.startswith("epoch"))
    # Days counted from 1904 look the same (ECMA-376 Part 1, 18.17.4.1).
    assert any("1904" in r for r in seen.reasons) == (time_format == "spreadsheet")


def test_parquet_without_a_description(tmp_path) -> None:
    table = pa.table(
        {
            "ts": pa.array(TIME[:200].to_numpy()).cast(pa.timestamp("ns", "UTC")),
            "point": pa.array(["T1.LEVEL", "P1.FLOW"] * 100).dictionary_encode(),
            "val": np.arange(200.0),
            "q": pa.array([192] * 200, pa.uint8()),
        }
    )
    pq.write_table(table, tmp_path / "e.parquet")
    export = sniff(tmp_path / "e.parquet").export
    found = (export.layout, export.time_column, export.tag_column, export.value_column)
    assert found == ("long", "ts", "point", "val")
    assert export.status_column == "q"
    assert {t.quantity.what for t in inspect_exports(tmp_path).tags} == {"level", "flow"}


def test_what_cannot_be_described(tmp_path) -> None:
    with pytest.raises(ExportError, match="no export file at"):
        inspect_exports(tmp_path)
    (tmp_path / "readme.csv").write_text("just some words\nand some more\n")
    (tmp_path / "nohead.csv").write_text("2024-03-01T00:00:00Z,1\n2024-03-01T00:01:00Z,2\n")
    with pytest.raises(ExportError) as caught:
        inspect_exports(tmp_path)
    assert "readme.csv" in str(caught.value)
    assert "nohead.csv" in str(caught.value)


def test_a_path_that_misses_files_for_capital_letters(tmp_path) -> None:
    (tmp_path / "A.CSV").write_text(per_tag(1.0))
    with pytest.raises(ExportError, match="write the path as"):
        inspect_exports(tmp_path, ["*.csv"])


def test_a_first_row_of_data_with_a_text_in_it_is_no_row_of_units(tmp_path) -> None:
    rows = [f"{45962 + i / 1440:.6f}\t{i}\t#N/A\t{i % 7}" for i in range(200)]
    (tmp_path / "e.txt").write_text("\n".join(["Date\tFlow (gpm)\tLT (ft)\tPI (psi)", *rows, ""]))
    found = inspect_exports(tmp_path)
    assert not found.groups[0].export.unit_row
    units = {t.facts.name: t.unit.what for t in found.tags}
    assert units == {"Flow (gpm)": "gpm", "PI (psi)": "psi"}
    assert any("'LT (ft)' holds no numbers but '#N/A'" in r for r in found.groups[0].reasons)


def test_why_rows_were_refused_is_said(tmp_path) -> None:
    """Milliseconds written as nanoseconds lie in 1970."""
    time = pa.array(TIME.as_unit("ms").asi8).cast(pa.timestamp("ns", "UTC"))
    table = pa.table({"ts": time, "tag": ["FLOW"] * MINUTES, "value": np.ones(MINUTES)})
    pq.write_table(table, tmp_path / "e.parquet")
    found = inspect_exports(tmp_path)
    (note,) = found.groups[0].notes
    assert f"refused {MINUTES} time(s): the timestamp lies before 1980" in note
    assert "such as '1970-01-" in note
    assert note in found.draft.replace("\n# ", "\n")


def test_a_column_of_words_for_two_states_is_a_tag(tmp_path) -> None:
    s = series()
    running = np.where(s["power"] > 1, "Sí", "No")
    columns = {"Caudal": s["flow"], "Marcha 1": running}
    columns["Turno"] = np.where(running == "No", "noche", "tarde")
    put_wide(tmp_path, columns)
    found = inspect_exports(tmp_path)
    tags = {t.facts.name: t for t in found.tags}
    assert set(tags) == {"Caudal", "Marcha 1"}
    assert tags["Marcha 1"].quantity.what == "running"
    assert tags["Marcha 1"].facts.share_bad == 0
    said = " ".join(found.groups[0].reasons)
    assert "'Marcha 1' holds words of two states: 'No', 'Sí'." in said
    assert "'Turno' holds no numbers but 'noche', 'tarde': it is left out." in said


@pytest.mark.parametrize(
    ("name", "unit", "what"),
    [
        ("Presión impulsión 1", "bar", "discharge_pressure"),
        ("Débit pompe 2", "l/s", "flow"),
        ("Saugdruck P1", "mbar", "suction_pressure"),
        ("Analog 7", "bar", "pressure"),
        ("Analog 8", "%", ""),
        ("Analog 9", "kW", "electrical_power"),
    ],
)
def test_names_in_other_languages_and_units_alone(tmp_path, name, unit, what) -> None:
    rows = [f"{t};{i % 40},5" for i, t in enumerate(TIME.strftime("%Y-%m-%dT%H:%M:%SZ")[:300])]
    text = "\n".join([f"Zeit;{name}", f";{unit}", *rows, ""])
    (tmp_path / "e.csv").write_text(text, "utf-8")
    (tag,) = inspect_exports(tmp_path).tags
    assert tag.quantity.what == what


def test_clock_times_that_go_back_are_pointed_out_where_no_zone_is_known(tmp_path) -> None:
    # Lisbon's clocks went back at 01:00 UTC on 27 October 2024 (IANA time zone database).
    utc = pd.date_range("2024-10-26 12:00", periods=288, freq="5min", tz="UTC")
    local = utc.tz_convert("Europe/Lisbon").tz_localize(None)
    serial = (local - pd.Timestamp("1899-12-30")) / pd.Timedelta(days=1)
    cells = "\n".join(f"{t:.6f}\t{20 + i % 7}" for i, t in enumerate(serial))
    (tmp_path / "a.txt").write_bytes(("Time\tP1.FLOW\n" + cells).encode("utf-16"))
    notes = inspect_exports(tmp_path).groups[0].notes
    assert [n for n in notes if "go back and run on from there on 2024-10-27." in n]
    in_utc = (utc.tz_localize(None) - pd.Timestamp("1899-12-30")) / pd.Timedelta(days=1)
    cells = "\n".join(f"{t:.6f}\t{20 + i % 7}" for i, t in enumerate(in_utc))
    (tmp_path / "a.txt").write_bytes(("Time\tP1.FLOW\n" + cells).encode("utf-16"))
    assert not inspect_exports(tmp_path).groups[0].notes


def test_pressures_of_unknown_place_are_asked_about(tmp_path) -> None:
    rng = np.random.default_rng(3)
    put_wide(tmp_path, {"A_PT1": rng.normal(101.3, 0.5, 600), "A_PT2": rng.normal(505, 2, 600)})
    draft = inspect_exports(tmp_path).draft
    assert 'Pressures of unknown place: "A_PT1", "A_PT2".' in draft
    assert "No tag looks like discharge pressure" not in draft
    # One atmosphere is 101.325 kPa: a gauge pressure of that size would be chance.
    assert '# reference = "absolute"' in draft.partition('"A_PT1"')[2].partition("[[tags]]")[0]
    assert '# reference = "gauge"' in draft.partition('name = "A_PT2"')[2]


@pytest.mark.parametrize(
    ("first", "second", "words", "form"),
    [
        ("P1 FLOW.Quality", "P2 FLOW.Quality", ("Good", "Bad"), "{tag}.Quality"),
        ("q_P1 FLOW", "q_P2 FLOW", ("192", "0"), "q_{tag}"),
        ("Status", "Status", ("OK", "COMM FAIL"), "Status"),
    ],
)
def test_statuses_beside_the_tags_of_a_wide_file(tmp_path, first, second, words, form) -> None:
    lines = [f"time;P1 FLOW;{first};P2 FLOW;{second}"]
    lines += [f"2024-03-01T00:{m:02d}:00Z;{m}.5;{words[0]};7.{m};{words[m % 2]}" for m in range(60)]
    (tmp_path / "e.csv").write_text("\n".join(lines) + "\n")
    found = inspect_exports(tmp_path)
    assert found.groups[0].export.status_column == form
    assert f'status_column = "{form}"' in found.draft
    assert {t.facts.name: round(t.facts.share_bad, 3) for t in found.tags} == {
        "P1 FLOW": 0.0,
        "P2 FLOW": 0.5,
    }


def test_a_state_beside_a_tag_is_no_status_of_it(tmp_path) -> None:
    lines = ["time;P1;P1 state", *(f"2024-03-01T00:{m:02d}:00Z;{m}.5;On" for m in range(60))]
    (tmp_path / "e.csv").write_text("\n".join(lines) + "\n")
    (group,) = inspect_exports(tmp_path).groups
    assert group.export.status_column is None


def test_folders_that_name_the_tags(tmp_path) -> None:
    times = pa.array([1_709_251_200 + 60 * i for i in range(40)]).cast(pa.timestamp("s", "UTC"))
    for name, value in (("FT 1/A", 2.5), ("LT1", 3.5)):
        folder = tmp_path / "in" / f"tag={quote(name, safe='')}"
        folder.mkdir(parents=True)
        pq.write_table(pa.table({"ts": times, "value": [value] * 40}), folder / "p.parquet")
    found = inspect_exports(tmp_path)
    assert [t.facts.name for t in found.tags] == ["FT 1/A", "LT1"]
    assert 'tag_column = "tag"' in found.draft


def per_tag(value: float, head: str = "Timestamp,Value") -> str:
    rows = (f"2024-03-01T00:{m:02d}:00Z,{value + m % 7}\n" for m in range(60))
    return f"{head}\n{''.join(rows)}"


def exports_read_as_drafted(folder: Path, found: Inspection) -> dict[str, float]:
    """Median of each tag, as a plant with the draft's exports and all its tags reads them."""
    tables = tomllib.loads(found.draft)["exports"]
    (folder / "plant.toml").write_text(found.draft)
    with pytest.raises(PlantFileError) as caught:
        read_plant(folder / "plant.toml")
    assert not [f for f in caught.value.faults if f.where.startswith("exports")]
    assert [t["path"] for t in tables] == [g.export.pattern for g in found.groups]
    values: dict[str, list[float]] = {}
    for file in find_exports(folder, [g.export for g in found.groups]):
        reading = read_export(file.file, file.export, [t.facts.name for t in found.tags], file.path)
        assert reading.counts.rejected == 0
        for row in reading.samples.to_pylist():
            values.setdefault(row["tag"], []).append(row["value"])
    return {tag: float(np.median(own)) for tag, own in values.items()}


@pytest.mark.parametrize(
    ("names", "template", "pattern"),
    [
        (("in/P1.FLOW_2024-03.csv", "in/LT 1_2024-03.csv"), "{tag}_[0-9]*.csv", "in/*.csv"),
        (("P1.FLOW.csv", "LT 1.csv"), "{tag}.csv", "*.csv"),
        (("P1.FLOW/2024-03.csv", "LT 1/2024-03.csv"), "{tag}/*.csv", "*/*.csv"),
        (("export_P1.FLOW.CSV", "export_LT 1.CSV"), "export_{tag}.CSV", "*.CSV"),
    ],
)
def test_one_file_per_tag(tmp_path, names, template, pattern) -> None:
    for name, value in zip(names, (20.0, 3.0), strict=True):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(per_tag(value))
    found = inspect_exports(tmp_path)
    assert {t.facts.name: t.quantity.what for t in found.tags} == {
        "P1.FLOW": "flow",
        "LT 1": "level",
    }
    (group,) = found.groups
    assert (group.export.tag_in_path, group.export.pattern) == (template, pattern)
    assert group.unknown == ()
    assert "No column names a tag; guessed from the f" in group.reasons[-1]
    assert f'tag_in_path = "{template}"' in found.draft
    # Values 0 to 6 over the least, of 60 minutes: the median is the fourth of seven.
    assert exports_read_as_drafted(tmp_path, found) == {"P1.FLOW": 23.0, "LT 1": 6.0}


def test_status_unit_and_words_of_one_tag_files(tmp_path) -> None:
    head = "Time,Value,Quality,Unit"
    for name, unit in (("P1 A", "m3/h"), ("P1 B", "kW")):
        rows = per_tag(5.0, head).replace("\n2024", f",192,{unit}\n2024").rstrip()
        text = rows.replace(f"{head},192,{unit}", head)
        (tmp_path / f"{name}.csv").write_text(f"{text},192,{unit}\n")
    rows = "".join(f"2024-03-01T00:{m:02d}:00Z,{('On', 'Off')[m % 2]}\n" for m in range(60))
    (tmp_path / "P1 RUN.csv").write_text(f"Time,Value\n{rows}")
    found = inspect_exports(tmp_path)
    tags = {t.facts.name: (t.quantity.what, t.unit.what) for t in found.tags}
    assert tags == {
        "P1 A": ("flow", "m3/h"),
        "P1 B": ("electrical_power", "kW"),
        "P1 RUN": ("running", "1"),
    }
    by_status = {g.export.status_column: g.export.pattern for g in found.groups}
    assert by_status == {None: "P1 RUN.csv", "Quality": "*.csv"}
    assert {t.facts.share_bad for t in found.tags} == {0.0}


@pytest.mark.parametrize("month", ["202403", "2024-03"])
def test_columns_named_with_their_unit_part_the_groups_by_tag(tmp_path, month) -> None:
    """Bare digits are a month because the samples are of it."""
    for name, unit, value in (("P1 A", "m3/h", 20.0), ("P1 B", "kW", 30.0), ("P1 C", "kW", 40.0)):
        (tmp_path / f"{name}_{month}.csv").write_text(per_tag(value, f"Time,Value ({unit})"))
    found = inspect_exports(tmp_path)
    digits = "".join("[0-9]" if c.isdigit() else c for c in month)
    assert [g.export.pattern for g in found.groups] == [f"P1 A_{digits}.csv", "*.csv"]
    assert {t.facts.name: t.unit.what for t in found.tags} == {
        "P1 A": "m3/h",
        "P1 B": "kW",
        "P1 C": "kW",
    }
    expected = {"P1 A": 23.0, "P1 B": 33.0, "P1 C": 43.0}
    assert exports_read_as_drafted(tmp_path, found) == expected


def test_no_group_takes_the_files_of_another(tmp_path) -> None:
    """A folder per tag beside folders of other exports: '*/*.csv' would meet them all."""
    head = "Time,P1 A,P1 B"
    for path, text in (
        ("FT1/2024-03.csv", per_tag(20.0)),
        ("LT1/2024-03.csv", per_tag(3.0)),
        ("names/JT1_2024-03.csv", per_tag(40.0)),
        ("names/JT2_2024-03.csv", per_tag(50.0)),
        ("wide/a.csv", per_tag(7.0, head).replace("\n2024", ",5\n2024").replace("B,5", "B")),
    ):
        (tmp_path / path).parent.mkdir(exist_ok=True)
        (tmp_path / path).write_text(text[:-1] + ",5\n" if "wide" in path else text)
    found = inspect_exports(tmp_path)
    expected = {"FT1": 23.0, "LT1": 6.0, "JT1": 43.0, "JT2": 53.0, "P1 A": 10.0, "P1 B": 5.0}
    assert exports_read_as_drafted(tmp_path, found) == expected


def test_columns_of_one_name_in_files_of_two_stations(tmp_path) -> None:
    for name in ("1.north_2024-03", "2.north_2024-03"):
        (tmp_path / f"{name}.csv").write_text(per_tag(5.0, "Time,LEVEL"))
    (group,) = inspect_exports(tmp_path).groups
    assert "such as 'LEVEL' in 1.north_2024-03.csv and in 2.north_2024-03.csv" in group.unknown[-1]
    # Months, and parts of one export, are no stations.
    for name in ("1.north_2024-04", "1.north (3)"):
        (tmp_path / "2.north_2024-03.csv").rename(tmp_path / f"{name}.csv")
        assert inspect_exports(tmp_path).groups[0].unknown == ()
        (tmp_path / f"{name}.csv").rename(tmp_path / "2.north_2024-03.csv")


def test_stations_with_files_of_the_same_name(tmp_path) -> None:
    for folder, value in (("N", 20.0), ("S", 40.0)):
        (tmp_path / folder).mkdir()
        for name, more in (("FLOW", 0.0), ("POWER", 1.0)):
            (tmp_path / folder / f"{name}_2024-03.csv").write_text(per_tag(value + more))
    found = inspect_exports(tmp_path)
    assert exports_read_as_drafted(tmp_path, found) == {
        "N/FLOW": 23.0,
        "N/POWER": 24.0,
        "S/FLOW": 43.0,
        "S/POWER": 44.0,
    }
    assert 'tag = "N/FLOW"' in found.draft


def test_files_of_an_archive_and_of_folders_that_name_tags(tmp_path) -> None:
    with zipfile.ZipFile(tmp_path / "june.zip", "w") as archive:
        archive.writestr("P1.FLOW_2024-03.csv", per_tag(20.0))
        archive.writestr("P2.FLOW_2024-03.csv", per_tag(30.0))
    (tmp_path / "tag=LT%201").mkdir()
    (tmp_path / "tag=LT%201" / "a.csv").write_text(per_tag(3.0, "Time,Level"))
    found = inspect_exports(tmp_path)
    assert exports_read_as_drafted(tmp_path, found) == {
        "LT 1": 6.0,
        "P1.FLOW": 23.0,
        "P2.FLOW": 33.0,
    }


def test_every_tag_of_many_files_is_looked_at(tmp_path) -> None:
    for n in range(4):
        (tmp_path / f"P{n}.FLOW.csv").write_text(per_tag(float(n)))
    found = inspect_exports(tmp_path, most_samples=60)
    assert [t.facts.name for t in found.tags] == [f"P{n}.FLOW" for n in range(4)]
    assert "Only some 15 samples of each file were looked at." in found.groups[0].notes


def test_a_column_called_after_its_tag_needs_no_name_of_the_file(tmp_path) -> None:
    for day in ("01", "02"):
        (tmp_path / f"X_{day}.csv").write_text(per_tag(5.0, "Time,P1 FLOW reading"))
    found = inspect_exports(tmp_path)
    assert [t.facts.name for t in found.tags] == ["P1 FLOW reading"]


def test_files_that_name_their_tag_nowhere(tmp_path) -> None:
    for name in ("2024-03", "2024-04"):
        text = "".join(f"2024-03-01T00:{m:02d}:00Z,{m}.5\n" for m in range(60))
        (tmp_path / f"{name}.csv").write_text("Timestamp,Value\n" + text)
    (group,) = inspect_exports(tmp_path).groups
    assert "Which tag each file holds: all call their values 'Value'" in group.unknown[0]


def test_an_archive_with_a_word_to_the_reader(tmp_path) -> None:
    with zipfile.ZipFile(tmp_path / "e.zip", "w") as archive:
        archive.writestr("LIESMICH.txt", "Nur zum internen Gebrauch.\n")
        rows = "".join(f"2024-03-01T00:{m:02d}:00Z;{m}.5\n" for m in range(60))
        archive.writestr("data.csv", "time;P1 FLOW\n" + rows)
    found = inspect_exports(tmp_path)
    assert [t.facts.name for t in found.tags] == ["P1 FLOW"]


@pytest.mark.parametrize(("written", "declared"), [("'", "'"), ("\u202f", " "), (" ", " ")])
def test_marks_that_group_thousands_in_one_column_of_one_file(tmp_path, written, declared) -> None:
    head = "time;P1 FLOW;Z\u00e4hler (m3)\n"
    for day, counted in (("01", "7.5"), ("02", f"1{written}234.5")):
        rows = [f"2024-03-{day}T00:{m:02d}:00Z;{m}.5;{counted}\n" for m in range(60)]
        (tmp_path / f"{day}.csv").write_text(head + "".join(rows), encoding="utf-8")
    found = inspect_exports(tmp_path)
    assert found.groups[0].export.thousands == declared
    assert any("groups thousands" in reason for reason in found.groups[0].reasons)
    counter = found.tags[1]
    assert (counter.facts.high, counter.quantity.what, counter.unit.what) == (
        1234.5,
        "flow_total",
        "m3",
    )


def test_a_column_left_out_of_a_later_file_is_told(tmp_path) -> None:
    for day, cell in (("01", "7.5"), ("02", "see page ")):
        rows = [f"2024-03-{day}T00:{m:02d}:00Z;{m}.5;{cell}{m}\n" for m in range(60)]
        (tmp_path / f"{day}.csv").write_text("time;P1 FLOW;P1 LEVEL\n" + "".join(rows))
    (group,) = inspect_exports(tmp_path).groups
    assert any("'P1 LEVEL' holds no numbers" in reason for reason in group.reasons)


@pytest.mark.parametrize(
    ("name", "quantity", "unit"),
    [("Puissance (kW)", "electrical_power", "kW"), ("=PH1+K01-P1 kW", "electrical_power", "kW")],
)
def test_units_in_names_say_what_is_measured(tmp_path, name, quantity, unit) -> None:
    rows = "".join(f"2024-03-01T00:{m:02d}:00Z;{m}.5\n" for m in range(60))
    (tmp_path / "e.csv").write_text(f"time;{name}\n" + rows)
    (tag,) = inspect_exports(tmp_path).tags
    assert (tag.quantity.what, tag.unit.what) == (quantity, unit)


def test_what_a_unit_or_a_counter_says_is_not_asked_again(tmp_path) -> None:
    head = "time;P1 SUCTION PSIA;P2 SUCTION PSIG;P1 TOTALIZER m3\n"
    time = pd.date_range("2024-03-01", periods=400, freq="10min").strftime("%Y-%m-%dT%H:%M:%SZ")
    gauge = [3.0 + np.sin(n / 9.0) for n in range(400)]
    rows = [f"{time[n]};{p + 14.7:.3f};{p:.3f};{n}\n" for n, p in enumerate(gauge)]
    (tmp_path / "e.csv").write_text(head + "".join(rows))
    found = inspect_exports(tmp_path)
    assert not [f for f in found.findings if "absolute" in f.what]
    assert "reference" not in found.draft
    assert 'measures = "running_total"' in found.draft


def test_decimal_commas_between_quotes_and_commas(tmp_path) -> None:
    rows = [f'2024-03-01T00:{m:02d}:00Z,P{m % 2},"{m},5"' for m in range(60)]
    (tmp_path / "e.csv").write_text("time,tag,value\n" + "\n".join(rows) + "\n")
    (group,) = inspect_exports(tmp_path).groups
    assert (group.export.layout, group.export.decimal) == ("long", ",")
    samples = read_export(tmp_path / "e.csv", group.export, ["P0", "P1"]).samples
    assert sorted(samples["value"].to_pylist()) == [m + 0.5 for m in range(60)]


@pytest.mark.parametrize("words", [("192", "24"), ("0x00000000", "0x80050000"), ("fein", "faul")])
@pytest.mark.parametrize(
    ("name", "form"), [("status", "status"), ("P1 FLOW.Quality", "{tag}.Quality")]
)
def test_one_tag_with_its_status(tmp_path, words, name: str, form: str) -> None:
    # Times that occur twice must not make the statuses names of tags.
    rows = [f"2024-03-01T00:{m:02d}:00Z;{m}.5;{words[m % 2]}" for m in (*range(60), 7, 8)]
    (tmp_path / "e.csv").write_text(f"time;P1 FLOW;{name}\n" + "\n".join(rows) + "\n")
    found = inspect_exports(tmp_path)
    assert (found.groups[0].export.layout, found.groups[0].export.status_column) == ("wide", form)
    assert [t.facts.name for t in found.tags] == ["P1 FLOW"]
    is_open = any("fein" in question for question in found.groups[0].unknown)
    assert is_open == (words[0] == "fein")


def test_status_codes_are_no_times(tmp_path) -> None:
    # OPC 10000-6, A.2: 0x40900000 is Uncertain_LastUsableValue; as a number, a time in 2004.
    rows = [f"{m};{m}.5;{0x40900000}" for m in range(60)]
    (tmp_path / "e.csv").write_text("row;P1 FLOW;status\n" + "\n".join(rows) + "\n")
    with pytest.raises(ExportError, match="holds timestamps"):
        inspect_exports(tmp_path)
