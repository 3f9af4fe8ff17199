"""Bluetooth's many errors as one: LinkLost, with a reason that a person can act on."""

import asyncio
import logging
import sys
from typing import Final

from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
    BleakGATTProtocolError,
    BleakGATTProtocolErrorCode,
)

from logger.link.errors import LinkLost
from logger.model.text import clean

log = logging.getLogger(__name__)

NO_SERVICE: Final = "this computer's Bluetooth service does not run (on Linux: D-Bus and bluetoothd)"
NOT_SEEN: Final = "not seen: is it switched on, in range, and not connected to another computer or phone?"
SCAN_HUNG: Final = (
    "this computer's Bluetooth did not answer in time (on macOS: does it ask whether this program may use Bluetooth?)"
)
PAIRING: Final = "it wants to be paired: accept the system's question, or pair it in the system's Bluetooth settings"

_Reason = BleakBluetoothNotAvailableReason
_NOT_AVAILABLE: Final = {
    _Reason.NO_BLUETOOTH: "this computer has no Bluetooth",
    _Reason.NO_BLE_CENTRAL_ROLE: "this computer's Bluetooth cannot connect to Low Energy devices",
    _Reason.POWERED_OFF: "Bluetooth is switched off",
    _Reason.DENIED_BY_USER: "this program may not use Bluetooth: allow it in the system's privacy settings",
    _Reason.DENIED_BY_SYSTEM: "the system does not allow this program to use Bluetooth",
    _Reason.DENIED_BY_UNKNOWN: "this program may not use Bluetooth: see the system's privacy settings",
}
_WANTS_PAIRING: Final = frozenset(
    {
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHENTICATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_AUTHORIZATION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION,
        BleakGATTProtocolErrorCode.INSUFFICIENT_ENCRYPTION_KEY_SIZE,
    }
)
# D-Bus error names end in these; the manual pages of bluetoothd and of D-Bus list them.
_DBUS: Final = {
    "ServiceUnknown": NO_SERVICE,
    "NameHasNoOwner": NO_SERVICE,
    "NoReply": NO_SERVICE,
    "NotReady": "Bluetooth is switched off",
    "AuthenticationFailed": "pairing failed",
    "AuthenticationCanceled": "pairing was cancelled",
    "AuthenticationRejected": "pairing was refused",
    "AuthenticationTimeout": "pairing took too long",
    "AccessDenied": "the system does not allow this program to use Bluetooth",
}


def trouble(where: str, exc: BaseException | None) -> LinkLost:
    """The LinkLost to raise for what Bluetooth raised. where: url, or what was being done."""
    log.debug("%s: %r", where, exc, exc_info=exc)
    return exc if isinstance(exc, LinkLost) else LinkLost(f"{where}: {_reason(exc)}")


def wants_pairing(exc: BaseException) -> bool:
    """Whether the same may succeed once the two are paired."""
    if isinstance(exc, BleakGATTProtocolError):
        return exc.code in _WANTS_PAIRING
    if isinstance(exc, BleakDBusError):
        return "not paired" in str(exc).lower()  # BlueZ has one name for several reasons, told apart by its words
    return isinstance(exc, BleakError) and str(exc).endswith(": Access Denied")  # Windows: as often as the right code


def _reason(exc: BaseException | None) -> str:
    if exc is None:
        return "Bluetooth stopped"
    if wants_pairing(exc):
        return PAIRING
    match exc:
        case BleakBluetoothNotAvailableError():
            return _NOT_AVAILABLE.get(exc.reason) or clean(f"Bluetooth cannot be used: {exc.args[0]}")
        case BleakDeviceNotFoundError():
            return NOT_SEEN
        case BleakDBusError():
            name = exc.dbus_error.rpartition(".")[2]
            return _DBUS.get(name) or clean(f"{name}: {exc.dbus_error_details or 'no more was said'}")
        case asyncio.TimeoutError():
            return "it did not answer in time"
        case BleakError() if str(exc).endswith(": Unreachable"):  # Windows
            return "it did not answer: is it switched on and in range?"
        case EOFError() | FileNotFoundError() | ConnectionError() if sys.platform == "linux":
            return NO_SERVICE  # the socket of D-Bus
        case _:
            return clean(f"{exc}") or type(exc).__name__
