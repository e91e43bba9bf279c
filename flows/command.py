"""The command-line part of the flows that run once: ``python -m flows.NAME PLANT``."""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from typing import Any

from prefect.states import State

from flows.outcome import code_of


def parser_of(flow: str, description: str | None) -> argparse.ArgumentParser:
    """Begin the parser of a flow.

    Parameters
    ----------
    flow : str
        Module of the flow in ``flows``.
    description : str, optional
        What it is for.

    Returns
    -------
    ArgumentParser
    """
    return argparse.ArgumentParser(prog=f"python -m flows.{flow}", description=description)


def add_instant(parser: argparse.ArgumentParser, name: str) -> None:
    """Add the instant before which evidence counts, by a name such as ``--as-of``."""
    told = "evidence before this instant counts, such as 2026-03-01T02:30+00:00; UTC if unsaid"
    parser.add_argument(name, type=dt.datetime.fromisoformat, metavar="INSTANT", help=told)


def add_run(parser: argparse.ArgumentParser) -> None:
    """Add what a run can be told."""
    parser.add_argument("--rebuild", action="store_true", help="agree to a rebuild")
    parser.add_argument("--no-page", action="store_true", help="do not write the page")


def add_place(parser: argparse.ArgumentParser) -> None:
    """Add where tasks are done, see ``flows.task_runners``."""
    parser.add_argument("--runner", help="threads, processes, dask or a scheduler's address")
    parser.add_argument("--workers", type=int, help="how many tasks at once")


def tell(state: State[Any]) -> int:
    """Print how a flow ended, and give its exit code.

    Parameters
    ----------
    state : State
        Final state of the flow run.

    Returns
    -------
    int
        One of `pipeline.jobs.exit_codes`.
    """
    print(state.message, file=sys.stdout if state.is_completed() else sys.stderr)
    return code_of(state)
