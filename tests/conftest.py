"""What all tests share."""

import logging
import os
from collections.abc import Generator

import pytest
from hypothesis import settings

# No deadline: machines that run these tests are shared. Where they run for every change, the
# same examples each time, so that a change is judged by what it changed.
settings.register_profile(
    "gaugeless", deadline=None, max_examples=60, derandomize=bool(os.environ.get("CI"))
)
settings.load_profile("gaugeless")

# Files that take longest come first. Processes share the tests by whole files, and one that
# begins a long file when all others are done leaves every other core idle.
LONGEST_FIRST = (
    "tests/flows/test_nightly.py",
    "tests/jobs/test_evidence_order.py",
    "tests/jobs/test_killed_runs.py",
    "tests/report/test_browser.py",
    "tests/flows/test_backfill.py",
    "tests/tables/test_store_crashes.py",
    "tests/suction/test_epanet_station.py",
)
# Then those with few tests, each of which runs the whole job or several processes.
LONG_ROOMS = ("tests/flows/", "tests/jobs/", "tests/backtest/", "tests/sample_exports/")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Put files that take long before others; tests of a file stay in their order."""

    def rank(item: pytest.Item) -> int:
        file = item.nodeid.partition("::")[0]
        if file in LONGEST_FIRST:
            return LONGEST_FIRST.index(file)
        return len(LONGEST_FIRST) + (not file.startswith(LONG_ROOMS))

    items.sort(key=rank)


class _Unforeseen(logging.Handler):
    """Keeps what the readers of exports say they did not foresee: a defect, however it is told."""

    def __init__(self) -> None:
        super().__init__()
        self.told: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        if record.exc_info:
            self.told.append(self.format(record))


_unforeseen = _Unforeseen()
logging.getLogger("pipeline.exports.read").addHandler(_unforeseen)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item: pytest.Item) -> Generator[None, object, object]:
    """Fail a test in which a reader met what it did not foresee, unless it is about that."""
    _unforeseen.told.clear()
    result = yield
    if item.get_closest_marker("unforeseen") is None:
        assert not _unforeseen.told, _unforeseen.told[0]
    return result
