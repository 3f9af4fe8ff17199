"""Devices in plain Python that break SPEC.md, each on a serial port of its own: commands, page and alarms name what is
wrong. None of our codec makes their bytes."""

import contextlib
import json
import os
import struct
import threading
import time
import tty
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from logger.api.client import DaemonError
from logger.screen.layout import Trend, render
from tests.conformance.plain_device import PlainDevice, body, item, stuffed
from tests.end_to_end.running import TookTooLong, daemon, rimelog, until

STEP_S = 0.02
POINTS = (
    "cylinder_temperature", "recovery_inlet_temperature", "system_temperature", "second_system_temperature",
    "suction_temperature", "compressor_suction_temperature", "liquid_temperature", "valve_inlet_temperature",
    "discharge_temperature", "ambient_temperature", "entering_fluid_temperature", "leaving_fluid_temperature",
    "condenser_entering_temperature", "condenser_leaving_temperature",
)  # fmt: skip
Map = dict[int, Any]


def _raw_map(*items: bytes) -> bytes:
    return bytes((0xA0 | len(items),)) + b"".join(items)


def _entry(key: int, value: bytes) -> bytes:
    return item(key) + value


@dataclass
class Wrong:
    """What is changed. describe: the body of the only channel. on_wire: a payload to its bytes on the line."""

    name: str
    says: str  # in what people read of it
    describe: bytes | None = None
    hello: Callable[[Map], bytes] = field(default=body)
    status: Callable[[Map], bytes] = field(default=body)
    on_wire: Callable[[bytes], bytes] = field(default=stuffed)
    find_says: str | None = None  # where `find`, which starts nothing, sees it otherwise; "": not at all
    alarm: str = "device"  # by what the alarm's key begins


CHANNEL: Map = {0: 0, 1: 4, 2: "Cel", 3: 3, 4: -2, 5: 250, 9: -40, 10: 120, 13: "Pipe"}


def _bad_crc(payload: bytes) -> bytes:
    return stuffed(payload)[:-2] + bytes((stuffed(payload)[-2] ^ 0x55 or 1, 0))


def _bad_stuffing(payload: bytes) -> bytes:
    raw = stuffed(payload)
    return bytes((raw[0] + 90,)) + raw[1:]


def _lying_sequence(payload: bytes) -> bytes:
    if payload[0] == 0x90:
        (sequence,) = struct.unpack_from("<I", payload, 5)
        payload = payload[:5] + struct.pack("<I", sequence ^ (0x7000_0000 if sequence & 1 else 0)) + payload[9:]
    return stuffed(payload)


def _complains(payload: bytes) -> bytes:
    told = stuffed(b"\x85\x00" + body({0: 8, 1: "ADC does not answer"}))
    return stuffed(payload) + (told if payload[0] == 0x84 else b"")


def _with_output(fields: Map) -> bytes:
    return body(fields | {9: 4, 10: 1})


def _closed(fields: Map) -> bytes:
    entries = [item(key) + item(value) for key, value in sorted(fields.items())]
    return _raw_map(*entries, _entry(12, b"\x81\x83\x01\x00\x00"))


def _twice(fields: Map) -> bytes:
    return _raw_map(*(item(k) + item(v) for k, v in sorted(fields.items())), _entry(0, b"\x00"))


SEVEN_FAULTS = (
    "supply voltage low, converter or sensor bus does not answer, reference or excitation voltage out of tolerance, "
    "memory fault, clock fault, output does not follow its command, over temperature"
)
CASES = (
    Wrong("crc", "wrong CRC", on_wire=_bad_crc),
    Wrong("stuffing", "wrong byte stuffing (COBS)", on_wire=_bad_stuffing),
    Wrong("not a number", "NaN", describe=_raw_map(
        *(item(k) + item(v) for k, v in CHANNEL.items() if k < 11), _entry(11, b"\xf9\x7e\x00"))),
    Wrong("bad utf-8", "UTF-8", hello=lambda f: _raw_map(
        *(item(k) + item(v) for k, v in sorted(f.items())), _entry(12, b"\x62\xc3\x28"))),
    Wrong("double key", "twice", status=_twice),
    Wrong("bad unit", "degC", describe=body(CHANNEL | {2: "degC"})),
    Wrong("type 9", "9 is no SampleType", describe=body(CHANNEL | {3: 9})),
    Wrong("period 0", "(period_ms): 0 is not 1 to", describe=body(CHANNEL | {5: 0})),
    Wrong("boot count", "boot count", status=lambda f: body(f | {1: f[1] + 1})),
    Wrong("layout crc", "layout", hello=lambda f: body(f | {8: f[8] ^ 1})),
    Wrong("sequence", "sequence ", on_wire=_lying_sequence, find_says=""),
    Wrong("error", "hardware, ADC does not answer", on_wire=_complains),
    Wrong("all faults", SEVEN_FAULTS, status=lambda f: body(f | {11: 255})),
    Wrong("contact", "output 0 is closed though nothing holds it", hello=_with_output, status=_closed),
)  # fmt: skip


