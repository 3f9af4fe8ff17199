"""`rimelog ARGUMENTS` in a child of its own, in whatever surroundings: how it ended, and what it said."""

import contextlib
import io
import os
import signal
import sys
import time
import traceback
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import click

from logger.cli import COMMANDS, main, rimelog
from logger.config import cylinders, job_file, rig_file  # noqa: F401  loaded once, before the children
from logger.export.bundle import verify  # noqa: F401
from logger.store import doctor  # noqa: F401

PATIENCE_S: Final = 60.0  # of a busy machine; what takes a minute hangs


@dataclass(frozen=True, slots=True)
class Ended:
    """status: of the process; None when it had to be killed."""

    status: int | None
    said: str

    def fault(self) -> str | None:
        """Why a user could not bear it."""
        if self.status is None:
            return f"hangs: {self.said[-300:]}"
        if "Traceback" in self.said or self.status not in (0, 1, 2, 3, 130):
            return f"status {self.status}: {self.said[-1500:]}"
        return None


def ended(
    place: Path, *words: str, env: Mapping[str, str] | None = None, encoding: str = "utf-8", out: str = "",
    closed: bool = False,
) -> Ended:  # fmt: skip
    """env: besides an empty home at `place`. out: a file in place of the standard output. closed: it has none."""
    log = place / "said"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # a fork beside threads: the child only runs the command
        child = os.fork()
    if child == 0:
        _run(place, words, dict(env or {}), encoding, out or str(log), closed, log)
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return Ended(os.waitstatus_to_exitcode(status), log.read_text("utf-8", "replace"))
        time.sleep(0.005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return Ended(None, f"{' '.join(words)[:200]}\n{log.read_text('utf-8', 'replace')}")


def _run(
    place: Path, words: tuple[str, ...], env: dict[str, str], encoding: str, out: str, closed: bool, log: Path
) -> None:
    """In the child; never returns."""
    status = 99
    try:
        os.chdir(place)
        os.environ.update({"HOME": str(place), "RIMELOG_DATA": str(place / "data"), **env})
        flags = os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_APPEND
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(os.open(log, flags), 2)
        os.dup2(os.open(out, os.O_WRONLY | os.O_APPEND if out == str(log) else os.O_WRONLY), 1)
        sys.stdin = os.fdopen(0, encoding="utf-8", closefd=False)
        sys.stderr = io.TextIOWrapper(
            io.FileIO(2, "w", closefd=False), encoding, "backslashreplace", write_through=True
        )
        sys.stdout = io.TextIOWrapper(io.BufferedWriter(io.FileIO(1, "w", closefd=False)), encoding)
        if closed:
            os.close(1)
            sys.stdout = None  # as the interpreter has it then
        sys.argv = ["rimelog", *words]
        main()
        status = 0
    except SystemExit as exc:
        status = exc.code if isinstance(exc.code, int) else 0 if exc.code is None else 1
    except BaseException:
        with contextlib.suppress(BaseException):
            os.write(2, traceback.format_exc().encode())
    finally:
        # As the interpreter does at its end; what it would say there is a fault too.
        if sys.stdout is not None:
            try:
                sys.stdout.flush()
            except OSError as exc:
                os.write(2, f"Traceback at exit: {exc}".encode())
        os._exit(status)


def commands() -> list[tuple[tuple[str, ...], click.Command]]:
    """Every command with its words, but groups."""
    found: list[tuple[tuple[str, ...], click.Command]] = []
    for name in COMMANDS:
        command = rimelog.get_command(click.Context(rimelog), name)
        assert command is not None
        if isinstance(command, click.Group):
            found += [((name, below), each) for below, each in command.commands.items()]
        else:
            found.append(((name,), command))
    return found
