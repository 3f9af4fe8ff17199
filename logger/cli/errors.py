"""Turning errors into messages at the very edge."""

import os
import sys
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
    ("logger.export.errors", "ExportError"),
    ("logger.link.errors", "LinkError"),
    ("logger.evidence.errors", "EvidenceError"),
    ("logger.alarms.errors", "AlarmError"),
    ("logger.annunciate.errors", "AnnunciateError"),
    ("logger.app", "AppError"),
)


def told(group: click.Group) -> int:
    """Run the command line; exit status."""
    try:
        result = group.main(prog_name="rimelog", standalone_mode=False)
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
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except Exception as exc:
        if not is_told(exc):
            raise
        click.echo(f"rimelog: {_harmless(str(exc))}", err=True)
        return 2


def _harmless(text: str) -> str:
    """Its lines, without anything that steers a terminal: a file from elsewhere may hold it, down to its keys."""
    from logger.model.text import clean

    return "\n".join(" " * (len(line) - len(line.lstrip(" "))) + clean(line, 2000) for line in text.split("\n"))


def is_told(exc: Exception) -> bool:
    """Whether the error's text is meant for the user."""
    if isinstance(exc, PermissionError | FileNotFoundError | IsADirectoryError):
        return True
    roots: list[Any] = [getattr(sys.modules.get(m), name, None) for m, name in _ROOTS]
    return any(root is not None and isinstance(exc, root) for root in roots)
