"""Every kind of fault in a plant file gives one clear sentence, and all come at once."""

import datetime as dt
import json
import re

import pytest

from pipeline.errors import PlantFileError
from pipeline.plant import read_plant

MANY = "9" * 400

LEVEL = {"id": "T1", "level_tag": "LT1", "level_zero_elevation": "2.5 m"}
TANK = {"id": "a", "level_tag": "LT1", "level_zero_elevation": "2.5 m", "valve_tag": "VS1"}
TANKS = {
    "id": "T1",
    "kind": "switched_tanks",
    "tanks": [TANK, {**TANK, "id": "b", "valve_tag": "VS2"}],
}
WELL = {
    "id": "T1",
    "kind": "well",
    "static_level": "-3 m",
    "drawdown": {"aquifer_loss": "0.01 m/(m3/h)"},
}
STRAINER = {
    "id": "common",
    "carries": ["P1", "P2"],
    "pipe": {"diameter": "300 mm", "length": "20 m"},
    "strainer_tag": "DP1",
}
COLUMN = {"loss": "0.5 m", "at_flow": "200 m3/h"}

# The source a fault is planted in, where it is not the open tank of the valid file.
SOURCE_OF = {
    **dict.fromkeys(("no valve", "valve that is none", "tank level", "tank key"), TANKS),
    **dict.fromkeys(
        (
            "well without level",
            "no drawdown",
            "empty drawdown",
            "drawdown unit",
            "drawdown key",
            "settling",
        ),
        WELL,
    ),
}

