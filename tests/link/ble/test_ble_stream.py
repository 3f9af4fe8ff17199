"""The Bluetooth link by its own bleak code, on emulated radios: bytes both ways, and every way of losing them."""

import asyncio
import random
from typing import Any

import pytest
from bumble.gatt import Characteristic, Service
from bumble.profiles.battery_service import BatteryService
from bumble.profiles.device_information_service import DeviceInformationService

from logger.link import discovery
from logger.link.ble import ble_stream, gatt, radio
from logger.link.ble.ble_stream import BleLink
from logger.link.ble.radio import SERVICE, Radio
from logger.link.errors import LinkLost
from logger.link.opening import open_stream
from logger.link.ports.stream import StreamLink
from tests.link.ble.backend import Central
from tests.link.ble.bench import CAN, MAY, ONE, TWO, Peripheral, emulation, run, stream, until


async def take(link: StreamLink, count: int) -> bytes:
    data = b""
    while len(data) < count:
        data += (await link.read())[0]
    return data


@pytest.mark.parametrize("mtu", [23, 185, 247, 517])
def test_a_thousand_notifications_in_order(mtu: int) -> None:
    async def test() -> None:
        async with emulation() as air:
            there = await stream(air, max_mtu=mtu)
            link = await open_stream("ble://")
            assert link.url == there.peripheral.url
            rng = random.Random(mtu)
            size = min(mtu - 3, 244)
            sent = [i.to_bytes(4, "little") + rng.randbytes(rng.randrange(size - 4)) for i in range(1000)]

            async def send() -> None:
                for piece in sent:
                    await there.peripheral.notify(there.data_out, piece)

            sending = asyncio.create_task(send())
            assert await take(link, sum(map(len, sent))) == b"".join(sent)
            await sending
            await link.close()
            await until(lambda: there.peripheral.connection is None)

    run(test)


@pytest.mark.parametrize("mtu", [23, 247])
@pytest.mark.parametrize("writes", [CAN.WRITE, CAN.WRITE_WITHOUT_RESPONSE, CAN.WRITE | CAN.WRITE_WITHOUT_RESPONSE])
def test_writes_of_either_kind_come_whole_and_in_pieces_that_fit(mtu: int, writes: Any) -> None:
    async def test() -> None:
        async with emulation() as air:
            there = await stream(air, max_mtu=mtu, writes=writes)
            link = await open_stream(there.peripheral.url)
            data = random.Random(1).randbytes(700)
            await link.write(data)
            await link.write(b"\0")
            await until(lambda: b"".join(there.peripheral.received) == data + b"\0")
            assert max(map(len, there.peripheral.received)) == min(mtu - 3, 244)
            await link.close()

    run(test)


def test_a_drop_is_told_after_the_last_bytes_and_the_client_is_let_go() -> None:
    async def test() -> None:
        async with emulation() as air:
            there = await stream(air)
            for _ in range(3):
                link = await open_stream(there.peripheral.url)
                assert isinstance(link, BleLink)
                await there.peripheral.notify(there.data_out, b"last words")
                await until(lambda a=link._arrivals: not a._queue.empty())  # type: ignore[misc]
                assert there.peripheral.connection is not None
                await there.peripheral.connection.disconnect()
                await until(lambda a=link._arrivals: a.lost is not None)  # type: ignore[misc]
                assert await take(link, 10) == b"last words"
                for _ in range(2):
                    with pytest.raises(LinkLost, match=rf"{ONE}: the connection was lost"):
                        await link.read()
                with pytest.raises(LinkLost):
                    await link.write(b"x")
                await link.close()
                await link.close()
                assert not Central.clients
                assert not Radio.here().in_use(ONE)

    run(test)


def test_closing_wakes_a_waiting_reader() -> None:
    async def test() -> None:
        async with emulation() as air:
            there = await stream(air)
            link = await open_stream(there.peripheral.url)
            reading = asyncio.create_task(link.read())
            await asyncio.sleep(0.02)
            await link.close()
            with pytest.raises(LinkLost, match="closed"):
                await reading

    run(test)


