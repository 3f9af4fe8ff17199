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

from logger.link.errors import NO_ANSWER, LinkLost
from logger.model.text import clean

log = logging.getLogger(__name__)

_Why = tuple[str, str]  # code, words

NO_SERVICE: Final = "this computer's Bluetooth service does not run (on Linux: D-Bus and bluetoothd)"
NOT_SEEN: Final = "not seen: is it switched on, in range, and not connected to another computer or phone?"
SCAN_HUNG: Final = (
    "this computer's Bluetooth did not answer in time (on macOS: does it ask whether this program may use Bluetooth?)"
)
PAIRING: Final = "it wants to be paired: accept the system's question, or pair it in the system's Bluetooth settings"

_OFF: Final = ("radio-off", "Bluetooth is switched off")
_DENIED: Final = ("radio-denied", "the system does not allow this program to use Bluetooth")
_NO_SERVICE: Final = ("no-radio-service", NO_SERVICE)
_Reason = BleakBluetoothNotAvailableReason
_NOT_AVAILABLE: Final[dict[_Reason, _Why]] = {
    _Reason.NO_BLUETOOTH: ("no-radio", "this computer has no Bluetooth"),
    _Reason.NO_BLE_CENTRAL_ROLE: ("no-radio", "this computer's Bluetooth cannot connect to Low Energy devices"),
    _Reason.POWERED_OFF: _OFF,
    _Reason.DENIED_BY_USER: (
        "radio-denied",
        "this program may not use Bluetooth: allow it in the system's privacy settings",
    ),
    _Reason.DENIED_BY_SYSTEM: _DENIED,
    _Reason.DENIED_BY_UNKNOWN: (
        "radio-denied",
        "this program may not use Bluetooth: see the system's privacy settings",
    ),
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
_DBUS: Final[dict[str, _Why]] = {
    "ServiceUnknown": _NO_SERVICE,
    "NameHasNoOwner": _NO_SERVICE,
    "NoReply": _NO_SERVICE,
    "NotReady": _OFF,
    "AuthenticationFailed": ("pairing-failed", "pairing failed"),
    "AuthenticationCanceled": ("pairing-failed", "pairing was cancelled"),
    "AuthenticationRejected": ("pairing-failed", "pairing was refused"),
    "AuthenticationTimeout": ("pairing-failed", "pairing took too long"),
    "AccessDenied": _DENIED,
}


def trouble(where: str, exc: BaseException | None) -> LinkLost:
    """The LinkLost to raise for what Bluetooth raised. where: url, or what was being done."""
    log.debug("%s: %r", where, exc, exc_info=exc)
    if isinstance(exc, LinkLost):
        return exc
    code, words = _why(exc)
    return LinkLost(code, f"{where}: {words}")


def wants_pairing(exc: BaseException) -> bool:
    """Whether the same may succeed once the two are paired."""
    if isinstance(exc, BleakGATTProtocolError):
        return exc.code in _WANTS_PAIRING
    if isinstance(exc, BleakDBusError):
        return "not paired" in str(exc).lower()  # BlueZ has one name for several reasons, told apart by its words
    return isinstance(exc, BleakError) and str(exc).endswith(": Access Denied")  # Windows: as often as the right code


def _why(exc: BaseException | None) -> _Why:
    if exc is None:
        return "radio-stopped", "Bluetooth stopped"
    if wants_pairing(exc):
        return "wants-pairing", PAIRING
    match exc:
        case BleakBluetoothNotAvailableError():
            found = _NOT_AVAILABLE.get(exc.reason)
            return found or ("radio", clean(f"Bluetooth cannot be used: {exc.args[0]}"))
        case BleakDeviceNotFoundError():
            return "not-seen", NOT_SEEN
        case BleakDBusError():
            name = exc.dbus_error.rpartition(".")[2]
            return _DBUS.get(name) or ("radio", clean(f"{name}: {exc.dbus_error_details or 'no more was said'}"))
        case asyncio.TimeoutError():
            return NO_ANSWER, "it did not answer in time"
        case BleakError() if str(exc).endswith(": Unreachable"):  # Windows
            return NO_ANSWER, "it did not answer: is it switched on and in range?"
        case EOFError() | FileNotFoundError() | ConnectionError() if sys.platform == "linux":
            return _NO_SERVICE  # the socket of D-Bus
        case _:
            return "radio", clean(f"{exc}") or type(exc).__name__
