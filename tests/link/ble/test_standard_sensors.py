"""Sensors that conform to the standards, on emulated radios, through a connection and the logger's own decoder."""

import asyncio
import hashlib
import struct
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest
from bumble.att import ATT_Error, ErrorCode
from bumble.gatt import Characteristic, CharacteristicValue, Descriptor, Service
from bumble.profiles.battery_service import BatteryService
from bumble.profiles.device_information_service import DeviceInformationService

from firmware_protocol.codes import Quantity
from firmware_protocol.requests import SetPeriod
from logger.link import connection, discovery
from logger.link import link_events as events
from logger.link.ble import radio, standard_sensors
from logger.link.ble.ble_stream import open_ble
from logger.link.ble.standard_sensors import StandardLink, device_id_of
from logger.link.discovery import radio_urls
from logger.link.session.session import Settings
from logger.model.rig import RigChannel, RigDevice
from logger.model.sample import PointSample
from logger.model.units import NS_PER_S
from logger.pipeline.device_readings import DeviceReadings
from tests.link.ble.air import Air
from tests.link.ble.backend import Central
from tests.link.ble.bench import CAN, MAY, ONE, QUICK, TWO, Peripheral, Watched, emulation, run, until, watch

SHIPPED = {name: float(getattr(standard_sensors, name)) for name in ("STATUS_NS", "QUIET_NS", "TURN_S")}


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(discovery, "RADIO_SCAN_S", 0.1)
    monkeypatch.setattr(radio, "SCAN_S", 0.4)
    monkeypatch.setattr(connection, "FIRST_RETRY_S", 0.1)
    monkeypatch.setattr(standard_sensors, "STATUS_NS", 300_000_000)
    monkeypatch.setattr(standard_sensors, "QUIET_NS", 600_000_000)
    monkeypatch.setattr(standard_sensors, "TURN_S", 0.02)


@dataclass
class Climate:
    """Environmental Sensing: pressure (read, notify), temperature (read), a second pressure (notify only)."""

    peripheral: Peripheral
    pressure: Characteristic[bytes]
    second: Characteristic[bytes]
    pascal: int = 1_013_254  # 0.1 Pa
    celsius: int = 2137  # 0.01 Cel
    reads: list[str] = field(default_factory=list)

    async def notify(self, raw: int, second: bool = False) -> None:
        await self.peripheral.notify(self.second if second else self.pressure, struct.pack("<I", raw))


async def climate(
    air: Air, address: str = ONE, presentation: bytes = struct.pack("<BbHBH", 8, -1, 0x2724, 1, 0)
) -> Climate:
    def read(name: str, form: str) -> CharacteristicValue[bytes]:
        def value(connection: Any) -> bytes:
            there.reads.append(name)
            return struct.pack(form, getattr(there, name))

        return CharacteristicValue(read=value)

    def descriptor(uuid: str, value: bytes) -> Descriptor:
        return Descriptor(uuid, MAY.READABLE, value)

    pressure: Any = Characteristic(
        "2A6D", CAN.READ | CAN.NOTIFY, MAY.READABLE, read("pascal", "<I"),
        [descriptor("2904", presentation), descriptor("2901", b"Chamber\x1b[2J pressure")],
    )  # fmt: skip
    temperature: Any = Characteristic(
        "2A6E", CAN.READ, MAY.READABLE, read("celsius", "<h"),
        [descriptor("2906", struct.pack("<hh", -4000, 8500)),
         descriptor("290C", struct.pack("<HB", 0, 1) + bytes((0, 0, 0, 1, 0, 0, 1, 2)))],
    )  # fmt: skip
    second = Characteristic("2A6D", CAN.NOTIFY, MAY.READABLE, b"")
    there = Climate(Peripheral.at(air, address), pressure, second)
    about = DeviceInformationService(manufacturer_name="Invented", model_number="Room 1", firmware_revision="3.1")
    services = [
        Service("181A", [pressure, temperature, second]),
        BatteryService(lambda connection: 87),
        about,
        Service("180D", [Characteristic("2A6D", CAN.READ, MAY.READABLE, b"not an environmental sensor's")]),
    ]
    await there.peripheral.begin(services, ["181A"], b"Room")
    return there