ONE_FAULT = {
    # What the file must have.
    "format": (("plant_format", 2), "plant_format: found 2; expected 1. Use a matching"),
    "no format": (("plant_format", ...), "plant_format: found nothing; expected a number"),
    "no station": (("station", ...), r"station: found no \[station\] table"),
    "station no table": (("station", 3), r"station: found 3; expected a table \[station\]"),
    "no exports": (("exports", ...), r"exports: found no \[\[exports\]\] table"),
    "no pumps": (("pumps", ...), r"pumps: found no \[\[pumps\]\] table"),
    "no liquid": (("liquid", ...), r"liquid: found no \[liquid\] table"),
    "pumps no list": (("pumps", {"id": "P1"}), r"pumps: found a table; expected tables \[\[pumps"),
    # Unknown keys.
    "top key": (("tarif", {}), "tarif: found an unknown key.*Did you mean 'tariff'"),
    "pump key": (
        ("pumps", 0, "flow_tagg", "FT1"),
        "pumps 'P1', flow_tagg: found an unknown key.*Did you mean 'flow_tag'",
    ),
    "far key": (("pumps", 0, "paint", "red"), "paint: found an unknown key.*Remove it"),
    "nested key": (
        ("pumps", 0, "suction_tap", "elevatoin_u", "1 cm"),
        "pumps 'P1', suction_tap, elevatoin_u: found an unknown key.*'elevation_u'",
    ),
    "fitting key": (
        ("suction_lines", 0, "header", 0, "fittings", 0, "cout", 2),
        "suction_lines 'S', header 'common', fittings 'bend', cout: .*Did you mean 'count'",
    ),
    # Texts, numbers, dates.
    "no text": (("station", "name", ...), "station, name: found nothing; expected a text. Add"),
    # One spelling of each unit, so that nobody has to guess.
    "no unit": (
        ("tags", 1, "unit", ...),
        "tags 'FT1', unit: found nothing; expected one of m3/s, m3/min, m3/h, m3/d, l/s, .*'unit'",
    ),
    "no quantity": (
        ("tags", 1, "quantity", ...),
        "tags 'FT1', quantity: found nothing; expected one of .*flow, .*. Add 'quantity'",
    ),
    "number for text": (("station", "name", 3), "station, name: found 3; expected a text in quo"),
    "blank text": (("station", "name", " "), "station, name: found ' '; expected a text"),
    "control": (("station", "name", "a\x00b"), "name: found 'a\\?b'; expected a text without con"),
    "zone": (("station", "time_zone", "Lisbon"), "time_zone: found 'Lisbon'; expected an IANA"),
    "zone path": (("station", "time_zone", "/etc"), "time_zone: found '/etc'; expected an IANA"),
    "no zone": (("station", "time_zone", ...), "station, time_zone: found nothing"),
    "grid": (("station", "grid", "7 min"), "grid: found 420 s; expected a duration that divid"),
    "word": (
        ("station", "display_units", "si"),
        "display_units: found 'si'; expected one of SI, US",
    ),
    "flag": (("exports", 0, "unit_row", "yes"), "unit_row: found 'yes'; expected true or false"),
    "whole": (("exports", 0, "skip_rows", 1.5), "skip_rows: found 1.5; expected a whole number"),
    "text for number": (
        ("pumps", 0, "driver", "rated_efficiency", "93 %"),
        "rated_efficiency: found '93 %'; expected a number without unit",
    ),
    "per cent": (
        ("pumps", 0, "driver", "rated_efficiency", 93),
        "rated_efficiency: found 93; expected a number from 0.2 to 1",
    ),
    "not a number": (
        ("suction_lines", 0, "exponent", float("nan")),
        "exponent: found nan; expected a number from 1.5 to 2.2",
    ),
    "huge": (("tariff", "energy_price", int(MANY)), "energy_price: found a number of more than"),
    "poles": (("pumps", 0, "driver", "poles", 3), "poles: found 3; expected an even number"),
    "date": (
        ("pumps", 0, "baseline", "from", "spring"),
        "pumps 'P1', baseline, from: found 'spring'; expected a date such as 2025-03-01",
    ),
    "old date": (("liquid", "valid_from", dt.date(25, 3, 1)), "found 0025-03-01; expected a dat"),
    "time only": (("liquid", "valid_from", dt.time(12)), "found 12:00:00; expected a date"),
    "currency": (("tariff", "currency", "Euro"), "currency: found 'Euro'; expected three letter"),
    # Units.
    "no unit of a measure": (
        ("pumps", 0, "reference_elevation", "2"),
        "pumps 'P1', reference_elevation: found ''; expected one of m, metre",
    ),
    "bare number": (
        ("pumps", 0, "reference_elevation", 2),
        "reference_elevation: found 2; expected a number with its unit, in quotes, like '2.5 m'",
    ),
    "missing measure": (
        ("pumps", 0, "reference_elevation", ...),
        "reference_elevation: found nothing; expected an elevation with its unit",
    ),
    "wrong unit": (("station", "altitude", "3 bar"), "altitude: found 'bar'; expected one of m"),
    "no number": (("station", "altitude", "high"), "altitude: found 'high'; expected a number a"),
    "endless": (("station", "altitude", "1e999 m"), "altitude: found '1e999 m'; expected an alt"),
    "bounds": (
        ("pumps", 0, "suction_tap", "diameter", "200 m"),
        "diameter: found '200 m'; expected a diameter from 0.005 to 10 m",
    ),
    "negative": (
        ("pumps", 0, "suction_tap", "elevation_u", "-1 cm"),
        "elevation_u: found '-1 cm'; expected an elevation of at least 0 m",
    ),
    # Tags.
    "tag unit": (
        ("tags", 1, "unit", "m3/hour"),
        "tags 'FT1', unit: found 'm3/hour'; expected one of m3/s",
    ),
    "milli": (("tags", 4, "unit", "mPa"), "tags 'PT2', unit: found 'mPa'"),
    "quantity": (
        ("tags", 1, "quantity", "flows"),
        "tags 'FT1', quantity: found 'flows'; expected one of flow.*Did you mean 'flow'",
    ),
    "computed quantity": (("tags", 1, "quantity", "total_head"), "quantity: found 'total_head'"),
    "reference missing": (
        ("tags", 4, "unit", "psi"),
        "tags 'PT2', reference: found nothing; expected 'gauge' or 'absolute'.*never guess",
    ),
    "reference contradicts": (
        ("tags", 4, "reference", "absolute"),
        "reference: found 'absolute' with unit 'psig'; expected 'gauge', which that unit says",
    ),
    "reference of a flow": (
        ("tags", 1, "reference", "gauge"),
        "tags 'FT1', reference: found 'gauge' on flow; expected no reference. Remove it",
    ),
    "percent of no range": (
        ("tags", 1, "unit", "%"),
        "tags 'FT1', unit: found '%', a part of the instrument's range; expected the range besid",
    ),
    "range count": (("tags", 3, "range", [0, 1, 2]), r"range: found 3 value\(s\); expected two"),
    "range empty": (("tags", 3, "range", [5, 5]), "range: found '5' and '5'; expected two diff"),
    "range unit": (("tags", 3, "range", ["0 m", "1 m"]), "tags 'PT1', range: found 'm'; expect"),
    "range reference": (
        ("tags", 3, "range", ["0 bara", "4 bara"]),
        "range: found '0 bara' of a tag in gauge pressure; expected gauge too",
    ),
    "range no list": (("tags", 3, "range", True), "range: found true; expected a list of texts"),
    "accuracy": (
        ("tags", 3, "accuracy", "systematic", "good"),
        "accuracy, systematic: found 'good'; expected like '0.5 % of span', '1 % of reading' or",
    ),
    "accuracy of what": (
        ("tags", 3, "accuracy", "systematic", "0.5 %"),
        "accuracy, systematic: found '0.5 %'; expected like '0.5 % of span'",
    ),
    "accuracy unit": (("tags", 3, "accuracy", "systematic", "1 m"), "found '1 m'; expected like"),
    "accuracy size": (
        ("tags", 3, "accuracy", "systematic", "500 % of span"),
        "found '500 % of span'; expected a part from 0 to 100 %",
    ),
    "accuracy silent": (
        ("tags", 3, "accuracy", {"random": "1 kPa"}),
        "tags 'PT1', accuracy, systematic: found nothing",
    ),
    "span unknown": (
        ("tags", 1, "accuracy", {"systematic": "1 % of span"}),
        "'1 % of span' without a range; expected the tag's range. Add 'range'",
    ),
    "gap": (("tags", 1, "max_gap", "2 d"), "max_gap: found '2 d'; expected a duration from 1 to"),
    # Exports.
    "time format": (
        ("exports", 0, "time_format", "dayfirst"),
        "time_format: found 'dayfirst'; expected one of iso.*Did you mean 'day_first'",
    ),
    "encoding": (("exports", 0, "encoding", "latin-99"), "encoding: found 'latin-99'; expected"),
    "no encoding": (("exports", 0, "encoding", "base64"), "encoding: found 'base64'; expected"),
    "delimiter": (("exports", 0, "delimiter", "::"), "delimiter: found '::'; expected one of"),
    "marks": (
        ("exports", 0, "thousands", "."),
        "exports 'exports/\\*.csv', thousands: found '.', the decimal mark too",
    ),
    "status by tag": (
        ("exports", 0, "status_column", "{tag}.q"),
        "status_column: found '{tag}.q' in a long export; expected one name",
    ),
    "columns": (
        ("exports", 0, "value_column", "tag"),
        "value_column: found 'tag', which is tag_column too; expected a column of its own",
    ),
    "tag twice": (
        ("exports", 0, {"path": "x", "tag": "FT1", "tag_in_path": "{tag}_*"}),
        "tag_in_path: found tag_in_path beside tag; expected one of tag, tag_in_path and tag_col",
    ),
    "tag beside column": (
        ("exports", 0, {"path": "x", "tag": "FT1", "tag_column": "t"}),
        "tag_column: found tag_column beside tag; expected one of",
    ),
    "tag of wide": (
        ("exports", 0, {"path": "x", "layout": "wide", "tag_in_path": "{tag}_*"}),
        "tag_in_path: found one in a wide export; expected none",
    ),
    "no end of tag": (
        ("exports", 0, {"path": "x", "tag_in_path": "{tag}*.csv"}),
        "tag_in_path: found '{tag}\\*.csv', where nothing tells where the tag ends; expected a ma",
    ),
    "tag outside": (
        ("exports", 0, {"path": "x", "tag_in_path": "../{tag}.csv"}),
        "tag_in_path: found '../{tag}.csv'; expected the end of a path, such as",
    ),
    "export zone": (("exports", 0, "time_zone", "CET/DST"), "time_zone: found 'CET/DST'"),
    "status words": (("exports", 0, "status_words", {"fine": "OK"}), "fine: found an unknown k"),
    # Suction side.
    "source kind": (
        ("suction_sources", 0, "kind", "opentank"),
        "kind: found 'opentank'; expected one of open_tank.*Did you mean 'open_tank'",
    ),
    "key of another kind": (
        ("suction_sources", 0, "pressure_tag", "PS1"),
        "suction_sources 'T1', pressure_tag: found an unknown key; expected one of id, kind, lev",
    ),
    "main without height": (
        ("suction_sources", 0, {"id": "T1", "kind": "pressurised_main", "pressure_tag": "PS1"}),
        "suction_sources 'T1', pressure_elevation: found nothing; expected an elevation with",
    ),
    "vessel": (
        ("suction_sources", 0, {**LEVEL, "kind": "pressurised_vessel"}),
        "suction_sources 'T1', pressure_tag: found nothing; expected a text. Add 'pressure_tag'",
    ),
    "vessel tag": (
        ("suction_sources", 0, {**LEVEL, "kind": "pressurised_vessel", "pressure_tag": "LT1"}),
        "pressure_tag: found tag 'LT1', which measures level; expected a pressure or suction pre",
    ),
    "vessel temperature": (
        (
            "suction_sources",
            0,
            {**LEVEL, "kind": "deaerator", "pressure_tag": "PS1", "temperature_tag": "PS1"},
        ),
        "temperature_tag: found tag 'PS1', which measures suction pressure; expected a temperat",
    ),
    "deaerator": (
        ("suction_sources", 0, {**LEVEL, "kind": "deaerator"}),
        "suction_sources 'T1', pressure_tag: found neither a pressure_tag nor a temperature_tag",
    ),
    "one tank": (
        ("suction_sources", 0, {"id": "T1", "kind": "switched_tanks", "tanks": [TANK]}),
        r"suction_sources 'T1', tanks: found 1 tank\(s\); expected two or more, each with id, le",
    ),
    "no tanks": (
        ("suction_sources", 0, {"id": "T1", "kind": "switched_tanks"}),
        r"suction_sources 'T1', tanks: found 0 tank\(s\); expected two or more",
    ),
    "tanks alike": (
        ("suction_sources", 0, {**TANKS, "tanks": [TANK, {**TANK, "valve_tag": "VS2"}]}),
        "tanks 'a', id: found a second tank 'a'; expected a name of its own",
    ),
    "valves alike": (
        ("suction_sources", 0, {**TANKS, "tanks": [TANK, {**TANK, "id": "b"}]}),
        "tanks 'b', valve_tag: found 'VS1' of another tank; expected a valve of its own",
    ),
    "no valve": (
        ("suction_sources", 0, "tanks", 1, "valve_tag", ...),
        "suction_sources 'T1', tanks 'b', valve_tag: found nothing; expected a text",
    ),
    "valve that is none": (
        ("suction_sources", 0, "tanks", 1, "valve_tag", "LT1"),
        "tanks 'b', valve_tag: found tag 'LT1', which measures level; expected a valve open tag",
    ),
    "tank level": (
        ("suction_sources", 0, "tanks", 1, "level_tag", "LT11"),
        "tanks 'b', level_tag: found tag 'LT11'; expected a tag of this file.*Did you mean 'LT1'",
    ),
    "tank key": (
        ("suction_sources", 0, "tanks", 1, "valve_tags", "VS2"),
        "tanks 'b', valve_tags: found an unknown key.*Did you mean 'valve_tag'",
    ),
    "well without level": (
        ("suction_sources", 0, "static_level", ...),
        "suction_sources 'T1', static_level: found neither a static_level nor a level_tag; expe",
    ),
    "well with both": (
        ("suction_sources", 0, {**LEVEL, **WELL}),
        "suction_sources 'T1', static_level: found a static_level beside a level_tag; expected",
    ),
    "no drawdown": (
        ("suction_sources", 0, "drawdown", ...),
        "suction_sources 'T1', drawdown: found nothing; expected a table drawdown with aquifer",
    ),
    "empty drawdown": (
        ("suction_sources", 0, "drawdown", {"settling_time": "2 h"}),
        "drawdown, aquifer_loss: found neither an aquifer_loss nor a well_loss; expected one of",
    ),
    "drawdown unit": (
        ("suction_sources", 0, "drawdown", "well_loss", "3 m"),
        "suction_sources 'T1', drawdown, well_loss: found 'm'; expected one of s2/m5, m/",
    ),
    "drawdown key": (
        ("suction_sources", 0, "drawdown", "settling", "2 h"),
        "drawdown, settling: found an unknown key.*Did you mean 'settling_time'",
    ),
    "settling": (
        ("suction_sources", 0, "drawdown", "settling_time", "3 d"),
        "settling_time: found '3 d'; expected a duration from 0 to 172800 s",
    ),
    "gauge in a wet well": (
        ("suction_sources", 0, {**LEVEL, "kind": "wet_well"}),
        "pumps 'P1', suction_pressure_tag: found a suction gauge on a pump that hangs in wet w",
    ),
    "strainer tag": (
        ("suction_lines", 0, "header", 0, "strainer_tag", "LT1"),
        "'common', strainer_tag: found tag 'LT1', which measures level",
    ),
    "strainer drawn": (
        ("suction_lines", 0, "header", 0, {**STRAINER, "fittings": [{"name": "strainer", "k": 2}]}),
        "fittings: found 'strainer' beside a strainer_tag; expected the strainer's loss once",
    ),
    "tap at a strainer": (
        ("suction_lines", 0, "branches", 0, {"pump": "P1", "strainer_tag": "DP1"}),
        "pumps 'P1', suction_tap, position: found nothing; expected before_strainer, after_str",
    ),
    "column of nothing": (
        ("pumps", 0, "column", {}),
        "pumps 'P1', column, loss: found neither a pipe nor a loss; expected one of them",
    ),
    "column twice": (
        ("pumps", 0, "column", {**COLUMN, "pipe": {"diameter": "0.2 m", "length": "9 m"}}),
        "pumps 'P1', column, loss: found both a pipe and a loss; expected one of them",
    ),
    "column flow": (
        ("pumps", 0, "column", {"loss": "0.5 m"}),
        "pumps 'P1', column, at_flow: found nothing; expected a flow with its unit",
    ),
    "column key": (
        ("pumps", 0, "column", {**COLUMN, "lose_u": "0.1 m"}),
        "pumps 'P1', column, lose_u: found an unknown key.*Did you mean 'loss_u'",
    ),
    "no carries": (
        ("suction_lines", 0, "header", 0, "carries", []),
        "header 'common': found no pump in carries; expected the pumps downstream",
    ),
    "carries twice": (
        ("suction_lines", 0, "header", 0, "carries", ["P1", "P1"]),
        "header 'common', carries: found P1, P1; expected each pump once",
    ),
    "carries whom": (
        ("suction_lines", 0, "header", 0, "carries", ["P1", "P22"]),
        "found pump 'P22'; expected a pump of this file.*Did you mean 'P2'",
    ),
    "two branches": (
        ("suction_lines", 0, "branches", "+", {"pump": "P1"}),
        "branches 'P1', pump: found a second branch to 'P1'; expected one branch per pump",
    ),
    "no branch": (
        ("suction_lines", 0, "branches", 1, ...),
        "pumps 'P2', suction_line: found line 'S' without a branch to it",
    ),
    "fittings alone": (
        ("suction_lines", 0, "branches", 0, "fittings", [{"name": "bend", "k": 0.3}]),
        "branches 'P1', fittings: found fittings without a pipe",
    ),
    "header twice": (
        ("suction_lines", 0, "header", "+", {"id": "common", "carries": ["P1"]}),
        "header 'common', id: found a second segment 'common'; expected a name of its own",
    ),
    "line source": (
        ("suction_lines", 0, "source", "T2"),
        r"suction_lines 'S', source: found 'T2'; expected a suction source of this file \(T1\)",
    ),
    "side stream": (
        ("suction_lines", 0, "branches", 0, "side_streams", ["-FT9"]),
        "side_streams: found tag 'FT9'; expected a tag of this file.*Did you mean 'FT2'",
    ),
    "water temperature": (
        ("liquid", {"name": "water"}),
        "liquid, temperature: found nothing; expected a temperature or a temperature_tag",
    ),
    "brine density": (
        ("liquid", {"name": "brine"}),
        "liquid, density: found nothing; expected the density of 'brine'",
    ),
    # Pumps and meters.
    "no tap": (("pumps", 0, "suction_tap", ...), "suction_tap: found nothing; expected a table"),
    "tap no table": (("pumps", 0, "suction_tap", 1), "suction_tap: found 1; expected a table"),
    "pump line": (
        ("pumps", 0, "suction_line", "Z"),
        "pumps 'P1', suction_line: found 'Z'; expected a suction line of this file",
    ),
    "no running": (
        ("pumps", 0, "power_tag", ...),
        "pumps 'P1': found no running_tag and no power_tag; expected something that tells",
    ),
    "no flow": (("pumps", 0, "flow_tag", ...), "pumps 'P1': found no flow; expected a flow_tag"),
    "tag of another kind": (
        ("pumps", 0, "power_tag", "FT1"),
        "power_tag: found tag 'FT1', which measures flow; expected an electrical power tag",
    ),
    "unknown tag": (
        ("pumps", 0, "power_tag", "JT11"),
        "pumps 'P1', power_tag: found tag 'JT11'; expected a tag of this file.*Did you mean 'JT1'",
    ),
    "meter": (
        ("flow_meters", [{"id": "M", "tag": "FT1", "serves": ["P3"]}]),
        "flow_meters 'M', serves: found pump 'P3'; expected a pump of this file",
    ),
    "meter of nothing": (
        ("flow_meters", [{"id": "M", "tag": "FT1"}]),
        "flow_meters 'M', serves: found no pump",
    ),
    "meter twice": (
        ("flow_meters", [{"id": "M", "tag": "FT1", "serves": ["P1", "P1"]}]),
        "flow_meters 'M', serves: found P1, P1; expected each pump once",
    ),
    "baseline order": (
        ("pumps", 0, "baseline", {"from": dt.date(2025, 3, 1), "to": dt.date(2025, 2, 1)}),
        "baseline, to: found 2025-02-01.*; expected a date after 2025-03-01",
    ),
    # Versions.
    "same date": (
        ("tags", "+", {"name": "FT1", "quantity": "flow", "unit": "l/s"}),
        "tags 'FT1': found two entries valid from the same date; expected a different valid_from",
    ),
    "young source": (
        ("suction_sources", 0, "valid_from", dt.date(2025, 3, 1)),
        "suction_lines 'S': found suction source 'T1', valid only from 2025-03-01; "
        "expected one that is there from the beginning on",
    ),
    # Paths.
    "curve outside": (
        ("pumps", 0, "baseline", "curve", "../curve.csv"),
        "curve: found '../curve.csv', which is not in the plant file's folder",
    ),
    "curve absolute": (
        ("pumps", 0, "baseline", "curve", "/etc/passwd"),
        "curve: found '/etc/passwd', which is not in the plant file's folder",
    ),
    "curve missing": (
        ("pumps", 0, "baseline", "curve", "kurve.csv"),
        "curve: found 'kurve.csv', where there is no file; expected a file. Check the name",
    ),
    "curve folder": (("pumps", 0, "baseline", "curve", "."), "found '.', where there is no file"),
    "survey outside": (("survey", "../s.csv"), "survey: found '../s.csv', which is not in the"),
    "survey missing": (("survey", "s.csv"), "survey: found 's.csv', where there is no file"),
    "events outside": (("events", "a/../../e.csv"), "events: found 'a/../../e.csv', which is not"),
    "exports outside": (
        ("exports", 0, "path", "../exports/*.csv"),
        "path: found '../exports/\\*.csv', which leads out of the plant file's folder; "
        "expected a path inside it, or an absolute path",
    ),
    "exports home": (("exports", 0, "path", "~/e.csv"), "path: found '~/e.csv'; expected a path w"),
    "data outside": (("data_folder", "../out"), "data_folder: found '../out', which leads out"),
    "data here": (("data_folder", "."), "data_folder: found '.', a folder that holds the pla"),
    "data above": (
        ("data_folder", "/"),
        "data_folder: found '/', a folder that holds the pl",
    ),
    "name too long": (("survey", "s" * 300), "survey: found 's+...', (which is not|where there)"),
}


