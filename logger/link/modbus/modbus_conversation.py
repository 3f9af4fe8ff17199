"""Modbus transmitters behind one port: asks for their registers every period and tells every exchange.

A unit that does not answer costs a time-out each time, which the others on its line must wait out: after a few in a
row it is asked less often.
"""

import time
from collections.abc import Awaitable, Callable, Sequence
from typing import Final, Protocol

from logger.decode.device_model import DeviceModel, Explained
from logger.decode.registers import Block, exchange
from logger.link.errors import LinkLost
from logger.link.events import LinkEvent
from logger.link.modbus.modbus_client import ModbusClient
from logger.link.retrying import Retrying
from logger.model.instrument import ModbusPort
from logger.model.units import NS_PER_S

PATIENCE: Final = 3  # time-outs in a row before a unit is asked less often
ASK_DEAD_EVERY_S: Final = 10.0


class Asks(Protocol):
    """ModbusClient."""

    async def ask(self, block: Block) -> bytes: ...

    def close(self) -> None: ...


class ModbusSupervisor(Retrying):
    """blocks: what to ask for (logger.decode.registers.blocks). `run` in a task of its own, `stop` to end it."""

    def __init__(
        self,
        url: str,
        port: ModbusPort,
        model: DeviceModel | None,
        blocks: Sequence[Block],
        on_event: Callable[[LinkEvent], None],
        *,
        open_client: Callable[[str, ModbusPort], Awaitable[Asks]] = ModbusClient.open,
        now_ns: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__(url, port.stale_s, on_event, now_ns)
        self._port = port
        self._model = model
        self._blocks = tuple(blocks)
        self._open_client = open_client
        self._missed: dict[int, int] = {}  # unit -> time-outs in a row
        self._not_before_ns: dict[int, int] = {}
        self._owing: set[int] = set()  # units whose answer did not come in time and may still come

    async def _attempt(self) -> str:
        try:
            client = await self._open_client(self.url, self._port)
        except LinkLost as exc:
            return str(exc)
        self._opened()
        self._missed.clear()
        self._not_before_ns.clear()
        try:
            return await self._ask_on(client)
        except LinkLost as exc:
            return str(exc)
        finally:
            client.close()

    async def _ask_on(self, client: Asks) -> str:
        due_ns = self._now_ns()
        while not self._stopping:
            for block in self._blocks:
                if not self._stopping and self._now_ns() >= self._not_before_ns.get(block.unit_id, 0):
                    await self._ask(client, block)
            if (reason := self._silence()) is not None:
                return reason
            due_ns = max(due_ns + int(self._port.poll_s * NS_PER_S), self._now_ns())
            await self._pause((due_ns - self._now_ns()) / NS_PER_S)
        return "stopped"

    async def _ask(self, client: Asks, block: Block) -> None:
        answer = await client.ask(block)
        if answer and block.unit_id in self._owing:
            # RTU answers carry no number: this may be the late one of an earlier request, so it counts for none.
            self._owing.discard(block.unit_id)
            await self._pause(self._port.timeout_s)
            answer = await client.ask(block)
        now_ns = self._now_ns()
        raw = exchange(block, answer)
        explained = (self._model.take(raw) if self._model is not None else None) or Explained(None)
        self._said(now_ns, raw, bool(answer), explained)
        if answer:
            self._missed[block.unit_id] = 0
            return
        missed = self._missed[block.unit_id] = self._missed.get(block.unit_id, 0) + 1
        if missed >= PATIENCE:
            self._not_before_ns[block.unit_id] = now_ns + int(ASK_DEAD_EVERY_S * NS_PER_S)
        if self._port.framing == "rtu":
            self._owing.add(block.unit_id)
            await self._pause(self._port.timeout_s)
