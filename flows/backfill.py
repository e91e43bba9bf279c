"""Years of history as a Prefect flow; ``python -m flows.backfill PLANT ...`` runs it once.

A backfill is a run: the same stages make the same tables as a night. What the flow adds is
where the months are made, see ``flows.task_runners``, and that each year of history is
published when it is done, so that a backfill that was stopped goes on from there.
"""

from __future__ import annotations

import datetime as dt
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from prefect import flow, get_run_logger
from prefect.states import Failed, State

from flows.command import add_instant, add_place, add_run, parser_of, tell
from flows.embedded_server import start_embedded_server
from flows.outcome import (
    RETRY_DELAYS,
    as_instant,
    finished,
    is_trouble_with_files,
    news,
    publish_summary,
)
from flows.task_runners import hold_tasks
from pipeline.errors import GaugelessError
from pipeline.jobs.nightly import RunResult, run_plant
from pipeline.jobs.workers import Workers


@flow(name="backfill", persist_result=False)
def backfill(
    plants: list[Path],
    until: dt.datetime | None = None,
    rebuild: bool = False,
    page: bool = True,
    commit_every: int = 12,
    runner: str | None = None,
    workers: int | None = None,
) -> State[Any]:
    """Do all that is not done yet of one or more stations, month by month.

    Parameters
    ----------
    plants : list of Path
        The plant files.
    until : datetime, optional
        Evidence before this instant counts; without a zone it is UTC. Default: all of it.
    rebuild : bool
        Agree to rebuild what a change of plant file or code makes necessary.
    page : bool
        Write the page where the tables changed.
    commit_every : int
        Months of history after which a station's tables are published.
    runner : str, optional
        Where tasks are done: ``threads``, ``processes``, ``dask`` or the address of a Dask
        scheduler. Default: ``GAUGELESS_RUNNER`` of the environment, else ``processes``.
    workers : int, optional
        How many tasks at once. Default: ``GAUGELESS_WORKERS``, else one per core.

    Returns
    -------
    State
        As of ``nightly``; a station that fails is named and does not stop the others.
    """
    instant = as_instant(until)
    options = {
        "as_of": instant,
        "rebuild": rebuild,
        "page": page,
        "commit_every": max(commit_every, 1),
    }
    failures: list[str] = []
    told: list[str] = []
    errors: list[Exception] = []
    try:
        with hold_tasks(runner, workers) as held:
            for plant in plants:
                try:
                    result = _station(plant, held, options)
                except GaugelessError as error:
                    get_run_logger().error("%s: %s", plant, error)
                    errors.append(error)
                    failures.append(f"{plant}: {error}")
                    continue
                until_text = "the end" if instant is None else f"{instant:%Y-%m-%d %H:%M %Z}"
                publish_summary(result, until_text)
                told.append(f"{result.plant.station.name}: {news(result)}")
                failures += result.outcome.failures
    except GaugelessError as error:
        return Failed(message=str(error), data=error)
    if errors and not told:
        return Failed(message=" ".join(failures), data=errors[0])
    return finished(failures, " ".join(told))


def _station(plant: Path, held: Workers, options: dict[str, Any]) -> RunResult:
    """Do one station; after trouble with files once more from what was published."""
    for delay in RETRY_DELAYS:
        try:
            return run_plant(plant, workers=held, **options)
        except (GaugelessError, OSError) as error:
            if not is_trouble_with_files(error):
                raise
            get_run_logger().warning("%s: %s Another try in %g s.", plant, error, delay)
            time.sleep(delay)
    return run_plant(plant, workers=held, **options)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the flow once, on the server of the environment or an embedded one.

    Parameters
    ----------
    arguments : sequence of str, optional
        Default: those of the process.

    Returns
    -------
    int
        As of ``gaugeless run``; 3 also where one station of several failed.
    """
    parser = parser_of("backfill", __doc__)
    parser.add_argument("plants", type=Path, nargs="+", help="plant files (TOML)")
    add_instant(parser, "--until")
    add_run(parser)
    parser.add_argument("--commit-every", type=int, default=12, metavar="MONTHS")
    add_place(parser)
    options = parser.parse_args(arguments)
    start_embedded_server()
    state = backfill(
        options.plants,
        options.until,
        options.rebuild,
        not options.no_page,
        options.commit_every,
        options.runner,
        options.workers,
        return_state=True,
    )
    return tell(state)


if __name__ == "__main__":
    sys.exit(main())
