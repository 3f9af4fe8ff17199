"""Reading one measuring point beside a reference, uncorrected, until it is steady; nothing is stored."""

import asyncio
import math
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from statistics import fmean, median, stdev
from typing import Final

from logger.app.connections import check_supported, connections
from logger.app.daemon import Daemon
from logger.clock import Clock
from logger.config.rig_draft_points import can_be_zeroed, near_zero, unit_of
from logger.model.events import RigLoaded
from logger.model.rig import Calibration, Rig
from logger.model.sample import PointSample

READ_S: Final = 10.0
SETTLE_S: Final = 180.0  # at most; then it is read as it is and said not to be steady
CONNECT_S: Final = 20.0
TURN_S: Final = 0.1
STOP_S: Final = 5.0
MIN_READINGS: Final = 6


@dataclass(frozen=True, slots=True)
class SteadyReading:
    """mean, u: of the uncorrected readings and the standard uncertainty of that mean with the resolution, SI; gauge
    channels as gauge. moving: how far the readings went where that is more than scatter, else 0.
    accuracy: stated limits of error, SI, None where nobody stated any. no_zero: what it shows at nothing is more than a
    zero drifts.
    """

    mean: float
    u: float
    count: int
    moving: float
    accuracy: float | None
    gauge: bool
    no_zero: bool = False


class _Collecting(Daemon):
    """A daemon without a file that keeps the readings of one point."""

    def __init__(self, point: str) -> None:
        super().__init__("calibration", Path("unused"), Clock())
        self.point = point
        self.readings: list[tuple[float, float]] = []  # loop time, SI value
        self.problem: str | None = None

    def keep_frame(self, device: str, t_ns: int, raw: bytes, samples: list[PointSample]) -> None:
        at_s = asyncio.get_running_loop().time()
        for sample in samples:
            if sample.point == self.point:
                self.problem = sample.problem
                if sample.value is not None:
                    self.readings.append((at_s, sample.value))


def uncorrected(rig: Rig, point: str) -> Rig:
    """Only the device of that point, and that channel without its calibration."""
    device = next(d for d in rig.devices if any(c.point == point for c in d.channels))
    channels = tuple(replace(c, calibration=Calibration()) for c in device.channels if c.point == point)
    return replace(rig, devices=(replace(device, channels=channels, outputs=()),), alarms={})


async def read_steady(rig: Rig, point: str, seconds: float = READ_S, settle_s: float = SETTLE_S) -> SteadyReading:
    """Raises TimeoutError with the reason when there is no reading; LinkError where something is not installed."""
    check_supported(rig)
    alone = uncorrected(rig, point)
    daemon = _Collecting(point)
    daemon.emit(RigLoaded(t_ns=daemon.clock.now_ns(), rig=alone))
    running = connections(daemon, alone, 1.0)
    tasks = [asyncio.create_task(connection.run()) for connection in running]
    loop = asyncio.get_running_loop()
    begun_s = loop.time()
    try:
        while True:
            await asyncio.sleep(TURN_S)
            daemon.engine.tick(daemon.clock.now_ns())
            for task in tasks:
                if task.done():
                    task.result()
            now_s = loop.time()
            if not daemon.readings:
                if now_s - begun_s > CONNECT_S:
                    (feed,) = daemon.feeds.values()
                    raise TimeoutError(daemon.problem or feed.shown()["text"])
                continue
            if now_s - daemon.readings[0][0] < seconds:
                continue
            window = [value for at_s, value in daemon.readings if at_s > now_s - seconds]
            if len(window) < MIN_READINGS:
                if now_s - begun_s > CONNECT_S + MIN_READINGS * seconds:
                    raise TimeoutError(daemon.problem or f"only {len(window)} readings in {seconds:g} s")
                continue
            moving = _moving(window, _step(daemon))
            if moving == 0.0 or now_s - begun_s > settle_s:
                return _steady(daemon, window, moving)
    finally:
        await asyncio.wait([asyncio.create_task(connection.stop()) for connection in running], timeout=STOP_S)
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def _step(daemon: _Collecting) -> float:
    """One step of the raw numbers, SI."""
    device = next(iter(daemon.engine.model.devices.values()))
    ((decoder, raw),) = device.readings()
    return math.sqrt(12) * decoder.uncertainty(raw).resolution


def _moving(window: list[float], step: float) -> float:
    """How far the halves lie apart, where that is more than a step and three times what scatter makes of it; or how far
    the readings spread, where that is more than reading to reading tells: a load put on within either half.

    Scatter from reading to reading by the median, which one jump does not move (0.954 of normal scatter).
    """
    half = len(window) // 2
    first, second = window[:half], window[half:]
    apart = fmean(second) - fmean(first)
    scatter = math.sqrt(stdev(first) ** 2 / len(first) + stdev(second) ** 2 / len(second))
    if abs(apart) > max(3 * scatter, step):
        return apart
    noise = median(abs(b - a) for a, b in pairwise(window)) / 0.954
    return max(window) - min(window) if stdev(window) > 3 * max(noise, step) else 0.0


def _steady(daemon: _Collecting, window: list[float], moving: float) -> SteadyReading:
    device = next(iter(daemon.engine.model.devices.values()))
    ((decoder, raw),) = device.readings()
    add = daemon.engine.model.ambient.pressure_pa if decoder.gauge else 0.0
    resolution = decoder.uncertainty(raw).resolution
    u = math.hypot(stdev(window) / math.sqrt(len(window)), resolution)
    mean, unit = fmean(window) - add, unit_of(decoder.describe.unit)
    no_zero = (
        can_be_zeroed(decoder.describe) and unit is not None and not near_zero(decoder.describe, mean / unit.factor)
    )
    return SteadyReading(mean, u, len(window), moving, decoder.stated_accuracy(), decoder.gauge, no_zero)
