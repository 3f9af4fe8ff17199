"""A sans-io device on a real socket, in a thread of its own."""

import asyncio
import contextlib
import threading
from collections.abc import Callable, Iterator
from typing import Any

from tests.app.test_device_author import on_socket


@contextlib.contextmanager
def served(build: Callable[[], Any]) -> Iterator[str]:
    """Its url; each connection gets a device of its own."""
    loop, ready, over = asyncio.new_event_loop(), threading.Event(), asyncio.Event()
    urls: list[str] = []

    async def serve() -> None:
        async with on_socket(build) as url:
            urls.append(url)
            ready.set()
            await over.wait()

    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()), daemon=True)
    thread.start()
    try:
        assert ready.wait(30)
        yield urls[0]
    finally:
        loop.call_soon_threadsafe(over.set)
        thread.join(30)
        loop.close()
