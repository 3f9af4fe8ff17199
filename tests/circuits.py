"""The circuits of docs/build.md: `python -m tests.circuits` writes the tables, `python -m tests.pictures` the drawings.

Each is written down as the equation from what the sensor shows to the voltage at the chip's pin. The same equations set
the inputs of the emulated chip in `tests/firmware/test_every_sensor.py`, whose firmware must read back what is here.
"""

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from firmware_protocol.codes import Quantity, SampleType, SensorKind
from firmware_protocol.conversion import from_input, to_input
from firmware_protocol.messages import Describe
from tests.hook_ups import ACCENT, INK, PAPER, SOFT, Sheet

PAGE = Path(__file__).parent.parent / "docs" / "build.md"
SUPPLY_MV = 5000.0
COUNT_MV = SUPPLY_MV / 1024  # of the chip's own converter of 10 bits
CLAMP_OHM, PLATINUM_OHM, LOOP_OHM, VACUUM_PART = 10_000.0, 4_700.0, 200.0, 0.5
BRIDGE_GAIN, BRIDGE_BITS = 128, 24
FILTER_OHM, FILTER_F = 4_700.0, 10e-6


@dataclass(frozen=True)
class Circuit:
    """at_pin: from what the sensor shows (SI of its kind) to mV at the pin, or counts of a converter of its own.
    sensor_at: the way back. readings: in the channel's unit, for the table. scale: of what it shows, to `shown_unit`.
    """

    name: str
    channel: Describe
    at_pin: Callable[[float], float]
    sensor_at: Callable[[float], float]
    readings: tuple[float, ...]
    shown_unit: str
    scale: float
    pin_unit: str = "mV"

    def pin_of(self, reading: float) -> float:
        return self.at_pin(to_input(self.channel, reading))

    def reading_of(self, pin: float) -> float:
        found = from_input(self.channel, self.sensor_at(pin))
        assert found is not None
        return found

    def table(self) -> str:
        """Rows in Markdown. A count: what one of 1024 is worth there, before averaging."""
        unit = _UNITS[self.channel.unit]
        counts = self.pin_unit == "mV"
        rows = [f"| {unit} | {self.shown_unit} | {'mV at the pin' if counts else self.pin_unit} |", "|---|---|---|"]
        if counts:
            rows = [rows[0] + f" one count, {unit} |", "|---|---|---|---|"]
        for reading in self.readings:
            pin = self.pin_of(reading)
            row = f"| {reading:g} | {_digits(to_input(self.channel, reading) * self.scale)} | {pin:,.0f} |"
            if counts:
                step = abs(self.reading_of(pin + COUNT_MV / 2) - self.reading_of(pin - COUNT_MV / 2))
                row += f" {_digits(step, 2)} |"
            rows.append(row)
        return "\n".join(rows)


_UNITS = {"[psi]": "psig", "Cel": "C", "bar": "bar gauge", "um[Hg]": "microns", "kg": "kg"}


def _digits(number: float, digits: int = 4) -> str:
    """So many significant digits, without an exponent."""
    if number == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(number))))
    return f"{number:,.{places}f}"


def _channel(
    index: int, quantity: Quantity, unit: str, exponent: int, kind: SensorKind, *parameters: float
) -> Describe:
    return Describe(
        0, index, quantity, unit, SampleType.I24, exponent, 100, sensor_kind=kind, parameters=tuple(parameters)
    )


def _divider(fixed_ohm: float) -> tuple[Callable[[float], float], Callable[[float], float]]:
    """A resistance to ground below a fixed one to the supply."""
    return (
        lambda ohm: SUPPLY_MV * ohm / (ohm + fixed_ohm),
        lambda mv: fixed_ohm * mv / (SUPPLY_MV - mv),
    )


