"""The ``gaugeless`` command.

Only argument parsing happens at import: everything heavy is imported by the command that
needs it, so that help answers at once.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from pipeline.jobs.exit_codes import (
    DONE,
    INTERNAL,
    LOCKED,
    PARTIAL,
    REBUILD,
    USAGE,
    exit_code,
)

if TYPE_CHECKING:
    from pipeline.jobs.nightly import RunResult

__all__ = ["DONE", "INTERNAL", "LOCKED", "PARTIAL", "REBUILD", "USAGE", "main"]

_EXIT_CODES = """\
exit codes:
  0  done (rejected rows are counted)
  1  internal error
  2  command or plant file
  3  a whole file, a pump or publishing failed, the rest is done
  4  another run works on the data folder
  5  plant file or code changed: a rebuild needs --rebuild
"""

_CAUTION = (
    "Results inform people; they protect nothing. Do not use them for trips, alarms or "
    "acceptance without a calibrated test to the agreed standard."
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : sequence of str, optional
        Default: those of the process.

    Returns
    -------
    int
        Exit code.
    """
    options = _parser().parse_args(arguments)
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except KeyboardInterrupt:
        print("Stopped. The tables are those of the run before.", file=sys.stderr)
        return INTERNAL
    except BrokenPipeError:
        return DONE
    except Exception as error:
        return _explain(error)


def _explain(error: Exception) -> int:
    """Say what went wrong in the user's words, and give the exit code."""
    from pipeline.errors import GaugelessError

    if not isinstance(error, GaugelessError):
        kind = type(error).__name__
        print(
            f"Internal error ({kind}: {error}). Nothing was changed. This is a fault of "
            "gaugeless: please report it with the plant file and the newest file in the "
            "data folder's logs.",
            file=sys.stderr,
        )
        return INTERNAL
    print(error, file=sys.stderr)
    return exit_code(error)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="gaugeless",
        description="Pump efficiency, degradation and cost from historian exports; missing "
        "suction pressure is modelled, with its uncertainty.",
        epilog=_EXIT_CODES + "\n" + _CAUTION,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="store_true", help="print the version and stop")
    parser.set_defaults(command=lambda options: _version_or_help(options, parser))
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    run = commands.add_parser("run", help="do the whole job; only new data on the second call")
    run.add_argument("plant", help="plant file (TOML)")
    run.add_argument("--as-of", help="only evidence before this instant counts (ISO 8601)")
    run.add_argument("--rebuild", action="store_true", help="agree to a rebuild")
    run.add_argument("--verify", action="store_true", help="hash every export again")
    run.add_argument("--workers", type=int, help="processes for long runs; default one per core")
    run.add_argument("--no-page", action="store_true", help="do not write the page")
    _common(run)
    run.set_defaults(command=_run)

    demo = commands.add_parser("demo", help="do the job on the sample station")
    demo.add_argument("folder", help="new or empty folder for the station's files and results")
    _common(demo)
    demo.set_defaults(command=_demo)

    backtest = commands.add_parser(
        "backtest", help="hide gauges that work and score what would stand in for them"
    )
    backtest.add_argument("plant", help="plant file (TOML) that `run` has made tables of")
    backtest.add_argument(
        "--pump", action="append", metavar="PUMP", help="only this pump; may be given again"
    )
    backtest.add_argument("--as-of", help="only evidence before this instant counts (ISO 8601)")
    backtest.add_argument("--workers", type=int, help="processes; default one per core")
    _common(backtest)
    backtest.set_defaults(command=_backtest)
    publish = commands.add_parser(
        "publish", help="send the tables to a SQL database for dashboards; only what changed"
    )
    publish.add_argument("plant", help="plant file (TOML)")
    publish.add_argument(
        "--to",
        help="'sqlite', a file such as tables.sqlite, or postgresql://user@host/database; "
        "default: as the plant file says, or a SQLite file in the data folder",
    )
    publish.add_argument("--anew", action="store_true", help="send every row again")
    _common(publish)
    publish.set_defaults(command=_publish)

    schedule = commands.add_parser("schedule", help="do every night, until stopped")
    schedule.add_argument("plant", help="plant file (TOML)")
    schedule.add_argument("--at", default="02:30", help="in the plant's time zone; default 02:30")
    schedule.set_defaults(command=_schedule)

    check = commands.add_parser(
        "check", help="check plant file and exports; list the facts that are missing"
    )
    check.add_argument("plant", help="plant file (TOML)")
    _common(check)
    check.set_defaults(command=_check)

    inspect = commands.add_parser(
        "inspect", help="read exports nobody described yet and draft the plant file"
    )
    inspect.add_argument("folder", help="folder in which the plant file will stand")
    inspect.add_argument(
        "paths", nargs="*", default=["."], help="files, folders or globs in it; default: all of it"
    )
    inspect.add_argument("--draft", help="write the draft to this new file")
    _common(inspect)
    inspect.set_defaults(command=_inspect)
    return parser


