"""Served on real sockets and pseudo-terminals, steered, and run as a program."""

import asyncio
import contextlib
import json
import os
import select
import socket
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from firmware_protocol.framing import Frame, FrameDecoder, encode_frame
from firmware_protocol.messages import DeviceMessage, Hello, Message, Samples, decode_payload, encode_message
from firmware_protocol.requests import RequestHello, Start
from sim_device.control import Control, serve_control
from sim_device.errors import BadSetting
from sim_device.rig import Rig, UnknownDevice, rig_toml
from sim_device.serve import PtyServer, RigServer, TcpServer
from sim_device.sim_clock import SimClock
from tests.sim_device.host import Talk, device

NO_PTY = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")


def _wire(*messages: Message) -> bytes:
    return b"".join(encode_frame(encode_message(m)) for m in messages)


class _Messages:
    def __init__(self) -> None:
        self._decoder = FrameDecoder()
        self.got: list[DeviceMessage] = []
        self.bad = 0

    def take(self, data: bytes) -> None:
        for block in self._decoder.feed(data):
            if isinstance(block, Frame):
                self.got.append(decode_payload(block.payload))  # type: ignore[arg-type]
            else:
                self.bad += 1

    def of(self, kind: type[Any]) -> list[Any]:
        return [m for m in self.got if isinstance(m, kind)]


async def _until(reader: asyncio.StreamReader, messages: _Messages, enough: Callable[[], bool]) -> None:
    async with asyncio.timeout(60):
        while not enough():
            data = await reader.read(4096)
            if not data:
                raise ConnectionError("closed")
            messages.take(data)


def _address(url: str) -> tuple[str, int]:
    host, port = url.removeprefix("socket://").split(":")
    return host, int(port)


def test_tcp_talks_faster_than_real_time_and_takes_the_newest_host() -> None:
    async def main() -> None:
        rig = Rig("recovery", 1, only=("scale",))
        async with RigServer(rig, SimClock(100.0)) as served:
            assert served.urls["scale"].startswith("socket://127.0.0.1:")
            reader, writer = await asyncio.open_connection(*_address(served.urls["scale"]))
            messages = _Messages()
            began = time.monotonic()
            writer.write(_wire(RequestHello(1), Start(2)))
            await _until(reader, messages, lambda: len(messages.of(Samples)) >= 300)  # 60 s of plant time
            assert time.monotonic() - began < 50.0
            assert any(h.request_id == 1 for h in messages.of(Hello))
            assert messages.bad == 0
            other_reader, other_writer = await asyncio.open_connection(*_address(served.urls["scale"]))
            with pytest.raises(ConnectionError):  # the first host is cut off
                await _until(reader, messages, lambda: False)
            again = _Messages()
            await _until(other_reader, again, lambda: len(again.of(Samples)) >= 5)  # it streams on
            for w in (writer, other_writer):
                w.close()
            server = served.servers["scale"]
            assert isinstance(server, TcpServer)
            server.disconnect()
            assert served.failed is None

    asyncio.run(main())


def test_garbage_before_the_first_frame_is_survived() -> None:
    async def main() -> None:
        rig = Rig("recovery", 1, only=("scale",))
        Control(rig, clock := SimClock(10.0)).fault("garbage", "scale")
        async with RigServer(rig, clock) as served:
            reader, writer = await asyncio.open_connection(*_address(served.urls["scale"]))
            messages = _Messages()
            writer.write(_wire(RequestHello(5)))
            await _until(reader, messages, lambda: any(h.request_id == 5 for h in messages.of(Hello)))
            assert messages.bad > 0
            writer.close()

    asyncio.run(main())