BRIDGE_SCALE = BRIDGE_GAIN * 2.0 ** (BRIDGE_BITS - 1)  # counts for 1 V/V, the excitation being the reference
CIRCUITS = (
    Circuit(
        "transducer",
        _channel(0, Quantity.GAUGE_PRESSURE, "[psi]", -5, SensorKind.RATIOMETRIC, 0.1, 0, 0.9, 500),
        lambda share: SUPPLY_MV * share, lambda mv: mv / SUPPLY_MV, (0, 100, 250, 400, 500), "of its supply", 1.0,
    ),
    Circuit(
        "clamp",
        _channel(1, Quantity.TEMPERATURE, "Cel", 0, SensorKind.NTC_BETA, 10_000, 298.15, 3950),
        *_divider(CLAMP_OHM), (-20, 0, 25, 50, 100), "Ohm", 1.0,
    ),
    Circuit(
        "platinum",
        _channel(2, Quantity.TEMPERATURE, "Cel", -1, SensorKind.RTD_IEC60751, 1000),
        *_divider(PLATINUM_OHM), (-40, 0, 25, 100, 150), "Ohm", 1.0,
    ),
    Circuit(
        "loop",
        _channel(3, Quantity.GAUGE_PRESSURE, "bar", -7, SensorKind.CURRENT_LOOP, 0.004, 0, 0.020, 40),
        lambda amp: amp * LOOP_OHM * 1e3, lambda mv: mv / LOOP_OHM / 1e3, (0, 10, 20, 40), "mA", 1e3,
    ),
    Circuit(
        "thermocouple",
        _channel(4, Quantity.TEMPERATURE, "Cel", -3, SensorKind.VOLTAGE, 1.25, 0, 2.25, 200),
        lambda volt: volt * 1e3, lambda mv: mv / 1e3, (-40, 0, 100, 200), "V", 1.0,
    ),
    Circuit(
        "vacuum",
        _channel(5, Quantity.ABSOLUTE_PRESSURE, "um[Hg]", -3, SensorKind.LOG_VOLTAGE, 1, 1, 7, 1_000_000),
        lambda volt: volt * 1e3 * VACUUM_PART, lambda mv: mv / 1e3 / VACUUM_PART,
        (50, 500, 5_000, 760_000), "V of the gauge", 1.0,
    ),
    Circuit(
        "load-cell",
        _channel(6, Quantity.MASS, "kg", -9, SensorKind.BRIDGE, 0, 0, 0.002, 150),
        lambda ratio: ratio * BRIDGE_SCALE, lambda counts: counts / BRIDGE_SCALE, (0, 1, 50, 150), "mV/V", 1e3,
        "counts of 24 bits",
    ),
)  # fmt: skip
CORNER_HZ = 1 / (2 * math.pi * FILTER_OHM * FILTER_F)


def filter_table() -> str:
    """What the filter before a pin does."""
    rows = ["| at | is left |", "|---|---|"]
    rows += [
        f"| {_digits(hz, 2)} Hz | {_digits(100 / math.hypot(1, hz / CORNER_HZ), 2)} % |"
        for hz in (0.5, CORNER_HZ, 10, 50, 60, 1000)
    ]
    return "\n".join(rows)


TABLES: dict[str, Callable[[], str]] = {**{c.name: c.table for c in CIRCUITS}, "filter": filter_table}


def with_tables(page: str) -> str:
    """The page with its tables as they are computed now, each between `<!-- table NAME -->` and `<!-- end -->`."""

    def made(found: re.Match[str]) -> str:
        return f"<!-- table {found[1]} -->\n{TABLES[found[1]]()}\n<!-- end -->"

    return re.sub(r"<!-- table ([\w-]+) -->\n.*?<!-- end -->", made, page, flags=re.S)


# -- drawings ----------------------------------------------------------------------------------------------------------


class CircuitSheet(Sheet):
    """With the symbols of circuit diagrams: IEC 60617's rectangles for resistors."""

    def resistor(self, x: float, y: float, label: str, upright: bool = False) -> None:
        """Its middle at (x, y)."""
        w, h = (16, 44) if upright else (44, 16)
        self._parts.append(
            f'<rect x="{x - w / 2:g}" y="{y - h / 2:g}" width="{w}" height="{h}" fill="{PAPER}" stroke="{INK}" '
            'stroke-width="2"/>'
        )
        if upright:
            self._text(x + 16, y + 4, label, "start")
        else:
            self._text(x, y - 14, label)

    def capacitor(self, x: float, y: float, label: str) -> None:
        """To ground: its upper plate at y."""
        self._parts.append(
            f'<path d="M{x - 14:g},{y:g} h28 M{x - 14:g},{y + 8:g} h28" stroke="{INK}" stroke-width="2"/>'
        )
        self._text(x + 20, y + 9, label, "start")

    def ground(self, x: float, y: float) -> None:
        self._parts.append(
            f'<path d="M{x - 14:g},{y:g} h28 M{x - 9:g},{y + 5:g} h18 M{x - 4:g},{y + 10:g} h8" stroke="{INK}" '
            'stroke-width="2"/>'
        )

    def diode(self, x: float, y: float) -> None:
        """Upwards: from below (x, y) to above it."""
        self._parts.append(
            f'<path d="M{x - 9:g},{y + 8:g} h18 l-9,-16 z" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'
            f'<path d="M{x - 9:g},{y - 8:g} h18" stroke="{INK}" stroke-width="2"/>'
        )

    def dot(self, x: float, y: float) -> None:
        self._parts.append(f'<circle cx="{x:g}" cy="{y:g}" r="4" fill="{INK}"/>')

    def supply(self, x: float, y: float, label: str = "+5 V") -> None:
        self._parts.append(f'<path d="M{x - 14:g},{y:g} h28" stroke="{ACCENT}" stroke-width="3"/>')
        self._text(x, y - 8, label, color=ACCENT, bold=True)

    def said(self, x: float, y: float, text: str) -> None:
        self._text(x, y, text, "start", SOFT)


