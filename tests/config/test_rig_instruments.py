"""Tables of text instruments and Modbus transmitters: read right, stored and restored, every fault with its key."""

import json

import pytest

from logger.config.errors import FileProblems
from logger.config.rig_file import parse_rig
from logger.model.instrument import LineField, ModbusPort, Register, TextPort
from logger.model.plain import from_plain, plain
from logger.model.rig import Rig
from logger.model.units import POUND_KG

GOOD = r"""
[[device]]
name = "platform scale"
kind = "text"
url = "/dev/ttyUSB1"
baud = 4800
mode = "7E1"
stale = "5s"
poll = "P\r\n"
period = "0.5s"

  [[device.channel]]
  point = "cylinder_mass"
  pattern = 'W *(?P<value>-?\d+\.\d+) (?P<unit>kg|lb) (?P<stable>[SM])'
  units = { lb = "lb", kg = "kg" }
  stable = ["S"]
  unstable = "use"
  division = "0.02lb"
  range = ["0lb", "220lb"]
  accuracy = "0.1lb"
  accuracy_of_reading = "0.1%"
  zero = "0.4lb"

[[device]]
name = "compound gauge"
kind = "text"
url = "socket://192.168.1.40:4001"

  [[device.channel]]
  point = "suction_pressure"
  pattern = '(?P<value>[\d.]+) (?P<unit>psi|inHg)'
  units = { psi = "psig", inHg = "inHg" }
  division = "0.1psi"
  range = ["30inHg", "500psig"]

[[device]]
name = "transmitters"
kind = "modbus"
url = "/dev/ttyUSB2"
unit_id = 4

  [[device.channel]]
  point = "discharge_pressure"
  registers = "input"
  address = 0
  type = "float32"
  word_order = "little"
  unit = "barg"
  division = "0.01bar"

  [[device.channel]]
  point = "discharge_temperature"
  registers = "holding"
  address = 7
  type = "int16"
  unit_id = 5
  scale = 0.1
  no_reading = [-32768, 32767]
  unit = "C"

[[device]]
name = "board"
url = "COM3"
"""


def test_tables_are_read_as_meant() -> None:
    scale, gauge, transmitters, board = parse_rig(GOOD).devices
    assert scale.port == TextPort(4800, "7E1", "", "P\r\n", 0.5, 5.0)
    field, stated = scale.channels[0].source, scale.channels[0].stated
    assert isinstance(field, LineField) and field.use_unstable and field.units == (("lb", "lb"), ("kg", "kg"))
    assert stated is not None and (stated.unit, stated.division, stated.high) == ("lb", 0.02, 220.0)
    assert (stated.accuracy, stated.of_reading) == (0.1, 0.001)
    assert scale.channels[0].calibration.zero == pytest.approx(0.4 * POUND_KG)
    stated = gauge.channels[0].stated
    assert stated is not None and stated.high == 500.0
    assert stated.low == pytest.approx(-30 * 3386.389 / 6894.757, rel=1e-6)  # a vacuum is negative gauge pressure
    assert transmitters.port == ModbusPort("rtu", 19_200, "8E1", 1.0, 1.0, 3.0)
    assert transmitters.channels[0].source == Register(4, "input", 0, "float32", "little")
    other = transmitters.channels[1]
    assert other.source == Register(5, "holding", 7, "int16", "big", 0.1, 0.0, (-32768.0, 32767.0))
    assert other.stated is not None and other.stated.division == 0.1  # one step of the register
    assert (board.kind, board.port) == ("protocol", None)
    assert [d.device_id for d in (scale, transmitters, board)] == ["text:platform scale", "modbus:transmitters", None]


def test_a_stored_rig_is_the_rig() -> None:
    rig = parse_rig(GOOD)
    assert from_plain(Rig, json.loads(json.dumps(plain(rig)))) == rig


@pytest.mark.parametrize(
    ("old", "new", "key", "why"),
    [
        ('kind = "modbus"', 'kind = "modbux"', "device[3].kind", "'protocol', 'text' or 'modbus'"),
        ("(?P<value>-?", "(?P<val>-?", "device[1].channel[1].pattern", "no group for the number"),
        (r"\d+\.\d+)", r"(\d+)+)", "device[1].channel[1].pattern", "not a group"),
        ('kg = "kg" }', 'kg = "C" }', "device[1].channel[1].pattern", "lb and C cannot be units of one reading"),
        ('kg = "kg" }', 'kg = "kilo" }', "device[1].channel[1].pattern", "unit 'kilo' is not known"),
        ('stable = ["S"]\n', "", "device[1].channel[1].pattern", "go together"),
        ('"500psig"', '"500psia"', "device[2].channel[1].range", "against the air around"),
        ('"suction_pressure"', '"vacuum"', "device[2].channel[1].unit", "needs absolute pressure"),
        ('"suction_pressure"', '"suction"', "device[2].channel[1].point", "no measuring point"),
        ('division = "0.01bar"', "", "device[3].channel[1].division", "float32 does not show"),
        ('"0.02lb"', '"0lb"', "device[1].channel[1].division", "above zero"),
        ("scale = 0.1", "scale = 0", "device[3].channel[2].scale", "not 0"),
        ("address = 0", "address = 65535", "device[3].channel[1].address", "two registers"),
        ('mode = "7E1"', 'mode = "7E3"', "device[1].mode", "pattern"),
        ('stale = "5s"', 'stale = "1s"', "device[1].stale", "at least 3 s"),
        ('period = "0.5s"', 'period = "0.01s"', "device[1].period", "0.05 s to 1 h"),
        ("unit_id = 4", 'framing = "tcp"', "device[3].framing", "serial port speaks RTU"),
        ("unit_id = 4", 'timeout = "60s"', "device[3].timeout", "0.05 s to 10 s"),
        ('"compound gauge"', '"platform scale"', "device[2].name", "the same name"),
        ('"socket://192.168.1.40:4001"', '"/dev/ttyUSB1"', "device[2].url", "the same url"),
        ('poll = "P\\r\\n"', "", "device[1].period", "how often to send `poll`"),
        ('poll = "P\\r\\n"', 'poll = "\\u0416"', "device[1].poll", "single bytes"),
        ('url = "COM3"', 'url = "COM3"\nbaud = 9600', "device[4].baud", "not known here"),
    ],
)
def test_every_fault_is_told_with_its_key(old: str, new: str, key: str, why: str) -> None:
    assert old in GOOD
    with pytest.raises(FileProblems) as caught:
        parse_rig(GOOD.replace(old, new))
    assert any(where == key and why in what for where, what in caught.value.problems), caught.value
