"""`rimelog find --ble` and `rig check` on an emulated radio, in an air that lives in a thread of its own."""

import contextlib
import json
import struct
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from bumble.gatt import Characteristic, Service
from click.testing import CliRunner, Result

from logger.cli import rimelog
from logger.config.errors import FileProblems
from logger.config.rig_file import parse_rig
from logger.link import connection, discovery
from logger.link.ble import radio
from logger.link.ble.standard_sensors import device_id_of
from sim_device.rig import device_id
from tests.link.ble import backend
from tests.link.ble.air import Air
from tests.link.ble.bench import CAN, MAY, ONE, THREE, TWO, AirThread, Peripheral, served
from tests.link.ble.with_bumble import plug_in

SCALE = device_id("scale", 1).hex()
ROOM = device_id_of(TWO).hex()
# 248 bytes with escapes, line breaks and a right-to-left override: what no name should be.
HOSTILE = "\x1b]0;owned\x07\x1b[2J\r\n\u202eelacs" + "A" * 224


@contextlib.asynccontextmanager
async def neighbourhood(air: Air) -> AsyncIterator[None]:
    """The simulated scale, a room sensor of the standard, a stranger that only pretends, with a hostile name."""
    async with served(air, ONE, "scale"):
        air.rssi[TWO] = -71
        values = [
            Characteristic("2A6D", CAN.READ, MAY.READABLE, struct.pack("<I", 1_001_500)),
            Characteristic("2A6E", CAN.READ, MAY.READABLE, struct.pack("<H", 0x8000)),
        ]
        await Peripheral.at(air, TWO).begin([Service("181A", values)], ["181A"], b"Room")
        await Peripheral.at(air, THREE).begin([], [radio.SERVICE])
        yield


@pytest.fixture
def port(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """Of the dongles in that neighbourhood; bleak is put onto one."""
    monkeypatch.setattr(discovery, "RADIO_SCAN_S", 0.2)
    monkeypatch.setattr(radio, "SCAN_S", 0.5)
    monkeypatch.setattr(connection, "FIRST_RETRY_S", 0.1)
    with AirThread(neighbourhood) as air, backend.use(None):
        plug_in(air.port)
        backend.Central.names[THREE] = HOSTILE
        yield air.port
        backend.Central.open_radio = None


def ran(*args: str) -> Result:
    return CliRunner().invoke(rimelog, args, standalone_mode=False, catch_exceptions=False)


def test_find_lists_ours_by_hello_and_sensors_without_connecting(port: int) -> None:
    result = ran("find", "--ble", "--json", "--seconds", "2")
    assert result.return_value == 0
    found = {each["url"]: each for each in json.loads(result.output) if each["url"].startswith("ble:")}
    assert set(found) == {f"ble://{ONE}", f"ble://{TWO}", f"ble://{THREE}"}
    assert found[f"ble://{ONE}"] == {
        "url": f"ble://{ONE}", "id": SCALE, "name": "scale", "kind": "SIM-SCALE sim_device 1", "channels": 1,
        "rssi_dbm": -50, "problem": None,
    }  # fmt: skip
    assert found[f"ble://{TWO}"] == {
        "url": f"ble://{TWO}", "id": ROOM, "name": "Room", "kind": "Bluetooth SIG sensor", "channels": None,
        "rssi_dbm": -71, "problem": None,
    }  # fmt: skip
    assert found[f"ble://{THREE}"]["id"] is None
    assert "does not measure" in found[f"ble://{THREE}"]["problem"]


def test_find_shows_no_name_that_could_steer_a_terminal(port: int) -> None:
    assert len(HOSTILE.encode()) == 248
    result = ran("find", "--ble", "--seconds", "0.5")
    lines = [line for line in result.output.splitlines() if line.startswith("ble:")]
    assert len(lines) == 3
    assert all(line.isprintable() for line in lines)
    (hostile,) = [line for line in lines if THREE in line]
    assert '"]0;owned[2J elacsAAA' in hostile
    assert max(map(len, lines)) < 320
    (scale,) = [line for line in lines if ONE in line]
    assert f'{SCALE}  "scale", SIM-SCALE sim_device 1, 1 channel, signal -50 dBm' in scale


def test_find_one_url(port: int) -> None:
    result = ran("find", "--json", f"ble://{TWO}")
    (found,) = json.loads(result.output)
    assert (found["id"], found["channels"], found["kind"]) == (ROOM, 2, "Bluetooth SIG 181A via host")
    assert found["rssi_dbm"] == -71


RIG = f"""
[rig]
name = "Van 3"
[[device]]
name = "scale"
url = "ble://"
id = "{SCALE}"
  [[device.channel]]
  index = 0
  point = "cylinder_mass"
[[device]]
name = "room"
url = "ble://{TWO}"
  [[device.channel]]
  index = 0
  point = "barometer"
  [[device.channel]]
  index = 1
  point = "ambient_temperature"
"""


def test_rig_check_reads_every_point_and_explains(port: int, tmp_path: Path) -> None:
    file = tmp_path / "rig.toml"
    file.write_text(RIG)
    result = ran("rig", "check", str(file), "--units", "si", "--seconds", "10")
    lines = result.output.splitlines()
    assert result.return_value == 1  # one point has no reading
    assert lines[0] == "Van 3: the file is in order, 2 devices; connecting ..."
    assert lines[1].startswith(
        f"scale at ble://{ONE}: connected, battery 100 %, signal -50 dBm when found (id {SCALE}, sim_device 1"
    )
    assert "Scale (gross)" in lines[2]
    assert "kg" in lines[2]
    assert lines[3].startswith(
        f"room at ble://{TWO}: connected, signal -71 dBm when found (id {ROOM}, Bluetooth SIG 181A via host"
    )
    assert "1,001.5 hPa" in lines[4]
    assert "no reading, reason not stated" in lines[5]
    assert lines[-1] == "2 of 3 points have a reading."


def test_rig_check_of_what_is_wrong(port: int, tmp_path: Path) -> None:
    file = tmp_path / "rig.toml"
    file.write_text(
        RIG.replace("index = 1", "index = 7").replace(  # the sensor has no such channel
            SCALE, "00112233445566778899"
        )  # a device that is not there
    )
    result = ran("rig", "check", str(file), "--seconds", "1.5", "--json")
    assert result.return_value == 1
    checked = json.loads(result.output)
    scale, room = checked["devices"]
    assert not checked["all_well"]
    assert "nor in radio range" in scale["problem"]
    assert "rimelog find --ble" in scale["advice"]
    assert scale["points"][0]["problem"] == "no reading"
    barometer, missing = room["points"]
    assert barometer["value"] is not None  # its other channel is read all the same
    assert "the device has no channel 7 (for ambient_temperature); it has 0, 1" in missing["problem"]
    assert missing["advice"] == "correct the channel's index"
    assert room["unused_channels"] == ["1 (Temperature)"]


def test_two_by_radio_need_ids_to_be_told_apart() -> None:
    two = [f"[[device]]\nname = '{name}'\nurl = 'ble://'\n" for name in ("a", "b")]
    with pytest.raises(FileProblems, match=r"device\[2\].url: the same url as device\[1\].url"):
        parse_rig("".join(two))
    assert len(parse_rig(two[0] + two[1] + f"id = '{SCALE}'").devices) == 2


def test_rig_check_names_every_fault_of_a_file(tmp_path: Path) -> None:
    file = tmp_path / "rig.toml"
    file.write_text(RIG.replace("barometer", "barometre"))
    with pytest.raises(FileProblems, match=r"device\[2\].channel\[1\].point: 'barometre' is no measuring point"):
        ran("rig", "check", str(file))
