"""What the API needs of the daemon; logger.app provides it."""

from collections.abc import AsyncIterator, Sequence
from typing import Any, Protocol


class Refused(Exception):
    """The request makes no sense now ("no stage is running"). The message says why and what to do. why: the same as
    data, plain statements: {"key": "stage.none_running", "inputs": []}."""

    def __init__(self, text: str, why: Sequence[dict[str, Any]] = ()) -> None:
        super().__init__(text)
        self.why = tuple(why)


class Control(Protocol):
    """The daemon as the API sees it. All calls run in the daemon's event loop."""

    job_id: str

    def snapshot(self) -> dict[str, Any]:
        """The present state (logger/api/shape.py)."""
        ...

    async def act(self, action: str, body: dict[str, Any]) -> dict[str, Any]:
        """Do one of ACTIONS. Raises Refused."""
        ...

    async def history(self, point: str, since_ns: int, buckets: int) -> list[dict[str, Any]]:
        """min / max / mean of a point from since_ns (UTC) to now in equal buckets, oldest first, null in empty ones.

        Raises Refused for an unknown point, and when the file cannot be read.
        """
        ...

    def events_since(self, record_id: int) -> list[tuple[int, dict[str, Any]]]:
        """Stored events with a larger record id, oldest first, at most 1000."""
        ...

    def follow(self) -> AsyncIterator[tuple[str, int, dict[str, Any]]]:
        """("snapshot" | "event", record id, data) as they come; from this call on.

        A slow reader gets a later snapshot; one that is too slow for the events is ended.
        """
        ...


ACTIONS = (
    "stage-begin",
    "stage-end",
    "mark",
    "note",
    "acknowledge",
    "shelve",
    "unshelve",
    "reset",
    "out-of-service",
    "return-to-service",
    "cylinder",
    "setting",
    "yes",
    "no",
    "correct",
    "correctable",
    "autostop-arm",
    "autostop-release",
    "stop",
)
