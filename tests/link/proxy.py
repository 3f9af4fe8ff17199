"""Faults on a line, and a proxy that puts them between a real port and a device."""

import asyncio
import contextlib
import os
import random
import tty
from collections.abc import Callable
from dataclasses import dataclass

from logger.model.units import NS_PER_S
from tests.link.fake_device import FakeDevice


@dataclass
class Faults:
    """What may happen to bytes on their way. Rates are per byte."""

    rng: random.Random
    flip: float = 0.0
    drop: float = 0.0
    insert: float = 0.0
    silent: bool = False  # nothing comes through
    cut_after: int | None = None  # so many bytes more, then nothing

    def apply(self, data: bytes) -> bytes:
        if self.silent:
            return b""
        if self.cut_after is not None:
            data = data[: self.cut_after]
            self.cut_after -= len(data)
        if not (self.flip or self.drop or self.insert):
            return data
        out = bytearray()
        for byte in data:
            chance = self.rng.random()
            if chance < self.drop:
                continue
            if chance < self.drop + self.insert:
                out.append(self.rng.randrange(256))
            elif chance < self.drop + self.insert + self.flip:
                byte ^= 1 << self.rng.randrange(8)
            out.append(byte)
        return bytes(out)


class _Bench:
    """Drives a FakeDevice in real time (times `speed`) and passes its bytes through Faults to whoever is connected."""

    def __init__(self, device: FakeDevice, *, speed: float = 1.0, step_s: float = 0.005) -> None:
        self.device = device
        self.to_host = Faults(random.Random(11))
        self.to_device = Faults(random.Random(12))
        self.speed = speed
        self._step_s = step_s
        self._send: Callable[[bytes], None] | None = None
        self._task: asyncio.Task[None] | None = None

    def now_ns(self) -> int:
        return int(asyncio.get_running_loop().time() * self.speed * NS_PER_S)

    def start_clock(self) -> None:
        self.device.boot(self.now_ns())
        self._task = asyncio.create_task(self._run())

    async def _run(self) -> None:
        while True:
            data = self.to_host.apply(self.device.step(self.now_ns()))
            if data and self._send is not None:
                self._send(data)
            await asyncio.sleep(self._step_s)

    def received(self, data: bytes) -> None:
        self.device.feed(self.to_device.apply(data), self.now_ns())

    async def stop_clock(self) -> None:
        if self._task is not None:
            self._task.cancel()
            await asyncio.gather(self._task, return_exceptions=True)


class PtyBench(_Bench):
    """The device behind a real pseudo-terminal, which can be unplugged and plugged in again under another name."""

    def __init__(self, device: FakeDevice, **options: float) -> None:
        super().__init__(device, **options)
        self.url = ""
        self._master = -1

    def plug_in(self) -> str:
        """A new port; returns its name."""
        self._master, slave = os.openpty()
        tty.setraw(slave)
        self.url = os.ttyname(slave)
        os.close(slave)  # only the program under test holds it
        os.set_blocking(self._master, False)
        asyncio.get_running_loop().add_reader(self._master, self._readable)
        self._send = self._write
        return self.url

    def unplug(self) -> None:
        if self._master >= 0:
            self._send = None
            asyncio.get_running_loop().remove_reader(self._master)
            os.close(self._master)
            self._master = -1

    def _readable(self) -> None:
        with contextlib.suppress(OSError):  # EIO: nobody holds the port at the moment
            self.received(os.read(self._master, 4096))

    def _write(self, data: bytes) -> None:
        with contextlib.suppress(OSError):  # a full or unread port drops bytes, as a UART does
            os.write(self._master, data)

    async def __aenter__(self) -> "PtyBench":
        self.plug_in()
        self.start_clock()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop_clock()
        self.unplug()


class TcpBench(_Bench):
    """The device behind a real TCP port; a new connection takes the place of the old one."""

    def __init__(self, device: FakeDevice, **options: float) -> None:
        super().__init__(device, **options)
        self.url = ""
        self.connections = 0
        self._writers: list[asyncio.StreamWriter] = []

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        self._writers.append(writer)
        self._send = writer.write
        with contextlib.suppress(OSError):
            while data := await reader.read(4096):
                self.received(data)

    def hang_up(self) -> None:
        """Close every connection at the device's end."""
        self._send = None
        while self._writers:
            self._writers.pop().transport.abort()

    async def __aenter__(self) -> "TcpBench":
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.url = f"socket://127.0.0.1:{self._server.sockets[0].getsockname()[1]}"
        self.start_clock()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.stop_clock()
        self.hang_up()
        self._server.close()
