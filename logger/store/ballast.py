"""A file that only takes up room, so that a full disk can still be written to for a while: it is deleted then."""

import logging
import os
import shutil
from contextlib import suppress
from pathlib import Path

log = logging.getLogger(__name__)


class Ballast:
    """size_bytes 0: none is kept."""

    def __init__(self, path: Path, size_bytes: int) -> None:
        self._path, self._size = path, size_bytes
        self.present = False

    def ensure(self) -> bool:
        """Set the room aside unless that would take more than half of what is free; whether it is there now."""
        if self._size == 0:
            return True
        try:
            if self._path.exists() and self._path.stat().st_size == self._size:
                self.present = True
            elif free_bytes(self._path.parent) > 2 * self._size:
                self._write()
                self.present = True
            else:
                self.present = False
        except OSError as exc:
            log.warning("no reserve could be set aside in %s: %s", self._path.parent, exc)
            self.release()
        return self.present

    def release(self) -> bool:
        """Give the room back; whether there was any."""
        self.present = False
        try:
            held = self._path.stat().st_size > 0
            self._path.unlink()
        except OSError:
            return False
        return held

    def _write(self) -> None:
        with self._path.open("wb") as file:
            if hasattr(os, "posix_fallocate"):
                os.posix_fallocate(file.fileno(), 0, self._size)
            else:  # bytes that no file system can compress away
                for at in range(0, self._size, 1 << 20):
                    file.write(os.urandom(min(1 << 20, self._size - at)))
                file.flush()
            os.fsync(file.fileno())
        with suppress(OSError):
            self._path.chmod(0o600)


def free_bytes(directory: Path) -> int:
    """Room left for this user on the disk of `directory`; 0 when it cannot be told."""
    try:
        return shutil.disk_usage(directory).free
    except OSError:
        return 0
