"""The back-test of gauge assumptions as a Prefect flow; ``python -m flows.backtest PLANT``.

Its units of work are tasks, done where ``flows.task_runners`` says. Units done before are kept,
so a back-test that was stopped goes on from there.
"""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from prefect import flow, get_run_logger
from prefect.states import Completed, Failed, State

from flows.command import add_instant, add_place, parser_of, tell
from flows.embedded_server import start_embedded_server
from flows.outcome import as_instant, publish_text
from flows.task_runners import hold_tasks
from pipeline.errors import GaugelessError
from pipeline.jobs.backtest import run_backtest
from pipeline.jobs.backtest_summary import backtest_text


@flow(name="backtest", persist_result=False)
def backtest(
    plant: Path,
    pumps: list[str] | None = None,
    as_of: dt.datetime | None = None,
    runner: str | None = None,
    workers: int | None = None,
) -> State[Any]:
    """Back-test gauge assumptions on the tables of a plant.

    Parameters
    ----------
    plant : Path
        The plant file; a run made its tables.
    pumps : list of str, optional
        Pumps whose gauges are hidden; default all that have a trustworthy one.
    as_of : datetime, optional
        Evidence before this instant counts; without a zone it is UTC. Default: that of the
        last run.
    runner : str, optional
        Where tasks are done, see ``backfill``.
    workers : int, optional
        How many tasks at once.

    Returns
    -------
    State
        Completed, or Failed with the error that ``gaugeless backtest`` would end with.
    """
    try:
        with hold_tasks(runner, workers) as held:
            result = run_backtest(
                plant, pumps=pumps, as_of=as_instant(as_of), workers=held, page=True
            )
    except GaugelessError as error:
        get_run_logger().error("%s", error)
        return Failed(message=str(error), data=error)
    for failure in result.outcome.failures:
        get_run_logger().error("%s", failure)
    name = result.plant.station.name
    publish_text("backtest", name, backtest_text(result), f"{name}, gauges hidden")
    kept = result.units - result.units_done
    done = f"{result.units_done} unit(s) of work done, {kept} kept from before; "
    return Completed(message=done + ("tables updated." if result.changed else "nothing changed."))


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the flow once, on the server of the environment or an embedded one.

    Parameters
    ----------
    arguments : sequence of str, optional
        Default: those of the process.

    Returns
    -------
    int
        The exit code of ``gaugeless backtest``.
    """
    parser = parser_of("backtest", __doc__)
    parser.add_argument("plant", type=Path, help="plant file (TOML)")
    parser.add_argument("--pump", action="append", metavar="PUMP", help="only this pump")
    add_instant(parser, "--as-of")
    add_place(parser)
    options = parser.parse_args(arguments)
    start_embedded_server()
    state = backtest(
        options.plant,
        options.pump,
        options.as_of,
        options.runner,
        options.workers,
        return_state=True,
    )
    return tell(state)


if __name__ == "__main__":
    sys.exit(main())
