"""Every command, option and shot-file key has help and stands in the README."""

import re
from pathlib import Path

import pytest
import typer.main

from lightstack.cli.main import app
from lightstack.cli.reference import make_reference
from lightstack.files.shot.keytable import describe_keys, make_key_table
from lightstack.files.shot.schema import LATER_SECTIONS

README = Path(__file__).parents[1] / "README.md"
COMMANDS = typer.main.get_command(app).commands  # type: ignore[attr-defined]
OPTIONS = [
    (name, option) for name, command in COMMANDS.items() for option in command.params if option.name != "help"
]


@pytest.fixture(scope="module")
def readme() -> str:
    return README.read_text(encoding="utf-8")


def test_the_commands_are_all_there():
    assert set(COMMANDS) >= {"build", "plate", "preview", "new", "inspect"}


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_command_has_help_and_stands_in_the_readme(name, readme):
    assert COMMANDS[name].help
    found = re.search(rf"\blightstack {name}\b", readme) is not None
    assert found, f"README.md does not show `lightstack {name}`"


@pytest.mark.parametrize(("command", "option"), OPTIONS, ids=[f"{name}-{o.name}" for name, o in OPTIONS])
def test_every_option_has_help(command, option):
    assert getattr(option, "help", None)


@pytest.mark.parametrize(("command", "option"), OPTIONS, ids=[f"{name}-{o.name}" for name, o in OPTIONS])
def test_every_option_says_its_default_once_and_in_its_own_words(command, option):
    assert not (option.param_type_name == "option" and option.show_default and option.default not in (None, False, 0))


@pytest.mark.parametrize("line", sorted({line for line in make_reference().splitlines() if line}))
def test_the_reference_of_commands_stands_in_the_readme(line, readme):
    found = line in readme
    assert found, "the command reference is old; `python -m lightstack.cli.reference` prints a new one"


def test_every_key_is_described():
    for line in describe_keys():
        assert all((line.key, line.type, line.unit, line.default, line.description)), line.key
        assert line.description.endswith("."), line.key
    keys = [line.key for line in describe_keys()]
    assert len(keys) == len(set(keys))


@pytest.mark.parametrize("line", make_key_table().splitlines()[2:])
def test_every_key_stands_in_the_readme_with_type_unit_and_default(line, readme):
    found = line in readme
    assert found, "the table of keys is old; `python -m lightstack.files.shot.keytable` prints a new one"


@pytest.mark.parametrize("section", sorted(LATER_SECTIONS))
def test_sections_of_later_versions_stand_in_the_readme(section, readme):
    found = f"`{section}`" in readme
    assert found, f"README.md does not name [{section}]"
