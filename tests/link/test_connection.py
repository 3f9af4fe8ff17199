"""Connections on real ports with a device behind them: losing it in every way, and getting it back."""

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Coroutine
from dataclasses import replace
from itertools import pairwise
from typing import Any, TypeVar

import pytest

from firmware_protocol.framing import encode_frame
from firmware_protocol.messages import Accepted, DeviceMessage, ErrorMessage, Status, encode_message
from firmware_protocol.requests import Permit, Request, RequestStatus, SetPeriod
from logger.link import connection, device_search
from logger.link import link_events as events
from logger.link.claims import Claims
from logger.link.connect import to_device
from logger.link.discovery import find, serial_ports
from logger.link.errors import LinkLost
from logger.link.opening import open_stream
from logger.link.ports.stream import StreamLink
from logger.link.session.session import Settings
from tests.link.fake_device import DEVICE_ID, FakeDevice, reading
from tests.link.proxy import PtyBench, TcpBench

T = TypeVar("T")
QUICK = Settings(shortest_silence_s=0.5, longest_silence_s=1.0, no_answer_s=1.0, time_mark_s=0.5)
PATIENT = Settings(shortest_silence_s=30.0, longest_silence_s=30.0, no_answer_s=30.0, time_mark_s=0.5)


def run(test: Callable[[], Coroutine[object, object, None]]) -> None:
    asyncio.run(asyncio.wait_for(test(), 150))


def fast_device(**options: Any) -> FakeDevice:
    device = FakeDevice(period_ms=10, **options)
    device.status_every_ns //= 5
    return device


class Watched:
    """A connection and everything it told."""

    def __init__(self, url: str | None, expected: bytes | None = None, **options: Any) -> None:
        self.events: list[events.LinkEvent] = []
        options.setdefault("settings", QUICK)
        self.connection = to_device(url, expected, self.events.append, **options)
        self.session = self.connection.conversation

    def of(self, kind: type[T]) -> list[T]:
        return [event for event in self.events if isinstance(event, kind)]

    def sequences(self) -> list[int]:
        delivered = self.of(events.SamplesReceived)
        for event in delivered:
            sequence = event.samples.sequence
            assert event.readings == [(i, reading(sequence, i)) for i in range(3)]
        return [event.samples.sequence for event in delivered]

    async def until(self, condition: Callable[[], bool], timeout_s: float = 60.0) -> None:
        async with asyncio.timeout(timeout_s):
            while not condition():  # noqa: ASYNC110
                await asyncio.sleep(0.02)

    async def streaming(self, more: int = 5) -> None:
        """Until `more` live samples have come from now on."""
        before = len(self.of(events.SamplesReceived))
        await self.until(lambda: self.session.live and len(self.of(events.SamplesReceived)) >= before + more)

    async def ask(self, request: Request) -> DeviceMessage | None:
        """The device's reply; None where it was asked in vain."""
        ticket = self.session.request(request)
        answers: list[events.Replied | events.NoReply] = []

        def answered() -> bool:
            told: list[events.Replied | events.NoReply] = [*self.of(events.Replied), *self.of(events.NoReply)]
            answers.extend(event for event in told if event.ticket == ticket)
            return bool(answers)

        await self.until(answered)
        return answers[0].reply if isinstance(answers[0], events.Replied) else None

    async def complete(self, device: FakeDevice, first: int = 0) -> None:
        """Until all the device ever made has come, each once."""
        await self.until(lambda: self.session.missing == 0 and self.sequences()[-1] >= device.sequence - 3)
        numbers = self.sequences()
        assert sorted(numbers) == list(range(first, max(numbers) + 1))


@contextlib.asynccontextmanager
async def watch(url: str | None, expected: bytes | None = None, **options: Any) -> AsyncIterator[Watched]:
    watched = Watched(url, expected, **options)
    task = asyncio.create_task(watched.connection.run())
    try:
        yield watched
    finally:
        await watched.connection.stop()
        await task


@pytest.mark.parametrize("bench_class", [PtyBench, TcpBench])
def test_streams_over_a_real_port(bench_class: type[PtyBench] | type[TcpBench]) -> None:
    async def test() -> None:
        async with bench_class(fast_device()) as bench, watch(bench.url, DEVICE_ID, settings=PATIENT) as watched:
            await watched.streaming(50)
            await watched.complete(bench.device)
            assert watched.of(events.LinkUp)[0].url == bench.url
            assert watched.of(events.TimeMarked)
            times = [event.at_ns for event in watched.of(events.SamplesReceived)]
            assert times == sorted(times)
            assert not watched.of(events.LinkDown)

    run(test)


