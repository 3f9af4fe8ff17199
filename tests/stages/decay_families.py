"""Closed systems of known truth, tight and leaking: what really moves a pressure in them, what a gauge makes of it.

Shares no code with the analysis: gas, walls, oil, water and gauges are written down again here from their equations,
and the readings go in by the public door (`logger.analyse`). All times in hours, all pressures in microns until the
door. Sizes are invented to be what service work meets; nothing here was measured on a real system.
"""

import math
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import logger
from logger.model.sample import Series

MICRON_PA = 101325.0 / 760_000.0
HOURS = (0.5, 1.0, 2.0, 8.0)
Array = NDArray[np.float64]
MIN_LEAK, MAX_LEAK = 60.0, 3000.0  # microns an hour


@dataclass(frozen=True)
class Circuit:
    """t: h since isolation. start: microns. kelvin: of the gas, above what it was at isolation."""

    rng: np.random.Generator
    t: Array
    start: float
    kelvin: Array
    ambient_k: float


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


# What gives off or takes up gas. Each: microns since isolation.


def _sheet(s: Array | float, tau: float) -> Array:
    """Share that a plane sheet has given off after s (Crank: the series over odd m), tau of its slowest part."""
    s = np.asarray(s, float)
    left = sum(8.0 / (math.pi * m) ** 2 * np.exp(-(m**2) * s / tau) for m in range(1, 60, 2))
    return np.asarray(1.0 - left)


def oil(c: Circuit) -> Array:
    """Refrigerant that diffuses out of a still layer of oil, pumped on for a while before."""
    age, tau, size = _log(c.rng, 0.05, 3.0), _log(c.rng, 0.3, 20.0), _log(c.rng, 50.0, 5000.0)
    warm = 1.0 + 0.03 * c.kelvin  # what has come out stands over oil, and follows its temperature
    return size * (_sheet(c.t + age, tau) - _sheet(age, tau)) * warm


def elastomer(c: Circuit) -> Array:
    """Gaskets and hoses: the rate falls with the root of the time since the pump was opened."""
    age, rate = _log(c.rng, 0.2, 4.0), _log(c.rng, 30.0, 600.0)
    return np.asarray(2.0 * rate * age * (np.sqrt(1.0 + c.t / age) - 1.0))


def metal(c: Circuit) -> Array:
    """Bare metal: the rate falls with the time since the pump was opened."""
    age, rate = _log(c.rng, 0.2, 4.0), _log(c.rng, 30.0, 600.0)
    return rate * age * np.log1p(c.t / age)


def exponential(c: Circuit) -> Array:
    """A store that is used up."""
    return _log(c.rng, 30.0, 2000.0) * -np.expm1(-c.t / _log(c.rng, 0.03, 5.0))


def nothing(c: Circuit) -> Array:
    return np.zeros_like(c.t)


def water(c: Circuit) -> Array:
    """Liquid water behind a narrow path: it cools as it boils, freezes, and is warmed from outside."""
    rng, volume = c.rng, _log(c.rng, 0.01, 0.3)
    path, heat, mass = _log(rng, 1e-4, 2e-3), _log(rng, 0.5, 8.0), _log(rng, 0.01, 0.3)  # m3/s, W/K, kg
    latent, fusion, cp, gas = 2.5e6, 3.34e5, 4186.0, 461.5
    step_s = float(min(2.0, 0.2 * volume / path, (c.t[-1] - c.t[0]) * 3600.0 / 400.0))
    pumped_s = rng.uniform(300.0, 2400.0)  # how far it is cooled and frozen when the valve is closed
    temp, frozen, vapor = c.ambient_k, 0.0, 0.0
    times, pressures = [], []
    now, end_s, sealed = -pumped_s, c.t[-1] * 3600.0, False
    while now < end_s:
        over_pa = _water_pa(temp)
        pressure_pa = vapor if sealed else 30.0
        flow = path * (over_pa - pressure_pa) / (gas * temp)  # kg/s
        flow = min(flow, 0.02 * mass / step_s)
        mass -= flow * step_s
        warmth = heat * (c.ambient_k - temp) - flow * latent
        if temp <= 273.16 and ((warmth < 0.0 and frozen < 0.999 * mass) or (warmth > 0.0 and frozen > 0.0)):
            frozen = min(max(frozen - warmth * step_s / fusion, 0.0), mass)
            temp = 273.16
        else:
            temp += warmth * step_s / (max(mass, 1e-3) * (cp if frozen < 0.5 * mass else cp / 2.0))
        temp = max(temp, 225.0)
        now += step_s
        if now > 0.0 and not sealed:
            sealed, vapor = True, 30.0
        if sealed:
            vapor += flow * gas * c.ambient_k / volume * step_s
            times.append(now / 3600.0)
            pressures.append((vapor - 30.0) / MICRON_PA)
    return np.interp(c.t, times, pressures)


