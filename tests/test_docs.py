"""The documents say what is there: every command, every module, every table, and the two set-up commands."""

import re
from pathlib import Path

import pytest

from wearlab.asked import app
from wearlab.cli import run

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = [command.name for command in app.registered_commands if command.name] + [
    command.callback.__name__ for command in app.registered_commands if not command.name and command.callback
]
SET_UP = "python3 -m venv .venv && .venv/bin/pip install -q -e '.[dev]' && "


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_stands_in_the_readme_and_explains_itself(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert f"`wearlab {command}" in README
    assert run([command, "--help"]) == 0
    assert command in capsys.readouterr().out


@pytest.mark.parametrize("ending", [".venv/bin/wearlab report demo_data --out report", ".venv/bin/pytest"])
def test_the_readme_has_the_two_commands_that_do_their_own_set_up(ending: str) -> None:
    assert SET_UP + ending + "\n" in README


def test_every_module_has_its_place_in_the_contributors_guide() -> None:
    modules = [path.relative_to(ROOT / "wearlab").as_posix() for path in (ROOT / "wearlab").rglob("*.py")]
    missing = [name for name in sorted(modules) if not name.endswith("__init__.py") and name not in DEVELOPERS]
    assert not missing


def test_no_file_of_the_package_is_long() -> None:
    long = {
        path.name: count
        for path in (ROOT / "wearlab").rglob("*.py")
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 450
    }
    assert not long


def test_only_the_agreed_things_stand_at_the_top() -> None:
    ignored = {"report", "out", "wearlab.egg-info"}
    names = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} - ignored
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "wearlab", "notebooks", "demo_data", "tests"}
    assert names <= agreed


def test_pictures_that_the_readme_shows_are_there() -> None:
    for target in re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README):
        assert (ROOT / target).is_file(), target
