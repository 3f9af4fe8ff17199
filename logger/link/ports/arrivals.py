"""Bytes that have arrived and wait to be read, in order, with their times, and at the end why there are no more."""

import asyncio
import logging
import time
from typing import Final

from logger.link.errors import LinkLost

log = logging.getLogger(__name__)

BUFFER_BYTES: Final = 1 << 20


class Arrivals:
    """Filled and read in the event loop. What does not fit is thrown away: the session asks for it again."""

    def __init__(self) -> None:
        self.dropped_bytes = 0
        self._queue: asyncio.Queue[tuple[bytes, int] | LinkLost] = asyncio.Queue()
        self._waiting_bytes = 0
        self._lost: LinkLost | None = None

    def put(self, data: bytes) -> None:
        """Bytes that arrive now."""
        if not data or self._lost is not None:
            return
        if self._waiting_bytes + len(data) > BUFFER_BYTES:
            if not self.dropped_bytes:
                log.warning("bytes arrive faster than they are read; some are dropped and will be asked for again")
            self.dropped_bytes += len(data)
            return
        self._waiting_bytes += len(data)
        self._queue.put_nowait((data, time.monotonic_ns()))

    def end(self, why: LinkLost) -> None:
        """Nothing more comes. Only the first reason counts."""
        if self._lost is None:
            self._lost = why
            self._queue.put_nowait(why)

    @property
    def lost(self) -> LinkLost | None:
        return self._lost

    async def get(self) -> tuple[bytes, int]:
        """The next bytes and the monotonic ns of their arrival. Raises LinkLost after the last, to whoever asks."""
        if self._lost is not None and self._queue.empty():
            raise self._lost
        item = await self._queue.get()
        if isinstance(item, LinkLost):
            raise item
        self._waiting_bytes -= len(item[0])
        return item
