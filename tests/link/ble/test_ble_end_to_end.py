"""A job by radio, in the real programs: `sim_device --ble` serves two devices, the daemon logs them and a room sensor.

Three processes on one emulated air: every connection breaks off in the middle, and the bundle is verified at the end.
"""

import contextlib
import re
import struct
import threading
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from bumble.gatt import Characteristic, Service

from firmware_protocol.messages import Hello
from logger.cli import demo
from logger.evidence.chain import frames_of
from logger.link.ble.standard_sensors import device_id_of
from logger.model.records import FRAMES
from logger.store.reader import StoreReader
from sim_device.rig import device_id
from tests.end_to_end.running import Sim, Stored, daemon, message_of, rimelog, simulated, until
from tests.end_to_end.small_job import SMALL_JOB
from tests.end_to_end.test_mixed_links import INSTRUMENTS, Instruments
from tests.link.ble.air import Air
from tests.link.ble.bench import CAN, MAY, ONE, AirThread, Peripheral

SEED = 3
SPEED = 100.0
PATIENCE_S = 240.0  # for stages that take a quarter of a minute here
KINDS = ("Recovery", "Evacuation", "Vacuum decay test", "Charging")
IN_EMPTIED_KG, IN_CHARGING_CYLINDER_KG = SMALL_JOB.cylinders[0].contents_kg, SMALL_JOB.cylinders[2].contents_kg
DEVICES = ("recovery board", "scale")
ROOM = f"""
[[device]]
name = "room"
url = "ble://"
id = "{device_id_of(ONE).hex()}"

  [[device.channel]]
  index = 0
  point = "system_pressure"

  [[device.channel]]
  index = 1
  point = "system_temperature"
"""

BY_RADIO = f"""
[[device]]
name = "room"
url = "ble://"
id = "{device_id_of(ONE).hex()}"

  [[device.channel]]
  index = 1
  point = "leaving_fluid_temperature"
"""


@contextlib.asynccontextmanager
async def room(air: Air) -> AsyncIterator[None]:
    values = [
        Characteristic("2A6D", CAN.READ, MAY.READABLE, struct.pack("<I", 998_700)),
        Characteristic("2A6E", CAN.READ, MAY.READABLE, struct.pack("<h", 1985)),
    ]
    air.rssi[ONE] = -77
    await Peripheral.at(air, ONE).begin([Service("181A", values)], ["181A"], b"Room")
    yield


def test_a_recovery_logged_by_radio(tmp_path: Path) -> None:
    with AirThread(room) as air, simulated(tmp_path, "recovery", air_port=air.port) as sim:
        rig = tmp_path / "by-radio.toml"
        rig.write_text(sim.rig_file.read_text() + ROOM)
        assert rig.read_text().count('url = "ble://"') == 3
        with daemon(tmp_path, rig, air_port=air.port) as logger:
            logger.ready()
            text = logger.device("room")["text"]
            assert text == "connected, signal -77 dBm when found"
            assert "battery 100 %" in logger.device("scale")["text"]
            assert {d["url"][:6] for d in logger.status()["devices"]} == {"ble://"}
            logger.client.act("stage-begin", kind="recovery", settings={}, operator="")
            begun_kg, begun_mass_kg = in_cylinder_kg(sim), reading(logger.status(), "cylinder_mass")
            sim.do("start_recovery")
            logger.when(lambda state: recovered_kg(state) > 0.0, "something is recovered")
            air.drop_all()
            logger.when(lambda state: not any(d["ok"] for d in state["devices"]), "all are lost")
            logger.when(lambda state: all(p["value"] is not None for p in state["points"]), "all are read")
            assert reading(logger.status(), "system_pressure") == pytest.approx(99_870.0)
            assert reading(logger.status(), "system_temperature") == pytest.approx(293.0)
            sim.do("stop_recovery")
            came_kg = in_cylinder_kg(sim) - begun_kg
            logger.when(
                lambda state: abs(reading(state, "cylinder_mass") - begun_mass_kg - came_kg) < 0.05, "the truth"
            )
            until(lambda: logger.status()["store"]["ok"], "all is stored")
            logger.stop()
    stored = Stored(logger.file)
    assert not stored.of_type("gap") or all("frames" not in gap for gap in stored.of_type("gap"))
    for name in DEVICES:
        numbers = stored.sequences(device_id(name, SEED).hex())
        assert sorted(numbers) == list(range(numbers[0], numbers[0] + len(numbers))), name  # each once, none missing
    hello = _hello(logger.file, device_id_of(ONE).hex())
    assert hello.firmware_name == "Bluetooth SIG 181A via host"
    urls = {event["name"]: event["url"] for event in stored.of_type("device-hello")}
    assert urls["room"] == f"ble://{ONE}"
    rimelog(tmp_path, "export", "job-1", "--out", tmp_path / "out")
    (bundle,) = (tmp_path / "out").glob("*.zip")
    rimelog(tmp_path, "verify", bundle)


