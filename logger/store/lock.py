"""One writer a job: an operating system lock, gone with the process however it ends.

On the job's folder, where the system lets folders be locked, and on a file in it that says who holds it: the file
alone can be deleted, and a second writer would then lock a new one.
"""

import json
import os
import socket
import stat
import sys
import time
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
        self.path, self._what = path, what
        self._folder = self._file = -1
        try:
            self.renew()
        except BaseException:
            self.release()
            raise

    def renew(self) -> None:
        """Lock what stands at the path now; what is locked there already stays so. Raises as the constructor does."""
        if not _is_at(self._folder, self.path.parent):
            self._folder = self._taken(_open_folder(self.path.parent), self._folder)
        if not _is_at(self._file, self.path):
            self._file = self._taken(_open_file(self.path), self._file)
            self._write_holder()

    def release(self) -> None:
        """Let go of the lock. Does nothing when it is not held."""
        for fd in (self._folder, self._file):
            if fd >= 0:
                os.close(fd)  # the system lets go of the lock
        self._folder = self._file = -1

    def __enter__(self) -> "JobLock":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()

    def _taken(self, fd: int, before: int) -> int:
        """`fd`, locked, in place of `before`. With some patience: asking who holds it locks it briefly."""
        try:
            tries = 5
            while fd >= 0 and not _try_lock(fd):
                tries -= 1
                if tries == 0:
                    raise StoreBusy(
                        f"{self._what} is already being written by {_read_holder(self.path)}; end that one first"
                    )
                time.sleep(0.02)
        except BaseException:
            os.close(fd)
            raise
        if before >= 0:
            os.close(before)
        return fd

    def _write_holder(self) -> None:
        program = " ".join([Path(sys.argv[0] or "python").name, *sys.argv[1:2]])
        holder = json.dumps({"pid": os.getpid(), "program": program, "host": socket.gethostname()}).encode()
        with suppress(OSError):  # a full disk must not keep a job from being written: only the message suffers
            os.ftruncate(self._file, 0)
            os.write(self._file, holder)


def holder_of(path: Path) -> Holder | None:
    """Who holds the lock now; None when nobody does."""
    fds = [_open_folder(path.parent)]
    with suppress(OSError):
        fds.append(os.open(path, os.O_RDWR))
    try:
        held = any(fd >= 0 and not _try_lock(fd, shared=True) for fd in fds)
    finally:
        for fd in fds:
            if fd >= 0:
                os.close(fd)
    return _read_holder(path) if held else None


def _is_at(fd: int, path: Path) -> bool:
    """Whether `fd` is open on what stands at `path` now."""
    if fd < 0:
        return False
    try:
        return os.path.samestat(os.fstat(fd), path.stat())
    except OSError:
        return False


def _open_file(path: Path) -> int:
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
    except OSError as exc:
        raise PlaceError(f"cannot write in {path.parent}: {exc.strerror}; check its permissions") from exc


def _read_holder(path: Path) -> Holder:
    try:
        data = json.loads(path.read_text())
        return Holder(int(data["pid"]), str(data["program"])[:80], str(data["host"])[:80])
    except (OSError, ValueError, KeyError, TypeError):
        return Holder(None, "", "")


if sys.platform == "win32":  # pragma: no cover
    import msvcrt

    def _open_folder(folder: Path) -> int:
        """-1: folders cannot be locked here, nor can a file that is open be deleted."""
        return -1

    def _try_lock(fd: int, shared: bool = False) -> bool:
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

    def _open_folder(folder: Path) -> int:
        """-1 when it cannot be opened."""
        try:
            return os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        except OSError:
            return -1

    def _try_lock(fd: int, shared: bool = False) -> bool:
        """shared: only to see whether somebody has it; those who ask do not take each other for the holder."""
        try:
            fcntl.flock(fd, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
        except OSError as exc:
            if exc.errno in (errno.EAGAIN, errno.EACCES):
                return False
            if stat.S_ISDIR(os.fstat(fd).st_mode):
                return True  # NFS locks only what is open for writing: there the file must do
            raise PlaceError(f"this file system has no file locks ({exc.strerror}); keep jobs on a local disk") from exc
        return True