def _water_pa(kelvin: float) -> float:
    """Magnus (Sonntag 1990), over water and ice."""
    c = kelvin - 273.15
    return 611.2 * math.exp(17.62 * c / (243.12 + c)) if c > 0.0 else 611.2 * math.exp(22.46 * c / (272.62 + c))


def vapor_over_oil(c: Circuit) -> Array:
    """Gas in balance with oil or moist walls follows the temperature: 3 to 6 % of its share a kelvin."""
    share, per_k = c.rng.uniform(0.0, 1.0), c.rng.uniform(0.03, 0.06)
    return c.start * share * (np.exp(per_k * c.kelvin) - 1.0)


# The leak, alone or beside a drier.


def straight(c: Circuit, leak: float) -> Array:
    return leak * c.t


def beside_drier(c: Circuit, leak: float) -> Array:
    """Air comes in steadily; a drier takes a part of it up, as much again as stands over it (0.05 to 2 times), with a
    time constant of minutes to hours. It begins in balance, empty, or in between."""
    holds, tau, filled = _log(c.rng, 0.05, 2.0), _log(c.rng, 0.03, 3.0), c.rng.choice([0.0, 0.5, 1.0])
    step = min(tau / 20.0, c.t[-1] / 800.0)
    p, q = c.start, filled * holds * c.start
    grid, over = [0.0], [0.0]
    while grid[-1] < c.t[-1]:
        up = (holds * p - q) / tau * step
        q += up
        p += leak * step - up
        grid.append(grid[-1] + step)
        over.append(p - c.start)
    return np.interp(c.t, grid, over)


# The gauge.


def drifting(c: Circuit) -> Array:
    """Its zero wanders: in a line, settling, or at random; 5 to 40 microns in an hour, either way."""
    size, way, kind = _log(c.rng, 5.0, 40.0), float(c.rng.choice([-1.0, 1.0])), int(c.rng.integers(3))
    if kind == 0:
        drift = way * size * c.t
    elif kind == 1:
        drift = way * size * -np.expm1(-c.t / _log(c.rng, 0.1, 1.5))
    else:
        drift = 0.5 * size * np.cumsum(c.rng.normal(0.0, 1.0, len(c.t)) * np.sqrt(np.gradient(c.t)))
    return np.asarray(drift)


def quiet(c: Circuit) -> Array:
    return np.zeros_like(c.t)


@dataclass(frozen=True)
class Family:
    """sources: what is not the leak. gas_factor: what the gauge shows of them. weather: 2 to 5 K an hour."""

    name: str
    sources: tuple[Callable[[Circuit], Array], ...]
    leak: Callable[[Circuit, float], Array] | None = None
    gauge: Callable[[Circuit], Array] = quiet
    gas_factor: float = 1.0
    weather: bool = False
    largest: float = MAX_LEAK

    @property
    def leaking(self) -> bool:
        return self.leak is not None

    @property
    def plain(self) -> bool:
        """A leak and nothing beside it."""
        return self.leak is straight and self.sources == (nothing,)


FAMILIES = (
    Family("refrigerant diffusing from oil", (oil,)),
    Family("elastomers, rate as t^-1/2", (elastomer,)),
    Family("metal, rate as 1/t", (metal,)),
    Family("gauge zero drift", (nothing,), gauge=drifting),
    Family("gauge reading water 1.4 times", (water,), gas_factor=1.4),
    Family("free water", (water,)),
    Family("a store that is used up (exponential)", (exponential,)),
    Family("temperature drift of 2 to 5 K/h", (vapor_over_oil,), weather=True),
    Family("dry", (nothing,)),
    Family("plain leak", (nothing,), straight),
    Family("plain leak of 60 to 250 microns/h", (nothing,), straight, largest=250.0),
    Family("leak, temperature drift", (vapor_over_oil,), straight, weather=True),
    Family("leak and free water", (water,), straight),
    Family("leak beside an adsorbing drier", (nothing,), beside_drier),
    Family("leak and oil", (oil,), straight),
    Family("leak and elastomers", (elastomer,), straight),
    Family("leak and metal", (metal,), straight),
    Family("leak and a store that is used up", (exponential,), straight),
)


@dataclass(frozen=True)
class Case:
    """leak: microns an hour, 0 for none. readings by point, SI, seconds since isolation."""

    family: Family
    hours: float
    leak: float
    series: dict[str, Series]


