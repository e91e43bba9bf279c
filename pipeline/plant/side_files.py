"""What people write down: spot readings, events and seen flags, as small CSV files."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd

from pipeline.errors import Fault, PlantFileError, UnitError
from pipeline.plant.fields import as_moment
from pipeline.plant.types import Plant
from pipeline.plant.wording import did_you_mean, shown
from pipeline.quantities import conversion, parse_measure

EVENT_KINDS = ("overhaul", "impeller", "cleaning", "gauge", "meter", "other")
"""What an event can be; ``overhaul`` and ``impeller`` start a new baseline, ``cleaning`` is
a step of suction friction, ``gauge`` starts new gauge checks."""

UNTIL_CLOSED = "closed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something that was done to a pump.

    Parameters
    ----------
    time : Timestamp
        When, UTC.
    pump : str
        To which pump.
    kind : str
        One of ``EVENT_KINDS``.
    note : str
        In the user's words.
    cost : float or None
        What it cost, in the plant's currency; None where not stated.
    """

    time: pd.Timestamp
    pump: str
    kind: str
    note: str = ""
    cost: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledgement:
    """Somebody has seen a flag and says what becomes of it.

    Parameters
    ----------
    flag : str
        Identity of the flag, as in the table ``flags``.
    time : Timestamp
        When it was acknowledged, UTC.
    by : str
        Who, in the user's words.
    until : Timestamp or None
        Until when the flag may rest, UTC; None until it closes by itself.
    note : str
        In the user's words.
    """

    flag: str
    time: pd.Timestamp
    by: str
    until: pd.Timestamp | None = None
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotReading:
    """A reading of suction pressure with a portable gauge.

    Parameters
    ----------
    time : Timestamp
        When, UTC.
    pump : str
        At which pump.
    reading : float
        Gauge pressure at the suction gauge's place [Pa].
    u : float
        Standard uncertainty of the instrument [Pa]; the accuracy in the file is a rectangular
        limit.
    instrument : str
        Which portable gauge: readings of one share its error.
    """

    time: pd.Timestamp
    pump: str
    reading: float
    u: float
    instrument: str


def read_events(plant: Plant) -> tuple[Event, ...]:
    """Read the events file a plant names: ``time, pump, kind, note``, perhaps ``cost``.

    Raises
    ------
    PlantFileError
        With every faulty row.
    """
    faults: list[Fault] = []
    events = []
    for where, row in _rows(plant, plant.events, ("time", "pump", "kind"), faults):
        time = _time(row["time"], plant, where, faults)
        _pump(row["pump"], plant, where, faults)
        if row["kind"] not in EVENT_KINDS:
            wanted = "one of " + ", ".join(EVENT_KINDS)
            hint = did_you_mean(row["kind"], EVENT_KINDS)
            faults.append(Fault(f"{where}, kind", shown(row["kind"]), wanted, hint))
        cost = _cost(row.get("cost") or "", where, faults)
        if time is not None:
            note = row.get("note") or ""
            events.append(
                Event(time=time, pump=row["pump"], kind=row["kind"], note=note, cost=cost)
            )
    _raise(faults, plant.events)
    return tuple(sorted(events, key=lambda e: (e.time, e.pump, e.kind)))


def read_acknowledgements(plant: Plant) -> tuple[Acknowledgement, ...]:
    """Read the file of acknowledged flags a plant names: ``flag, time, by, until, note``.

    ``until`` is a time, or ``closed``: until the flag closes by itself.

    Raises
    ------
    PlantFileError
        With every faulty row. Whether a flag of that name exists is not known here.
    """
    faults: list[Fault] = []
    found = []
    needed = ("flag", "time", "by", "until")
    for where, row in _rows(plant, plant.acknowledgements, needed, faults):
        time = _time(row["time"], plant, where, faults)
        until = None
        if row["until"] != UNTIL_CLOSED:
            until = as_moment(row["until"], ZoneInfo(plant.station.time_zone))
            wanted = f"a time such as 2025-03-01, or '{UNTIL_CLOSED}'"
            if until is None:
                faults.append(Fault(f"{where}, until", shown(row["until"]), wanted))
            elif time is not None and until <= time:
                faults.append(Fault(f"{where}, until", shown(row["until"]), "later than its time"))
        if time is not None:
            note = row.get("note") or ""
            found.append(
                Acknowledgement(flag=row["flag"], time=time, by=row["by"], until=until, note=note)
            )
    _raise(faults, plant.acknowledgements)
    return tuple(sorted(found, key=lambda a: (a.flag, a.time, a.by)))