@NO_PTY
def test_pty_talks_unplugs_and_comes_back() -> None:
    async def main() -> None:
        rig = Rig("recovery", 1, only=("scale",))
        async with RigServer(rig, SimClock(20.0), link="pty") as served:
            server = served.servers["scale"]
            assert isinstance(server, PtyServer)
            messages = _Messages()
            await asyncio.to_thread(_talk_pty, server.url, messages, 50)
            assert len(messages.of(Samples)) >= 50
            assert messages.bad == 0
            fd = os.open(server.url, os.O_RDWR | os.O_NOCTTY)
            server.unplug()
            with contextlib.suppress(OSError):  # EIO or end of file, as the system likes it
                assert await asyncio.to_thread(_drain, fd) == b""
            os.close(fd)
            server.replug()
            await asyncio.to_thread(_talk_pty, server.url, messages, 100)

    asyncio.run(main())


def _talk_pty(url: str, messages: _Messages, count: int) -> None:
    fd = os.open(url, os.O_RDWR | os.O_NOCTTY)
    try:
        os.write(fd, _wire(Start(1)))
        deadline = time.monotonic() + 10
        while len(messages.of(Samples)) < count:
            assert time.monotonic() < deadline
            if select.select([fd], [], [], 0.5)[0]:
                messages.take(os.read(fd, 4096))
    finally:
        os.close(fd)


def _drain(fd: int) -> bytes:
    while os.read(fd, 4096):
        pass
    return b""


def test_a_device_that_fails_says_so() -> None:
    class Broken:
        def step(self, data: bytes, now_s: float, linked: bool = True) -> bytes:
            raise BadSetting("no plant")

        def connected(self) -> bytes:
            return b""

    async def main() -> None:
        server = TcpServer(Broken(), SimClock())
        await server.open("127.0.0.1", 0)
        async with asyncio.timeout(60):
            while server.failed is None:  # noqa: ASYNC110
                await asyncio.sleep(0.01)
        assert str(server.failed) == "no plant"
        await server.aclose()

    asyncio.run(main())


def test_clock_runs_stops_and_changes_pace() -> None:
    clock = SimClock(1000.0, start_s=50.0)
    time.sleep(0.02)
    assert clock.now_s > 60.0
    clock.speed = 0.0
    stopped = clock.now_s
    time.sleep(0.01)
    assert clock.now_s == stopped
    with pytest.raises(BadSetting):
        clock.speed = -1.0


def test_control_steers_and_refuses() -> None:
    async def main() -> None:
        rig = Rig("recovery", 1, hold=True)
        clock = SimClock(0.0)
        server = await serve_control(Control(rig, clock))
        reader, writer = await asyncio.open_connection("127.0.0.1", server.sockets[0].getsockname()[1])

        async def ask(request: object) -> dict[str, Any]:
            writer.write((request if isinstance(request, str) else json.dumps(request)).encode() + b"\n")
            answer = json.loads(await reader.readline())
            assert isinstance(answer, dict)
            return answer

        assert await ask({"do": "sun", "kw": {"watt": 100}}) == {"ok": True}
        assert (await ask({"truth": True}))["ok"]["total_kg"] == pytest.approx(16.1, abs=1e-6)
        assert (await ask({"done": 0}))["ok"] == [[0.0, "sun", {"watt": 100}]]
        assert (await ask({"devices": True}))["ok"]["scale"] == ["cylinder_mass"]
        rig.plant.advance_to(500.0)
        assert len(rig.plant.done) == 1  # the time line is held
        assert await ask({"go_on": True}) == {"ok": True}
        rig.plant.advance_to(700.0)
        # at a whole number of HOLD_S, whenever within them it was asked; and held again
        assert [(d.t_s, d.action) for d in rig.plant.done[1:]] == [(600.0, "stage")]
        assert await ask({"go_on": True}) == {"ok": True}
        rig.plant.advance_to(935.0)
        assert [(d.t_s, d.action) for d in rig.plant.done[2:]] == [(930.0, "start_recovery")]
        assert (await ask({"now": True}))["ok"] == pytest.approx(clock.now_s)
        assert await ask({"begin": True}) == {"ok": True}
        assert await ask({"speed": 5}) == {"ok": True}
        assert clock.speed == 5
        assert await ask({"fault": "wire", "device": "scale", "kw": {"state": "open"}}) == {"ok": True}
        assert rig.device("scale").sensors[0].wire == "open"
        for name, kw in (
            ("drift", {"ppm": 50}), ("silence", {}), ("cut", {}), ("chatter", {}), ("garbage", {}), ("mend", {}),
            ("rates", {"dropped": 0.1}), ("error", {"value": 2.0}), ("reboot", {"down_s": 0.5}),
        ):  # fmt: skip
            assert await ask({"fault": name, "device": "scale", "kw": kw}) == {"ok": True}, name
        for wrong in (
            "nonsense", "[1]", {"do": "explode"}, {"do": "sun", "kw": {"lux": 1}},
            {"fault": "flood", "device": "scale"},
            {"fault": "wire", "device": "toaster"}, {"fault": "wire", "device": "scale", "kw": {"channel": 9}},
            {"do": "sun", "kw": 3}, {"speed": -1}, {"fault": "rates", "device": "scale", "kw": {"dropped": 2}}, {},
        ):  # fmt: skip
            assert list(await ask(wrong)) == ["error"], wrong
        writer.close()
        server.close()

    asyncio.run(main())


