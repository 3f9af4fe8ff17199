"""Monte Carlo over the whole chain, from a device of stated accuracy to the finding: the spread of what is found
agrees within 20 % with the uncertainty that is printed beside it.

Each device is drawn once a run: its offset rectangular within the stated accuracy, its gain as far off as its accuracy
is a share of the reading; noise and digits each reading.
"""

import math
import random
from collections.abc import Callable

import pytest

from logger.model.finding import Finding
from logger.model.sample import GaugeFacts, Series
from logger.model.units import MICRON_PA
from logger.model.value import Value
from logger.physics.leak_flow import ServiceGas
from logger.stages.decay_test.analysis import analyse_decay
from logger.stages.recovery.level import required_level
from logger.stages.recovery.rebound import judge_rebound
from tests.stages.make import steady

RUNS = 120
HOUR = 3600.0


def value(findings: tuple[Finding, ...], key: str, name: str) -> Value:
    found = next(f for f in findings if f.key == key).value(name)
    assert found is not None and found.number is not None and found.u is not None, (key, name)
    return found


def agrees(runs: list[tuple[Value, float]]) -> None:
    """(found, truth): the root mean square of found less truth against the mean u stated."""
    errors = [(v.number or 0.0) - truth for v, truth in runs]
    spread = math.sqrt(sum(e * e for e in errors) / len(errors))
    stated = math.sqrt(sum((v.u or 0.0) ** 2 for v, _ in runs) / len(runs))
    assert spread == pytest.approx(stated, rel=0.2), (spread, stated)


def reading(
    rng: random.Random, truth: Callable[[float], float], seconds: float, period: float, noise: float, step: float,
    accuracy: float, at: float,
) -> Series:  # fmt: skip
    """accuracy: limits of error at a reading of `at`, in its unit; here all of it grows with the reading."""
    gain = 1.0 + rng.uniform(-1.0, 1.0) * accuracy / at
    t = [i * period for i in range(int(seconds / period) + 1)]
    v = [max(round((truth(x) * gain + rng.gauss(0.0, noise)) / step) * step, step) for x in t]
    return Series("vacuum", t, v, u=step / math.sqrt(12.0), u_scale=accuracy / math.sqrt(3.0))


def test_leak_rate_of_a_decay() -> None:
    """A gauge 10 % off at 500 microns with a drifting zero, and a volume known to 5 %."""
    drift, litres = 10.0 * MICRON_PA / HOUR, 0.05
    rates: list[tuple[Value, float]] = []
    flows: list[tuple[Value, float]] = []
    for seed in range(RUNS):
        rng = random.Random(seed)
        zero, true = rng.uniform(-1.0, 1.0) * drift, 250.0 * MICRON_PA / HOUR
        series = reading(
            rng, lambda t, z=zero, r=true: 250.0 * MICRON_PA + (r + z) * t, HOUR, 10.0, 1.2 * MICRON_PA, MICRON_PA,  # type: ignore[misc]
            50.0 * MICRON_PA, 500.0 * MICRON_PA,
        )  # fmt: skip
        series = Series(
            "vacuum", series.t_s, series.value, u=series.u, u_scale=series.u_scale, gauge=GaugeFacts(zero_drift=drift)
        )
        result = analyse_decay(
            series, isolated_s=0.0, temperature=steady(), volume_m3=litres * rng.gauss(1.0, 0.05),
            volume_u_m3=0.05 * litres, gas=ServiceGas("R-134a", 0.102, 5.7e5),
        )  # fmt: skip
        if any(f.key == "decay.leak-rate" for f in result.findings):
            rates.append((value(result.findings, "decay.cause", "rate"), true))
            flows.append((value(result.findings, "decay.leak-rate", "flow"), true * litres))
    assert len(rates) > 0.9 * RUNS
    agrees(rates)
    agrees(flows)


def test_rebound() -> None:
    runs: list[tuple[Value, float]] = []
    for seed in range(RUNS):
        rng = random.Random(seed)

        def truth(t: float) -> float:
            return 5e4 if t < 600.0 else 5e4 + 2e4 * -math.expm1(-(t - 600.0) / 120.0)

        series = reading(rng, truth, 1500.0, 1.0, 150.0, 100.0, 2e3, 7e4)
        found = judge_rebound(series, required_level("high", 120.0, None), stopped_s=595.0)
        runs.append((found.rise, truth(1470.0) - 5e4))
    agrees(runs)