@pytest.mark.parametrize("name", ONE_FAULT)
def test_one_fault_gives_one_sentence(desk, name):
    edit, message = ONE_FAULT[name]
    if name in SOURCE_OF:
        desk.put("suction_sources", 0, json.loads(json.dumps(SOURCE_OF[name])))
    faults = desk.put(*edit).faults()
    assert len(faults) == 1, faults
    assert re.search(message, faults[0]), faults[0]


def test_header_segments_come_in_order(desk):
    header = [{"id": "a", "carries": ["P1"]}, {"id": "b", "carries": ["P1", "P2"]}]
    (fault,) = desk.put("suction_lines", 0, "header", header).faults()
    assert "header 'b': found pumps P2; expected only pumps that the segment before" in fault


def test_wide_exports_have_no_tag_column(desk):
    (fault,) = desk.put(
        "exports", 0, {"path": "x.csv", "layout": "wide", "tag_column": "t"}
    ).faults()
    assert "tag_column: found one in a wide export; expected none" in fault


def test_a_decimal_comma_may_stand_between_commas_and_quotes(desk):
    # What stands there without quotes is told row by row when it is read.
    edit = {"path": "x.csv", "decimal": ",", "delimiter": ","}
    (export,) = desk.put("exports", 0, edit).read().exports
    assert (export.decimal, export.delimiter) == (",", ",")