def test_rig_file_names_every_channel_and_device() -> None:
    text = rig_toml({"scale": "socket://127.0.0.1:5001", "vacuum board": "/dev/pts/7"}, "brewery", seed=3)
    rig = tomllib.loads(text)
    assert "invented" in rig["rig"]["name"]
    assert [d["name"] for d in rig["device"]] == ["scale", "vacuum board"]
    assert rig["device"][0]["channel"] == [{"index": 0, "point": "cylinder_mass"}]
    assert [c["point"] for c in rig["device"][1]["channel"]] == ["vacuum", "system_pressure", "system_temperature"]
    assert bytes.fromhex(rig["device"][0]["id"]) == Rig("tight", 3, only=("scale",)).device("scale").device_id


def test_unknown_device_lists_the_known() -> None:
    with pytest.raises(UnknownDevice, match="vacuum board"):
        Rig("tight", only=("toaster",))
    with pytest.raises(UnknownDevice, match="scale"):
        Rig("tight").step("toaster", b"", 0.0)


def test_a_bare_device_can_be_served_too() -> None:
    talk = Talk(device())
    assert talk.take(talk.device.connected()) == []


def _program(*args: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "sim_device", *args], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def test_program_serves_writes_its_rig_file_and_ends_on_request(tmp_path: Path) -> None:
    rig_file = tmp_path / "rig.toml"
    program = _program("tight", "--speed", "50", "--rig-toml", str(rig_file), "--control-port", "0", "--seed", "4")
    try:
        assert program.stdout is not None
        lines = [program.stdout.readline() for _ in range(7)]
        assert lines[0].startswith("Invented scenario")
        assert lines[-1].startswith("control: ")
        rig = tomllib.loads(rig_file.read_text(encoding="utf-8"))
        with socket.create_connection(_address(rig["device"][0]["url"]), timeout=60) as link:
            link.sendall(_wire(RequestHello(3)))
            messages = _Messages()
            while not any(h.request_id == 3 for h in messages.of(Hello)):
                messages.take(link.recv(4096))
        assert messages.of(Hello)[-1].device_id.hex() == rig["device"][0]["id"]
        program.terminate()
        code = program.wait(timeout=60)
        assert code == 0 or sys.platform == "win32"  # there, terminating is killing
    finally:
        program.kill()
        program.communicate()


@pytest.mark.parametrize(
    ("args", "message"),
    [(["nosuch"], "known: tight"), (["tight", "--dropped", "7"], "0 to 1"), (["tight", "--speed", "-1"], "speed")],
)
def test_program_refuses_clearly(args: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    from sim_device.__main__ import main

    assert main(args) == 2
    error = capsys.readouterr().err
    assert message in error
    assert "Traceback" not in error


def test_program_lists_and_ends_with_the_scenario(capsys: pytest.CaptureFixture[str]) -> None:
    from sim_device.__main__ import main

    assert main(["--list"]) == 0
    assert "brewery" in capsys.readouterr().out
    assert main(["tight", "--until-end", "--speed", "50000", "--device", "scale"]) == 0
