"""Linux: the battery level of a connected device, as bluetoothd reports it.

bluetoothd (since 5.48) takes the Battery Service of a device for itself, so that no program finds it there, and gives
the level as property Percentage of the interface org.bluez.Battery1 of the device's object instead.
"""

import asyncio
import importlib
import logging
import sys
from collections.abc import Callable
from typing import Any, Final

from bleak.backends.device import BLEDevice

log = logging.getLogger(__name__)

EVERY_S: Final = 60.0
TIMEOUT_S: Final = 3.0


def object_path(device: BLEDevice) -> str | None:
    """The device's object at bluetoothd; None on other systems."""
    details = device.details
    path = details.get("path") if isinstance(details, dict) and sys.platform == "linux" else None
    return path if isinstance(path, str) else None


async def watch_battery(path: str, report: Callable[[int], None]) -> None:
    """`report` gets the percentage now and every EVERY_S, where there is one. Until cancelled."""
    while True:
        percent = await asyncio.to_thread(battery_percent, path)
        if percent is not None:
            report(percent)
        await asyncio.sleep(EVERY_S)


def battery_percent(path: str) -> int | None:
    """Blocking, for TIMEOUT_S at most. None where bluetoothd knows none."""
    try:
        jeepney: Any = importlib.import_module("jeepney")
        blocking: Any = importlib.import_module("jeepney.io.blocking")
        with blocking.open_dbus_connection(bus="SYSTEM") as connection:
            battery = jeepney.DBusAddress(path, "org.bluez", "org.bluez.Battery1")
            reply = connection.send_and_get_reply(jeepney.Properties(battery).get("Percentage"), timeout=TIMEOUT_S)
        if reply.header.message_type is jeepney.MessageType.error:
            return None
        ((_, percent),) = reply.body
    except Exception as exc:  # no D-Bus, no answer, or something else than bluetoothd: then the level is not known
        log.debug("battery of %s: %r", path, exc)
        return None
    return percent if isinstance(percent, int) and 0 <= percent <= 100 else None
