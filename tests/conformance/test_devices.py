"""Other devices than the simulated one: plain Python, the C library, the firmware on its chip; and the command."""

import ast
import json
import re
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner

from firmware_protocol.framing import encode_frame
from firmware_protocol.vectors import EXAMPLE_CHANNELS, EXAMPLE_OUTPUT
from logger.cli import device_check, rimelog
from logger.conformance.check_report import fault_lines, marked_hex, note_lines
from logger.conformance.trace import FrameTrace
from tests.conformance import plain_device
from tests.conformance.faulty import CASES, Faulty, body_of, with_body
from tests.conformance.test_check import checked
from tests.end_to_end.running import simulated
from tests.firmware.board import Board
from tests.protocol import reference
from tests.protocol.c.test_c_device import device as c_device
from tests.sim_device.host import device


def test_a_device_without_our_codec_has_no_fault() -> None:
    tree = ast.parse(Path(plain_device.__file__).read_text())
    imported = [n.name for node in ast.walk(tree) if isinstance(node, ast.Import) for n in node.names]
    assert imported == ["struct", "zlib"]
    assert not [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)]
    assert checked(plain_device.PlainDevice()).faults == []


@pytest.mark.parametrize("outputs", [0, 1])
def test_the_c_library_has_no_fault(outputs: int) -> None:
    from dataclasses import replace

    relays = (replace(EXAMPLE_OUTPUT, request_id=0, reopen_delay_ms=3000),)[:outputs]
    assert checked(c_device(EXAMPLE_CHANNELS, relays, ring_size=4000)).faults == []


def test_the_reference_firmware_has_no_fault() -> None:
    class Chip:
        """Its time runs on by what it is given."""

        def step(self, data: bytes, now_s: float) -> bytes:
            return board.run(max(0, round(now_s * 1000) - board.ms), data)

    with Board() as board:
        assert checked(Chip()).faults == []


# -- what a person sees ----------------------------------------------------------------------------------------------


def test_the_offending_byte_is_marked() -> None:
    case = next(case for case in CASES if case.name == "an unknown sample type")
    fault = checked(case.build()).observer.faults["message.field"]
    lines = fault_lines(fault)
    assert lines[0].startswith("MUST, SPEC.md section 7: ")
    assert "key 3 (sample_type): 9 is no SampleType" in lines[1]
    mark = next(i for i, line in enumerate(lines) if line.strip() == "^^")
    column = lines[mark].index("^^")
    assert lines[mark - 1][column : column + 2] == "09"


@pytest.mark.parametrize(
    ("name", "rule", "byte"),
    [
        ("a not-a-number", "cbor.form", "f9"),
        ("a byte after the map", "cbor.form", "00"),
        ("an indefinite map", "cbor.form", "bf"),
        ("a pressure in kg", "describe.sensor", "67"),
    ],
)
def test_malformed_bytes_are_marked(name: str, rule: str, byte: str) -> None:
    fault = checked(next(case for case in CASES if case.name == name).build()).observer.faults[rule]
    assert fault.at is not None
    assert fault.payload[fault.at : fault.at + 1].hex() == byte


def test_a_sensor_kind_that_hosts_do_not_know_is_noted() -> None:
    class Unknown(Faulty):
        def said(self, payload: bytes) -> Sequence[bytes]:
            return super().said(with_body(payload, body_of(payload) | {7: 99}) if payload[0] == 0x82 else payload)

    notes = note_lines(checked(Unknown()).observer)
    assert any("sensor kind 99" in note for note in notes), notes


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        (9, 5, "supply of 5 mV"),
        (11, 3, "faults 3: supply low, converter"),
        (None, 0, "[lb_av], its range is -20 to 440"),
    ],
)
def test_what_is_no_fault_and_hardly_meant_is_noted(key: int | None, value: int, says: str) -> None:
    class Odd(Faulty):
        def said(self, payload: bytes) -> Sequence[bytes]:
            if payload[0] == 0x90 and key is None:
                payload = payload[:-1] + b"\x7f"  # of a scale: the highest byte
            if payload[0] == 0x84 and key is not None:
                payload = with_body(payload, body_of(payload) | {key: value})
            return super().said(payload)

    found = checked(Odd())
    notes = note_lines(found.observer)
    assert any(says in note for note in notes), notes
    assert found.faults == []


def test_an_error_is_named_in_words() -> None:
    found = checked(next(case for case in CASES if case.name == "error 4 for the malformed").build()).faults[0].found
    assert "error 4 (out of range)" in found


