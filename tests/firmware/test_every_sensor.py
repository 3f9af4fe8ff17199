"""The firmware with one of each kind of sensor reads back what docs/build.md says of it, on an emulated AVR."""

from collections.abc import Iterator

import pytest

from firmware_protocol.codes import NoReading
from firmware_protocol.conversion import measured
from firmware_protocol.layout import Layout
from firmware_protocol.requests import Start
from tests.circuits import CIRCUITS, COUNT_MV, Circuit
from tests.conftest import Figure
from tests.firmware.board import Board, section_bytes
from tests.firmware.test_avr import layout_of, newest, send, talk
from tests.sim_device.host import Talk

EVERY = '-DSENSORS=\\"every_sensor.h\\" -DBOARD_INPUTS=6 -DBRIDGE=6 -URING_BYTES -DRING_BYTES=400'
SUPPLY_SHARE = 0.003  # the supply is measured against 1.1 V by counts, of which there are 225


@pytest.fixture(scope="module")
def board() -> Iterator[Board]:
    with Board(extra=EVERY) as found:
        yield found


@pytest.fixture(scope="module")
def line(board: Board) -> tuple[Talk, Layout]:
    started = talk(board)
    layout = layout_of(started)
    send(started, Start(1))
    return started, layout


def _set(board: Board, circuit: Circuit, pin: float) -> None:
    if circuit.pin_unit == "mV":
        board.set_input(circuit.channel.index, pin)
    else:
        board.set_bridge(round(pin))


def test_the_channels_are_those_of_the_page(board: Board, line: tuple[Talk, Layout]) -> None:
    told = line[1].channels
    assert len(told) == len(CIRCUITS)
    for circuit, channel in zip(CIRCUITS, told, strict=True):
        ours = circuit.channel
        assert (channel.quantity, channel.unit, channel.sensor_kind) == (ours.quantity, ours.unit, ours.sensor_kind)
        assert channel.exponent == ours.exponent
        assert channel.parameters == pytest.approx(ours.parameters)


@pytest.mark.parametrize("row", range(3))
def test_each_circuit_reads_back(row: int, board: Board, line: tuple[Talk, Layout]) -> None:
    """Within a count of the chip's converter, which has no noise here to average over, and its measured supply."""
    talking, layout = line
    pins = [circuit.pin_of(circuit.readings[row]) for circuit in CIRCUITS]
    for circuit, pin in zip(CIRCUITS, pins, strict=True):
        _set(board, circuit, pin)
    talking.wait(0.6)
    found = newest(talking, layout, 1.2)
    for circuit, pin in zip(CIRCUITS, pins, strict=True):
        raw = found[circuit.channel.index]
        assert isinstance(raw, int), (circuit.name, raw)
        reading = measured(layout.channels[circuit.channel.index], raw)
        assert reading is not None
        slack = COUNT_MV + 1.5 + SUPPLY_SHARE * pin if circuit.pin_unit == "mV" else 100 + pin * 2e-5
        ends = sorted((circuit.reading_of(pin - slack), circuit.reading_of(pin + slack)))
        assert ends[0] <= reading <= ends[1], (circuit.name, pin, raw)


def test_a_broken_wire_is_told_as_one(board: Board, line: tuple[Talk, Layout]) -> None:
    """The resistor to ground pulls an open input down, the divider's to the supply pulls it up."""
    talking, layout = line
    for index, mv in enumerate((0, 5000, 5000, 0, 0, 0)):
        board.set_input(index, mv)
    talking.wait(0.6)
    found = newest(talking, layout, 1.2)
    assert [found[index] for index in range(6)] == 6 * [NoReading.OPEN_CIRCUIT]


def test_a_load_cells_converter_that_is_silent_is_told(figure: Figure) -> None:
    with Board(extra=EVERY) as fresh:
        talking = talk(fresh)
        layout = layout_of(talking)
        send(talking, Start(1))
        assert newest(talking, layout)[6] is NoReading.OPEN_CIRCUIT
        fresh.set_bridge(0x7FFFFF)
        assert newest(talking, layout)[6] is NoReading.OVER_RANGE
        flash, ram = section_bytes(fresh.elf)
        used = fresh.stack_bytes()
        figure(f"firmware of every sensor on an ATmega328P: flash {flash}, static RAM {ram}, a stack of {used} bytes")
        assert flash <= 9.5 * 1024
        assert ram + used + 300 <= 2048
