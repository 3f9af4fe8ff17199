"""Lines in the order of their first bytes, in bounded memory: sorted runs on disk, merged."""

import heapq
import tempfile
from collections.abc import Iterator
from contextlib import ExitStack
from typing import IO

RUN_LINES = 200_000


class Sorted:
    """Takes lines (each with its line end, none within) and gives them sorted by their first `key_bytes`.

    Equal ones keep their order. Backfilled readings come hours late; with few lines all happens in memory.
    """

    def __init__(self, key_bytes: int, run_lines: int = RUN_LINES) -> None:
        self._key_bytes, self._run_lines = key_bytes, run_lines
        self._files = ExitStack()
        self._runs: list[IO[bytes]] = []
        self._run: list[bytes] = []

    def add(self, line: bytes) -> None:
        self._run.append(line)
        if len(self._run) >= self._run_lines:
            run = sorted(self._run, key=self._key)
            file = self._files.enter_context(tempfile.TemporaryFile())  # noqa: SIM115 (the stack closes it)
            file.writelines(run)
            self._runs.append(file)
            self._run = []

    def lines(self) -> Iterator[bytes]:
        """Once, after the last `add`: the files are gone when it ends."""
        last = sorted(self._run, key=self._key)
        with self._files:
            for file in self._runs:
                file.seek(0)
            yield from heapq.merge(*self._runs, last, key=self._key) if self._runs else last

    def _key(self, line: bytes) -> bytes:
        return line[: self._key_bytes]
