"""The same firmware on an emulated Cortex-M3: the portable part is portable."""

import socket
import subprocess
import time
from pathlib import Path

from firmware_protocol.conversion import measured
from logger.link import link_events as events
from logger.link.session.phases import Phase
from logger.link.session.session import Session
from tests.firmware.board import FIRMWARE
from tests.tools import needs

FRAMES = 25
PATIENCE_S = 100.0  # the emulator runs in the computer's own time


def test_streams_to_the_loggers_session(tmp_path: Path) -> None:
    emulator = needs("qemu-system-arm", "emulates a Cortex-M3")
    needs("clang", "builds for a Cortex-M")
    needs("ld.lld", "links for a Cortex-M")
    subprocess.run(
        [needs("make", "builds the reference firmware"), "-s", "-C", FIRMWARE, "cortex", f"OUT={tmp_path}"], check=True
    )
    elf = tmp_path / "cortex_m.elf"
    size = subprocess.run([needs("llvm-size", "measures it"), elf], capture_output=True, text=True, check=True).stdout
    flash = int(size.splitlines()[1].split()[0])
    print(f"\nCortex-M3: flash {flash}")
    assert flash <= 8 * 1024
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
        machine = subprocess.Popen(
            [emulator, "-M", "mps2-an385", "-display", "none", "-monitor", "none", "-serial", f"tcp:127.0.0.1:{port}",
             "-kernel", elf], stdin=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            server.settimeout(60)
            line, _ = server.accept()
            seen, session = _converse(line)
        finally:
            machine.kill()
            machine.wait()
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
    line.close()
    return seen, session
