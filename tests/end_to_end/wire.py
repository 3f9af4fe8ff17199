"""A cable between the daemon and a simulated device that can be spoilt, pulled out and plugged in again.

The daemon's end is a pseudo-terminal under a name of its own (a link, as udev makes them) or a TCP port; the device's
end is its TCP port. Bytes pass through `Faults` in both directions.
"""

import contextlib
import os
import random
import select
import socket
import threading
import tty
from pathlib import Path

from tests.link.proxy import Faults


class Wire:
    """`with Wire(device_url, name=path)`: a pty found at `path`; without a name: TCP, found at `url`."""

    def __init__(self, device_url: str, name: Path | None = None, seed: int = 1) -> None:
        host, port = device_url.removeprefix("socket://").split(":")
        self._device_at = host, int(port)
        self._name = name
        self.to_host = Faults(random.Random(f"to host {seed}"))
        self.to_device = Faults(random.Random(f"to device {seed}"))
        self.passed = 0  # bytes of the device that went in
        self._device: socket.socket | None = None
        self._host: socket.socket | None = None
        self._listener: socket.socket | None = None
        self._master = self._slave = -1
        self._lock = threading.RLock()
        self._ended = False
        if name is None:
            self._listener = socket.create_server(("127.0.0.1", 0))
            self.url = "socket://{}:{}".format(*self._listener.getsockname())
        else:
            self.url = str(name)
        self._thread = threading.Thread(target=self._run, name="wire", daemon=True)

    def __enter__(self) -> "Wire":
        self.plug_in()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended = True
        self._thread.join(10)
        self.unplug()
        if self._listener is not None:
            self._listener.close()

    def spoil(self, share: float) -> None:
        """So much of the bytes flipped, and as much dropped, both ways."""
        for faults in (self.to_host, self.to_device):
            faults.flip = faults.drop = share

    def plug_in(self) -> None:
        with self._lock:
            self._device = socket.create_connection(self._device_at, timeout=60)
            self._device.setblocking(False)
            if self._name is not None:
                self._master, self._slave = os.openpty()
                tty.setraw(self._slave)
                os.set_blocking(self._master, False)
                self._name.unlink(missing_ok=True)
                self._name.symlink_to(os.ttyname(self._slave))

    def unplug(self) -> None:
        """As a pulled cable: the port vanishes, and the device notices nothing but that nobody listens."""
        with self._lock:
            if self._device is not None:
                self._device.close()
                self._device = None
            self._hang_up()
            if self._name is not None and self._master >= 0:
                self._name.unlink(missing_ok=True)
                os.close(self._master)
                os.close(self._slave)
                self._master = self._slave = -1

    def _hang_up(self) -> None:
        if self._host is not None:
            self._host.close()
            self._host = None

    def _run(self) -> None:
        while not self._ended:
            with self._lock:
                ends = [e for e in (self._device, self._host, self._listener, self._master) if e not in (None, -1)]
                ready = select.select(ends, [], [], 0)[0]
                for end in ready:
                    self._serve(end)
            if not ready:
                select.select([], [], [], 0.005)

    def _serve(self, end: "socket.socket | int | None") -> None:
        with contextlib.suppress(BlockingIOError):
            if end is self._listener and self._listener is not None:
                self._hang_up()
                self._host = self._listener.accept()[0]
                self._host.setblocking(False)
            elif end is self._device and self._device is not None:
                data = self._device.recv(65_536)
                self.passed += len(data)
                self._to_host(self.to_host.apply(data))
            elif self._device is not None:
                data = os.read(self._master, 65_536) if isinstance(end, int) else self._from_host()
                self._device.sendall(self.to_device.apply(data))

    def _from_host(self) -> bytes:
        assert self._host is not None
        try:
            data = self._host.recv(65_536)
        except ConnectionError:
            data = b""
        if not data:
            self._hang_up()
        return data

    def _to_host(self, data: bytes) -> None:
        """What does not fit into the system's buffer is lost, as on a line without flow control."""
        with contextlib.suppress(BlockingIOError, ConnectionError):
            if self._master >= 0:
                os.write(self._master, data)
            elif self._host is not None:
                self._host.send(data)
