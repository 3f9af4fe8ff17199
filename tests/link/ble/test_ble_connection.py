"""Connections by radio: what was missed comes after, several devices, devices known by their id, no Bluetooth."""

import asyncio
from dataclasses import replace

import pytest

from firmware_protocol.messages import Accepted
from firmware_protocol.requests import SetPeriod
from logger.link import connection, device_search, discovery
from logger.link import link_events as events
from logger.link.ble import ble_stream, radio
from logger.link.claims import KNOWN_NS, Claims
from logger.link.discovery import radio_urls
from sim_device.ble import BlePeripheral
from sim_device.rig import device_id
from sim_device.serve import serve_pty
from sim_device.sim_clock import SimClock
from tests.link.ble import backend
from tests.link.ble.bench import ONE, QUICK, THREE, TWO, a_device, emulation, run, served, stream, until, watch

SCALE, VACUUM = device_id("scale", 1), device_id("vacuum board", 1)


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Emulated peripherals advertise twenty times a second."""
    monkeypatch.setattr(discovery, "RADIO_SCAN_S", 0.1)
    monkeypatch.setattr(radio, "SCAN_S", 0.4)
    monkeypatch.setattr(connection, "FIRST_RETRY_S", 0.1)
    monkeypatch.setattr(device_search, "SEARCH_S", 0.3)


@pytest.mark.parametrize("mtu", [23, 247])
def test_drops_are_made_good(mtu: int) -> None:
    async def test() -> None:
        async with emulation() as air, served(air, max_mtu=mtu) as device, watch("ble://", None) as watched:
            for _ in range(3):
                await watched.streaming()
                await device.disconnect()
                await until(lambda: not watched.session.live)
                await asyncio.sleep(0.1)
            await watched.streaming()
            await watched.whole()
            assert len(watched.of(events.LinkDown)) == 3
            assert all("the connection was lost" in event.reason for event in watched.of(events.LinkDown))
            assert any(event.backfilled for event in watched.of(events.SamplesReceived))
            assert not watched.of(events.Rebooted)
            assert not watched.of(events.GapLost)
            assert not watched.of(events.BadFrameSeen)
            assert {event.url for event in watched.of(events.LinkUp)} == {f"ble://{ONE}"}
            assert watched.of(events.RadioStatus)[0].rssi_dbm == -50
            assert watched.of(events.RadioStatus)[-1].battery_percent == 100

    run(test)


def test_the_whole_conversation() -> None:
    """Hello, descriptions, start, samples, time marks, a request of the user's, its new layout."""

    async def test() -> None:
        async with emulation() as air, served(air, device="recovery board") as _, watch(f"ble://{ONE}") as watched:
            await watched.streaming(10)
            layout = watched.of(events.Described)[0].layout
            assert [channel.index for channel in layout.channels] == list(range(7))
            ticket = watched.session.request(SetPeriod(0, 100))
            await until(lambda: len(watched.of(events.Described)) == 2)
            (reply,) = [event.reply for event in watched.of(events.Replied) if event.ticket == ticket]
            assert isinstance(reply, Accepted)
            await watched.streaming(10)
            await until(lambda: len(watched.of(events.TimeMarked)) >= 2)
            mark = watched.of(events.TimeMarked)[-1]
            assert mark.sent_ns <= mark.at_ns
            assert {event.boot_count for event in watched.of(events.SamplesReceived)} == {1}
            await watched.whole()
            assert all(event.readings is not None for event in watched.of(events.SamplesReceived))

    run(test)


def test_out_of_range_and_back_with_the_buffered_frames() -> None:
    async def test() -> None:
        async with emulation() as air, served(air), watch(f"ble://{ONE}", SCALE) as watched:
            await watched.streaming()
            await air.leave(ONE)
            await until(lambda: any("not seen" in event.reason for event in watched.of(events.LinkDown)))
            air.come_back(ONE)
            await watched.streaming()
            await watched.whole()

    run(test)