@dataclass
class Scale:
    """Weight Scale: measurement by indication, feature with a resolution of 0.1 kg or 0.2 lb."""

    peripheral: Peripheral
    weight: Characteristic[bytes]

    async def indicate(self, raw: int, flags: int = 0, more: bytes = b"") -> None:
        await until(self.peripheral.subscribed.is_set)
        assert self.peripheral.connection is not None
        value = struct.pack("<BH", flags, raw) + more
        await self.peripheral.radio.indicate_subscriber(self.peripheral.connection, self.weight, value)


async def scale(air: Air, address: str = TWO) -> Scale:
    peripheral = Peripheral.at(air, address)
    weight = Characteristic("2A9D", CAN.INDICATE, MAY(0), b"")
    weight.on("subscription", peripheral.subscription)
    feature = Characteristic("2A9E", CAN.READ, MAY.READABLE, struct.pack("<I", 3 << 3))
    await peripheral.begin([Service("181D", [feature, weight])], ["181D"], b"Scale")
    return Scale(peripheral, weight)


class Decoded:
    """What the logger makes of the frames alone, as in a replay."""

    def __init__(self, watched: Watched, address: str, points: dict[int, str]) -> None:
        channels = tuple(RigChannel(index, point) for index, point in points.items())
        self.device = DeviceReadings(device_id_of(address).hex(), RigDevice("sensor", None, channels=channels))
        self.samples: list[tuple[int, PointSample]] = []
        for event in watched.events:
            match event:
                case events.Described(raws=raws):
                    for raw in raws:
                        self.device.frame(event.at_ns, raw)
                case events.HelloReceived(raw=raw):
                    self.device.frame(event.at_ns, raw)
                case events.SamplesReceived(raw=raw, samples=samples):
                    self.samples += [(samples.sequence, s) for s in self.device.frame(event.at_ns, raw)]

    def values(self, point: str) -> list[float | None]:
        """In the order of measuring: what waits for a new description may be overtaken."""
        return [s.value for _, s in sorted(self.samples, key=lambda pair: pair[0]) if s.point == point]


@asynccontextmanager
async def watching(address: str) -> AsyncIterator[Watched]:
    async with watch("ble://", device_id_of(address), search_radio=radio_urls, settings=QUICK) as watched:
        yield watched


def test_environmental_sensing() -> None:
    async def test() -> None:
        async with emulation() as air, watching(ONE) as watched:
            there = await climate(air)
            await watched.streaming(2)
            hello = watched.of(events.HelloReceived)[0].hello
            assert hello.firmware_name == "Bluetooth SIG 181A via host"
            assert (hello.firmware_version, hello.model) == ("3.1", "Invented Room 1")
            channels = watched.of(events.Described)[0].layout.channels
            assert [(c.quantity, c.unit, c.exponent, c.label) for c in channels] == [
                (Quantity.ABSOLUTE_PRESSURE, "Pa", -1, "Chamber[2J pressure"),
                (Quantity.TEMPERATURE, "Cel", -2, "Temperature"),
                (Quantity.ABSOLUTE_PRESSURE, "Pa", -1, "Pressure"),
            ]
            assert (channels[1].range_high, channels[1].accuracy_of_reading) == (85.0, 0.01)
            for raw in (1_013_300, 1_013_400):
                await there.notify(raw)
            await there.notify(9_999, second=True)
            there.celsius = -0x8000  # not known
            await until(lambda: None in Decoded(watched, ONE, {1: "ambient_temperature"}).values("ambient_temperature"))
            found = Decoded(watched, ONE, {0: "barometer", 1: "ambient_temperature", 2: "vacuum"})
            assert found.device.problem is None
            assert found.values("ambient_temperature")[0] == pytest.approx(294.52)
            assert {101_330.0, 101_340.0} <= {round(v, 3) for v in found.values("barometer") if v is not None}
            assert found.values("vacuum") == [pytest.approx(999.9)]
            assert watched.of(events.RadioStatus)[-1].battery_percent == 87
            assert watched.of(events.StatusReceived)[-1].status.battery_percent == 87

    run(test)