def read_survey(plant: Plant) -> tuple[SpotReading, ...]:
    """Read the survey file a plant names: ``time, pump, reading, unit, accuracy``.

    A sixth column ``instrument`` is optional. The accuracy is a limit in the reading's unit.

    Raises
    ------
    PlantFileError
        With every faulty row.
    """
    faults: list[Fault] = []
    readings = []
    needed = ("time", "pump", "reading", "unit", "accuracy")
    for where, row in _rows(plant, plant.survey, needed, faults):
        time = _time(row["time"], plant, where, faults)
        _pump(row["pump"], plant, where, faults)
        try:
            found = conversion(row["unit"], "suction_pressure")
            value, _ = parse_measure(f"{row['reading']} {row['unit']}", "suction_pressure")
            accuracy = float(row["accuracy"]) * abs(found.scale)
        except UnitError as error:
            faults.extend(Fault(where, f.found, f.expected, f.remedy) for f in error.faults)
            continue
        except ValueError:
            accuracy = math.nan
        if not 0.0 < accuracy < math.inf:
            wanted = f"a number above zero, in {row['unit']}"
            faults.append(Fault(f"{where}, accuracy", shown(row["accuracy"]), wanted))
            continue
        if found.reference == "absolute":
            faults.append(
                Fault(
                    f"{where}, unit",
                    f"'{row['unit']}'",
                    "a gauge pressure",
                    "Subtract the day's atmospheric pressure.",
                )
            )
        if time is not None:
            readings.append(
                SpotReading(
                    time=time,
                    pump=row["pump"],
                    reading=value,
                    u=accuracy / 3**0.5,
                    instrument=row.get("instrument") or "portable gauge",
                )
            )
    _raise(faults, plant.survey)
    return tuple(sorted(readings, key=lambda r: (r.time, r.pump)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Notes:
    """Everything people have written down beside a plant file."""

    events: tuple[Event, ...]
    survey: tuple[SpotReading, ...]
    acknowledgements: tuple[Acknowledgement, ...]

    @classmethod
    def of(cls, plant: Plant) -> Notes:
        """Read all of it.

        Raises
        ------
        PlantFileError
            With every faulty row of the first file that has any.
        """
        return cls(
            events=read_events(plant),
            survey=read_survey(plant),
            acknowledgements=read_acknowledgements(plant),
        )


def _rows(
    plant: Plant, name: str | None, needed: tuple[str, ...], faults: list[Fault]
) -> list[tuple[str, dict[str, str]]]:
    """Give each complete row with the line it ends on, as a place for messages."""
    if name is None:
        return []
    folder = plant.path.parent.resolve()
    path = (folder / name).resolve()
    if not path.is_relative_to(folder):
        faults.append(Fault(name, "a path outside the plant file's folder", "a file beside it"))
        return []
    try:
        text = path.read_bytes().decode("utf-8-sig")
        reader = csv.reader(io.StringIO(text), skipinitialspace=True)
        lines = [(reader.line_num, [cell.strip() for cell in row]) for row in reader if any(row)]
    except OSError as error:
        faults.append(Fault(name, error.strerror or "an error", "a readable CSV file"))
        return []
    except UnicodeDecodeError:
        faults.append(Fault(name, "text that is not UTF-8", "a CSV file in UTF-8"))
        return []
    except csv.Error as error:
        faults.append(Fault(name, str(error), "a CSV file"))
        return []
    header = lines[0][1] if lines else []
    missing = [column for column in needed if column not in header]
    if missing:
        found, wanted = "no column " + ", ".join(missing), "columns " + ", ".join(needed)
        faults.append(Fault(Path(name).name, found, wanted))
        return []
    rows = []
    for number, cells in lines[1:]:
        where = f"{Path(name).name} line {number}"
        row = dict(zip(header, cells, strict=False))
        if not all(row.get(column) for column in needed):
            faults.append(Fault(where, "an incomplete row", "a value for " + ", ".join(needed)))
            continue
        rows.append((where, row))
    return rows


def _cost(text: str, where: str, faults: list[Fault]) -> float | None:
    if not text:
        return None
    try:
        cost = float(text)
    except ValueError:
        cost = math.nan
    if not 0.0 <= cost < math.inf:
        faults.append(Fault(f"{where}, cost", shown(text), "an amount of money, such as 1500"))
        return None
    return cost


def _time(text: str, plant: Plant, where: str, faults: list[Fault]) -> pd.Timestamp | None:
    moment = as_moment(text, ZoneInfo(plant.station.time_zone))
    if moment is None:
        faults.append(Fault(f"{where}, time", shown(text), "a time such as 2025-03-01 14:30"))
    return moment


def _pump(name: str, plant: Plant, where: str, faults: list[Fault]) -> None:
    if name not in plant.pumps:
        hint = did_you_mean(name, plant.pumps)
        faults.append(Fault(f"{where}, pump", shown(name), "a pump of the plant file", hint))


def _raise(faults: list[Fault], name: str | None) -> None:
    if faults:
        count = "1 fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise PlantFileError(f"The file {name} has {count}.", faults)