def case(family: Family, hours: float, seed: int) -> Case:
    rng = np.random.default_rng([zlib.crc32(family.name.encode()), round(hours * 10), seed])
    period_s = float(rng.choice([1.0, 2.0, 5.0, 10.0, 30.0] if hours < 8.0 else [10.0, 20.0, 30.0, 60.0]))
    t = np.arange(0.0, hours * 3600.0 + 0.5 * period_s, period_s) / 3600.0
    start, ambient_k = rng.uniform(120.0, 300.0), rng.uniform(279.0, 306.0)
    drift = rng.choice([-1.0, 1.0]) * rng.uniform(2.0, 5.0) if family.weather else rng.normal(0.0, 0.4)
    swing, pace = rng.uniform(0.0, 0.3), rng.uniform(0.2, 1.5)
    if hours >= 8.0:
        drift /= 3.0  # a day's course, not a straight line for a working day
    kelvin = drift * t + swing * (np.sin(2.0 * math.pi * t / pace + 1.0) - math.sin(1.0))
    c = Circuit(rng, t, start, kelvin, ambient_k)
    given_off = sum((one(c) for one in family.sources), np.zeros_like(t))
    walls, age = rng.uniform(1.0, 10.0), rng.uniform(0.5, 3.0)  # a sound circuit is never quite still
    rest = start + walls * age * np.log1p(t / age)
    leak = 0.0
    if family.leak is not None:
        leak = _log(rng, MIN_LEAK, family.largest)
        rest = rest + family.leak(c, leak)
    there = (rest + given_off * family.gas_factor) * (1.0 + kelvin / ambient_k)
    shown = _read(rng, t, there, period_s) + family.gauge(c)
    step = float(rng.choice([1.0, 1.0, 1.0, 0.1, 5.0]))
    shown = np.round(shown / step) * step
    scale = 1.0 + rng.normal(0.0, 0.03)
    kept = (shown > 1.0) & (shown < 25_000.0)
    seconds = t * 3600.0
    vacuum = Series(
        "vacuum", seconds[kept].tolist(), (shown * scale * MICRON_PA)[kept].tolist(), u=2.0 * MICRON_PA,
        u_scale=0.03 * 500.0 * MICRON_PA, low=MICRON_PA, high=25_000.0 * MICRON_PA,
    )  # fmt: skip
    series = {"vacuum": vacuum}
    if rng.random() < 0.8:  # the temperature near it, seen late
        every = max(1, round(30.0 / period_s))
        lag = rng.uniform(0.0, 0.2)
        near = ambient_k + np.interp(t - lag, t, kelvin) + rng.normal(0.0, 0.03, len(t))
        series["system_temperature"] = Series(
            "system_temperature", seconds[::every].tolist(), near[::every].tolist(), u=0.05, u_scale=0.3
        )
    return Case(family, hours, leak, series)


def _read(rng: np.random.Generator, t: Array, there: Array, period_s: float) -> Array:
    """A gauge's noise: white, and slow of some minutes, both a share of the reading."""
    noise = rng.normal(0.0, 1.0, len(t)) * np.hypot(rng.uniform(0.3, 1.0), rng.uniform(0.001, 0.006) * there)
    memory = math.exp(-period_s / rng.uniform(60.0, 400.0))
    pushes = rng.normal(0.0, math.sqrt(1.0 - memory**2), len(t))
    slow = np.empty_like(t)
    last = rng.normal()
    for i, push in enumerate(pushes):
        last = memory * last + push
        slow[i] = last
    return there + noise + rng.uniform(0.0, 0.001) * there * slow


@dataclass(frozen=True)
class Said:
    """true_leak: microns an hour. largest: those that the finding calls still possible, None where it gives none."""

    family: Family
    hours: float
    true_leak: float
    cause: str
    largest: float | None

    @property
    def leak(self) -> bool:
        return self.cause in ("leak", "leak_and_rise")

    @property
    def tight(self) -> bool:
        return self.cause in ("tight", "levels_off")


def judged(one: Case) -> Said:
    result = logger.analyse("decay-test", one.series, marks={"isolated": 0.0})
    found = next(f for f in result.findings if f.key == "decay.cause")
    largest = found.value("largest_rate")
    known = None if largest is None or largest.number is None else largest.number * 3600.0 / MICRON_PA
    return Said(one.family, one.hours, one.leak, "".join(found.codes("cause_code")), known)


def families(seeds: Sequence[int], hours: Sequence[float] = HOURS, of: Sequence[Family] = FAMILIES) -> Iterator[Said]:
    for family in of:
        for length in hours:
            for seed in seeds:
                yield judged(case(family, length, seed))