def test_unplug_and_replug_under_another_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """Found by its id among ports of which one is silent and one belongs to another device."""
    monkeypatch.setattr(device_search, "SEARCH_S", 0.8)

    async def test() -> None:
        ports: list[str] = []
        other = FakeDevice(b"another!")
        async with (
            PtyBench(fast_device()) as bench,
            PtyBench(other) as other_bench,
            PtyBench(FakeDevice()) as silent,
            watch(bench.url, None, search_ports=lambda: ports) as watched,
        ):
            silent.device.mute = True
            ports += [silent.url, other_bench.url]
            await watched.streaming()
            old = bench.url
            bench.unplug()
            await watched.until(lambda: bool(watched.of(events.LinkDown)))
            await asyncio.sleep(0.2)
            filler = PtyBench(FakeDevice())
            filler.plug_in()  # takes the old name
            ports.append(bench.plug_in())
            assert bench.url != old
            await watched.streaming()
            await watched.complete(bench.device)
            assert watched.connection.url == bench.url
            assert not watched.of(events.Rebooted)
            assert any(event.backfilled for event in watched.of(events.SamplesReceived))
            filler.unplug()

    run(test)


def test_without_leave_to_search_other_ports_are_left_alone() -> None:
    async def test() -> None:
        opened: list[str] = []

        async def opening(url: str, baudrate: int) -> StreamLink:
            opened.append(url)
            return await open_stream(url, baudrate)

        async with PtyBench(fast_device()) as bench, watch(bench.url, open_stream=opening) as watched:
            await watched.streaming()
            configured = bench.url
            bench.unplug()
            await watched.until(lambda: len(opened) == 3)
            assert set(opened) == {configured}
            assert not watched.session.live

    run(test)


def test_a_device_known_by_its_id_only() -> None:
    async def test() -> None:
        async with PtyBench(FakeDevice(b"another!")) as one, PtyBench(fast_device()) as two:
            async with watch(None, DEVICE_ID, search_ports=lambda: [one.url, two.url]) as watched:
                await watched.streaming()
                assert watched.connection.url == two.url
            with pytest.raises(ValueError, match="device id"):
                to_device(None, None, print)

    run(test)


def test_a_connection_closed_by_the_device_comes_back_with_what_was_missed() -> None:
    async def test() -> None:
        async with TcpBench(fast_device()) as bench, watch(bench.url, settings=PATIENT) as watched:
            for _ in range(2):
                await watched.streaming(20)
                bench.hang_up()
            await watched.streaming(20)
            await watched.complete(bench.device)
            assert bench.connections == 3
            assert len(watched.of(events.LinkDown)) == 2
            assert all(event.retry_s == 0.5 for event in watched.of(events.LinkDown))

    run(test)


def test_a_half_open_connection_is_noticed_and_replaced() -> None:
    """The socket stays open and takes bytes, but nothing comes any more."""

    async def test() -> None:
        async with TcpBench(fast_device()) as bench, watch(bench.url) as watched:
            await watched.streaming(20)
            bench.to_host.silent = True
            await watched.until(lambda: bool(watched.of(events.LinkDown)))
            assert watched.of(events.Silent)
            lost = watched.of(events.LinkDown)[0]
            assert (lost.code, lost.reason) == ("no-answer", "no answer")
            bench.to_host.silent = False
            await watched.streaming(20)
            await watched.complete(bench.device)

    run(test)


def test_one_that_stops_inside_a_frame() -> None:
    async def test() -> None:
        async with PtyBench(fast_device()) as bench, watch(bench.url) as watched:
            await watched.streaming(20)
            bench.to_host.cut_after = 33
            await watched.until(lambda: bool(watched.of(events.LinkDown)))
            bench.to_host.cut_after = None
            await watched.streaming(20)
            await watched.complete(bench.device)

    run(test)


def test_a_reboot_with_boot_text_on_a_real_port() -> None:
    async def test() -> None:
        device = fast_device(boot_text=b"\xf0\x00\x1cboot v2 \xff" * 9)
        async with PtyBench(device) as bench, watch(bench.url, settings=PATIENT) as watched:
            await watched.streaming(20)
            device.boot(bench.now_ns())
            await watched.until(lambda: bool(watched.of(events.Rebooted)))
            await watched.streaming(20)
            assert not watched.of(events.LinkDown)
            assert watched.of(events.BadFrameSeen)

    run(test)


