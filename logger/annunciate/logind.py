"""The sleep and lid locks of systemd-logind (its Inhibit call, see the systemd documentation "Inhibitor Locks").

A lock is a file descriptor: held as long as it is open, gone with the process however that ends. Blocking; run it
beside the event loop.
"""

import importlib
import os
import select
import sys
from typing import Any

WHO = "Rimelog"
WHY = "A job is being recorded and watched"
TIMEOUT_S = 5.0


class LockRefused(OSError):
    """logind is not there or does not give the lock; says why."""


class Lock:
    """One lock, as an open file descriptor."""

    def __init__(self, fd: int) -> None:
        self._fd = fd

    def is_held(self) -> bool:
        """False once logind has closed its end (it was restarted), or after `release`."""
        if self._fd < 0 or sys.platform == "win32":
            return False
        poll = select.poll()
        poll.register(self._fd, 0)  # errors and hang-ups are always reported
        return not poll.poll(0)

    def release(self) -> None:
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1


def take_lock(what: str) -> Lock:
    """what: logind's names joined by colons, such as "idle:sleep" or "handle-lid-switch". Raises LockRefused."""
    try:
        jeepney: Any = importlib.import_module("jeepney")
        blocking: Any = importlib.import_module("jeepney.io.blocking")
    except ImportError as exc:
        raise LockRefused("no D-Bus library here (jeepney)") from exc
    try:
        connection = blocking.open_dbus_connection(bus="SYSTEM", enable_fds=True)
    except Exception as exc:  # OSError, KeyError, StopIteration, AuthenticationError: whatever the address leads to
        raise LockRefused(f"no system D-Bus: {exc or type(exc).__name__}") from exc
    try:
        manager = jeepney.DBusAddress(
            "/org/freedesktop/login1", "org.freedesktop.login1", "org.freedesktop.login1.Manager"
        )
        call = jeepney.new_method_call(manager, "Inhibit", "ssss", (what, WHO, WHY, "block"))
        reply = connection.send_and_get_reply(call, timeout=TIMEOUT_S)
        if reply.header.message_type is jeepney.MessageType.error:
            said = reply.body[0] if reply.body else reply.header.fields.get(jeepney.HeaderFields.error_name)
            raise LockRefused(f"logind: {said}")
        return Lock(reply.body[0].to_raw_fd())
    except LockRefused:
        raise
    except Exception as exc:  # timeouts, a peer that is not logind
        raise LockRefused(f"logind: {exc or type(exc).__name__}") from exc
    finally:
        connection.close()
