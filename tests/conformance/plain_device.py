"""A device in plain Python, from SPEC.md alone and nothing of our codec: the smallest useful one of section 1."""

import struct
import zlib

TICK_HZ = 1000
PERIOD_MS = 250
Map = dict[int, int | str | bytes]


def stuffed(payload: bytes) -> bytes:
    raw = payload + struct.pack("<I", zlib.crc32(payload))
    return b"".join(bytes((len(run) + 1,)) + run for run in raw.split(b"\0")) + b"\0"


def unstuffed(block: bytes) -> bytes | None:
    out, at = bytearray(), 0
    while at < len(block):
        code = block[at]
        if at + code > len(block):
            return None
        out += block[at + 1 : at + code] + b"\0"
        at += code
    raw = bytes(out[:-1])
    good = len(raw) > 4 and zlib.crc32(raw[:-4]) == struct.unpack("<I", raw[-4:])[0]
    return raw[:-4] if good else None


def item(value: int | str | bytes) -> bytes:
    """One of the few items that this device needs."""
    if isinstance(value, int):
        major, argument = (0, value) if value >= 0 else (1, -1 - value)
        tail = b""
    else:
        tail = value.encode() if isinstance(value, str) else value
        major, argument = 3 if isinstance(value, str) else 2, len(tail)
    for limit, info, form in ((24, None, ""), (1 << 8, 24, ">B"), (1 << 16, 25, ">H"), (1 << 32, 26, ">I")):
        if argument < limit:
            head = bytes((major << 5 | (argument if info is None else info),))
            return head + (struct.pack(form, argument) if form else b"") + tail
    raise ValueError(value)


def body(fields: Map) -> bytes:
    return bytes((0xA0 | len(fields),)) + b"".join(item(key) + item(value) for key, value in sorted(fields.items()))


CHANNELS = [
    body({0: 0, 1: 4, 2: "Cel", 3: 3, 4: -2, 5: PERIOD_MS, 9: -40, 10: 120, 13: "Pipe"}),
    body({0: 1, 1: 5, 2: "kg", 3: 3, 4: -3, 5: PERIOD_MS, 9: 0, 10: 150, 13: "Scale"}),
]


class PlainDevice:
    device_id = b"plain-01"
    channels = CHANNELS

    def __init__(self) -> None:
        self.layout = zlib.crc32(b"".join(self.channels))
        self.boot, self.now_ms = 40, 0
        self.reset()

    def reset(self) -> None:
        self.boot += 1
        self.streaming = False
        self.sequence = self.bad = 0
        self.begun_ms = self.said_ms = self.sample_ms = self.now_ms
        self.status_ms = self.now_ms + 2000
        self.block = bytearray()
        self.out: list[bytes] = []
        self.say(self.hello(0))

    def say(self, payload: bytes) -> None:
        self.out.append(stuffed(payload))

    def hello(self, request: int) -> bytes:
        fields: Map = {0: 1, 1: 1, 2: self.device_id, 3: "plain", 4: "1", 5: self.boot, 6: TICK_HZ}
        return bytes((0x81, request)) + self.hello_body(fields | {7: len(self.channels), 8: self.layout})

    def hello_body(self, fields: Map) -> bytes:
        return body(fields)

    def status(self, request: int) -> bytes:
        fields: Map = {0: (self.now_ms - self.begun_ms) // 1000, 1: self.boot, 2: int(self.streaming), 3: self.layout}
        fields |= {4: self.sequence, 5: self.sequence, 6: self.now_ms}
        return bytes((0x84, request)) + self.status_body(fields | ({8: self.bad} if self.bad else {}))

    def status_body(self, fields: Map) -> bytes:
        return body(fields)

    def error(self, request: int, code: int, kind: int) -> bytes:
        return bytes((0x85, request)) + body({0: code, 2: kind} if kind else {0: code})

    def accepted(self, request: int, kind: int) -> bytes:
        return struct.pack("<BBBIIII", 0x86, request, kind, self.boot, self.layout, self.sequence, self.now_ms)

    def answer(self, payload: bytes) -> bytes | None:
        kind = payload[0]
        if kind & 0x80:
            return None
        if len(payload) < 2 or payload[1] == 0:
            return self.error(0, 2, kind)
        request = payload[1]
        if len(payload) < {1: 4, 2: 3, 4: 2, 5: 2, 6: 2, 8: 10}.get(kind, 0):
            return self.error(request, 2, kind)
        if kind == 1:
            return self.hello(request)
        if kind == 2:
            index = payload[2]
            return (
                bytes((0x82, request)) + self.channels[index]
                if index < len(self.channels)
                else self.error(request, 3, kind)
            )
        if kind == 4:
            return self.status(request)
        if kind in (5, 6):
            if kind == 5 and not self.streaming:
                self.sample_ms = self.now_ms + 10
            self.streaming = kind == 5
            return self.accepted(request, kind)
        if kind == 8:
            return struct.pack("<BBI8sII", 0x88, request, self.boot, payload[2:10], self.now_ms, self.now_ms)
        return self.error(request, 1, kind)

    def step(self, data: bytes, now_s: float) -> bytes:
        while self.now_ms < round(now_s * 1000):
            self.now_ms += 1
            if self.now_ms >= self.status_ms:
                self.status_ms += 2000
                self.say(self.status(0))
            if self.streaming and self.now_ms >= self.sample_ms:
                self.sample_ms += PERIOD_MS
                head = struct.pack(
                    "<BIIIB", 0x90, self.layout, self.sequence, self.now_ms, (1 << len(self.channels)) - 1
                )
                raws = (2150, 14_000 + self.sequence)[: len(self.channels)]
                self.say(head + b"".join(n.to_bytes(3, "little", signed=True) for n in raws))
                self.sequence += 1
        for byte in data:
            self.receive(byte)
        out = b"".join(self.out)
        self.out.clear()
        if out and (self.now_ms == self.begun_ms or self.now_ms - self.said_ms >= 1000):
            out = b"\0" + out
        if out:
            self.said_ms = self.now_ms
        return out

    def receive(self, byte: int) -> None:
        if byte:
            self.block.append(byte)
            return
        block, self.block = bytes(self.block), bytearray()
        if not block or 32 < len(block) < 242:
            return  # an idle line, or longer than any request
        payload = unstuffed(block) if len(block) < 242 else None
        if payload is None:
            self.bad += 1
        elif (reply := self.answer(payload)) is not None:
            self.say(reply)
