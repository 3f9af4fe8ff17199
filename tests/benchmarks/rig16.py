"""The rig that the figures are for: one device, 16 channels at ten scans a second, of the sensors in common use.

Served on a pseudo-terminal by a thread of its own, which notes when each frame's bytes go in.
"""

import os
import threading
import time
import tty
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from sim_device.boards import BoardSpec, boards
from sim_device.device import Device
from sim_device.scenarios import SCENARIOS

CHANNELS, SCANS_S = 16, 10
DEVICE_ID = bytes.fromhex("62656e63686d6172")
JOB_TOML = """\
# Invented: no such plant or person.
[job]
refrigerant = "R-407C"
full_charge = "98kg"
customer = "Invented plant (benchmark)"
invented = true

[[cylinder]]
name = "cylinder 1"
tare = "30kg"
water_capacity = "60kg"
service_pressure = "400psi"
"""
STEP_S = 0.002

Sense = Callable[[str, float], float]


def board(period_ms: int = 1000 // SCANS_S) -> BoardSpec:
    """The first 16 channels of the simulated rig, all on one board and all at the same period."""
    specs = [channel for one in boards(SCENARIOS["brewery"]) for channel in one.channels]
    return BoardSpec(
        "bench board", "BENCH", tuple(replace(c, period_ms=period_ms) for c in specs[:CHANNELS]), outputs=1
    )


def sense(point: str, t_s: float) -> float:
    """A recovery that goes well: mass rises, pressures and temperatures wander a little."""
    wave = 0.01 * ((t_s / 37.0) % 1.0)
    if point == "cylinder_mass":
        return 32.0 + min(0.004 * t_s, 60.0)
    if point == "barometer":
        return 101_325.0
    if point == "vacuum":
        return 40.0 * (1 + wave)
    if "temperature" in point:
        return 293.0 * (1 + wave)
    return 6.0e5 * (1 + wave)


def rig_toml(url: str, extra: str = "") -> str:
    """The rig file of the board at `url`."""
    lines = ['[rig]\nname = "bench"\n\n[[device]]\nname = "bench board"', f'url = "{url}"', f'id = "{DEVICE_ID.hex()}"']
    for i, channel in enumerate(board().channels):
        lines.append(f'\n  [[device.channel]]\n  index = {i}\n  point = "{channel.point}"')
    return "\n".join(lines) + "\n" + extra


class PtyBoard:
    """`with PtyBoard() as served:` the board on a pseudo-terminal in real time.

    on_sent: called after bytes were handed to the system, with the monotonic ns just before that.
    """

    def __init__(self, sensed: Sense = sense, on_sent: Callable[[int, bytes], None] = lambda at_ns, data: None) -> None:
        self.device = Device(board(), sensed, DEVICE_ID)
        self._on_sent = on_sent
        self._ended = threading.Event()
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.url = os.ttyname(self._slave)
        self._thread = threading.Thread(target=self._run, name="board", daemon=True)

    def __enter__(self) -> "PtyBoard":
        self._begun = time.monotonic()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join(5)
        os.close(self._master)
        os.close(self._slave)

    def _run(self) -> None:
        while not self._ended.wait(STEP_S):
            try:
                data = os.read(self._master, 4096)
            except BlockingIOError:
                data = b""
            out = self.device.step(data, time.monotonic() - self._begun)
            if out:
                at_ns = time.monotonic_ns()
                os.write(self._master, out)
                self._on_sent(at_ns, out)


def write_files(place: Path, url: str, extra: str = "") -> tuple[Path, Path]:
    """Rig file and job file."""
    rig, job = place / "rig.toml", place / "job.toml"
    rig.write_text(rig_toml(url, extra), encoding="utf-8")
    job.write_text(JOB_TOML, encoding="utf-8")
    return rig, job