@pytest.mark.parametrize("is_asked", [True, False])
def test_a_link_that_stays_up_but_says_nothing_is_given_up(is_asked: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """As when the system's Bluetooth service dies: no disconnection is told and the client says it is connected."""
    monkeypatch.setattr(ble_stream, "WRITE_S", 0.8)
    settings = replace(QUICK, time_mark_s=0.2 if is_asked else 60.0)  # asked, it answers before it counts as silent

    async def test() -> None:
        async with (
            emulation() as air,
            served(air) as device,
            watch(f"ble://{ONE}", SCALE, settings=settings) as watched,
        ):
            await watched.streaming()
            connection = device.connection
            air.out_of_range.add(ONE)
            await until(lambda: bool(watched.of(events.LinkDown)))
            assert "did not answer in time" in watched.of(events.LinkDown)[0].reason
            assert bool(watched.of(events.Silent)) is not is_asked
            assert device.connection is connection  # the radio noticed nothing
            await air.leave(ONE)
            air.come_back(ONE)
            await watched.streaming()
            await watched.whole()

    run(test)


def test_two_devices_each_found_by_its_id_among_strangers() -> None:
    async def test() -> None:
        claims = Claims()
        async with emulation() as air, served(air, ONE, "scale") as scale, served(air, TWO, "vacuum board") as vacuum:
            stranger = await stream(air, THREE)  # of our service, never answers
            air.rssi[THREE] = -30
            async with (
                watch("ble://", SCALE, claims=claims, search_radio=radio_urls) as one,
                watch(None, VACUUM, claims=claims, search_radio=radio_urls) as two,
            ):
                await asyncio.gather(one.streaming(), two.streaming())
                assert (one.connection.url, two.connection.url) == (scale.url, vacuum.url)
                await asyncio.gather(scale.disconnect(), vacuum.disconnect())
                await asyncio.gather(one.streaming(), two.streaming())
                await asyncio.gather(one.whole(), two.whole())
            assert not one.of(events.DeviceRefused) + two.of(events.DeviceRefused)
            assert stranger.peripheral.connection is None

    run(test)


def test_one_device_on_a_cable_and_by_radio_is_one_device() -> None:
    """The cable is pulled: the same device goes on by radio, and on another port again; nothing is missing."""

    async def test() -> None:
        device, clock = a_device("scale"), SimClock(10.0)
        async with emulation() as air:
            pty = await serve_pty(device, clock)
            ports: list[str] = []
            async with watch(pty.url, SCALE, search_ports=lambda: ports, search_radio=radio_urls) as watched:
                await watched.streaming()
                await pty.aclose()
                radio = air.radio(ONE, "scale")
                await radio.power_on()
                peripheral = BlePeripheral(device, clock, radio, name="scale")
                await peripheral.open()
                await watched.streaming(10)
                await watched.whole()
                assert watched.connection.url == f"ble://{ONE}"
                await peripheral.aclose()
                pty = await serve_pty(device, clock)
                ports.append(pty.url)
                await watched.streaming(10)
                await watched.whole()
                assert watched.connection.url == pty.url
                assert any(event.backfilled for event in watched.of(events.SamplesReceived))
                assert not watched.of(events.Rebooted)
                assert not watched.of(events.GapLost)
                assert len(watched.sequences()) == len(set(watched.sequences()))
                await pty.aclose()

    run(test)


def test_two_peripherals_of_one_id_are_told_and_one_is_used() -> None:
    async def test() -> None:
        async with emulation() as air, served(air, ONE), served(air, TWO):
            twins = {
                f"ble://{one}": f"device id {SCALE.hex()} also answers at ble://{other}"
                for one, other in ((ONE, TWO), (TWO, ONE))
            }
            # A quick look may miss one; in time it sees both.
            while {f.url: f.problem for f in await discovery.find(radio=True, ports=())} != twins:
                continue
            claims = Claims()
            async with watch("ble://", SCALE, claims=claims, search_radio=radio_urls) as first:
                await first.streaming()
                async with watch("ble://", None, claims=claims) as second:
                    await until(lambda: bool(second.of(events.DeviceRefused)))
                    assert "two devices share it" in second.of(events.DeviceRefused)[0].reason
                    assert not second.sequences()
                await first.whole()

    run(test)


def test_another_device_at_the_address_is_refused_and_the_right_one_found() -> None:
    async def test() -> None:
        async with (
            emulation() as air,
            served(air, ONE, "vacuum board"),
            served(air, TWO, "scale"),
            watch(f"ble://{ONE}", SCALE, search_radio=radio_urls) as watched,
        ):
            await watched.streaming()
            refusal = watched.of(events.DeviceRefused)[0].reason
            assert f"device {VACUUM.hex()} answers where {SCALE.hex()} is expected" in refusal
            assert watched.connection.url == f"ble://{TWO}"

    run(test)


def test_who_answered_with_another_id_is_not_bothered_again() -> None:
    async def test() -> None:
        async with emulation() as air, served(air, ONE, "vacuum board") as stranger:
            connections: list[object] = []
            stranger.radio.on("connection", connections.append)
            async with watch("ble://", SCALE, search_radio=radio_urls) as watched:
                await until(lambda: backend.Central.scans_begun >= 6)
            assert len(connections) == 1
            assert "nor in radio range" in watched.of(events.LinkDown)[0].reason
            assert not watched.of(events.LinkUp)

    run(test)


def test_no_bluetooth_is_a_reason_and_not_the_end() -> None:
    async def test() -> None:
        for url, expected in (("ble://", SCALE), (f"ble://{ONE}", None)):
            with backend.use(None):
                async with watch(url, expected, search_radio=radio_urls) as watched:
                    await until(lambda w=watched: bool(w.of(events.LinkDown)))  # type: ignore[misc]
                    assert "this computer has no Bluetooth" in watched.of(events.LinkDown)[0].reason
        async with emulation() as air, served(air):
            radio, backend.Central.radio = backend.Central.radio, None
            async with watch(f"ble://{ONE}", SCALE, search_radio=radio_urls) as watched:
                await until(lambda: bool(watched.of(events.LinkDown)))
                backend.Central.radio = radio  # switched on
                await watched.streaming()

    run(test)


def test_stopping_waits_for_no_search_and_no_opening(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(radio, "SCAN_S", 100.0)
    monkeypatch.setattr(discovery, "RADIO_SCAN_S", 100.0)

    async def test() -> None:
        async with emulation():
            for url in ("ble://", f"ble://{ONE}"):
                async with watch(url, SCALE, search_radio=radio_urls) as watched:
                    await until(lambda: bool(backend.Central.scanners))
                    begun = asyncio.get_running_loop().time()
                assert asyncio.get_running_loop().time() - begun < 50
                assert not watched.of(events.LinkDown)
                await until(lambda: not backend.Central.scanners)

    run(test)


def test_who_is_where_is_forgotten_after_a_while_and_never_known_of_a_port() -> None:
    claims = Claims()
    claims.seen_at("ble://one", SCALE, 0)
    claims.seen_at("/dev/ttyUSB0", VACUUM, 0)
    assert claims.who("ble://one", KNOWN_NS - 1) == SCALE
    assert claims.who("ble://one", KNOWN_NS) is None
    assert claims.who("/dev/ttyUSB0", 0) is None
    assert claims.who("ble://two", 0) is None
