"""What goes wrong between a device and its host: bytes lost, changed or added, silence, cut frames, chatter.

`FaultyLine` sits in either direction; without settings it passes everything on. Seeded: the same bytes get the same
faults. Faults of the device itself (reboot, drift, broken wires) are on `Device` and its sensors.
"""

import random
from dataclasses import dataclass

from sim_device.errors import BadSetting

_GREETING = b"\r\nboot: rst cause 1\r\n\xff\xfe\x80garbage \x00\x13\x37\r\n"
_CHATTER = b"never a delimiter here "


@dataclass(frozen=True, slots=True)
class FaultRates:
    """Chance for each byte: dropped, one bit flipped, a random byte inserted before it."""

    dropped: float = 0.0
    flipped: float = 0.0
    inserted: float = 0.0

    def __post_init__(self) -> None:
        for name, rate in (("dropped", self.dropped), ("flipped", self.flipped), ("inserted", self.inserted)):
            if not 0.0 <= rate <= 1.0:
                raise BadSetting(f"a rate of {name} bytes is 0 to 1, not {rate}")


class FaultyLine:
    """One direction of a line. Times are the caller's seconds (plant time in the served rig)."""

    def __init__(self, seed: int | str = 0, rates: FaultRates | None = None) -> None:
        self.rates = rates or FaultRates()
        self.garbage_at_connect = b""
        self.bytes_lost = self.bytes_changed = self.bytes_added = 0
        self._rng = random.Random(f"line/{seed}")
        self._silent_until_s = -1.0
        self._passes_left: int | None = None  # then nothing, until `mend`
        self._chatter_until_s = -1.0
        self._chatter_bytes_s = 0.0
        self._last_s: float | None = None

    def greet_with_garbage(self, data: bytes = _GREETING) -> None:
        """Send this before anything else at every connect, as a boot loader at another baud rate does."""
        self.garbage_at_connect = data

    def silence(self, until_s: float) -> None:
        """Swallow everything until then."""
        self._silent_until_s = until_s

    def cut_after(self, count: int) -> None:
        """Pass so many more bytes (a frame stops in the middle), then nothing until `mend`."""
        self._passes_left = max(0, count)

    def chatter(self, until_s: float, bytes_s: float = 50_000.0) -> None:
        """Between frames, pour out bytes that are none, until then."""
        self._chatter_until_s, self._chatter_bytes_s = until_s, bytes_s

    def mend(self) -> None:
        """All faults end but the rates."""
        self._silent_until_s = self._chatter_until_s = -1.0
        self._passes_left = None

    def connected(self) -> bytes:
        return self.garbage_at_connect

    def pass_on(self, data: bytes, now_s: float) -> bytes:
        elapsed_s = 0.0 if self._last_s is None else max(0.0, now_s - self._last_s)
        self._last_s = now_s
        if now_s < self._silent_until_s:
            self.bytes_lost += len(data)
            return b""
        data = self._spoilt(data)
        if now_s < self._chatter_until_s:
            data += self._noise(int(min(elapsed_s, 1.0) * self._chatter_bytes_s))
        if self._passes_left is not None:
            self.bytes_lost += max(0, len(data) - self._passes_left)
            data = data[: self._passes_left]
            self._passes_left -= len(data)
        return data

    def _noise(self, count: int) -> bytes:
        self.bytes_added += count
        return (_CHATTER * (count // len(_CHATTER) + 1))[:count]

    def _spoilt(self, data: bytes) -> bytes:
        rates = self.rates
        if not data or not (rates.dropped or rates.flipped or rates.inserted):
            return data
        draw = self._rng.random
        out = bytearray()
        for byte in data:
            if rates.inserted and draw() < rates.inserted:
                out.append(self._rng.randrange(256))
                self.bytes_added += 1
            if rates.dropped and draw() < rates.dropped:
                self.bytes_lost += 1
                continue
            if rates.flipped and draw() < rates.flipped:
                byte ^= 1 << self._rng.randrange(8)
                self.bytes_changed += 1
            out.append(byte)
        return bytes(out)
