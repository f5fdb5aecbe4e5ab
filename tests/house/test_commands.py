"""Every command explains itself, fits a screen and is named in the house's own words."""

import click
import pytest
from click.testing import CliRunner

from domatia.cli import commands

SCREEN_LINES = 40
NAMES = sorted(commands.commands)


def shown(*words: str) -> str:
    """Run a command that must end well."""
    done = CliRunner().invoke(commands, list(words), prog_name="domatia")
    assert done.exit_code == 0, done.output
    return done.output


@pytest.mark.parametrize("name", NAMES)
def test_every_command_has_help_with_an_example(name: str) -> None:
    """The help says what it does, gives an example that starts with the command, and fits a screen."""
    text = shown(name, "--help")
    assert f"Example: domatia {name} " in text
    assert len(text.splitlines()) <= SCREEN_LINES


@pytest.mark.parametrize("name", NAMES)
def test_every_option_is_explained(name: str) -> None:
    """No option stands without a sentence."""
    options = [p for p in commands.commands[name].params if isinstance(p, click.Option)]
    assert all(o.help and o.help.endswith(".") for o in options)


@pytest.mark.parametrize("name", NAMES)
def test_every_command_refuses_unknown_options(name: str) -> None:
    """An option that does not exist is wrong use: exit code 2."""
    assert CliRunner().invoke(commands, [name, "--no-such-thing"]).exit_code == 2


def test_the_list_of_commands_fits_a_screen() -> None:
    """All verbs of the plan are there, each with a line."""
    text = shown("--help")
    planned = {
        "new", "propose", "import", "check", "settle", "correct", "copy", "life", "changes", "questions", "answer",
        "report", "demo",
    }  # fmt: skip
    assert planned <= set(NAMES)
    assert all(f"  {n} " in text for n in NAMES)
    assert "…" not in text
    assert "..." not in text.split("Commands:")[1]
    assert len(text.splitlines()) <= SCREEN_LINES


def test_what_a_program_could_read_comes_as_json() -> None:
    """Commands that tell something have --json."""
    telling = ("check", "life", "changes", "questions", "answer", "import")
    assert all(any(p.name == "as_json" for p in commands.commands[n].params) for n in telling)
