"""Trying a rig out: every device is connected for some seconds as on a job, and nothing is stored."""

import asyncio
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.alarms.defaults import RANGE_IS_NORMAL
from logger.app.connections import check_supported, connections
from logger.app.daemon import Daemon
from logger.app.device_feed import DeviceFeed
from logger.clock import Clock
from logger.decode.channel import OVER_RANGE, UNDER_RANGE
from logger.decode.device_model import CHANNELS_CHANGED, NOT_DESCRIBED
from logger.decode.sensor_curves import OPEN, SHORT
from logger.model.events import RigLoaded
from logger.model.points import POINTS, MeasuringPoint
from logger.model.rig import Rig
from logger.model.text import clean
from logger.model.value import DEVICE_LOST, Value, code_of, unknown
from logger.pipeline.device_readings import DeviceReadings

CHECK_S: Final = 20.0  # looking around by radio, connecting and describing take the most of it
TURN_S: Final = 0.1
STOP_S: Final = 5.0
SETTLE_S: Final = 1.5  # beyond the first readings: sequence and status show only then whether they can be believed
LABEL_SHOWN: Final = 40
LOST: Final = "device lost: "

# Why a link is lost (logger.link.errors) -> what to do about it, where its own words do not say so.
_LINK_ADVICE: Final = {
    "other-device": "another device is at this place: correct the id or the url, `rimelog find` shows both",
    "shared-id": "two devices must not share an id: give one of them another in its firmware",
    "wants-pairing": "pair it once in the system's Bluetooth settings, then try again",
    "no-radio-service": "start it (on Linux: systemctl start bluetooth), or connect the device by its cable",
    "no-radio": "plug in a Bluetooth adapter, or connect the device by its cable",
    "radio-off": "switch Bluetooth on",
    "not-seen": "switch it on, bring it near, and disconnect it from phones and other computers",
    "not-found": "switch it on and bring it near, or plug its cable in; `rimelog find --ble` shows what answers",
    "unusable": "its firmware breaks the protocol: `rimelog device check URL` names each rule it breaks",
    "no-answer": "something is there but speaks another protocol or at another speed",
}
# Why there is no reading (logger.model.value) -> what to do about it.
_BEYOND: Final = "the reading is beyond what the sensor states it can measure"
_ADVICE: Final = {
    OPEN.code: "is the sensor plugged in, and its cable whole?",
    SHORT.code: "is the cable pinched or wet?",
    OVER_RANGE.code: _BEYOND,
    UNDER_RANGE.code: _BEYOND,
    "silent": "it sends seldom or has stopped: a longer `period` in the rig file suits a slow one",
    "misfit": "map the channel to a point that fits what it measures",
    "no-channel": "correct the channel's index",
    DEVICE_LOST: "it is connected, but has sent nothing yet: try with more --seconds",
}


@dataclass(frozen=True, slots=True)
class PointCheck:
    """One measuring point. sensor: what the device calls the channel."""

    point: MeasuringPoint
    index: int
    sensor: str
    value: Value

    @property
    def as_expected(self) -> bool:
        """A vacuum gauge is over range while the system is at atmosphere: that is no fault."""
        return self.point.name in RANGE_IS_NORMAL and self.value.problem == OVER_RANGE


@dataclass(frozen=True, slots=True)
class DeviceCheck:
    """One device of the rig. state: as on the screens. problem: None when it is connected and understood.

    trouble: what it reports of itself, or says that cannot be true, though it is connected and understood.
    advice: what to do about the problem, where there is a usual answer. unused: channels that the rig maps to nothing.
    """

    name: str
    url: str
    device_id: str
    firmware: str
    state: str
    problem: str | None
    trouble: str | None
    advice: str | None
    points: tuple[PointCheck, ...]
    unused: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class RigCheck:
    devices: tuple[DeviceCheck, ...]
    ambient_pa: float
    ambient_note: str | None

    @property
    def points(self) -> Iterator[PointCheck]:
        return (point for device in self.devices for point in device.points)

    @property
    def all_well(self) -> bool:
        return all(d.problem is None and d.trouble is None for d in self.devices) and all(
            p.value.number is not None or p.as_expected for p in self.points
        )


