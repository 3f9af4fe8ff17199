"""The battery level that bluetoothd keeps for itself, from a stand-in for it on a real D-Bus."""

import asyncio
import contextlib
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bleak.backends.device import BLEDevice

from logger.link.ble import bluez
from logger.link.ble.bluez import battery_percent, object_path, watch_battery
from logger.link.opening import open_stream
from tests.annunciate.bus import private_bus
from tests.link.ble.bench import emulation, run, stream, until

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="bluetoothd is Linux'")
PATH = "/org/bluez/hci0/dev_F0_00_00_00_00_01"


@contextlib.contextmanager
def bluetoothd(address: str, said: list[Any]) -> Iterator[None]:
    """Answers Get of Battery1's Percentage with each of `said` in turn, an error when that is None."""
    from jeepney import (  # type: ignore[import-untyped]
        HeaderFields,
        MessageType,
        message_bus,
        new_error,
        new_method_return,
    )
    from jeepney.io.blocking import open_dbus_connection  # type: ignore[import-untyped]

    over, answers = threading.Event(), iter(said)
    connection = open_dbus_connection(bus=address)
    connection.send_and_get_reply(message_bus.RequestName("org.bluez"))

    def serve() -> None:
        while not over.is_set():
            with contextlib.suppress(TimeoutError):
                asked = connection.receive(timeout=0.05)
                if asked.header.message_type is not MessageType.method_call:
                    continue
                wanted = (asked.header.fields[HeaderFields.path], *asked.body)
                answer = next(answers, None) if wanted == (PATH, "org.bluez.Battery1", "Percentage") else None
                if answer is None:
                    connection.send(new_error(asked, "org.freedesktop.DBus.Error.InvalidArgs", "s", ("No such",)))
                else:
                    connection.send(new_method_return(asked, "v", (answer,)))

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join(5)
        connection.close()


def test_the_level_as_bluetoothd_tells_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bluez, "EVERY_S", 0.01)

    async def levels() -> list[int]:
        levels: list[int] = []
        watching = asyncio.create_task(watch_battery(PATH, levels.append))
        async with asyncio.timeout(60):
            while len(levels) < 2:  # noqa: ASYNC110
                await asyncio.sleep(0.01)
        watching.cancel()
        await asyncio.gather(watching, return_exceptions=True)
        return levels

    with private_bus(tmp_path) as address:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        assert battery_percent(PATH) is None  # bluetoothd does not run
        with bluetoothd(address, [("y", 87), None, ("y", 101), ("s", "full"), None, ("y", 64), ("y", 63), ("y", 62)]):
            assert [battery_percent(PATH) for _ in range(4)] == [87, None, None, None]
            assert battery_percent("/org/bluez/hci0/dev_00") is None
            assert asyncio.run(levels())[:2] == [64, 63]
    assert battery_percent(PATH) is None  # no D-Bus


def test_a_link_watches_the_level_until_it_is_closed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a peripheral whose Battery Service does not show, as on Linux."""

    async def test() -> None:
        monkeypatch.setattr(bluez, "object_path", lambda device: PATH)
        monkeypatch.setattr(bluez, "battery_percent", lambda path: 55)
        async with emulation() as air:
            there = await stream(air)
            link = await open_stream(there.peripheral.url)
            await until(lambda: link.radio is not None and link.radio.battery_percent == 55)
            await link.close()
            await until(lambda: not any(PATH in task.get_name() for task in asyncio.all_tasks()))

    run(test)


def test_only_a_device_of_bluetoothd_has_an_object() -> None:
    assert object_path(BLEDevice("F0:00:00:00:00:01", None, {"path": PATH, "props": {}})) == PATH
    assert object_path(BLEDevice("F0:00:00:00:00:01", None, ("peripheral", "manager"))) is None
