"""Where this computer is on the local network."""

import contextlib
import socket
import struct
import sys

from logger.page.page_door import near

_ELSEWHERE = ("192.0.2.1", "10.255.255.254", "172.31.255.254", "192.168.255.254")  # nothing is sent there
_SIOCGIFADDR = 0x8915  # Linux: netdevice(7)


def lan_addresses() -> list[str]:
    """IPv4 addresses that others on the network may reach, that of the usual route first. Empty without a network."""
    found = dict.fromkeys([*_by_route(), *_by_name(), *_by_interface()])
    return [one for one in found if near(one) and not one.startswith(("127.", "0."))]


def _by_route() -> list[str]:
    found = []
    for there in _ELSEWHERE:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking, contextlib.suppress(OSError):
            asking.connect((there, 9))
            found.append(str(asking.getsockname()[0]))
    return found


def _by_name() -> list[str]:
    try:
        return socket.gethostbyname_ex(socket.gethostname())[2]
    except (OSError, UnicodeError):
        return []


def _by_interface() -> list[str]:
    """Also those without a route; elsewhere than on Linux the name has them all."""
    if sys.platform != "linux":
        return []
    import fcntl

    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        for _, name in socket.if_nameindex():
            with contextlib.suppress(OSError):
                asked = struct.pack("256s", name.encode()[:15])
                found.append(socket.inet_ntoa(fcntl.ioctl(asking.fileno(), _SIOCGIFADDR, asked)[20:24]))
    return found
