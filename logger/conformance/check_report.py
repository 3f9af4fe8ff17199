"""Faults and frames in words and hex, for a person with the firmware's source beside them."""

from firmware_protocol.messages import Hello
from logger.conformance.observer import BrokenRule, Observer
from logger.conformance.protocol_rules import RULES
from logger.model.text import clean

BYTES_A_LINE = 24
MAX_SHOWN = 400  # characters of what was found


def fault_lines(fault: BrokenRule) -> list[str]:
    """One fault: the rule, what was found, and the payload in hex with the offending byte marked."""
    rule = RULES[fault.rule]
    times = f" ({fault.times} times)" if fault.times > 1 else ""
    lines = [
        f"{'MUST' if rule.must else 'SHOULD'}, SPEC.md section {rule.section}: {rule.words}  [{fault.rule}]",
        f"    found: {clean(fault.found, MAX_SHOWN)}{times}",
    ]
    if fault.payload:
        lines += [f"    {line}" for line in marked_hex(fault.payload, fault.at)]
    if fault.frame and fault.frame != fault.payload:
        lines.append(f"    on the wire: {fault.frame.hex(' ')}")
    return lines


def marked_hex(data: bytes, at: int | None = None) -> list[str]:
    """Hex in rows with their offsets; under the byte `at` a mark."""
    lines = []
    for begin in range(0, len(data), BYTES_A_LINE):
        row = data[begin : begin + BYTES_A_LINE]
        lines.append(f"{begin:3}  {row.hex(' ')}")
        if at is not None and begin <= at < begin + len(row):
            lines.append(" " * (5 + 3 * (at - begin)) + "^^")
    return lines


def summary(observer: Observer, step: str, finished: bool) -> str:
    """The verdict in a line or two."""
    faults = list(observer.faults.values())
    must = sum(RULES[fault.rule].must for fault in faults)
    hello = observer.hello
    who = "no device was heard" if hello is None else describe_device(hello)
    ended = "" if finished else f"; ended during: {step}"
    if not faults and not observer.counts["good"]:
        return f"{who}: no frame at all{ended}"
    if not faults:
        return f"{who}: no fault in {_number(observer.counts['good'], 'frame')}{ended}"
    should = len(faults) - must
    return f"{who}: {_number(must, 'rule')} broken that a device MUST keep, {should} that it SHOULD{ended}"


def _number(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"


def describe_device(hello: Hello) -> str:
    return clean(
        f"{hello.firmware_name} {hello.firmware_version} ({hello.model or 'no model'}), "
        f"protocol {hello.major}.{hello.minor}, {_number(hello.channels, 'channel')}, "
        f"{_number(hello.outputs, 'output')}",
        200,
    )


def note_lines(observer: Observer) -> list[str]:
    """What is no fault and a maker should know."""
    return [
        f"Note: {clean(note, MAX_SHOWN)}{f' ({times} times)' if times > 1 else ''}"
        for note, times in observer.notes.items()
    ]
