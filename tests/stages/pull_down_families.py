"""Pull-downs of known truth: when the target is passed, foretold while the pump still pulls.

Shares no code with the analysis: pump, hose and what gives off gas are written down again from their equations, and
the readings go in by the public door. Hours, microns, liters. Sizes are invented.
"""

import math
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

import logger
from logger.model.sample import Series
from tests.stages.decay_families import MICRON_PA, Array, _log, _read

END_H = 12.0
FIRST = 2e5  # microns; the gauge comes into its range below 25 000


@dataclass(frozen=True)
class Load:
    """given_off: microns an hour of the closed system, by hours of pumping."""

    name: str
    given_off: Callable[[np.random.Generator, Array], Array]


def _clean(rng: np.random.Generator, t: Array) -> Array:
    return np.zeros_like(t)


def _oil(rng: np.random.Generator, t: Array) -> Array:
    """A plane layer: the series of exponentials, from an equilibrium of some mbar."""
    tau, size = _log(rng, 0.2, 8.0), _log(rng, 3e3, 3e5)
    rate = sum(8.0 / math.pi**2 / tau * np.exp(-(m**2) * t / tau) for m in range(1, 40, 2))
    return np.asarray(size * rate)


def _elastomer(rng: np.random.Generator, t: Array) -> Array:
    return np.asarray(_log(rng, 300.0, 2e4) / np.sqrt(np.maximum(t, 0.02)))


def _metal(rng: np.random.Generator, t: Array) -> Array:
    return np.asarray(_log(rng, 300.0, 2e4) / np.maximum(t, 0.02))


def _stirred(rng: np.random.Generator, t: Array) -> Array:
    """Oil that boils or is stirred: gives off as it is emptied, one or two stores."""
    stores = [(_log(rng, 1e3, 5e4), _log(rng, 0.2, 6.0)) for _ in range(int(rng.integers(1, 3)))]
    return np.asarray(sum(size / tau * np.exp(-t / tau) for size, tau in stores))


LOADS = (
    Load("clean", _clean), Load("oil, a still layer", _oil), Load("oil, stirred", _stirred),
    Load("elastomers", _elastomer), Load("metal", _metal),
)  # fmt: skip


@dataclass(frozen=True)
class Prediction:
    """truth_s: from now to the target, None when it is not passed within 12 h. soonest_s, latest_s: the band told."""

    load: str
    seed: int
    ratio: float
    truth_s: float | None
    soonest_s: float | None
    latest_s: float | None
    reserved: bool

    @property
    def given(self) -> bool:
        return self.soonest_s is not None and self.latest_s is not None

    @property
    def inside(self) -> bool:
        """Within the band, to the 20 s between two analyses."""
        if self.truth_s is None or self.soonest_s is None or self.latest_s is None:
            return False
        return self.soonest_s - 20.0 <= self.truth_s <= self.latest_s + 20.0


def predicted(load: Load, seed: int) -> Prediction | None:
    """None where the target is passed at once, or the moment to ask at never comes."""
    rng = np.random.default_rng([zlib.crc32(load.name.encode()), seed])
    pump = _log(rng, 8.0, 200.0)  # speed over volume, an hour
    hose, viscous = _log(rng, 0.5, 20.0), rng.uniform(0.004, 0.02)  # molecular; and it grows by that share a micron
    if rng.random() < 0.4:  # short and wide: the pump alone counts
        pump, hose = _log(rng, 1.5, 25.0), 1e6
    base = rng.uniform(15.0, 60.0) + rng.choice([0.0, 0.0, 1.0]) * rng.uniform(20.0, 400.0)  # pump's end, and a leak
    target, ratio = rng.uniform(200.0, 700.0), rng.uniform(1.3, 6.0)
    period_s = float(rng.choice([2.0, 5.0, 10.0]))
    t = np.arange(0.0, END_H * 3600.0, period_s) / 3600.0
    load_now = load.given_off(rng, t)
    p = np.empty_like(t)
    p[0] = FIRST
    step = period_s / 3600.0
    for i in range(1, len(t)):
        last = p[i - 1]
        speed = 1.0 / (1.0 / pump + 1.0 / (hose * (1.0 + viscous * last)))
        rest = base + load_now[i] / speed
        p[i] = rest + (last - rest) * math.exp(-speed * step)
    there = np.flatnonzero(p <= target)
    asked = np.flatnonzero(p <= ratio * target)
    if not len(asked):
        return None
    now = max(int(asked[0]), round(600.0 / period_s))
    if len(there) and there[0] <= now:
        return None
    shown = _read(rng, t[: now + 1], p[: now + 1], period_s)
    shown = np.round(shown)
    kept = (shown >= 1.0) & (shown <= 25_000.0)
    if kept.sum() < 20:
        return None
    seconds = t[: now + 1] * 3600.0
    vacuum = Series(
        "vacuum", seconds[kept].tolist(), (shown[kept] * MICRON_PA).tolist(), u=2.0 * MICRON_PA,
        u_scale=0.02 * target * MICRON_PA, low=MICRON_PA, high=25_000.0 * MICRON_PA,
    )  # fmt: skip
    result = logger.analyse("evacuation", {"vacuum": vacuum}, {"target_vacuum": target * MICRON_PA})
    found = next(f for f in result.findings if f.key == "evacuation.progress")
    soonest, latest = found.value("soonest"), found.value("latest")
    truth_s = float(t[there[0]] - t[now]) * 3600.0 if len(there) else None
    return Prediction(
        load.name, seed, ratio, truth_s, None if soonest is None else soonest.number,
        None if latest is None else latest.number, bool(latest is not None and latest.note),
    )  # fmt: skip


def all_predicted(seeds: Sequence[int], of: Sequence[Load] = LOADS) -> Iterator[Prediction]:
    for load in of:
        for seed in seeds:
            one = predicted(load, seed)
            if one is not None:
                yield one
