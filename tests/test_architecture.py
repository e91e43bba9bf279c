"""The house keeps its order: imports point one way, and heavy or foreign things stay out."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
MODULES = sorted(path for top in ("pipeline", "flows") for path in (ROOT / top).rglob("*.py"))

# Each room may import itself and the rooms named here.
ALLOWED = {
    "errors": set(),
    "quantities": {"errors"},
    "months": set(),
    "plant": {"errors", "quantities"},
    "exports": {"errors", "quantities", "plant", "months"},
    "tables": {"errors", "quantities"},
    "hydraulics": {"errors"},
    "assembly": {"errors", "plant", "hydraulics", "months"},
    "suction": {"errors", "hydraulics", "plant"},
    "performance": {"errors", "hydraulics", "suction", "plant", "months"},
}
BASE = {
    "errors",
    "quantities",
    "months",
    "plant",
    "exports",
    "tables",
    "hydraulics",
    "assembly",
    "suction",
    "performance",
}
ALLOWED["backtest"] = BASE
ALLOWED["report"] = BASE
ALLOWED["jobs"] = BASE | {"backtest", "report"}
ALLOWED["cli"] = BASE | {"backtest", "report", "jobs"}
ALLOWED["flows"] = BASE | {"backtest", "report", "jobs"}

PURE = {"hydraulics", "suction", "performance", "assembly"}
FORBIDDEN_WHEN_PURE = {"os", "pathlib", "io", "logging", "time", "random", "shutil", "tempfile"}


def room_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return "flows" if parts[0] == "flows" else parts[1]


def imported(path: Path) -> set[str]:
    package = path.relative_to(ROOT).with_suffix("").parts[:-1]
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            module = ".".join(part for part in (base, node.module) if part)
            names.add(module)
            names |= {f"{module}.{alias.name}" for alias in node.names}
    return names


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_imports_point_one_way(path):
    """A room imports only rooms below it."""
    room = room_of(path)
    if room == "__init__":
        return
    rooms = {
        "flows" if name.startswith("flows") else name.split(".")[1]
        for name in imported(path)
        if name.startswith("pipeline.") or name.split(".")[0] == "flows"
    }
    known = {r for r in rooms if r in ALLOWED}
    assert known <= ALLOWED[room] | {room}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_only_flows_import_prefect_and_only_quantities_pint(path):
    """Prefect and pint stay at their edge."""
    tops = {name.split(".")[0] for name in imported(path)}
    assert "prefect" not in tops or room_of(path) == "flows"
    assert "pint" not in tops or room_of(path) == "quantities"
    assert not tops & {"pickle", "dill", "cloudpickle", "joblib", "shelve", "marshal"}


@pytest.mark.parametrize(
    "path",
    [p for p in MODULES if room_of(p) in PURE],
    ids=lambda p: str(p.relative_to(ROOT)),
)
def test_core_has_no_files_clock_or_logging(path):
    """The core computes: no file, clock, environment, log or global random state."""
    tops = {name.split(".")[0] for name in imported(path)}
    assert not tops & FORBIDDEN_WHEN_PURE
    text = path.read_text("utf-8")
    tree = ast.parse(text)
    calls = {ast.unparse(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}
    assert not calls & {"open", "eval", "exec", "print", "input", "np.random.seed"}
    assert not any(call.startswith("np.random.") and "Generator" not in call for call in calls)


def test_core_does_not_load_prefect():
    """Importing what a notebook user needs leaves Prefect and the plotting library alone."""
    code = (
        "import sys, pipeline.plant, pipeline.hydraulics.head, pipeline.tables.store; "
        "print([m for m in ('prefect', 'plotly', 'sklearn') if m in sys.modules])"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert result.stdout.strip() == "[]"


def test_top_level_is_as_agreed():
    """Nothing but the agreed files and folders, and dot-files, at the top."""
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split()
    tops = {name.split("/")[0] for name in listed}
    agreed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "pipeline",
        "flows",
        "tests",
        "sample_exports",
        "LICENSE",
    }
    assert {name for name in tops if not name.startswith(".")} <= agreed
