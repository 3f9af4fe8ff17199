"""Bluetooth that is absent, ailing or killed: one kind of error, with a reason a person can act on.

On Linux the platform's own bleak backend runs against no D-Bus, and against a real D-Bus without bluetoothd.
"""

import asyncio
import sys
from pathlib import Path

import pytest
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

from logger.link import discovery
from logger.link.ble import radio
from logger.link.ble.radio import Radio
from logger.link.ble.trouble import trouble, wants_pairing
from logger.link.errors import LinkLost
from logger.link.opening import open_stream
from logger.link.ports.arrivals import BUFFER_BYTES, Arrivals
from tests.annunciate.bus import private_bus
from tests.link.ble import backend
from tests.link.ble.bench import emulation, run, stream, until

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="D-Bus is Linux' way to Bluetooth")
REASON = BleakBluetoothNotAvailableReason


@pytest.mark.parametrize(
    ("raised", "reason", "code"),
    [
        (BleakBluetoothNotAvailableError("x", REASON.NO_BLUETOOTH), "this computer has no Bluetooth", "no-radio"),
        (BleakBluetoothNotAvailableError("x", REASON.POWERED_OFF), "switched off", "radio-off"),
        (BleakBluetoothNotAvailableError("x", REASON.DENIED_BY_USER), "privacy settings", "radio-denied"),
        (BleakBluetoothNotAvailableError("it rains", REASON.UNKNOWN), "cannot be used: it rains", "radio"),
        (BleakDeviceNotFoundError("F0:00:00:00:00:01", "gone"), "not seen: is it switched on", "not-seen"),
        (
            BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", ["x"]),
            "Bluetooth service does not run",
            "no-radio-service",
        ),
        (
            BleakDBusError("org.freedesktop.DBus.Error.NoReply", []),
            "Bluetooth service does not run",
            "no-radio-service",
        ),
        (BleakDBusError("org.bluez.Error.NotReady", []), "switched off", "radio-off"),
        (BleakDBusError("org.bluez.Error.AuthenticationRejected", []), "pairing was refused", "pairing-failed"),
        (
            BleakDBusError("org.bluez.Error.InProgress", ["Operation already in progress"]),
            "InProgress: Operation alr",
            "radio",
        ),
        (BleakDBusError("org.bluez.Error.NotPermitted", ["Not paired"]), "wants to be paired", "wants-pairing"),
        (
            BleakGATTProtocolError(BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION),
            "wants to be paired",
            "wants-pairing",
        ),
        (BleakError("Could not start notify on 0011: Access Denied"), "wants to be paired", "wants-pairing"),  # Windows
        (
            BleakError("Could not get GATT services: Unreachable"),
            "did not answer: is it switched on and in range?",
            "no-answer",
        ),
        (TimeoutError(), "did not answer in time", "no-answer"),
        (BleakError("bad\x1b[31m news"), "bad[31m news", "radio"),
        (AssertionError(), "AssertionError", "radio"),
        (None, "Bluetooth stopped", "radio-stopped"),
    ],
)
def test_every_error_has_words(raised: BaseException | None, reason: str, code: str) -> None:
    lost = trouble("ble://", raised)
    assert isinstance(lost, LinkLost)
    assert str(lost).startswith("ble://: ")
    assert reason in str(lost) and lost.code == code
    assert str(lost).isprintable()


def test_a_link_lost_stays_what_it_is_and_only_security_wants_pairing() -> None:
    lost = LinkLost("x", "already said")
    assert trouble("elsewhere", lost) is lost
    assert not wants_pairing(BleakGATTProtocolError(BleakGATTProtocolErrorCode.WRITE_NOT_PERMITTED))
    assert not wants_pairing(BleakError("Could not get GATT services: Unreachable"))
    assert not wants_pairing(BleakDBusError("org.bluez.Error.Failed", ["br-connection-canceled"]))


@LINUX
@pytest.mark.parametrize("url", ["ble://", "ble://F0:00:00:00:00:01"])
def test_no_dbus_at_all(url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'nothing'}")

    async def test() -> None:
        with pytest.raises(LinkLost, match="Bluetooth service does not run"):
            await open_stream(url)
        (found,) = await discovery.find(0.5, ports=(), radio=True)
        assert found.problem is not None
        assert "Bluetooth service does not run" in found.problem

    run(test)


@LINUX
def test_dbus_without_bluetoothd_and_killed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def test() -> None:
        with private_bus(tmp_path) as address:
            monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
            with pytest.raises(LinkLost, match=r"has no Bluetooth|Bluetooth service does not run"):
                await open_stream("ble://")
        with pytest.raises(LinkLost, match="Bluetooth service does not run"):
            await open_stream("ble://")

    run(test)


def test_a_scan_that_fails_is_told_to_everyone_who_waits(monkeypatch: pytest.MonkeyPatch) -> None:
    async def test() -> None:
        with backend.use(None):
            waiting = [asyncio.create_task(open_stream(url)) for url in ("ble://", "ble://F0:00:00:00:00:01")]
            looking = asyncio.create_task(Radio.here().scan(5.0))
            done = await asyncio.gather(*waiting, looking, return_exceptions=True)
            assert all(isinstance(each, LinkLost) and "no Bluetooth" in str(each) for each in done)

    run(test)


def test_a_scanner_that_hangs_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    async def hang(_: object) -> None:
        await asyncio.sleep(60)

    async def test() -> None:
        async with emulation() as air:
            await stream(air)
            with monkeypatch.context() as patch:
                patch.setattr(radio, "START_STOP_S", 0.2)
                patch.setattr(backend.BumbleScanner, "start", hang)
                with pytest.raises(LinkLost, match="Bluetooth did not answer in time"):
                    await open_stream("ble://")
            link = await open_stream("ble://")
            await link.close()

    run(test)


def test_one_scan_serves_all_and_ends_with_the_last() -> None:
    async def test() -> None:
        async with emulation() as air:
            await stream(air)
            found = await asyncio.gather(*(Radio.here().scan(60, lambda _: True) for _ in range(5)))
            assert [len(each) for each in found] == [1] * 5
            assert backend.Central.scans_begun == 1
            await until(lambda: not backend.Central.scanners)

    run(test)


def test_arrivals_are_bounded_and_end_with_the_reason() -> None:
    async def test() -> None:
        arrivals = Arrivals()
        piece = bytes(244)
        for _ in range(2 * BUFFER_BYTES // 244):
            arrivals.put(piece)
        assert arrivals.dropped_bytes >= BUFFER_BYTES - 1000
        arrivals.end(LinkLost("x", "first"))
        arrivals.end(LinkLost("x", "second"))
        arrivals.put(b"too late")
        got, at_ns = 0, 0
        with pytest.raises(LinkLost, match="first"):
            while True:
                data, now_ns = await arrivals.get()
                assert now_ns >= at_ns
                got, at_ns = got + len(data), now_ns
        assert got + arrivals.dropped_bytes == 2 * BUFFER_BYTES // 244 * 244
        assert got <= BUFFER_BYTES
        with pytest.raises(LinkLost, match="first"):
            await arrivals.get()

    run(test)
