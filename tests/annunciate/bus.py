"""A private D-Bus with a stand-in for logind and for a desktop's power manager on it: real sockets, real messages."""

import contextlib
import os
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from jeepney import (  # type: ignore[import-untyped]
    HeaderFields,
    MessageType,
    message_bus,
    new_error,
    new_method_return,
)
from jeepney.io.blocking import open_dbus_connection  # type: ignore[import-untyped]

from tests.tools import needs

LOGIN1, POWER = "org.freedesktop.login1", "org.freedesktop.PowerManagement"


@contextlib.contextmanager
def private_bus(directory: Path) -> Iterator[str]:
    """Address of a fresh bus."""
    program = needs("dbus-daemon", "a real bus to be kept awake by")
    address = f"unix:path={directory / 'bus'}"
    config = directory / "bus.conf"
    config.write_text(
        "<!DOCTYPE busconfig PUBLIC '-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN'"
        " 'http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd'><busconfig>"
        f"<type>session</type><listen>{address}</listen><auth>EXTERNAL</auth><policy context='default'>"
        "<allow send_destination='*' eavesdrop='true'/><allow own='*'/><allow receive_sender='*'/></policy></busconfig>"
    )
    daemon = subprocess.Popen(
        [program, f"--config-file={config}", "--nofork", "--print-address"], stdout=subprocess.PIPE, text=True
    )
    try:
        assert daemon.stdout is not None
        assert daemon.stdout.readline().startswith("unix:")
        yield address
    finally:
        daemon.terminate()
        daemon.wait(10)
        assert daemon.stdout is not None
        daemon.stdout.close()


class StandIn:
    """Answers Inhibit and UnInhibit like logind or a power manager. refuse: names of locks that are denied."""

    def __init__(self, address: str, name: str, refuse: frozenset[str] = frozenset()) -> None:
        self.calls: list[tuple[str, tuple[Any, ...]]] = []
        self._refuse = refuse
        self._closing = threading.Event()
        self._pipes: list[int] = []
        self._connection = open_dbus_connection(bus=address, enable_fds=True)
        self._connection.send_and_get_reply(message_bus.RequestName(name))
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def held(self) -> int:
        """Locks whose other end is still open."""
        count = 0
        for fd in self._pipes:
            os.set_blocking(fd, False)
            with contextlib.suppress(BlockingIOError):
                if os.read(fd, 1) == b"":
                    continue
            count += 1
        return count

    def restart(self) -> None:
        """Forget every lock, as a restarted logind does."""
        for fd in self._pipes:
            os.close(fd)
        self._pipes.clear()

    def close(self) -> None:
        self._closing.set()
        self._thread.join(5)
        self.restart()
        self._connection.close()

    def _serve(self) -> None:
        while not self._closing.is_set():
            try:
                message = self._connection.receive(timeout=0.05)
            except TimeoutError:
                continue
            if message.header.message_type is not MessageType.method_call:
                continue
            member = message.header.fields[HeaderFields.member]
            self.calls.append((member, tuple(message.body)))
            if member == "Inhibit" and len(message.body) == 4:
                if message.body[0] in self._refuse:
                    reply = new_error(message, "org.freedesktop.DBus.Error.AccessDenied", "s", ("Permission denied",))
                    self._connection.send(reply)
                    continue
                ours, theirs = os.pipe()
                self._pipes.append(ours)
                self._connection.send(new_method_return(message, "h", (theirs,)))
                os.close(theirs)
            elif member == "Inhibit":
                self._connection.send(new_method_return(message, "u", (7,)))
            else:
                self._connection.send(new_method_return(message))
