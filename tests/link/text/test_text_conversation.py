"""Text instruments on real ports: heard, lost in every way, and back again."""

import asyncio
import contextlib
import itertools
from collections.abc import AsyncIterator, Callable, Coroutine
from typing import Any

import pytest

from logger.decode.instrument_model import TextDevice
from logger.link import link_events as events
from logger.link.connect import to_text
from logger.model.instrument import TEXT, LineField, Stated, TextPort
from logger.model.rig import RigChannel, RigDevice
from tests.link.text.bench import TextInstrument, on_pty, on_tcp

QUICK = TextPort(stale_s=0.4)
PATIENT = TextPort(stale_s=60.0)


def run(test: Callable[[], Coroutine[object, object, None]]) -> None:
    asyncio.run(asyncio.wait_for(test(), 150))


def counting() -> TextInstrument:
    numbers = itertools.count(1)
    return TextInstrument(lambda: b"W %7.2f kg S\r\n" % (next(numbers) / 100))


class Watched:
    def __init__(self) -> None:
        self.events: list[events.LinkEvent] = []

    def of(self, kind: type[Any]) -> list[Any]:
        return [event for event in self.events if isinstance(event, kind)]

    @property
    def lines(self) -> list[bytes]:
        return [event.raw for event in self.of(events.InstrumentMessage) if event.understood]

    async def until(self, condition: Callable[[], bool]) -> None:
        async with asyncio.timeout(60):
            while not condition():  # noqa: ASYNC110
                await asyncio.sleep(0.02)

    async def more(self, count: int = 3) -> None:
        before = len(self.lines)
        await self.until(lambda: len(self.lines) >= before + count)


def model(port: TextPort) -> TextDevice:
    field = LineField(r"W +(?P<value>[0-9.]+) kg S")
    channel = RigChannel(0, "cylinder_mass", stated=Stated("kg", 0.01), source=field)
    return TextDevice(RigDevice("scale", None, channels=(channel,), kind=TEXT, port=port))


@contextlib.asynccontextmanager
async def watch(url: str, port: TextPort = QUICK) -> AsyncIterator[Watched]:
    watched = Watched()
    connection = to_text(url, port, model(port), watched.events.append)
    task = asyncio.create_task(connection.run())
    try:
        yield watched
    finally:
        await connection.stop()
        await task


@pytest.mark.parametrize("place", [on_tcp, on_pty])
def test_every_line_in_order_with_its_time(
    place: Callable[[TextInstrument], contextlib.AbstractAsyncContextManager[str]],
) -> None:
    async def test() -> None:
        async with place(counting()) as url, watch(url, PATIENT) as watched:
            await watched.more(8)
            numbers = [round(float(line[1:9]) * 100) for line in watched.lines]
            assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
            times = [event.at_ns for event in watched.of(events.InstrumentMessage)]
            assert times == sorted(times) and times[-1] - times[0] > 0.2e9
            assert not watched.of(events.LinkDown) and not watched.of(events.Silent)

    run(test)


def test_an_instrument_that_speaks_when_asked() -> None:
    async def test() -> None:
        instrument = TextInstrument(lambda: b"W 1.00 kg S\r\n", poll=b"P\r\n")
        port = TextPort(poll="P\r\n", poll_s=0.1, stale_s=60.0)
        loop = asyncio.get_running_loop()
        begun = loop.time()
        async with on_pty(instrument) as name, watch(name, port) as watched:
            await watched.until(lambda: instrument.asked >= 6)
            assert instrument.asked <= (loop.time() - begun) / port.poll_s + 2
            await watched.until(lambda: len(watched.lines) >= 6)  # the first answer is whole, so it counts

    run(test)


def test_what_no_pattern_fits_is_kept_and_told_but_is_no_sign_of_life() -> None:
    async def test() -> None:
        instrument = counting()
        async with on_tcp(instrument) as url, watch(url) as watched:
            await watched.more()
            instrument.line = lambda: b"ERR 7\r\n"
            await watched.until(lambda: bool(watched.of(events.Silent)))
            bad = watched.of(events.BadFrameSeen)
            assert {(event.raw, event.reason) for event in bad} == {(b"ERR 7", "no pattern fits this line")}
            kept = [e.raw for e in watched.of(events.InstrumentMessage) if not e.understood]
            assert kept.count(b"ERR 7") == len(bad) >= 3
            instrument.line = counting().line
            await watched.more()
            assert not watched.of(events.LinkDown)

    run(test)


def test_silence_is_told_once_then_the_port_is_opened_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.link.conversation.REOPEN_AFTER_S", 0.2)

    async def test() -> None:
        instrument = counting()
        async with on_tcp(instrument) as url, watch(url) as watched:
            await watched.more()
            instrument.silent = True
            await watched.until(lambda: bool(watched.of(events.LinkDown)))
            assert len(watched.of(events.Silent)) == 1
            opened = instrument.opened
            await watched.until(lambda: instrument.opened > opened + 1)  # and found silent again: that is no news
            assert len(watched.of(events.Silent)) == 1 and len(watched.of(events.LinkDown)) == 1
            instrument.silent = False
            await watched.more()

    run(test)


def test_a_network_adapter_that_restarts() -> None:
    async def test() -> None:
        async with contextlib.AsyncExitStack() as adapter:
            url = await adapter.enter_async_context(on_tcp(counting()))
            async with watch(url) as watched:
                await watched.more()
                await adapter.aclose()
                await watched.until(lambda: bool(watched.of(events.LinkDown)))
                async with on_tcp(counting(), port=int(url.rsplit(":", 1)[1])):
                    await watched.more()
                    assert len(watched.of(events.LinkUp)) == 2

    run(test)


def test_a_pulled_cable_and_a_port_that_is_not_there_are_told_once() -> None:
    async def test() -> None:
        async with contextlib.AsyncExitStack() as cable:
            name = await cable.enter_async_context(on_pty(counting()))
            async with watch(name) as watched:
                await watched.more()
                await cable.aclose()
                await watched.until(lambda: len(watched.of(events.LinkDown)) == 2)  # lost, then not there
                await asyncio.sleep(0.6)
                assert len(watched.of(events.LinkDown)) == 2

    run(test)


def test_a_flood_is_bounded() -> None:
    async def test() -> None:
        instrument = TextInstrument(lambda: b"W 1.00 kg S\r\n" * 500, period_s=0.02)
        async with on_tcp(instrument) as url, watch(url) as watched:
            loop = asyncio.get_running_loop()
            begun = loop.time()
            await watched.until(lambda: bool(watched.of(events.TooManyFrames)) and len(watched.lines) > 120)
            seconds = loop.time() - begun
            assert len(watched.lines) <= 100 + 50 * (seconds + 1)  # twice the rate at once, then 50 a second
            assert len(watched.of(events.TooManyFrames)) <= 1 + seconds

    run(test)
