"""Checkpoints as they are written: a line beside the job file and in the anchors, flushed, and the same line inside it.

The anchors are lines of all jobs in a folder of their own: a job folder that is rewritten as a whole contradicts them.
"""

import os
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from logger.evidence.checkpoint import Checkpoint, checkpoint_bytes, checkpoint_line
from logger.store.database import sync_directory
from logger.store.place import anchor_path, checkpoints_path, make_private

Sign = Callable[[bytes], str]  # bytes of a checkpoint -> armored SSHSIG


class CheckpointLog:
    """last_id: of the last checkpoint written. Lines are only ever added."""

    def __init__(self, file: Path, job_id: str, sign: Sign | None, anchors: Path | None = None) -> None:
        self._path = checkpoints_path(file)
        self._job_id, self._sign, self._anchors = job_id, sign, anchors
        self._waiting: list[tuple[int, bytes]] = []  # for the file, in its next transaction
        self.last_id = 0

    def write(self, t_ns: int, last_id: int, head: bytes) -> None:
        """Only what is committed: a checkpoint never tells of more than the file holds. Raises OSError, PlaceError."""
        checkpoint = Checkpoint(self._job_id, t_ns, last_id, last_id, head)
        if self._sign is not None:
            checkpoint = replace(checkpoint, signature=self._sign(checkpoint_bytes(checkpoint)))
        line = checkpoint_line(checkpoint)
        append_line(self._path, line)
        self._waiting.append((last_id, line))
        self.last_id = last_id
        if self._anchors is not None:
            make_private(self._anchors)
            append_line(anchor_path(self._anchors, self._job_id), line)

    def resume_from(self, before: "CheckpointLog") -> None:
        """The same job's file was opened again: what was still to go into it goes into it now."""
        self._waiting = before._waiting

    def restore(self, connection: sqlite3.Connection) -> None:
        """Write again what the lines beside the file lack of those in it. Raises OSError, sqlite3.Error."""
        stored = [bytes(line) for (line,) in connection.execute("SELECT line FROM checkpoint ORDER BY rowid")]
        try:
            there = set(self._path.read_bytes().splitlines(keepends=True))
        except FileNotFoundError:
            there = set()
        for line in (*stored, *(line for _, line in self._waiting)):
            if line not in there:
                append_line(self._path, line)

    def insert_waiting(self, connection: sqlite3.Connection) -> int:
        """Inside the caller's transaction; how many, for `inserted` after its commit."""
        connection.executemany("INSERT INTO checkpoint (last_id, line) VALUES (?, ?)", self._waiting)
        return len(self._waiting)

    def inserted(self, count: int) -> None:
        del self._waiting[:count]


def append_line(path: Path, line: bytes) -> None:
    """Add a line and flush it to the disk; a torn line before it is ended first. Raises OSError."""
    with path.open("a+b", buffering=0) as file:
        end = file.seek(0, os.SEEK_END)
        if end:
            file.seek(end - 1)
            if file.read(1) != b"\n":
                line = b"\n" + line
        written = file.write(line)
        if written != len(line):
            raise OSError(f"only {written} of {len(line)} bytes could be written")
        os.fsync(file.fileno())
    if end == 0:
        sync_directory(path.parent)
