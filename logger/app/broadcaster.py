"""Everyone who follows a job: states now and then, events each once and in order."""

import asyncio
from collections.abc import AsyncIterator
from typing import Any

FOLLOWER_QUEUE = 1000
Told = tuple[str, int, dict[str, Any]]
"""Name ("snapshot" or "event"), id of the newest record, data."""


class Follower:
    """left_behind: nothing is added any more; what is in the queue is whole up to there."""

    def __init__(self) -> None:
        self.queue: asyncio.Queue[Told] = asyncio.Queue(FOLLOWER_QUEUE)
        self.left_behind = False


class Broadcaster:
    def __init__(self) -> None:
        self.followers: set[Follower] = set()

    def follow(self) -> AsyncIterator[Told]:
        """From this call on. Ends when the reader is too slow; it then asks for the rest by the id of the last event
        it got."""
        follower = Follower()
        self.followers.add(follower)
        return self._queued(follower)

    def send(self, name: str, record_id: int, data: dict[str, Any]) -> None:
        for follower in list(self.followers):
            if name == "snapshot" and follower.queue.qsize() > 2:
                continue  # a slow reader gets a later one
            if follower.queue.full():
                follower.left_behind = True
                self.followers.discard(follower)
            else:
                follower.queue.put_nowait((name, record_id, data))

    async def _queued(self, follower: Follower) -> AsyncIterator[Told]:
        try:
            while not (follower.left_behind and follower.queue.empty()):
                yield await follower.queue.get()
        finally:
            self.followers.discard(follower)
