"""Simulated devices on real links: TCP everywhere, pseudo-terminals where there are any, Bluetooth by ble.py.

A server steps its device some fifty times a second and whenever bytes come in. Times given to the device are those
of the `SimClock`, so a device served 300 times as fast sends 300 times as much.
"""

import asyncio
import logging
import os
import sys
from collections.abc import Callable, Sequence
from types import TracebackType

from sim_device.ble import BlePeripheral, serve_ble
from sim_device.errors import BadSetting, SimError
from sim_device.rig import Rig
from sim_device.served import Served
from sim_device.sim_clock import SimClock

log = logging.getLogger(__name__)

_TICK_S = 0.02
_MAX_WAITING = 65_536  # bytes the host has not taken; beyond it the device drops frames


class NoPty(SimError):
    """This system has no pseudo-terminals; use TCP."""


class _Ticker:
    """Calls `tick` until closed. A tick that raises ends it: `failed` says why, and `on_failure` is called."""

    def __init__(self, tick: Callable[[], None], on_failure: Callable[[], None]) -> None:
        self.failed: BaseException | None = None
        self._tick, self._on_failure = tick, on_failure
        self._task = asyncio.get_running_loop().create_task(self._run())

    async def _run(self) -> None:
        try:
            while True:
                self._tick()
                await asyncio.sleep(_TICK_S)
        except asyncio.CancelledError:
            raise
        except Exception as exc:
            log.exception("a simulated device stopped")
            self.failed = exc
            self._on_failure()

    async def aclose(self) -> None:
        self._task.cancel()
        await asyncio.gather(self._task, return_exceptions=True)


class TcpServer:
    """One device on one port; one host at a time: a new connection closes the one before."""

    def __init__(self, served: Served, clock: SimClock) -> None:
        self._served, self._clock = served, clock
        self._transport: asyncio.Transport | None = None
        self._server: asyncio.Server | None = None
        self._ticker: _Ticker | None = None
        self.url = ""

    async def open(self, host: str, port: int) -> None:
        self._server = await asyncio.get_running_loop().create_server(lambda: _TcpPeer(self), host, port)
        address = self._server.sockets[0].getsockname()
        self.url = f"socket://{address[0]}:{address[1]}"
        self._ticker = _Ticker(self._tick, self.disconnect)

    @property
    def failed(self) -> BaseException | None:
        return self._ticker.failed if self._ticker else None

    def disconnect(self) -> None:
        """Cut the present host off, as a pulled cable does; it may connect again."""
        if self._transport is not None:
            self._transport.abort()
            self._transport = None

    async def aclose(self) -> None:
        if self._ticker is not None:
            await self._ticker.aclose()
        self.disconnect()
        if self._server is not None:
            self._server.close()
            await self._server.wait_closed()

    def attach(self, transport: asyncio.Transport) -> None:
        self.disconnect()
        self._transport = transport
        transport.write(self._served.connected())

    def detach(self, transport: asyncio.Transport) -> None:
        if self._transport is transport:
            self._transport = None

    def received(self, transport: asyncio.Transport, data: bytes) -> None:
        if self._transport is transport:
            self._step(data)

    def _tick(self) -> None:
        self._step(b"")

    def _step(self, data: bytes) -> None:
        transport = self._transport
        linked = transport is not None and transport.get_write_buffer_size() < _MAX_WAITING
        out = self._served.step(data, self._clock.now_s, linked)
        if out and transport is not None:
            transport.write(out)


class _TcpPeer(asyncio.Protocol):
    def __init__(self, server: TcpServer) -> None:
        self._server = server
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._server.attach(transport)

    def data_received(self, data: bytes) -> None:
        if self._transport is not None:
            self._server.received(self._transport, data)

    def connection_lost(self, exc: Exception | None) -> None:
        if self._transport is not None:
            self._server.detach(self._transport)


