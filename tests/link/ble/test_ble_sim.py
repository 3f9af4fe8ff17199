"""`sim_device --ble`: its own peripheral on a dongle, and what it says when there is none."""

import sys

import pytest

from logger.link import connection
from logger.link import link_events as events
from sim_device.__main__ import main
from sim_device.ble import NoRadio, serve_ble, static_address
from sim_device.errors import BadSetting
from sim_device.rig import Rig
from sim_device.serve import RigServer
from sim_device.sim_clock import SimClock
from tests.link.ble.air import serve_dongles
from tests.link.ble.bench import a_device, emulation, run, until, watch


def test_served_on_a_dongle_and_unplugged(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connection, "FIRST_RETRY_S", 0.1)

    async def test() -> None:
        async with emulation() as air:
            server = await serve_dongles(air)
            transport = f"tcp-client:127.0.0.1:{server.sockets[0].getsockname()[1]}"
            device = a_device("scale")
            there = await serve_ble(device, SimClock(10.0), transport, name="scale", device_id=device.device_id)
            assert there.url == f"ble://{static_address(device.device_id)}"
            async with watch(there.url, device.device_id) as watched:
                await watched.streaming()
                await there.set_battery(17)
                await until(lambda: watched.of(events.RadioStatus)[-1].battery_percent == 17)
                await there.disconnect()
                await until(lambda: bool(watched.of(events.LinkDown)))
                await watched.streaming()
            assert there.failed is None
            await there.aclose()
            await until(lambda: len(air.controllers) == 1)  # the dongle is free again
            again = await serve_ble(device, SimClock(), transport, name="scale", device_id=device.device_id)
            dongle = air.controller_at(again.radio.random_address)
            assert dongle is not None
            dongle.host._tcp.close()  # type: ignore[union-attr]
            await until(lambda: again.failed is not None)
            assert "radio has gone" in str(again.failed)
            await again.aclose()
            server.close()

    run(test)


def test_addresses_are_static_random_and_differ() -> None:
    found = {static_address(bytes((i,)) * 8) for i in range(50)}
    assert len(found) == 50
    assert all(int(address[:2], 16) >> 6 == 0b11 for address in found)


@pytest.mark.parametrize("transport", ["nonsense:1", "tcp-client:127.0.0.1:1", "serial:/dev/no-such-port", ""])
def test_no_such_radio(transport: str) -> None:
    async def test() -> None:
        device = a_device("scale")
        with pytest.raises(NoRadio, match="Bluetooth radio"):
            await serve_ble(device, SimClock(), transport, name="scale", device_id=device.device_id)

    run(test)


def test_without_bumble(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "bumble.device", None)

    async def test() -> None:
        with pytest.raises(NoRadio, match="pip install bumble"):
            await serve_ble(a_device("scale"), SimClock(), "usb:0", name="scale", device_id=b"12345678")

    run(test)


def test_one_radio_a_device(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr("sim_device.__main__.Rig", lambda *_, **__: _TwoDevices())
    assert main(["recovery", "--device", "scale", "--ble", "usb:0"]) == 2
    said = capsys.readouterr().err
    assert "one Bluetooth radio serves one device: 1 named for 2 (scale, vacuum board)" in said
    with pytest.raises(BadSetting):
        RigServer(_TwoDevices(), SimClock(), "ble", transports=("usb:0", "usb:1", "usb:2"))


class _TwoDevices(Rig):
    def __init__(self) -> None:
        self.devices = {name: a_device(name) for name in ("scale", "vacuum board")}
        self.to_host = {}
