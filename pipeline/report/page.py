"""The page of a station: one HTML file that needs nothing else."""

from __future__ import annotations

import functools
import os
import secrets
from concurrent.futures import Executor
from dataclasses import replace
from importlib import resources
from pathlib import Path

import jinja2
import plotly.graph_objects as go

from pipeline.plant import Plant
from pipeline.report.details import failures, rejected_grid, runs_grid, units_grid
from pipeline.report.hidden_gauges import HiddenGauges, hidden_gauges
from pipeline.report.library import hash_source, pack_figures, plotting_library
from pipeline.report.overview import flags_of, overview, pump_rows
from pipeline.report.quality import DAY_STATES
from pipeline.report.readings import Readings
from pipeline.report.sections import Section, section
from pipeline.report.style import COLOURS, KINDS
from pipeline.report.words import moment_text
from pipeline.tables.store import Tables, open_tables

__all__ = ["write_page"]


def write_page(tables: Tables, plant: Plant, path: Path, pool: Executor | None = None) -> Path:
    """Write the page of a station.

    Parameters
    ----------
    tables : Tables
        From ``open_tables``; tables that are not there yet are named on the page.
    plant : Plant
        As read from the plant file.
    path : Path
        HTML file to write; one that exists is replaced at once and whole.
    pool : Executor, optional
        Processes that draw the pumps; this one by default.

    Returns
    -------
    Path
        The file written.

    Raises
    ------
    StoreError
        When a table cannot be read.
    OSError
        When the file cannot be written.

    Notes
    -----
    The same tables and plant give the same bytes. Series are drawn by day, or by week beyond
    800 days, and operating points as a sample, so that the page stays small however long the
    history. Nothing in it is fetched from a network: a content security policy in the page
    forbids it, and lets only the page's own script run.
    """
    readings = Readings(tables)
    currency = _currency(readings, plant)
    rows = pump_rows(readings, list(plant.pumps))
    links = {name: f"pump-{place}" for place, name in enumerate(rows, start=1)}
    if pool is None:
        drawn = [_draw(readings, plant, n, row, links, currency) for n, row in rows.items()]
    else:
        place = (tables.folder.parents[1], tables.generation)
        futures = [
            pool.submit(_draw_in_worker, *place, plant, n, row, links, currency)
            for n, row in rows.items()
        ]
        drawn = [future.result() for future in futures]
    sections = [one for one, _ in drawn]
    packed = {one.link: text for one, text in drawn if text}
    hidden = hidden_gauges(readings, plant.station.time_zone, currency)
    if hidden is not None and hidden.drawing.figure is not None:
        packed["hidden"] = pack_figures({hidden.drawing.name: hidden.drawing.figure})
    text = _render(
        readings, plant, sections, packed, rows, links, currency, tables.generation, hidden
    )
    return _replace(Path(path), text)


def _draw_in_worker(
    folder: Path,
    generation: int,
    plant: Plant,
    pump: str,
    row: dict[str, object],
    links: dict[str, str],
    currency: str,
) -> tuple[Section, str]:
    return _draw(_readings_of(folder, generation), plant, pump, row, links, currency)


@functools.lru_cache(maxsize=1)
def _readings_of(folder: Path, generation: int) -> Readings:
    """Keep what a worker has read: the next pump asks for the same tables."""
    return Readings(open_tables(folder, generation))


def _draw(
    readings: Readings,
    plant: Plant,
    pump: str,
    row: dict[str, object],
    links: dict[str, str],
    currency: str,
) -> tuple[Section, str]:
    """Build a pump's section and pack its figures; the section keeps only that they are there."""
    whole = section(readings, plant, pump, row, links, currency)
    figures = _figures(whole)
    kept = tuple(
        replace(d, figure=None if d.figure is None else go.Figure()) for d in whole.drawings
    )
    return replace(whole, drawings=kept), pack_figures(figures) if figures else ""


def _currency(readings: Readings, plant: Plant) -> str:
    named = readings.unit("energy_cost", "electrical_cost")
    return named or (plant.tariffs[-1].currency if plant.tariffs else "")


def _render(
    readings: Readings,
    plant: Plant,
    sections: list[Section],
    packed: dict[str, str],
    rows: dict[str, dict[str, object]],
    links: dict[str, str],
    currency: str,
    generation: int,
    hidden: HiddenGauges | None,
) -> str:
    zone = plant.station.time_zone
    script = _asset("page.js")
    runs = readings.table("runs").sort_values("generation")
    last = runs.iloc[-1] if len(runs) else None
    rejected, more_rejected = rejected_grid(readings)
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=jinja2.DictLoader({"page.html": _asset("page.html")}),
    )
    return environment.get_template("page.html").render(
        station=plant.station,
        as_of="" if last is None else moment_text(last["as_of"], zone),
        finished="" if last is None else moment_text(last["finished"], zone),
        version="" if last is None else str(last["version"]),
        generation=generation,
        overview=overview(rows, links, currency),
        has_pumps=readings.has("pumps"),
        flags=flags_of(readings, links, zone),
        has_flags=readings.has("flags"),
        sections=sections,
        hidden=hidden,
        packed=packed,
        kinds=KINDS,
        colours=COLOURS,
        day_states=DAY_STATES,
        units=units_grid(readings),
        runs=runs_grid(readings, zone),
        failures=failures(readings),
        rejected=rejected,
        more_rejected=more_rejected,
        # Files of this package, not data: the template lets these two through as they are.
        style=_asset("page.css"),
        script=script,
        script_hash=hash_source(script),
        library=plotting_library(),
    )


def _figures(s: Section) -> dict[str, go.Figure]:
    return {d.name: d.figure for d in s.drawings if d.figure is not None}


def _asset(name: str) -> str:
    return (resources.files("pipeline.report") / "assets" / name).read_text("utf-8")


def _replace(path: Path, text: str) -> Path:
    """Write beside the file and swap, so that nobody sees half a page."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.tmp")
    try:
        with temporary.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
    finally:
        temporary.unlink(missing_ok=True)
    return path
