"""One follower of the daemon for all browsers: a thread reads its stream and makes each state once."""

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Callable
from typing import Any

from logger.page.page_state import page_state
from logger.screen.daemon_client import DaemonClient

HEARTBEAT_S = 4.0
AGAIN_S = 1.0
WAITING = "waiting for the logger"
ENDED = "the logger has ended"


class PageFollower:
    """state: the daemon's newest, None while there is no current one. Made in the loop that browsers are served in."""

    def __init__(self, connect: Callable[[], DaemonClient], lost: tuple[type[Exception], ...]) -> None:
        self._connect, self._lost = connect, lost
        self._loop = asyncio.get_running_loop()
        self._waiting: set[asyncio.Event] = set()
        self._over = threading.Event()
        self.state: dict[str, Any] | None = None
        self._newest = _frame("not-current", "", {"why": WAITING})
        threading.Thread(target=self._run, name="page follower", daemon=True).start()

    def stop(self) -> None:
        self._over.set()

    async def frames(self) -> AsyncIterator[bytes]:
        """The newest state, then each as it comes; a slow reader gets a later one. A line at least each HEARTBEAT_S."""
        changed, sent = asyncio.Event(), b""
        self._waiting.add(changed)
        try:
            while True:
                changed.clear()
                if self._newest is not sent:
                    sent = self._newest
                    yield sent
                try:
                    await asyncio.wait_for(changed.wait(), HEARTBEAT_S)
                except TimeoutError:
                    yield b": still here\n\n"
        finally:
            self._waiting.discard(changed)

    def _run(self) -> None:
        while not self._over.is_set():
            try:
                self._follow()
                why = ENDED
            except self._lost as exc:
                why = str(exc)
            except Exception as exc:  # told on the page, not lost with the thread
                why = f"the page cannot show what the logger sends: {type(exc).__name__}: {exc}"
            self._hand_on(None, _frame("not-current", "", {"why": why}))
            self._over.wait(AGAIN_S)

    def _follow(self) -> None:
        for name, event_id, data in self._connect().stream():
            if self._over.is_set():
                return
            if name == "snapshot":
                self._hand_on(data, _frame("state", event_id, page_state(data)))

    def _hand_on(self, state: dict[str, Any] | None, frame: bytes) -> None:
        def publish() -> None:
            self.state, self._newest = state, frame
            for changed in self._waiting:
                changed.set()

        try:
            self._loop.call_soon_threadsafe(publish)
        except RuntimeError:  # the loop is closed
            self._over.set()


def _frame(name: str, event_id: str, data: dict[str, Any]) -> bytes:
    head = f"event: {name}\n" + (f"id: {event_id}\n" if event_id else "")
    return f"{head}data: {json.dumps(data, separators=(',', ':'), ensure_ascii=False)}\n\n".encode()