class PtyServer:
    """One device on a pseudo-terminal in raw mode. `unplug` takes it away, `replug` gives it another name."""

    def __init__(self, served: Served, clock: SimClock) -> None:
        self._served, self._clock = served, clock
        self._master = self._slave = -1
        self._waiting = bytearray()
        self._ticker: _Ticker | None = None
        self.url = ""

    async def open(self) -> None:
        self.replug()
        self._ticker = _Ticker(lambda: self._step(b""), self.unplug)

    @property
    def failed(self) -> BaseException | None:
        return self._ticker.failed if self._ticker else None

    def replug(self) -> None:
        # looked up by name: these modules are not there on Windows
        if sys.platform == "win32":
            raise NoPty("no pseudo-terminals on this system; serve over TCP")
        import tty

        self.unplug()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.url = os.ttyname(self._slave)
        asyncio.get_running_loop().add_reader(self._master, self._readable)
        self._waiting += self._served.connected()

    def unplug(self) -> None:
        if self._master < 0:
            return
        loop = asyncio.get_running_loop()
        loop.remove_reader(self._master)
        loop.remove_writer(self._master)
        os.close(self._master)
        os.close(self._slave)
        self._master = self._slave = -1
        self._waiting.clear()

    async def aclose(self) -> None:
        if self._ticker is not None:
            await self._ticker.aclose()
        self.unplug()

    def _readable(self) -> None:
        try:
            data = os.read(self._master, 4096)
        except BlockingIOError:
            return
        except OSError as exc:
            log.warning("%s: %s", self.url, exc)
            self.unplug()
            return
        self._step(data)

    def _step(self, data: bytes) -> None:
        plugged = self._master >= 0
        linked = plugged and len(self._waiting) < _MAX_WAITING
        self._waiting += self._served.step(data, self._clock.now_s, linked)
        if plugged:
            self._write()

    def _write(self) -> None:
        loop = asyncio.get_running_loop()
        while self._waiting:
            try:
                count = os.write(self._master, self._waiting)
            except BlockingIOError:
                loop.add_writer(self._master, self._write)
                return
            del self._waiting[:count]
        loop.remove_writer(self._master)


async def serve_tcp(served: Served, clock: SimClock, host: str = "127.0.0.1", port: int = 0) -> TcpServer:
    """Serve one device; its `url` is what a logger opens. Raises OSError when the port is taken."""
    server = TcpServer(served, clock)
    await server.open(host, port)
    return server


async def serve_pty(served: Served, clock: SimClock) -> PtyServer:
    """Serve one device on a new pseudo-terminal. Raises NoPty on Windows."""
    server = PtyServer(served, clock)
    await server.open()
    return server


class RigServer:
    """All devices of a rig, each on its own link: `async with RigServer(rig, clock) as served: served.urls`.

    link: "tcp", "pty" or "ble". port: of the first device over TCP, the next following; 0 takes any free ones.
    transports: for "ble", one Bluetooth radio a device (ble.py). Raises BadSetting when there are not as many.
    """

    def __init__(
        self,
        rig: Rig,
        clock: SimClock,
        link: str = "tcp",
        host: str = "127.0.0.1",
        port: int = 0,
        transports: Sequence[str] = (),
    ) -> None:
        self.rig, self.clock = rig, clock
        self._link, self._host, self._port, self._transports = link, host, port, tuple(transports)
        if link == "ble" and len(self._transports) != len(rig.devices):
            raise BadSetting(
                f"one Bluetooth radio serves one device: {len(self._transports)} named for {len(rig.devices)} "
                f"({', '.join(rig.devices)})"
            )
        self.servers: dict[str, TcpServer | PtyServer | BlePeripheral] = {}

    @property
    def urls(self) -> dict[str, str]:
        return {name: server.url for name, server in self.servers.items()}

    @property
    def failed(self) -> BaseException | None:
        """Why a device stopped, or None."""
        return next((s.failed for s in self.servers.values() if s.failed), None)

    async def __aenter__(self) -> "RigServer":
        try:
            for i, name in enumerate(self.rig.devices):
                station = self.rig.station(name)
                if self._link == "ble":
                    device_id = self.rig.device(name).device_id
                    self.servers[name] = await serve_ble(
                        station, self.clock, self._transports[i], name=name, device_id=device_id
                    )
                elif self._link == "pty":
                    self.servers[name] = await serve_pty(station, self.clock)
                else:
                    port = self._port + i if self._port else 0
                    self.servers[name] = await serve_tcp(station, self.clock, self._host, port)
        except BaseException:
            await self._close()
            raise
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        await self._close()

    async def _close(self) -> None:
        for server in self.servers.values():
            await server.aclose()
