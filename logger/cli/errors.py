"""Turning errors into messages at the very edge."""

import contextlib
import errno
import io
import os
import sys
from pathlib import Path
from typing import Any

import click

# Each room's error root that a command may meet, by module: only asked of modules already imported, so that
# `rimelog --help` loads none of them.
_ROOTS = (
    ("logger.api.client", "DaemonError"),
    ("logger.config.errors", "ConfigError"),
    ("logger.model.units", "UnitError"),
    ("logger.refrigerant.errors", "RefrigerantError"),
    ("logger.store.errors", "StoreError"),
    ("logger.register", "RegisterError"),
    ("logger.export.errors", "ExportError"),
    ("logger.link.errors", "LinkError"),
    ("logger.evidence.errors", "EvidenceError"),
    ("logger.alarms.errors", "AlarmError"),
    ("logger.annunciate.errors", "AnnunciateError"),
    ("logger.app", "AppError"),
)

_OUTPUT_FAILS = (errno.ENOSPC, errno.EIO, errno.EBADF)


def run_command_line(group: click.Group) -> int:
    """Run the command line; exit status."""
    _open_closed_streams()
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # a sign that the terminal does not have is no reason to end
    try:
        result = group.main(prog_name="rimelog", standalone_mode=False)
        if sys.stdout is not None:
            sys.stdout.flush()
        return result if isinstance(result, int) else 0
    except click.exceptions.Exit as exc:
        return exc.exit_code
    except click.Abort:
        click.echo("stopped", err=True)
        return 130
    except click.ClickException as exc:
        exc.show()
        return exc.exit_code
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader (head, less) went away: no message, and nothing more to flush.
        _drop_output()
        return 0
    except Exception as exc:
        if not is_user_error(exc):
            raise
        if isinstance(exc, OSError) and exc.filename is None and exc.errno in _OUTPUT_FAILS:
            _drop_output()
        click.echo(f"rimelog: {_harmless(with_code(_words_of(exc), getattr(exc, 'code', '')))}", err=True)
        return 2


def _open_closed_streams() -> None:
    """Where a standard stream is closed: else the next file opened would take its place, and be written over."""
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        if getattr(sys, name) is not None:
            continue
        with contextlib.suppress(OSError):
            while os.open(os.devnull, os.O_RDWR) < number:
                continue
        setattr(sys, name, Path(os.devnull).open("w" if number else "r", encoding="utf-8"))  # noqa: SIM115  for good


def _drop_output() -> None:
    """What cannot be written is not tried again at the end."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def with_code(text: str, code: str) -> str:
    """A refusal with the code that a script can go by."""
    return f"{text} [{code}]" if code else text


def _words_of(exc: Exception) -> str:
    if not isinstance(exc, OSError) or exc.strerror is None:
        return str(exc)
    if exc.filename is not None:
        return f"{exc.filename!s:.200}: {exc.strerror}"
    return f"the output cannot be written: {exc.strerror}" if exc.errno in _OUTPUT_FAILS else str(exc)


def _harmless(text: str) -> str:
    """Its lines, without anything that steers a terminal: a file from elsewhere may hold it, down to its keys."""
    from logger.model.text import clean

    return "\n".join(" " * (len(line) - len(line.lstrip(" "))) + clean(line, 2000) for line in text.split("\n"))


def is_user_error(exc: Exception) -> bool:
    """Whether the error's text is meant for the user."""
    if isinstance(exc, OSError):
        return True
    roots: list[Any] = [getattr(sys.modules.get(m), name, None) for m, name in _ROOTS]
    return any(root is not None and isinstance(exc, root) for root in roots)
