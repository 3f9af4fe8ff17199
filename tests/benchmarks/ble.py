"""Latency and CPU of one device by radio beside the same device on a pseudo-terminal.

The radio is emulated (bumble's virtual controllers), so these are figures of the program, not of a radio: a real one
adds its connection interval, 7.5 to 50 ms as the system chooses. The device and the emulated air run in a thread of
their own, which is not counted; the host's side of bumble, which stands for the system's Bluetooth, is.
"""

import asyncio
import contextlib
import threading
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from statistics import median

from bumble.device import Device as Radio
from bumble.hci import Address
from bumble.transport import open_transport

from firmware_protocol.framing import Frame, FrameDecoder
from firmware_protocol.messages import Samples, decode_payload
from logger.link import link_events as events
from logger.link.connect import to_device
from sim_device.ble import BlePeripheral
from sim_device.serve import serve_pty
from sim_device.sim_clock import SimClock
from tests.link.ble import backend
from tests.link.ble.air import Air, serve_dongles
from tests.link.ble.bench import LOGGER, ONE, a_device

FRAMES_PER_S = 50.0  # ten times as fast as the simulated scale by itself
SECONDS = 5.0
WARM_UP_S = 1.0
LATENCY_MS = 20.0
CPU_PERCENT = 10.0


@dataclass(frozen=True)
class Measured:
    latencies_ms: list[float]
    cpu_percent: float

    @property
    def p99_ms(self) -> float:
        return sorted(self.latencies_ms)[int(0.99 * len(self.latencies_ms))]


class Stamped:
    """A device that notes when it gave each samples frame to its link."""

    def __init__(self) -> None:
        self.sent_ns: dict[int, int] = {}
        self._device = a_device("scale")
        self._decoder = FrameDecoder()

    def connected(self) -> bytes:
        return self._device.connected()

    def step(self, data: bytes, now_s: float, linked: bool = True) -> bytes:
        sent = self._device.step(data, now_s, linked)
        now_ns = time.monotonic_ns()
        for block in self._decoder.feed(sent):
            if isinstance(block, Frame) and isinstance(message := decode_payload(block.payload), Samples):
                self.sent_ns.setdefault(message.sequence, now_ns)
        return sent


class Served:
    """A device on a link, in a thread and a loop of its own."""

    def __init__(self, serve: Callable[[Stamped], contextlib.AbstractAsyncContextManager[str]]) -> None:
        self.device, self.where = Stamped(), ""
        self._serve = serve
        self._loop = asyncio.new_event_loop()
        self._over, self._begun = asyncio.Event(), threading.Event()
        self._thread = threading.Thread(target=lambda: self._loop.run_until_complete(self._live()))

    def __enter__(self) -> "Served":
        self._thread.start()
        assert self._begun.wait(20)
        return self

    def __exit__(self, *_: object) -> None:
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join(10)

    async def cpu_s(self) -> float:
        async def ask() -> float:
            return time.thread_time()

        return await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(ask(), self._loop))

    async def _live(self) -> None:
        async with self._serve(self.device) as self.where:
            self._begun.set()
            await self._over.wait()


@contextlib.asynccontextmanager
async def on_pty(device: Stamped) -> AsyncIterator[str]:
    server = await serve_pty(device, SimClock(FRAMES_PER_S / 5))
    yield server.url
    await server.aclose()


@contextlib.asynccontextmanager
async def on_air(device: Stamped) -> AsyncIterator[str]:
    air = Air()
    radio = air.radio(ONE)
    await radio.power_on()
    peripheral = BlePeripheral(device, SimClock(FRAMES_PER_S / 5), radio, name="scale", max_mtu=247)
    await peripheral.open()
    server = await serve_dongles(air)
    yield str(server.sockets[0].getsockname()[1])
    await peripheral.aclose()
    server.close()


async def _measure(served: Served, url: str) -> Measured:
    arrived: list[tuple[int, int]] = []

    def take(event: events.LinkEvent) -> None:
        if isinstance(event, events.SamplesReceived):
            arrived.append((event.samples.sequence, time.monotonic_ns()))

    connection = to_device(url, None, take)
    task = asyncio.create_task(connection.run())
    async with asyncio.timeout(20):
        while not connection.conversation.live:  # noqa: ASYNC110
            await asyncio.sleep(0.05)
    await asyncio.sleep(WARM_UP_S)
    arrived.clear()
    theirs_s, all_s, begun = await served.cpu_s(), time.process_time(), time.monotonic()
    await asyncio.sleep(SECONDS)
    took = time.monotonic() - begun
    cpu_s = time.process_time() - all_s - (await served.cpu_s() - theirs_s)
    got = list(arrived)
    await connection.stop()
    await task
    sent_ns = served.device.sent_ns
    return Measured([(at_ns - sent_ns[n]) / 1e6 for n, at_ns in got], 100 * cpu_s / took)


def _by_cable() -> Measured:
    with Served(on_pty) as served:
        return asyncio.run(_measure(served, served.where))


def _by_radio() -> Measured:
    async def measure(served: Served) -> Measured:
        transport = await open_transport(f"tcp-client:127.0.0.1:{served.where}")
        address = Address(LOGGER, Address.RANDOM_DEVICE_ADDRESS)
        radio = Radio.with_hci("logger", address, transport.source, transport.sink)
        await radio.power_on()
        with backend.use(radio):
            found = await _measure(served, "ble://")
        await transport.close()
        return found

    with Served(on_air) as served:
        return asyncio.run(measure(served))


def run() -> list[tuple[str, str, str, bool]]:
    """Rows of name, value, target, whether it was met."""
    rows = []
    for name, measured in (("pseudo-terminal", _by_cable()), ("BLE, emulated radio", _by_radio())):
        latency = f"median {median(measured.latencies_ms):.1f} ms, p99 {measured.p99_ms:.1f} ms"
        rows += [
            (
                f"{name}: device to event, {len(measured.latencies_ms)} frames",
                latency,
                f"median < {LATENCY_MS:g} ms",
                median(measured.latencies_ms) < LATENCY_MS,
            ),
            (
                f"{name}: CPU at {FRAMES_PER_S:g} frames/s",
                f"{measured.cpu_percent:.1f} % of a core",
                f"< {CPU_PERCENT:g} %",
                measured.cpu_percent < CPU_PERCENT,
            ),
        ]
    return rows


if __name__ == "__main__":
    for row in run():
        print(*row, sep=" | ")
