"""What the flows share: which trouble is tried again, and how a run is told."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from typing import Any

import pandas as pd
from prefect.artifacts import create_markdown_artifact
from prefect.states import Completed, Failed, State

from pipeline.errors import GaugelessError
from pipeline.jobs.exit_codes import DONE, INTERNAL, PARTIAL, exit_code
from pipeline.jobs.nightly import RunResult
from pipeline.jobs.summary import summary_text

INCOMPLETE = "Incomplete"
"""Name of the failed state of a run in which files or pumps failed and the rest is done."""

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


def try_again(task: Any, task_run: Any, state: State[Any]) -> bool:
    """Tell Prefect whether to retry a task."""
    return is_trouble_with_files(state.result(raise_on_failure=False))


def finished(failures: Sequence[str], message: str) -> State[Any]:
    """Give the final state of a run that came to its end.

    Parameters
    ----------
    failures : sequence of str
        Files or pumps that failed while the rest was done.
    message : str
        What was done.

    Returns
    -------
    State
        Completed, or Failed with the name ``Incomplete``.
    """
    if failures:
        told = f"{len(failures)} file(s) or pump(s) failed, the rest is done: "
        return Failed(name=INCOMPLETE, message=told + " ".join(failures))
    return Completed(message=message)


def code_of(state: State[Any]) -> int:
    """Give the exit code with which the command would have ended.

    Parameters
    ----------
    state : State
        Final state of a flow run.

    Returns
    -------
    int
        One of `pipeline.jobs.exit_codes`.
    """
    if state.is_completed():
        return DONE
    if state.name == INCOMPLETE:
        return PARTIAL
    error = state.result(raise_on_failure=False)
    return exit_code(error) if isinstance(error, BaseException) else INTERNAL


def publish_summary(result: RunResult, before: str) -> None:
    """Show what a run did as an artifact of the flow run.

    Parameters
    ----------
    result : RunResult
        Of the run.
    before : str
        Instant before which evidence counted, in words.
    """
    name = result.plant.station.name
    publish_text("night", name, run_text(result), f"{name}, evidence before {before}")


def publish_text(kind: str, station: str, text: str, description: str) -> None:
    """Show a text as an artifact of the flow run.

    Parameters
    ----------
    kind, station : str
        What it is about; give the key.
    text, description : str
        What is shown.
    """
    key = artifact_key(station, kind)
    create_markdown_artifact(markdown=fenced(text), key=key, description=description)


def as_instant(given: dt.datetime | None) -> pd.Timestamp | None:
    """Give an instant in UTC; what has no zone is UTC already."""
    if given is None:
        return None
    instant = pd.Timestamp(given)
    return instant.tz_localize("UTC") if instant.tzinfo is None else instant.tz_convert("UTC")


def news(result: RunResult) -> str:
    """Say in a line what a run did."""
    done = f"{result.outcome.new_files} new file(s), {result.outcome.rejected_rows} row(s) rejected"
    return f"{done}; " + ("tables updated." if result.changed else "nothing changed.")


def run_text(result: RunResult) -> str:
    """Say what a run did, for people.

    Parameters
    ----------
    result : RunResult
        Of the run.

    Returns
    -------
    str
        Plain text.
    """
    lines = [news(result)]
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


def artifact_key(station: str, kind: str = "night") -> str:
    """Make a key of a station's name: small letters, digits and dashes.

    Parameters
    ----------
    station : str
        Name in the plant file.
    kind : str
        What is shown of it.

    Returns
    -------
    str

    Examples
    --------
    >>> artifact_key("Estação 2 / North")
    'night-esta-o-2-north'
    """
    return "-".join([kind, *re.findall("[a-z0-9]+", station.lower())])