def _common(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print for machines")


def _version_or_help(options: argparse.Namespace, parser: argparse.ArgumentParser) -> int:
    if options.version:
        from importlib.metadata import version

        print(f"gaugeless {version('gaugeless')}")
        return DONE
    parser.print_help()
    return USAGE


def _run(options: argparse.Namespace) -> int:
    from pipeline.jobs.nightly import run_plant
    from pipeline.jobs.processes import processors

    with _progress(options.json) as progress:
        result = run_plant(
            options.plant,
            as_of=_instant(options.as_of),
            rebuild=options.rebuild,
            verify=options.verify,
            page=not options.no_page,
            workers=processors() if options.workers is None else options.workers,
            progress=progress,
        )
    return _report(result, options.json)


def _demo(options: argparse.Namespace) -> int:
    from pipeline.jobs.demo import prepare_demo
    from pipeline.jobs.nightly import run_plant
    from pipeline.jobs.processes import processors

    plant_file = prepare_demo(options.folder)
    with _progress(options.json) as progress:
        result = run_plant(plant_file, page=True, workers=processors(), progress=progress)
    return _report(result, options.json)


def _backtest(options: argparse.Namespace) -> int:
    from pipeline.jobs.backtest import run_backtest
    from pipeline.jobs.backtest_summary import backtest_summary, backtest_text
    from pipeline.jobs.page import PAGE
    from pipeline.jobs.processes import processors

    with _progress(options.json) as progress:
        result = run_backtest(
            options.plant,
            pumps=options.pump,
            as_of=_instant(options.as_of),
            workers=processors() if options.workers is None else options.workers,
            progress=progress,
            page=True,
        )
    if options.json:
        found = backtest_summary(result)
        print(json.dumps(found, ensure_ascii=False, indent=2, allow_nan=False, default=str))
        return PARTIAL if result.outcome.failures else DONE
    print(backtest_text(result))
    kept = result.units - result.units_done
    print(f"\n{result.units_done} unit(s) of work done, {kept} kept from before.", end=" ")
    print("Tables updated." if result.changed else "Nothing changed.")
    for note in result.outcome.notes[:10]:
        print(f"Note: {note}")
    for failure in result.outcome.failures:
        print(failure, file=sys.stderr)
    if result.changed and not result.outcome.failures:
        print(f"Page: {result.plant.data_folder / PAGE}")
    print(_CAUTION)
    return PARTIAL if result.outcome.failures else DONE


def _schedule(options: argparse.Namespace) -> int:
    # Found by name: the flows stand above this package, which knows nothing of them.
    flow = importlib.import_module("flows.schedule")
    return int(flow.main([options.plant, "--at", options.at]))


def _publish(options: argparse.Namespace) -> int:
    from dataclasses import asdict

    from pipeline.jobs.publish import publish_plant

    found = publish_plant(options.plant, options.to, anew=options.anew)
    print(json.dumps(asdict(found), ensure_ascii=False, indent=2) if options.json else found)
    return DONE


def _check(options: argparse.Namespace) -> int:
    from pipeline.jobs.check import check_plant

    found = check_plant(options.plant)
    if options.json:
        print(json.dumps(found.as_dict(), ensure_ascii=False, indent=2))
    else:
        print(found.text())
    return PARTIAL if found.failures else DONE


def _inspect(options: argparse.Namespace) -> int:
    from pathlib import Path

    from pipeline.jobs.inspection import inspect_folder

    found = inspect_folder(Path(options.folder), options.paths)
    if options.draft is not None:
        found.write_draft(Path(options.draft))
    if options.json:
        print(json.dumps(found.as_dict(), ensure_ascii=False, indent=2, default=str))
    else:
        print(found.text(with_draft=options.draft is None))
    return PARTIAL if found.inspection.refused else DONE


def _instant(text: str | None):  # type: ignore[no-untyped-def]  # noqa: ANN202
    if text is None:
        return None
    import pandas as pd

    from pipeline.errors import Fault, PlantFileError

    try:
        instant = pd.Timestamp(text)
    except ValueError:
        instant = None
    if instant is None or pd.isna(instant):
        fault = Fault("--as-of", f"'{text}'", "an instant such as 2026-03-01T00:00Z")
        raise PlantFileError("The command cannot be understood.", [fault])
    return instant.tz_localize("UTC") if instant.tzinfo is None else instant.tz_convert("UTC")


def _report(result: RunResult, as_json: bool) -> int:
    from dataclasses import asdict

    from pipeline.jobs.summary import summary, summary_text, written_text

    outcome = result.outcome
    code = PARTIAL if outcome.failures else DONE
    if as_json:
        found = {
            "changed": result.changed,
            "new_files": outcome.new_files,
            "rejected_rows": outcome.rejected_rows,
            "late_rows": outcome.late_rows,
            "failures": outcome.failures,
            "notes": outcome.notes,
            "exit_code": code,
        }
        if result.published is not None:
            found["published"] = asdict(result.published)
        if result.as_of is not None:
            found |= summary(result.plant)
        print(json.dumps(found, ensure_ascii=False, indent=2, allow_nan=False, default=str))
        return code
    if result.as_of is None:
        print("No samples yet: nothing to compute.")
    else:
        print(summary_text(result.plant))
        print()
        print(written_text(result.plant))
    news = f"{outcome.new_files} new file(s) read" if outcome.new_files else "No new files"
    late = f", {outcome.late_rows} came late" if outcome.late_rows else ""
    print(f"\n{news}, {outcome.rejected_rows} row(s) rejected{late}.", end=" ")
    print("Tables updated." if result.changed else "Nothing changed.")
    if result.published is not None:
        print(f"Published to {result.published}")
    for note in outcome.notes[:10]:
        print(f"Note: {note}")
    if len(outcome.notes) > 10:
        print(f"+{len(outcome.notes) - 10} more notes in the log.")
    for failure in outcome.failures[:10]:
        print(f"FAILED: {failure}", file=sys.stderr)
    if len(outcome.failures) > 10:
        print(f"+{len(outcome.failures) - 10} more in the log.", file=sys.stderr)
    print(_CAUTION)
    return code


@contextlib.contextmanager
def _progress(quiet: bool) -> Iterator[Callable[[str, int, int], None]]:
    """Show a bar on a terminal, nothing elsewhere."""
    if quiet or not sys.stderr.isatty():
        yield lambda step, done, total: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:<24}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1)
        yield lambda step, done, total: bar.update(
            task, description=step, completed=done, total=max(total, 1)
        )


if __name__ == "__main__":
    sys.exit(main())
