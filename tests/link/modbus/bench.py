"""pymodbus's own server with a few invented transmitters, whose registers and manners a test can change."""

import asyncio
import contextlib
import os
import struct
import tty
from collections.abc import AsyncIterator, Callable
from typing import Any

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


class Transmitter:
    """registers: holding and input registers 0 to 99 alike. asked: (function, address, count) of each request."""

    def __init__(self, unit_id: int = 1) -> None:
        self.unit_id = unit_id
        self.registers = [0] * 100
        self.exception: ExcCodes | None = None
        self.delay_s = 0.0
        self.silent = False
        self.asked: list[tuple[int, int, int]] = []

    def put_float(self, address: int, number: float, *, low_word_first: bool = False) -> None:
        high, low = struct.unpack(">HH", struct.pack(">f", number))
        self.registers[address : address + 2] = [low, high] if low_word_first else [high, low]

    def device(self) -> SimDevice:
        return SimDevice(self.unit_id, [SimData(0, values=[0] * 100, datatype=DataType.REGISTERS)], action=self._act)

    async def _act(
        self, function: int, start: int, address: int, count: int, current: list[int], set_values: object
    ) -> ExcCodes | None:
        self.asked.append((function, address, count))
        if self.delay_s:
            await asyncio.sleep(self.delay_s)
        current[:] = self.registers[start : start + len(current)]
        return self.exception


def _mute(transmitters: tuple[Transmitter, ...], unit_at: int) -> Callable[[bool, bytes], bytes]:
    def pass_on(sending: bool, data: bytes) -> bytes:
        silent = {t.unit_id for t in transmitters if t.silent}
        return b"" if sending and data[unit_at] in silent else data

    return pass_on


@contextlib.asynccontextmanager
async def tcp_server(
    *transmitters: Transmitter, port: int = 0, framer: FramerType = FramerType.SOCKET
) -> AsyncIterator[str]:
    """Its url."""
    server = ModbusTcpServer(
        [t.device() for t in transmitters], framer=framer, address=("127.0.0.1", port),
        trace_packet=_mute(transmitters, 6 if framer is FramerType.SOCKET else 0),
    )  # fmt: skip
    await server.serve_forever(background=True)
    try:
        listening: Any = server.transport
        yield f"socket://127.0.0.1:{listening.sockets[0].getsockname()[1]}"
    finally:
        await _end(server)


@contextlib.asynccontextmanager
async def rtu_server(*transmitters: Transmitter) -> AsyncIterator[str]:
    """The name of a serial port with them on its line: two pseudo-terminals, joined as by a cable."""
    with contextlib.ExitStack() as stack:
        ends = []
        for _ in range(2):
            master, slave = os.openpty()
            stack.callback(os.close, master)
            stack.callback(os.close, slave)
            tty.setraw(slave)
            ends.append((master, os.ttyname(slave)))
        (near, port), (far, server_port) = ends
        loop = asyncio.get_running_loop()
        for source, sink in ((near, far), (far, near)):
            os.set_blocking(source, False)
            loop.add_reader(source, _carry, source, sink)
            stack.callback(loop.remove_reader, source)
        server = ModbusSerialServer(
            [t.device() for t in transmitters], framer=FramerType.RTU, port=server_port, baudrate=19_200,
            trace_packet=_mute(transmitters, 0),
        )  # fmt: skip
        await server.serve_forever(background=True)
        try:
            yield port
        finally:
            await _end(server)


async def _end(server: Any) -> None:
    await server.shutdown()


def _carry(source: int, sink: int) -> None:
    os.write(sink, os.read(source, 4096))
