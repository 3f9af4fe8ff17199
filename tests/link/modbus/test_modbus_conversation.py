"""Modbus transmitters over real TCP and a serial line, behind pymodbus's own server."""

import asyncio
import contextlib
import errno
import importlib.util
from collections.abc import AsyncIterator, Callable, Coroutine
from dataclasses import replace
from typing import Any

import pytest
import serial
from pymodbus import FramerType
from pymodbus.constants import ExcCodes

from logger.decode.registers import Block, blocks, read_exchange
from logger.link import link_events as events
from logger.link.connect import to_registers
from logger.link.errors import LinkLost
from logger.link.modbus import register_stream
from logger.link.modbus.modbus_client import ModbusClient, ModbusMissing, need_pymodbus
from logger.model.instrument import ModbusPort, Register
from tests.link.modbus.bench import Transmitter, rtu_server, tcp_server

PRESSURE = Register(1, "input", 0, "float32")
OTHER_UNIT = Register(2, "holding", 4, "uint16")
QUICK = ModbusPort("tcp", poll_s=0.05, timeout_s=0.2, stale_s=0.5)
PATIENT = ModbusPort("tcp", poll_s=0.05, timeout_s=30.0, stale_s=60.0)


def run(test: Callable[[], Coroutine[object, object, None]]) -> None:
    asyncio.run(asyncio.wait_for(test(), 150))


