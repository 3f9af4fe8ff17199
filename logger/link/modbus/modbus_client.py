"""One connection to Modbus transmitters, by pymodbus, which is an optional extra and imported only here.

What comes back is the answer's PDU as it was on the wire, so that it can be stored.
"""

import importlib.util
import logging
from typing import Any, Final
from urllib.parse import urlsplit

from logger.decode.registers import Block
from logger.link.errors import CLOSED, LinkError, LinkLost
from logger.model.extras import how_to_add
from logger.model.instrument import ModbusPort

log = logging.getLogger(__name__)

_READ: Final = {3: "read_holding_registers", 4: "read_input_registers"}


class ModbusMissing(LinkError):
    """pymodbus is not installed."""


def need_pymodbus() -> None:
    """Raises ModbusMissing, with what to do, when Modbus cannot be spoken here."""
    if importlib.util.find_spec("pymodbus") is None:
        raise ModbusMissing(f"Modbus transmitters need pymodbus: {how_to_add('pymodbus')}")


class ModbusClient:
    """Made by `open`. Requests one after another; nothing is tried twice."""

    def __init__(self, url: str, client: Any) -> None:
        self.url = url
        self._client = client

    @classmethod
    async def open(cls, url: str, port: ModbusPort) -> "ModbusClient":
        """socket://host:port (502 if left out), or a serial port. Raises LinkLost, ModbusMissing."""
        need_pymodbus()
        from pymodbus import FramerType
        from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient

        # It would print every time-out of a night on the terminal; every exchange is an event here anyway.
        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)
        common: dict[str, Any] = {"timeout": port.timeout_s, "retries": 0, "reconnect_delay": 0}
        client: Any
        try:
            if url.startswith("socket://"):
                parts = urlsplit(url)
                framer = FramerType.SOCKET if port.framing == "tcp" else FramerType.RTU
                client = AsyncModbusTcpClient(parts.hostname or "", port=parts.port or 502, framer=framer, **common)
            else:
                client = AsyncModbusSerialClient(
                    url, framer=FramerType.RTU, baudrate=port.baud, bytesize=int(port.mode[0]), parity=port.mode[1],
                    stopbits=int(port.mode[2]), **common,
                )  # fmt: skip
            connected = await client.connect()
        except Exception as exc:  # its own, OSError, ValueError; of a serial port termios.error, which is none of these
            raise LinkLost.of(url, exc) from exc
        if not connected:
            client.close()
            raise LinkLost("no-connection", f"{url}: no connection")
        return cls(url, client)

    async def ask(self, block: Block) -> bytes:
        """The answer's PDU, also of an exception; b"" when none came in time. Raises LinkLost."""
        from pymodbus.exceptions import ModbusIOException

        if not self._client.connected:
            raise LinkLost(CLOSED, f"{self.url}: closed by the other side")
        try:
            answer = await getattr(self._client, _READ[block.function])(
                block.address, count=block.count, device_id=block.unit_id
            )
        except ModbusIOException:
            return b""
        except Exception as exc:
            raise LinkLost.of(self.url, exc) from exc
        return bytes([answer.function_code]) + bytes(answer.encode())

    def close(self) -> None:
        """Never raises; may be called again."""
        try:
            self._client.close()
        except Exception:  # of a port that was unplugged
            log.debug("closing %s", self.url, exc_info=True)
