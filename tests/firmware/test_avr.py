"""The reference firmware on an emulated AVR: what it measures, minutes of talk, and every way it may be upset."""

import math
import random
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise

import pytest

from firmware_protocol.codes import ErrorCode, Fault, NoReading, OpenedBy, OutputState, PermitAction
from firmware_protocol.conversion import measured
from firmware_protocol.framing import encode_frame
from firmware_protocol.layout import Layout
from firmware_protocol.messages import Accepted, ErrorMessage, Hello, Status, encode_message
from firmware_protocol.requests import Permit, RequestStatus, Start
from logger.link import link_events as events
from logger.link.session.phases import Phase
from logger.link.session.session import Session
from logger.model.units import NS_PER_S
from tests.conftest import TIMES, Figure
from tests.firmware.board import (
    FIRMWARE,
    FLASH_BYTES,
    LOOP,
    MASS,
    PRESSURE,
    RAM_BYTES,
    TEMPERATURE,
    Board,
    program,
    section_bytes,
)
from tests.link.proxy import Faults
from tests.protocol.c.library import AVR_OPTIONS
from tests.sim_device.host import Talk, only, samples, unpacked

ADCSRA = 0x7A
WRAP_MS = 8000  # before the milliseconds run over, in a build for that


@pytest.fixture
def board() -> Iterator[Board]:
    with Board() as found:
        yield found


def talk(board: Board, boot_s: float = 0.5) -> Talk:
    line = Talk(board, 0.0)  # type: ignore[arg-type]
    line.wait(boot_s)
    return line


def send(line: Talk, *messages: object) -> list[object]:
    """The replies, which take their time over the line."""
    got = line.send(*messages)  # type: ignore[arg-type]
    line.now_s = line.device.ms / 1000  # type: ignore[attr-defined]
    return list(got)


def newest(line: Talk, layout: Layout, seconds: float = 1.5) -> dict[int, object]:
    """The newest reading of each channel."""
    found: dict[int, object] = {}
    for values in unpacked(layout, line.wait(seconds)):
        found |= values
    return found


def layout_of(line: Talk) -> Layout:
    layout = line.layout()
    line.now_s = line.device.ms / 1000  # type: ignore[attr-defined]
    return layout


# -- what it measures --------------------------------------------------------------------------------------------


def test_says_who_it_is_and_measures_what_the_circuits_give(board: Board) -> None:
    line = Talk(board, 0.0)  # type: ignore[arg-type]
    hello = only(line.wait(0.5), Hello)
    assert (hello.request_id, hello.boot_count, hello.firmware_name) == (0, 1, "Reference firmware")
    assert hello.model == "Reference atmega328p"
    layout = layout_of(line)
    send(line, Start(9))
    for pressure_kpa, ohm, mass_kg, milliamps in ((0, 10_000, 5, 4), (1750, 33_620, 75, 12), (3400, 1500, 140, 19.5)):
        board.set_input(PRESSURE, 500 + 4000 * pressure_kpa / 3500)
        board.set_input(TEMPERATURE, 5000 * ohm / (ohm + 10_000))
        board.set_input(MASS, 5000 * mass_kg / 150)
        board.set_input(LOOP, milliamps * 200)
        line.wait(0.3)
        raws = newest(line, layout)
        values = {i: measured(layout.channels[i], raw) for i, raw in raws.items() if isinstance(raw, int)}
        assert values[PRESSURE] == pytest.approx(pressure_kpa, abs=8.6)  # two counts of ten bits: cut off, and of 1023
        celsius = 1 / (1 / 298.15 + math.log(ohm / 10_000) / 3950) - 273.15
        assert values[TEMPERATURE] == pytest.approx(celsius, abs=0.4)
        assert values[MASS] == pytest.approx(mass_kg, abs=0.3)
        assert values[LOOP] == pytest.approx((milliamps - 4) / 16 * 100, abs=0.6)


@pytest.mark.parametrize(
    ("channel", "mv", "reason"),
    [
        (PRESSURE, 0, NoReading.OPEN_CIRCUIT),
        (PRESSURE, 5000, NoReading.SHORT_CIRCUIT),
        (TEMPERATURE, 5000, NoReading.OPEN_CIRCUIT),
        (TEMPERATURE, 0, NoReading.SHORT_CIRCUIT),
        (MASS, 5000, NoReading.OVER_RANGE),
        (LOOP, 0, NoReading.OPEN_CIRCUIT),
    ],
)
def test_a_broken_wire_is_a_reason(board: Board, channel: int, mv: int, reason: NoReading) -> None:
    line = talk(board)
    layout = layout_of(line)
    send(line, Start(1))
    board.set_input(channel, mv)
    line.wait(0.3)
    assert newest(line, layout)[channel] is reason


