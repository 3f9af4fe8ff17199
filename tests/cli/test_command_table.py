"""Every command that `rimelog --help` names is there and can say what it does."""

from collections.abc import Iterator

import click
import pytest
from click.testing import CliRunner

from logger.cli import COMMANDS, rimelog


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


def test_help_lists_the_whole_table() -> None:
    listed = CliRunner().invoke(rimelog, ["--help"]).output
    assert all(f"  {name} " in listed for name in COMMANDS)


def test_an_unknown_command_is_refused_with_the_nearest() -> None:
    ran = CliRunner().invoke(rimelog, ["verfy"])
    assert ran.exit_code == 2 and "'verify'" in ran.output
    assert CliRunner().invoke(rimelog, ["qqqq"]).exit_code == 2