class Watched:
    def __init__(self) -> None:
        self.events: list[events.LinkEvent] = []

    def of(self, kind: type[Any]) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]

    def exchanges(self, unit_id: int = 1) -> list[Any]:
        """Registers of each exchange with a unit, or why there are none."""
        heard = [read_exchange(event.raw) for event in self.of(events.InstrumentMessage)]
        return [e.registers or e.problem for e in heard if e is not None and e.block.unit_id == unit_id]

    async def until(self, condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(60):
            while not condition():  # noqa: ASYNC110
                await asyncio.sleep(0.02)


@contextlib.asynccontextmanager
async def watch(url: str, port: ModbusPort, *registers: Register, **more: Any) -> AsyncIterator[Watched]:
    watched = Watched()
    connection = to_registers(url, port, None, blocks(registers), watched.events.append, **more)
    task = asyncio.create_task(connection.run())
    try:
        yield watched
    finally:
        await connection.stop()
        await task


def test_registers_over_tcp_again_and_again() -> None:
    async def test() -> None:
        transmitter = Transmitter()
        transmitter.put_float(0, 118.25)
        async with tcp_server(transmitter) as url, watch(url, PATIENT, PRESSURE) as watched:
            await watched.until(lambda: len(watched.exchanges()) >= 3)
            assert watched.exchanges()[0] == (0x42EC, 0x8000)
            transmitter.put_float(0, 119.5)
            await watched.until(lambda: watched.exchanges()[-1] == (0x42EF, 0))
            said = watched.of(events.InstrumentMessage)
            assert all(event.understood for event in said)
            assert [event.at_ns for event in said] == sorted(event.at_ns for event in said)
            assert set(transmitter.asked) == {(4, 0, 2)}

    run(test)


def test_an_exception_is_an_answer_with_a_reason() -> None:
    async def test() -> None:
        transmitter = Transmitter()
        transmitter.exception = ExcCodes.DEVICE_BUSY
        async with tcp_server(transmitter) as url, watch(url, PATIENT, PRESSURE) as watched:
            await watched.until(lambda: len(watched.exchanges()) >= 2)
            assert set(watched.exchanges()) == {"unit 1 answers with exception 6: it is busy"}
            assert not watched.of(events.LinkDown)
            transmitter.exception = None
            await watched.until(lambda: watched.exchanges()[-1] == (0, 0))

    run(test)


def test_a_silent_unit_does_not_take_the_others_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(register_stream, "ASK_DEAD_EVERY_S", 1.5)

    async def test() -> None:
        one, two = Transmitter(1), Transmitter(2)
        two.silent = True
        port = replace(QUICK, stale_s=60.0)
        async with tcp_server(one, two) as url, watch(url, port, PRESSURE, OTHER_UNIT) as watched:
            await watched.until(lambda: len(watched.exchanges(2)) >= 4)
            assert set(watched.exchanges(2)) == {"unit 2 does not answer"}
            times = [event.at_ns for event in watched.of(events.InstrumentMessage) if event.raw[0] == 2]
            assert times[3] - times[2] >= 1.5e9, "after three it is left alone for long"
            between = [e for e in watched.of(events.InstrumentMessage) if times[2] < e.at_ns < times[3]]
            assert len(between) >= 3, "and unit 1 is asked meanwhile"
            assert not watched.of(events.Silent)
            two.silent = False
            await watched.until(lambda: watched.exchanges(2)[-1] == (0,))

    run(test)


def test_all_silent_is_told_once_and_the_port_opened_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.link.conversation.REOPEN_AFTER_S", 0.2)

    async def test() -> None:
        transmitter = Transmitter()
        async with tcp_server(transmitter) as url, watch(url, QUICK, PRESSURE) as watched:
            await watched.until(lambda: len(watched.exchanges()) >= 2)
            transmitter.silent = True
            await watched.until(lambda: bool(watched.of(events.LinkDown)))
            lost = watched.of(events.LinkDown)[0]
            assert lost.code == "silent" and lost.reason.startswith("silent for")
            assert len(watched.of(events.Silent)) == 1
            transmitter.silent = False
            await watched.until(lambda: isinstance(watched.exchanges()[-1], tuple))
            assert len(watched.of(events.LinkUp)) == 2

    run(test)


def test_a_transmitter_that_was_switched_off_comes_back() -> None:
    async def test() -> None:
        transmitter = Transmitter()
        async with contextlib.AsyncExitStack() as server:
            url = await server.enter_async_context(tcp_server(transmitter))
            port = int(url.rsplit(":", 1)[1])
            async with watch(url, QUICK, PRESSURE) as watched:
                await watched.until(lambda: len(watched.exchanges()) >= 2)
                await server.aclose()
                await watched.until(lambda: bool(watched.of(events.LinkDown)))
                before = len(watched.exchanges())
                async with tcp_server(transmitter, port=port):
                    await watched.until(lambda: len(watched.exchanges()) >= before + 2)
                assert len(watched.of(events.LinkUp)) == 2

    run(test)


def test_rtu_over_a_serial_line_and_through_a_network_adapter() -> None:
    async def test() -> None:
        one, two = Transmitter(1), Transmitter(2)
        one.put_float(0, -0.5)
        two.registers[4] = 321
        port = ModbusPort("rtu", mode="8N1", poll_s=0.05, timeout_s=10.0, stale_s=60.0)
        async with rtu_server(one, two) as name, watch(name, port, PRESSURE, OTHER_UNIT) as watched:
            await watched.until(lambda: len(watched.exchanges(2)) >= 3)
            assert watched.exchanges(1)[-1] == (0xBF00, 0)
            assert watched.exchanges(2)[-1] == (321,)
        async with tcp_server(one, framer=FramerType.RTU) as url, watch(url, port, PRESSURE) as watched:
            await watched.until(lambda: len(watched.exchanges()) >= 2)
            assert watched.exchanges()[-1] == (0xBF00, 0)

    run(test)


def test_a_late_answer_never_passes_for_another_requests() -> None:
    async def test() -> None:
        transmitter = Transmitter()
        transmitter.registers[0], transmitter.registers[50] = 11, 22
        port = ModbusPort("rtu", mode="8N1", poll_s=0.01, timeout_s=1.0, stale_s=60.0)
        wanted = [Register(1, "input", 0, "uint16"), Register(1, "input", 50, "uint16")]
        async with rtu_server(transmitter) as name, watch(name, port, *wanted) as watched:

            def said(answered: bool) -> int:
                return sum(event.understood is answered for event in watched.of(events.InstrumentMessage))

            for missed in (0, 1):
                answered = said(True)
                await watched.until(lambda n=answered: said(True) > n + 4)  # type: ignore[misc]
                transmitter.delay_s = 1.1  # longer than the time-out, shorter than two
                await watched.until(lambda n=missed: said(False) > n)  # type: ignore[misc]
                transmitter.delay_s = 0.0
            answered = said(True)
            await watched.until(lambda: said(True) > answered + 4)
            heard = [read_exchange(event.raw) for event in watched.of(events.InstrumentMessage)]
            told = {(e.block.address, e.registers) for e in heard if e is not None and e.registers}
            assert told == {(0, (11,)), (50, (22,))}

    run(test)


class LateClient:
    """A serial line whose answers come more than two time-outs late from the given request on, in their order."""

    def __init__(self, late: int) -> None:
        self._late, self._asked, self._owed = late, 0, list[bytes]()

    async def ask(self, block: Block) -> bytes:
        await asyncio.sleep(0.001)
        self._asked += 1
        own = bytes([block.function, 2, 0, block.address])
        if self._asked == self._late:
            self._owed.append(own)
            return b""
        return self._owed.pop() if self._owed else own  # the newest request's own one comes into the pause

    def close(self) -> None: ...


@pytest.mark.parametrize("late", [1, 2, 5])
def test_an_answer_two_time_outs_late_counts_for_no_request(late: int) -> None:
    async def opened(url: str, port: ModbusPort) -> LateClient:
        return LateClient(late)

    async def test() -> None:
        port = ModbusPort("rtu", mode="8N1", poll_s=0.01, timeout_s=0.02, stale_s=60.0)
        wanted = [Register(1, "input", 10, "uint16"), Register(1, "input", 50, "uint16")]
        async with watch("line", port, *wanted, open_client=opened) as watched:
            await watched.until(lambda: len(watched.exchanges()) > 12)
        heard = [read_exchange(event.raw) for event in watched.of(events.InstrumentMessage)]
        assert {(e.block.address, e.registers) for e in heard if e is not None and e.registers} == {
            (10, (10,)), (50, (50,))
        }  # fmt: skip
        assert sum(e is not None and not e.registers for e in heard) == 1

    run(test)


def test_nothing_there_is_a_lost_link() -> None:
    async def test() -> None:
        for url in ("socket://127.0.0.1:1", "/dev/no-such-port"):
            with pytest.raises(LinkLost, match=url):
                await ModbusClient.open(url, QUICK)
        async with watch("/dev/no-such-port", QUICK, PRESSURE) as watched:
            await watched.until(lambda: bool(watched.of(events.LinkDown)))
            await asyncio.sleep(1.2)
            assert len(watched.of(events.LinkDown)) == 1  # told once, tried more than once

    run(test)


class TermiosError(Exception):
    """termios.error (not there on Windows), which is no OSError: of a port that takes no parity, or was unplugged."""


def test_a_port_that_does_not_take_its_settings_is_a_lost_link(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(url: str, **settings: Any) -> None:
        raise TermiosError(errno.EINVAL, "Invalid argument")

    monkeypatch.setattr(serial, "serial_for_url", refuse)

    async def test() -> None:
        async with watch("/dev/ttyUSB7", QUICK, PRESSURE) as watched:
            await watched.until(lambda: bool(watched.of(events.LinkDown)))
            assert "are baud and mode (data bits, parity, stop bits) right" in watched.of(events.LinkDown)[0].reason

    run(test)


def test_closing_never_raises() -> None:
    class Unplugged:
        def close(self) -> None:
            raise TermiosError(errno.EIO, "Input/output error")

    ModbusClient("/dev/ttyUSB7", Unplugged()).close()


def test_without_pymodbus_the_message_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    find = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "pymodbus" else find(name))
    with pytest.raises(ModbusMissing, match="pipx inject rimelog pymodbus"):
        need_pymodbus()


def test_a_block_is_asked_as_it_is_stored() -> None:
    async def test() -> None:
        transmitter = Transmitter()
        async with tcp_server(transmitter) as url:
            client = await ModbusClient.open(url, QUICK)
            assert await client.ask(Block(1, 3, 7, 3)) == bytes([3, 6]) + bytes(6)
            client.close()
            client.close()
            with pytest.raises(LinkLost):
                await client.ask(Block(1, 3, 7, 3))

    run(test)
