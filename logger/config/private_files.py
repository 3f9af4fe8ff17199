"""The program's own folders and files are its user's alone, whatever the umask is."""

import contextlib
import errno
import os
from pathlib import Path


def make_private(directory: Path) -> None:
    """Make the folder and the missing ones above it, mode 0700. Raises OSError."""
    for folder in (*reversed(directory.parents), directory):
        if not folder.is_dir():
            with contextlib.suppress(FileExistsError):
                folder.mkdir(mode=0o700)
    if not directory.is_dir():
        raise NotADirectoryError(20, "a file is in the folder's place", str(directory))


def write_private(path: Path, text: str) -> None:
    """See `write_private_bytes`; UTF-8."""
    write_private_bytes(path, text.encode())


def write_private_bytes(path: Path, data: bytes) -> None:
    """Whole or not at all, mode 0600, its folder made; what a link points to, not the link. Raises OSError."""
    path = Path(os.path.realpath(path))
    if path.exists() and not path.is_file():  # a device, say: the system's administrator could replace it
        raise FileExistsError(errno.EEXIST, "not a file", str(path))
    make_private(path.parent)
    partial = path.with_name(f"{path.name}.{os.getpid()}")
    try:
        fd = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | getattr(os, "O_BINARY", 0), 0o600)
        with os.fdopen(fd, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        partial.replace(path)
    except OSError:
        with contextlib.suppress(OSError):
            partial.unlink()
        raise
