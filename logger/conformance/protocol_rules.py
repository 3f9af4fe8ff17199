"""Every rule that is checked: key -> section of SPEC.md, whether a device must or should, and the rule in words."""

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Rule:
    section: str
    must: bool
    words: str


def _must(section: str, words: str) -> Rule:
    return Rule(section, True, words)


def _should(section: str, words: str) -> Rule:
    return Rule(section, False, words)


RULES: Final[dict[str, Rule]] = {
    # framing
    "frame.crc": _must("2", "a frame ends with the CRC-32 of its payload, least significant byte first"),
    "frame.cobs": _must("2", "a frame is stuffed by COBS: its code bytes end where it ends"),
    "frame.length": _must("2", "a frame has 6 to 241 bytes before its delimiter"),
    "frame.recovery": _must("2", "the next good frame is found after any garbage, by looking for 0x00"),
    "frame.counted": _should("2", "bad frames are counted (status key 8)"),
    "frame.idle": _must("2", "several 0x00 in a row are an idle line, not frames"),
    "frame.pause": _should("2", "one extra 0x00 goes before the first frame after a pause of a second or more"),
    # content
    "payload.direction": _must("4", "bit 7 of the first byte is set in what a device sends"),
    "payload.type": _must("4", "a device sends the types of its version"),
    "cbor.form": _must("5", "a body is one map with integer keys, of the allowed items, and nothing after it"),
    "cbor.shortest": _should("5", "integers are written in the shortest form"),
    "cbor.order": _should("5", "keys are in ascending order"),
    "cbor.default": _should("5", "a key with a default is left out when it has it"),
    "cbor.text": _must("5", "text holds no control characters"),
    "message.field": _must("7", "each field is there, of its kind and within its bounds"),
    # conversation
    "reply.none": _must("3.1", "every request is answered"),
    "reply.late": _must("3.1", "a reply begins within 500 ms of the request's delimiter"),
    "reply.id": _must("3.2", "a reply repeats the request id"),
    "reply.type": _must("6", "each request has its own reply"),
    "reply.twice": _must("3.1", "a request gets one reply"),
    "idle.stream": _must("3.1", "a device never streams unasked"),
    "echo.answered": _must("3.1", "a payload whose first byte has bit 7 set gets no reply"),
    "bad.answered": _must("3.1", "a bad frame gets no reply"),
    "hello.major": _must("3.1", "hello? is answered for every version the host states"),
    "hello.id": _must("7.1", "the device id is never the same in two devices: a serial number or drawn at random"),
    "hello.same": _must("7.1", "hello is the same as long as nothing has changed"),
    "hello.outputs": _must("8", "a device with outputs has capability bit 2, and one with the bit has outputs"),
    "hello.buffer": _must("7.1", "a device that resends says how many frames it can keep"),
    "error.unknown": _must("3.1", "an unknown request type gets error 1"),
    "error.malformed": _must("3.1", "a request that breaks section 6 gets error 2"),
    "error.id0": _must("6", "a payload too short for a request id, or with id 0, gets error 2 with id 0"),
    "error.index": _must("7.6", "what does not exist gets error 3"),
    "error.capability": _must("3.1", "a request that needs a capability not announced gets error 5 or 1"),
    "request.longer": _should("4", "bytes after the part of a request that is known are ignored"),
    "start.again": _must("3.1", "start while streaming, and stop while idle, change nothing and are accepted"),
    "start.first": _must("3.1", "after start every channel is due within one period of its own"),
    "start.once": _should("3.1", "after start every channel is due at once"),
    "stop.stream": _must("3.1", "after stop no samples come"),
    # a new start
    "start.hello": _must("3.1", "after start-up a device sends one hello of its own accord"),
    "start.boot": _must("3.3", "the boot count is one more at every start of the firmware, or drawn at random"),
    "start.sequence": _must("3.3", "the sequence is 0 for the first samples frame after start-up"),
    "start.open": _must("8", "outputs are open at start-up"),
    "start.delay": _should("8", "the reopen delay is counted from start-up too"),
    # counters and time
    "status.interval": _must("3.1", "a status at least every 5 s, idle or streaming"),
    "status.boot": _must("3.3", "every message of one start carries the same boot count"),
    "status.layout": _must("3.6", "status and accepted carry the layout id of hello"),
    "status.state": _must("7.5", "state is 1 from start on and 0 from stop on"),
    "status.sequence": _must("7.5", "oldest to next sequence is no more than the buffer that hello states"),
    "status.counters": _must("7.5", "uptime, dropped and bad frames never fall"),
    "status.uptime": _must("7.5", "uptime counts the seconds since start-up"),
    "status.outputs": _must("7.5", "key 12 in every status of a device with outputs, with an entry for each"),
    "next.sequence": _must("3.5", "every frame before the next sequence of a status has been sent or dropped"),
    "sequence.step": _must("3.3", "the sequence is one more for every samples frame made"),
    "tick.forward": _must("3.3", "ticks run forward, at the rate that hello states"),
    "tick.rate": _must("3.3", "ticks run within 1 % of the rate that hello states"),
    "mark.host_time": _must("3.4", "time marked carries the host's number as it came"),
    "mark.ticks": _must("3.4", "the tick at receipt is not after the tick at reply"),
    # descriptions and samples
    "layout.id": _must("7.2", "the layout id is the CRC-32 over the bodies of all descriptions in channel order"),
    "describe.index": _must("7.2", "describe has the index that was asked for"),
    "describe.same": _must("3.6", "a description does not change while the layout id stays"),
    "describe.sensor": _must("7.4", "sensor kind, parameters, quantity and unit go together"),
    "describe.unit": _should("7.2", "the unit is the UCUM code of a unit that hosts know"),
    "describe.junction": _should("7.4", "a thermocouple's cold junction is sampled every 10 s or more often"),
    "describe.range": _must("7.2", "the range's low end is below its high end"),
    "samples.layout": _must("3.6", "samples carry the layout id of the descriptions in force"),
    "samples.length": _must("7.3", "a samples payload has exactly the bitmap and one integer for each channel present"),
    "samples.tick": _must("3.3", "the tick in samples is the instant of the measurement"),
    "samples.period": _must("7.3", "a channel is present when it is due: once in its period"),
    # periods and resending
    "period.layout": _must("3.6", "a period that was set changes the description and with it the layout id"),
    "period.next": _must("6", "after set period the channel comes within one new period"),
    "period.others": _must("6", "set period changes the channel that was asked for and no other"),
    "period.hello": _must("3.6", "a hello with request id 0 follows a changed layout"),
    "period.accepted": _must("6", "accepted carries the layout id after the request was carried out"),
    "resend.first": _must("3.5", "first' is the oldest frame held at or after the one asked for"),
    "resend.buffer": _must("3.5", "of the frames made at least half as many are held as hello's buffer states"),
    "resend.count": _must("3.5", "no more than what was asked for is sent again"),
    "resend.oldest": _must("3.5", "the oldest frame held is the same in resending as in status, and never falls"),
    "resend.kept": _must("3.5", "neither start nor stop empties the buffer"),
    "resend.bytes": _must("3.5", "a frame is sent again byte for byte"),
    "resend.all": _must("3.5", "the frames announced follow, oldest first, also while idle"),
    "resend.live": _must("3.5", "a resent frame does not delay a live one by more than itself"),
    "resend.newer": _must("3.5", "a new resend from replaces one still being served"),
    "resend.future": _must("3.5", "what is not held is not announced: count' is 0"),
    # outputs
    "output.describe": _must("8", "describe output states the index that was asked for"),
    "permit.order": _must(
        "8",
        "a permit is refused by the first rule of section 8 that applies",  # words: SPEC
    ),
    "permit.closed": _must(
        "8",
        "an accepted permit closes the output, and status says so with the time left",  # words: SPEC
    ),
    "permit.expiry": _must("8", "the output opens when the time-out runs out"),
    "permit.opened_by": _must("8", "status says why an output opened"),
    "permit.at_once": _must("8", "a status is sent at once when an output opens unasked"),
    "permit.tripped": _must(
        "8",
        "an output that opened unasked must be re-armed by a permit open",  # words: SPEC
    ),
    "permit.open": _must("8", "open is always carried out, for any value of its other fields"),
    "permit.opens": _must("8", "open opens the output at once, and status says so"),
    "permit.beside": _must("3.1", "open is carried out while another request waits, and takes no other reply's place"),
    "permit.again": _must("8", "each accepted hold closed restarts the time-out"),
    "permit.reopen": _must("8", "an output open for less than its reopen delay is not closed: error 6"),
    "permit.guard": _must("8", "the guard is checked on every sample of its channel"),
    "permit.replaced": _must("8", "each accepted hold closed replaces the guard"),
    "permit.idle": _must("8", "an output is open while idle: from start-up on, and after stop"),
    "permit.stop": _must("8", "stop opens the output"),
}