SMALL_JOB_TOML = """\
# Invented: no such plant or person.
[job]
refrigerant = "R-407C"
full_charge = "4kg"
customer = "Invented plant (test)"
volume = "12L"
units = "si"
invented = true

[profile.short]
kind = "vacuum decay"
label = "10 min below 500 micron"
source = "invented for this test"
hold = "10min"
limit = "500micron"
""" + "".join(
    f"""
[[cylinder]]
name = "{cylinder.name}"
tare = "{cylinder.tare_kg}kg"
water_capacity = "{cylinder.water_capacity_kg}kg"
service_pressure = "400psi"
refrigerant = "R-407C"
"""
    for cylinder in SMALL_JOB.cylinders
)


def test_the_whole_job_by_radio(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Recovery into two cylinders, evacuation, decay test and charging; twice all connections break off."""
    monkeypatch.setattr(demo, "MAX_WAIT_S", PATIENCE_S)
    devices = ("recovery board", "scale", "vacuum board")
    with contextlib.ExitStack() as stack:
        air = stack.enter_context(AirThread())
        sim = stack.enter_context(
            simulated(
                tmp_path, SMALL_JOB.name, speed=SPEED, only=devices, autopilot=True, hold=True,
                program="tests.end_to_end.small_job", air_port=air.port,
            )
        )  # fmt: skip
        rig = tmp_path / "slower.toml"
        rig.write_text(sim.rig_file.read_text("utf-8").replace("\nurl = ", '\nperiod = "1s"\nurl = '), "utf-8")
        logger = stack.enter_context(daemon(tmp_path, rig, speed=SPEED, job_toml=SMALL_JOB_TOML, air_port=air.port))
        logger.ready()
        guide = demo.DemoGuide(sim, logger.client, lambda text: None, SPEED)  # type: ignore[arg-type]  # asks as its Control does
        said, working = guide.said, threading.Thread(target=guide.run)
        sim.ask(begin=True)
        working.start()  # from here on the control line is the guide's
        try:
            for begun in ("Recovery begun, stage 1", "Vacuum decay test begun, stage 3"):
                until(lambda: begun in "\n".join(said) or guide.problem, begun, PATIENCE_S)  # noqa: B023
                assert not guide.problem, guide.problem
                logger.ready()
                air.drop_all()
            until(lambda: "Charging ended" in said or guide.problem, "all done", PATIENCE_S, lambda: "\n".join(said))
        finally:
            guide.left = True
            working.join()
        assert not guide.problem
        truth_kg = sim.truth["cylinders_kg"]
        logger.stop()
    found = {kind: "\n".join(said[said.index(f"{kind} ended") :]) for kind in KINDS}
    assert any(line.startswith("cylinder B is on the scale now") for line in said)
    recovered_kg = truth_kg["cylinder A"] + truth_kg["cylinder B"] - 2 * IN_EMPTIED_KG
    assert mass_kg(found["Recovery"], "MASS in 2 cylinders") == pytest.approx(recovered_kg, abs=0.03)
    assert "  Target reached: " in found["Evacuation"]
    assert "\n  vacuum held: " in found["Vacuum decay test"]
    assert "  Target met: " in found["Charging"]
    assert mass_kg(found["Charging"], "Charged MASS in") == pytest.approx(
        IN_CHARGING_CYLINDER_KG - truth_kg["charging cylinder"], abs=0.03
    )
    stored = Stored(logger.file)
    assert len(stored.of_type("device-lost")) >= 2 * len(devices)
    for name in devices:
        numbers = stored.sequences(device_id(name, SEED).hex())
        assert sorted(numbers) == list(range(numbers[0], numbers[0] + len(numbers))), name  # each once, none missing
    rimelog(tmp_path, "export", "job-1", "--out", tmp_path / "out")
    (bundle,) = (tmp_path / "out").glob("*.zip")
    rimelog(tmp_path, "verify", bundle)


def mass_kg(found: str, pattern: str) -> float:
    """Of a finding such as "3.995 ± 0.008 kg in 2 cylinders"."""
    (shown,) = re.findall(pattern.replace("MASS", r"([\d.]+) ± [\d.]+ kg"), found)
    return float(shown)


def test_cable_radio_text_and_modbus_make_one_job(tmp_path: Path) -> None:
    """A board on a serial port, a text scale, a Modbus transmitter and a sensor by radio: one record, one clock."""
    with AirThread(room) as air, Instruments().running() as bench, simulated(
        tmp_path, "recovery", link="pty", only=("recovery board",)
    ) as sim:  # fmt: skip
        rig = tmp_path / "all.toml"
        rig.write_text(sim.rig_file.read_text("utf-8") + INSTRUMENTS.format(zero=0, **bench.urls) + BY_RADIO, "utf-8")
        with daemon(tmp_path, rig, air_port=air.port) as logger:
            logger.ready()
            logger.client.act("stage-begin", kind="recovery", settings={}, operator="")
            logger.when(lambda state: all(p["value"] is not None for p in state["points"]), "all are read")
            state = logger.status()
            assert reading(state, "leaving_fluid_temperature") == pytest.approx(293.0)  # by radio
            assert reading(state, "cylinder_mass") == pytest.approx(30.0)  # a line of text
            assert reading(state, "system_pressure") == pytest.approx(101_325 + 625_000, abs=2_000)  # Modbus
            assert reading(state, "cylinder_pressure") > 1e5  # the serial port
            until(lambda: logger.status()["store"]["ok"], "all is stored")
            logger.stop()
    stored = Stored(logger.file)
    assert stored.chain.holds
    (begun,), (ended,) = stored.of_type("run-begun"), stored.of_type("run-ended")
    with StoreReader(logger.file) as reader:
        frames = [(r.device, t_ns) for r in reader.records(kind=FRAMES) for t_ns, _ in frames_of(r)]
    assert len({device for device, _ in frames}) == 4
    assert all(begun["t_ns"] <= t_ns <= ended["t_ns"] for _, t_ns in frames)
    rimelog(tmp_path, "export", "job-1", "--out", tmp_path / "out")
    (bundle,) = (tmp_path / "out").glob("*.zip")
    rimelog(tmp_path, "verify", bundle)


def reading(state: dict[str, Any], point: str) -> float:
    return next(float(p["value"]) for p in state["points"] if p["point"] == point)


def in_cylinder_kg(sim: Sim) -> float:
    truth = sim.truth
    return float(truth["cylinders_kg"][truth["on_scale"]])


def recovered_kg(state: dict[str, Any]) -> float:
    return float(state["live"].get("recovered", {}).get("value") or 0.0)


def _hello(file: Path, device: str) -> Hello:
    with StoreReader(file) as reader:
        for record in reader.records(kind=FRAMES, device=device):
            for _, raw in frames_of(record):
                if isinstance(message := message_of(raw), Hello):
                    return message
    raise AssertionError(f"no hello of {device}")
