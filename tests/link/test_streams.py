"""Serial and TCP links on real pseudo-terminals and sockets: bytes both ways, and every way of losing them."""

import asyncio
import errno
import os
import socket
import threading
import time
import tty
from collections.abc import Callable, Coroutine

import pytest
from serial import SerialException

from logger.link.errors import LinkLost, in_words
from logger.link.opening import open_stream
from logger.link.ports import serial_stream, tcp_stream
from logger.link.ports.serial_stream import BUFFER_BYTES, SerialLink
from logger.link.ports.tcp_stream import TcpLink


def run(test: Callable[[], Coroutine[object, object, None]]) -> None:
    asyncio.run(asyncio.wait_for(test(), 120))


def pty() -> tuple[int, str]:
    master, slave = os.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    os.close(slave)
    return master, name


def reader_threads() -> list[str]:
    return [thread.name for thread in threading.enumerate() if thread.name.startswith("read ")]


async def read_until(link: SerialLink | TcpLink, count: int) -> bytes:
    data = b""
    while len(data) < count:
        data += (await link.read())[0]
    return data


# -- serial


@pytest.fixture(params=["by the loop", "by a thread"])
def _either_way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """As on POSIX, and as on Windows."""
    if request.param == "by a thread":
        monkeypatch.setattr(serial_stream, "_fd_for_loop", lambda port: None)


class _NoWaiting(asyncio.SelectorEventLoop):
    """As a system whose loop cannot wait for a port."""

    def add_reader(self, fd: object, callback: object, *args: object) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")


def test_a_port_that_the_loop_cannot_wait_for_is_read_by_a_thread() -> None:
    async def test() -> None:
        master, name = pty()
        link = await SerialLink.open(name)
        os.write(master, b"read all the same")
        assert await read_until(link, 17) == b"read all the same"
        assert reader_threads() == [f"read {name}"]
        await link.close()
        os.close(master)

    with asyncio.Runner(loop_factory=_NoWaiting) as runner:
        runner.run(asyncio.wait_for(test(), 120))


either_way = pytest.mark.usefixtures("_either_way")


@either_way
def test_serial_bytes_both_ways_with_their_time() -> None:
    async def test() -> None:
        master, name = pty()
        link = await open_stream(name)
        assert isinstance(link, SerialLink)
        before = time.monotonic_ns()
        os.write(master, b"\x00\xff\x11\x13hello")
        data, at_ns = await link.read()
        assert data == b"\x00\xff\x11\x13hello"
        assert before <= at_ns <= time.monotonic_ns()
        await link.write(b"\x00\x03\x04\x1a\r\n")
        assert os.read(master, 100) == b"\x00\x03\x04\x1a\r\n"
        await link.close()
        os.close(master)
        assert not reader_threads()

    run(test)


@either_way
def test_the_time_is_that_of_arrival_not_of_reading() -> None:
    async def test() -> None:
        master, name = pty()
        link = await SerialLink.open(name)
        os.write(master, b"early")
        while link._arrived.empty():  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        there_ns = time.monotonic_ns()
        await asyncio.sleep(0.01)
        _, at_ns = await link.read()
        assert at_ns <= there_ns
        await link.close()
        os.close(master)

    run(test)


@either_way
def test_an_unplug_is_told_at_once_and_after_the_last_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_stream, "READ_TIMEOUT_S", 60.0)

    async def test() -> None:
        for _ in range(20):
            master, name = pty()
            link = await SerialLink.open(name)
            os.write(master, b"last words")
            assert await read_until(link, 10) == b"last words"
            os.close(master)
            begin = time.monotonic()
            with pytest.raises(LinkLost, match=name):
                await link.read()
            assert time.monotonic() - begin < 10
            with pytest.raises(LinkLost):  # and again, to whoever asks
                await link.read()
            with pytest.raises(LinkLost):
                await link.write(b"x")
            await link.close()
            await link.close()
        assert not reader_threads()

    run(test)


@either_way
def test_a_port_is_opened_once_only() -> None:
    async def test() -> None:
        master, name = pty()
        link = await SerialLink.open(name)
        with pytest.raises(LinkLost, match="another program has it open"):
            await SerialLink.open(name)
        await link.close()
        again = await SerialLink.open(name)
        await again.close()
        os.close(master)

    run(test)


@pytest.mark.parametrize("url", ["/dev/no-such-port", "COM77", "nonsense://x", "socket://", "socket://host:port"])
def test_what_cannot_be_opened(url: str) -> None:
    async def test() -> None:
        with pytest.raises(LinkLost, match=url):
            await open_stream(url)

    run(test)


