"""Every command line that README and docs show is one that the program takes: command, options, number of words."""

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from logger.cli import COMMANDS, rimelog

ROOT = Path(__file__).resolve().parent.parent.parent
PAGES = sorted([ROOT / "README.md", *ROOT.glob("docs/*.md"), *ROOT.glob("firmware*/**/*.md")])
CODE = re.compile(r"```(?:sh|console)\n(.*?)```|`([^`]+)`", re.S)
PLACEHOLDER = "..."  # the rest is the reader's


def shown(page: Path) -> Iterator[str]:
    """Command lines of code blocks and in the text, as they are typed."""
    for block, inline in CODE.findall(page.read_text(encoding="utf-8")):
        lines = block.replace("\\\n", " ").splitlines() if block else [" ".join(inline.split())]
        for line in lines:
            command = line.strip().split("&& ")[-1].removeprefix(".venv/bin/")
            if command.startswith("rimelog "):
                yield command


def found(words: list[str]) -> tuple[click.Command, list[str]]:
    command: click.Command = rimelog
    while isinstance(command, click.Group) and words and not words[0].startswith("-"):
        below = command.get_command(click.Context(command), words[0])
        assert below is not None, f"no command {words[0]!r}"
        command, words = below, words[1:]
    return command, words


@pytest.mark.parametrize("page", PAGES, ids=lambda page: str(page.relative_to(ROOT)))
def test_each_command_line_is_one_that_the_program_takes(page: Path) -> None:
    for line in shown(page):
        words = shlex.split(line, comments=True)[1:]
        command, rest = found(words)
        if isinstance(command, click.Group):  # named as a whole: `rimelog alarms`
            assert set(rest) <= {"--help", "--version"}, line
            continue
        if PLACEHOLDER in rest:
            rest = rest[: rest.index(PLACEHOLDER)]
            rest = rest[:-1] if rest and rest[-1].startswith("--") else rest
        try:
            _, left, _ = command.make_parser(click.Context(command)).parse_args(list(rest))
        except click.UsageError as exc:
            pytest.fail(f"{line}: {exc.format_message()}")
        assert not left, line


def test_the_card_has_every_command() -> None:
    card = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    assert [name for name in COMMANDS if f"`rimelog {name}" not in card] == []


def test_the_pages_show_enough_of_them() -> None:
    assert len({line for page in PAGES for line in shown(page)}) > 45
