"""Every command that `rimelog --help` names is there and can say what it does."""

import re
import shlex
from collections.abc import Iterator

import click
import pytest
from click.testing import CliRunner

from logger.cli import COMMANDS, rimelog
from logger.cli.examples import EXAMPLES
from logger.cli.loosely import MARKS


@pytest.mark.parametrize("name", COMMANDS)
def test_the_command_imports_and_helps(name: str) -> None:
    for path in _paths(name):
        ran = CliRunner().invoke(rimelog, [*path, "--help"])
        assert ran.exit_code == 0, ran.output
        assert f"Usage: rimelog {' '.join(path)} " in ran.output
        assert len(ran.output.split("\n\n")[1].strip()) > 10  # words of its own under the usage line


def _paths(name: str) -> Iterator[tuple[str, ...]]:
    """The command, and those below it when it is a group."""
    yield (name,)
    command = rimelog.get_command(click.Context(rimelog), name)
    if isinstance(command, click.Group):
        for below in command.commands:
            yield name, below


def _commands() -> Iterator[tuple[str, click.Command]]:
    for name in COMMANDS:
        for path in _paths(name):
            command = rimelog.get_command(click.Context(rimelog), path[0])
            if len(path) == 2:
                assert isinstance(command, click.Group)
                command = command.commands[path[1]]
            assert command is not None
            if not isinstance(command, click.Group):
                yield " ".join(path), command


def test_each_command_has_an_example_that_it_takes() -> None:
    commands = dict(_commands())
    assert set(EXAMPLES) == set(commands)
    for path, command in commands.items():
        for line in "\n".join(EXAMPLES[path]).replace("\\\n", " ").splitlines():
            first, *words = shlex.split(line)
            assert (first, words[: path.count(" ") + 1]) == ("rimelog", path.split()), line
            context = click.Context(command, info_name=path)
            command.make_parser(context).parse_args(words[path.count(" ") + 1 :])


@pytest.mark.parametrize("name", COMMANDS)
def test_help_fits_80_columns_and_breaks_no_name(name: str) -> None:
    for path in _paths(name):
        lines = CliRunner().invoke(rimelog, [*path, "--help"], terminal_width=80).output.splitlines()
        assert max(map(len, lines)) <= 80, path
        assert not [line for line in lines if line.endswith("-") and not line.endswith(" -")], path
        assert not [line for line in lines if line.endswith("...") and "Usage:" not in line], path


def test_a_group_shows_how_its_commands_are_called() -> None:
    shown = CliRunner().invoke(rimelog, ["alarms", "--help"]).output
    assert "  rimelog alarms push --add -\n" in shown and "  rimelog alarms test-sound\n" in shown


def test_the_help_of_mark_names_all_that_analyses_know() -> None:
    shown = CliRunner().invoke(rimelog, ["mark", "--help"]).output
    assert [act for act in MARKS if not re.search(rf"\b{act}\b", shown)] == []


def test_help_lists_the_whole_table() -> None:
    listed = CliRunner().invoke(rimelog, ["--help"]).output
    assert all(f"  {name} " in listed for name in COMMANDS)


def test_an_unknown_command_is_refused_with_the_nearest() -> None:
    ran = CliRunner().invoke(rimelog, ["verfy"])
    assert ran.exit_code == 2 and "'verify'" in ran.output
    assert CliRunner().invoke(rimelog, ["qqqq"]).exit_code == 2