def advice(problem: str | None) -> str | None:
    """What to do about a problem of a device or reading, where there is a usual answer."""
    return _ADVICE.get(code_of(problem))


async def check_rig(rig: Rig, seconds: float = CHECK_S) -> RigCheck:
    """Connect every device and take a reading of each point; done sooner when all have answered. Raises LinkError."""
    check_supported(rig)
    daemon = Daemon("check", Path("unused"), Clock())  # never opened, so nothing is stored
    daemon.emit(RigLoaded(t_ns=daemon.clock.now_ns(), rig=rig))
    running = connections(daemon, rig, 1.0)
    tasks = [asyncio.create_task(connection.run()) for connection in running]
    try:
        loop = asyncio.get_running_loop()
        end_s = loop.time() + seconds
        answered_s: float | None = None
        while loop.time() < end_s and (answered_s is None or loop.time() < answered_s + SETTLE_S):
            if not all(_answered(daemon, feed) for feed in daemon.feeds.values()):
                answered_s = None
            elif answered_s is None:
                answered_s = loop.time()
            await asyncio.sleep(TURN_S)
            daemon.engine.tick(daemon.clock.now_ns())
            for task in tasks:
                if task.done():
                    task.result()
        model = daemon.engine.model
        devices = tuple(_checked(daemon, feed) for feed in daemon.feeds.values())
        return RigCheck(devices, model.ambient.pressure_pa, model.ambient.note)
    finally:
        await asyncio.wait([asyncio.create_task(connection.stop()) for connection in running], timeout=STOP_S)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def _answered(daemon: Daemon, feed: DeviceFeed) -> bool:
    """There is no more to be learnt of this device: a reading, or a reason, of each of its points."""
    device = _device(daemon, feed)
    if device is None or not feed.connected:
        return False
    if device.problem in (CHANNELS_CHANGED, NOT_DESCRIBED):
        return False  # its descriptions are on their way, as after the rig's own period was set
    latest = daemon.engine.model.latest
    return device.problem is not None or all(
        c.point in latest or c.point in device.channel_problems for c in feed.rig_device.channels
    )


def _checked(daemon: Daemon, feed: DeviceFeed) -> DeviceCheck:
    model = daemon.engine.model
    device = _device(daemon, feed)
    state = feed.shown()["text"].removeprefix(LOST)
    problem = None if feed.connected else feed.state.removeprefix(LOST) if feed.lost_code else state
    if problem is None and device is not None:
        problem = device.problem
    labels = {d.index: clean(d.label, LABEL_SHOWN) for d in device.described} if device is not None else {}
    points = tuple(
        PointCheck(POINTS[c.point], c.index, labels.get(c.index, ""), _reading(model.value(c.point), problem))
        for c in feed.rig_device.channels
    )
    used = {channel.index for channel in feed.rig_device.channels}
    hello = device.hello if device is not None else None
    return DeviceCheck(
        name=feed.rig_device.name,
        url=feed.url,
        device_id=feed.device_id,
        firmware=clean(f"{hello.firmware_name} {hello.firmware_version}") if hello is not None else "",
        state=state,
        problem=None if problem is None else clean(problem),
        trouble=feed.trouble() if feed.connected else None,
        advice=advice(problem) if feed.connected else _LINK_ADVICE.get(feed.lost_code),
        points=points,
        unused=tuple(f"{i} ({label})" if label else f"{i}" for i, label in labels.items() if i not in used),
    )


def _reading(value: Value, problem: str | None) -> Value:
    """Without repeating its device's words: those stand with the device."""
    return value if problem is None else unknown(value.unit, "no reading")


def _device(daemon: Daemon, feed: DeviceFeed) -> DeviceReadings | None:
    return daemon.engine.model.devices.get(feed.device_id)
