"""The ``gaugeless`` command: exit codes, what it prints, and how fast help answers."""

from __future__ import annotations

import resource
import subprocess
import sys
from collections.abc import Callable

import pytest
from small_station import DAYS, FILES, SmallStation, day_text, read_json

from pipeline.cli import main
from pipeline.tables.store import Store

Copy = Callable[[SmallStation], SmallStation]
Printed = pytest.CaptureFixture[str]


def run(station: SmallStation, *options: str) -> int:
    return main(["run", str(station.plant), "--no-page", *options])


def test_a_run_prints_pumps_and_tables(station: SmallStation, capsys: Printed):
    assert main(["run", str(station.bring(0, 1).plant)]) == 0
    assert (station.data / "report.html").is_file()
    told = capsys.readouterr()
    assert told.err == ""
    for word in ("Small station", "\nA ", "\nB ", "71.", "2 new file(s) read", "Tables updated."):
        assert word in told.out
    assert run(station) == 0
    told = capsys.readouterr()
    assert "No new files" in told.out
    assert "Nothing changed." in told.out


def test_json_is_json_and_nothing_else(backfilled: SmallStation, copy_of: Copy, capsys: Printed):
    assert run(copy_of(backfilled), "--json") == 0
    told = capsys.readouterr()
    found = read_json(told.out)
    assert told.err == ""
    assert found["changed"] is False
    assert found["exit_code"] == 0
    pumps = {p["pump"]: p for p in found["pumps"]}
    assert 0.70 < pumps["A"]["overall_efficiency"] < 0.72
    # Four days are no trend: missing values are null, never NaN.
    assert pumps["A"]["efficiency_rate"] is None


def test_json_before_any_sample(station: SmallStation, capsys: Printed):
    assert run(station, "--json") == 0
    assert read_json(capsys.readouterr().out)["changed"] is False


def test_a_failed_file_is_code_3_and_named(station: SmallStation, capsys: Printed):
    station.bring(0).put(FILES[1], "not a table at all")
    assert run(station) == 3
    told = capsys.readouterr()
    assert FILES[1] in told.err
    assert "Tables updated." in told.out
    station.put(FILES[1], day_text(1))
    assert run(station) == 0


def test_a_locked_folder_is_code_4(backfilled: SmallStation, copy_of: Copy, capsys: Printed):
    station = copy_of(backfilled)
    with Store.open(station.data).writer():
        assert run(station) == 4
    told = capsys.readouterr()
    assert "in use by process" in told.err
    assert told.out == ""
    assert run(station) == 0


def test_a_changed_plant_is_code_5_until_a_rebuild_is_agreed(
    backfilled: SmallStation, copy_of: Copy, capsys: Printed
):
    station = copy_of(backfilled).describe(price=0.4)
    before = station.bytes_of_tables()
    assert run(station) == 5
    told = capsys.readouterr()
    assert "--rebuild" in told.err
    # Only what the price bears on is named.
    assert "tariff" in told.err
    assert "how exports are read" not in told.err
    assert station.bytes_of_tables() == before
    assert run(station, "--rebuild") == 0
    assert run(station) == 0


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ('suction_line = "suction"', 'suction_line = "nowhere"', "nowhere"),
        ('unit = "kW"', 'unit = "kilowhat"', "kilowhat"),
        ("plant_format = 1", "plant_format = 1\nsurprise = true", "surprise"),
    ],
)
def test_a_fault_in_the_plant_file_is_code_2_and_named(
    station: SmallStation, capsys: Printed, old: str, new: str, named: str
):
    station.plant.write_text(station.plant.read_text("utf-8").replace(old, new), "utf-8")
    assert run(station) == 2
    assert named in capsys.readouterr().err
    assert not station.data.exists()


@pytest.mark.parametrize("text", ["yesterday", "2026-02-31", "NaT", ""])
def test_an_instant_nobody_understands_is_code_2(station: SmallStation, capsys: Printed, text: str):
    assert run(station, "--as-of", text) == 2
    assert "--as-of" in capsys.readouterr().err


def test_a_missing_plant_file_is_code_2(station: SmallStation, capsys: Printed):
    station.plant.unlink()
    assert run(station) == 2
    assert "plant.toml" in capsys.readouterr().err


def test_check_reads_everything_and_changes_nothing(station: SmallStation, capsys: Printed):
    station.bring(*range(DAYS))
    assert main(["check", str(station.plant)]) == 0
    assert "4 export file(s)" in capsys.readouterr().out
    assert not station.data.exists()
    station.put(FILES[1], "not a table at all")
    assert main(["check", str(station.plant), "--json"]) == 3
    failures = read_json(capsys.readouterr().out)["failures"]
    assert len(failures) == 1
    assert FILES[1] in failures[0]


def test_check_reads_words_of_a_switch_as_a_run_does(station: SmallStation, capsys: Printed):
    text = station.plant.read_text("utf-8")
    switch = '[[tags]]\nname = "A.RUN"\nquantity = "running"\n\n'
    station.plant.write_text(text.replace("[[tags]]\n", switch + "[[tags]]\n", 1), "utf-8")
    station.bring(0)
    words = ("Ja", "Nein", "Ein", "Aus")
    rows = "".join(f"A.RUN,2026-01-30T0{h}:00:00Z,{w},Good\n" for h, w in enumerate(words))
    station.put("switch.csv", "tag,time,value,status\n" + rows)
    assert main(["check", str(station.plant), "--json"]) == 0
    assert not [n for n in read_json(capsys.readouterr().out)["notes"] if "refused" in n]


def test_help_answers_at_once():
    """Half a second of processor time, so that what else the machine does is no matter."""
    times = []
    for _ in range(3):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        done = subprocess.run(
            [sys.executable, "-m", "pipeline.cli", "--help"],
            capture_output=True,
            text=True,
            check=True,
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        times.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    assert "exit codes" in done.stdout
    assert sorted(times)[1] < 0.5


def test_help_loads_nothing_heavy():
    code = (
        "import sys; from pipeline.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "print(sorted({'numpy', 'pandas', 'pyarrow', 'pint', 'sklearn'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
