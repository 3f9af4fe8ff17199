"""Invented text instruments on real ports: they stream lines, or answer when asked; a test can break their cable."""

import asyncio
import contextlib
import os
import tty
from collections.abc import AsyncIterator, Callable


class TextInstrument:
    """line: makes the next line. poll: the request it answers; b"": it sends by itself every period_s."""

    def __init__(self, line: Callable[[], bytes], *, period_s: float = 0.05, poll: bytes = b"") -> None:
        self.line = line
        self.period_s = period_s
        self.poll = poll
        self.silent = False
        self.asked = self.opened = 0
        self._received = b""

    def received(self, data: bytes) -> bytes:
        """What it answers to what it is sent."""
        self._received = (self._received + data)[-100:]
        count = self._received.count(self.poll) if self.poll else 0
        if not count:
            return b""
        self._received = b""
        self.asked += count
        return b"" if self.silent else self.line() * count

    async def stream(self, send: Callable[[bytes], None]) -> None:
        while True:
            if not self.silent and not self.poll:
                send(self.line())
            await asyncio.sleep(self.period_s)


@contextlib.asynccontextmanager
async def on_tcp(instrument: TextInstrument, port: int = 0) -> AsyncIterator[str]:
    """Its url, behind a network adapter."""
    tasks: set[asyncio.Task[None]] = set()
    writers: set[asyncio.StreamWriter] = set()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.add(writer)
        instrument.opened += 1
        task = asyncio.create_task(instrument.stream(writer.write))
        tasks.add(task)
        with contextlib.suppress(OSError):
            while data := await reader.read(100):
                writer.write(instrument.received(data))
        task.cancel()
        writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", port)
    try:
        yield f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}"
    finally:
        server.close()
        for writer in writers:
            writer.transport.abort()
        for task in tasks:
            task.cancel()


@contextlib.asynccontextmanager
async def on_pty(instrument: TextInstrument) -> AsyncIterator[str]:
    """The name of its serial port. Leaving pulls the cable."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    loop = asyncio.get_running_loop()

    def send(data: bytes) -> None:
        with contextlib.suppress(BlockingIOError):
            os.write(master, data)

    def receive() -> None:
        with contextlib.suppress(BlockingIOError):
            send(instrument.received(os.read(master, 100)))

    loop.add_reader(master, receive)
    task = asyncio.create_task(instrument.stream(send))
    try:
        yield os.ttyname(slave)
    finally:
        task.cancel()
        loop.remove_reader(master)
        os.close(master)
        os.close(slave)