def test_noise_on_a_real_port() -> None:
    """1 % of bytes flipped and 1 % dropped, both ways, for some seconds: all comes in the end, none is wrong."""

    async def test() -> None:
        device = FakeDevice(period_ms=20)
        async with PtyBench(device) as bench, watch(bench.url) as watched:
            await watched.streaming()
            for faults in (bench.to_host, bench.to_device):
                faults.flip = faults.drop = 0.01
            await asyncio.sleep(2)
            for faults in (bench.to_host, bench.to_device):
                faults.flip = faults.drop = 0
            await watched.streaming()
            await watched.complete(device)
            assert sum(watched.session.decoder.bad_frames.values()) > 20
            assert not watched.of(events.GapLost)

    run(test)


def test_a_claimed_id_is_never_taken_over() -> None:
    """Also not while its own link is down; and what stood there wrongly is forgotten when it is gone."""
    claims, one, two = Claims(), object(), object()
    assert claims.claim(b"scale", "/dev/one", one) is None
    assert claims.claim(b"scale", "/dev/two", two) == "/dev/one"
    claims.release("/dev/one")
    assert claims.urls() == set()
    assert claims.claim(b"scale", "/dev/two", two) == ""
    assert claims.claim(b"scale", "/dev/three", one) is None  # where its own device has moved to
    assert claims.reserve(b"vacuum", two)
    assert claims.claim(b"vacuum", "/dev/one", one) == "", "what a rig file gives to one, before it was ever heard"

    async def test() -> None:
        owner, held = object(), Claims()
        held.reserve(DEVICE_ID, owner)
        async with PtyBench(fast_device()) as bench, watch(bench.url, claims=held) as watched:
            await watched.until(lambda: bool(watched.of(events.DeviceRefused)))
            assert not watched.of(events.HelloReceived)
            bench.device.device_id = b"12345678"  # the right one in its place
            await watched.streaming()

    run(test)


def test_two_devices_with_the_same_id_are_told() -> None:
    async def test() -> None:
        claims = Claims()
        async with (
            PtyBench(fast_device()) as one,
            PtyBench(fast_device()) as two,
            watch(one.url, claims=claims, settings=PATIENT) as first,
        ):
            await first.streaming()
            async with watch(two.url, claims=claims) as second:
                await second.until(lambda: bool(second.of(events.LinkDown)))
                refused = second.of(events.DeviceRefused)[0]
                assert f"in use at {one.url}: two devices share it" in refused.reason
                assert refused.code == "shared-id" == second.of(events.LinkDown)[0].code
                assert not second.of(events.SamplesReceived)
                await first.streaming()
            assert not first.of(events.LinkDown)
            await first.connection.stop()
            found = await find(30.0, [one.url, two.url], ports=[])
            assert [f.problem for f in found] == [
                f"device id {DEVICE_ID.hex()} also answers at {two.url}",
                f"device id {DEVICE_ID.hex()} also answers at {one.url}",
            ]

    run(test)


@pytest.mark.parametrize("flood", [b"\x05\x01\x01\x00", encode_frame(encode_message(Status(0, 1, 1, 1, 1, 1, 1, 1)))])
def test_a_device_that_talks_too_much_does_not_take_the_day(flood: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """Garbage or good frames as fast as the socket takes them: told, bounded, and the loop stays alive."""
    most_per_s = connection.MAX_BYTES_PER_S // 10  # a busy machine must be able to read more than that
    monkeypatch.setattr(connection, "MAX_BYTES_PER_S", most_per_s)

    async def test() -> None:
        async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            with contextlib.suppress(OSError):
                while True:
                    writer.write(flood * 1000)
                    await writer.drain()

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        url = f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}"
        async with watch(url, settings=replace(QUICK, no_answer_s=30)) as watched:
            slowest, loop = 0.0, asyncio.get_running_loop()
            begun = loop.time()
            while not watched.of(events.TooManyFrames) or loop.time() - begun < 0.75:
                begin = loop.time()
                await asyncio.sleep(0.05)
                slowest = max(slowest, loop.time() - begin)
            seconds = loop.time() - begun
            assert watched.session.decoder.bytes_in < (4 + seconds) * most_per_s
            assert len(watched.events) < 6000 + 2000 * seconds
            assert slowest < 20, "the loop was never taken"
        server.close()

    run(test)


