"""Flow tests on one embedded server, off line, with nothing of it outside a temporary folder."""

import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

# Prefect makes its folder and reads its settings when it is imported, so this comes first. It
# must not be imported before: not even by a plugin.
_home = tempfile.TemporaryDirectory(prefix="prefect-home-")
os.environ["PREFECT_HOME"] = _home.name
os.environ["PREFECT_LOCAL_STORAGE_PATH"] = f"{_home.name}/storage"
os.environ["DO_NOT_TRACK"] = "1"
os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] = "false"
os.environ["PREFECT_TASKS_DEFAULT_NO_CACHE"] = "true"
os.environ["PREFECT_LOGGING_TO_API_ENABLED"] = "false"
os.environ.pop("PREFECT_API_URL", None)

# Every Python process started from here, such as the server, writes down which names of hosts
# it looks up.
WATCH = """
import os, socket
true = socket.getaddrinfo
def watched(host, *arguments, **options):
    with open(os.environ["LOOKED_UP"], "a") as log:
        log.write(f"{host}\\n")
    return true(host, *arguments, **options)
socket.getaddrinfo = watched
"""
_watch = Path(_home.name) / "watch"
_watch.mkdir()
(_watch / "sitecustomize.py").write_text(WATCH)
os.environ["PYTHONPATH"] = os.pathsep.join(
    [str(_watch), *filter(None, [os.environ.get("PYTHONPATH")])]
)
os.environ["LOOKED_UP"] = f"{_home.name}/looked_up"
exec(WATCH)


@pytest.fixture
def looked_up() -> Callable[[], set[str]]:
    """Names looked up by this process and every one it started."""

    def read() -> set[str]:
        log = Path(os.environ["LOOKED_UP"])
        return set(log.read_text().split()) if log.exists() else set()

    return read


@pytest.fixture(scope="session")
def home_before() -> dict[Path, int]:
    """What Prefect left in the user's folder before any flow ran."""
    return _state_of_home()


@pytest.fixture(scope="session")
def state_of_home() -> Callable[[], dict[Path, int]]:
    """A look at that folder now."""
    return _state_of_home


def _state_of_home() -> dict[Path, int]:
    """Every file under the folder Prefect uses unless told otherwise, with its time of change."""
    folder = Path.home() / ".prefect"
    return {p: p.stat().st_mtime_ns for p in folder.rglob("*")} if folder.exists() else {}


@pytest.fixture(scope="session", autouse=True)
def server(home_before: dict[Path, int]) -> Iterator[None]:
    """One server for all flow tests; without heartbeats, each of which costs a second."""
    from prefect.settings import PREFECT_FLOWS_HEARTBEAT_FREQUENCY, temporary_settings
    from prefect.testing.utilities import prefect_test_harness

    with (
        temporary_settings({PREFECT_FLOWS_HEARTBEAT_FREQUENCY: None}),
        prefect_test_harness(server_startup_timeout=120),
    ):
        yield
