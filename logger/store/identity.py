"""Is what stands at a job's path still what its writer has open?

A cleaner, a sync tool or a restored backup can take the file away under a running program. SQLite goes on writing into
a file that has no name any more, and nobody finds it afterwards.
"""

import os
from contextlib import suppress
from pathlib import Path

from logger.store.errors import StoreGone


class Identity:
    """The job file, its log and the log's index as they were opened, and the job file's state after our last write."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._opened: dict[Path, os.stat_result] = {}
        self._state: tuple[int, int] | None = None

    def learn(self) -> None:
        """After opening and after each write: files met for the first time, and the state we left."""
        for path in (self.path, *sidecars(self.path)):
            with suppress(OSError):
                found = path.stat()
                self._opened.setdefault(path, found)
                if path == self.path:
                    self._state = _state(found)

    def check_there(self) -> None:
        """Raises StoreGone when one of the files is no longer there, or is another."""
        for path, opened in self._opened.items():
            try:
                found = path.stat()
            except (FileNotFoundError, NotADirectoryError):
                raise StoreGone(f"{path} was deleted or moved away while it was being written") from None
            except OSError:
                continue  # nothing is known of it; writing will tell
            if not os.path.samestat(found, opened):
                raise StoreGone(f"{path} was replaced by another file while it was being written")

    @property
    def untouched(self) -> bool:
        """Whether nobody else has written to the job file, as far as its size and time tell."""
        try:
            return _state(self.path.stat()) == self._state
        except OSError:
            return True


def sidecars(path: Path) -> tuple[Path, Path]:
    """SQLite's write-ahead log and its index."""
    return path.with_name(path.name + "-wal"), path.with_name(path.name + "-shm")


def _state(found: os.stat_result) -> tuple[int, int]:
    return found.st_size, found.st_mtime_ns
