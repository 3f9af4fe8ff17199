"""Modbus transmitters behind one port as a stream: each read asks for some of their registers, every period again.

A unit that does not answer costs a time-out each time, which the others on its line must wait out: after a few in a
row it is asked less often.
"""

import asyncio
import time
from collections.abc import AsyncGenerator, Awaitable, Callable, Sequence
from typing import Final, Protocol

from logger.decode.registers import Block, exchange
from logger.link.link_events import RadioStatus
from logger.link.modbus.modbus_client import ModbusClient
from logger.model.instrument import ModbusPort
from logger.model.units import NS_PER_S

PATIENCE: Final = 3  # time-outs in a row before a unit is asked less often
ASK_DEAD_EVERY_S: Final = 10.0


class RegisterReader(Protocol):
    """ModbusClient."""

    async def ask(self, block: Block) -> bytes: ...

    def close(self) -> None: ...


class RegisterPort:
    """Opens one RegisterStream after another. blocks: what to ask for (logger.decode.registers.blocks)."""

    def __init__(
        self,
        port: ModbusPort,
        blocks: Sequence[Block],
        open_client: Callable[[str, ModbusPort], Awaitable[RegisterReader]] = ModbusClient.open,
    ) -> None:
        self.settings = port
        self.blocks = tuple(blocks)
        self.owing: set[int] = set()  # units whose answer did not come in time and may still come, on the next line too
        self._open_client = open_client

    async def open(self, url: str) -> "RegisterStream":
        """Raises LinkLost."""
        return RegisterStream(url, await self._open_client(url, self.settings), self)


class RegisterStream:
    """A StreamLink. Made by `RegisterPort.open`."""

    radio: RadioStatus | None = None

    def __init__(self, url: str, client: RegisterReader, port: RegisterPort) -> None:
        self.url = url
        self._client = client
        self._port = port
        self._exchanges = self._ask_on()

    async def read(self) -> tuple[bytes, int]:
        """One exchange (logger.decode.registers) and the monotonic ns of its end. Raises LinkLost."""
        return await anext(self._exchanges)

    async def write(self, data: bytes) -> None:
        """Nothing is written but what `read` asks."""

    async def close(self) -> None:
        """Never raises; may be called again."""
        await self._exchanges.aclose()
        self._client.close()

    async def _ask_on(self) -> AsyncGenerator[tuple[bytes, int], None]:
        missed: dict[int, int] = {}  # unit -> time-outs in a row
        not_before_ns: dict[int, int] = {}
        settings, owing = self._port.settings, self._port.owing
        due_ns = time.monotonic_ns()
        while True:
            for block in self._port.blocks:
                unit = block.unit_id
                if time.monotonic_ns() < not_before_ns.get(unit, 0):
                    continue
                answer = await self._client.ask(block)
                if answer and unit in owing:
                    # RTU answers carry no number: this may be an earlier request's late one, so it counts for none.
                    owing.discard(unit)
                    await asyncio.sleep(settings.timeout_s)
                    answer = await self._client.ask(block)
                now_ns = time.monotonic_ns()
                yield exchange(block, answer), now_ns
                missed[unit] = 0 if answer else missed.get(unit, 0) + 1
                if missed[unit] >= PATIENCE:
                    not_before_ns[unit] = now_ns + int(ASK_DEAD_EVERY_S * NS_PER_S)
                if not answer and settings.framing == "rtu":
                    owing.add(unit)
                    await asyncio.sleep(settings.timeout_s)
            due_ns = max(due_ns + int(settings.poll_s * NS_PER_S), time.monotonic_ns())
            await asyncio.sleep((due_ns - time.monotonic_ns()) / NS_PER_S)
