"""The nightly job as a Prefect flow; ``python -m flows.nightly PLANT`` runs it once.

The flow adds what a scheduler is for (the scheduled instant, another try after trouble with
files, a state, a summary) and computes nothing: it makes the tables ``gaugeless run`` makes.
"""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from prefect import flow, get_run_logger, task
from prefect.cache_policies import NO_CACHE
from prefect.runtime import flow_run
from prefect.states import Failed, State

from flows.command import add_instant, add_run, parser_of, tell
from flows.embedded_server import start_embedded_server
from flows.outcome import (
    RETRY_DELAYS,
    finished,
    is_trouble_with_files,
    news,
    publish_summary,
    try_again,
)
from pipeline.errors import GaugelessError
from pipeline.jobs.nightly import RunResult, run_plant


@task(
    name="run plant",
    cache_policy=NO_CACHE,
    persist_result=False,
    retries=len(RETRY_DELAYS),
    retry_delay_seconds=RETRY_DELAYS,
    retry_condition_fn=try_again,
)
def work(plant: Path, as_of: dt.datetime, rebuild: bool, page: bool) -> RunResult | GaugelessError:
    """Run the whole job; what a person must mend is handed back, not raised.

    Parameters
    ----------
    plant : Path
        The plant file.
    as_of : datetime
        Evidence before this instant counts.
    rebuild : bool
        Agree to a rebuild.
    page : bool
        Write the page where the tables changed.

    Returns
    -------
    RunResult or GaugelessError
    """
    instant = pd.Timestamp(as_of).tz_convert("UTC")
    try:
        return run_plant(plant, as_of=instant, rebuild=rebuild, page=page)
    except GaugelessError as error:
        if is_trouble_with_files(error):
            raise
        # Its text says what to do; a traceback would bury that.
        return error


@flow(name="nightly", persist_result=False)
def nightly(
    plant: Path, as_of: dt.datetime | None = None, rebuild: bool = False, page: bool = True
) -> State[Any]:
    """Do one night of one plant.

    Parameters
    ----------
    plant : Path
        The plant file.
    as_of : datetime, optional
        Evidence before this instant counts; without a zone it is UTC. Default: the instant
        the run was scheduled for, however late it starts.
    rebuild : bool
        Agree to rebuild what a change of plant file or code makes necessary.
    page : bool
        Write the page where the tables changed.

    Returns
    -------
    State
        Completed where ``gaugeless run`` ends with code 0; Failed with the name
        ``Incomplete`` where it ends with 3: files or pumps named in the message failed, the
        rest is done; Failed otherwise.
    """
    instant = as_of or flow_run.scheduled_start_time or dt.datetime.now(dt.UTC)
    if instant.tzinfo is None:
        instant = instant.replace(tzinfo=dt.UTC)
    result = work(plant, instant, rebuild, page)
    if isinstance(result, GaugelessError):
        get_run_logger().error("%s", result)
        return Failed(message=str(result), data=result)
    publish_summary(result, f"{instant:%Y-%m-%d %H:%M %Z}")
    return finished(result.outcome.failures, news(result))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the flow once, on the server of the environment or an embedded one.

    Parameters
    ----------
    arguments : sequence of str, optional
        Default: those of the process.

    Returns
    -------
    int
        The exit code of ``gaugeless run``.
    """
    parser = parser_of("nightly", __doc__)
    parser.add_argument("plant", type=Path, help="plant file (TOML)")
    add_instant(parser, "--as-of")
    add_run(parser)
    options = parser.parse_args(arguments)
    start_embedded_server()
    state = nightly(
        options.plant, options.as_of, options.rebuild, not options.no_page, return_state=True
    )
    return tell(state)


if __name__ == "__main__":
    sys.exit(main())
