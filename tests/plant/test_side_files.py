"""Events and spot readings that people write down beside the plant file."""

import re

import pandas as pd
import pytest

from pipeline.errors import PlantFileError
from pipeline.plant.side_files import read_acknowledgements, read_events, read_survey

EVENTS = "time,pump,kind,note\n"
SURVEY = "time,pump,reading,unit,accuracy,instrument\n"


def events(desk, text):
    (desk.folder / "events.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_events(desk.put("events", "events.csv").read())


def survey(desk, text):
    (desk.folder / "survey.csv").write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_survey(desk.put("survey", "survey.csv").read())


def acknowledgements(desk, rows):
    text = "flag,time,by,until,note\n" + rows
    (desk.folder / "seen.csv").write_text(text, "utf-8")
    return read_acknowledgements(desk.put("acknowledgements", "seen.csv").read())


def test_no_files_no_evidence(desk):
    plant = desk.read()
    assert read_events(plant) == ()
    assert read_survey(plant) == ()
    assert plant.survey_path is None


def test_events_come_in_order_of_time_and_local_times_are_local(desk):
    rows = '2024-12-01,P2,cleaning,\n\n2024-07-01 12:00, P1 ,impeller,"trimmed, 310 mm"\n'
    first, second = events(desk, EVENTS + rows)
    # Lisbon is one hour ahead of UTC in July and level with it in December.
    assert first.time == pd.Timestamp("2024-07-01 11:00", tz="UTC")
    assert (first.pump, first.kind, first.note) == ("P1", "impeller", "trimmed, 310 mm")
    assert second.time == pd.Timestamp("2024-12-01", tz="UTC")
    assert second.note == ""


def test_what_an_event_cost(desk):
    text = "time,pump,kind,note,cost\n2024-12-01,P1,overhaul,,12500\n2024-12-02,P1,cleaning,,\n"
    overhaul, cleaning = events(desk, text)
    assert (overhaul.cost, cleaning.cost) == (12500.0, None)
    for cost in ("dear", "-1", "inf", "nan"):
        with pytest.raises(PlantFileError, match=r"line 2, cost: found '.*'; expected an amount"):
            events(desk, f"time,pump,kind,note,cost\n2024-12-01,P1,overhaul,,{cost}\n")


def test_acknowledgements(desk):
    rows = (
        "P1:performance_loss:2024-11-01,2024-12-01,A. N. Other,closed,spares ordered\n"
        "P1:performance_loss:2024-10-01,2024-11-01T08:00Z,shift 2,2025-01-01,\n"
    )
    first, second = acknowledgements(desk, rows)
    assert first.flag == "P1:performance_loss:2024-10-01"
    assert first.until == pd.Timestamp("2025-01-01", tz="UTC")
    assert (second.by, second.until, second.note) == ("A. N. Other", None, "spares ordered")


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("f,2024-13-01,me,closed,", "seen.csv line 2, time: found '2024-13-01'"),
        ("f,2024-12-01,me,soon,", "line 2, until: found 'soon'; expected a time .* or 'closed'"),
        ("f,2024-12-01,me,2024-11-01,", "line 2, until: found '2024-11-01'; expected later than"),
        ("f,2024-12-01,,closed,", "line 2: found an incomplete row; expected a value for flag"),
    ],
)
def test_faulty_acknowledgements(desk, row, message):
    with pytest.raises(PlantFileError, match=message):
        acknowledgements(desk, row + "\n")


def test_spot_readings_in_si(desk):
    rows = "2024-12-01T10:00:00Z,P1,2.0,mH2O,0.1,G7\n2024-12-01 09:00,P2,5,inHg vac,0.25,\n"
    vacuum, column = survey(desk, SURVEY + rows)
    # Conventional columns: 1 m of water is 9806.65 Pa, 1 inch of mercury 3386.389 Pa.
    assert column.reading == pytest.approx(2 * 9806.65)
    assert column.u == pytest.approx(980.665 / 3**0.5)
    assert column.instrument == "G7"
    assert vacuum.reading == pytest.approx(-5 * 3386.389)
    assert vacuum.u == pytest.approx(0.25 * 3386.389 / 3**0.5)
    assert vacuum.instrument == "portable gauge"


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("2024-13-01,P1,cleaning,\n", "events.csv line 2, time: found '2024-13-01'; expected a ti"),
        ("0024-01-01,P1,cleaning,\n", "line 2, time: found '0024-01-01'"),
        ("2024-12-01,P1,cleening,\n", "line 2, kind: found 'cleening'.*Did you mean 'cleaning'"),
        ("2024-12-01,P9,cleaning,\n", "line 2, pump: found 'P9'; expected a pump of the plant"),
        ("2024-12-01,P1,,worn\n", "line 2: found an incomplete row; expected a value for time, pu"),
        ("2024-12-01\n", "line 2: found an incomplete row"),
    ],
)
def test_faulty_events(desk, rows, message):
    with pytest.raises(PlantFileError, match="has 1 fault") as caught:
        events(desk, EVENTS + rows)
    (fault,) = caught.value.faults
    assert re.search(message, str(fault)), fault


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("2024-12-01,P1,two,bar,0.1,", "survey.csv line 2: found 'two bar'; expected a number and"),
        ("2024-12-01,P1,2,m3,0.1,", "line 2: found 'm3'; expected one of Pa"),
        ("2024-12-01,P1,2,bara,0.1,", "line 2, unit: found 'bara'; expected a gauge pressure"),
        ("2024-12-01,P1,2,bar,good,", "accuracy: found 'good'; expected a number above zero, in"),
        ("2024-12-01,P1,2,bar,nan,", "accuracy: found 'nan'; expected a number above zero"),
        ("2024-12-01,P1,2,bar,0,", "accuracy: found '0'; expected a number above zero"),
        ("2024-12-01,P1,2,bar,-1,", "accuracy: found '-1'; expected a number above zero"),
    ],
)
def test_faulty_spot_readings(desk, row, message):
    with pytest.raises(PlantFileError) as caught:
        survey(desk, SURVEY + row + "\n")
    (fault,) = caught.value.faults
    assert re.search(message, str(fault)), fault


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "no column time, pump, kind"),
        ("time,pump\n2024-12-01,P1\n", "no column kind; expected columns time, pump, kind"),
        (b"time,pump,kind\n2024-12-01,P1,r\xe9vision\n", "text that is not UTF-8"),
        ("time,pump,kind\n" + "x" * 200_000 + ",P1,other\n", "field larger than field limit"),
    ],
)
def test_files_that_are_no_such_table(desk, content, message):
    with pytest.raises(PlantFileError, match=message):
        events(desk, content)


def test_all_faulty_rows_come_at_once(desk):
    with pytest.raises(PlantFileError, match="has 3 faults"):
        events(desk, EVENTS + "x,P1,other,\n2024-01-01,P3,other,\n2024-01-01,P1,repair,\n")


def test_file_that_vanished_after_the_plant_was_read(desk):
    (desk.folder / "events.csv").write_text(EVENTS)
    plant = desk.put("events", "events.csv").read()
    plant.events_path.unlink()
    with pytest.raises(PlantFileError, match="No such file"):
        read_events(plant)