LINE, TOP, BOTTOM = 160.0, 60.0, 270.0


def _to_the_pin(s: CircuitSheet, x: float, pin: str) -> None:
    """From (x, LINE): filter, clamping diodes, chip."""
    s.pipe((x, LINE), (760, LINE), thick=2)
    s.resistor(x + 60, LINE, "4.7 kOhm")
    s.pipe((x + 130, LINE), (x + 130, 205), thick=2)
    s.capacitor(x + 130, 205, "10 uF")
    s.pipe((x + 130, 213), (x + 130, BOTTOM), thick=2)
    s.ground(x + 130, BOTTOM)
    s.dot(x + 130, LINE)
    at = 690
    s.pipe((at, TOP), (at, BOTTOM), thick=2)
    s.supply(at, TOP)
    s.diode(at, 110)
    s.diode(at, 215)
    s.dot(at, LINE)
    s.ground(at, BOTTOM)
    s.box(760, 110, 100, 100, "CHIP", pin)


def _sensor_box(s: CircuitSheet, *lines: str, supplied: str = "+5 V") -> None:
    s.pipe((115, TOP), (115, BOTTOM), thick=2)
    s.pipe((180, LINE), (340, LINE), thick=2)
    s.box(50, 110, 130, 100, *lines)
    if supplied:
        s.supply(115, TOP, supplied)
    s.ground(115, BOTTOM)


def _to_ground_below(s: CircuitSheet, fixed: str, *lines: str) -> None:
    """A resistance to ground below a fixed one."""
    s.pipe((180, LINE), (340, LINE), thick=2)
    s.pipe((115, 210), (115, BOTTOM), thick=2)
    s.box(50, 110, 130, 100, *lines)
    s.ground(115, BOTTOM)
    s.pipe((280, TOP), (280, LINE), thick=2)
    s.supply(280, TOP)
    s.resistor(280, 110, fixed, upright=True)
    s.dot(280, LINE)


def _down(s: CircuitSheet, label: str, x: float = 280) -> None:
    """A resistor from the line at x to ground."""
    s.pipe((x, LINE), (x, BOTTOM), thick=2)
    s.pipe((x, LINE), (400, LINE), thick=2)
    s.resistor(x, 215, label, upright=True)
    s.dot(x, LINE)
    s.ground(x, BOTTOM)


def transducer() -> CircuitSheet:
    s = CircuitSheet("Circuit of a ratiometric pressure transducer")
    _sensor_box(s, "TRANSDUCER", "0.5 to 4.5 V", "of a 5 V supply")
    _down(s, "1 MOhm")
    _to_the_pin(s, 400, "ADC0")
    s.said(200, 315, "One 5 V supply for transducer and converter: it drops out. 1 MOhm: an open wire reads 0.")
    return s


def clamp() -> CircuitSheet:
    s = CircuitSheet("Circuit of a thermistor clamp")
    _to_ground_below(s, "10 kOhm, 0.1 %", "THERMISTOR", "10 kOhm at 25 C", "on a pipe clamp")
    _to_the_pin(s, 340, "ADC1")
    return s


def platinum() -> CircuitSheet:
    s = CircuitSheet("Circuit of a PT1000")
    _to_ground_below(s, "4.7 kOhm, 0.1 %", "PT1000", "IEC 60751", "short leads")
    _to_the_pin(s, 340, "ADC2")
    return s


