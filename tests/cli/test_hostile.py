"""No input of files, options, terminal or environment ends in a traceback or hangs."""

import os
import random
from pathlib import Path

import click
import pytest

from tests.cli.commandline import store_job
from tests.cli.hostile import commands, ended
from tests.conftest import TIMES
from tests.export.simulated import simulated_job

pytestmark = pytest.mark.skipif(os.name == "nt", reason="runs each command in a fork of this process")

FILES = {
    "deep.toml": b"a = " + b"[" * 100_000,
    "keys.toml": b"[" + b".".join([b"a"] * 100_000) + b"]\n",
    "inline.toml": b"a = {" + b".".join([b"a"] * 50_000) + b" = 1}",
    "digits.toml": b"[job]\nrefrigerant = " + b"9" * 5000,
    "random.toml": random.Random(1).randbytes(3000),
    "utf-16.toml": "\ufeff[job]".encode("utf-16-le"),
    "empty": b"",
    "head.zip": b"PK\x03\x04" + random.Random(2).randbytes(2000),
}
DEVICES = ("/dev/zero", "/dev/full", "/dev/null", "/dev/urandom", "/proc/self/mem", "/proc/self", "-")
WORDS = (
    "", "-1", "0", "nan", "inf", "1e400lb", "9" * 5000, "9" * 5000 + "lb", "--", "R-22", "{}", "%s%n", "x" * 5000,
    "a/" * 3000, "\x1b]0;x\x07", "\udcff\udcfe", "\u202e", "ü" * 300, "C:\\x", "NUL", "../../x", "47.6lb", "70psig",
)  # fmt: skip
SURROUNDINGS: tuple[dict[str, str], ...] = (
    {}, {}, {}, {"COLUMNS": "1"}, {"COLUMNS": "0"}, {"COLUMNS": "x"}, {"COLUMNS": "-5"}, {"COLUMNS": "99999999"},
    {"RIMELOG_DATA": "/dev/null"}, {"RIMELOG_DATA": "/proc"}, {"RIMELOG_DATA": "x" * 4000}, {"HOME": "/proc/missing"},
    {"TERM": "dumb"}, {"LC_ALL": "C"}, {"TZ": "Nowhere/X"}, {"NO_COLOR": "1"},
)  # fmt: skip
OF_THEIR_OWN = {("demo",), ("start",), ("view",), ("find",)}  # begin children, or wait for a person or a radio
DRAWS = 25


@pytest.fixture
def place(tmp_path: Path) -> Path:
    for name, content in FILES.items():
        (tmp_path / name).write_bytes(content)
    os.mkfifo(tmp_path / "fifo")
    return tmp_path


@pytest.mark.parametrize("seed", range(2 * TIMES))
def test_no_command_ends_in_a_traceback_or_hangs(place: Path, seed: int) -> None:
    rng = random.Random(seed)
    words = (*WORDS, *FILES, "fifo", *DEVICES)
    known = [each for each in commands() if each[0] not in OF_THEIR_OWN]
    faults = []
    for _ in range(DRAWS):
        name, command = rng.choice(known)
        arguments = [*name, *_arguments(command, rng, words)]
        how = rng.choice([{}] * 5 + [{"encoding": "ascii"}, {"out": "/dev/full"}, {"closed": True}])
        env = rng.choice(SURROUNDINGS)
        fault = ended(place, *arguments, env=env, **how).fault()  # type: ignore[arg-type]
        if fault is not None:
            faults.append(f"{[a[:60] for a in arguments]} {env} {how}: {fault}")
    assert not faults, "\n".join(faults)


def _arguments(command: click.Command, rng: random.Random, words: tuple[str, ...]) -> list[str]:
    given: list[str] = []
    for one in command.get_params(click.Context(command)):
        if isinstance(one, click.Argument):
            given += [rng.choice(words) for _ in range(rng.choice([0, 1, 1, 1, 1, 1, 1, one.nargs % 3]))]
        elif rng.random() < 0.35 and one.name != "help" and isinstance(one, click.Option):
            given.append(one.opts[0])
            if not one.is_flag:
                choices = one.type.choices if isinstance(one.type, click.Choice) else ()
                given.append(str(rng.choice([*choices] if choices and rng.random() < 0.6 else words)))
    return given


@pytest.mark.parametrize(
    "words",
    [
        ("rig", "check", "/dev/zero"), ("run", "/dev/zero"), ("run", "fifo"), ("verify", "/proc/self/mem"),
        ("rig", "check", "deep.toml"), ("rig", "check", "keys.toml"), ("rig", "check", "inline.toml"),
        ("run", "random.toml", "--job-file", "digits.toml"), ("export", "x" * 5000), ("status", "--job", "y" * 5000),
        ("doctor", "ü" * 300), ("copy", "a/" * 3000, "z"),
    ],
    ids=lambda words: " ".join(words)[:40],
)  # fmt: skip
def test_what_once_did_does_so_no_more(place: Path, words: tuple[str, ...]) -> None:
    found = ended(place, *words)
    assert found.fault() is None
    assert found.status in (1, 2)


def test_a_list_of_jobs_fits_any_terminal_and_any_encoding(place: Path) -> None:
    store_job(place / "data", "2026-03-02-02", simulated_job("charging", 5.0, ("scale",)))
    for env in SURROUNDINGS[3:8]:
        assert ended(place, "jobs", env=env).fault() is None
    for words in (("jobs",), ("refrigerants",), ("cylinder", "list"), ("--help",)):
        assert ended(place, *words, encoding="ascii").fault() is None
        assert ended(place, *words, closed=True).fault() is None
        full = ended(place, *words, out="/dev/full")
        assert full.status == 2
        assert "cannot be written: No space left on device" in full.said
