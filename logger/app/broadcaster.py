"""Everyone who follows a job: states now and then, events each once and in order."""

import asyncio
from collections.abc import AsyncIterator
from typing import Any

FOLLOWER_QUEUE = 1000
StreamItem = tuple[str, int, dict[str, Any]]
"""Name ("snapshot" or "event"), id of the newest record, data."""


class Follower:
    """left_behind: nothing is added any more; what is in the queue is whole up to there."""

    def __init__(self) -> None:
        self.queue: asyncio.Queue[StreamItem | None] = asyncio.Queue(FOLLOWER_QUEUE + 1)
        self.dropped = False

    def leave(self) -> None:
        """None after what is in the queue: whoever waits for more learns that there is none."""
        self.dropped = True
        self.queue.put_nowait(None)


class Broadcaster:
    def __init__(self) -> None:
        self.followers: set[Follower] = set()

    def follow(self) -> AsyncIterator[StreamItem]:
        """From this call on. Ends when the reader is too slow; it then asks for the rest by the id of the last event
        it got."""
        follower = Follower()
        self.followers.add(follower)
        return self._queued(follower)

    def send(self, name: str, record_id: int, data: dict[str, Any]) -> None:
        for follower in list(self.followers):
            if name == "snapshot" and follower.queue.qsize() > 2:
                continue  # a slow reader gets a later one
            if follower.queue.qsize() >= FOLLOWER_QUEUE:
                self.followers.discard(follower)
                follower.leave()
            else:
                follower.queue.put_nowait((name, record_id, data))

    def end(self) -> None:
        """The job is stored and closed: every stream ends after what was sent to it."""
        for follower in list(self.followers):
            self.followers.discard(follower)
            follower.leave()

    async def _queued(self, follower: Follower) -> AsyncIterator[StreamItem]:
        try:
            while (item := await follower.queue.get()) is not None:
                yield item
        finally:
            self.followers.discard(follower)
