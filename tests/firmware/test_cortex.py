"""The same firmware on an emulated Cortex-M3: the portable part is portable."""

import socket
import subprocess
import time
from dataclasses import replace
from pathlib import Path

from firmware_protocol.codes import MessageType, PermitAction
from firmware_protocol.conversion import measured
from firmware_protocol.framing import Frame, FrameDecoder, encode_frame
from firmware_protocol.messages import encode_message
from firmware_protocol.requests import (
    Permit,
    Request,
    RequestDescribe,
    RequestHello,
    RequestOutput,
    RequestStatus,
    ResendFrom,
    SetPeriod,
    Start,
    Stop,
    TimeMark,
)
from logger.link import link_events as events
from logger.link.session.phases import Phase
from logger.link.session.session import Session
from tests.conftest import Figure
from tests.firmware.board import FIRMWARE
from tests.tools import needs

FRAMES = 25
RING = 8000  # bytes, as the Makefile has it
STACK_TOP, STACK_ROOM = 0x2040_0000, 0x1_0000  # of memory.ld; so much of it is painted before the start
PAINT = b"\xc5"
PATIENCE_S = 100.0  # the emulator runs in the computer's own time


def test_streams_to_the_loggers_session(tmp_path: Path, figure: Figure) -> None:
    emulator = needs("qemu-system-arm", "emulates a Cortex-M3")
    needs("clang", "builds for a Cortex-M")
    needs("ld.lld", "links for a Cortex-M")
    subprocess.run(
        [needs("make", "builds the reference firmware"), "-s", "-C", FIRMWARE, "cortex", f"OUT={tmp_path}"], check=True
    )
    elf = tmp_path / "cortex_m.elf"
    size = subprocess.run([needs("llvm-size", "measures it"), elf], capture_output=True, text=True, check=True).stdout
    text, data, bss = map(int, size.splitlines()[1].split()[:3])
    paint = tmp_path / "paint"
    paint.write_bytes(PAINT * STACK_ROOM)
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        machine = subprocess.Popen(
            [emulator, "-M", "mps2-an385", "-display", "none", "-serial", f"tcp:127.0.0.1:{port}", "-monitor", "stdio",
             "-kernel", elf, "-device", f"loader,file={paint},addr={STACK_TOP - STACK_ROOM:#x},force-raw=on"],
            stdin=subprocess.PIPE, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            server.settimeout(60)
            line, _ = server.accept()
            seen, session = _converse(line)
            _ask_everything(line, session)
            line.close()
            used = _stack_bytes(machine, tmp_path / "stack")
        finally:
            machine.kill()
            machine.wait()
    figure(
        f"firmware on a Cortex-M3: flash {text + data}, RAM {data + bss} with a ring of {RING}, a stack of {used} bytes"
    )
    assert text + data <= 8 * 1024
    assert data + bss <= RING + 1024
    assert 100 < used <= 512
    assert session.phase is Phase.STREAMING
    assert session.hello is not None
    assert (session.hello.model, session.hello.device_id) == ("Reference Cortex-M3", b"emulated")
    got = [event for event in seen if isinstance(event, events.SamplesReceived)]
    sequences = [event.samples.sequence for event in got]
    assert sequences == list(range(len(sequences)))
    assert got[-1].layout is not None
    readings = dict(got[0].readings or ())
    values = {i: measured(got[0].layout.channels[i], raw) for i, raw in readings.items() if isinstance(raw, int)}  # type: ignore[union-attr]
    assert values[0] is not None and 1740 < values[0] < 1800  # half of the supply
    assert not [event for event in seen if isinstance(event, events.BadFrameSeen | events.DeviceError)]


def _converse(line: socket.socket) -> tuple[list[events.SessionEvent], Session]:
    """Until FRAMES have come."""
    session = Session()
    seen: list[events.SessionEvent] = []
    line.settimeout(0.02)
    session.connected(time.monotonic_ns())
    end = time.monotonic() + PATIENCE_S
    while sum(isinstance(event, events.SamplesReceived) for event in seen) < FRAMES:
        assert time.monotonic() < end, (session.phase, seen[-5:])
        line.sendall(session.bytes_to_send())
        try:
            data = line.recv(4096)
        except TimeoutError:
            data = b""
        now_ns = time.monotonic_ns()
        seen += session.bytes_received(data, now_ns) + session.tick(now_ns)
    return seen, session


def _ask_everything(line: socket.socket, session: Session) -> None:
    """Each request once more, so that the stack has been as deep as it goes; until all are answered."""
    assert session.hello is not None
    permit = Permit(9, 0, PermitAction.HOLD_CLOSED, 3000, session.hello.boot_count, 0)
    requests: list[Request] = [
        RequestHello(1), RequestDescribe(2, 0), RequestOutput(3, 0), RequestStatus(4), Start(5), ResendFrom(6, 0, 9),
        TimeMark(7, 1), SetPeriod(8, 200), permit, replace(permit, request_id=10, action=PermitAction.OPEN), Stop(11),
    ]  # fmt: skip
    decoder, answered = FrameDecoder(), set[int]()
    line.settimeout(PATIENCE_S)
    for number, request in enumerate(requests, start=1):
        line.sendall(b"\0" + encode_frame(encode_message(request)))
        while number not in answered:
            blocks = [block for block in decoder.feed(line.recv(4096)) if isinstance(block, Frame)]
            answered |= {block.payload[1] for block in blocks if block.payload[0] != MessageType.SAMPLES}


def _stack_bytes(machine: "subprocess.Popen[bytes]", dump: Path) -> int:
    """The most that was used, by the paint that is left."""
    assert machine.stdin is not None
    machine.stdin.write(f'pmemsave {STACK_TOP - STACK_ROOM:#x} {STACK_ROOM} "{dump}"\nquit\n'.encode())
    machine.stdin.flush()
    machine.wait(PATIENCE_S)
    left = dump.read_bytes()
    assert len(left) == STACK_ROOM
    return STACK_ROOM - (len(left) - len(left.lstrip(PAINT)))
