"""End with whoever started the daemon: its standard input is a pipe that ends when that program does, however it does.

For a demonstration, which must leave nothing running behind a guide that was killed. A daemon on a job has no such
tie: it outlives the terminal that started it.
"""

import asyncio
import contextlib
import os
import threading

from logger.app.daemon import Daemon

STANDARD_INPUT = 0


async def exit_with_parent(daemon: Daemon) -> None:
    """A helper of the daemon: stops it when its standard input ends. Windows' loop cannot wait for a pipe: a thread."""
    ended, loop = asyncio.Event(), asyncio.get_running_loop()

    def wait() -> None:
        with contextlib.suppress(OSError):
            while os.read(STANDARD_INPUT, 4096):
                pass
        with contextlib.suppress(RuntimeError):  # the loop has ended before
            loop.call_soon_threadsafe(ended.set)

    threading.Thread(target=wait, name="standard input", daemon=True).start()
    await ended.wait()
    daemon.stopping.set()
