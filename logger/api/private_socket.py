"""A unix socket that only this user can reach, beside the TCP port that every user of the computer can connect to."""

import contextlib
import hashlib
import os
import socket
import stat
import sys
import tempfile
from pathlib import Path

_MAX_PATH = 100  # bytes; Linux takes 107, macOS 103


def socket_path(directory: Path) -> Path | None:
    """For the daemon of the job in `directory`; None where there is no safe place for one.

    Not in the job's folder: copying that must go on working, and its path may be too long.
    """
    if sys.platform == "win32":
        return None
    name = f"{hashlib.sha256(os.fsencode(directory.resolve())).hexdigest()[:24]}.sock"
    for place in (os.environ.get("XDG_RUNTIME_DIR"), tempfile.gettempdir()):
        path = Path(place or "/nowhere") / f"rimelog-{os.getuid()}" / name
        if len(os.fsencode(path)) <= _MAX_PATH and _is_ours(path.parent):
            return path
    return None


def _is_ours(folder: Path) -> bool:
    """Made if need be; not one that others made or may write in."""
    if sys.platform == "win32":
        return False
    try:
        with contextlib.suppress(FileExistsError):
            folder.mkdir(mode=0o700)
        found = folder.lstat()
    except OSError:
        return False
    return stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid() and stat.S_IMODE(found.st_mode) == 0o700


def listen_at(path: Path | None) -> socket.socket | None:
    """A listening socket at `path`, in place of one that a killed daemon left; None when there can be none."""
    if path is None or sys.platform == "win32":
        return None
    made = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        path.unlink(missing_ok=True)
        made.bind(os.fspath(path))
        made.listen()
    except OSError:
        made.close()
        return None
    return made