@either_way
def test_closing_wakes_a_waiting_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_stream, "READ_TIMEOUT_S", 60.0)

    async def test() -> None:
        master, name = pty()
        link = await SerialLink.open(name)
        reading = asyncio.create_task(link.read())
        await asyncio.sleep(0.05)
        begin = time.monotonic()
        await link.close()
        with pytest.raises(LinkLost, match="closed"):
            await reading
        assert time.monotonic() - begin < 20  # no wait for the read's own time-out
        os.close(master)

    run(test)


@either_way
def test_a_stuck_write_ends_as_a_lost_link(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_stream, "WRITE_TIMEOUT_S", 0.2)

    async def test() -> None:
        master, name = pty()
        link = await SerialLink.open(name)
        with pytest.raises(LinkLost, match=r"[Tt]imeout"):
            await link.write(bytes(100_000))  # nobody reads the other end
        await link.close()
        os.close(master)

    run(test)


@either_way
def test_a_slow_program_does_not_fill_the_memory() -> None:
    async def test() -> None:
        master, name = pty()
        os.set_blocking(master, False)
        link = await SerialLink.open(name)
        written = 0
        quiet = 0
        while link._buffered <= BUFFER_BYTES or quiet < 20:
            try:
                written += os.write(master, bytes(4096))
                quiet = 0
            except BlockingIOError:
                quiet += 1
                await asyncio.sleep(0.01)
            assert written < BUFFER_BYTES + 200_000
        assert await read_until(link, BUFFER_BYTES)
        await link.close()
        os.close(master)

    run(test)


# -- TCP


def test_tcp_bytes_both_ways_and_the_end() -> None:
    async def test() -> None:
        async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writer.write((await reader.readexactly(3))[::-1])
            await writer.drain()
            writer.close()

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        link = await open_stream(f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}")
        assert isinstance(link, TcpLink)
        before = time.monotonic_ns()
        await link.write(b"abc")
        data, at_ns = await link.read()
        assert data == b"cba"
        assert before <= at_ns <= time.monotonic_ns()
        with pytest.raises(LinkLost, match="closed by the other side"):
            await link.read()
        await link.close()
        await link.close()
        server.close()

    run(test)


def test_tcp_refused() -> None:
    async def test() -> None:
        server = await asyncio.start_server(lambda _, w: w.close(), "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        server.close()
        await server.wait_closed()
        with pytest.raises(LinkLost, match=f"{port}: nothing listens there"):
            await open_stream(f"socket://127.0.0.1:{port}")

    run(test)


@pytest.mark.parametrize(
    ("error", "words", "code"),
    [
        (SerialException(2, "could not open port /dev/x: [Errno 2] No such file or directory"),
         "no such port", "no-port"),
        (SerialException(13, "could not open port /dev/x: [Errno 13] Permission denied: '/dev/x'"),
         "often dialout", "no-permission"),
        (SerialException("Could not exclusively lock port /dev/x: [Errno 11] Resource temporarily unavailable"),
         "another program has it open", "busy"),
        (SerialException("Could not configure port: (25, 'Inappropriate ioctl for device')"),
         "no serial port", "not-serial"),
        (SerialException("read failed: [Errno 5] Input/output error"), "unplugged", "unplugged"),
        (socket.gaierror(-2, "Name or service not known"), "no computer of that name", "no-such-name"),
        (ValueError("invalid URL, protocol 'x' not known"), "protocol 'x' not known", "system"),
        (TypeError(), "TypeError", "system"),
    ],
)  # fmt: skip
def test_what_the_system_says_is_told_in_words(error: Exception, words: str, code: str) -> None:
    found, said = in_words(error)
    assert words in said and "Errno" not in said and found == code


def test_tcp_peer_that_takes_no_bytes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tcp_stream, "WRITE_TIMEOUT_S", 0.2)

    async def test() -> None:
        async def serve(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            writer.transport.pause_reading()  # type: ignore[attr-defined]
            await over.wait()
            writer.transport.abort()

        over = asyncio.Event()

        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        link = await open_stream(f"socket://127.0.0.1:{server.sockets[0].getsockname()[1]}")
        with pytest.raises(LinkLost, match="takes no bytes"):
            for _ in range(100):
                await link.write(bytes(1 << 20))
        begin = time.monotonic()
        await link.close()
        assert time.monotonic() - begin < 10
        over.set()
        server.close()

    run(test)
