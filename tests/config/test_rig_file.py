"""The rig file: read right, and every fault told at once with its key."""

from pathlib import Path

import pytest

from logger.config.errors import FileProblems
from logger.config.rig_file import load_rig, parse_rig
from logger.model.units import MICRON_PA

GOOD = """
[rig]
name = "Trolley 1"

[[device]]
name = "manifold board"
url = "socket://127.0.0.1:5001"
id = "52696D6500000001"

  [[device.channel]]
  index = 0
  point = "suction_pressure"
  zero = "0.4psi"
  span = 1.003
  u = "0.5psi"
  calibrated = 2026-03-02
  certificate = "C-118"

  [[device.channel]]
  index = 1
  point = "suction_temperature"
  zero = "0.9F"

[alarms.overfill]
limit = 0.75
"""


def test_units_become_si() -> None:
    rig = parse_rig(GOOD)
    device = rig.devices[0]
    assert device.device_id == "52696d6500000001"
    pressure, temperature = device.channels
    assert pressure.calibration.zero == pytest.approx(0.4 * 6894.757)
    assert pressure.calibration.u == pytest.approx(0.5 * 6894.757)
    assert temperature.calibration.zero == pytest.approx(0.5)
    assert rig.alarms == {"overfill": {"limit": 0.75}}
    assert rig.text == GOOD


GAUGE = """
[[device]]
name = "vacuum gauge"
url = "/dev/ttyUSB0"

  [[device.channel]]
  index = 0
  point = "vacuum"
  water_factor = 1.4
  refrigerant_factor = 0.8
  zero_drift = "10micron/h"
  temperature_coefficient = "0.1%"
"""


def test_what_is_stated_of_a_vacuum_gauge() -> None:
    gauge = parse_rig(GAUGE).devices[0].channels[0].gauge
    assert (gauge.water_factor, gauge.refrigerant_factor) == (1.4, 0.8)
    assert gauge.zero_drift == pytest.approx(10 * MICRON_PA / 3600)
    assert gauge.per_k == pytest.approx(0.001)
    assert gauge.factors == (0.8, 1.4)
    assert parse_rig(GOOD).devices[0].channels[0].gauge.factors == (1.0, 1.0)
    with pytest.raises(FileProblems) as other:
        parse_rig(GAUGE.replace('"vacuum"', '"suction_pressure"'))
    assert next(key for key, _ in other.value.problems).endswith("water_factor") and len(other.value.problems) == 4
    with pytest.raises(FileProblems) as signed:
        parse_rig(GAUGE.replace('"10', '"-10'))
    assert [key.rpartition(".")[2] for key, _ in signed.value.problems] == ["zero_drift"]


def test_every_fault_is_told_at_once() -> None:
    bad = """
[[device]]
name = "one"
url = "COM3"
id = "12"
colour = "green"
  [[device.channel]]
  index = -1
  point = "suction_pressure"
[[device]]
name = ""
"""
    with pytest.raises(FileProblems) as caught:
        parse_rig(bad, "r.toml")
    keys = [key for key, _ in caught.value.problems]
    assert sorted(keys) == ["device[1].channel[1].index", "device[1].colour", "device[1].id", "device[2].name"]
    assert str(caught.value).startswith("r.toml: 4 problem(s)\n  device[1]")


def test_faults_of_meaning_are_told_at_once() -> None:
    bad = """
[[device]]
name = "one"
url = "COM3"
id = "12"
  [[device.channel]]
  index = 0
  point = "suction_presure"
  [[device.channel]]
  index = 1
  point = "vacuum"
  zero = "3F"
[[device]]
name = "two"
url = "COM3"
  [[device.channel]]
  index = 1
  point = "vacuum"
[[device]]
name = "three"
"""
    with pytest.raises(FileProblems) as caught:
        parse_rig(bad)
    problems = dict(caught.value.problems)
    assert "16 to 32 hex digits" in problems["device[1].id"]
    assert "'suction_presure' is no measuring point" in problems["device[1].channel[1].point"]
    assert "temperature, not a pressure difference" in problems["device[1].channel[2].zero"]
    assert problems["device[2].url"] == "the same url as device[1].url"
    assert problems["device[2].channel[1].point"].startswith("the same point as device[1]")
    assert "needs a url or an id" in problems["device[3]"]


