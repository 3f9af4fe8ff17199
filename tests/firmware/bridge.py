"""The emulated chip's serial line as a TCP port: what a daemon connects to. In real time, or so many times as fast."""

import contextlib
import random
import select
import socket
import threading
import time
from collections.abc import Iterator

from tests.firmware.board import Board
from tests.link.proxy import Faults

STEP_MS = 10


class Bridge:
    """Serves one host at a time. `board` may be used inside `with bridge.lock`."""

    def __init__(self, board: Board, speed: int = 1) -> None:
        self.board = board
        self.noise = Faults(random.Random(14))  # none until its rates are set
        self._speed = speed
        self.lock = threading.Lock()
        self._server = socket.create_server(("127.0.0.1", 0))
        self._host: socket.socket | None = None
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._refusing = False
        self.failed: BaseException | None = None

    @property
    def url(self) -> str:
        return f"socket://127.0.0.1:{self._server.getsockname()[1]}"

    @property
    def relay(self) -> bool:
        with self.lock:
            return self.board.relay

    def set_input(self, channel: int, mv: float) -> None:
        with self.lock:
            self.board.set_input(channel, mv)

    def cut(self, refusing: bool = True) -> None:
        """The line is gone; the next host is taken when it is joined again."""
        self._refusing = refusing
        with self.lock:
            if self._host is not None:
                self._host.close()
                self._host = None

    def join(self) -> None:
        self._refusing = False

    def _run(self) -> None:
        try:
            due = time.monotonic()
            while not self._over.is_set():
                due += STEP_MS / 1000
                self._step()
                if (left := due - time.monotonic()) > 0:
                    time.sleep(left)
                elif left < -0.5:  # a busy computer: go on from here
                    due = time.monotonic()
        except BaseException as exc:
            self.failed = exc
            raise

    def _step(self) -> None:
        with self.lock:
            data = self.noise.apply(self._receive())
            sent = self.noise.apply(self.board.run(STEP_MS * self._speed, data))
            if self._host is not None and sent:
                with contextlib.suppress(OSError):
                    self._host.sendall(sent)

    def _receive(self) -> bytes:
        watched = [self._server] + ([self._host] if self._host is not None else [])
        ready, _, _ = select.select(watched, [], [], 0)
        data = b""
        if self._host is not None and self._host in ready:
            with contextlib.suppress(OSError):
                data = self._host.recv(4096)
            if not data:
                self._host.close()
                self._host = None
        if self._server in ready:
            host, _ = self._server.accept()
            if self._refusing or self._host is not None:
                host.close()
            else:
                self._host = host
        return data


@contextlib.contextmanager
def bridged(board: Board, speed: int = 1) -> Iterator[Bridge]:
    bridge = Bridge(board, speed)
    bridge._thread.start()
    try:
        yield bridge
    finally:
        bridge._over.set()
        bridge._thread.join(20)
        bridge.cut()
        bridge._server.close()
    assert bridge.failed is None