def test_supply_and_converter_faults_are_told(board: Board) -> None:
    line = talk(board)
    layout = layout_of(line)
    send(line, Start(1))
    status = only(send(line, RequestStatus(2)), Status, request_id=2)  # type: ignore[arg-type]
    assert status.supply_mv == pytest.approx(5000, abs=40)
    assert status.faults == Fault.NONE
    board.set_supply(4200)
    line.wait(0.5)
    status = only(send(line, RequestStatus(3)), Status, request_id=3)  # type: ignore[arg-type]
    assert status.supply_mv == pytest.approx(4200, abs=40)
    assert status.faults == Fault.SUPPLY_LOW
    board.set_supply(5000)
    board.poke(ADCSRA, b"\x00")  # the converter stands still
    line.wait(1.0)
    status = only(send(line, RequestStatus(4)), Status, request_id=4)  # type: ignore[arg-type]
    assert status.faults & Fault.CONVERTER
    assert set(newest(line, layout).values()) == {NoReading.OTHER}


# -- minutes of conversation ---------------------------------------------------------------------------------------


class Conversation:
    """The logger's own session and the chip, in simulated time, the bytes passing through Faults."""

    def __init__(self, board: Board, step_ms: int = 20, seed: int = 1) -> None:
        self.board, self.step_ms = board, step_ms
        self.session = Session()
        self.events: list[events.SessionEvent] = []
        self.to_host = Faults(random.Random(seed))
        self.to_device = Faults(random.Random(seed + 1))
        self.linked = True
        self.session.connected(self.now_ns)

    @property
    def now_ns(self) -> int:
        return self.board.ms * NS_PER_S // 1000

    def run(self, seconds: float) -> "Conversation":
        for _ in range(round(seconds * 1000 / self.step_ms)):
            asked = self.session.bytes_to_send() if self.linked else b""
            data = self.to_host.apply(self.board.run(self.step_ms, self.to_device.apply(asked)))
            if not self.linked:
                continue
            self.events += self.session.bytes_received(data, self.now_ns)
            self.events += self.session.tick(self.now_ns)
            if self.session.over:
                self.cut()
                self.join()
        return self

    def cut(self) -> None:
        self.linked = False
        self.events += self.session.disconnected(self.now_ns)

    def join(self) -> None:
        self.linked = True
        self.session.connected(self.now_ns)

    def of(self, *kinds: type) -> list[events.SessionEvent]:
        return [event for event in self.events if isinstance(event, kinds)]

    @property
    def sequences(self) -> list[int]:
        return [event.samples.sequence for event in self.events if isinstance(event, events.SamplesReceived)]