def test_carried_out_of_range_not_found_and_back(monkeypatch: pytest.MonkeyPatch) -> None:
    async def test() -> None:
        async with emulation() as air:
            there = await stream(air)
            link = await open_stream(there.peripheral.url)
            await air.leave(ONE)
            with pytest.raises(LinkLost, match="connection was lost"):
                await link.read()
            await link.close()
            with monkeypatch.context() as patch:
                patch.setattr(radio, "SCAN_S", 0.4)
                with pytest.raises(LinkLost, match="not seen: is it switched on, in range"):
                    await ble_stream.open_ble(there.peripheral.url)
            air.come_back(ONE)
            link = await open_stream(there.peripheral.url)
            await link.close()

    run(test)


def test_gone_between_being_seen_and_being_connected(monkeypatch: pytest.MonkeyPatch) -> None:
    async def test() -> None:
        async with emulation() as air:
            there = await stream(air)
            seen = await Radio.here().find(lambda sighting: sighting.ours)
            assert seen is not None
            air.out_of_range.add(ONE)
            with monkeypatch.context() as patch:
                patch.setattr(gatt, "CONNECT_S", 0.6)
                with pytest.raises(TimeoutError):
                    await gatt.connect(Radio.here(), seen, lambda: None)
            assert not Central.clients
            air.come_back(ONE)
            link = await open_stream(there.peripheral.url)  # nothing is left in the way
            await link.close()

    run(test)


def test_a_write_that_is_never_answered_ends_the_link(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ble_stream, "WRITE_S", 0.3)

    async def test() -> None:
        async with emulation() as air:
            there = await stream(air)
            link = await open_stream(there.peripheral.url)
            air.out_of_range.add(ONE)  # the radio has not noticed yet
            with pytest.raises(LinkLost, match="did not answer in time"):
                await link.write(b"anyone?")
            air.come_back(ONE)
            await link.close()

    run(test)


def test_a_write_cut_off_by_the_loss_of_the_connection_tells_of_that() -> None:
    async def test() -> None:
        async with emulation() as air:
            there = await stream(air)
            link = await open_stream(there.peripheral.url)
            air.out_of_range.add(ONE)
            writing = asyncio.create_task(link.write(b"anyone?"))
            await asyncio.sleep(0)
            await air.leave(ONE)
            with pytest.raises(LinkLost, match="the connection was lost"):
                await writing
            await link.close()

    run(test)


def test_what_offers_nothing_of_ours_is_named_and_left_alone() -> None:
    async def test() -> None:
        async with emulation() as air:
            heart = Service("180D", [Characteristic("2A37", CAN.NOTIFY, MAY.READABLE, b"")])
            other = await Peripheral.at(air, ONE).begin([heart], ["180D"])
            with pytest.raises(LinkLost, match=r"does not measure: neither our service .* it offers .*Heart Rate"):
                await open_stream(other.url)
            liar = await Peripheral.at(air, TWO).begin([heart], [SERVICE])  # only its advertisement is ours
            with pytest.raises(LinkLost, match=rf"{TWO}.*does not measure"):
                await open_stream("ble://")
            await until(lambda: other.connection is None and liar.connection is None)
            assert not Central.clients

    run(test)


@pytest.mark.parametrize(
    "url", ["ble:", "ble://nonsense", "ble://F0:00:00:00:00", "ble://F0-00-00-00-00-01", "ble:///"]
)
def test_addresses_that_are_none(url: str) -> None:
    async def test() -> None:
        with pytest.raises(LinkLost, match="expected"):
            await open_stream(url)

    run(test)


def test_signal_battery_and_what_the_device_says_of_itself() -> None:
    async def test() -> None:
        async with emulation() as air:
            air.rssi[ONE] = -83
            level = 61
            battery = BatteryService(lambda connection: level)
            about = DeviceInformationService(
                manufacturer_name="A\x1b[2J\x07 maker\u202e", model_number="M" * 248, firmware_revision="1.2"
            )
            there = await stream(air, more=[battery, about])
            link = await open_stream(there.peripheral.url)
            assert isinstance(link, BleLink)
            assert link.radio is not None
            assert (link.radio.rssi_dbm, link.radio.battery_percent) == (-83, 61)
            assert link.about == gatt.About("A[2J maker", "M" * 39 + "…", "1.2")
            assert there.peripheral.connection is not None
            for told, shown in ((60, 60), (250, 60)):  # more than all is not believed
                level = told
                await there.peripheral.radio.notify_subscriber(
                    there.peripheral.connection, battery.battery_level_characteristic, told
                )
                await asyncio.sleep(0.05)
                await until(lambda shown=shown: link.radio.battery_percent == shown)  # type: ignore[misc]
            await link.close()

    run(test)


