"""A local user without a token, as a program of its own: `python -m tests.api.crowd PORT WAY` until it is killed.

It says "there" once the server has answered one or shut the door on it. idle: keeps 200 connections open that ask
nothing, and opens each again once it is closed. asking: requests without a token, as many on each connection as it
takes. dripping: headers that never end, a byte at a time.
"""

import contextlib
import selectors
import socket
import sys
import time

CONNECTIONS = 200
REQUEST = b"GET /api/v1/status HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n"


def main(port: int, way: str) -> None:
    ask = {"idle": b"", "asking": REQUEST % port * 50, "dripping": b"X"}[way]
    crowd = selectors.DefaultSelector()
    next_drip_s, there = 0.0, False
    while True:
        while len(crowd.get_map()) < CONNECTIONS:
            one = socket.socket()
            one.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                one.connect(("127.0.0.1", port))
            crowd.register(one, selectors.EVENT_READ)
        drips = way == "dripping" and time.monotonic() > next_drip_s
        next_drip_s = time.monotonic() + 0.2 if drips else next_drip_s
        for key in list(crowd.get_map().values()) if drips or way == "asking" else ():
            assert isinstance(key.fileobj, socket.socket)
            with contextlib.suppress(OSError):
                key.fileobj.send(ask)
        for key, _ in crowd.select(0.01):
            if not there:
                print("there", flush=True)
                there = True
            assert isinstance(key.fileobj, socket.socket)
            try:
                closed = not key.fileobj.recv(1 << 16)
            except BlockingIOError:
                closed = False
            except OSError:
                closed = True
            if closed:
                crowd.unregister(key.fileobj)
                key.fileobj.close()


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2])
