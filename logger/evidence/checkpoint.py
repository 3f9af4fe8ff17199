"""Checkpoints: what the chain was at a moment, kept outside the file that holds it.

A chain proves that nothing inside it changed, but not that nothing was cut off its end: a shorter chain is as good
as a longer one. A checkpoint (last id, count, head) written elsewhere shows the loss, and its signature shows who
wrote it. One line of JSON each, the signature over `checkpoint_bytes`; lines are only ever added.
"""

import io
import json
from dataclasses import dataclass
from typing import Any

from logger.evidence.errors import ChainError

MAX_CHECKPOINTS_BYTES = 32_000_000  # a month at one a minute
_MAX_LINE = 8192
_MAX_PROBLEMS = 20


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """At t_ns (UTC) the chain of job_id had `count` records, the last with id `last_id` and digest `head`."""

    job_id: str
    t_ns: int
    last_id: int
    count: int
    head: bytes
    signature: str = ""  # SSHSIG in its armor; "" when no key was at hand


@dataclass(frozen=True, slots=True)
class CheckpointFile:
    """problems: lines that are no checkpoint, in plain words (a torn last line after a power cut is one)."""

    checkpoints: tuple[Checkpoint, ...]
    problems: tuple[str, ...] = ()


def checkpoint_bytes(checkpoint: Checkpoint) -> bytes:
    """The exact bytes that are signed: JSON, keys sorted, no spaces, without the signature."""
    return _json(_plain(checkpoint))


def checkpoint_line(checkpoint: Checkpoint) -> bytes:
    """The line of the checkpoint file, with its line end."""
    return _json(_plain(checkpoint) | {"signature": checkpoint.signature}) + b"\n"


def parse_checkpoint(line: bytes) -> Checkpoint:
    """Raises ChainError for a line that is none."""
    if len(line) > _MAX_LINE:
        raise ChainError(f"a checkpoint line of {len(line)} bytes")
    try:
        data = json.loads(line)
        checkpoint = Checkpoint(
            job_id=_typed(data["job"], str),
            t_ns=_typed(data["t_ns"], int),
            last_id=_typed(data["last_id"], int),
            count=_typed(data["count"], int),
            head=bytes.fromhex(_typed(data["head"], str)),
            signature=_typed(data["signature"], str),
        )
    except (ValueError, KeyError, TypeError, RecursionError) as exc:
        raise ChainError(f"not a checkpoint: {exc}") from exc
    if len(checkpoint.head) != 32 or checkpoint.last_id < 1 or checkpoint.count != checkpoint.last_id:
        raise ChainError("not a checkpoint: its numbers do not fit each other")
    return checkpoint


def parse_checkpoints(data: bytes) -> CheckpointFile:
    """Every checkpoint of a checkpoint file, in file order; of many problems the first. Never raises."""
    found: list[Checkpoint] = []
    problems: list[str] = []
    for number, line in enumerate(io.BytesIO(data), 1):
        if not line.strip():
            continue
        try:
            found.append(parse_checkpoint(line))
        except ChainError as exc:
            if len(problems) < _MAX_PROBLEMS:
                problems.append(f"checkpoint line {number}: {exc}")
    return CheckpointFile(tuple(found), tuple(problems))


def _plain(checkpoint: Checkpoint) -> dict[str, Any]:
    return {
        "count": checkpoint.count,
        "head": checkpoint.head.hex(),
        "job": checkpoint.job_id,
        "last_id": checkpoint.last_id,
        "t_ns": checkpoint.t_ns,
    }


def _json(data: dict[str, Any]) -> bytes:
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=True).encode()


def _typed(value: Any, kind: type) -> Any:
    if not isinstance(value, kind) or isinstance(value, bool):
        raise TypeError(f"{value!r:.40} is no {kind.__name__}")
    return value
