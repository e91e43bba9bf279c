"""What the documents say is what the code does."""

import re
from pathlib import Path

import pytest

from pipeline import cli
from pipeline.tables.catalogue import PUBLISHED, markdown_list

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text("utf-8")


def test_table_list_is_current():
    """Regenerate it with `python -m pipeline.tables.catalogue`."""
    block = README.partition("<!-- tables -->\n")[2].partition("<!-- /tables -->")[0]
    assert block == markdown_list()
    assert block.count("\n") == len(PUBLISHED) + 2


def test_exit_codes_are_those_of_the_command():
    """The numbers of the table are the command's own."""
    listed = {int(n) for n in re.findall(r"^\| (\d) \|", README, re.MULTILINE)}
    codes = {cli.DONE, cli.INTERNAL, cli.USAGE, cli.PARTIAL, cli.LOCKED, cli.REBUILD}
    assert listed == codes


def test_the_test_command_is_one_line():
    """The continuous check takes it from here."""
    after = README.partition("<!-- test command -->\n")[2]
    lines = after.splitlines()
    assert lines[0] == "```bash"
    assert "-m pytest" in lines[1]
    assert lines[2] == "```"


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_named_files_exist(text):
    """Every path of this repository that a document names is there."""
    named = re.findall(r"`((?:pipeline|flows|tests|sample_exports|\.ci)/[\w./]+)`", text)
    named += re.findall(r"\]\(([\w./]+)\)", text)
    missing = [name for name in named if not (ROOT / name).exists()]
    assert named
    assert missing == []


def test_readme_commands_are_understood():
    """Every `gaugeless` command it names is one."""
    words = set(
        re.findall(r"gaugeless (run|demo|check|inspect|publish|schedule|backtest)\b", README)
    )
    help_text = cli._parser().format_help()
    assert words >= {"run", "demo", "check", "inspect"}
    assert all(re.search(rf"^    {word} ", help_text, re.MULTILINE) for word in words)
