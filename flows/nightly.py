"""The nightly job as a Prefect flow; ``python -m flows.nightly PLANT`` runs it once.

The flow adds what a scheduler is for (the scheduled instant, another try after trouble with
files, a state, a summary) and computes nothing: it makes the tables ``gaugeless run`` makes.
"""

from __future__ import annotations

import argparse
import datetime as dt
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from prefect import flow, get_run_logger, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.runtime import flow_run
from prefect.states import Completed, Failed, State

from pipeline.errors import GaugelessError
from pipeline.jobs.nightly import RunResult, run_plant
from pipeline.jobs.summary import summary_text

INCOMPLETE = "Incomplete"
"""Name of the failed state of a night in which files or pumps failed and the rest is done."""

RETRY_DELAYS = [60.0, 600.0]
"""Waits before another try after trouble with files [s]."""


def is_trouble_with_files(error: object) -> bool:
    """Tell whether the operating system refused a file: what another try may mend.

    Parameters
    ----------
    error : object
        An exception; anything else is no trouble.

    Returns
    -------
    bool
    """
    cause = error.__cause__ if isinstance(error, GaugelessError) else error
    return isinstance(cause, OSError)


def _try_again(task: Any, task_run: Any, state: State[Any]) -> bool:
    return is_trouble_with_files(state.result(raise_on_failure=False))


@task(
    name="run plant",
    cache_policy=NO_CACHE,
    persist_result=False,
    retries=len(RETRY_DELAYS),
    retry_delay_seconds=RETRY_DELAYS,
    retry_condition_fn=_try_again,
)
def work(plant: Path, as_of: dt.datetime, rebuild: bool) -> RunResult | GaugelessError:
    """Run the whole job; what a person must mend is handed back, not raised.

    Parameters
    ----------
    plant : Path
        The plant file.
    as_of : datetime
        Evidence before this instant counts.
    rebuild : bool
        Agree to a rebuild.

    Returns
    -------
    RunResult or GaugelessError
    """
    try:
        return run_plant(plant, as_of=pd.Timestamp(as_of).tz_convert("UTC"), rebuild=rebuild)
    except GaugelessError as error:
        if is_trouble_with_files(error):
            raise
        # Its text says what to do; a traceback would bury that.
        return error


@flow(name="nightly", persist_result=False)
def nightly(plant: Path, as_of: dt.datetime | None = None, rebuild: bool = False) -> State[Any]:
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
    result = work(plant, instant, rebuild)
    if isinstance(result, GaugelessError):
        get_run_logger().error("%s", result)
        return Failed(message=str(result), data=result)
    text = night_text(result)
    create_markdown_artifact(
        markdown=fenced(text),
        key=artifact_key(result.plant.station.name),
        description=f"{result.plant.station.name}, evidence before {instant:%Y-%m-%d %H:%M %Z}",
    )
    failures = result.outcome.failures
    if failures:
        message = f"{len(failures)} file(s) or pump(s) failed, the rest is done: "
        return Failed(name=INCOMPLETE, message=message + " ".join(failures))
    return Completed(message=_news(result))


def _news(result: RunResult) -> str:
    news = f"{result.outcome.new_files} new file(s), {result.outcome.rejected_rows} row(s) rejected"
    return f"{news}; " + ("tables updated." if result.changed else "nothing changed.")


def night_text(result: RunResult) -> str:
    """Say what a night did, for people.

    Parameters
    ----------
    result : RunResult
        Of a run.

    Returns
    -------
    str
        Plain text.
    """
    lines = [_news(result)]
    for title, sentences in (
        ("Failed:", result.outcome.failures),
        ("Notes:", result.outcome.notes),
    ):
        if sentences:
            lines += ["", title, *(f"  {sentence}" for sentence in sentences)]
    if result.as_of is not None:
        lines += ["", summary_text(result.plant)]
    return "\n".join(lines)


def fenced(text: str) -> str:
    """Make text a Markdown block that shows it as it is.

    Parameters
    ----------
    text : str
        Anything: names from plant file and exports must not act as markup.

    Returns
    -------
    str
        The text between fences longer than any run of backticks in it.

    Examples
    --------
    >>> fenced("P1 ``` P2").splitlines()
    ['````text', 'P1 ``` P2', '````']
    """
    longest = max((len(run) for run in re.findall("`+", text)), default=0)
    fence = "`" * max(3, longest + 1)
    return f"{fence}text\n{text}\n{fence}"


def artifact_key(station: str) -> str:
    """Make a key of a station's name: small letters, digits and dashes.

    Parameters
    ----------
    station : str
        Name in the plant file.

    Returns
    -------
    str

    Examples
    --------
    >>> artifact_key("Estação 2 / North")
    'night-esta-o-2-north'
    """
    return "-".join(["night", *re.findall("[a-z0-9]+", station.lower())])


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the flow once, on the server of the environment or an embedded one.

    Parameters
    ----------
    arguments : sequence of str, optional
        Default: those of the process.

    Returns
    -------
    int
        0 completed, 3 incomplete, 1 failed otherwise.
    """
    parser = argparse.ArgumentParser(prog="python -m flows.nightly", description=nightly.__doc__)
    parser.add_argument("plant", type=Path, help="plant file (TOML)")
    parser.add_argument(
        "--as-of", type=dt.datetime.fromisoformat, help="evidence before this instant counts"
    )
    parser.add_argument("--rebuild", action="store_true", help="agree to a rebuild")
    options = parser.parse_args(arguments)
    state = nightly(options.plant, options.as_of, options.rebuild, return_state=True)
    if state.is_completed():
        print(state.message)
        return 0
    print(state.message, file=sys.stderr)
    return 3 if state.name == INCOMPLETE else 1


if __name__ == "__main__":
    sys.exit(main())