def loop() -> CircuitSheet:
    s = CircuitSheet("Circuit of a 4-20 mA transmitter in two wires")
    s.pipe((115, TOP), (115, 110), thick=2)
    s.supply(115, TOP, "+24 V, fuse 50 mA")
    s.box(50, 110, 130, 100, "TRANSMITTER", "4 to 20 mA", "two wires")
    s.pipe((180, LINE), (280, LINE), thick=2)
    _down(s, "200 Ohm, 0.1 %")
    _to_the_pin(s, 400, "ADC3")
    return s


def thermocouple() -> CircuitSheet:
    s = CircuitSheet("Circuit of a thermocouple with an amplifier")
    s.pipe((30, 145), (150, 145), thick=2)
    s.pipe((30, 175), (150, 175), thick=2)
    s.pipe((30, 145), (30, 175), thick=2)
    s.dot(30, 160)
    s.pipe((215, TOP), (215, BOTTOM), thick=2)
    s.supply(215, TOP)
    s.ground(215, BOTTOM)
    s.box(150, 110, 130, 100, "AMPLIFIER", "cold junction inside", "5 mV/C, 1.25 V at 0")
    s.pipe((280, LINE), (330, LINE), thick=2)
    _down(s, "1 MOhm", 330)
    _to_the_pin(s, 400, "ADC4")
    s.said(30, 205, "type K")
    return s


def vacuum() -> CircuitSheet:
    s = CircuitSheet("Circuit of a vacuum gauge with a logarithmic output")
    _sensor_box(s, "VACUUM GAUGE", "1 to 7 V", "1 V a decade", supplied="its supply")
    s.resistor(226, LINE, "10 kOhm")
    _down(s, "10 kOhm, both 0.1 %")
    _to_the_pin(s, 400, "ADC5")
    return s


def load_cell() -> CircuitSheet:
    s = CircuitSheet("Circuit of a load cell with a converter of its own")
    for y, label in ((120, "E+ and E-: excitation"), (190, "A+ and A-: signal, twisted, in the shield")):
        s.pipe((190, y), (430, y), thick=2)
        s.pipe((190, y + 14), (430, y + 14), thick=2)
        s.said(200, y - 8, label)
    s.pipe((560, 130), (760, 130), thick=2)
    s.pipe((560, 190), (760, 190), thick=2)
    s.said(590, 122, "clock")
    s.said(590, 182, "data")
    s.pipe((690, TOP), (690, 190), thick=2)
    s.supply(690, TOP)
    s.resistor(690, 95, "10 kOhm", upright=True)
    s.dot(690, 190)
    s.pipe((495, TOP), (495, BOTTOM), thick=2)
    s.supply(495, TOP)
    s.ground(495, BOTTOM)
    s.box(50, 100, 140, 120, "LOAD CELL", "2 mV/V at 150 kg", "four wires")
    s.box(430, 100, 130, 120, "CONVERTER", "24 bits", "gain 128")
    s.box(760, 110, 100, 100, "CHIP", "PD2, PD3")
    return s


def relay() -> CircuitSheet:
    s = CircuitSheet("Circuit of the relay")
    s.pipe((150, LINE), (400, LINE), thick=2)
    s.resistor(220, LINE, "1 kOhm")
    s.pipe((300, LINE), (300, BOTTOM), thick=2)
    s.resistor(300, 215, "10 kOhm", upright=True)
    s.dot(300, LINE)
    s.ground(300, BOTTOM)
    s.pipe((465, TOP), (465, BOTTOM), thick=2)
    s.pipe((465, 80), (560, 80), (560, 135), (465, 135), thick=2)
    s.supply(465, TOP)
    s.ground(465, BOTTOM)
    s.box(420, 90, 90, 40, "COIL")
    s.diode(560, 105)
    s.box(400, 140, 130, 50, "TRANSISTOR", "NPN, or a driver")
    s.box(50, 110, 100, 100, "CHIP", "PB0")
    s.box(660, 90, 190, 110, "CONTACT", "normally open, in the", "control circuit of", "the machine")
    s.said(330, 315, "Reset, programming and no supply: the resistor to ground keeps the contact open.")
    return s


DRAWINGS: dict[str, Callable[[], Sheet]] = {
    f"circuit-{name}": sheet
    for name, sheet in (
        ("transducer", transducer), ("clamp", clamp), ("platinum", platinum), ("loop", loop),
        ("thermocouple", thermocouple), ("vacuum", vacuum), ("load-cell", load_cell), ("relay", relay),
    )
}  # fmt: skip


def main() -> None:
    PAGE.write_text(with_tables(PAGE.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