def test_requests_through_the_connection() -> None:
    async def test() -> None:
        async with TcpBench(fast_device()) as bench, watch(bench.url) as watched:
            await watched.streaming()
            assert isinstance(await watched.ask(RequestStatus(0)), Status)
            assert isinstance(await watched.ask(SetPeriod(0, 20)), Accepted)
            await watched.streaming()
            refused = await watched.ask(Permit(0, 0, 1, 3000, 1, 1))
            assert isinstance(refused, ErrorMessage) and refused.code == 5
            bench.to_device.silent = True
            assert await watched.ask(RequestStatus(0)) is None
            bench.to_device.silent = False
            await watched.streaming()
            assert isinstance(await watched.ask(RequestStatus(0)), Status)

    run(test)


def test_a_port_that_is_not_there_is_told_once_and_tried_ever_more_slowly(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert (connection.FIRST_RETRY_S, connection.MAX_RETRY_S) == (0.5, 15.0)
    monkeypatch.setattr(connection, "FIRST_RETRY_S", 0.1)
    monkeypatch.setattr(connection, "MAX_RETRY_S", 0.4)

    async def test() -> None:
        tried: list[float] = []

        async def never(url: str, _: int) -> Any:
            tried.append(asyncio.get_running_loop().time())
            raise LinkLost("no-port", f"{url}: no such port")

        async with watch("/dev/absent", open_stream=never) as watched:
            await watched.until(lambda: len(tried) == 6)
        pauses = [b - a for a, b in pairwise(tried)]
        assert all(p - 0.01 < pause < p + 1 for p, pause in zip((0.1, 0.2, 0.4, 0.4, 0.4), pauses, strict=True))
        assert [(e.code, e.reason) for e in watched.of(events.LinkDown)] == [("no-port", "/dev/absent: no such port")]

    run(test)


def test_a_port_silent_for_hours_is_told_once_and_comes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hours of silence, shortened: some twenty attempts make two events, and the next hello ends it."""
    monkeypatch.setattr(connection, "FIRST_RETRY_S", 0.02)
    monkeypatch.setattr(connection, "MAX_RETRY_S", 0.02)

    async def test() -> None:
        attempts = 0

        async def opening(url: str, baudrate: int) -> StreamLink:
            nonlocal attempts
            attempts += 1
            return await open_stream(url, baudrate)

        quick = replace(QUICK, no_answer_s=0.05)
        async with TcpBench(fast_device()) as bench:
            bench.device.mute = True
            async with watch(bench.url, settings=quick, open_stream=opening) as watched:
                await watched.until(lambda: attempts >= 8)
                assert [type(event) for event in watched.events] == [events.LinkUp, events.LinkDown]
                bench.device.mute = False
                await watched.streaming()

    run(test)


def test_what_the_listener_raises_ends_the_run_and_closes_the_port() -> None:
    async def test() -> None:
        def listener(event: events.LinkEvent) -> None:
            if isinstance(event, events.Described):
                raise RuntimeError("full")

        async with PtyBench(fast_device()) as bench:
            link = to_device(bench.url, None, listener)
            with pytest.raises(RuntimeError, match="full"):
                await link.run()
            await link.stop()
            async with watch(bench.url) as watched:  # the port is free again
                await watched.streaming()

    run(test)


def test_find_tells_who_is_where() -> None:
    async def test() -> None:
        async with (
            PtyBench(FakeDevice(boot_text=b"ready.\r\n")) as one,
            TcpBench(FakeDevice(b"another!")) as two,
            PtyBench(FakeDevice()) as silent,
        ):
            silent.device.mute = True
            found = await find(3.0, [two.url, two.url], ports=[one.url, silent.url, "/dev/no-such"])
            assert [f.url for f in found] == [two.url, one.url, silent.url, "/dev/no-such"]
            assert [f.hello.device_id if f.hello else None for f in found] == [b"another!", DEVICE_ID, None, None]
            assert [f.problem is None for f in found] == [True, True, False, False]
            assert found[2].problem == "no answer"
            assert "no-such" in (found[3].problem or "")

    run(test)


def test_the_ports_of_this_machine_can_be_listed() -> None:
    assert all(isinstance(name, str) for name in serial_ports())
