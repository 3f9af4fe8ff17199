"""Runs a program of ours on an emulated radio: `python -m tests.link.ble.with_bumble PORT rimelog find --ble`.

PORT: of `air.serve_dongles`. bleak is unchanged; only what stands for the operating system under it is bumble's.
"""

import runpy
import sys
from collections.abc import AsyncIterator

from bumble.device import Device
from bumble.hci import Address
from bumble.transport import open_transport
from bumble.transport.common import Transport

from logger.link import discovery
from tests.link.ble import backend

ADDRESS = "C0:00:00:00:00:02"


async def _held_open(transport: Transport) -> AsyncIterator[None]:
    """Open as long as the loop runs, which ends its asynchronous generators."""
    try:
        yield
    finally:
        await transport.close()


def plug_in(port: int) -> None:
    """From the first use of Bluetooth on, this program has a dongle of its own in that air."""

    async def open_radio() -> Device:
        transport = await open_transport(f"tcp-client:127.0.0.1:{port}")
        address = Address(ADDRESS, Address.RANDOM_DEVICE_ADDRESS)
        radio = Device.with_hci("logger", address, transport.source, transport.sink)
        kept = _held_open(transport)
        await anext(kept)
        radio.transport = kept  # type: ignore[attr-defined]
        await radio.power_on()
        return radio

    discovery.RADIO_SCAN_S = 0.5  # emulated peripherals advertise all the time
    backend.Central.forget(None)
    backend.Central.open_radio = staticmethod(open_radio)
    backend.install()


if __name__ == "__main__":
    plug_in(int(sys.argv[1]))
    program, sys.argv = sys.argv[2], sys.argv[2:]
    runpy.run_module("logger" if program == "rimelog" else program, run_name="__main__", alter_sys=True)
