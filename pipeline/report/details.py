"""Tables of numbers under each pump's figures, and of the run."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import pandas as pd

from pipeline.plant import Plant
from pipeline.report.overview import Cell, Grid
from pipeline.report.readings import Readings
from pipeline.report.words import NOTHING, day_text, interval, moment_text, number, plain, signed

__all__ = ["details_of", "failures", "rejected_grid", "runs_grid", "units_grid"]

_Writer = Callable[[dict[str, object]], str]
_Column = tuple[str, _Writer]

MOST_RUNS = 10
MOST_REJECTED = 25


def details_of(
    readings: Readings, plant: Plant, pump: str, currency: str
) -> Iterator[tuple[str, Grid]]:
    """Give the tables of numbers of a pump, those that have rows.

    Parameters
    ----------
    readings : Readings
        The tables.
    plant : Plant
        As read.
    pump : str
        As named in the plant file.
    currency : str
        Three letters.

    Yields
    ------
    tuple of str and Grid
        Title and table.
    """
    zone = plant.station.time_zone
    lines = {v.suction_line for v in plant.pumps.get(pump, ())}
    fits = readings.table("suction_fits")
    fits = fits[fits["line"].isin(lines)]
    newest = fits.groupby("line")["month"].transform("max") if len(fits) else fits.get("month")
    fits = fits[fits["month"] == newest] if len(fits) else fits
    shown = (
        ("Month by month", readings.of_pump("energy_cost", pump), _cost_columns(readings)),
        ("Trends", readings.of_pump("trends", pump), _trend_columns(zone)),
        ("Baselines", readings.of_pump("baselines", pump), _baseline_columns(readings, zone)),
        ("Gauge checks that found something", readings.of_pump("gauge_checks", pump),
         _check_columns(readings, zone)),
        ("Suction fit now in force", fits, _fit_columns(zone)),
        ("Operating points, and why other intervals are none",
         _statuses(readings.of_pump("interval_counts", pump)), _status_columns(readings)),
        ("Hours by flow", readings.of_pump("duty_profile", pump), _duty_columns(readings)),
    )  # fmt: skip
    for title, rows, columns in shown:
        if len(rows):
            yield title, _grid(rows, columns)


def runs_grid(readings: Readings, time_zone: str) -> Grid | None:
    """Give the latest runs, newest first; None without any."""
    rows = readings.table("runs").sort_values("generation", ascending=False).head(MOST_RUNS)
    if rows.empty:
        return None
    return _grid(
        rows,
        [
            ("Generation", lambda r: number(r["generation"], 0)),
            ("Finished", lambda r: moment_text(r["finished"], time_zone)),
            ("Evidence up to", lambda r: moment_text(r["as_of"], time_zone)),
            ("Version", lambda r: str(r["version"] or NOTHING)),
            ("New files", lambda r: number(r["new_files"], 0)),
            ("Failed files", lambda r: number(r["failed_files"], 0)),
            ("Rejected rows", lambda r: number(r["rejected_rows"], 0)),
            ("Late rows", lambda r: number(r["late_rows"], 0)),
            ("What failed", lambda r: str(r["failures"] or NOTHING)),
        ],
    )


def failures(readings: Readings) -> list[str]:
    """Give what failed in the latest run, a sentence each."""
    rows = readings.table("runs").sort_values("generation")
    text = str(rows["failures"].iloc[-1] or "") if len(rows) else ""
    return [part.strip() for part in text.splitlines() if part.strip()]


def rejected_grid(readings: Readings) -> tuple[Grid | None, int]:
    """Give rejected input by file and reason, most rows first, and how many kinds are left out."""
    rows = readings.table("rejected_input", ["file", "reason", "rows"])
    if rows.empty:
        return None, 0
    counted = rows.groupby(["file", "reason"], sort=True)["rows"].sum().reset_index()
    counted = counted.sort_values("rows", ascending=False, kind="stable")
    grid = _grid(
        counted.head(MOST_REJECTED),
        [
            ("File", lambda r: str(r["file"])),
            ("Reason", lambda r: str(r["reason"])),
            ("Rows", lambda r: number(r["rows"], 0)),
        ],
    )
    return grid, max(0, len(counted) - MOST_REJECTED)


def units_grid(readings: Readings) -> Grid:
    """Give the unit of everything the page shows."""
    shown = (
        ("Flow", "operating_points", "flow"),
        ("Total head", "operating_points", "total_head"),
        ("Pressure (gauge)", "operating_points", "suction_pressure"),
        ("Electrical power", "operating_points", "electrical_power"),
        ("Energy", "energy_cost", "electrical_energy"),
        ("Volume", "energy_cost", "volume"),
        ("Energy per volume", "rolling_performance", "specific_energy"),
        ("Efficiency", "rolling_performance", "overall_efficiency"),
        ("Deviation from baseline (part of the baseline)", "daily_deviations",
         "efficiency_deviation"),
        ("Change per year (part of the baseline)", "trends", "rate"),
        ("Money", "energy_cost", "electrical_cost"),
    )  # fmt: skip
    known = [(name, readings.unit(table, column)) for name, table, column in shown]
    rows = tuple((Cell(name), Cell(unit)) for name, unit in known if unit)
    return Grid(("What", "Unit"), ("", ""), rows)


def _grid(rows: pd.DataFrame, columns: Sequence[_Column]) -> Grid:
    records = [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]
    return Grid(
        tuple(heading for heading, _ in columns),
        tuple("" for _ in columns),
        tuple(tuple(Cell(write(row)) for _, write in columns) for row in records),
    )


def _value(name: str, digits: int) -> _Writer:
    return lambda row: number(row[name], digits)


def _with_u95(name: str, digits: int) -> _Writer:
    def write(row: dict[str, object]) -> str:
        value, u95 = number(row[name], digits), number(row[f"{name}_u95"], digits)
        return value if NOTHING in (value, u95) else f"{value} ± {u95}"

    return write


def _headed(words: str, unit: str) -> str:
    return f"{words}, {unit}" if unit else words


def _cost_columns(readings: Readings) -> list[_Column]:
    def unit(column: str) -> str:
        return readings.unit("energy_cost", column)

    return [
        ("Month", lambda r: str(r["month"])),
        (_headed("Running", unit("running_time")), _value("running_time", 0)),
        (_headed("Volume", unit("volume")), _value("volume", 0)),
        (_headed("Energy", unit("electrical_energy")), _value("electrical_energy", 0)),
        (_headed("Cost", unit("electrical_cost")), _value("electrical_cost", 0)),
        (_headed("Beyond baseline", unit("excess_energy")), _with_u95("excess_energy", 0)),
        (_headed("Beyond baseline", unit("excess_cost")), _with_u95("excess_cost", 0)),
        (_headed("Compared part", unit("compared_share")), _value("compared_share", 0)),
        (_headed("Suction friction", unit("suction_loss_cost")), _value("suction_loss_cost", 0)),
    ]


def _trend_columns(zone: str) -> list[_Column]:
    return [
        ("Baseline from", lambda r: day_text(r["start"], zone)),
        ("Quantity", lambda r: plain(r["quantity"])),
        ("Suction pressure", lambda r: "as used here" if r["assumption"] == "as_used"
         else plain(r["assumption"])),
        ("Change per year, %", lambda r: signed(r["rate"], 2)),
        ("95 % interval", lambda r: interval(r["rate_low"], r["rate_high"], 2) or NOTHING),
        ("Days", _value("days", 0)),
        ("Status", lambda r: plain(r["status"])),
        ("Method", lambda r: plain(r["method"])),
    ]  # fmt: skip


def _baseline_columns(readings: Readings, zone: str) -> list[_Column]:
    flow = readings.unit("baselines", "flow_low")
    return [
        ("From", lambda r: day_text(r["start"], zone)),
        ("Source", lambda r: plain(r["source"])),
        ("Status", lambda r: plain(r["status"])),
        ("Learned from", lambda r: f"{day_text(r['learned_from'], zone)} to "
         f"{day_text(r['learned_to'], zone)}"),
        ("Because", lambda r: plain(r["reason"])),
        ("Points", _value("points", 0)),
        (_headed("Speaks for flows", flow), lambda r: f"{number(r['flow_low'], 0)} to "
         f"{number(r['flow_high'], 0)}"),
        (_headed("Best efficiency at", flow), _value("best_efficiency_flow", 0)),
        ("Best overall efficiency, %", _value("best_efficiency", 1)),
    ]  # fmt: skip


def _check_columns(readings: Readings, zone: str) -> list[_Column]:
    pressure = readings.unit("gauge_checks", "magnitude")
    return [
        ("Gauge", lambda r: plain(r["gauge"])),
        ("Check", lambda r: plain(r["check"])),
        ("From", lambda r: moment_text(r["start"], zone)),
        ("To", lambda r: moment_text(r["end"], zone)),
        ("Found", lambda r: plain(r["verdict"])),
        (_headed("Size", pressure), _with_u95("magnitude", 2)),
        ("Readings used", lambda r: "no" if r["excludes"] else "yes"),
        ("Evidence", lambda r: str(r["evidence"])),
    ]


def _fit_columns(zone: str) -> list[_Column]:
    def pair(name: str, spread: str) -> _Writer:
        def write(row: dict[str, object]) -> str:
            value, u95 = _short(row[name]), _short(row[spread])
            return value if NOTHING in (value, u95) else f"{value} ± {u95}"

        return write

    return [
        ("Line", lambda r: str(r["line"])),
        ("Parameter", lambda r: str(r["parameter"])),
        ("Estimate (95 %)", pair("estimate", "u95")),
        ("Known before (95 %)", pair("prior", "prior_u95")),
        ("Unit", lambda r: "" if r["unit"] == "1" else str(r["unit"])),
        ("Status", lambda r: plain(r["status"])),
        ("Hours", _value("rows", 0)),
        ("Learned from", lambda r: f"{day_text(r['trained_from'], zone)} to "
         f"{day_text(r['trained_to'], zone)}"),
        ("In use since", lambda r: str(r["month"])),
    ]  # fmt: skip


def _statuses(rows: pd.DataFrame) -> pd.DataFrame:
    """Sum the months up, the most first."""
    if rows.empty:
        return rows
    names = ["intervals", "interval_time", "electrical_energy"]
    summed = rows.groupby(["status", "meaning"], observed=True)[names].sum(min_count=1)
    return summed.reset_index().sort_values("intervals", ascending=False, kind="stable")


def _status_columns(readings: Readings) -> list[_Column]:
    def unit(column: str) -> str:
        return readings.unit("interval_counts", column)

    return [
        ("Status", lambda r: plain(r["status"])),
        ("Which means", lambda r: str(r["meaning"])),
        ("Intervals", _value("intervals", 0)),
        (_headed("Time", unit("interval_time")), _value("interval_time", 0)),
        (_headed("Energy", unit("electrical_energy")), _value("electrical_energy", 0)),
    ]


def _duty_columns(readings: Readings) -> list[_Column]:
    def unit(column: str) -> str:
        return readings.unit("duty_profile", column)

    return [
        ("Running together", lambda r: str(r["combination"])),
        (_headed("Flow", unit("flow_low")), lambda r: "not known" if r["flow_high"] == 0
         else f"{number(r['flow_low'], 0)} to {number(r['flow_high'], 0)}"),
        (_headed("Time", unit("running_time")), _value("running_time", 0)),
        (_headed("Volume", unit("volume")), _value("volume", 0)),
        (_headed("Energy", unit("electrical_energy")), _value("electrical_energy", 0)),
        (_headed("Total head", unit("total_head")), _value("total_head", 1)),
        (_headed("Overall efficiency", unit("overall_efficiency")),
         _value("overall_efficiency", 1)),
        (_headed("Energy per volume", unit("specific_energy")), _value("specific_energy", 3)),
    ]  # fmt: skip


def _short(value: object) -> str:
    """Write with as many digits as its size deserves."""
    if not isinstance(value, float) or value != value:
        return NOTHING
    return number(value, 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 3)