def test_flat_out_without_a_loss(board: Board, figure: Figure) -> None:
    """A minute of the chip's time; RIMELOG_EXAMPLES=60 makes it an hour."""
    seconds = 60 * TIMES
    line = Conversation(board).run(seconds)
    assert line.session.phase is Phase.STREAMING
    assert not line.of(events.BadFrameSeen, events.DeviceError, events.Ignored, events.Silent, events.GapLost)
    assert line.sequences == list(range(len(line.sequences)))
    assert len(line.sequences) == pytest.approx(10 * seconds, abs=10 + seconds // 100)
    ticks = [e.samples.tick for e in line.events if isinstance(e, events.SamplesReceived)]
    assert {b - a for a, b in pairwise(ticks)} <= set(range(97, 104))
    marks = [e for e in line.events if isinstance(e, events.TimeMarked)]
    assert len(marks) >= seconds // 15 - 1
    assert all(0 <= e.reply.tick_replied - e.reply.tick_received <= 20 for e in marks)
    used = board.stack_bytes()
    flash, ram = section_bytes(board.elf)
    figure(f"firmware on an ATmega328P: RAM {ram} and a stack of {used} bytes of {RAM_BYTES['atmega328p']}")
    assert flash <= 8.5 * 1024
    assert used <= 250
    assert ram + used + 300 <= RAM_BYTES["atmega328p"]


def test_noise_on_the_line_costs_frames_but_never_a_number(board: Board) -> None:
    line = Conversation(board)
    line.run(5)
    for faults in (line.to_host, line.to_device):
        faults.flip = faults.drop = faults.insert = 0.0007
    line.run(60)
    for faults in (line.to_host, line.to_device):
        faults.flip = faults.drop = faults.insert = 0.0
    line.run(10)
    assert len(line.of(events.BadFrameSeen)) > 20
    got = line.sequences
    assert len(set(got)) == len(got)
    lost = {n for e in line.events if isinstance(e, events.GapLost) for n in range(e.first, e.last + 1)}
    assert set(range(max(got) + 1)) == set(got) | lost  # each is there, or is said to be lost
    assert len(lost) < 0.05 * len(got)
    layouts = {e.layout.layout_id for e in line.events if isinstance(e, events.SamplesReceived) and e.layout}
    assert len(layouts) == 1


def test_a_short_cut_loses_nothing_and_a_long_one_says_what(board: Board) -> None:
    line = Conversation(board).run(5)
    line.cut()
    line.run(1.2)
    line.join()
    line.run(8)
    assert sorted(line.sequences) == list(range(len(line.sequences)))
    line.cut()
    line.run(10)
    line.join()
    line.run(10)
    gone = sum(e.last + 1 - e.first for e in line.events if isinstance(e, events.GapLost))
    assert 60 < gone < 110  # the ring holds some two seconds
    assert len(set(line.sequences)) + gone == max(line.sequences) + 1


def test_the_milliseconds_run_over_within_a_stream() -> None:
    with Board(extra=f"-DFIRST_MS=0x{2**32 - WRAP_MS:x}ul") as board:
        line = Conversation(board).run(30)
        assert line.sequences == list(range(len(line.sequences)))
        ticks = [e.samples.tick for e in line.events if isinstance(e, events.SamplesReceived)]
        assert min(ticks) < 25_000 and max(ticks) > 2**32 - WRAP_MS
        assert {(b - a) % 2**32 for a, b in pairwise(ticks)} <= set(range(97, 104))
        status = [e.status for e in line.events if isinstance(e, events.StatusReceived)][-1]
        assert status.uptime_s == pytest.approx(29, abs=2)
        assert not line.of(events.BadFrameSeen, events.Silent)


def test_the_same_bytes_in_every_run() -> None:
    runs = []
    for _ in range(2):
        with Board() as board:
            runs.append(board.run(200) + board.run(1500, encode_frame(encode_message(Start(1)))))
    assert runs[0] == runs[1]
    assert len(runs[0]) > 400


# -- the relay -----------------------------------------------------------------------------------------------------


def closing(line: Talk, **fields: int) -> Accepted | ErrorMessage:
    """The reply to a permit to hold the relay closed, given with the newest tick."""
    status = only(send(line, RequestStatus(3)), Status, request_id=3)  # type: ignore[arg-type]
    asked = replace(Permit(4, 0, PermitAction.HOLD_CLOSED, 3000, status.boot_count, status.tick), **fields)
    return next(m for m in send(line, asked) if isinstance(m, Accepted | ErrorMessage) and m.request_id == 4)


def test_relay_closes_by_permit_and_opens_when_the_host_dies(board: Board) -> None:
    line = talk(board)
    send(line, Start(1))
    early = closing(line)
    assert isinstance(early, ErrorMessage) and early.code == ErrorCode.BUSY  # the delay is counted from the start too
    assert not board.relay
    line.wait(3.0)
    assert isinstance(closing(line), Accepted)
    assert board.relay
    for _ in range(5):
        line.wait(1.0)
        assert isinstance(closing(line), Accepted)
        assert board.relay
    line.wait(2.8)
    assert board.relay
    said = line.wait(0.4)  # nobody has permitted it for three seconds
    assert not board.relay
    told = [m for m in said if isinstance(m, Status)]
    assert told[0].outputs[0][:2] == (OutputState.OPEN, OpenedBy.PERMIT_EXPIRED)


def test_guard_opens_the_relay_by_the_scale_itself(board: Board) -> None:
    line = talk(board)
    layout = layout_of(line)
    send(line, Start(1))
    line.wait(0.5)
    guard = {"guard_channel": MASS, "guard_layout_id": layout.layout_id, "guard_low": -500, "guard_high": 32_000}
    board.reopen_delay_is_over()
    assert isinstance(closing(line, timeout_ms=10_000, **guard), Accepted)
    board.set_input(MASS, 5000 * 31 / 150)
    line.wait(1.0)
    assert board.relay
    board.set_input(MASS, 5000 * 33 / 150)
    said = line.wait(0.4)
    assert not board.relay
    assert next(m for m in said if isinstance(m, Status)).outputs[0][1] == OpenedBy.GUARD_LIMIT


def test_a_hung_loop_is_restarted_by_the_watchdog_with_the_relay_open(board: Board) -> None:
    line = talk(board)
    send(line, Start(1))
    board.reopen_delay_is_over()
    assert isinstance(closing(line, timeout_ms=10_000), Accepted)
    assert board.relay
    board.hang()
    line.wait(0.1)
    said = line.wait(0.6)
    assert not board.relay
    hello = only([m for m in said if isinstance(m, Hello)], Hello)
    assert hello.boot_count == 2
    status = only(send(line, RequestStatus(5)), Status, request_id=5)
    assert status.faults & Fault.WATCHDOG_RESET
    assert status.outputs[0] == (OutputState.OPEN, OpenedBy.START_UP, 0)


def test_brown_outs_at_any_moment_never_lower_the_boot_count(board: Board) -> None:
    """Also in the middle of writing it: some are a few milliseconds after the start."""
    rng = random.Random(5)
    line = talk(board)
    counts = []
    for _ in range(25):
        send(line, Start(1))
        if rng.random() < 0.5:
            board.reopen_delay_is_over()
            assert isinstance(closing(line, timeout_ms=10_000), Accepted)
        board.run(rng.choice([0, 1, 7, 150]))
        for _ in range(rng.randrange(3)):
            board.reset("brownout")
            board.run(rng.randrange(1, 60))
        board.reset("brownout")
        assert not board.relay
        line = Talk(board, board.ms / 1000)  # type: ignore[arg-type]
        said = line.wait(0.5)
        assert not board.relay
        hello = only([m for m in said if isinstance(m, Hello)], Hello)
        counts.append((hello.boot_count, hello.device_id))
        line.now_s = board.ms / 1000
    boots = [count for count, _ in counts]
    assert boots == sorted(set(boots))
    assert len({device_id for _, device_id in counts}) == 1  # drawn once
    assert len(set(counts[0][1])) > 4  # and not what an empty memory holds


def test_a_session_sees_the_brown_out_as_a_new_start(board: Board) -> None:
    line = Conversation(board).run(5)
    board.reset("brownout")
    line.run(10)
    (rebooted,) = [e for e in line.events if isinstance(e, events.Rebooted)]
    assert (rebooted.old_boot_count, rebooted.new_boot_count) == (1, 2)
    assert line.session.phase is Phase.STREAMING
    assert line.sequences[-1] < 110


# -- chips -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("chip", ["atmega328p", "atmega2560"])
def test_flash_and_ram_are_bounded(chip: str, figure: Figure) -> None:
    flash, ram = section_bytes(program(chip))
    figure(f"firmware on an {chip}: flash {flash} of {FLASH_BYTES[chip]}, static RAM {ram} of {RAM_BYTES[chip]} bytes")
    assert flash <= 8.5 * 1024
    assert ram + 600 <= RAM_BYTES[chip]


def test_an_atmega2560_does_the_same() -> None:
    with Board("atmega2560") as board:
        line = Conversation(board).run(10)
        assert line.session.hello is not None
        assert line.session.hello.model == "Reference atmega2560"
        assert line.session.hello.buffer_frames > 120
        assert line.sequences == list(range(len(line.sequences)))
        assert len(line.sequences) > 80


def test_all_samples_carry_a_reading_of_every_due_channel(board: Board) -> None:
    line = talk(board)
    layout = layout_of(line)
    got = send(line, Start(1)) + list(line.wait(3.0))
    present = [set(values) for values in unpacked(layout, got)]  # type: ignore[arg-type]
    assert set.union(*present) == {0, 1, 2, 3}
    assert all(PRESSURE in channels for channels in present)
    assert len(samples(got)) >= 29  # type: ignore[arg-type]


def test_the_firmware_is_built_as_the_library_is_measured() -> None:
    makefile = (FIRMWARE / "Makefile").read_text().replace("\\\n", " ")
    options = next(line.partition("=")[2].split() for line in makefile.splitlines() if line.startswith("SMALL ="))
    assert options == AVR_OPTIONS
