"""Inputs of files, options, terminal and environment that once ended in a traceback or hung."""

import os
import random
from pathlib import Path

import pytest

from tests.cli.commandline import store_job
from tests.cli.hostile import ended
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
SURROUNDINGS: tuple[dict[str, str], ...] = (
    {}, {}, {}, {"COLUMNS": "1"}, {"COLUMNS": "0"}, {"COLUMNS": "x"}, {"COLUMNS": "-5"}, {"COLUMNS": "99999999"},
    {"RIMELOG_DATA": "/dev/null"}, {"RIMELOG_DATA": "/proc"}, {"RIMELOG_DATA": "x" * 4000}, {"HOME": "/nonexistent"},
    {"TERM": "dumb"}, {"LC_ALL": "C"}, {"TZ": "Nowhere/X"}, {"NO_COLOR": "1"},
)  # fmt: skip


@pytest.fixture
def place(tmp_path: Path) -> Path:
    for name, content in FILES.items():
        (tmp_path / name).write_bytes(content)
    os.mkfifo(tmp_path / "fifo")
    return tmp_path


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
