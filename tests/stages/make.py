"""Series of known shape, with noise, digits and weather, for the analyses' tests."""

import math
import random
from collections.abc import Callable, Sequence

from logger.model.sample import Gap, Series
from logger.model.units import MICRON_PA


def vacuum(
    micron: Callable[[float], float],
    seconds: float = 3600.0,
    *,
    period: float = 2.0,
    noise: float = 0.6,
    wander: float = 0.0,
    step: float = 1.0,
    seed: int = 1,
    scale_u: float = 0.02,
    begin: float = 0.0,
    gaps: Sequence[tuple[float, float]] = (),
    reason: str = "link lost",
) -> Series:
    """micron(t): true pressure. noise: white, micron; wander: with a memory of five minutes. step: the display's.

    scale_u: standard uncertainty of the gauge as a share of 300 micron. gaps: stretches without readings.
    """
    rng = random.Random(seed)
    t: list[float] = []
    v: list[float] = []
    memory, drift = math.exp(-period / 300.0), 0.0
    for i in range(int((seconds - begin) / period) + 1):
        x = begin + i * period
        drift = memory * drift + math.sqrt(1.0 - memory * memory) * rng.gauss(0.0, wander)
        if any(a < x < b for a, b in gaps):
            continue
        reading = micron(x) + drift + rng.gauss(0.0, noise)
        if step:
            reading = round(reading / step) * step
        t.append(x)
        v.append(max(reading, step) * MICRON_PA)
    u_scale = scale_u * 300.0 * MICRON_PA
    return Series(
        "vacuum", t, v, u=noise * MICRON_PA, u_scale=u_scale, low=0.0, high=25000 * MICRON_PA,
        gaps=tuple(Gap(a, b, reason) for a, b in gaps),
    )  # fmt: skip


def temperature(kelvin: Callable[[float], float], seconds: float = 3600.0, period: float = 30.0) -> Series:
    t = [i * period for i in range(int(seconds / period) + 1)]
    return Series("ambient_temperature", t, [kelvin(x) for x in t], u=0.05, u_scale=0.3)


def steady(kelvin: float = 293.15, seconds: float = 3600.0) -> Series:
    return temperature(lambda t: kelvin, seconds)