@pytest.mark.parametrize(
    ("curve", "message"),
    [
        ("flow [m3/h],head [m]\n1,2\n2,1\n", r"2 point\(s\) in curve.csv; expected at least 3"),
        ("flow [m3/h]\n1\n2\n3\n", "curve.csv without both; expected columns 'flow"),
        ("", "curve.csv without both"),
        ("flow [m3/h],head [m],power [kW]\n", "a column 'power \\[kW\\]'; expected columns"),
        (
            "flow,head [m]\n1,2\n2,1\n3,0\n",
            "curve.csv, column flow: found ''; expected one of",
        ),
        (
            "# c\nflow [m3/h],head [m]\n1,3\n2,\n3,1\n",
            "pumps 'P1', baseline, curve curve.csv line 4, head: found nothing; expected a head",
        ),
        ("flow [m3/h],head [m]\n1,3\n2,two\n3,1\n", "line 3, head: found 'two'; expected a head"),
        ("flow [m3/h],head [m]\n1,3\n-2,2\n3,1\n", "line 3, flow: found '-2'; expected a flow"),
        (
            "flow [m3/h],head [m],efficiency [1]\n1,3,75\n2,2,0.7\n3,1,0.5\n",
            "line 2, efficiency: found '75'; expected an efficiency from 0 to 100 %",
        ),
        ("flow [m3/h],head [m]\n1,3\n1,2\n3,1\n", "a flow that stands twice in curve.csv"),
        (b"flow [m\xb3/h],head [m]\n", "curve.csv: bytes that are not UTF-8"),
    ],
)
def test_curve_faults(desk, curve, message):
    raw = curve if isinstance(curve, bytes) else curve.encode()
    (desk.folder / "curve.csv").write_bytes(raw)
    (fault,) = desk.faults()
    assert re.search(message, fault), fault