def test_one_fault_hides_no_other() -> None:
    """A needed key that is wrong, and a table that is left out, hide neither their neighbours nor the alarms."""
    bad = """
[[device]]
name = "one"
url = "COM3"
  [[device.channel]]
  index = -1
  point = "suction_presure"
  [[device.channel]]
  index = 0
  point = "vacuum"
  zero = "3F"
  [[device.channel]]
  index = 1
  point = "cylinder_mass"
  zero = "27.5lb"
[[device]]
name = "One"
url = "COM4"
  [[device.channel]]
  index = 2
  point = "vacuum"
[alarms.overfill]
enabled = false
[alarms.no-data-suction_pressure]
on_delay = "soon"
"""
    with pytest.raises(FileProblems) as caught:
        parse_rig(bad)
    problems = dict(caught.value.problems)
    assert set(problems) == {
        "device[1].channel[1].index", "device[1].channel[1].point", "device[1].channel[2].zero",
        "device[1].channel[3].zero", "device[2].name",
        "device[2].channel[1].point", "alarms.overfill.enabled", "alarms.no-data-suction_pressure.on_delay",
    }  # fmt: skip
    assert problems["device[2].channel[1].point"] == "the same point as device[1].channel[2].point"


@pytest.mark.parametrize("span", ["6.894757", "0.1", "-1.0", "inf", "nan"])
def test_a_span_that_stands_for_a_unit_is_refused(span: str) -> None:
    channel = f"""[[device.channel]]\nindex = 0\npoint = "suction_pressure"\nspan = {span}\n"""
    with pytest.raises(FileProblems) as caught:
        parse_rig(f"""[[device]]\nname = "board"\nurl = "COM3"\n{channel}""")
    ((key, what),) = caught.value.problems
    assert key == "device[1].channel[1].span" and "unit" in what


@pytest.mark.parametrize(
    ("content", "word"),
    [(b"[rig\n", "TOML"), (b"\xff\xfe", "UTF-8"), (b"", "missing"), (b"x" * 1_000_001, "larger than")],
)
def test_a_wrong_file_is_told(tmp_path: Path, content: bytes, word: str) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(content)
    with pytest.raises(FileProblems, match=word):
        load_rig(path)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(FileProblems, match="No such file"):
        load_rig(tmp_path / "none.toml")


OUTPUT = """
[[device]]
name = "scale"
url = "COM4"
  [[device.channel]]
  index = 0
  point = "cylinder_mass"
  [[device.output]]
  index = 0
  hold = "recovery machine"
  while = "recovery"
"""


def test_an_output_is_named_or_there_is_none() -> None:
    (device,) = parse_rig(OUTPUT).devices
    assert [(o.index, o.hold, o.timeout_s) for o in device.outputs] == [(0, "recovery machine", 5.0)]
    assert all(not d.outputs for d in parse_rig(GOOD).devices), "off unless configured"


@pytest.mark.parametrize(
    ("old", "new", "key", "word"),
    [
        ("cylinder_mass", "suction_pressure", "device[1].output[1]", "cylinder_mass"),
        ('while = "recovery"', 'timeout = "1s"', "device[1].output[1].timeout", "3 s to 60 s"),
        ('while = "recovery"', 'while = "charging"', "output[1].while", "recovery"),
        ("index = 0\n  hold", "index = 9\n  hold", "output[1].index", "less than or equal to 7"),
        ('  hold = "recovery machine"\n', "", "output[1].hold", "needed"),
    ],
)
def test_a_wrong_output_is_refused_with_its_key(old: str, new: str, key: str, word: str) -> None:
    with pytest.raises(FileProblems) as caught:
        parse_rig(OUTPUT.replace(old, new))
    assert any(key in where and word in what for where, what in caught.value.problems), caught.value.problems
