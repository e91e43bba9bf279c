"""The page ``report.html`` beside the tables."""

from __future__ import annotations

import logging

from pipeline.errors import GaugelessError
from pipeline.jobs.context import Outcome, Progress
from pipeline.jobs.workers import Workers
from pipeline.plant import Plant

_log = logging.getLogger(__name__)

PAGE = "report.html"


def write_page_of(
    plant: Plant, changed: bool, outcome: Outcome, held: Workers, progress: Progress
) -> None:
    """Write the page unless it is current; the tables are published, whatever becomes of it."""
    from pipeline.report import write_page
    from pipeline.tables.store import open_tables

    path = plant.data_folder / PAGE
    if path.exists() and not changed:
        return
    progress("writing the page", 0, 1)
    try:
        write_page(open_tables(plant.data_folder), plant, path, held.pool())
    except (GaugelessError, OSError, ValueError) as error:
        _log.exception("the page was not written")
        outcome.fail(f"{PAGE}: the page could not be written ({error}); the tables are whole.")