class FaultyDevice(PlainDevice):
    def __init__(self, wrong: Wrong, number: int) -> None:
        self.wrong, self.device_id = wrong, b"plain-%02d" % number
        self.channels = [wrong.describe or body(CHANNEL)]
        super().__init__()

    def hello_body(self, fields: Map) -> bytes:
        return self.wrong.hello(fields)

    def status_body(self, fields: Map) -> bytes:
        return self.wrong.status(fields)

    def answer(self, payload: bytes) -> bytes | None:
        if payload[:1] == b"\x03" and len(payload) == 3:
            return b"\x83" + payload[1:2] + body({0: payload[2], 1: 10_000})
        return super().answer(payload)

    def say(self, payload: bytes) -> None:
        self.out.append(self.wrong.on_wire(payload))


class Ports:
    """Each device behind a pseudo-terminal, all stepped by one thread. urls: in the order of CASES."""

    def __init__(self) -> None:
        self._devices = [FaultyDevice(wrong, number) for number, wrong in enumerate(CASES)]
        pairs = [os.openpty() for _ in CASES]
        self._masters, self._slaves = [m for m, _ in pairs], [s for _, s in pairs]
        for master, slave in pairs:
            tty.setraw(slave)
            os.set_blocking(master, False)
        self.urls = [os.ttyname(slave) for slave in self._slaves]
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        begun_s = time.monotonic()
        while not self._over.wait(STEP_S):
            for device, master in zip(self._devices, self._masters, strict=True):
                try:
                    data = os.read(master, 4096)
                except BlockingIOError:
                    data = b""
                with contextlib.suppress(BlockingIOError):  # nobody reads: what does not fit is lost, as on a line
                    os.write(master, device.step(data, time.monotonic() - begun_s))

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        for end in (*self._masters, *self._slaves):
            os.close(end)


@pytest.fixture(scope="module")
def ports() -> Iterator[Ports]:
    opened = Ports()
    yield opened
    opened.close()


def rig_of(ports: Ports, place: Path) -> Path:
    lines = ["[rig]", 'name = "Faulty devices"']
    for wrong, url, point in zip(CASES, ports.urls, POINTS, strict=True):
        lines += ["[[device]]", f'name = "{wrong.name}"', f'url = "{url}"']
        lines += ["  [[device.channel]]", "  index = 0", f'  point = "{point}"']
    path = place / "rig.toml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def reports(ports: Ports, tmp_path_factory: pytest.TempPathFactory) -> dict[str, dict[str, str]]:
    """Of each device, what every place says of it: rig check, find, the devices page, the alarms."""
    place = tmp_path_factory.mktemp("faulty")
    rig = rig_of(ports, place)
    found = json.loads(rimelog(place, "find", *ports.urls, "--json"))
    checked = json.loads(rimelog(place, "rig", "check", rig, "--seconds", "9", "--json", status=1))
    points = {wrong.name: point for wrong, point in zip(CASES, POINTS, strict=True)}
    said: dict[str, dict[str, str]] = {wrong.name: {} for wrong in CASES}
    for wrong, one in zip(CASES, found, strict=True):
        said[wrong.name]["find"] = str(one["problem"])
    for device in checked["devices"]:
        said[device["name"]]["rig check"] = (
            f"{device['state']} {device['problem']} {device['trouble']} {device['points']}"
        )

    def named(state: dict[str, Any]) -> bool:
        for wrong in CASES:
            keys = [f"device-{wrong.name}", f"trouble-{wrong.name}", f"no-data-{points[wrong.name]}"]
            alarms = [alarm for alarm in state["alarms"] if alarm["key"] in keys]
            said[wrong.name]["alarm"] = " | ".join(str(alarm["problem"]) for alarm in alarms)
        return all(wrong.says in said[wrong.name]["alarm"] for wrong in CASES)

    pages = ""
    with daemon(place, rig) as host, contextlib.suppress(TookTooLong):  # which of them is not named, the tests say

        def all_named() -> bool:
            nonlocal pages
            try:
                state = host.status()
            except DaemonError:
                return False
            pages = " ".join(line.plain.strip() for line in render(state, Trend([]), 80, 200, "devices"))
            return named(state)

        until(all_named, "each device's alarm says what is wrong with it", 60)
    for wrong in CASES:
        said[wrong.name]["page"] = pages.partition(f"{wrong.name} at ")[2]
    return said


@pytest.mark.parametrize("place", ["find", "rig check", "page", "alarm"])
@pytest.mark.parametrize("wrong", CASES, ids=[wrong.name for wrong in CASES])
def test_what_is_wrong_is_named(wrong: Wrong, place: str, reports: dict[str, dict[str, str]]) -> None:
    says = wrong.says if wrong.find_says is None or place != "find" else wrong.find_says
    assert says in reports[wrong.name][place]


def test_the_page_tells_of_a_start_forced_by_the_watchdog(reports: dict[str, dict[str, str]]) -> None:
    assert "last start forced by its watchdog" in reports["all faults"]["page"].partition(" at /dev/")[0]