def test_link_that_leads_out_is_refused(desk, tmp_path_factory):
    outside = tmp_path_factory.mktemp("elsewhere") / "curve.csv"
    outside.write_text("flow [m3/h],head [m]\n1,3\n2,2\n3,1\n")
    (desk.folder / "link.csv").symlink_to(outside)
    (fault,) = desk.put("pumps", 0, "baseline", "curve", "link.csv").faults()
    assert "'link.csv', which is not in the plant file's folder" in fault


def test_all_faults_come_at_once_and_ten_are_shown(desk):
    desk.put("station", "altitude", "high").put("pumps", 0, "colour", "red")
    desk.put("pumps", 1, "power_tag", "JT9").put("tags", 4, "unit", "psi")
    assert len(desk.faults()) == 4
    for number in range(20):
        desk.put("pumps", 0, f"colour{number}", "red")
    with pytest.raises(PlantFileError, match=r"\+14 more$") as caught:
        desk.read()
    assert "The plant file plant.toml has 24 faults." in str(caught.value)
    assert str(caught.value).count("\n") == 11


def test_missing_file(tmp_path):
    with pytest.raises(PlantFileError, match=r"There is no plant file to read.*\n.*No such file"):
        read_plant(tmp_path / "plant.toml")


def test_folder_instead_of_a_file(tmp_path):
    with pytest.raises(PlantFileError, match="directory; expected a readable plant file"):
        read_plant(tmp_path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"plant_format = 1\n[station\n", "at line 2, column 9.*; expected a TOML file"),
        (b'a = 1\na = "2"\n', "Cannot overwrite a value"),
        (b'plant_format = 1\n[station]\nname = "M\xfchle"\n', "line 3: found the byte 0xfc, which"),
        (b"\xff\xfea\x00", "line 1: found the byte 0xff, which is not UTF-8"),
        (b"a = " + b"[" * 20000, "brackets beyond all measure"),
        (b"a = " + b"9" * 5000, "numbers or brackets beyond all measure"),
        (b"a = 2025-02-30\n", "expected a TOML file"),
    ],
)
def test_file_that_is_no_toml(tmp_path, content, message):
    file = tmp_path / "plant.toml"
    file.write_bytes(content)
    with pytest.raises(PlantFileError, match=message) as caught:
        read_plant(file)
    assert len(caught.value.faults) == 1


def test_link_out_of_the_folder_is_no_data_folder(desk, tmp_path_factory):
    (desk.folder / "data").symlink_to(tmp_path_factory.mktemp("elsewhere"))
    (fault,) = desk.put("data_folder", "data").faults()
    assert "data_folder: found 'data', a link that leads out" in fault


def test_loop_of_links_is_refused(desk):
    (desk.folder / "a").symlink_to(desk.folder / "b")
    (desk.folder / "b").symlink_to(desk.folder / "a")
    (fault,) = desk.put("survey", "a").faults()
    assert "survey: found 'a', " in fault


def test_absolute_places_are_taken_as_written(desk, tmp_path_factory):
    place = tmp_path_factory.mktemp("elsewhere")
    plant = desk.put("data_folder", str(place)).put("exports", 0, "path", f"{place}/*.csv").read()
    assert plant.data_folder == place.resolve()
    assert plant.exports[0].pattern == f"{place}/*.csv"