def test_what_does_not_come_by_itself_is_read_once_a_period() -> None:
    async def test() -> None:
        async with emulation() as air, watching(ONE) as watched:
            there = await climate(air)
            await watched.streaming(2)
            watched.session.request(SetPeriod(0, 100))
            await until(lambda: watched.of(events.Described)[-1].layout.channels[0].period_ms == 100)
            await watched.streaming(6)
            there.reads.clear()
            loop = asyncio.get_running_loop()
            begun, told = loop.time(), 0
            while there.reads.count("celsius") < 6:
                await there.notify(1_000_000 + told)
                told += 1
                await asyncio.sleep(0.02)
            assert there.reads.count("celsius") <= (loop.time() - begun) / 0.1 + 2
            assert there.reads.count("pascal") <= 2  # it tells by itself
            there.reads.clear()
            await until(lambda: there.reads.count("pascal") >= 2)

    run(test)


@pytest.mark.parametrize("late", [False, True])
def test_an_answer_that_comes_as_a_notification_too_is_one_reading(late: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(standard_sensors, "ECHO_NS", 60 * NS_PER_S)  # however busy this machine is

    async def test() -> None:
        async with emulation() as air, watching(ONE) as watched:
            Central.echoes_late = late
            there = await climate(air)
            await watched.streaming(2)
            watched.session.request(SetPeriod(0, 200))
            await until(lambda: watched.of(events.Described)[-1].layout.channels[0].period_ms == 200)
            await until(lambda: there.reads.count("pascal") >= 6)
            there.pascal += 1
            await until(lambda: there.reads.count("pascal") >= 12)
            pressures = Decoded(watched, ONE, {0: "barometer"}).values("barometer")
            assert len(pressures) <= there.reads.count("pascal")

    run(test)


def test_one_channel_that_refuses_takes_no_other_with_it() -> None:
    def refuse(connection: Any) -> bytes:
        raise ATT_Error(ErrorCode.UNLIKELY_ERROR)

    async def test() -> None:
        async with emulation() as air, watching(ONE) as watched:
            asked = Descriptor("2906", MAY(0), b"")  # which may not even be read
            broken: Any = Characteristic("2A6D", CAN.READ, MAY.READABLE, CharacteristicValue(read=refuse), [asked])
            whole = Characteristic("2A6E", CAN.READ, MAY.READABLE, struct.pack("<h", 1985))
            await Peripheral.at(air, ONE).begin([Service("181A", [broken, whole])], ["181A"], b"half")
            await watched.streaming(4)
            found = Decoded(watched, ONE, {0: "barometer", 1: "ambient_temperature"})
            assert set(found.values("barometer")) == {None}
            assert found.values("ambient_temperature")[0] == pytest.approx(293.0)
            assert not watched.of(events.LinkDown)

    run(test)


def test_a_weight_scale_whose_unit_is_changed() -> None:
    async def test() -> None:
        async with emulation() as air, watching(TWO) as watched:
            there = await scale(air)
            await until(lambda: watched.session.live)
            (channel,) = watched.of(events.Described)[0].layout.channels
            assert (channel.quantity, channel.unit, channel.accuracy) == (Quantity.MASS, "kg", 0.1)
            assert watched.of(events.HelloReceived)[0].hello.firmware_name == "Bluetooth SIG 181D via host"
            await there.indicate(14_651)
            await there.indicate(14_652, 0x02, struct.pack("<HBBBBB", 2026, 11, 25, 6, 0, 1))  # perhaps an old one
            await there.indicate(0xFFFF)
            await there.indicate(16_150, 0x01)  # somebody presses kg/lb
            await there.indicate(16_151, 0x01)
            await until(lambda: len(watched.of(events.SamplesReceived)) == 5)
            found = Decoded(watched, TWO, {0: "cylinder_mass"})
            assert found.values("cylinder_mass") == [
                pytest.approx(73.255), None, None, pytest.approx(161.50 * 0.45359237),
                pytest.approx(161.51 * 0.45359237),
            ]  # fmt: skip
            assert watched.of(events.Described)[-1].layout.channels[0].accuracy == 0.2
            assert not watched.of(events.GapLost)
            # Nothing comes for long; the scale still answers, so it is not given up.
            heard = len(watched.of(events.StatusReceived))
            await until(lambda: len(watched.of(events.StatusReceived)) >= heard + 2)
            assert watched.session.live
            assert not watched.of(events.Silent)

    run(test)


def test_a_drop_goes_on_in_the_same_sequence() -> None:
    async def test() -> None:
        async with emulation() as air, watching(TWO) as watched:
            there = await scale(air)
            await until(lambda: watched.session.live)
            await there.indicate(100, 0x01)
            for i in range(3):
                assert there.peripheral.connection is not None
                await there.peripheral.connection.disconnect()
                await until(lambda: not watched.session.live)
                await until(lambda: watched.session.live)
                await there.indicate(101 + i, 0x01)
                await until(lambda i=i: len(watched.sequences()) == 2 + i)  # type: ignore[misc]
            assert watched.sequences() == [0, 1, 2, 3]
            assert not watched.of(events.Rebooted)
            assert not watched.of(events.GapLost)
            assert len(watched.of(events.LinkDown)) == 3

    run(test)


def test_a_sensor_that_answers_no_more_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(standard_sensors, "READ_S", 0.4)

    async def test() -> None:
        async with emulation() as air, watching(ONE) as watched:
            await climate(air)
            await watched.streaming(2)
            air.out_of_range.add(ONE)  # the radio has not noticed
            await until(lambda: bool(watched.of(events.LinkDown)) and watched.of(events.LinkDown)[-1].url != "")
            assert "did not answer in time" in watched.of(events.LinkDown)[-1].reason

    run(test)


def test_descriptors_that_contradict_the_standard() -> None:
    async def test() -> None:
        async with emulation() as air, watching(ONE) as watched:
            await climate(air, presentation=struct.pack("<BbHBH", 8, 0, 0x2724, 1, 0))
            await watched.streaming(2)
            found = Decoded(watched, ONE, {0: "barometer"})
            assert found.device.problem is not None
            assert "format in doubt" in found.device.problem
            assert found.values("barometer") == []
            assert Decoded(watched, ONE, {1: "ambient_temperature"}).device.problem is None

    run(test)


def test_by_address_without_advertising_the_service() -> None:
    async def test() -> None:
        async with emulation() as air:
            temperature = Characteristic("2A6E", CAN.READ, MAY.READABLE, struct.pack("<h", 100))
            there = await Peripheral.at(air, ONE).begin([Service("181A", [temperature])], [], b"quiet")
            link = await open_ble(there.url)
            assert isinstance(link, StandardLink)
            assert [c.quantity for c in link.device.channels] == [Quantity.TEMPERATURE]
            await link.close()
            await link.close()

    run(test)


def test_a_quiet_sensor_is_asked_before_it_counts_as_silent() -> None:
    quiet_s = max(SHIPPED["STATUS_NS"], SHIPPED["QUIET_NS"]) / NS_PER_S
    assert quiet_s + SHIPPED["TURN_S"] + 0.5 < Settings().shortest_silence_s


def test_ids_differ_by_address_and_not_by_its_spelling() -> None:
    """As SPEC.md section 12 makes them."""
    assert device_id_of("F0:12:34:56:78:9A") == hashlib.sha256(b"Bluetooth f0:12:34:56:78:9a").digest()[:8]
    assert device_id_of("F0:00:00:00:00:0A") == device_id_of("f0:00:00:00:00:0a")
    assert len({device_id_of(a) for a in (ONE, TWO, "6F1C9C4E-0000-4000-8000-000000000001")}) == 3
