"""One writer a job: an operating system lock on a file, gone with the process however it ends."""

import json
import os
import socket
import sys
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

from logger.store.errors import PlaceError, StoreBusy

_LOCKED_BYTE = 1 << 20  # beyond the text, which others may then read on Windows too


@dataclass(frozen=True, slots=True)
class Holder:
    """Who has the lock, as far as the lock file tells."""

    pid: int | None
    program: str
    host: str

    def __str__(self) -> str:
        if self.pid is None:
            return "another process"
        where = f" on {self.host}" if self.host and self.host != socket.gethostname() else ""
        return f"process {self.pid}{where} ({self.program})"


class JobLock:
    """Held from construction to `release`. Raises StoreBusy, or PlaceError when there can be no lock file."""

    def __init__(self, path: Path, what: str) -> None:
        self.path = path
        try:
            self._fd = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
        except OSError as exc:
            raise PlaceError(f"cannot write in {path.parent}: {exc.strerror}; check its permissions") from exc
        try:
            if not _try_lock(self._fd):
                raise StoreBusy(f"{what} is already being written by {_read_holder(path)}; end that one first")
            self._write_holder()
        except BaseException:
            os.close(self._fd)
            raise

    def release(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)  # the system lets go of the lock
            self._fd = -1

    def __enter__(self) -> "JobLock":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()

    def _write_holder(self) -> None:
        program = " ".join([Path(sys.argv[0] or "python").name, *sys.argv[1:2]])
        told = json.dumps({"pid": os.getpid(), "program": program, "host": socket.gethostname()}).encode()
        with suppress(OSError):  # a full disk must not keep a job from being written: only the message suffers
            os.ftruncate(self._fd, 0)
            os.write(self._fd, told)


def holder_of(path: Path) -> Holder | None:
    """Who holds the lock now; None when nobody does."""
    try:
        fd = os.open(path, os.O_RDWR)
    except OSError:
        return None
    try:
        return None if _try_lock(fd) else _read_holder(path)
    finally:
        os.close(fd)


def _read_holder(path: Path) -> Holder:
    try:
        data = json.loads(path.read_text())
        return Holder(int(data["pid"]), str(data["program"])[:80], str(data["host"])[:80])
    except (OSError, ValueError, KeyError, TypeError):
        return Holder(None, "", "")


if sys.platform == "win32":  # pragma: no cover
    import msvcrt

    def _try_lock(fd: int) -> bool:
        os.lseek(fd, _LOCKED_BYTE, os.SEEK_SET)
        try:
            msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(fd, 0, os.SEEK_SET)
        return True

else:
    import errno
    import fcntl

    def _try_lock(fd: int) -> bool:
        try:
            fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as exc:
            if exc.errno in (errno.EAGAIN, errno.EACCES):
                return False
            raise PlaceError(f"this file system has no file locks ({exc.strerror}); keep jobs on a local disk") from exc
        return True