def test_one_that_wants_to_be_paired_is_paired() -> None:
    async def test() -> None:
        async with emulation() as air:
            there = await stream(air, write_permission=MAY.WRITEABLE | MAY.WRITE_REQUIRES_ENCRYPTION)
            link = await open_stream(there.peripheral.url)
            await link.write(b"secret")
            await until(lambda: there.peripheral.received == [b"secret"])
            assert there.peripheral.connection is not None
            assert there.peripheral.connection.is_encrypted
            await link.close()

    run(test)


def test_a_refused_pairing_is_told_as_one(monkeypatch: pytest.MonkeyPatch) -> None:
    async def test() -> None:
        async with emulation() as air:
            there = await stream(air, write_permission=MAY.WRITEABLE | MAY.WRITE_REQUIRES_ENCRYPTION)

            async def nothing(*_: object) -> None:
                raise NotImplementedError  # macOS: the person is asked, and says no

            monkeypatch.setattr("tests.link.ble.backend.BumbleClient.pair", nothing)
            link = await open_stream(there.peripheral.url)
            with pytest.raises(LinkLost, match="wants to be paired"):
                await link.write(b"secret")
            await link.close()

    run(test)


def test_a_device_left_connected_by_a_killed_program_is_taken_over(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(discovery, "RADIO_SCAN_S", 0.1)

    async def test() -> None:
        async with emulation() as air:
            there = await stream(air)
            killed = await open_stream(there.peripheral.url)
            assert isinstance(killed, BleLink)
            client = killed._client._backend
            client.abandon(SERVICE)  # type: ignore[attr-defined]
            killed._release()
            (found,) = await discovery.find(0.5, ports=(), radio=True)  # another's, for all that `find` knows
            assert found.problem == "connected already, by this computer; not asked"
            assert there.peripheral.connection is not None
            link = await open_stream("ble://")  # it does not advertise
            await there.peripheral.notify(there.data_out, b"still here")
            assert await take(link, 10) == b"still here"
            await link.close()
            await until(lambda: there.peripheral.connection is None)

    run(test)


def test_two_links_to_one_device_are_refused_and_any_takes_the_free_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ble_stream, "IN_USE_S", 0.2)

    async def test() -> None:
        async with emulation() as air:
            one = await stream(air, ONE)
            link = await open_stream(one.peripheral.url)
            with pytest.raises(LinkLost, match="in use by another link of this program"):
                await open_stream(one.peripheral.url.lower())
            two = await stream(air, TWO)
            other = await open_stream("ble://")
            assert other.url == two.peripheral.url
            await one.peripheral.notify(one.data_out, b"one")
            await two.peripheral.notify(two.data_out, b"two")
            assert (await take(link, 3), await take(other, 3)) == (b"one", b"two")
            await link.close()
            await other.close()

    run(test)


def test_many_open_at_once_take_turns_and_an_absent_one_holds_none_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(radio, "SCAN_S", 100.0)

    async def test() -> None:
        async with emulation() as air:
            addresses = [f"F0:00:00:00:01:{i:02X}" for i in range(5)]
            there = [await stream(air, address) for address in addresses]
            absent = asyncio.create_task(open_stream("ble://F0:00:00:00:02:00"))
            links = await asyncio.gather(*(open_stream(each.peripheral.url) for each in there))
            assert not absent.done()
            absent.cancel()
            await asyncio.gather(*(link.close() for link in links))

    run(test)


def test_opening_can_be_given_up_at_any_moment() -> None:
    async def test() -> None:
        async with emulation() as air:
            there = await stream(air)
            for pause_ms in range(0, 130, 13):
                opening = asyncio.create_task(open_stream(there.peripheral.url))
                await asyncio.sleep(pause_ms / 1000)
                opening.cancel()
                done = await asyncio.gather(opening, return_exceptions=True)
                if not isinstance(done[0], BaseException):
                    await done[0].close()
            link = await open_stream(there.peripheral.url)
            await link.close()
            assert not Central.clients

    run(test)