def test_a_file_of_text_and_a_broken_should_have_their_exit_status(tmp_path: Path) -> None:
    stored = tmp_path / "device.bin"
    for data, status in (
        (b"text" * 125, 1),
        (b"", 1),
        (encode_frame(bytes.fromhex("8401a7000a0107020103190102041805051805061864")), 3),
    ):
        stored.write_bytes(data)
        ran = CliRunner().invoke(rimelog, ["device", "check", str(stored)], standalone_mode=False)
        assert ran.return_value == status, ran.output


@pytest.mark.parametrize("at", [0, 1, 23, 24, 47, 50])
def test_marks_lie_under_their_bytes(at: int) -> None:
    data = bytes(range(60))
    lines = marked_hex(data, at)
    mark = next(i for i, line in enumerate(lines) if "^^" in line)
    column = lines[mark].index("^^")
    assert int(lines[mark - 1][column : column + 2], 16) == at


def test_every_rule_names_a_section_that_is_there() -> None:
    from logger.conformance.protocol_rules import RULES

    spec = (reference.VECTORS.parent / "SPEC.md").read_text(encoding="utf-8")
    sections = set(re.findall(r"^##+ (\d+(?:\.\d+)?)\.? ", spec, re.M))
    assert {rule.section for rule in RULES.values()} <= sections


def test_a_trace_is_in_the_words_of_the_spec() -> None:
    seen: list[str] = []
    trace = FrameTrace()
    checked(device(), trace=lambda from_host, raw: seen.append(trace.line(1.5, from_host, raw)))
    text = "\n".join(seen)
    for words in (
        "1.500 > hello? (01), id 1: major 1, minor 1\n",
        "< hello (81), id 1: device id ",
        "capabilities 7 (resend + set period + outputs)",
        "output 0 open, opened by start up, 0 ms of permit left",
        "action 1 (hold closed), timeout 1000 ms",
        "guard channel 255 (none)",
        "code 9 (stale permit)",
        "< accepted (86), id ",
        ": request type start (05), boot count ",
    ):
        assert words in text, words
    assert re.search(r"< samples \(90\): layout id 0x[0-9a-f]{8}, sequence 5, tick \d+, channel 0: -?\d+", text)
    shown = re.sub(r'"[^"]*"', "", "\n".join(line.split("\n")[0] for line in seen))
    assert not re.search(r"=|\b[A-Z][a-z]+[A-Z]|_", shown), "the names of a program"


def test_a_trace_of_what_is_not_understood() -> None:
    trace = FrameTrace()
    assert "samples (90): layout id 0x85d99916, sequence 0" in trace.line(None, False, reference_wire("msg-samples-0"))
    for name in ("msg-describe-0", "msg-describe-1", "msg-describe-2"):
        trace.line(None, False, reference_wire(name))
    shown = trace.line(None, False, reference_wire("msg-samples-2"))
    assert "channel 0: open circuit, channel 2: -12\n" in shown
    assert "not known (a1)" in trace.line(None, False, encode_frame(b"\xa1\x00own"))
    assert "no frame: " in trace.line(None, False, b"\x03\x01\0")


def reference_wire(name: str) -> bytes:
    return next(wire for row, _, wire in reference.valid_rows() if row == name)


def test_the_command_on_a_live_device_and_on_recorded_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with simulated(tmp_path, "brewery", only=("scale",)) as sim:
        ask_reset = device_check._ask_reset

        def person() -> None:
            ask_reset()
            sim.fault("reboot", "scale")

        monkeypatch.setattr(device_check, "_ask_reset", person)
        words = ["device", "check", sim.urls["scale"], "--json", "--reset"]
        ran = CliRunner().invoke(rimelog, words, standalone_mode=False)
        assert ran.exception is None, ran.output
        assert device_check.ASK_RESET in ran.stderr
        said = json.loads(ran.stdout)
        assert (said["finished"], said["faults"], said["step"]) == (True, [], "reset")
        assert said["frames"] > 60
    stored = tmp_path / "device.bin"
    stored.write_bytes(b"boot: ok\r\n\0" + b"".join(wire for _, p, wire in reference.valid_rows() if p[0] == 0x85))
    ran = CliRunner().invoke(rimelog, ["device", "check", str(stored), "--trace"], standalone_mode=False)
    assert ran.return_value == 0, ran.output
    assert "no fault in 2 frames" in ran.output
    assert ran.output.count("< error (85), id ") == 2
    stored.write_bytes(b"\x04\x85\x01\x02\0" * 3 + stored.read_bytes()[11:] + b"\x06\x85\x01\x01\x01\x01\0")
    ran = CliRunner().invoke(rimelog, ["device", "check", str(stored)], standalone_mode=False)
    assert ran.return_value == 1
    assert "SPEC.md section 2" in ran.output
