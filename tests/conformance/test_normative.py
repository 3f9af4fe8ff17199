"""Every sentence of SPEC.md that says MUST or SHOULD, and the rules of the tester that hold a device to it."""

import re

from logger.conformance.protocol_rules import RULES
from tests.protocol import reference

SPEC = (reference.VECTORS.parent / "SPEC.md").read_text(encoding="utf-8")

# How a sentence begins -> the rules, or why a device is not held to it from outside.
HELD: dict[str, tuple[str, ...] | str] = {
    "MUST, SHOULD and MAY are those": "words",
    "- MUST find the next good frame": ("frame.recovery",),
    "- MUST drop a block that is too long": ("bad.answered", "frame.counted"),
    "- MUST take several 0x00 in a row": ("frame.idle",),
    "- MUST bound its buffer": "memory cannot be seen; a block of 300 bytes goes before a good request",
    "A sender MUST put whole frames": ("frame.crc", "frame.cobs", "frame.length"),
    "A sender SHOULD send one extra 0x00": ("frame.pause",),
    "A host SHOULD send one before": "of hosts",
    "- It MUST begin its reply within": ("reply.late", "reply.none"),
    "A permit *open* (section 8) MUST": ("permit.beside", "permit.open"),
    "- It MUST ignore every payload": ("echo.answered",),
    "- After *start* every channel": ("start.first", "start.once"),
    "the first hello SHOULD be repeated": "of hosts",
    "- A host SHOULD ask for the status": "of hosts",
    "- A host MUST refuse": "of hosts",
    "- Messages of an unknown type MUST": "of hosts",
    "The clock MUST keep within": ("tick.rate",),
    "A host SHOULD send one every 10": "of hosts",
    "a resent frame MUST NOT delay": ("resend.live",),
    "- A device MUST hold the newest": ("resend.buffer", "resend.first", "resend.oldest"),
    "A host MUST NOT scale": "of hosts",
    "Devices SHOULD write integers": ("cbor.shortest", "cbor.order"),
    "hosts MUST accept longer forms": "of hosts",
    "The unit MUST be one of": ("describe.sensor",),
    "A host MUST compute it": "of hosts",
    "All channels together MUST fit": ("message.field",),
    "A device MUST NOT send a held": "what is true cannot be seen from the line",
    "x0 and x1 MUST differ": ("describe.sensor",),
    "R0, T0, and y0 and y1": ("describe.sensor",),
    "A device SHOULD sample the cold junction": ("describe.junction",),
    "A device with outputs MUST give": ("status.outputs",),
    "After a start-up the delay of j SHOULD": ("start.delay",),
    "a watchdog MUST restart": "a firmware does not hang when asked to",
    "Device Information (0x180A)": "of Bluetooth, beside the protocol",
}


def _sentences() -> list[str]:
    prose = re.sub(r"```.*?```", "", SPEC, flags=re.S)
    blocks = re.split(r"\n\s*\n|\n(?=\s*[-|#]|\s*\d+\. )", prose)
    sentences = [s for block in blocks for s in re.split(r"(?<=[.;:]) ", " ".join(block.split()))]
    return [sentence for sentence in sentences if re.search(r"\b(MUST|SHOULD)\b", sentence)]


def test_every_normative_sentence_has_its_rules_or_a_reason() -> None:
    unsaid = [s for s in _sentences() if not any(s.startswith(begins) for begins in HELD)]
    assert unsaid == []
    gone = [begins for begins in HELD if not any(s.startswith(begins) for s in _sentences())]
    assert gone == []


def test_the_rules_named_are_rules() -> None:
    named = {rule for rules in HELD.values() if isinstance(rules, tuple) for rule in rules}
    assert named <= set(RULES)
